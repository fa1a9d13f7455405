"""How alike the colours of a stack are, and how noisy, in each ring of spatial frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.curves import smoothed
from stacker.ranking.target import squared_depth

Array = NDArray[np.float32]
Real = NDArray[np.float64]
Mask = NDArray[np.bool_]
FEWEST_PIXELS = 400.0
"""Independent pixels under the window: on a smaller target there is no telling."""
WIDEST_PX = 1024
"""Of a larger image the middle is looked at."""
SMOOTHED_RINGS = 1.0
"""Neighbouring rings are averaged over this many (standard deviation): on small targets spectra fall steeply from one
to the next, and twice as many leave .5 to .9 per cent more error on 28 simulated captures."""
LIMB_PX = 2.0
"""The limb, which would pass for detail that all colours share, does not count."""


@dataclass(frozen=True)
class Likeness:
    """Covariances of three colours, ring by ring."""

    width: float
    """Cycles per pixel from ring to ring; ring 0 is at frequency 0."""
    common: Real
    """(rings, 3, 3) of what two halves of the frames share."""
    noise: Real
    """(rings, 3, 3) of the noise in the mean of both halves."""
    samples: Real
    """(rings,) independent frequencies behind each."""


def measure_likeness(half_a: Array, half_b: Array, mask: Mask, kind: str) -> Likeness | None:
    """Return how alike the colours of two half-stacks (H, W, 3) are on a `disc` or `surface`; None for too small a one.

    `mask` (H, W) is True on the target. Noise that the halves do not share adds up to nothing in their cross spectra.
    """
    box = _middle(mask.shape)
    window = _window(mask[box], kind)
    pixels = float(window.sum() ** 2 / max(float((window**2).sum()), 1e-12))
    if pixels < FEWEST_PIXELS:
        return None
    width = 1 / np.sqrt(pixels)
    spectra = _spectra(half_a[box], window), _spectra(half_b[box], window)
    common, noise, count = _in_rings(spectra, window.shape, width)
    # Under the window neighbouring frequencies are alike.
    return Likeness(width, common, noise, count * pixels / window.size)


def radius(down: NDArray[np.floating], right: NDArray[np.floating]) -> Array:
    """Return (H, W) the length of every pair of frequencies, (H,) down and (W,) right."""
    return np.asarray(np.hypot(down[:, None], right[None]), np.float32)


def _middle(shape: tuple[int, int]) -> tuple[slice, slice]:
    first = [max(0, (size - WIDEST_PX) // 2) for size in shape]
    return slice(first[0], first[0] + WIDEST_PX), slice(first[1], first[1] + WIDEST_PX)


def _window(mask: Mask, kind: str) -> Real:
    """Return (H, W) weights for spectra: Hann over a surface, rising as sin^2 from inside the limb of a disc."""
    if kind == "surface":
        return np.outer(*(np.hanning(size) for size in mask.shape))
    depth = np.maximum(np.sqrt(squared_depth(np.pad(mask, 1))[1:-1, 1:-1]) - LIMB_PX, 0)
    return np.asarray(np.sin(np.pi / 2 * np.minimum(2 * depth / max(float(depth.max()), 1e-12), 1)) ** 2)


def _spectra(half: Array, window: Real) -> list[NDArray[np.complex128]]:
    """Return the real FFT of each colour under the window, less its best quadratic surface: shading is no detail."""
    from scipy.fft import rfft2

    rows, columns = (axis / max(window.shape) - 0.5 for axis in np.indices(window.shape, np.float64))
    terms = np.stack([np.ones_like(rows), rows, columns, rows**2, rows * columns, columns**2])
    weighed = terms * window
    normal = np.tensordot(weighed, terms, ((1, 2), (1, 2)))
    spectra = []
    for colour in range(3):
        plane = half[..., colour].astype(np.float64)
        fit = np.linalg.solve(normal, np.tensordot(weighed, plane, ((1, 2), (0, 1))))
        spectra.append(np.asarray(rfft2((plane - np.tensordot(fit, terms, 1)) * window), np.complex128))
    return spectra


def _in_rings(
    spectra: tuple[list[NDArray[np.complex128]], list[NDArray[np.complex128]]], shape: tuple[int, int], width: float
) -> tuple[Real, Real, Real]:
    """Return the covariances (rings, 3, 3) of what is common and of the noise, and the frequencies behind them."""
    index = np.rint(radius(np.fft.fftfreq(shape[0]), np.fft.rfftfreq(shape[1])) / width).astype(np.intp)
    fold = np.full(index.shape, 2.0)
    fold[:, 0] = 1
    if shape[1] % 2 == 0:
        fold[:, -1] = 1

    def rings(values: Real) -> Real:
        sums = np.bincount(index.ravel(), (values * fold).ravel()).astype(np.float64)
        return smoothed(sums, SMOOTHED_RINGS)

    count = rings(np.ones_like(fold))
    common, noise = np.zeros((len(count), 3, 3)), np.zeros((len(count), 3, 3))
    for c in range(3):
        for d in range(c, 3):
            (ac, ad), (bc, bd) = ([half[c], half[d]] for half in spectra)
            common[:, c, d] = common[:, d, c] = rings((ac * bd.conj() + bc * ad.conj()).real / 2) / count
            noise[:, c, d] = noise[:, d, c] = rings(((ac - bc) * (ad - bd).conj()).real / 4) / count
    # A Gaussian mean of rings holds as much as 2 sqrt(pi) sigma of them.
    return common, noise, count * 2 * np.sqrt(np.pi) * SMOOTHED_RINGS
