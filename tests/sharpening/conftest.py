"""Stacks whose blur is known: a scene through a telescope and Kolmogorov air, with noise."""

from collections.abc import Callable

import numpy as np
import pytest
import scipy.fft
from numpy.typing import NDArray

from stacker.measuring.spectra import analysis_window, windowed_power
from stacker.sharpening.air import jitter_transfer
from stacker.sharpening.single_noise import interpolated_noise
from stacker.sharpening.turbulence import air_transfer, speckle_power
from stacker.sky.optics import diffraction_transfer
from stacker.stacking.record import Stack

Real = NDArray[np.float32]
CUTOFF = 1.0 / 3.0
FRAMES = 100
SPECKLE_LEFT = 0.5
JITTER_PX = 0.15

MakeStack = Callable[..., tuple[Stack, Real]]


def blurred(scene: NDArray[np.float64], transfer: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a periodic scene times a transfer on its half-plane of frequencies."""
    return np.asarray(scipy.fft.irfft2(scipy.fft.rfft2(scene) * transfer, scene.shape))


def frequency(shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return the frequency of each mode of the half-plane in units of the cutoff."""
    return np.asarray(np.hypot(scipy.fft.fftfreq(shape[0])[:, None], scipy.fft.rfftfreq(shape[1])[None]) / CUTOFF)


def scene_of(
    kind: str, size: int, contrast: float, flat: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], Real]:
    """Return a scene with texture of power f^-2.5 but for its first `flat` pixels, and its mask.

    The scene is a limb-darkened disc on sky, or a surface.
    """
    f = np.maximum(frequency((size, size)) * CUTOFF * size, 1.0)
    texture = scipy.fft.irfft2(scipy.fft.rfft2(rng.standard_normal((size, size))) * f**-1.25, (size, size))
    texture[:flat, :flat] = 0.0
    scene = 1000.0 * (1.0 + contrast * texture / texture.std())
    y, x = np.mgrid[:size, :size] - (size - 1) / 2
    squared = (np.hypot(y, x) / (0.36 * size)) ** 2
    mask = squared <= 1.0 if kind == "disc" else np.ones((size, size), bool)
    if kind == "disc":
        scene = np.where(mask, scene * np.sqrt(np.clip(1.0 - 0.8 * squared, 0.0, None)), 0.0) + 20.0
    return scene, mask


@pytest.fixture
def make_stack() -> MakeStack:
    """Return a maker of (stack, what the telescope alone would show)."""

    def make(
        kind: str = "disc",
        size: int = 192,
        fried: float = 4.0,
        noise: float = 1.0,
        contrast: float = 0.12,
        seed: int = 1,
        flat: int = 0,
    ) -> tuple[Stack, Real]:
        rng = np.random.default_rng(seed)
        scene, mask = scene_of(kind, size, contrast, flat, rng)
        f = frequency(scene.shape)
        telescope, air = diffraction_transfer(f, 0.3), air_transfer(f, fried)
        left = jitter_transfer(f * CUTOFF, JITTER_PX)
        truth, mean = blurred(scene, telescope), blurred(scene, telescope * air * left)
        a, b = (mean + np.sqrt(2.0) * noise * rng.standard_normal(mean.shape) for _ in range(2))
        window = analysis_window(mask, kind)
        speckled = np.sqrt((telescope * air) ** 2 + SPECKLE_LEFT * (1.0 + f) * speckle_power(f, fried, telescope))
        moved = np.sqrt(interpolated_noise(f * CUTOFF))
        singles = (
            blurred(scene, speckled) + blurred(np.sqrt(FRAMES) * noise * rng.standard_normal(mean.shape), moved)
            for _ in range(20)
        )
        power = np.mean([windowed_power(single.astype(np.float32), window) for single in singles], 0)
        images = [np.asarray(i, np.float32) for i in (0.5 * (a + b), a, b, truth)]
        stack = Stack(
            image=images[0],
            variance=np.full(mean.shape, noise**2, np.float32),
            coverage=np.full(mean.shape, FRAMES, np.float32),
            half_a=images[1],
            half_b=images[2],
            mask=mask,
            kind=kind,
            frame_power=np.asarray(power, np.float32),
            weights=np.full(FRAMES, 1.0 / FRAMES),
        )
        return stack, images[3]

    return make


def error_inside(image: Real, truth: Real, inside: NDArray[np.bool_]) -> float:
    """Return the rms difference inside a mask over the truth's own spread, gain and offset fitted."""
    gain, offset = np.polyfit(image[inside].astype(float), truth[inside].astype(float), 1)
    return float(np.sqrt(np.mean((gain * image[inside] + offset - truth[inside]) ** 2)) / truth[inside].std())
