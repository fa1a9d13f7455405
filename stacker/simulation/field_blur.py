"""Blur that varies over the field: every point is spread by the point spread functions of the nodes around it."""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import NDArray

Real = NDArray[np.float32]


class FieldBlur:
    """A canvas split by bilinear weights over a grid of nodes, each share's transform kept.

    blurred = sum of (weight x canvas) * psf over the nodes, over the same sum for an even canvas: each pixel is
    a weighted mean of the scene around it, so even light stays even, as radiance does. One inverse transform
    for all nodes. The canvas repeats at its borders.
    """

    def __init__(self, canvas: Real, nodes: int, psf_px: int, cutoff_cycles_per_px: float) -> None:
        """Prepare `canvas` (H, W) for `nodes` x `nodes` functions of `psf_px` px that pass up to the cutoff."""
        height, width = canvas.shape
        self.shape = (height, width)
        # The functions end at their array's edge, which lets a trace of them leak past the cutoff.
        self._columns = min(width // 2 + 1, int(np.ceil(1.05 * cutoff_cycles_per_px * width)) + 2)
        # The functions come with their centre in the middle of their array: the ramp moves it to the origin.
        ramp_y = np.exp(2j * np.pi * np.fft.fftfreq(height) * (psf_px // 2))[:, None]
        ramp_x = np.exp(2j * np.pi * np.fft.rfftfreq(width) * (psf_px // 2))[None, : self._columns]
        ramp = (ramp_y * ramp_x).astype(np.complex64)
        weights = [(y, x) for y in hat_weights(height, nodes) for x in hat_weights(width, nodes)]
        self._shares = [
            scipy.fft.rfft2(canvas * (y[:, None] * x[None, :]))[:, : self._columns] * ramp for y, x in weights
        ]
        # The transform of an even share is a product of two: kept as factors, the ramp included.
        self._even = [
            (
                scipy.fft.fft(y)[:, None] * ramp_y.astype(np.complex64),
                scipy.fft.rfft(x)[None, : self._columns] * ramp_x.astype(np.complex64),
            )
            for y, x in weights
        ]

    def apply(self, psf: Real) -> Real:
        """Return the canvas (H, W) blurred by `psf` (G^2, P, P), node by node in rows, centre at [0, 0] (wrapped)."""
        height, width = self.shape
        centred = np.roll(psf, (psf.shape[1] // 2, psf.shape[2] // 2), (1, 2))
        rows = scipy.fft.rfft(centred, n=width, axis=2)[..., : self._columns]
        scene = np.zeros((height, self._columns), np.complex64)
        even = np.zeros_like(scene)
        product = np.empty_like(scene)
        for share, (even_y, even_x), row in zip(self._shares, self._even, rows, strict=True):
            transfer = scipy.fft.fft(row, n=height, axis=0)
            scene += np.multiply(transfer, share, out=product)
            transfer *= even_y
            even += np.multiply(transfer, even_x, out=product)
        return np.asarray(self._picture(scene) / np.maximum(self._picture(even), np.float32(0.1)))

    def _picture(self, spectrum: NDArray[np.complex64]) -> Real:
        height, width = self.shape
        whole = np.zeros((height, width // 2 + 1), np.complex64)
        whole[:, : self._columns] = spectrum
        return np.asarray(scipy.fft.irfft2(whole, s=self.shape, overwrite_x=True), np.float32)


def node_positions(length: int, nodes: int) -> NDArray[np.float64]:
    """Return the pixel coordinates of the nodes along an axis: evenly from the first pixel to the last."""
    return np.linspace(0.0, length - 1.0, nodes)


def hat_weights(length: int, nodes: int) -> Real:
    """Return the share (nodes, length) of each node in each pixel by linear interpolation; shares sum to one."""
    distance = np.arange(length)[None, :] - node_positions(length, nodes)[:, None]
    return np.clip(1.0 - np.abs(distance) * (nodes - 1) / (length - 1), 0.0, 1.0).astype(np.float32)
