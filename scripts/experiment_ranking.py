#!/usr/bin/env python3
"""Which local-contrast measure ranks frames best? Spearman correlation with the true Strehl ratio, and the verdict.

    .venv/bin/python scripts/experiment_ranking.py [--frames N] [FOLDER...]

Simulates planets, a textured disc and a lunar surface through weak to strong seeing, bright and dim, and ranks every
sound frame by every measure at three binnings, inside the target without its rim. A FOLDER holds one capture and a
`truth.npz` with `strehl` (N,) and, where frames are broken, the flags `out`, `dup`, `corrupt` (N,).
The last row is what the program itself does: `stacker.ranking.rank`.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stacker.capture import Capture, Film, open_capture
from stacker.ranking import Ranking, rank
from stacker.ranking.cells import without_rim
from stacker.ranking.contrast import MEASURES
from stacker.ranking.plane import Binning, reduce_frame
from stacker.settings import RankingSettings
from stacker.simulation import Air, BandedPlanet, CrateredSurface, Detector, Scenario, TexturedDisc, Tracking, simulate

BINNINGS = (1, 2, 4)
OWN = "the first pass"


@dataclass(frozen=True)
class Trial:
    """One capture whose Strehl ratios are known."""

    name: str
    capture: Capture
    strehl: NDArray[np.float64]
    sound: NDArray[np.bool_]


def simulated_trials(frames: int) -> Iterator[Trial]:
    """Yield captures of three kinds of target through three strengths of seeing, and two in little light."""
    scenes = {"planet": BandedPlanet(), "disc": TexturedDisc(), "surface": CrateredSurface()}
    cases = [(name, d_over_r0, 1500.0) for name in scenes for d_over_r0 in (3.0, 5.0, 8.0)]
    cases += [("disc", 5.0, 150.0), ("surface", 5.0, 150.0)]
    for seed, (name, d_over_r0, electrons) in enumerate(cases):
        scenario = Scenario(
            scene=scenes[name],
            frames=frames,
            height_px=224,
            width_px=224,
            air=Air(d_over_r0=d_over_r0),
            detector=Detector(bits=12, peak_electrons=electrons),
            tracking=Tracking(drift_y_px=8, drift_x_px=-6),
        )
        simulated = simulate(scenario, seed + 1)
        film = Film(np.stack(list(simulated)), 12)
        strehl = simulated.strehl_nodes.reshape(frames, -1).mean(axis=1)
        yield Trial(f"{name} {d_over_r0:.0f} {electrons:.0f}e", film, strehl, np.ones(frames, bool))


def stored_trial(folder: Path) -> Trial:
    """Return the trial of a folder with one capture and its truth."""
    truth = np.load(folder / "truth.npz")
    ignored = {"truth.npz", "baselines.json"}
    paths = [path for path in folder.iterdir() if path.name not in ignored and path.suffix != ".toml"]
    broken = [truth[flag] for flag in ("out", "dup", "corrupt") if flag in truth.files]
    sound = ~np.any(broken, axis=0) if broken else np.ones(len(truth["strehl"]), bool)
    return Trial(folder.name, open_capture(paths[0]), truth["strehl"], sound)


def correlations(trial: Trial) -> dict[str, float]:
    """Return Spearman's correlation with the true Strehl ratio of every measure at every binning."""
    ranking = rank(trial.capture, RankingSettings())
    picked = np.flatnonzero(trial.sound & ranking.usable)
    values: dict[str, list[float]] = {}
    for index, frame in trial.capture.read(picked.tolist()):
        for name, value in measure_frame(frame, index, trial.capture, ranking):
            values.setdefault(name, []).append(value)
    table = {name: float(stats.spearmanr(column, trial.strehl[picked])[0]) for name, column in values.items()}
    return {**table, OWN: float(stats.spearmanr(ranking.sharpness[picked], trial.strehl[picked])[0])}


def measure_frame(frame: NDArray[Any], index: int, capture: Capture, ranking: Ranking) -> Iterator[tuple[str, float]]:
    """Yield (measure and binning, value) of one frame."""
    move = np.eye(2, 3)
    move[:, 2] = ranking.coarse_shift_px[index][::-1]
    inner = without_rim(ranking.target).astype(np.uint8)
    mask = cv2.warpAffine(inner, move, frame.shape[1::-1], flags=cv2.INTER_NEAREST)
    for binning in BINNINGS:
        if capture.mosaic and binning == 1:
            continue
        plane = reduce_frame(cv2.medianBlur(frame, 3) if frame.ndim == 2 and not capture.mosaic else frame,
                             Binning(frame.shape[:2], binning, 1))  # fmt: skip
        rows, columns = plane.shape
        where = cv2.resize(mask, (columns, rows), interpolation=cv2.INTER_NEAREST) > 0
        sky = float(np.percentile(plane, 5)) if ranking.target.kind == "disc" else 0.0
        for name, measure in MEASURES.items():
            yield f"{name}, {binning}x{binning}", measure(plane - np.float32(sky), where, ranking.noise_adu / binning)


def main() -> None:
    """Print the table, a column a capture, worst and mean at the end, best mean last."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="*", type=Path, metavar="FOLDER")
    parser.add_argument("--frames", type=int, default=120, help="frames of each simulated capture")
    wanted = parser.parse_args()
    cv2.setNumThreads(1)
    rows: dict[str, dict[str, float]] = {}
    names = []
    for trial in [*simulated_trials(wanted.frames), *map(stored_trial, wanted.folders)]:
        names.append(trial.name)
        for name, value in correlations(trial).items():
            rows.setdefault(name, {})[trial.name] = value
    print(
        f"{'Spearman with the true Strehl ratio':42s}" + "".join(f"{name[-16:]:>17s}" for name in names),
        "  worst  mean",
    )
    order = sorted(rows, key=lambda name: float(np.mean(list(rows[name].values()))))
    for name in order:
        column = [rows[name].get(trial, float("nan")) for trial in names]
        print(
            f"{name:42s}" + "".join(f"{v:17.3f}" for v in column), f"{np.nanmin(column):7.3f}{np.nanmean(column):7.3f}"
        )
    best = next(name for name in reversed(order) if name != OWN)
    print(f"\nBest measure by the mean: {best}; {OWN} uses the difference of Gaussians on 2x2 binned pixels.")


if __name__ == "__main__":
    main()
