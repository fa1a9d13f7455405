#!/usr/bin/env python3
"""Which alignment leaves the least detail unexplained? The designs and settings behind the defaults, over many seeds.

    OPENBLAS_NUM_THREADS=1 .venv/bin/python scripts/experiment_alignment.py [--seeds N] [--frames N]

Simulates a lunar surface, a planet and a textured disc in moderate and in rough air, stacks each with every design, and
prints the detail of the truth that the best radial filter of the stack cannot explain (lower is better): sharpening or
blur hardly moves it, misplaced detail and noise do. The last column is the mean over all captures.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

import stacker.alignment as alignment_stage
from stacker.alignment import Alignment, align, following
from stacker.alignment.correlation import measure_shift
from stacker.capture import Capture, open_capture
from stacker.measuring.resolution import ring_sums
from stacker.measuring.spectra import analysis_window, windowed_spectrum
from stacker.ranking import Ranking, rank
from stacker.ranking.selection import centred
from stacker.settings import AlignmentSettings, RankingSettings
from stacker.simulation import (
    Air,
    BandedPlanet,
    CrateredSurface,
    Detector,
    Scenario,
    TexturedDisc,
    Tracking,
    write_simulation,
)
from stacker.stacking import stack

Array = NDArray[np.float32]
Design = Callable[[Capture, Ranking], Alignment]


def scenarios(frames: int) -> dict[str, Scenario]:
    """Return the captures to try, named."""
    tracking = Tracking(drift_y_px=6, drift_x_px=8, jumps=2, jump_px=5)
    base = Scenario(frames=frames, height_px=208, width_px=208, tracking=tracking)
    faint = Detector(bits=12, peak_electrons=1200)
    return {
        "surface": replace(base, scene=CrateredSurface(), detector=Detector(bits=8)),
        "planet": replace(base, scene=BandedPlanet(0.7), detector=faint),
        "texture": replace(base, scene=TexturedDisc(0.7), detector=faint),
        "rough": replace(base, scene=TexturedDisc(0.75), detector=faint, air=Air(d_over_r0=9)),
    }


def unexplained(image: Array, truth: Array, ranking: Ranking) -> float:
    """Return the share (rms) of the truth's detail that no radial filter of the stack explains."""
    margin = (truth.shape[0] - image.shape[0]) // 2
    height, width = image.shape
    window = analysis_window(ranking.target.mask, ranking.target.kind)
    smooth = cv2.GaussianBlur(truth, (0, 0), 1.5)
    moved = np.zeros(2)
    for _ in range(3):
        matrix = np.array([[1, 0, margin - moved[1]], [0, 1, margin - moved[0]]])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        seen = cv2.warpAffine(smooth, matrix, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT)
        shift = measure_shift(image, np.asarray(seen, np.float32), np.outer(np.hanning(height), np.hanning(width)))
        moved += shift.dy_px, shift.dx_px
    placed = cv2.warpAffine(truth, matrix, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT)
    rings = ring_sums(windowed_spectrum(image, window), windowed_spectrum(placed, window), window)
    left = rings.power_b * (1 - np.clip(rings.correlation, 0, 1) ** 2)
    return float(np.sqrt(left.sum() / rings.power_b.sum()))


def designs() -> dict[str, Callable[[], Any]]:
    """Return, named, what each design changes while it runs (a context manager)."""

    @contextmanager
    def changed(**values: Any) -> Iterator[None]:
        homes = {"CORRELATED_NOISE": following}
        before = {key: getattr(homes.get(key, alignment_stage), key) for key in values}
        for key, value in values.items():
            setattr(homes.get(key, alignment_stage), key, value)
        try:
            yield
        finally:
            for key, value in before.items():
                setattr(homes.get(key, alignment_stage), key, value)

    def modes(count: int) -> dict[str, Any]:
        full = replace(alignment_stage.EFFORTS["full"], modes=count)
        return {"EFFORTS": alignment_stage.EFFORTS | {"full": full}}

    def passes(*made: tuple[int, int], more: int = 0) -> dict[str, Any]:
        return {"EFFORTS": alignment_stage.EFFORTS | {"full": alignment_stage.Effort(made, more, 200, 200)}}

    return {
        "global shift only": lambda: changed(FIELD_RMS_PX=1e-3),
        "quick: one coarse pass": lambda: changed(**passes(*alignment_stage.EFFORTS["quick"].passes)),
        "default: fine passes until settled": lambda: changed(),
        "one coarse, one fine": lambda: changed(**passes((2, 1), (1, 1))),
        "two coarse, two fine of two steps": lambda: changed(**passes((2, 3), (2, 3), (1, 2), (1, 2))),
        "always four more fine passes": lambda: changed(**passes((2, 1), (1, 1), more=4), SETTLED=0.0),
        "prior 1.2 px": lambda: changed(FIELD_RMS_PX=1.2),
        "prior 4 px": lambda: changed(FIELD_RMS_PX=4.0),
        "residual counted as white": lambda: changed(CORRELATED_NOISE=1.0),
        "residual counted a tenth": lambda: changed(CORRELATED_NOISE=10.0),
        "100 modes": lambda: changed(**modes(100)),
        "400 modes": lambda: changed(**modes(400)),
        "geometry by gain alone": lambda: changed(mean_field=lambda y, gain, _: np.average(y, axis=0, weights=gain)),
        "geometry of all frames alike": lambda: changed(mean_field=lambda y, *_: y.mean(0)),
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--frames", type=int, default=160)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    names = list(scenarios(arguments.frames))
    table: dict[str, list[list[float]]] = {design: [[] for _ in names] for design in designs()}
    with tempfile.TemporaryDirectory() as folder:
        for column, (name, scenario) in enumerate(scenarios(arguments.frames).items()):
            for seed in range(1, arguments.seeds + 1):
                path, _, truth_path = write_simulation(Path(folder) / f"{name}{seed}.fits", scenario, seed, "fits")
                truth = np.load(truth_path)["truth"].astype(np.float32)
                truth = truth if truth.ndim == 2 else truth[..., truth.shape[2] // 2]
                with open_capture(path) as capture:
                    ranking = centred(rank(capture, RankingSettings(), 2))
                    for design, change in designs().items():
                        with change():
                            fields = align(capture, ranking, AlignmentSettings(), workers=2)
                        image = stack(capture, ranking, fields, 2).image
                        table[design][column].append(unexplained(image, truth, ranking))
                path.unlink()
    print(f"{'detail unexplained':32s}" + "".join(f"{name:>9s}" for name in names) + "     mean")
    means = {design: [float(np.mean(values)) for values in columns] for design, columns in table.items()}
    for design, values in means.items():
        print(f"{design:32s}" + "".join(f"{value:9.4f}" for value in values) + f"{np.mean(values):9.4f}")
    best = min(means, key=lambda design: float(np.mean(means[design])))
    print(f"least unexplained: {best}")


if __name__ == "__main__":
    main()
