"""Which of a mosaic's two lattices that are not green is red: by brightness, by dispersion, by the air.

No single one of these is certain, so their odds are multiplied. S denotes cross-spectra between lattices, which noise
does not bias: no pixel belongs to two of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, log, sqrt

import numpy as np
from numpy.typing import NDArray

from stacker.calibration.lattices import LatticeGrid

Spectra = NDArray[np.complex64]
Real = NDArray[np.float64]
_BLOCKS, _RINGS = 8, 6
_RED_BRIGHTER, _RED_BRIGHTER_SPREAD = 0.25, 0.30
"""ln(red / blue) as cameras count the Moon, the Sun and most planets, and how it varies with camera and target (common
practice, no source: sunlight has more photons in the red, and the bodies are reddish, Uranus and Neptune apart)."""
_BLUE_FURTHER, _BLUE_FURTHER_SPREAD = 0.35, 0.15
"""ln of blue's distance from green over red's: the refraction of air falls as 1/lambda^2 (Filippenko 1982, PASP 94,
715), so 465, 540 and 610 nm give 0.47, and 465, 535 and 620 nm 0.24."""
_CAPS = {"brightness": 4.0, "dispersion": 8.0, "air": 8.0}
_CERTAIN = 3.0
"""Log odds of 20 to 1."""


@dataclass(frozen=True)
class Verdict:
    """Log odds that the first of the two lattices is the red one, and what they rest on."""

    log_odds: float
    parts: dict[str, float]

    @property
    def certain(self) -> bool:
        """Whether the odds are 20 to 1 or better."""
        return abs(self.log_odds) >= _CERTAIN


def red_or_blue(spectra: Spectra, green: tuple[int, int], other: tuple[int, int], grid: LatticeGrid) -> Verdict:
    """Judge from spectra (N, 4, modes) of N frames; `green` and `other` number the lattices.

    - brightness: red is brighter than blue for most targets, by some;
    - dispersion: along the vertical, blue stands further from green than red does;
    - air: Fried's parameter grows as lambda^(6/5), so the transfer fluctuates less in the red. r = <X><G*> / <X G*>
      over recentred frames is free of the target; it is larger for red (the spectral ratio of von der Luehe 1984,
      JOSA A 1, 510, taken between colours).
    """
    use = grid.frequency > 2.5 / min(grid.shape)
    first_green, second_green = (spectra[:, number][:, use] for number in green)
    pair = [spectra[:, number][:, use] for number in other]
    mean_green = (first_green + second_green) / 2
    parts = {"brightness": _by_brightness(pair, mean_green)}
    rows, columns = grid.rows[use], grid.columns[use]
    parts["dispersion"] = _by_dispersion(pair, mean_green, rows, columns)
    parts["air"] = _by_air(pair, mean_green, _recentring(mean_green, use, grid), rows, columns)
    capped = {name: float(np.clip(value, -_CAPS[name], _CAPS[name])) for name, value in parts.items()}
    return Verdict(sum(capped.values()), capped)


def _by_brightness(pair: list[Spectra], green: Spectra) -> float:
    amounts = [float(np.abs((part * green.conj()).sum(0)).sum()) for part in pair]
    ratio = log(max(amounts[0], 1e-30) / max(amounts[1], 1e-30))
    return _log_odds(ratio, _RED_BRIGHTER, _RED_BRIGHTER_SPREAD)


def _by_dispersion(pair: list[Spectra], green: Spectra, rows: Real, columns: Real) -> float:
    """Compare how far both lattices stand from green along the line through both.

    A shift is the same at all frequencies; what a coloured target's own structure does to the phase is not, so the
    scatter over rings of frequency is the error.
    """
    cross = [(part * green.conj()).sum(0) for part in pair]
    rings = _rings(rows, columns, np.abs(cross[0]) + np.abs(cross[1]))
    shifts = np.array([[_shift(c[ring], rows[ring], columns[ring]) for c in cross] for ring in rings])
    line = shifts.mean(0)[0] - shifts.mean(0)[1]
    length = float(np.hypot(*line))
    if length == 0:
        return 0.0
    along = shifts @ (line / length)
    first, second = along.mean(0)
    error = along.std(0, ddof=1) / sqrt(len(rings)) + 2e-3
    # Both must stand clear of green, on opposite sides.
    if min(first / error[0], -second / error[1]) < 4:
        return 0.0
    spread = sqrt((error[0] / first) ** 2 + (error[1] / second) ** 2 + _BLUE_FURTHER_SPREAD**2)
    return -_log_odds(log(first / -second), _BLUE_FURTHER, spread)


def _rings(rows: Real, columns: Real, weight: Real) -> list[NDArray[np.bool_]]:
    """Return rings of frequency, each with as many modes as the others."""
    radius = np.hypot(rows, columns)
    edges = np.quantile(radius, np.linspace(0, 1, _RINGS + 1))
    number = np.clip(np.searchsorted(edges, radius, side="right") - 1, 0, _RINGS - 1)
    return [number == ring for ring in range(_RINGS) if weight[number == ring].any()]


def _shift(cross: Spectra, rows: Real, columns: Real) -> Real:
    """Return (dy, dx) in lattice pixels: the slope of a cross-spectrum's phase, modes weighted by their size."""
    shift = np.zeros(2)
    weight = np.abs(cross).astype(float)
    design = -2 * np.pi * np.stack([rows, columns]).astype(float)
    normal = (design * weight) @ design.T
    normal += 1e-9 * np.trace(normal) * np.eye(2) + 1e-30 * np.eye(2)
    for _ in range(4):
        turned = cross * np.exp(2j * np.pi * (rows * shift[0] + columns * shift[1]))
        shift = shift + np.linalg.solve(normal, (design * weight) @ np.angle(turned))
    return np.asarray(shift)


def _by_air(pair: list[Spectra], green: Spectra, centring: Spectra, rows: Real, columns: Real) -> float:
    """Compare the spectral ratios of both lattices against green, ring by ring, with their scatter over the frames."""
    frames = len(green)
    if frames < 4 * _BLOCKS:
        return 0.0
    parts, centred = [part * centring for part in pair], green * centring
    rings = _rings(rows, columns, np.abs(green).sum(0))
    block = np.arange(frames) * _BLOCKS // frames
    without = np.array([_ratio_of_ratios(parts, centred, block != left_out, rings) for left_out in range(_BLOCKS)])
    scatter = np.sqrt((_BLOCKS - 1) * without.var(0)) + 0.01
    # The seeing's part of the transfer falls as exp(-f^(5/3)).
    shape = np.array([float(np.hypot(rows, columns)[ring].mean()) for ring in rings]) ** (5 / 3)
    weight = shape / scatter**2 / float(np.sum(shape**2 / scatter**2))
    slopes = without @ weight
    error = sqrt((_BLOCKS - 1) * float(slopes.var())) + 1e-9
    z = float(slopes.mean()) / (1.3 * error)
    return log((0.5 * erfc(-z / sqrt(2)) + 1e-4) / (0.5 * erfc(z / sqrt(2)) + 1e-4))


def _ratio_of_ratios(
    parts: list[Spectra], green: Spectra, use: NDArray[np.bool_], rings: list[NDArray[np.bool_]]
) -> Real:
    """Return ln(r_first / r_second) of every ring, r = <X><G*> / <X G*>."""
    even = use & (np.arange(len(green)) % 2 == 0)
    odd = use & ~even
    logs = []
    for part in parts:
        means = part[even].mean(0) * green[odd].mean(0).conj() + part[odd].mean(0) * green[even].mean(0).conj()
        both = (part[use] * green[use].conj()).mean(0)
        # Each mode's own phase is that of dispersion and of the target's colours.
        means = (means * np.exp(-1j * np.angle(both))).real / 2
        logs.append([log(max(float(means[r].sum()), 1e-30) / max(float(np.abs(both[r]).sum()), 1e-30)) for r in rings])
    return np.asarray(np.clip(np.array(logs[0]) - np.array(logs[1]), -3, 3))


def _recentring(green: Spectra, use: NDArray[np.bool_], grid: LatticeGrid) -> Spectra:
    """Return factors (N, modes) that move every frame onto the mean of all, by the whole target's place."""
    rows, columns = grid.rows[use], grid.columns[use]
    template, factors = green[len(green) // 2], np.ones(green.shape, np.complex64)
    for _ in range(3):
        for number, spectrum in enumerate(green):
            cross = spectrum * template.conj()
            shift = _peak(cross, use, grid)
            turned = cross * np.exp(2j * np.pi * (rows * shift[0] + columns * shift[1]))
            shift = shift + _shift(turned, rows, columns)
            factors[number] = np.exp(2j * np.pi * (rows * shift[0] + columns * shift[1]))
        template = (green * factors).mean(0)
    return factors


def _peak(cross: Spectra, use: NDArray[np.bool_], grid: LatticeGrid) -> Real:
    whole = np.zeros(grid.band.shape, np.complex64)
    whole.ravel()[np.flatnonzero(grid.band)[use]] = cross
    peak = np.unravel_index(int(np.argmax(np.fft.irfft2(whole, s=grid.shape))), grid.shape)
    return np.array([(int(p) + n // 2) % n - n // 2 for p, n in zip(peak, grid.shape, strict=True)], float)


def _log_odds(value: float, expected: float, spread: float) -> float:
    """Return the log odds of a mean of +expected against -expected: 2 value expected / spread^2."""
    return 2 * value * expected / spread**2
