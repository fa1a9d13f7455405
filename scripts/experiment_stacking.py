#!/usr/bin/env python3
"""How frames are averaged best: local preference, outliers, and the cost at the ends of what people record.

    .venv/bin/python scripts/experiment_stacking.py [--seeds N] [--many FRAMES] [--large]

Prints the error against the truth that is left after the best radial filter (so neither blur nor sharpening counts),
for simulated surfaces and discs, with the power of a patch's own sharpness in its weight from 0 to 1, all frames and
the best fifth; then the same with outliers left in. `--many 50000` averages that many tiny frames, `--large` a surface
of 3000x2000 pixels: time a frame and peak memory.
"""

from __future__ import annotations

import argparse
import time
from typing import Any

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from stacker.alignment import align
from stacker.capture import Film
from stacker.cli.allocator import keep_freed_memory
from stacker.measuring.effort import peak_memory_mb
from stacker.ranking import rank
from stacker.ranking.selection import centred
from stacker.settings import RankingSettings, StackingSettings
from stacker.simulation import Air, BandedPlanet, CrateredSurface, Detector, Scenario, Tracking, simulate
from stacker.stacking import stack

POWERS = (0.0, 0.25, 0.5, 1.0)
KEEPS: tuple[float | str, ...] = ("auto", 20.0)
SIZE_PX = 192


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


def scenario(kind: str, d_over_r0: float, frames: int = 200, size_px: int = SIZE_PX) -> Scenario:
    """Return a lunar surface or a planet in moderate to rough air."""
    scene = CrateredSurface() if kind == "surface" else BandedPlanet(diameter_of_frame=0.7)
    return Scenario(
        scene=scene, frames=frames, height_px=size_px, width_px=size_px, air=Air(d_over_r0=d_over_r0),
        detector=Detector(bits=12), tracking=Tracking(drift_x_px=6, jitter_px=0.5),
    )  # fmt: skip


def filtered_error(image: NDArray[Any], truth: NDArray[Any]) -> float:
    """Return what the image's best radial filter leaves of the truth, rms over the truth's, under a Hann window."""
    window = np.outer(np.hanning(image.shape[0]), np.hanning(image.shape[1]))
    dy, dx = _shift(image * window, truth * window)
    moved = cv2.warpAffine(
        image.astype(np.float32), np.array([[1, 0, dx], [0, 1, dy]]), image.shape[::-1],
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT,
    )  # fmt: skip
    a, b = (scipy.fft.rfft2((x - np.average(x, weights=window)) * window) for x in (moved.astype(float), truth))
    ring = np.rint(
        200 * np.hypot(np.fft.fftfreq(a.shape[0])[:, None], np.fft.rfftfreq(image.shape[1])[None])
    ).astype(int)  # fmt: skip
    own, cross = (np.bincount(ring.ravel(), x.ravel()) for x in (np.abs(a) ** 2, (a.conj() * b).real))
    rest = b - (cross / np.maximum(own, 1e-20))[ring] * a
    return float(np.sqrt((np.abs(rest) ** 2).sum() / (np.abs(b) ** 2).sum()))


def _shift(image: NDArray[Any], truth: NDArray[Any]) -> tuple[float, float]:
    """Return where the image stands minus where the truth does, by their correlation's quadratic peak."""
    surface = scipy.fft.ifft2(
        scipy.fft.fft2(image - image.mean()) * scipy.fft.fft2(truth - truth.mean()).conj()
    ).real  # fmt: skip
    place = np.unravel_index(int(surface.argmax()), surface.shape)
    found = []
    for axis, at in enumerate(place):
        low, mid, high = (np.take(np.take(surface, at + d, axis, mode="wrap"), place[1 - axis]) for d in (-1, 0, 1))
        fine = at + 0.5 * (low - high) / (low - 2 * mid + high)
        found.append(float(fine - surface.shape[axis] * (fine > surface.shape[axis] / 2)))
    return found[0], found[1]


def trial(kind: str, d_over_r0: float, seed: int) -> dict[tuple[float | str, str], float]:
    """Return the filtered error of one capture by (keep, variant)."""
    made = simulate(scenario(kind, d_over_r0), seed)
    film = Film(np.stack(list(made)), 12, circumstances=made.scenario.circumstances())
    perfect = made.imaging.diffraction_limited()[..., 0]
    top, left = ((perfect.shape[axis] - SIZE_PX) // 2 for axis in (0, 1))
    truth = perfect[top : top + SIZE_PX, left : left + SIZE_PX].astype(float)
    ranking = centred(rank(film, RankingSettings(), 2))
    variants = {f"power {power}": StackingSettings(patch_preference=power) for power in POWERS}
    variants["outliers in"] = StackingSettings(outlier_sigmas=0)
    errors = {}
    for keep in KEEPS:
        alignment = align(film, ranking, keep=keep, workers=2)
        for name, settings in variants.items():
            image = stack(film, ranking, alignment, 2, settings=settings).image
            errors[keep, name] = filtered_error(image, truth)
    return errors


def print_preference(seeds: int) -> None:
    """Print the table that settled `patch_preference`."""
    cases = [(kind, air, seed) for kind in ("surface", "disc") for air in (4.0, 7.0) for seed in range(1, seeds + 1)]
    results = [trial(*case) for case in cases]
    print("error left after the best radial filter")
    names = [name for keep, name in results[0] if keep == KEEPS[0]]
    print(f"{'case':<24}{'keep':<7}" + "".join(f"{name:>13}" for name in names))
    for (kind, air, seed), errors in zip(cases, results, strict=True):
        for keep in KEEPS:
            row = "".join(f"{errors[keep, name]:13.4f}" for name in names)
            print(f"{f'{kind}, D/r0 {air:.0f}, seed {seed}':<24}{keep!s:<7}{row}")
    for keep in KEEPS:
        ratios = [np.mean([e[keep, name] / e[keep, names[0]] for e in results]) for name in names]
        print(f"{'mean ratio to power 0':<24}{keep!s:<7}" + "".join(f"{ratio:13.4f}" for ratio in ratios))


def print_effort(name: str, film: Film, workers: int = 2) -> None:
    """Print time a frame and peak memory of each stage."""
    began = time.perf_counter()

    def lap(stage: str) -> None:
        nonlocal began
        now = time.perf_counter()
        print(f"{name:<20}{stage:<8}{1e3 * (now - began) / len(film):9.2f} ms a frame, peak {peak_memory_mb():.0f} MB")
        began = now

    ranking = centred(rank(film, RankingSettings(), workers))
    lap("rank")
    alignment = align(film, ranking, workers=workers)
    lap("align")
    stack(film, ranking, alignment, workers)
    lap("stack")


def large_surface(frames: int) -> Film:
    """Return a drifting, noisy surface of 3000x2000 px."""
    rng = np.random.default_rng(1)
    coarse = sum(cv2.GaussianBlur(rng.normal(0, 1, (1020, 1520)).astype(np.float32), (0, 0), s) * s for s in (1, 4, 16))
    scene = cv2.resize(np.asarray(110 + 25 * coarse / np.std(coarse), np.float32), (3040, 2040))
    noise = rng.normal(0, 4, (2000, 3000)).astype(np.float32)
    shown = np.empty((frames, 2000, 3000), np.uint8)
    for number, (dy, dx) in enumerate(rng.integers(0, 40, (frames, 2))):
        picture = scene[dy : dy + 2000, dx : dx + 3000] + np.roll(noise, 37 * number, 0)
        shown[number] = np.clip(picture, 0, 255)
    return Film(shown, 8)


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--many", type=int, default=0)
    parser.add_argument("--large", action="store_true")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    keep_freed_memory()
    if options.many:
        made = simulate(scenario("disc", 2.0, 50, 32), 1)
        print_effort(f"{options.many} of 32x32", Loop(np.stack(list(made)), 12, options.many))
    if options.large:
        print_effort("16 of 3000x2000", large_surface(16))
    if not options.many and not options.large:
        print_preference(options.seeds)


if __name__ == "__main__":
    main()
