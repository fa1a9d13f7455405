"""What a reader of the run wants to see with own eyes: the sharpest single frame, and the curves behind the numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stacker.alignment import Alignment
from stacker.capture import Capture
from stacker.measuring.limb import limb_profile
from stacker.measuring.metrics import green, stack_cutoff
from stacker.measuring.resolution import SEVENTH, Resolution
from stacker.measuring.warp import warp_field
from stacker.ranking import Ranking
from stacker.sharpening.showing import Tone
from stacker.stacking import Stack

Real = NDArray[np.float32]
Picture = NDArray[np.uint8]


@dataclass(frozen=True)
class Evidence:
    """Beside the images and numbers of a run."""

    best_frame: Picture
    """(H, W) or (H, W, 3), the sharpest frame as recorded, on the stack's pixels and in the finished picture's tone."""
    curves: dict[str, Any]
    """Keyed as in curves.json."""


def gather_evidence(
    capture: Capture,
    ranking: Ranking,
    alignment: Alignment,
    linear: Stack,
    finished: Real,
    tone: Tone,
    agreed: Resolution | str,
) -> Evidence:
    """Return the sharpest frame and the curves of a run; colours are measured on green, as the metrics are.

    `agreed` is what the halves agree on, or why that cannot be said.
    """
    curves = {
        "best_frame": int(ranking.order[0]),
        "showing": {"black_adu": tone.black, "white_adu": tone.white, "gamma": tone.gamma, **_colours(tone)},
        "correlation": _correlation(agreed, stack_cutoff(capture.circumstances, linear.zoom)),
        "limb": _limb(linear, finished),
        "warp": _warp(alignment, ranking.target.mask),
    }
    return Evidence(_best_frame(capture, ranking, linear, tone), curves)


def _colours(tone: Tone) -> dict[str, Any]:
    """Return the balance of a colour picture; nothing of a mono one."""
    if tone.balance is None:
        return {}
    return {
        "sky_adu": tone.balance.sky_adu,
        "gains": tone.balance.gains,
        "saturation": tone.saturation,
        "balance": tone.balance.words,
    }


def _best_frame(capture: Capture, ranking: Ranking, linear: Stack, tone: Tone) -> Picture:
    """Return the sharpest frame, not mended, moved to the stack's place."""
    index = int(ranking.order[0])
    frame = np.nan_to_num(_in_colour(capture.get_frame(index), capture.mosaic))
    typical = float(np.median(ranking.brightness[ranking.usable]))
    frame *= np.float32(typical / ranking.brightness[index] if ranking.brightness[index] > 0 else 1.0)
    zoom, (dy, dx) = linear.zoom, ranking.coarse_shift_px[index]
    # Pixel centres: stack pixel u lies at (u + 0.5) / zoom - 0.5 of the camera's, plus the target's shift.
    back = np.array([[1 / zoom, 0, 0.5 / zoom - 0.5 + dx], [0, 1 / zoom, 0.5 / zoom - 0.5 + dy]])
    size = linear.image.shape[1], linear.image.shape[0]
    moved = cv2.warpAffine(frame, back, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return np.asarray(tone.apply(moved.astype(np.float32, copy=False)) >> 8, np.uint8)


def _in_colour(frame: NDArray[Any], mosaic: str | None) -> Real:
    """Return a frame as float32; a raw mosaic filled to (H, W, 3) by linear interpolation."""
    if mosaic is None or frame.dtype.kind == "f":
        return frame.astype(np.float32)
    return cv2.cvtColor(frame, getattr(cv2, f"COLOR_Bayer{mosaic}2RGB")).astype(np.float32)


def _correlation(seen: Resolution | str, cutoff: float | None) -> dict[str, Any] | None:
    if isinstance(seen, str):
        return None
    return {
        "frequency_cyc_per_px": seen.rings.frequency_cyc_per_px,
        "correlation": seen.rings.correlation,
        "half_bit": seen.half_bit,
        "seventh": SEVENTH,
        "modes": seen.rings.count,
        "half_bit_px": seen.half_bit_px,
        "half_bit_px_error": seen.half_bit_px_error,
        "seventh_px": seen.seventh_px,
        "cutoff_cyc_per_px": cutoff,
    }


def _limb(linear: Stack, finished: Real) -> dict[str, Any] | None:
    if linear.kind != "disc":
        return None
    profiles = {}
    for name, image in (("stack", linear.image), ("finished", finished)):
        profile = limb_profile(green(image), linear.mask)
        if profile is None:
            return None
        profiles[name] = vars(profile)
    return profiles


def _warp(alignment: Alignment, mask: NDArray[np.bool_]) -> dict[str, Any] | None:
    field = warp_field(alignment, mask)
    return None if field is None else {**vars(field), "field_rms_px": alignment.field_rms_px}
