#!/usr/bin/env python3
"""Which share of the frames is best, and does `--keep auto` choose it? Measured against simulated truth.

    OPENBLAS_NUM_THREADS=1 .venv/bin/python scripts/experiment_keep.py [--captures N] [--seed S] [--weights]

Simulates twenty captures (surfaces, planets, ringed planets, textured discs; bright and faint; D/r0 3 to 8), half of
them in strongly varying seeing, stacks each at a sweep of keep percentages and with auto, and prints the detail of the
truth that the best radial filter of the stack cannot explain: the excess of auto and of fixed percentages over the best
of the sweep, in percent. Beside it the share that `stillair keep` finds best, without the truth, and its range.
Two tables: "each by itself" aligns each percentage alone, as `process --keep` does. Then every column is another draw
of the geometry of the reference, which scatters by several percent whatever is kept, and the best of eight draws is
better than any choice. "All at once" aligns all frames once, so that only the averaged share differs. Of seeds 12300
and 12400 (which settled nothing) auto has a mean excess of 2.1 and 1.7 % each by itself (median 1.8 and 0.7, worst 6.8
and 9.9; a fixed 20 % 38 and 42, 50 % 8 and 10, 70 % 2.3 and 2.8, all frames 2.4 and 2.0), and of 0.6 and 0.2 % all at
once (median 0.1, worst 9.5 and 1.1; 20 % 12 and 13, 50 % 2.2, 70 % 0.9 and 0.6, all frames 0.6 and 0.1): rough frames
weigh so little in the mean that to leave them out only steadies the geometry.
`--weights` prints what settled the weights of the mean: equal, and powers of gain times squared sharpness.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

import stacker.alignment as alignment_stage
from stacker.alignment import Alignment, align
from stacker.alignment.correlation import measure_shift
from stacker.capture import Capture, open_capture
from stacker.keeping import keep_curve
from stacker.ranking import Ranking, rank
from stacker.ranking.selection import centred, choose_frames
from stacker.settings import RankingSettings
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
from stacker.stacking import Stack, stack

SWEEP = (2.0, 5.0, 10.0, 20.0, 40.0, 50.0, 70.0, 100.0)
FIXED = (20.0, 50.0, 100.0)
FIRST_SEED = 4000
BORDER_PX = 12
SIGMAS_PX = (0.6, 0.9, 1.3, 1.9, 2.7, 4, 6, 9, 14)
POWERS = (0.0, 0.5, 0.75, 1.0, 1.5)
WAYS = ("each by itself", "all at once")

Errors = dict[float | str, float]


@dataclass(frozen=True)
class Trial:
    """One simulated capture on disk."""

    name: str
    path: Path
    truth: NDArray[Any]


def scenarios(count: int, seed: int = FIRST_SEED) -> list[tuple[str, Scenario]]:
    """Return named captures; every second one in strongly varying seeing. Another seed pairs scenes, air and light."""
    rng = np.random.default_rng(seed)
    scenes = {
        "surface": CrateredSurface(),
        "planet": BandedPlanet(0.7),
        "texture": TexturedDisc(0.75),
        "ringed": BandedPlanet(diameter_of_frame=0.85, latitude_deg=20.0, ring=True),
        "moon": CrateredSurface(),
    }
    ratios = rng.permutation((3.0, 5.0, 7.0, 4.0, 6.0, 8.0, 4.5, 5.5, 6.5, 3.5))
    light = rng.permutation((80.0, 300.0, 1200.0, 4000.0))
    found = []
    for number in range(count):
        name = list(scenes)[number // 2 % len(scenes)]
        d_over_r0 = float(ratios[number // 2 % len(ratios)])
        electrons = float(light[number % 4 if number % 8 < 4 else 3 - number % 4])
        varying = number % 2 == 1
        air = Air(d_over_r0, seeing_sigma=0.6, seeing_memory_s=1.0) if varying else Air(d_over_r0)
        scenario = Scenario(
            scene=scenes[name], frames=200, height_px=160, width_px=160, air=air,
            detector=Detector(bits=12, peak_electrons=electrons, read_noise_electrons=3.0),
            tracking=Tracking(drift_y_px=4, drift_x_px=5, jitter_px=0.4),
        )  # fmt: skip
        kind = "varying" if varying else "steady"
        found.append((f"{name} {kind}, D/r0 {d_over_r0:g}, {electrons:.0f} e", scenario))
    return found


def record(folder: Path, seed: int, name: str, scenario: Scenario) -> Trial:
    """Simulate one capture and keep its truth."""
    path, _, beside = write_simulation(folder / f"capture{seed}.fits", scenario, seed, "fits")
    with np.load(beside) as stored:
        truth = stored["truth"].astype(np.float32)
    return Trial(name, path, truth if truth.ndim == 2 else truth[..., truth.shape[2] // 2])


def unexplained(made: Stack, truth: NDArray[Any]) -> float:
    """Return the detail of the truth that no mixture of the stack's blurred copies explains, over all its detail."""
    placed = laid_on(made.image, truth)
    where = inside(made.mask, made.kind)
    y, x = (np.indices(made.image.shape) / max(made.image.shape))[:, where]
    shading = np.stack([np.ones_like(x), y, x, y * y, y * x, x * x], -1)
    copies = [made.image.astype(np.float64)]
    copies += [cv2.GaussianBlur(copies[0], (0, 0), s, borderType=cv2.BORDER_REPLICATE) for s in SIGMAS_PX]
    bands = [a - b for a, b in zip(copies, copies[1:], strict=False)] + [copies[-1]]
    columns = np.concatenate([shading, np.stack([band[where] / made.image.std() for band in bands], -1)], 1)
    wanted = placed[where].astype(np.float64)

    def left(design: NDArray[Any]) -> float:
        return float((wanted - design @ np.linalg.lstsq(design, wanted, rcond=1e-9)[0]).std())

    return left(columns) / left(shading)


def laid_on(image: NDArray[Any], truth: NDArray[Any]) -> NDArray[Any]:
    """Return the part of the truth that the image shows, moved by the shift between them."""
    margin = [(outer - inner) / 2 for outer, inner in zip(truth.shape, image.shape, strict=True)]
    window = np.outer(*(np.hanning(size) for size in image.shape))
    flags, moved = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, np.zeros(2)
    for sigma in (1.5, 1.5, 1.5, 0.0):
        matrix = np.array([[1, 0, margin[1] - moved[1]], [0, 1, margin[0] - moved[0]]])
        shown = cv2.GaussianBlur(truth, (0, 0), sigma) if sigma else truth
        placed = cv2.warpAffine(shown, matrix, image.shape[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT)
        if sigma:
            shift = measure_shift(image, np.asarray(placed, np.float32), window)
            moved += shift.dy_px, shift.dx_px
    return np.asarray(placed)


def inside(mask: NDArray[np.bool_], kind: str) -> NDArray[np.bool_]:
    """Return where detail is judged: away from the limb and from the frame's border."""
    size = 17
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    where = cv2.erode(mask.astype(np.uint8), kernel) > 0 if kind == "disc" else mask.copy()
    frame = np.zeros_like(where)
    frame[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = True
    return where & frame


def errors(capture: Capture, ranking: Ranking, trial: Trial, workers: int) -> dict[str, Errors]:
    """Return the unexplained detail by keep percentage, and of auto, for both ways to align."""
    found: dict[str, Errors] = {way: {} for way in WAYS}
    together = align(capture, ranking, keep=100.0, workers=workers)
    for keep in ("auto", *SWEEP):
        own = align(capture, ranking, keep=keep, workers=workers)
        for way, used in zip(WAYS, (own, only(together, ranking, keep)), strict=True):
            found[way][keep] = unexplained(stack(capture, ranking, used, workers), trial.truth)
    return found


def only(fields: Alignment, ranking: Ranking, keep: float | str) -> Alignment:
    """Return the fields of the frames that `keep` chooses."""
    chosen, half = choose_frames(ranking, keep)
    place = np.searchsorted(fields.frames, chosen)
    each = {name: getattr(fields, name)[place] for name in ("coarse_px", "coefficients", "gain", "weight", "scale")}
    return replace(fields, frames=chosen, half=half, **each)


def print_choice(trials: list[Trial], workers: int) -> None:
    """Print the excess over the best of the sweep for both ways to align, and what the keep curve says."""
    print(f"{'excess over the best of the sweep, percent':<50}" + "".join(f"{keep:>7g}" for keep in SWEEP) + "   auto")
    tables: dict[str, list[list[float]]] = {way: [] for way in WAYS}
    agreed = 0
    for trial in trials:
        study = keep_curve(trial.path, workers=workers)
        low, high = study.curve.good_range_percent or (np.nan, np.nan)
        agreed += bool(study.auto_is_as_good)
        told = f"   keep: {study.curve.best_percent or np.nan:g} ({low:g} to {high:g}), auto {study.auto_percent:.0f}"
        with open_capture(trial.path) as capture:
            found = errors(capture, centred(rank(capture, RankingSettings(), workers)), trial, workers)
        for way, one in found.items():
            best = min(one[keep] for keep in SWEEP)
            excess = [100 * (one[keep] / best - 1) for keep in (*SWEEP, "auto")]
            print(f"{trial.name + ', ' + way:<50}" + "".join(f"{value:7.1f}" for value in excess) + told, flush=True)
            tables[way].append(excess)
    for way, table in tables.items():
        for name, summary in (("median", np.median), ("mean", np.mean), ("worst", np.max)):
            shown = summary(np.array(table), axis=0)
            print(f"{name + ', ' + way:<50}" + "".join(f"{value:7.1f}" for value in shown))
        mean = dict(zip((*SWEEP, "auto"), np.mean(table, 0), strict=True))
        fixed = ", ".join(f"{mean[keep]:.2f} of a fixed {keep:g} %" for keep in FIXED)
        print(f"{way}: mean excess {mean['auto']:.2f} percent of auto, {fixed}")
    print(f"keep's good range holds auto in {agreed} of {len(trials)}")


def print_weights(trials: list[Trial], workers: int) -> None:
    """Print the unexplained detail with powers of gain times squared sharpness as weights, over that of the default."""
    print(f"{'unexplained detail over the default':<42}" + "".join(f"{power:>9g}" for power in POWERS))
    table = []
    for trial in trials:
        with open_capture(trial.path) as capture:
            ranking = centred(rank(capture, RankingSettings(), workers))
            fields = align(capture, ranking, workers=workers)
            found = []
            for power in (alignment_stage.SOFTNESS, *POWERS):
                weight = fields.weight ** (power / alignment_stage.SOFTNESS)
                made = stack(capture, ranking, replace(fields, weight=weight / weight.sum()), workers)
                found.append(unexplained(made, trial.truth))
        table.append(np.array(found[1:]) / found[0])
        print(f"{trial.name:<42}" + "".join(f"{value:9.3f}" for value in table[-1]), flush=True)
    print(f"{'mean':<42}" + "".join(f"{value:9.3f}" for value in np.mean(table, 0)))


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", type=int, default=20)
    parser.add_argument("--seed", type=int, default=FIRST_SEED, help="another seed, other captures")
    parser.add_argument("--weights", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        made = scenarios(options.captures, options.seed)
        trials = [record(Path(folder), options.seed + number, *described) for number, described in enumerate(made)]
        (print_weights if options.weights else print_choice)(trials, options.workers)


if __name__ == "__main__":
    main()
