"""The shift between two pictures of one target that the air blurred unlike, with an error that knows of it.

Light of two colours, or of two times, passes through optical transfer functions whose phases differ, little for coarse
detail and much for fine. Such phases are no noise: neighbouring frequencies share them, and no number of pixels
averages them out. A random-effects fit takes them for what they are: phase = 2 pi f.d + u + noise, where u is one
number for each cell of neighbouring frequencies, of variance K f^6. K, and with it how far fine detail may vote, comes
from the phases themselves by maximum likelihood (DerSimonian & Laird 1986, Controlled Clinical Trials 7, 177, is the
simplest case; from memory). Noise by frequency is what the coherence leaves (Knapp & Carter 1976, IEEE Trans. ASSP 24,
320, from memory).

Bands and belts put most of their detail on a few frequencies, which then weigh more than a ring of equals would let
expect; the error is therefore that of the fit or what the cells themselves scatter by, whichever is larger (the
sandwich of Liang & Zeger 1986, Biometrika 73, 13, equation 2 with cells as clusters, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.correlation import Shift

Array = NDArray[np.float32]
Real = NDArray[np.float64]
CELL_CYC_PER_PX = 0.05
"""Of a camera pixel: the side of a cell; .03 to .1 do the same."""
GROWTH = 6
"""Power of the frequency with which the variance of u grows; 4, 5 and 8 were no better."""
STRENGTHS = (0.0, *np.logspace(-6, 1, 22))
"""K that are tried: variance, rad^2, at 0.1 cycles per camera pixel."""
ROUNDS, STEPS = 6, 4
CLOSE_PX = 1e-4
"""A step that is shorter is the last."""
SURE = 0.9999
"""No ring counts as more coherent."""


def shift_under_unlike_blur(
    image: Array, reference: Array, window: Array, finest_cyc_per_px: float, zoom: float = 1.0
) -> Shift:
    """Return the shift of `image` (h, w) relative to `reference` (h, w), both already under `window` (h, w).

    The shift must be within half a pixel. Frequencies from `finest_cyc_per_px` on do not count; `zoom` is pixels per
    camera pixel. The error is that of the fit or of the scatter, inf where nothing is coherent.
    """
    pair = _Pair.of(image, reference, window, finest_cyc_per_px, CELL_CYC_PER_PX / zoom)
    shift, strength = np.zeros(2), STRENGTHS[len(STRENGTHS) // 3]
    grown = (pair.length * zoom / 0.1) ** GROWTH
    for _ in range(ROUNDS):
        for _ in range(STEPS):
            step = pair.step(shift, strength * grown)
            if step is None:
                return Shift(0.0, 0.0, np.inf, 0.0)
            shift = shift + np.clip(step, -0.5, 0.5)
            if np.abs(step).max() < CLOSE_PX:
                break
        before, strength = strength, pair.likeliest(shift, grown)
        if strength == before:
            break
    coherence, information = pair.information(shift, strength * grown)
    doubts = np.linalg.inv(information), pair.scatter(shift, strength * grown)
    error = float(np.sqrt(max(np.trace(doubt) for doubt in doubts) / 2))
    return Shift(float(shift[0]), float(shift[1]), error, float(coherence[coherence > 0].mean()))


class _Pair:
    """Half the frequencies of a pair, 0 left out, as lists."""

    def __init__(self, cross: NDArray[np.complex128], way: Real, ring: NDArray[np.intp], cell: NDArray[np.intp]):
        self.cross, self.way, self.ring, self.cell = cross, way, ring, cell
        """(N,) cross spectrum over the rings' amplitudes, (N, 2) cycles per px, (N,) ring and (N,) cell."""
        self.length = np.hypot(*way.T)
        self.count = np.bincount(ring).astype(np.float64)
        self.alike = 1.0
        self.in_cell = 1.0

    @classmethod
    def of(cls, image: Array, reference: Array, window: Array, finest: float, cell_width: float) -> _Pair:
        from scipy.fft import rfft2

        fy, fx = np.meshgrid(np.fft.fftfreq(image.shape[0]), np.fft.rfftfreq(image.shape[1]), indexing="ij")
        length = np.hypot(fy, fx)
        # Frequency 0 across stands twice in the half plane.
        kept = (length > 0) & (length < finest) & ((fx > 0) | (fy > 0))
        a, b = (rfft2(part)[kept].astype(np.complex128) for part in (image, reference))
        way, length = np.stack([fy[kept], fx[kept]], 1), length[kept]
        ring = np.rint(length * np.sqrt(image.size)).astype(np.intp)
        amplitude = np.sqrt(np.bincount(ring, np.abs(a) ** 2) * np.bincount(ring, np.abs(b) ** 2))
        amplitude /= np.maximum(np.bincount(ring), 1)
        cross = a * b.conj() / np.maximum(amplitude, 1e-30 + 1e-12 * amplitude.max())[ring]
        band = np.floor(length / cell_width).astype(np.intp)
        sectors = np.maximum(np.rint(np.pi * (band + 0.5)), 1)
        sector = np.minimum(np.arctan2(way[:, 0], way[:, 1]) % np.pi / np.pi * sectors, sectors - 1).astype(np.intp)
        cell = np.unique(band * 1000 + sector, return_inverse=True)[1].astype(np.intp)
        pair = cls(cross, way, ring, cell)
        # Under a window neighbouring frequencies are alike: this many count as one.
        pair.alike = float(np.mean(window**4) / np.mean(window**2) ** 2)
        pair.in_cell = image.size * cell_width**2
        return pair

    def seen(self, shift: Real) -> tuple[Real, Real, Real]:
        """Return (N,) coherence, (N,) variance of a phase by noise and (2, N) real and imaginary part after a shift."""
        turned = self.cross * np.exp(2j * np.pi * (self.way @ shift))
        coherence = np.bincount(self.ring, turned.real) / np.maximum(self.count, 1)
        # Noise alone reaches 1/sqrt(n), of a half plane 1/sqrt(2n): coherence below twice that is none.
        least = 2 * np.sqrt(self.alike / np.maximum(2 * self.count, 1))
        coherence = np.clip(np.where(coherence > least, coherence, 0), 0, SURE)[self.ring]
        safe = np.maximum(coherence, 1e-6)
        noise = np.where(coherence > 0, (1 - safe**2) / (2 * safe**2) * self.alike, np.inf)
        return coherence, noise, np.stack([turned.real, turned.imag])

    def slopes(self, shift: Real, unlike: Real) -> tuple[Real, Real]:
        """Return (N, 2) what each frequency pulls by, and (2, 2) the curvature that all resist with."""
        coherence, noise, (real, imaginary) = self.seen(shift)
        weight = np.where(coherence > 0, 1 / (noise + self.in_cell * unlike) / np.maximum(coherence, 1e-6), 0)
        curve = (self.way * (weight * real)[:, None]).T @ self.way * (2 * np.pi) ** 2
        return self.way * (-2 * np.pi * weight * imaginary)[:, None], curve

    def step(self, shift: Real, unlike: Real) -> Real | None:
        """Return Newton's step; None where nothing is coherent."""
        pulls, curve = self.slopes(shift, unlike)
        if not np.linalg.det(curve) > 0:
            return None
        return np.asarray(np.linalg.solve(curve, pulls.sum(0)))

    def scatter(self, shift: Real, unlike: Real) -> Real:
        """Return (2, 2) the covariance of the shift by how the cells disagree; nothing where there are too few."""
        pulls, curve = self.slopes(shift, unlike)
        by_cell = np.stack([np.bincount(self.cell, part) for part in pulls.T], 1)
        used = int((by_cell != 0).any(1).sum())
        if used <= 2 or not np.linalg.det(curve) > 0:
            return np.zeros((2, 2))
        resisting = np.linalg.inv(curve)
        return np.asarray(resisting @ (by_cell.T @ by_cell) @ resisting * used / (used - 2))

    def likeliest(self, shift: Real, grown: Real) -> float:
        """Return the strength K that explains the phases left in the cells best."""
        coherence, noise, (_, imaginary) = self.seen(shift)
        precision = 1 / noise
        total = np.bincount(self.cell, precision)
        used = total > 0
        phase = np.bincount(self.cell, precision * imaginary / np.maximum(coherence, 1e-6))[used] / total[used]
        unlike = np.bincount(self.cell, precision * grown)[used] / total[used]
        variances = 1 / total[used] + np.outer(STRENGTHS, unlike)
        return float(STRENGTHS[int((np.log(variances) + phase**2 / variances).sum(1).argmin())])

    def information(self, shift: Real, unlike: Real) -> tuple[Real, Real]:
        """Return (N,) coherence and (2, 2) the inverse covariance of the shift."""
        coherence, noise, _ = self.seen(shift)
        weight = np.where(coherence > 0, 1 / (noise + self.in_cell * unlike), 0) * (2 * np.pi) ** 2
        return coherence, (self.way * weight[:, None]).T @ self.way
