"""Pictures inside a page: small enough for a telephone, as data and not as addresses."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.colour.balance import Balance
from stacker.report.reading import RunFiles, read_linear, read_picture
from stacker.sharpening.showing import Tone

Picture = NDArray[np.uint8]

WIDEST_PX = 1600
"""Wider pictures are reduced; the whole one lies beside the page."""
_LOSSLESS_PX = 1_000_000
_JPEG_QUALITY = 92
FINISHED = "finished"


def run_pictures(run: RunFiles) -> dict[str, Picture]:
    """Return what can be shown of a run, all of one size, by name: best_frame, stack, finished; none is invented.

    The stack gets the finished picture's tone, so that only what was done to it differs.
    """
    found: dict[str, NDArray[Any] | None] = {
        "best_frame": read_picture(run.folder / "best_frame.png"),
        "stack": _toned_stack(run),
        FINISHED: read_picture(run.folder / "finished.png"),
    }
    finished = found[FINISHED]
    if finished is None:
        return {}
    alike = {
        name: picture for name, picture in found.items() if picture is not None and _size(picture) == _size(finished)
    }
    return {name: reduced(as_bytes(picture), WIDEST_PX) for name, picture in alike.items()}


def reduced(picture: Picture, widest_px: int) -> Picture:
    """Return a picture of at most this width, averaged down."""
    height, width = _size(picture)
    if width <= widest_px:
        return picture
    size = widest_px, max(1, round(height * widest_px / width))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)


def as_bytes(picture: NDArray[Any]) -> Picture:
    """Return a picture of 8 or 16 bits in 8."""
    return picture.astype(np.uint8, copy=False) if picture.dtype == np.uint8 else (picture >> 8).astype(np.uint8)


def thumbnail(path: Path, widest_px: int = 480) -> str | None:
    """Return the data: address of a small copy of a picture; None where there is none."""
    picture = read_picture(path)
    return None if picture is None else data_address(reduced(as_bytes(picture), widest_px))


def data_address(picture: Picture) -> str:
    """Return a picture as the data: address of an image: lossless up to a megapixel, JPEG above."""
    pixels = cv2.cvtColor(picture, cv2.COLOR_RGB2BGR) if picture.ndim == 3 else picture
    lossless = picture.shape[0] * picture.shape[1] <= _LOSSLESS_PX
    ending, kind = (".png", "png") if lossless else (".jpg", "jpeg")
    done, encoded = cv2.imencode(ending, pixels, [] if lossless else [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
    if not done:
        raise ValueError(f"a picture of {picture.shape} {picture.dtype} cannot be stored")
    return f"data:image/{kind};base64,{base64.b64encode(encoded.tobytes()).decode()}"


def _toned_stack(run: RunFiles) -> NDArray[np.uint16] | None:
    tone = run.curves.get("showing")
    stack = read_linear(run.folder / "stack.fits") if tone else None
    return None if tone is None or stack is None else tone_from(tone).apply(stack)


def tone_from(showing: Mapping[str, Any]) -> Tone:
    """Return the tone of a finished picture from `showing` of curves.json."""
    gains, sky = showing.get("gains"), showing.get("sky_adu")
    balance = Balance((gains[0], gains[1], gains[2]), (sky[0], sky[1], sky[2]), "") if gains and sky else None
    saturation = float(showing.get("saturation") or 1.0)
    return Tone(showing["black_adu"], showing["white_adu"], showing["gamma"], balance, saturation)


def _size(picture: NDArray[Any]) -> tuple[int, int]:
    return picture.shape[0], picture.shape[1]
