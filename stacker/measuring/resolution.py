"""The finest detail that two independent half-stacks agree on: Fourier ring correlation.

Thresholds: van Heel & Schatz 2005, J. Struct. Biol. 151, 250 (half-bit and one-bit curves); Rosenthal & Henderson
2003, J. Mol. Biol. 333, 721 (1/7). The halves must come from different frames, each half aligned to its own
reference, or noise aligned to one reference passes for detail (Grigorieff 2000, Acta Cryst. D56, 1270).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stacker.measuring.spectra import AnalysisWindow, Complex, windowed_spectrum

Curve = NDArray[np.float64]

SEVENTH = 1.0 / 7.0
_RINGS = 40
_FEWEST_MODES = 3.0
_REGISTRATION_PX = 4.0
_SURE = 4.0
_BEYOND = 1.08
_DOUBTFUL = 0.07
_NYQUIST = 0.5
_COARSE = 8.0
_FAINT = 0.005
"""Detail coarser than 8 periods a radius of the target and fainter than 0.5 % of its light is what limb and shading
leave: 0.1-0.3 % on bright discs without detail, in air of D/r0 0 to 2; invented planets show 4-12 %
(scripts/experiment_resolution.py)."""


@dataclass(frozen=True)
class Rings:
    """Sums over rings of spatial frequency of the spectra of two images."""

    frequency_cyc_per_px: Curve
    """(R,) mid frequency of each ring."""
    count: Curve
    """(R,) independent modes of the whole plane in each ring."""
    cross: Curve
    """(R,) mean of Re(A B*) per mode."""
    power_a: Curve
    power_b: Curve

    @property
    def correlation(self) -> Curve:
        """Return the Fourier ring correlation, 0 where there is no power."""
        power = np.sqrt(self.power_a * self.power_b)
        return np.divide(self.cross, power, out=np.zeros_like(power), where=power > 0)

    @property
    def signal_to_noise(self) -> Curve:
        """Return signal over noise power of the mean of the two images, 2c / (1 - c), at least 0."""
        c = np.clip(self.correlation, 0.0, 1.0 - 1e-6)
        return np.asarray(2.0 * c / (1.0 - c))


@dataclass(frozen=True)
class Resolution:
    """What two half-stacks agree on. Lengths are periods: 1 / frequency, in pixels."""

    half_bit_px: float | None
    """Where the correlation first falls below the half-bit curve: the headline."""
    half_bit_px_error: float | None
    seventh_px: float | None
    """Where it first falls below 1/7."""
    information_bits: float
    """Sum over rings of n/2 log2(1 + signal/noise) up to the half-bit crossing."""
    rings: Rings
    half_bit: Curve
    """(R,) the half-bit curve."""
    shift_px: tuple[float, float]
    """(dy, dx) by which half b stood off half a; undone before comparing."""
    note: str
    """Why nothing is resolved, or what makes the figure doubtful; empty where all is well."""
    contrast: float = 0.0
    """Detail that both halves show, root mean square over the target's mean light."""

    def refused(self, note: str) -> Resolution:
        """Return the same measurement with no resolution, and why."""
        return replace(self, half_bit_px=None, half_bit_px_error=None, seventh_px=None, information_bits=0.0, note=note)


def half_bit_threshold(count: Curve | float) -> Curve:
    """Return the half-bit curve for `count` independent modes a ring (van Heel & Schatz 2005)."""
    root = np.sqrt(np.asarray(count, np.float64))
    return np.asarray((0.2071 + 1.9102 / root) / (1.2071 + 0.9102 / root))


def one_bit_threshold(count: Curve | float) -> Curve:
    """Return the one-bit curve for `count` independent modes a ring (van Heel & Schatz 2005)."""
    root = np.sqrt(np.asarray(count, np.float64))
    return np.asarray((0.5 + 2.4142 / root) / (1.5 + 1.4142 / root))


def ring_sums(a: Complex, b: Complex, window: AnalysisWindow, cutoff_cyc_per_px: float | None = None) -> Rings:
    """Sum the spectra of two images over rings up to the Nyquist frequency.

    A ring is 1/40 of the optical cutoff wide, or of the Nyquist frequency where no cutoff is known, but never less
    than the window can tell apart.
    """
    index, number, width = _ring_index(window, cutoff_cyc_per_px)
    twice = window.multiplicity().reshape(-1)

    def total(values: NDArray[np.float32]) -> Curve:
        return np.asarray(np.bincount(index, values * twice, number + 1)[:number], np.float64)

    plain = np.maximum(total(np.ones_like(twice)), 1e-9)
    a, b = a.reshape(-1), b.reshape(-1)
    cross = total(a.real * b.real + a.imag * b.imag)
    power_a, power_b = total(a.real**2 + a.imag**2), total(b.real**2 + b.imag**2)
    middle = (np.arange(number) + 0.5) * width
    count = np.asarray(plain * window.modes, np.float64)
    means = [np.asarray(sums / plain, np.float64) for sums in (cross, power_a, power_b)]
    return Rings(np.asarray(middle, np.float64), count, *means)


def ring_means(power: NDArray[np.float32], window: AnalysisWindow, cutoff_cyc_per_px: float | None = None) -> Curve:
    """Return the mean of a power spectrum over the rings of `ring_sums`."""
    index, number, _ = _ring_index(window, cutoff_cyc_per_px)
    twice = window.multiplicity().reshape(-1)
    sums = np.bincount(index, power.reshape(-1) * twice, number + 1)[:number]
    return np.asarray(sums / np.maximum(np.bincount(index, twice, number + 1)[:number], 1e-9))


def _ring_index(window: AnalysisWindow, cutoff_cyc_per_px: float | None) -> tuple[NDArray[np.intp], int, float]:
    """Return the ring of every mode, how many rings there are and how wide each is; the last index is beyond."""
    finest = 1.0 / min(window.weight.shape)
    limit = min(cutoff_cyc_per_px or _NYQUIST, _NYQUIST)
    width = max(limit / _RINGS, finest)
    number = int(_NYQUIST / width)
    index = np.minimum((window.radius / width).astype(np.intp), number)
    return index.reshape(-1), number, width


def measure_resolution(
    half_a: NDArray[np.float32],
    half_b: NDArray[np.float32],
    window: AnalysisWindow,
    cutoff_cyc_per_px: float | None = None,
) -> Resolution:
    """Measure the finest detail that two independent half-stacks (H, W) agree on.

    A small shift between the halves is undone first: each has the geometry of its own reference.
    """
    a, b = windowed_spectrum(half_a, window), windowed_spectrum(half_b, window)
    shift = spectrum_shift(a, b, window)
    rings = ring_sums(a, shifted_spectrum(b, window, shift), window, cutoff_cyc_per_px)
    pattern = 0.0 if cutoff_cyc_per_px is None else pattern_correlation(rings, cutoff_cyc_per_px)
    found = resolution_of(without_pattern(rings, pattern), cutoff_cyc_per_px, shift, pattern)
    if found.half_bit_px is None:
        return found
    found = replace(found, contrast=_contrast(found, half_a, half_b, window))
    periods = 0.5 * min(window.weight.shape) / found.half_bit_px if found.half_bit_px else 0.0
    if periods < _COARSE and found.contrast < _FAINT:
        return found.refused("no detail stands out of the shading that limb and optics leave")
    return found


def _contrast(
    found: Resolution, half_a: NDArray[np.float32], half_b: NDArray[np.float32], window: AnalysisWindow
) -> float:
    """Return the rms of what both halves show up to the crossing, over the mean under the window (Parseval)."""
    rings, weight = found.rings, window.weight.astype(np.float64)
    seen = rings.frequency_cyc_per_px <= 1.0 / (found.half_bit_px or np.inf)
    modes = rings.count[seen] / window.modes
    power = float((np.maximum(rings.cross[seen], 0.0) * modes).sum()) / (window.size[0] * window.size[1])
    shown = 0.5 * (half_a[window.rows, window.columns] + half_b[window.rows, window.columns])
    light = abs(float((shown * weight).sum() / weight.sum()))
    return float(np.sqrt(power / (weight**2).sum()) / max(light, 1e-30))


def pattern_correlation(rings: Rings, cutoff_cyc_per_px: float) -> float:
    """Return how much the halves agree beyond the optical cutoff, where only a pattern fixed to the pixels can agree.

    0 where that is not more than chance allows (2 sigma), or where fewer than two rings lie beyond.
    """
    beyond = rings.frequency_cyc_per_px > _BEYOND * cutoff_cyc_per_px
    if beyond.sum() < 2:
        return 0.0
    modes = rings.count[beyond]
    mean = float((rings.correlation[beyond] * modes).sum() / modes.sum())
    return min(mean, 0.95) if mean > 2.0 / np.sqrt(modes.sum()) else 0.0


def without_pattern(rings: Rings, pattern: float) -> Rings:
    """Return the rings with a fixed white pattern counted as noise: c becomes (c - pattern) / (1 - pattern)."""
    correlation = (rings.correlation - pattern) / (1.0 - pattern)
    return replace(rings, cross=np.asarray(correlation * np.sqrt(rings.power_a * rings.power_b))) if pattern else rings


def resolution_of(
    rings: Rings,
    cutoff_cyc_per_px: float | None = None,
    shift_px: tuple[float, float] = (0.0, 0.0),
    pattern: float = 0.0,
) -> Resolution:
    """Find the crossings of a ring correlation; `pattern` is the agreement that was counted as noise."""
    threshold = half_bit_threshold(rings.count)
    smooth = _smoothed(rings.correlation, rings.count)
    usable = rings.count >= _FEWEST_MODES
    limit = min(cutoff_cyc_per_px or _NYQUIST, _NYQUIST)
    half_bit = _first_fall(rings, smooth - threshold, usable, limit)
    seventh = _first_fall(rings, smooth - SEVENTH, usable, limit)
    note = _doubt(rings, half_bit, pattern)
    if note.startswith("no detail"):
        half_bit = seventh = None
    error = None if half_bit is None else _crossing_error(rings, smooth - threshold, half_bit)
    return Resolution(
        None if half_bit is None else 1.0 / half_bit,
        error,
        None if seventh is None else 1.0 / seventh,
        0.0 if half_bit is None else _information(rings, half_bit),
        rings,
        threshold,
        shift_px,
        note,
    )


def _smoothed(correlation: Curve, count: Curve) -> Curve:
    """Return the correlation averaged over three rings with weights 1, 2, 1 times the modes of each."""
    padded, modes = np.pad(correlation, 1, mode="edge"), np.pad(count, 1, mode="edge")
    weights = np.stack([modes[:-2], 2.0 * modes[1:-1], modes[2:]])
    values = np.stack([padded[:-2], padded[1:-1], padded[2:]])
    return np.asarray((weights * values).sum(0) / weights.sum(0))


def _first_fall(rings: Rings, excess: Curve, usable: NDArray[np.bool_], limit: float) -> float | None:
    """Return where `excess` first falls below 0, in cycles per pixel; `limit` if it never does, None if never above.

    The quadratic surface that was removed takes the signal of the very lowest rings with it, so these may lie below.
    """
    places = np.flatnonzero(usable)
    if len(places) < 2:
        return None
    f = rings.frequency_cyc_per_px
    start = next((k for k in places[:4] if excess[k] >= 0), None)
    if start is None:
        return None
    below = [k for k in places if k > start and excess[k] < 0]
    if not below or f[below[0]] > limit:
        return limit
    k = below[0]
    return min(float(f[k - 1] + (f[k] - f[k - 1]) * excess[k - 1] / (excess[k - 1] - excess[k])), limit)


def _doubt(rings: Rings, crossing: float | None, pattern: float) -> str:
    """Return why nothing is resolved, or why the figure is doubtful."""
    f, c, n = rings.frequency_cyc_per_px, rings.correlation, rings.count
    if crossing is None:
        return "no detail stands above the noise in both half-stacks"
    seen = f <= crossing
    seen[: min(2, len(seen))] = True
    if (c * n)[seen].sum() < _SURE * np.sqrt(n[seen].sum()):
        return "no detail stands above the noise in both half-stacks with certainty"
    if pattern > _DOUBTFUL:
        return (
            f"the half-stacks agree by {pattern:.2f} beyond the optical cutoff: a fixed pattern or the leakage of a "
            "sharp edge, counted as noise, may still flatter the resolution"
        )
    return ""


def _crossing_error(rings: Rings, excess: Curve, crossing: float) -> float:
    """Return the standard error of 1 / crossing from the scatter of the correlation and its slope there.

    A ring of n modes has a scatter of (1 - c^2) / sqrt(n); three rings are averaged. Half the ring's width, taken as
    uniform, is the floor.
    """
    f = rings.frequency_cyc_per_px
    k = int(np.clip(np.searchsorted(f, crossing), 1, len(f) - 1))
    lower, upper = max(k - 3, 0), min(k + 2, len(f) - 1)
    slope = abs(excess[upper] - excess[lower]) / (f[upper] - f[lower])
    scatter = (1.0 - min(rings.correlation[k] ** 2, 1.0)) / np.sqrt(2.67 * max(rings.count[k], 1.0))
    width = f[1] - f[0]
    spread = min(scatter / max(slope, 1e-9), 0.5 * crossing)
    return float(np.hypot(spread, width / np.sqrt(12.0)) / crossing**2)


def _information(rings: Rings, crossing: float) -> float:
    """Return the sum over rings of n/2 log2(1 + signal/noise), Shannon's information of Gaussian signals."""
    seen = rings.frequency_cyc_per_px <= crossing
    return float((0.5 * rings.count * np.log2(1.0 + rings.signal_to_noise))[seen].sum())


def spectrum_shift(a: Complex, b: Complex, window: AnalysisWindow) -> tuple[float, float]:
    """Return (dy, dx) in pixels by which the image behind `b` stands off the one behind `a`, at most 4 px.

    The peak of the cross-correlation over low frequencies, refined by parabolas.
    """
    low = np.exp(-((window.radius / 0.12) ** 2))
    power = np.sqrt((a.real**2 + a.imag**2) * (b.real**2 + b.imag**2))
    whitened = np.conj(a) * b / np.sqrt(np.maximum(power, 1e-12 * power.max() + 1e-30))
    correlation = np.fft.irfft2(whitened * low, window.size)
    reach = int(min(_REGISTRATION_PX, min(window.size) // 4))
    near = np.roll(correlation, (reach, reach), (0, 1))[: 2 * reach + 1, : 2 * reach + 1]
    y, x = np.unravel_index(int(near.argmax()), near.shape)
    if not (0 < y < 2 * reach and 0 < x < 2 * reach):
        return 0.0, 0.0
    return float(y - reach + _vertex(near[y - 1 : y + 2, x])), float(x - reach + _vertex(near[y, x - 1 : x + 2]))


def shifted_spectrum(spectrum: Complex, window: AnalysisWindow, shift_px: tuple[float, float]) -> Complex:
    """Return the spectrum of the image moved back by `shift_px` = (dy, dx)."""
    rows = np.exp(2j * np.pi * np.fft.fftfreq(window.size[0]) * shift_px[0])
    columns = np.exp(2j * np.pi * np.fft.rfftfreq(window.size[1]) * shift_px[1])
    return np.asarray(spectrum * rows[:, None] * columns[None, :], np.complex64)


def _vertex(three: NDArray[np.floating]) -> float:
    """Return where the parabola through three values at -1, 0, 1 peaks."""
    bend = float(three[0] - 2.0 * three[1] + three[2])
    return 0.0 if bend >= 0 else float(0.5 * (three[0] - three[2]) / bend)
