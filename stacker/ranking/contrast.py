"""Local-contrast measures: how sharp is what the frame shows, as pure functions with one signature.

Every measure takes `(image, mask, noise_adu)`: a float32 image (h, w) above the black level, where to look (bool,
or None for everywhere) and the standard deviation of white noise per pixel. It returns a number that grows with
sharpness, does not depend on a gain, and has the noise's own share taken out. nan where nothing can be measured.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Mask = NDArray[np.bool_] | None
Measure = Callable[[Image, Mask, float], float]

_GRADIENT_NOISE = 0.375
"""Sum of the squared coefficients of both Sobel kernels over 8: the energy that unit white noise leaves."""
_LAPLACIAN_NOISE = 20.0
"""The same for the five-point Laplacian."""
_WIDE_PX = 1.2
_DCT_BLOCK = 8


def band_energy(image: Image) -> Image:
    """Return the squared difference of two Gaussians (3x3 binomial, 5x5 of 1.2 pixels) per pixel, in ADU^2.

    The band lies around a fifth of a cycle a pixel: above the shading and the slope that a blurred limb spreads
    inwards, below the pixel noise.
    """
    narrow = cv2.GaussianBlur(image, (3, 3), 0, borderType=cv2.BORDER_REFLECT_101)
    wide = cv2.GaussianBlur(image, (5, 5), _WIDE_PX, borderType=cv2.BORDER_REFLECT_101)
    band = cv2.subtract(narrow, wide, dst=wide)
    return np.asarray(cv2.multiply(band, band, dst=band))


def gradient_energy(image: Image) -> Image:
    """Return the squared gradient per pixel, Sobel kernels divided by 8, in ADU^2."""
    across = cv2.Sobel(image, cv2.CV_32F, 1, 0, scale=0.125, borderType=cv2.BORDER_REFLECT_101)
    down = cv2.Sobel(image, cv2.CV_32F, 0, 1, scale=0.125, borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(across**2 + down**2)


def squared_gradient(image: Image, mask: Mask, noise_adu: float) -> float:
    """Mean squared gradient (Tenengrad) over the squared brightness (Pertuz, Puig & Garcia 2013)."""
    return _normalised(gradient_energy(image), image, mask, _GRADIENT_NOISE * noise_adu**2)


def laplacian_energy(image: Image, mask: Mask, noise_adu: float) -> float:
    """Mean squared five-point Laplacian over the squared brightness (Pertuz, Puig & Garcia 2013)."""
    response = cv2.Laplacian(image, cv2.CV_32F, ksize=1, borderType=cv2.BORDER_REFLECT)
    return _normalised(np.asarray(response, dtype=np.float32) ** 2, image, mask, _LAPLACIAN_NOISE * noise_adu**2)


def difference_of_gaussians(image: Image, mask: Mask, noise_adu: float) -> float:
    """Mean energy of a band of scales over the squared brightness; see `band_energy`."""
    return _normalised(band_energy(image), image, mask, BAND_NOISE * noise_adu**2)


def helmli_scherer_mean(image: Image, mask: Mask, noise_adu: float) -> float:
    """Mean ratio of a pixel to its 7x7 surroundings, larger over smaller, minus 1 (Helmli & Scherer 2001).

    Recommended by Popowicz et al. 2017 (Solar Physics 292) for extended solar targets. The image is smoothed first
    (3x3 binomial), and the noise's share of the ratio leaves in quadrature, as both are mean absolute deviations.
    """
    smooth = cv2.GaussianBlur(image, (3, 3), 0.85)
    around = cv2.blur(smooth, (7, 7))
    floor = 1e-3 * max(float(_mean(image, mask)), 1e-12)
    smooth, around = np.maximum(smooth, floor), np.maximum(around, floor)
    ratio = np.maximum(smooth / around, around / smooth) - 1
    deviation = _mean(ratio, mask)
    noise = np.sqrt(2 / np.pi * _smoothed_noise()) * noise_adu / max(_mean(image, mask), 1e-12)
    return _root(deviation**2 - noise**2)


def median_filter_gradient_similarity(image: Image, mask: Mask, noise_adu: float) -> float:
    """Similarity of the gradients before and after a 3x3 median, 0 to 1 (Deng et al. 2015, Solar Physics 290, 1479).

    2 Gr Gm / (Gr^2 + Gm^2), Gr and Gm the summed absolute differences of neighbours: noise does not survive the
    median, detail does. It lives from the noise in the frame, so nothing is subtracted; without noise it is 1.
    """
    raw = _mean(_absolute_gradient(image), mask)
    filtered = _mean(_absolute_gradient(np.asarray(cv2.medianBlur(image, 3), dtype=np.float32)), mask)
    total = raw**2 + filtered**2
    return 2 * raw * filtered / total if total > 0 else float("nan")


def dct_energy_ratio(image: Image, mask: Mask, noise_adu: float) -> float:
    """Energy of the cosine transform's detail terms over its constant term, in 8x8 blocks (Popowicz et al. 2017).

    Noise leaves its variance in every orthonormal term, so it is subtracted term by term; only blocks that lie
    wholly inside the mask count.
    """
    blocks, inside = _blocks(image), _blocks(np.ones(image.shape, bool) if mask is None else mask)
    blocks = blocks[inside.all(axis=(1, 2))]
    if not len(blocks):
        return float("nan")
    basis = _cosine_basis(_DCT_BLOCK)
    energy = (basis @ blocks @ basis.T) ** 2
    order = np.add.outer(np.arange(_DCT_BLOCK), np.arange(_DCT_BLOCK))
    detail = (order >= 1) & (order <= _DCT_BLOCK // 2 + 1)
    return float((energy[:, detail] - noise_adu**2).sum() / energy[:, 0, 0].sum())


MEASURES: dict[str, Measure] = {
    "squared gradient": squared_gradient,
    "difference of Gaussians": difference_of_gaussians,
    "Laplacian": laplacian_energy,
    "Helmli-Scherer mean": helmli_scherer_mean,
    "median-filter gradient similarity": median_filter_gradient_similarity,
    "DCT energy ratio": dct_energy_ratio,
}
"""Every measure by the name that tables print."""


def _mean(values: NDArray[np.float32], mask: Mask) -> float:
    picked = values if mask is None else values[mask]
    return float(picked.mean(dtype=np.float64)) if picked.size else float("nan")


def _normalised(energy: Image, image: Image, mask: Mask, floor: float) -> float:
    brightness = _mean(image, mask)
    return (_mean(energy, mask) - floor) / brightness**2 if brightness else float("nan")


def _root(squared: float) -> float:
    """Return the root with the sign kept: noise may push a squared contrast below zero, and its order still counts."""
    return float(np.sign(squared) * np.sqrt(abs(squared)))


def _impulse() -> Image:
    impulse = np.zeros((33, 33), np.float32)
    impulse[16, 16] = 1
    return impulse


def _smoothed_noise() -> float:
    smooth = cv2.GaussianBlur(_impulse(), (3, 3), 0.85)
    return float(((smooth - cv2.blur(smooth, (7, 7))) ** 2).sum())


def _absolute_gradient(image: Image) -> Image:
    padded = np.pad(image, ((0, 1), (0, 1)), mode="edge")
    return np.abs(np.diff(padded, axis=0)[:, :-1]) + np.abs(np.diff(padded, axis=1)[:-1])


def _blocks(image: NDArray[Any]) -> NDArray[Any]:
    rows, columns = (size // _DCT_BLOCK for size in image.shape)
    crop = image[: rows * _DCT_BLOCK, : columns * _DCT_BLOCK]
    split = crop.reshape(rows, _DCT_BLOCK, columns, _DCT_BLOCK).swapaxes(1, 2)
    return split.reshape(-1, _DCT_BLOCK, _DCT_BLOCK)


def _cosine_basis(size: int) -> NDArray[np.float64]:
    """Return the orthonormal DCT-II matrix (Ahmed, Natarajan & Rao 1974)."""
    order, sample = np.mgrid[:size, :size]
    basis = np.cos(np.pi * (2 * sample + 1) * order / (2 * size)) * np.sqrt(2 / size)
    basis[0] /= np.sqrt(2)
    return np.asarray(basis)


BAND_NOISE = float(band_energy(_impulse()).sum())
"""Mean of `band_energy` over white noise of unit variance: the sum of the squared filter coefficients."""
