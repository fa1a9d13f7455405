"""Bring the geometries of the two halves together, without letting one half's noise into the other's stack."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.following import follow
from stacker.alignment.level import Level
from stacker.alignment.prior import Modes
from stacker.alignment.template import Rings, Transfer, build_template, power, spectrum

Array = NDArray[np.float32]


def join_halves(
    first: Array, second: Array, level: Level, rings: Rings, modes: Modes, cutoff_known: bool
) -> NDArray[np.float64]:
    """Return the field (tiles, modes) of the second half's reference relative to the first's.

    The two references hold the same scene with independent noise, so their Fourier ring correlation says how much of
    each ring is signal; the second is then followed like a frame.
    """
    a, b = spectrum(first, level.window), spectrum(second, level.window)
    cross = rings.sum((a * b.conj()).real)
    own, other = rings.sum(power(a)), rings.sum(power(b))
    floor = 1e-12 * own.max() + 1e-30
    gain = np.clip(cross / np.maximum(own, floor), 0, 1.5)
    correlation = np.clip(cross / np.sqrt(np.maximum(own * other, floor**2)), 0, 1)
    residual = np.maximum(other - gain * cross, 1e-3 * other + floor) / rings.samples
    transfer = Transfer(gain, np.where(rings.samples > 1, correlation / np.sqrt(residual), 0))
    template = build_template(first, transfer, rings, level, modes, cutoff_known)
    height, width = second.shape
    start = np.zeros((len(level.region.tiles), modes.count))
    field, _ = follow(second, level, modes, template, start, np.zeros(2), (0, 0, height - 1, width - 1), steps=5)
    return field
