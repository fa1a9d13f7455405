"""A lunar surface and discs whose every displacement is known, filmed into real files."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from skimage.data import moon

from stacker.alignment import Alignment, align
from stacker.capture import Capture, open_capture
from stacker.ranking import Ranking, rank
from stacker.ranking.selection import centred
from stacker.settings import AlignmentSettings, RankingSettings
from stacker.simulation.writing import write_capture

Real = NDArray[np.float64]


@dataclass(frozen=True)
class Warped:
    """Frames, and where each point of the scene stands in them."""

    frames: NDArray[np.uint16]
    displacement_px: Real
    """(N, 2, H, W) (dy, dx) of each point of the scene."""
    noise_adu: float


@dataclass(frozen=True)
class Aligned:
    """What the program found."""

    capture: Capture
    ranking: Ranking
    alignment: Alignment

    @property
    def displacement_px(self) -> Real:
        """(M, 2, h, w) over the region, the coarse shift included."""
        level, found = self.alignment.level(1), self.alignment
        fields = [level.displacement(found.modes, y.astype(np.float64)) for y in found.coefficients]
        return np.array(fields, np.float64) + found.coarse_px[:, :, None, None]


def air_field(rng: np.random.Generator, shape: tuple[int, int], length_px: float, rms_px: float) -> Real:
    """Return the gradient (2, h, w) of a Gaussian random potential: 60 waves, exact and smooth."""
    k = rng.normal(0, 1 / length_px, (60, 2))
    wave = np.exp(2j * np.pi * rng.random(60)) * np.sqrt(2 / 60)
    rows, columns = (np.exp(1j * np.outer(np.arange(size), k[:, axis])) for axis, size in enumerate(shape))
    return rms_px * length_px * np.stack([((rows * (1j * wave * k[:, axis])) @ columns.T).real for axis in (0, 1)])


def displaced(scene: NDArray[np.float32], field_px: Real) -> NDArray[np.float32]:
    """Return the frame in which the scene's point p stands at p + field(p)."""
    rows, columns = np.mgrid[: scene.shape[0], : scene.shape[1]].astype(np.float32)
    back = np.zeros_like(field_px, np.float32)
    for _ in range(6):
        at = columns - back[1], rows - back[0]
        back = np.stack([cv2.remap(part.astype(np.float32), *at, cv2.INTER_LINEAR, borderMode=1) for part in field_px])
    moved = cv2.remap(scene, columns - back[1], rows - back[0], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(moved, np.float32)


def film_scene(
    scene: NDArray[np.float32], margin_px: int, count: int, warp_rms_px: float, motion_px: float, noise_adu: float,
    seed: int, length_px: float = 64,
) -> Warped:  # fmt: skip
    """Film the middle of a scene through fields that are zero in the mean over the frames."""
    rng = np.random.default_rng(seed)
    fields = np.stack([air_field(rng, scene.shape, length_px, warp_rms_px) for _ in range(count)])
    fields += rng.normal(0, motion_px, (count, 2, 1, 1))
    fields -= fields.mean(0)
    inner = np.s_[margin_px : scene.shape[0] - margin_px, margin_px : scene.shape[1] - margin_px]
    frames = []
    for field in fields:
        clean = displaced(scene, field)[inner]
        frames.append(np.clip(np.rint(clean + rng.normal(0, noise_adu, clean.shape)), 0, 65535).astype(np.uint16))
    return Warped(np.stack(frames), fields[:, :, inner[0], inner[1]], noise_adu)


@pytest.fixture(scope="session")
def lunar() -> Callable[..., Warped]:
    """Return a maker of captures of scikit-image's picture of the Moon (`data.moon`), optically band-limited."""

    def make(
        count: int = 40, side_px: int = 192, warp_rms_px: float = 1.0, motion_px: float = 2.0, snr: float = 20,
        seed: int = 0,
    ) -> Warped:  # fmt: skip
        margin = 16
        scene = 200 * gaussian_filter(moon().astype(np.float32), 1.2)
        first = (512 - side_px) // 2 - margin
        scene = scene[first : first + side_px + 2 * margin, first : first + side_px + 2 * margin]
        return film_scene(scene, margin, count, warp_rms_px, motion_px, float(scene.std()) / snr, seed)

    return make


@pytest.fixture(scope="session")
def disc() -> Callable[..., Warped]:
    """Return a maker of captures of a banded disc on a dark sky."""

    def make(
        radius_px: float = 40, side_px: int = 128, count: int = 40, warp_rms_px: float = 1.0, motion_px: float = 2.0,
        seed: int = 0,
    ) -> Warped:  # fmt: skip
        margin = 16
        rows, columns = np.mgrid[: side_px + 2 * margin, : side_px + 2 * margin] - (side_px / 2 + margin - 0.5)
        texture = gaussian_filter(np.random.default_rng(9).normal(size=rows.shape), 1.5)
        bands = 1 + 0.2 * np.sin(rows / radius_px * 7) + texture
        limb = np.clip(radius_px - np.hypot(rows, columns) + 0.5, 0, 1)
        scene = gaussian_filter(600 + 20000 * limb * bands, 1.2).astype(np.float32)
        return film_scene(scene, margin, count, warp_rms_px, motion_px, 600, seed, length_px=max(radius_px, 24))

    return make


@pytest.fixture(scope="session")
def aligned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Aligned]]:
    """Return what writes frames to a file, ranks and aligns them."""
    opened: list[Capture] = []

    def run(
        frames: NDArray[Any], target: str = "auto", keep: float | str = "auto", workers: int = 1, effort: str = "full",
        mosaic: str | None = None,
    ) -> Aligned:  # fmt: skip
        path: Path = tmp_path_factory.mktemp("captures") / "capture.fits"
        capture = open_capture(write_capture(path, frames, kind="fits", bits=16, mosaic=mosaic))
        opened.append(capture)
        ranking = centred(rank(capture, RankingSettings(target=target), workers))
        return Aligned(capture, ranking, align(capture, ranking, AlignmentSettings(effort=effort), keep, workers))

    yield run
    for capture in opened:
        capture.close()
