"""Small and large, few frames and many: the stages from ranking to stack hold at the ends of what people record."""

from __future__ import annotations

import tracemalloc
from typing import Any

import cv2
import numpy as np
import pytest
import scipy.ndimage
import scipy.optimize
from numpy.typing import NDArray

from stacker.alignment import align
from stacker.capture import Film
from stacker.ranking import rank
from stacker.ranking.selection import centred
from stacker.settings import RankingSettings
from stacker.simulation import Air, BandedPlanet, Detector, Scenario, Tracking, simulate
from stacker.stacking import Stack, stack


class Loop(Film):
    """A film that is shown again where more frames are asked for than there are."""

    def __init__(self, frames: NDArray[Any], bits: int, count: int) -> None:
        super().__init__(frames, bits)
        self._distinct, self._count = len(frames), count

    def __len__(self) -> int:
        return self._count

    def get_frame(self, index: int, out: Any = None) -> Any:
        frame = super().get_frame(index % self._distinct, out)
        # A pixel in the corner tells repeated frames apart.
        frame[0, 0] += index // self._distinct % 7
        return frame


def planet(diameter_px: int, frames: int, size_px: int, seed: int, d_over_r0: float = 2.0) -> Scenario:
    return Scenario(
        scene=BandedPlanet(diameter_of_frame=diameter_px / size_px),
        frames=frames,
        height_px=size_px,
        width_px=size_px,
        air=Air(d_over_r0=d_over_r0),
        detector=Detector(bits=12, offset_adu=20),
        tracking=Tracking(drift_x_px=3, jitter_px=0.5),
    )


def averaged(film: Film) -> Stack:
    ranking = centred(rank(film, RankingSettings(), 1))
    return stack(film, ranking, align(film, ranking), 1)


def centroid_mean(frames: NDArray[Any]) -> NDArray[np.float64]:
    """Return the plain mean of frames, each moved by its centre of light to the middle."""
    total = np.zeros(frames.shape[1:])
    for frame in frames.astype(np.float32):
        sky = np.quantile(frame, 0.3)
        light = np.clip(frame - sky - 0.2 * (frame.max() - sky), 0, None)
        dy, dx = (np.array(frame.shape) - 1) / 2 - scipy.ndimage.center_of_mass(light)
        moved = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
        total += cv2.warpAffine(frame, moved, frame.shape[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return total / len(frames)


def error(image: NDArray[Any], truth: NDArray[Any]) -> float:
    """Return the rms difference from the truth over its scatter, after the best shift, factor and offset."""
    spectrum = np.fft.fft2(image.astype(float))
    fy, fx = np.fft.fftfreq(image.shape[0])[:, None], np.fft.fftfreq(image.shape[1])[None]

    def at(shift: NDArray[np.float64]) -> float:
        moved = np.fft.ifft2(spectrum * np.exp(2j * np.pi * (fy * shift[0] + fx * shift[1]))).real
        terms = np.stack([moved.ravel(), np.ones(moved.size)], 1)
        rest = truth.ravel() - terms @ np.linalg.lstsq(terms, truth.ravel(), rcond=None)[0]
        return float(np.sqrt((rest**2).mean()) / truth.std())

    light = np.clip(image - np.quantile(image, 0.3), 0, None)
    start = np.subtract(scipy.ndimage.center_of_mass(light), scipy.ndimage.center_of_mass(truth))
    return float(scipy.optimize.minimize(at, start, method="Nelder-Mead", options={"xatol": 0.01, "fatol": 1e-5}).fun)


@pytest.mark.parametrize(
    ("diameter_px", "frames", "size_px", "d_over_r0", "most"),
    [(12, 8, 40, 2, 1.03), (12, 30, 40, 3, 0.97), (40, 20, 96, 3, 0.95)],
)
def test_small_discs_are_no_worse_than_their_centred_mean(
    diameter_px: int, frames: int, size_px: int, d_over_r0: float, most: float
) -> None:
    """Median over three captures: error against the truth over that of the mean of frames centred on their light.

    Eight frames of 12 px are all that there is to average: equal within 3 %.
    """
    ratios = []
    for seed in (1, 2, 3):
        made = simulate(planet(diameter_px, frames, size_px, seed, d_over_r0), seed)
        film = Film(np.stack(list(made)), 12)
        perfect = made.imaging.diffraction_limited()[..., 0]
        top, left = ((perfect.shape[axis] - size_px) // 2 for axis in (0, 1))
        truth = perfect[top : top + size_px, left : left + size_px]
        ratios.append(error(averaged(film).image, truth) / error(centroid_mean(film.frames), truth))
    assert np.median(ratios) < most, ratios


@pytest.mark.parametrize("frames", [1, 2, 3, 7])
def test_fewer_than_eight_frames_still_give_a_picture(frames: int) -> None:
    """Their mean: light as in a frame, within the noise; one half only, and said so."""
    film = Film(np.stack(list(simulate(planet(40, frames, 80, 1), 1))), 12)
    result = averaged(film)
    assert np.isfinite(result.image).all()
    assert np.isfinite(result.variance).all()
    level = np.mean([frame[result.mask].mean() for frame in film.frames.astype(float)])
    assert result.image[result.mask].mean() == pytest.approx(level, rel=0.05)
    assert any("too few frames for two halves" in note for note in result.notes)


def test_memory_grows_by_little_with_the_number_of_frames() -> None:
    """200 against 800 frames of 32x32: under 4 kB more a frame, so 50,000 frames take less than 200 MB."""
    frames = np.stack(list(simulate(planet(14, 25, 32, 2), 2)))
    peaks = []
    for count in (200, 800):
        film = Loop(frames, 12, count)
        tracemalloc.start()
        result = averaged(film)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert (result.weights > 0).sum() > 0.9 * count
    assert (peaks[1] - peaks[0]) / 600 < 4096


def test_a_large_surface_is_aligned_in_tiles() -> None:
    """1400x1000 px, more than one tile each way: eight noisy frames of one scene at known shifts, found to 0.1 px."""
    rng = np.random.default_rng(4)
    texture = sum(
        cv2.GaussianBlur(rng.normal(0, 1, (1040, 1440)).astype(np.float32), (0, 0), s) * s for s in (2, 6, 20)
    )
    scene = np.asarray(110 + 25 * texture / np.std(texture), np.float32)
    shifts = rng.uniform(-12, 12, (8, 2))
    frames = [
        cv2.warpAffine(scene, np.array([[1, 0, dx - 20], [0, 1, dy - 20]]), (1400, 1000), flags=cv2.INTER_CUBIC)
        for dy, dx in shifts
    ]
    noisy = np.clip(np.rint(np.stack(frames) + rng.normal(0, 3, (8, 1000, 1400))), 0, 255).astype(np.uint8)
    film = Film(noisy, 8)
    ranking = centred(rank(film, RankingSettings(), 1))
    alignment = align(film, ranking)
    assert len(alignment.region.tiles) == 6
    used = shifts[alignment.frames]
    found = alignment.shift_px - alignment.shift_px.mean(0)
    assert np.abs(found - (used - used.mean(0))).max() < 0.1
    result = stack(film, ranking, alignment)
    inner = np.s_[40:-40, 40:-40]
    assert np.sqrt(result.variance[inner]).mean() < 2 * 3 / np.sqrt(len(used))
