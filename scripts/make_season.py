#!/usr/bin/env python3
"""Make a season: four nights of an invented club, three telescopes, three targets, some forty small captures.

    python scripts/make_season.py FOLDER

The same script and versions give the same frames. Two of the telescopes are alike in all but their name, so that a
comparison must find no difference between them, and the large one must win against both. Three captures are bad: one is
cut short, one is empty, one shows another target than its sidecar says. `season_truth.json` in FOLDER tells all that.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import zlib
from dataclasses import dataclass, replace
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from stacker.capture import Site  # noqa: E402
from stacker.simulation import (  # noqa: E402
    Air,
    BandedPlanet,
    CrateredSurface,
    Detector,
    Optics,
    Scenario,
    Scene,
    Tracking,
    write_simulation,
)

SITE = Site("Fallow Ridge", 51.42, 4.87, 112.0)
TELESCOPES = (
    Optics("Marsh Harrier", aperture_mm=260.0, obstruction_mm=78.0, focal_length_mm=3900.0),
    Optics("Little Tern", aperture_mm=130.0, obstruction_mm=0.0, focal_length_mm=1950.0),
    Optics("Common Tern", aperture_mm=130.0, obstruction_mm=0.0, focal_length_mm=1950.0),
)
"""The terns are twins."""
NIGHTS = {"2031-03-02": 70.0, "2031-03-09": 52.0, "2031-03-17": 82.0, "2031-04-05": 60.0}
"""Evening and Fried parameter in millimetres at the reference wavelength."""
WAVELENGTH_NM = 600.0
PIXEL_UM = 2.4


@dataclass(frozen=True)
class Target:
    """One target of the season."""

    name: str
    hour: int
    """UTC of its first capture, of three telescopes in turn."""
    width_arcsec: float
    """Of the disc; the surface fills the frame."""
    kind: str
    """File family of its captures."""
    ending: str
    scene: Scene


TARGETS = (
    Target("Ambrel", 19, 11.0, "avi", ".avi", BandedPlanet(latitude_deg=-4.0, position_angle_deg=12.0)),
    Target(
        "Velorne", 20, 8.0, "fits", ".fits", BandedPlanet(latitude_deg=9.0, position_angle_deg=-31.0, flattening=0.02)
    ),
    Target("Ondrel", 21, 0.0, "avi", ".avi", CrateredSurface(field_km=120.0, sun_elevation_deg=8.0)),
)

RECORDED = TARGETS
"""Those that every telescope records every night."""


def scenario(target: Target, telescope: Optics, evening: str, r0_mm: float, minute: int) -> Scenario:
    """Return one capture of the season."""
    size = 144 if telescope.aperture_mm > 200 else 112
    base = Scenario(
        target=target.name,
        frames=80 if telescope.aperture_mm > 200 else 70,
        height_px=size,
        width_px=size,
        frames_per_s=50.0,
        start_utc=f"{evening}T{target.hour}:{minute:02d}:00Z",
        optics=telescope,
        air=Air(d_over_r0=telescope.aperture_mm / r0_mm, psf_grid=3, tilt_grid=9),
        detector=Detector("Teal", PIXEL_UM, bits=8, wavelength_nm=WAVELENGTH_NM, peak_electrons=5000.0),
        tracking=Tracking(drift_y_px=2.0, drift_x_px=-3.0, jitter_px=0.2),
        site=SITE,
        fast=True,
        fast_bank=10,
    )
    if not target.width_arcsec:
        return replace(base, scene=target.scene)
    share = target.width_arcsec / base.scale_arcsec_per_px / size
    return replace(base, scene=replace(target.scene, diameter_of_frame=share))  # type: ignore[type-var]


def main(folder: Path) -> int:
    """Write the season; return the exit status."""
    truths = []
    for evening, r0_mm in NIGHTS.items():
        for target in RECORDED:
            for minute, telescope in zip((5, 25, 45), TELESCOPES, strict=True):
                truths.append(_record(folder, target, telescope, evening, r0_mm, minute))
    truths += _bad_ones(folder)
    told = {
        "captures": truths,
        "alike": ["Little Tern", "Common Tern"],
        "order": ["Marsh Harrier", "Little Tern = Common Tern"],
        "r0_mm": NIGHTS,
    }
    (folder / "season_truth.json").write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8", newline="\n")
    print(f"{folder}: {len(truths)} captures of {len(NIGHTS)} nights")
    return 0


def _record(
    folder: Path, target: Target, telescope: Optics, evening: str, r0_mm: float, minute: int, suffix: str = ""
) -> dict[str, object]:
    home = folder / evening / telescope.name.lower().replace(" ", "_")
    home.mkdir(parents=True, exist_ok=True)
    path = home / f"{target.name.lower()}{suffix}{target.ending}"
    seed = zlib.crc32(str(path.relative_to(folder)).encode())
    _, _, truth = write_simulation(path, scenario(target, telescope, evening, r0_mm, minute), seed, target.kind)
    truth.unlink()
    return {
        "capture": path.relative_to(folder).as_posix(),
        "target": target.name,
        "telescope": telescope.name,
        "night": evening,
        "r0_mm": r0_mm,
        "limit_arcsec": round(WAVELENGTH_NM * 1e-6 / telescope.aperture_mm * 206264.806, 4),
        "bad": "",
    }


def _bad_ones(folder: Path) -> list[dict[str, object]]:
    """Write one capture that is cut short, one that is empty, and one that shows a surface and calls it a planet."""
    evening = "2031-03-17"
    r0_mm = NIGHTS[evening]
    planet, _, surface = TARGETS
    cut = _record(folder, planet, TELESCOPES[0], evening, r0_mm, 12, "_second")
    path = folder / str(cut["capture"])
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * 0.6)])
    empty = _record(folder, planet, TELESCOPES[1], evening, r0_mm, 32, "_second")
    (folder / str(empty["capture"])).write_bytes(b"")
    wrong = _record(folder, replace(surface, name=planet.name), TELESCOPES[2], evening, r0_mm, 52, "_second")
    kinds = ("cut short", "empty", "wrong target")
    return [entry | {"bad": kind} for entry, kind in zip((cut, empty, wrong), kinds, strict=True)]


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    sys.exit(main(parser.parse_args().folder))
