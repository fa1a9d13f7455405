"""A pattern fixed to the sensor: what the plain mean of the frames, not aligned, shows beyond the optical cutoff.

No light varies that finely, so what two sets of frames share there belongs to the pixels: unequal sensitivity, columns,
compression. Read out before any alignment it is at its full strength, while in the stack the target's motion has
smeared it into something that looks like detail (photo-response non-uniformity: Janesick 2007, Photon Transfer).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stacker.calibration.defects import DefectRepair
from stacker.capture.sequence import Capture
from stacker.measuring.resolution import ring_sums
from stacker.measuring.spectra import analysis_window, windowed_spectrum
from stacker.ranking.record import Ranking

Real = NDArray[np.float32]

NOTICED = 0.004
"""Weaker ones do no harm: sensors of 0.5 to 1 % are common (common practice, no source)."""
_FRAMES = 64
_FEWEST = 8
_BEYOND = 1.1
_FINEST = 0.46
"""There must be rings between the cutoff and the Nyquist frequency."""
_CERTAIN = 4.0


def fixed_pattern(
    capture: Capture, ranking: Ranking, repair: DefectRepair, cutoff_cyc_per_px: float | None
) -> float | None:
    """Return the rms of the sensor's fixed pattern over the target's light; 0 where none is seen.

    None where it cannot be told: a colour mosaic, optics that are not known or not sampled finely enough, too few
    frames, a target of a few pixels. The first 64 usable frames are read.
    """
    chosen = np.flatnonzero(ranking.usable)[:_FRAMES]
    if capture.mosaic or cutoff_cyc_per_px is None or _BEYOND * cutoff_cyc_per_px > _FINEST or len(chosen) < _FEWEST:
        return None
    offset = np.rint(ranking.coarse_shift_px[chosen].mean(axis=0)).astype(int)
    try:
        window = analysis_window(np.roll(ranking.target.mask, tuple(offset), (0, 1)), ranking.target.kind)
    except ValueError:
        return None
    even, odd = _means(capture, chosen, repair)
    rings = ring_sums(windowed_spectrum(even, window), windowed_spectrum(odd, window), window, cutoff_cyc_per_px)
    beyond = rings.frequency_cyc_per_px > _BEYOND * cutoff_cyc_per_px
    modes = rings.count[beyond]
    shared = float((rings.cross[beyond] * modes).sum() / modes.sum())
    power = float((np.sqrt(rings.power_a * rings.power_b)[beyond] * modes).sum() / modes.sum())
    if shared < _CERTAIN / np.sqrt(modes.sum()) * power:
        return 0.0
    weight = window.weight.astype(np.float64)
    light = float((even[window.rows, window.columns] * weight).sum() / weight.sum())
    return float(np.sqrt(shared / (weight**2).sum()) / light) if light > 0 else None


def told(pattern: float | None) -> str:
    """Return what the user should know; empty where there is nothing."""
    if pattern is None or pattern < NOTICED:
        return ""
    return (
        f"the sensor's pixels differ by {100 * pattern:.1f} % in a fixed pattern, which passes for detail where the "
        "target hardly moves over them: give a flat, or let the target drift"
    )


def _means(capture: Capture, chosen: NDArray[np.intp], repair: DefectRepair) -> tuple[Real, Real]:
    """Return the plain means (H, W) of every second frame and of the others; green where there are colours."""
    sums = np.zeros((2, *capture.shape[:2]), np.float32)
    for place, (_, frame) in enumerate(capture.read(chosen.tolist())):
        plane = repair(frame)
        sums[place % 2] += plane if plane.ndim == 2 else plane[..., 1]
    counts = len(chosen) - len(chosen) // 2, len(chosen) // 2
    return sums[0] / np.float32(counts[0]), sums[1] / np.float32(counts[1])
