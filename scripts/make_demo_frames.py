"""Make demo_frames/: three short captures of an invented night, as the README shows them.

    python scripts/make_demo_frames.py [FOLDER]

The same script and versions give the same frames. The truths are not kept: the folder is to look like a night's own.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from stacker.simulation import (  # noqa: E402
    Air,
    BandedPlanet,
    CrateredSurface,
    Detector,
    Layer,
    Mishaps,
    Optics,
    Scenario,
    Tracking,
    write_simulation,
)

SEA_AIR = (Layer(0.0, 0.5, 4.0, 15.0), Layer(1500.0, 0.3, 8.0, 130.0), Layer(7000.0, 0.2, 16.0, -80.0))

NIGHT = """# Holds for every capture of this folder; a capture's own .toml adds to it and beats it.
[site]
name = "Old Beacon, Isle of Merrowick"
latitude_deg = 57.31
longitude_deg = -11.42
elevation_m = 64.0
"""


def planet() -> Scenario:
    """Ambrel through the 250 mm reflector: mono, 12 bits, a jump of the mount and a passing cloud."""
    return Scenario(
        scene=BandedPlanet(diameter_of_frame=0.76, latitude_deg=-4.0, position_angle_deg=12.0, longitude_deg=195.0),
        target="Ambrel",
        frames=120,
        height_px=144,
        width_px=144,
        frames_per_s=60.0,
        exposure_s=0.006,
        start_utc="2031-04-05T21:30:00Z",
        optics=Optics("Heron", aperture_mm=250.0, obstruction_mm=80.0, focal_length_mm=4200.0),
        air=Air(d_over_r0=4.5, seeing_sigma=0.25, layers=SEA_AIR),
        detector=Detector("Limpet M", bits=12, high_aligned=True, wavelength_nm=510.0, peak_electrons=3000.0),
        tracking=Tracking(drift_y_px=3.0, drift_x_px=-6.0, jumps=1, jump_px=4.0, jitter_px=0.2),
        mishaps=Mishaps(duplicates=1, torn=1, cloud=0.2),
    )


def surface() -> Scenario:
    """The terminator of Ondrel through the 150 mm refractor: mono, 8 bits, filling the frame."""
    return Scenario(
        scene=CrateredSurface(field_km=150.0, sun_elevation_deg=7.5, sun_angle_deg=24.0, plains_share=0.35, rilles=2),
        target="Ondrel",
        frames=110,
        height_px=152,
        width_px=160,
        frames_per_s=50.0,
        exposure_s=0.008,
        start_utc="2031-04-05T22:05:00Z",
        optics=Optics("Plover", aperture_mm=150.0, obstruction_mm=0.0, focal_length_mm=2100.0),
        air=Air(d_over_r0=4.2, seeing_sigma=0.25, layers=SEA_AIR),
        detector=Detector("Limpet M", bits=8, peak_electrons=4000.0, peak_level=0.75),
        tracking=Tracking(drift_y_px=5.0, drift_x_px=4.0, jitter_px=0.2),
        mishaps=Mishaps(torn=1, blank=1),
    )


def ringed() -> Scenario:
    """Tessaly, 24 degrees from the zenith, through the 350 mm reflector: colour mosaic and dispersion."""
    return Scenario(
        scene=BandedPlanet(
            diameter_of_frame=1.38,
            flattening=0.1,
            latitude_deg=21.0,
            position_angle_deg=-9.0,
            longitude_deg=60.0,
            ring=True,
        ),
        target="Tessaly",
        frames=110,
        height_px=120,
        width_px=192,
        frames_per_s=40.0,
        exposure_s=0.012,
        start_utc="2031-04-05T23:10:00Z",
        optics=Optics("Curlew", aperture_mm=350.0, obstruction_mm=112.0, focal_length_mm=5600.0),
        air=Air(d_over_r0=5.0, seeing_sigma=0.25, layers=SEA_AIR, zenith_distance_deg=24.0, zenith_angle_deg=-70.0),
        detector=Detector("Limpet C", bits=8, mosaic="RGGB", wavelength_nm=535.0, peak_electrons=3500.0),
        tracking=Tracking(drift_y_px=4.0, drift_x_px=7.0, jumps=1, jump_px=3.0, jitter_px=0.2),
        mishaps=Mishaps(out_of_field=1, duplicates=1),
    )


CAPTURES = (
    ("ambrel.mkv", "ffv1", planet, 7),
    ("ondrel.avi", "avi", surface, 2),
    ("tessaly.fits", "fits", ringed, 2),
)


def main(folder: Path) -> int:
    """Write every capture and what holds for the night; return the exit status."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, kind, scenario, seed in CAPTURES:
        capture, _, truth = write_simulation(folder / name, scenario(), seed, kind)
        truth.unlink()
        print(f"{capture}: {capture.stat().st_size / 1e6:.1f} MB")
    (folder / "night.toml").write_text(NIGHT, encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent.parent / "demo_frames")
    sys.exit(main(parser.parse_args().folder))
