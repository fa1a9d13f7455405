"""Averaging raw mosaic samples against demosaicing every frame, and when the frames move enough for the former.

Simulated captures with known truth, discs and surfaces, at the zenith and 45 degrees from it, are stacked from raw
samples and from frames demosaiced in four ways: bilinear, OpenCV's edge-aware, Malvar, He & Cutler 2004 (ours), Menon,
Andriani & Calvagno 2007 (package colour-demosaicing). Alignment, weights and all that follows are the same. What is
printed is the detail inside the target that the best radial filter of the stack leaves unexplained (lower is better),
mean over the colours, and what each demosaic leaves over what raw samples leave; sharpening or blurring hardly moves
it. All ways are compared after the colours are registered and share their detail, as `process` does. Run as
`python scripts/experiment_colour.py [--frames 100] [--seeds 2] [--processes 2] [--sampling 2 3 4] [--thresholds]`:
`--sampling` gives camera pixels per lambda/D at 600 nm, the last prints when the motion suffices.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from multiprocessing import Pool
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np
from scipy.ndimage import binary_erosion, gaussian_filter, shift
from scipy.optimize import minimize

from stacker.alignment import align
from stacker.capture import open_capture
from stacker.colour import align_colours, share_detail
from stacker.ranking import rank
from stacker.ranking.selection import centred
from stacker.settings import RankingSettings
from stacker.simulation import Air, BandedPlanet, CrateredSurface, Scenario, Tracking, write_simulation
from stacker.simulation.scenario import Detector
from stacker.stacking import stack
from stacker.stacking.demosaic import demosaic
from stacker.stacking.filling import share_per_pixel
from stacker.stacking.record import Stack

SIDE = 160
SCENES = {
    "banded": BandedPlanet(),
    "ringed": BandedPlanet(diameter_of_frame=0.85, latitude_deg=20.0, ring=True),
    "cratered": CrateredSurface(),
}
STEPS = 15
"""OpenCV demosaics whole numbers: a number of the camera's 12 bits is so many of its 16."""
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


def edge_aware(raw: np.ndarray, mosaic: str) -> np.ndarray:
    """Return (H, W, 3) by OpenCV's interpolation along edges."""
    whole = np.clip(np.rint(raw * STEPS), 0, 65535).astype(np.uint16)
    return cv2.cvtColor(whole, getattr(cv2, f"COLOR_Bayer{mosaic}2RGB_EA")).astype(np.float32) / STEPS


def by_package(name: str, raw: np.ndarray, mosaic: str) -> np.ndarray:
    """Return (H, W, 3) by a function of colour-demosaicing."""
    import colour_demosaicing

    return np.asarray(getattr(colour_demosaicing, f"demosaicing_CFA_Bayer_{name}")(raw, mosaic), np.float32)


DEMOSAICS: dict[str, Callable[[np.ndarray, str], np.ndarray]] = {
    "bilinear": partial(by_package, "bilinear"),
    "edge-aware": edge_aware,
    "Malvar": demosaic,
    "Menon": partial(by_package, "Menon2007"),
}


def stacked_by(path: Path, keep: float, names: tuple[str, ...]) -> tuple[dict[str, Stack], float, float]:
    """Return the stacks from raw samples and by each demosaic, the least share a pixel, and effective frames."""
    stacks = {}
    with open_capture(path) as capture:
        ranking = centred(rank(capture, RankingSettings()))
        alignment = align(capture, ranking, keep=keep)
        assert capture.mosaic is not None
        share = share_per_pixel(alignment, capture.mosaic)
        for name in ("raw", *names):
            with (
                patch("stacker.stacking.carrying.motion_fills_the_grid", lambda *_, raw=name == "raw": raw),
                patch("stacker.stacking.carrying.demosaic", DEMOSAICS.get(name)),
            ):
                stacks[name] = share_detail(align_colours(stack(capture, ranking, alignment)), capture.mosaic)
    effective = 1 / float((alignment.weight**2).sum())
    return stacks, float(np.percentile(share, 2)), effective


def trial(
    job: tuple[str, Scenario, int, float], names: tuple[str, ...] = tuple(DEMOSAICS)
) -> tuple[str, dict[str, float]]:
    """Return one capture's line and the score of each way."""
    label, scenario, seed, keep = job
    with tempfile.TemporaryDirectory() as folder:
        path, _, beside = write_simulation(Path(folder) / "trial.fits", scenario, seed, "fits")
        with np.load(beside) as stored:
            truth = np.asarray(stored["truth"], float)
        down, right = (before - after for before, after in zip(truth.shape[:2], (SIDE, SIDE), strict=True))
        truth = truth[down // 2 : down // 2 + SIDE, right // 2 : right // 2 + SIDE]
        stacks, least, effective = stacked_by(path, keep, names)
    scores = {name: score(linear, truth) for name, linear in stacks.items()}
    figures = f"{effective:7.1f} {least:6.2f} {effective * least:8.1f} {scores['raw']:8.4f}"
    ratios = " ".join(f"{scores[name] / scores['raw']:10.3f}" for name in names)
    return f"{label:34s} {figures} {ratios}", scores


def heading(names: tuple[str, ...]) -> str:
    """Return the names of the columns."""
    columns = " ".join(f"{c:>{w}s}" for c, w in zip(("frames", "share", "samples", "raw"), (7, 6, 8, 8), strict=True))
    return f"{'capture':34s} {columns} " + " ".join(f"{name:>10s}" for name in names) + "   (over raw)"


def sampled(base: Scenario, px_per_lambda_over_d: float) -> Scenario:
    """Return a scenario with so many camera pixels per lambda/D at the detector's own wavelength."""
    optics, detector = base.optics, base.detector
    focal_length_mm = px_per_lambda_over_d * detector.pixel_um * optics.aperture_mm / (detector.wavelength_nm * 1e-3)
    # Blue light passes finer detail than a coarse grid of the simulation could hold.
    finer = 1 if px_per_lambda_over_d >= 3 else 2
    return replace(base, optics=replace(optics, focal_length_mm=focal_length_mm), oversampling=finer)


def print_demosaics(base: Scenario, seeds: int, processes: int) -> None:
    """Print a row a capture and the medians."""
    jobs = []
    for zenith in (0.0, 45.0):
        for kind, scene in SCENES.items():
            moving = replace(
                base,
                scene=scene,
                air=replace(base.air, zenith_distance_deg=zenith),
                tracking=Tracking(drift_x_px=8, jitter_px=0.7),
            )
            jobs += [(f"{kind}, {zenith:g} deg, seed {seed}", moving, seed, 100.0) for seed in range(1, seeds + 1)]
    print(heading(tuple(DEMOSAICS)))
    found = []
    with Pool(processes) as pool:
        for line, scores in pool.imap(trial, jobs):
            found.append([scores[name] / scores["raw"] for name in DEMOSAICS])
            print(line, flush=True)
    ratios = np.array(found)
    for words, rows in (
        ("zenith", slice(0, len(jobs) // 2)),
        ("45 degrees", slice(len(jobs) // 2, None)),
        ("all", slice(None)),
    ):
        part = ratios[rows]
        best = part.min(1)
        each = ", ".join(
            f"{name} {np.median(column):.3f} (raw better in {int((column > 1).sum())})"
            for name, column in zip(DEMOSAICS, part.T, strict=True)
        )
        print(f"{words}: median of {len(part)}: {each}; best of the four {np.median(best):.3f}")


def main() -> None:
    """Print the tables and the verdict."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=100)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--sampling", type=float, nargs="+", default=[2.0, 3.0, 4.0], metavar="PX")
    parser.add_argument("--thresholds", action="store_true")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    base = Scenario(
        frames=given.frames,
        height_px=SIDE,
        width_px=SIDE,
        detector=Detector(mosaic="RGGB", bits=12),
        air=Air(psf_grid=3, d_over_r0=4.0),
    )
    for px in given.sampling:
        print(f"{px:g} camera pixels per lambda/D")
        print_demosaics(sampled(base, px), given.seeds, given.processes)
    if given.thresholds:
        print(heading(("Malvar",)))
        for ratio in (0.0, 0.3, 1.0, 2.0):
            for keep in (100.0, 10.0):
                still = replace(base, air=Air(psf_grid=3, d_over_r0=ratio))
                print(trial((f"banded, no drift, D/r0 {ratio}, keep {keep:g}", still, 1, keep), ("Malvar",))[0])


if __name__ == "__main__":
    main()
