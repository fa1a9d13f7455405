#!/usr/bin/env python
"""How far captures of one truth repeat, and what a telescope can show in a given air: behind `stacker.logbook`.

    .venv/bin/python scripts/experiment_fair_comparison.py [--seeds N] [--rows FILE]

One invented planet through air of D/r0 from 2 to 9, several draws of the air each. For every row: the resolution over
lambda/D, its scatter between captures and the claimed error; what must be added to the error so that it tells the
scatter, as a part of the distance from the diffraction limit (`figures.OF_THE_AIR_ONLY`); and the transfer left at the
resolution reached (`fairness.kept_at`), which must be the same in calm and in rough air for the yardstick to be fair,
beside the same for a core that falls as the square of D/r0. Then how often two captures of one truth are said to
differ, and two of another truth. Some 5 s a capture.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from itertools import combinations
from pathlib import Path

import numpy as np

from stacker.logbook import LoggedRun, compare_runs
from stacker.logbook.comparison_record import CANNOT_TELL, NO_DIFFERENCE
from stacker.logbook.fairness import R0_NM, kept_at
from stacker.logbook.figures import OF_THE_AIR_ONLY
from stacker.logbook.run_reading import measured_in
from stacker.pipeline import process
from stacker.simulation import Air, Detector, Optics, Scenario, Tracking, write_simulation

RATIOS = (2.0, 3.0, 4.0, 5.5, 7.0, 9.0)
FRAMES = 150
SILENT = (NO_DIFFERENCE, CANNOT_TELL)
APERTURE_MM, OBSTRUCTION, SAMPLING_PX = 200.0, 0.3, 3.0
KEYS = ("resolution_over_diffraction", "fried_ratio", "snr", "information_bits", "image_motion_px_rms")


def measure(ratio: float, seed: int, folder: Path) -> dict[str, float]:
    """Return the measurements of one simulated capture."""
    scenario = Scenario(
        frames=FRAMES,
        height_px=144,
        width_px=144,
        optics=Optics(
            aperture_mm=APERTURE_MM,
            obstruction_mm=OBSTRUCTION * APERTURE_MM,
            focal_length_mm=SAMPLING_PX * APERTURE_MM * 5.0,
        ),
        air=Air(d_over_r0=ratio, psf_grid=3),
        detector=Detector(bits=12, wavelength_nm=600.0, peak_electrons=1500.0),
        tracking=Tracking(drift_y_px=4.0, drift_x_px=-6.0, jitter_px=0.5),
    )
    path, *_ = write_simulation(folder / "capture.fits", scenario, seed, "fits")
    metrics = process(path, folder / "runs", workers=1).metrics
    named = [name for key in KEYS for name in (key, f"{key}_error")]
    return {"d_over_r0": ratio, "seed": seed, **{key: metrics.get(key) or np.nan for key in named}}


def tell(rows: list[dict[str, float]]) -> None:
    """Print the table and the verdict."""
    print(
        "D/r0  captures  x limit  scatter  claimed  to add  chi2/n  transfer left  (square law)  snr    motion"
        "  measured D/r0  scatter  claimed"
    )
    added, left, weights = [], [], []
    for ratio in sorted({row["d_over_r0"] for row in rows}):
        mine = [row for row in rows if row["d_over_r0"] == ratio]
        over, error = (np.array([row[f"resolution_over_diffraction{end}"] for row in mine]) for end in ("", "_error"))
        scatter, claimed = float(np.std(np.log(over), ddof=1)), float(np.sqrt(np.mean((error / over) ** 2)))
        distance = float(over.mean()) - 1.0
        more = np.sqrt(max(scatter**2 - claimed**2, 0.0)) / distance
        whole = np.hypot(error / over, OF_THE_AIR_ONLY * distance)
        misfit = float((((np.log(over) - np.log(over).mean()) / whole) ** 2).sum() / (len(over) - 1))
        ones = np.ones(len(over))
        kept = float(np.exp(np.mean(np.log(kept_at(1 / over, ratio * ones, OBSTRUCTION)))))
        square = kept * min(0.95, 3.0 / ratio**2) / min(0.95, 2.5 / ratio**1.75)
        snr, motion = (_relative_scatter(mine, key) for key in ("snr", "image_motion_px_rms"))
        air, air_error = (np.array([row.get(f"fried_ratio{end}") or np.nan for row in mine]) for end in ("", "_error"))
        known = np.isfinite(air) & np.isfinite(air_error)
        spread = np.std(np.log(air[known]), ddof=1) if known.sum() > 1 else np.nan
        air_claimed = np.sqrt(np.mean((air_error[known] / air[known]) ** 2)) if known.any() else np.nan
        middle = np.exp(np.mean(np.log(air[known]))) if known.any() else np.nan
        print(
            f"{ratio:4.1f}  {len(mine):8d}  {over.mean():7.3f}  {scatter:7.3f}  {claimed:7.3f}  {more:6.3f}"
            f"  {misfit:6.2f}  {kept:13.4f}  {square:12.4f}  {snr:5.3f}  {motion:5.3f}"
            f"  {middle:7.2f} ({known.sum():2d})  {spread:7.3f}  {air_claimed:7.3f}"
        )
        added.append(more)
        left.append(kept)
        weights.append(len(mine) - 1)
    print(f"to add, all rows: {np.average(added, weights=weights):.3f} of the distance; in use: {OF_THE_AIR_ONLY}")
    print(f"transfer left: {min(left):.4f} to {max(left):.4f}, largest over smallest {max(left) / min(left):.2f}")


def tell_differences(rows: list[dict[str, float]]) -> None:
    """Print how often two captures of one air are said to differ, and two of other air, by `compare_runs`."""
    for words, fits in (("the same D/r0", lambda a, b: a == b), ("D/r0 of at least twice", lambda a, b: b >= 2 * a)):
        pairs = [(a, b) for a, b in combinations(rows, 2) if fits(*sorted((a["d_over_r0"], b["d_over_r0"])))]
        told = [compare_runs([_as_run(a, 0), _as_run(b, 1)]) for a, b in pairs]
        found = [any(d.verdict not in SILENT for row in one.rows for d in row.differences) for one in told]
        print(
            f"{words}: {sum(found)} of {len(pairs)} pairs differ ({100 * np.mean(found):.1f} %; claimed without one: 5)"
        )


def _as_run(row: dict[str, float], number: int) -> LoggedRun:
    """Return a measured capture as a run of the logbook."""
    r0 = APERTURE_MM / (row.get("fried_ratio") or np.nan) / (600.0 / R0_NM) ** 1.2
    part = (row.get("fried_ratio_error") or np.nan) / (row.get("fried_ratio") or np.nan)
    metrics = {**row, "r0_mm": r0, "r0_mm_error": r0 * part, "schema_version": 1}
    circumstances = {
        "capture": {"target": "banded", "wavelength_nm": 600.0},
        "telescope": {"aperture_mm": APERTURE_MM, "obstruction_mm": OBSTRUCTION * APERTURE_MM},
    }
    folder = Path(f"{row['d_over_r0']}-{row['seed']}-{number}")
    known = {key: value for key, value in metrics.items() if value is not None and np.isfinite(value)}
    return LoggedRun(
        str(folder), folder, "", "", None, None, "disc", None, None, None, circumstances, {}, measured_in(known), known
    )


def _relative_scatter(rows: list[dict[str, float]], key: str) -> float:
    values = np.array([row[key] for row in rows])
    return float(np.std(values, ddof=1) / np.mean(values))


def main() -> None:
    """Measure, or read what was measured, and tell."""
    parser = argparse.ArgumentParser(description="How far captures repeat, and what air leaves.")
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--rows", type=Path, help="keep the measurements here, a JSON object a line; go on from there")
    arguments = parser.parse_args()
    rows: list[dict[str, float]] = []
    if arguments.rows and arguments.rows.exists():
        rows = [json.loads(line) for line in arguments.rows.read_text().splitlines()]
    have = {(row["d_over_r0"], row["seed"]) for row in rows}
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(1, arguments.seeds + 1):
            for ratio in RATIOS:
                if (ratio, seed) not in have:
                    rows.append(measure(ratio, seed, Path(folder)))
                    if arguments.rows:
                        with arguments.rows.open("a") as file:
                            file.write(json.dumps(rows[-1]) + "\n")
    tell(rows)
    tell_differences(rows)


if __name__ == "__main__":
    main()
