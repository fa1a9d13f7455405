"""Averaging raw mosaic samples against demosaicing every frame, and when the frames move enough for the former.

Simulated captures with known truth are stacked both ways. What is printed is the detail inside the target that the
best radial filter of the stack leaves unexplained (lower is better), mean over the colours; sharpening or blurring
hardly moves it. Run as `python scripts/experiment_colour.py [--frames 120] [--seeds 3]`.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np
from scipy.ndimage import binary_erosion, gaussian_filter, shift
from scipy.optimize import minimize

from stacker.alignment import align
from stacker.capture import open_capture
from stacker.colour import align_colours
from stacker.ranking import rank
from stacker.ranking.selection import centred
from stacker.settings import RankingSettings
from stacker.simulation import Air, BandedPlanet, CrateredSurface, Scenario, Tracking, write_simulation
from stacker.simulation.scenario import Detector
from stacker.stacking import stack
from stacker.stacking.filling import share_per_pixel
from stacker.stacking.record import Stack

SIDE = 160
SCENES = {
    "banded": BandedPlanet(),
    "ringed": BandedPlanet(diameter_of_frame=0.85, latitude_deg=20.0, ring=True),
    "cratered": CrateredSurface(),
}
WIDTHS = (0.6, 0.9, 1.3, 1.9, 2.7, 4, 6, 9, 14)


def unexplained(found: np.ndarray, truth: np.ndarray, where: np.ndarray) -> float:
    """Return the detail of `truth` (H, W) that no radial filter of `found` gives, relative to all of it, in `where`."""
    rows, columns = np.indices(found.shape) / found.shape[0] - 0.5
    shading = np.stack([rows * 0 + 1, rows, columns, rows**2, rows * columns, columns**2], -1)[where]
    levels = [found, *(gaussian_filter(found, width, mode="nearest") for width in WIDTHS)]
    bands = [(fine - coarse)[where] for fine, coarse in zip(levels, levels[1:], strict=False)]
    basis = np.column_stack([shading, *bands, levels[-1][where]])
    basis /= np.sqrt((basis**2).mean(0))
    wanted = truth[where]

    def left(matrix: np.ndarray) -> float:
        return float((wanted - matrix @ np.linalg.lstsq(matrix, wanted, rcond=1e-9)[0]).std())

    return left(basis) / left(shading)


def matched(truth: np.ndarray, image: np.ndarray) -> np.ndarray:
    """Return `truth` moved to where it correlates best with `image`: a tenth of a pixel would change the ranking."""
    a, b = (gaussian_filter(x, 1) - gaussian_filter(x, 8) for x in (image, truth))
    (dx, dy), _ = cv2.phaseCorrelate(b, a, np.outer(np.hanning(len(a)), np.hanning(len(a[0]))))
    inner = np.s_[12:-12, 12:-12]

    def unlike(place: np.ndarray) -> float:
        return 1 - float(
            np.corrcoef(shift(truth, place, order=3, mode="nearest")[inner].ravel(), image[inner].ravel())[0, 1]
        )

    start = np.array([dy, dx]) + np.array([[0, 0], [0.4, 0], [0, 0.4]])
    best = minimize(
        unlike, start[0], method="Nelder-Mead", options={"xatol": 0.005, "fatol": 1e-9, "initial_simplex": start}
    )
    return np.asarray(shift(truth, best.x, order=5, mode="nearest"))


def score(linear: Stack, truth: np.ndarray) -> float:
    """Return what is unexplained, mean over the colours."""
    where = binary_erosion(linear.mask, iterations=4) if linear.kind == "disc" else np.ones(linear.mask.shape, bool)
    where[:10], where[-10:], where[:, :10], where[:, -10:] = False, False, False, False
    planes = [linear.image[..., k].astype(float) for k in range(3)]
    return float(np.mean([unexplained(p, matched(truth[..., k], p), where) for k, p in enumerate(planes)]))


def both_ways(path: Path, keep: float) -> tuple[dict[str, Stack], float, float]:
    """Return the stacks from raw samples and from demosaiced frames, the least share a pixel, and effective frames."""
    stacks = {}
    with open_capture(path) as capture:
        ranking = centred(rank(capture, RankingSettings()))
        alignment = align(capture, ranking, keep=keep)
        assert capture.mosaic is not None
        share = share_per_pixel(alignment, capture.mosaic)
        for name, fills in (("raw", True), ("demosaiced", False)):
            with patch("stacker.stacking.carrying.motion_fills_the_grid", lambda *_, fills=fills: fills):
                stacks[name] = align_colours(stack(capture, ranking, alignment))
    effective = 1 / float((alignment.weight**2).sum())
    return stacks, float(np.percentile(share, 2)), effective


def row(name: str, scenario: Scenario, seed: int, keep: float, folder: Path) -> tuple[float, float]:
    """Print one capture's line and return both scores."""
    path, _, beside = write_simulation(folder / "trial.fits", scenario, seed, "fits")
    with np.load(beside) as stored:
        truth = np.asarray(stored["truth"], float)
    down, right = (before - after for before, after in zip(truth.shape[:2], (SIDE, SIDE), strict=True))
    truth = truth[down // 2 : down // 2 + SIDE, right // 2 : right // 2 + SIDE]
    stacks, least, effective = both_ways(path, keep)
    raw, filled = score(stacks["raw"], truth), score(stacks["demosaiced"], truth)
    figures = f"{effective:7.1f} {least:6.2f} {effective * least:8.1f} {raw:9.4f} {filled:11.4f}"
    print(f"{name:34s} {figures} {100 * (1 - raw / filled):+8.1f} %")
    for entry in folder.iterdir():
        entry.unlink()
    return raw, filled


def main() -> None:
    """Print the table and the verdict."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=120)
    parser.add_argument("--seeds", type=int, default=2)
    given = parser.parse_args()
    base = Scenario(
        frames=given.frames,
        height_px=SIDE,
        width_px=SIDE,
        detector=Detector(mosaic="RGGB", bits=12),
        air=Air(psf_grid=3, d_over_r0=4.0),
    )
    columns = ("frames", "share", "samples", "raw", "demosaiced", "raw gains")
    print(f"{'capture':34s} " + " ".join(f"{c:>{w}s}" for c, w in zip(columns, (7, 6, 8, 9, 11, 9), strict=True)))
    gains: dict[float, list[float]] = {0.0: [], 45.0: []}
    with tempfile.TemporaryDirectory() as name:
        for kind, scene in SCENES.items():
            for zenith, found in gains.items():
                air = replace(base.air, zenith_distance_deg=zenith)
                moving = replace(base, scene=scene, air=air, tracking=Tracking(drift_x_px=8, jitter_px=0.7))
                for seed in range(1, given.seeds + 1):
                    raw, filled = row(f"{kind}, {zenith:g} deg from zenith, seed {seed}", moving, seed, 100, Path(name))
                    found.append(1 - raw / filled)
        for ratio in (0.0, 0.3, 1.0, 2.0):
            for keep in (100.0, 10.0):
                still = replace(base, air=Air(psf_grid=3, d_over_r0=ratio))
                row(f"banded, no drift, D/r0 {ratio}, keep {keep:g}", still, 1, keep, Path(name))
    for zenith, found in gains.items():
        told = f"median {100 * np.median(found):+.0f} %, worst {100 * min(found):+.0f} %"
        print(f"{zenith:g} degrees from the zenith raw samples gain: {told}")


if __name__ == "__main__":
    main()
