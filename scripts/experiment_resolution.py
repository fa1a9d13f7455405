#!/usr/bin/env python3
"""Is the resolution that two half-stacks give the one that the truth gives? And is there none where there is no detail?

    OPENBLAS_NUM_THREADS=1 .venv/bin/python scripts/experiment_resolution.py [--captures N] [--seed S] [--cases FOLDER]

Simulates twenty captures (those of experiment_keep.py, other seeds) and prints `resolution_px`, from the half-bit
crossing of the halves, beside the period at which the stack's correlation with the truth falls below
sqrt(2T / (1 + T)), T being the half-bit curve (Rosenthal & Henderson 2003, J. Mol. Biol. 333, 721; van Heel & Schatz
2005, J. Struct. Biol. 151, 250). `--cases` adds simulated captures of your own: each folder in FOLDER holds one
capture and an .npz with its `truth` (h, w) or (h, w, 3), wider than the frames or not. `--seed` draws other captures.
Then captures without detail, and sensors with a fixed pattern: what is reported of each.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from experiment_keep import laid_on, scenarios
from numpy.typing import NDArray

from stacker.alignment import align
from stacker.calibration import calibrate
from stacker.capture import open_capture
from stacker.colour import align_colours, share_detail
from stacker.measuring.metrics import green, stack_cutoff
from stacker.measuring.resolution import measure_resolution, resolution_of, ring_sums
from stacker.measuring.spectra import analysis_window, windowed_spectrum
from stacker.pipeline import process
from stacker.ranking import rank
from stacker.ranking.selection import centred
from stacker.settings import RankingSettings, Settings
from stacker.simulation import (
    Air,
    BandedPlanet,
    CrateredSurface,
    Detector,
    EmptySky,
    FeaturelessDisc,
    FlatField,
    Scenario,
    Tracking,
    write_simulation,
)
from stacker.stacking import Stack, stack

Curve = NDArray[np.float64]
FIRST_SEED = 6000
ALLOWED = 0.15


def compare(capture_path: Path, truth_path: Path) -> tuple[float | None, float | None, float | None]:
    """Return resolution in px by the halves, its error, and by the truth."""
    with np.load(truth_path) as stored:
        truth = stored["truth"].astype(np.float32)
    with calibrate(open_capture(capture_path)) as capture:
        ranking = centred(rank(capture, RankingSettings(), 2))
        made = stack(capture, ranking, align(capture, ranking, workers=2), 2)
        made = share_detail(align_colours(made), capture.mosaic)
        cutoff = stack_cutoff(capture.circumstances, made.zoom)
    window = analysis_window(made.mask, made.kind)
    found = measure_resolution(green(made.half_a), green(made.half_b), window, cutoff)
    return found.half_bit_px, found.half_bit_px_error, true_resolution(made, green(truth), cutoff)


def true_resolution(made: Stack, truth: NDArray[np.float32], cutoff: float | None) -> float | None:
    """Return the period where the stack agrees with the truth no better than the half-bit criterion asks."""
    window, image = analysis_window(made.mask, made.kind), green(made.image)
    placed = laid_on(image, truth)
    rings = ring_sums(windowed_spectrum(image, window), windowed_spectrum(placed, window), window, cutoff)
    # A correlation C with the truth is a correlation C^2 / (2 - C^2) of two halves.
    square = np.clip(rings.correlation, 0.0, 1.0) ** 2
    halves = replace(rings, cross=np.asarray(square / (2.0 - square) * np.sqrt(rings.power_a * rings.power_b)))
    return resolution_of(halves, cutoff).half_bit_px


def cases_in(folder: Path) -> list[tuple[str, Path, Path]]:
    """Return (name, capture, truth) of each folder in `folder` that holds an .npz and one capture beside it."""
    found = []
    for truth in sorted(folder.glob("*/*.npz")):
        beside = [path for path in truth.parent.iterdir() if path.suffix not in (".npz", ".toml", ".json")]
        if len(beside) == 1:
            found.append((truth.parent.name, beside[0], truth))
    return found


def print_comparison(named: list[tuple[str, Path, Path]]) -> None:
    """Print the table of resolutions."""
    print(f"{'capture':<42}{'halves px':>16}{'truth px':>10}{'finer by':>10}")
    inside, told, sigmas = 0, 0, []
    for name, path, beside in named:
        halves, error, truth = compare(path, beside)
        if halves is None or truth is None or error is None:
            print(f"{name:<42}{halves or '-'!s:>16}{truth or '-'!s:>10}")
            inside += halves is None and truth is None
            continue
        ratio = truth / halves
        inside += abs(ratio - 1) <= ALLOWED
        told += abs(truth - halves) <= error
        sigmas.append((truth - halves) / error)
        print(f"{name:<42}{halves:9.2f} +-{error:4.2f} {truth:9.2f}{ratio:10.2f}", flush=True)
    if not named:
        return
    print(f"within {100 * ALLOWED:.0f} %: {inside} of {len(named)}; within the stated error: {told} of {len(sigmas)}")


def without_detail() -> dict[str, tuple[Scenario, str]]:
    """Return captures in which there is nothing to resolve, or a pattern to notice, with the kind of target."""
    base = Scenario(frames=120, height_px=144, width_px=144, tracking=Tracking(jitter_px=0.3))
    plain, uneven = Detector(bits=12), Detector(bits=12, fixed_pattern_rms=0.02)

    def made(scene: object, d_over_r0: float, detector: Detector = plain) -> Scenario:
        return replace(base, scene=scene, air=Air(d_over_r0, psf_grid=3), detector=detector)  # type: ignore[arg-type]

    return {
        "pure noise": (made(EmptySky(), 5), "surface"),
        "flat, no air": (made(FlatField(), 0), "surface"),
        "featureless field": (made(FlatField(), 5), "surface"),
        **{f"bare disc, D/r0 {d:g}": (made(FeaturelessDisc(), d), "auto") for d in (0, 2, 4, 6, 8)},
        "bare disc, 2 % pattern": (made(FeaturelessDisc(), 4, uneven), "auto"),
        "flat, 2 % pattern": (made(FlatField(), 4, uneven), "surface"),
        "planet, 2 % pattern": (made(BandedPlanet(0.7), 4, uneven), "auto"),
        "surface, 2 % pattern": (made(CrateredSurface(), 4, uneven), "surface"),
    }


def print_controls(folder: Path, seeds: int) -> None:
    """Print what is reported of captures without detail."""
    print(f"\n{'capture':<26}{'seed':>5}{'resolution px':>15}  why, and what was noticed")
    for name, (scenario, target) in without_detail().items():
        for seed in range(FIRST_SEED, FIRST_SEED + seeds):
            path, *_ = write_simulation(folder / "control.fits", scenario, seed, "fits")
            metrics = process(path, folder / "runs", Settings(ranking=RankingSettings(target)), workers=2).metrics
            why = metrics["notes"].get("resolution_px", "")
            noticed = [words for words in metrics["notes"].get("remarks", "").split("; ") if "fixed pattern" in words]
            resolution = "none" if metrics["resolution_px"] is None else f"{metrics['resolution_px']:.2f}"
            print(f"{name:<26}{seed:>5}{resolution:>15}  {'; '.join(filter(None, [why, *noticed]))[:120]}", flush=True)


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", type=int, default=20)
    parser.add_argument("--controls", type=int, default=2, help="seeds of each capture without detail")
    parser.add_argument("--seed", type=int, default=FIRST_SEED, help="another seed, other captures")
    parser.add_argument("--cases", type=Path, nargs="+", default=[], metavar="FOLDER")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        named = [case for cases in options.cases for case in cases_in(cases)]
        for number, (name, scenario) in enumerate(scenarios(options.captures, options.seed)):
            path = Path(folder) / f"capture{number}.fits"
            path, _, truth = write_simulation(path, scenario, options.seed + number, "fits")
            named.append((name, path, truth))
        print_comparison(named)
        print_controls(Path(folder), options.controls)


if __name__ == "__main__":
    main()
