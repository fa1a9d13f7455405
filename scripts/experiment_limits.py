"""Does the verdict name what is wrong? Simulated captures with one thing wrong each, and with nothing; several seeds.

    python scripts/experiment_limits.py [--seeds 1 12 13] [--cases short underexposed ...]

The references of the verdict (500 frames, signal to noise 40) were chosen looking at seeds 1 to 3 and 11; others are
unseen. All captures show a banded planet of 90 px through an obstructed 200 mm telescope in calm air (D/r0 1.5), with
3 px per lambda/D, 200 frames of up to 3000 electrons in 12 bits, unless the case says otherwise.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2

from stacker.pipeline import process
from stacker.simulation import Air, BandedPlanet, Detector, Optics, Scenario, Tracking, write_simulation

BASE = Scenario(
    frames=200,
    height_px=128,
    width_px=128,
    air=Air(d_over_r0=1.5, psf_grid=3),
    detector=Detector(bits=12, peak_electrons=3000.0),
    optics=Optics(aperture_mm=200.0, obstruction_mm=50.0, focal_length_mm=3000.0),
)
SWING = Tracking(drift_x_px=30.0, periodic_error_px=80.0, periodic_error_s=8.0)
DARK = Detector(bits=12, peak_electrons=25.0, peak_level=0.7 * 25.0 / 3000.0 * 4.0)
CASES: dict[str, tuple[str, str, Scenario]] = {
    "undersampled": (
        "sampling",
        "1 px per lambda/D",
        replace(BASE, optics=replace(BASE.optics, focal_length_mm=1000.0), oversampling=2),
    ),
    "underexposed": ("light", "25 electrons, 2 % of full scale", replace(BASE, detector=DARK)),
    "clipped": ("clipping", "1.7 times full scale", replace(BASE, detector=replace(BASE.detector, peak_level=1.7))),
    "short": ("frames", "30 frames", replace(BASE, frames=30)),
    "drifting": (
        "tracking",
        "swings by 80 px in 8 s, 0.09 s exposures",
        replace(BASE, width_px=256, frames_per_s=10.0, exposure_s=0.09, tracking=SWING),
    ),
    "rotating": (
        "rotation",
        "40 degrees in 66 minutes",
        replace(BASE, scene=BandedPlanet(rotation_deg=40.3), frames_per_s=0.05, target="Jupiter"),
    ),
    "air": ("air", "D/r0 5", replace(BASE, air=replace(BASE.air, d_over_r0=5.0))),
    "focus": ("optics", "0.5 waves of defocus", replace(BASE, optics=replace(BASE.optics, defocus_waves=0.5))),
    "none": ("", "nothing", BASE),
}


def measured(scenario: Scenario, seed: int) -> dict[str, Any]:
    """Return the metrics of one simulated capture and the seconds it took to process."""
    with tempfile.TemporaryDirectory() as folder:
        path, _, _ = write_simulation(Path(folder) / "capture.mkv", scenario, seed, "ffv1")
        began = time.perf_counter()
        metrics = process(path, Path(folder) / "runs", workers=1).metrics
        return metrics | {"seconds": time.perf_counter() - began}


def told(limits: list[dict[str, Any]]) -> str:
    """Return the three worst limits in short."""
    return ", ".join(f"{x['name']} {x['share']:.2f} +- {x['share_error']:.2f}" for x in limits[:3] if x["share"])


def main() -> None:
    """Print a row a capture and the verdict."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 12, 13])
    parser.add_argument("--cases", nargs="+", choices=CASES, default=list(CASES))
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    right = of = 0
    for name in arguments.cases:
        wanted, what, scenario = CASES[name]
        for seed in arguments.seeds:
            metrics = measured(scenario, seed)
            limits = metrics["limits"]
            good = limits[0]["name"] == wanted
            right, of = right + (good and bool(wanted)), of + bool(wanted)
            mark = " " if not wanted else "+" if good else "-"
            missing = metrics["missing_information"]
            print(f"{mark} {name:12} seed {seed:3}  missing {missing:.2f}  {told(limits)}   [{what}]", flush=True)
        print(f"    {limits[0]['sentence']}")
    print(f"{right} of {of} captures have the right name first")


if __name__ == "__main__":
    main()
