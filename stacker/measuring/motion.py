"""How far the air moved the target's image, the mount's drift and jumps taken off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

TREND_FRAMES = 25
"""The mount is what a running median over this many frames follows; it keeps a jump as a jump."""


def image_motion_px_rms(
    shift_px: NDArray[np.float64], shift_error_px: NDArray[np.float64] | None = None
) -> tuple[float, float]:
    """Return (rms, standard error) of the image motion along one axis.

    `shift_px` (M, 2) are the frames' shifts in order of time; the variance of their standard errors `shift_error_px`
    (M,) is taken off. The running median takes a share of the motion with it, pi / (2 n) of the variance for n frames
    of independent motion (the variance of a median, textbook), which is put back.
    Limits: motion slower than some 25 frames counts as the mount's; nan for fewer than four frames.
    """
    count = len(shift_px)
    if count < 4:
        return float("nan"), float("nan")
    span = min(TREND_FRAMES, count - 1 + count % 2)
    around = np.pad(shift_px, ((span // 2, span // 2), (0, 0)), mode="edge")
    trend = np.median(np.lib.stride_tricks.sliding_window_view(around, span, axis=0), axis=-1)
    variance = float(((shift_px - trend) ** 2).mean()) / (1 - np.pi / (2 * span))
    if shift_error_px is not None and np.isfinite(shift_error_px).any():
        variance -= float(np.nanmean(shift_error_px**2))
    rms = float(np.sqrt(max(variance, 0.0)))
    return rms, rms / float(np.sqrt(2 * 2 * count))
