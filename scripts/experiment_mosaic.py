"""Find the colour mosaic of simulated captures blind: how often it is right, and what told red from blue.

    python scripts/experiment_mosaic.py [CAPTURES]

Prints a row a capture and the verdict: 50 captures with a mosaic, of all patterns, targets, airs and filters, then 25
of mono cameras. Gray targets behind filters of equal sensitivity at the zenith are left out: they look as mono does.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import Any

import numpy as np

from stacker.calibration.lattices import LatticeGrid
from stacker.calibration.mosaic_finding import compare_lattices, other_diagonal, pattern
from stacker.calibration.red_or_blue import red_or_blue
from stacker.capture.circumstances import MOSAICS
from stacker.simulation import (
    Air,
    BandedPlanet,
    CrateredSurface,
    Detector,
    FeaturelessDisc,
    Optics,
    Scenario,
    TexturedDisc,
    Tracking,
    simulate,
)

SCENES: dict[str, Any] = {
    "banded": BandedPlanet(),
    "ringed": BandedPlanet(diameter_of_frame=0.85, latitude_deg=20.0, ring=True),
    "cratered": CrateredSurface(),
    "texture": TexturedDisc(),
    "featureless": FeaturelessDisc(),
}
FRAMES = 96


def scenario(rng: np.random.Generator, scene: str, mosaic: str | None) -> Scenario:
    """Draw a capture: filters, light, air, height, drift."""
    wavelength_nm = 535.0 if mosaic else 600.0
    response = (float(rng.uniform(0.5, 0.95)), 1.0, float(rng.uniform(0.4, 0.85)))
    return Scenario(
        scene=SCENES[scene],
        frames=FRAMES,
        height_px=128,
        width_px=128,
        detector=Detector(
            bits=int(rng.choice([8, 12])),
            mosaic=mosaic,
            wavelength_nm=wavelength_nm,
            peak_electrons=float(rng.uniform(800, 6000)),
            colour_response=response,
            vignetting=float(rng.uniform(0, 0.3)),
            dust_specks=3,
        ),
        optics=Optics(focal_length_mm=float(rng.uniform(2.4, 4)) * 250 * 3 / (wavelength_nm * 1e-3)),
        air=Air(
            d_over_r0=float(rng.uniform(3, 7)),
            zenith_distance_deg=float(rng.uniform(0, 55)),
            zenith_angle_deg=float(rng.uniform(-180, 180)),
            psf_grid=2,
        ),
        tracking=Tracking(drift_x_px=float(rng.uniform(-8, 8)), jitter_px=0.5),
    )


def trials(captures: int) -> Iterator[tuple[str, str | None, int]]:
    """Yield scene, mosaic and seed of each capture."""
    scenes = list(SCENES)
    for number in range(captures):
        yield scenes[number % 5], MOSAICS[(number // 5 + number) % 4], 100 + number
    for number in range(captures // 2):
        yield scenes[number % 5], None, 500 + number


def main(captures: int) -> None:
    """Print the table."""
    right = sure = mono = 0
    print("scene        true  found  across/quiet  log odds: brightness dispersion air     total")
    for scene, mosaic, seed in trials(captures):
        capture = simulate(scenario(np.random.default_rng(seed), scene, mosaic), seed)
        grid = LatticeGrid.over(128, 128)
        few = np.array([grid.spectra(capture.frame(index)) for index in range(0, FRAMES, FRAMES // 8)])
        lattices = compare_lattices(few, grid)
        found, words = "mono", ""
        if lattices.green is not None:
            spectra = np.array([grid.spectra(frame) for frame in capture])
            verdict = red_or_blue(spectra, lattices.green, other_diagonal(lattices.green), grid)
            found = pattern(lattices.green, verdict)
            words = " ".join(f"{value:+9.2f}" for value in (*verdict.parts.values(), verdict.log_odds))
            sure += verdict.certain and found == mosaic
        good = found == (mosaic or "mono")
        right += good and mosaic is not None
        mono += good and mosaic is None
        row = f"{scene:12} {mosaic or 'mono':5} {found:5}  contrast {lattices.contrast:6.3f} {words}"
        print(row if good else f"{row} WRONG", flush=True)
    print(f"mosaics right: {right} of {captures} (and certain: {sure}); mono right: {mono} of {captures // 2}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("captures", nargs="?", type=int, default=50, metavar="CAPTURES")
    main(parser.parse_args().captures)
