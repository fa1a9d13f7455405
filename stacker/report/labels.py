"""A finished picture with a strip of words below it: what it shows, when, which way up, how large.

The picture itself is copied into a larger one and stays as it is; nothing is drawn on it.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.sky.ephemeris import Look

Picture = NDArray[np.uint8] | NDArray[np.uint16]
Strip = NDArray[np.uint8]

_FONT = cv2.FONT_HERSHEY_SIMPLEX
_FONT_PX = 22.0
"""Height of the font's capitals at scale 1."""
_LEAST_TEXT_PX = 12.0
"""Height of capitals: what stays readable on a telephone; larger pictures get more."""
_TEXT_OF_WIDTH = 0.018
_LEAST_WIDTH_PX = 480
_INK, _DIM, _PAPER = (235, 235, 235), (180, 180, 180), (16, 16, 16)
"""Contrast 16 to 1 and 9 to 1; 7 to 1 is asked for (WCAG 2.2, success criterion 1.4.6)."""
_TITLE = 1.3
"""Size of the target's name over that of the other words."""
_BAR_OF_WIDTH = 0.35


@dataclass(frozen=True)
class Label:
    """What is written; None where it is not known, and then it is left out."""

    target: str | None = None
    when_utc: datetime | None = None
    central_meridian_deg: float | dict[str, float] | None = None
    altitude_deg: float | None = None
    telescope: str | None = None
    seeing_arcsec: float | None = None
    resolution_arcsec: float | None = None
    scale_arcsec_per_px: float | None = None
    north_angle_deg: float | None = None
    """Direction of celestial north in the picture, counter-clockwise from up."""
    mirrored: bool = False
    """Whether east lies clockwise of north in the picture."""


def label_of(look: Look, **known: Any) -> Label:
    """Return the label of a target as the ephemeris has it; `known` fills the other fields of `Label`."""
    told = look.central_meridian_deg if look.body.name not in ("Uranus", "Neptune") else None
    return Label(look.body.name, look.moment.utc, told, look.altitude_deg, **known)


def draw_labels(picture: Picture, label: Label, *, north_up: bool = False) -> Picture:
    """Return a larger copy of `picture` (H, W) or (H, W, 3), RGB, uint8 or uint16, with the label below it.

    As captured, or turned (and mirrored back) so that north is up where `north_up` asks for it and the label knows
    north. The strip says which way north and east are, shows a scale bar and the lines of the label.
    Raises ValueError for a picture of another kind, or where north is wanted up and not known.
    """
    if picture.dtype not in (np.uint8, np.uint16) or picture.ndim not in (2, 3) or picture.shape[2:] not in ((), (3,)):
        raise ValueError(
            f"a picture of {picture.shape} {picture.dtype} has no labels; give (H, W[, 3]) of uint8 or uint16"
        )
    north = label.north_angle_deg
    mirrored = label.mirrored
    if north_up:
        if north is None:
            raise ValueError("where north is, is not known; the picture stays as captured")
        picture, north, mirrored = _turned(picture, north, mirrored), 0.0, False
    height, width = picture.shape[:2]
    strip = _strip(max(width, _LEAST_WIDTH_PX), label, north, mirrored)
    canvas = np.zeros((height + strip.shape[0], strip.shape[1], *picture.shape[2:]), picture.dtype)
    left = (strip.shape[1] - width) // 2
    canvas[:height, left : left + width] = picture
    canvas[height:] = _as_kind(strip, picture)
    return canvas


def scale_bar(scale_arcsec_per_px: float, width_px: int) -> tuple[float, str]:
    """Return the length in pixels and the words of a scale bar, 1, 2 or 5 times 10^n, of about a third of the width."""
    longest = _BAR_OF_WIDTH * width_px * scale_arcsec_per_px
    unit, name = (60.0, "arcmin") if longest >= 60.0 else (1.0, "arcsec")
    decade = 10.0 ** math.floor(math.log10(longest / unit))
    told = max(step * decade for step in (1.0, 2.0, 5.0) if step * decade <= longest / unit)
    return told * unit / scale_arcsec_per_px, f"{told:g} {name}"


def _lines(label: Label, north: float | None) -> list[str]:
    when = None if label.when_utc is None else f"{label.when_utc:%Y-%m-%d %H:%M:%S} UTC"
    meridian = label.central_meridian_deg
    systems = meridian if isinstance(meridian, dict) else {} if meridian is None else {"": meridian}
    longitudes = ", ".join(f"{name} {value:.1f}".strip() for name, value in systems.items())
    rows = (
        (when,),
        (
            f"central meridian {longitudes} deg" if longitudes else None,
            None if label.altitude_deg is None else f"altitude {label.altitude_deg:.0f} deg",
        ),
        (
            label.telescope,
            None if label.seeing_arcsec is None else f"seeing {label.seeing_arcsec:.1f} arcsec",
            None if label.resolution_arcsec is None else f"resolution {label.resolution_arcsec:.2f} arcsec",
        ),
        (None if north is not None else "as captured, north not known",),
    )
    # The font has no letters beyond ASCII.
    told = (", ".join(_plain(word) for word in row if word) for row in rows)
    return [line for line in told if line]


def _plain(words: str) -> str:
    return words.encode("ascii", "replace").decode("ascii")


def _strip(width: int, label: Label, north: float | None, mirrored: bool) -> Strip:
    """Return the strip (h, width, 3): scale bar and compass in a row, lines below."""
    capital = max(_LEAST_TEXT_PX, _TEXT_OF_WIDTH * width)
    size, thick = capital / _FONT_PX, max(1, round(capital / 11.0))
    margin, pitch = round(capital), round(2.0 * capital)
    title = _wrapped(_plain(label.target or ""), width - 2 * margin, _TITLE * size, 2 * thick)
    lines = [part for line in _lines(label, north) for part in _wrapped(line, width - 2 * margin, size, thick)]
    drawn_row = round(6.5 * capital) if north is not None else round(4.2 * capital) if label.scale_arcsec_per_px else 0
    named = round(1.3 * pitch) * len(title)
    strip = np.empty((drawn_row + named + pitch * len(lines) + margin, width, 3), np.uint8)
    strip[:] = _PAPER
    if label.scale_arcsec_per_px:
        _draw_bar(strip, label.scale_arcsec_per_px, margin, drawn_row, size, thick)
    if north is not None:
        _draw_compass(strip, north, mirrored, width - margin - round(2.6 * capital), drawn_row // 2, capital, thick)
    for number, line in enumerate(title):
        row = drawn_row + number * round(1.3 * pitch) + round(1.9 * capital)
        _write(strip, line, (margin, row), _TITLE * size, 2 * thick)
    for number, line in enumerate(lines):
        _write(strip, line, (margin, drawn_row + named + number * pitch + round(1.5 * capital)), size, thick, _DIM)
    return strip


def _wrapped(line: str, width: int, size: float, thick: int) -> list[str]:
    """Return the line broken between words, so that each part is at most `width` pixels long."""
    for letters in range(len(line), 8, -1):
        parts = textwrap.wrap(line, letters)
        if all(cv2.getTextSize(part, _FONT, size, thick)[0][0] <= width for part in parts):
            return parts
    return textwrap.wrap(line, 8)


def _draw_bar(strip: Strip, scale: float, margin: int, row: int, size: float, thick: int) -> None:
    length, words = scale_bar(scale, strip.shape[1])
    y, end = round(0.74 * row), margin + round(length)
    cv2.line(strip, (margin, y), (end, y), _INK, thick + 1, cv2.LINE_AA)
    for x in (margin, end):
        cv2.line(strip, (x, y - 4 * thick), (x, y + 4 * thick), _INK, thick, cv2.LINE_AA)
    _write(strip, words, (margin, y - 7 * thick), size, thick)


def _draw_compass(strip: Strip, north: float, mirrored: bool, x: int, y: int, capital: float, thick: int) -> None:
    east = north - 90.0 if mirrored else north + 90.0
    for letter, angle, share in (("N", north, 1.0), ("E", east, 0.7)):
        right, up = -math.sin(math.radians(angle)), math.cos(math.radians(angle))
        reach = 1.7 * capital
        tip = round(x + share * reach * right), round(y - share * reach * up)
        cv2.arrowedLine(strip, (x, y), tip, _INK, thick, cv2.LINE_AA, tipLength=0.25)
        at = x + (share * reach + 0.8 * capital) * right, y - (share * reach + 0.8 * capital) * up
        (w, h), _ = cv2.getTextSize(letter, _FONT, 0.8 * capital / _FONT_PX, thick)
        _write(strip, letter, (round(at[0] - w / 2), round(at[1] + h / 2)), 0.8 * capital / _FONT_PX, thick)


def _write(
    strip: Strip, words: str, at: tuple[int, int], size: float, thick: int, ink: tuple[int, int, int] = _INK
) -> None:
    cv2.putText(strip, words, at, _FONT, size, ink, thick, cv2.LINE_AA)


def _as_kind(strip: Strip, picture: Picture) -> Picture:
    """Return the strip in the picture's depth and number of planes."""
    planes = strip if picture.ndim == 3 else strip[..., 0]
    return np.asarray(planes) if picture.dtype == np.uint8 else np.asarray(planes.astype(np.uint16) * np.uint16(257))


def _turned(picture: Picture, north: float, mirrored: bool) -> Picture:
    """Return the picture with north up and east left, on a canvas that holds all of it."""
    if mirrored:
        north = -north
    seen: Any = np.ascontiguousarray(picture[:, ::-1]) if mirrored else picture
    height, width = picture.shape[:2]
    turn = math.radians(-north)
    cos, sin = math.cos(turn), math.sin(turn)
    wide, high = (round(abs(a * cos) + abs(b * sin)) for a, b in ((width, height), (height, width)))
    # Counter-clockwise by -north, about the middle, in OpenCV's (x right, y down).
    middle, aim = ((width - 1) / 2, (height - 1) / 2), ((wide - 1) / 2, (high - 1) / 2)
    matrix = np.array([[cos, sin, 0.0], [-sin, cos, 0.0]])
    matrix[:, 2] = np.array(aim) - matrix[:, :2] @ np.array(middle)
    turned = cv2.warpAffine(seen, matrix, (wide, high), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT)
    return turned.astype(picture.dtype, copy=False)  # type: ignore[return-value]
