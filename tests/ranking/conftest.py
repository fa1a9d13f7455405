"""Small captures in memory whose truth is known: a disc or a surface that moves, blurs and is broken on purpose."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stacker.capture import CaptureError, Film


class BreakingFilm(Film):
    """A film of which `broken` frames cannot be read."""

    def __init__(self, frames: NDArray[Any], mosaic: str | None = None, full_scale: float = 255.0) -> None:
        super().__init__(frames, 8, mosaic=mosaic)
        self.full_scale = full_scale
        self.broken = set[int]()

    def get_frame(self, index: int, out: Any = None) -> Any:
        if index in self.broken:
            raise CaptureError(self.path, f"frame {index} is damaged", "record it again")
        return super().get_frame(index, out)


@dataclass(frozen=True)
class Scene:
    """Frames and what is true of them."""

    frames: NDArray[np.uint8]
    shift_px: NDArray[np.float64]
    blur_px: NDArray[np.float64]


def detail(shape: tuple[int, int], seed: int) -> NDArray[np.float32]:
    """Return detail at scales of 4 to 32 pixels, mean 0, rms 1."""
    rng = np.random.default_rng(seed)
    rows, columns = shape
    total = np.zeros(shape, np.float32)
    for scale in (4, 8, 16, 32):
        coarse = rng.normal(0, scale**0.8, (rows // scale + 1, columns // scale + 1)).astype(np.float32)
        total += cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_CUBIC)
    return (total - total.mean()) / total.std()


def shoot(
    scene: NDArray[np.float32], count: int, size: tuple[int, int], noise_adu: float, motion_px: float, seed: int
) -> Scene:
    """Film the middle of a scene through changing blur (sigma 0.8 to 2.3 px) with random image motion."""
    rng = np.random.default_rng(seed)
    margin = [(scene.shape[axis] - size[axis]) / 2 for axis in (0, 1)]
    shift, blur = rng.normal(0, motion_px, (count, 2)), 0.8 + 1.5 * rng.random(count)
    frames = []
    for (dy, dx), sigma in zip(shift, blur, strict=True):
        move = np.array([[1, 0, margin[1] - dx], [0, 1, margin[0] - dy]])
        seen = cv2.GaussianBlur(scene, (0, 0), sigma)
        seen = cv2.warpAffine(seen, move, (size[1], size[0]), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        frames.append(np.clip(seen + rng.normal(0, noise_adu, size), 0, 255).astype(np.uint8))
    return Scene(np.stack(frames), shift, blur)


def disc_scene(radius_px: float, size: tuple[int, int], level_adu: float = 140, seed: int = 1) -> NDArray[np.float32]:
    """Return a limb-darkened disc with detail on a sky of 6 ADU, in a field larger than `size` by 60 px a side."""
    shape = (size[0] + 120, size[1] + 120)
    rows, columns = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    distance = np.hypot(rows - (shape[0] - 1) / 2, columns - (shape[1] - 1) / 2)
    limb = np.sqrt(np.clip(1 - 0.6 * (distance / radius_px) ** 2, 0, 1)) * np.clip(radius_px - distance + 0.5, 0, 1)
    return np.asarray(6 + level_adu * limb * (1 + 0.1 * detail(shape, seed)), dtype=np.float32)


@pytest.fixture(scope="session")
def film() -> Callable[..., BreakingFilm]:
    return BreakingFilm


@pytest.fixture(scope="session")
def disc() -> Callable[..., Scene]:
    """Return a maker of disc captures."""

    def make(
        radius_px: float = 60, count: int = 60, size: tuple[int, int] = (200, 240), noise_adu: float = 2.5,
        motion_px: float = 5, seed: int = 1, level_adu: float = 140,
    ) -> Scene:  # fmt: skip
        return shoot(disc_scene(radius_px, size, level_adu, seed), count, size, noise_adu, motion_px, seed)

    return make


@pytest.fixture(scope="session")
def surface() -> Callable[..., Scene]:
    """Return a maker of surface captures."""

    def make(count: int = 60, size: tuple[int, int] = (200, 240), motion_px: float = 5, seed: int = 2) -> Scene:
        scene = 110 + 22 * detail((size[0] + 120, size[1] + 120), seed)
        return shoot(scene.astype(np.float32), count, size, 2.5, motion_px, seed)

    return make


def _window(
    scene: NDArray[np.float32], size: tuple[int, int], shift_px: NDArray[np.float64], seed: int
) -> NDArray[np.uint8]:
    """Cut windows of a larger scene, displaced by whole pixels."""
    rng = np.random.default_rng(seed)
    frames = []
    for dy, dx in shift_px.astype(int):
        top, left = (scene.shape[0] - size[0]) // 2 - dy, (scene.shape[1] - size[1]) // 2 - dx
        part = scene[top : top + size[0], left : left + size[1]]
        frames.append(np.clip(part + rng.normal(0, 2, size), 0, 255).astype(np.uint8))
    return np.stack(frames)


@pytest.fixture(scope="session")
def drifting_disc() -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Return frames of 160x160 with a disc of radius 40 that drifts from the middle to 90 px right of it."""
    shift_px = np.stack([np.round(3 * np.sin(np.arange(60))), np.round(np.linspace(-10, 90, 60))], axis=1)
    return _window(disc_scene(40, (280, 280)), (160, 160), shift_px, 3), shift_px


@pytest.fixture(scope="session")
def drifting_surface() -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Return frames of 200x240 of a surface that drifts by 150 px along the row."""
    shift_px = np.stack([np.round(3 * np.sin(np.arange(60))), np.round(np.linspace(-75, 75, 60))], axis=1)
    scene = (110 + 22 * detail((280, 480), 4)).astype(np.float32)
    return _window(scene, (200, 240), shift_px, 5), shift_px
