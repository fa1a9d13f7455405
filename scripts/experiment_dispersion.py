"""How well red and blue are laid onto green: by the picture alone, and weighed against what is known of the air.

    python scripts/experiment_dispersion.py [--seeds 4] [--first 11] [--frames 80] [--processes 2]

Simulated mosaic captures of four scenes, at 20 and 50 degrees from the zenith, are stacked; light, seeing, sampling and
the direction of the zenith are drawn. The truth is the shift that the simulation gave each colour, whose bands are up
to 10 nm from those that the air's ratio is reckoned with. Prints the errors of every capture and the verdict: plain
coherence-weighted phase correlation, the picture, and the picture with the fixed ratio, with the height, and with the
vertical known to 3 degrees.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from functools import partial
from math import cos, radians, sin
from multiprocessing import Pool
from pathlib import Path

import cv2
import numpy as np

from stacker.alignment import align
from stacker.alignment.correlation import Shift, measure_shift
from stacker.capture import open_capture
from stacker.colour import colour_shifts
from stacker.colour.air_spread import Expected, as_air_spreads
from stacker.colour.registering import FINEST_CYC_PER_PX, windowed
from stacker.measuring.dispersion import Vertical, expected_spread_px
from stacker.ranking import rank
from stacker.ranking.selection import centred
from stacker.settings import AlignmentSettings, RankingSettings
from stacker.simulation import (
    Air,
    BandedPlanet,
    CrateredSurface,
    Detector,
    Optics,
    Scenario,
    TexturedDisc,
    Tracking,
    write_simulation,
)
from stacker.stacking import Stack, stack

SCENES = {
    "banded": BandedPlanet(),
    "ringed": BandedPlanet(diameter_of_frame=0.85, latitude_deg=20.0, ring=True),
    "cratered": CrateredSurface(),
    "texture": TexturedDisc(),
}
WAYS = ("plain", "picture", "ratio", "height", "vertical")
NORTH_ERROR = radians(3)


def scenario(rng: np.random.Generator, scene: str, zenith_distance_deg: float, frames: int) -> Scenario:
    """Draw a capture."""
    wavelength_nm = 535.0
    response = (float(rng.uniform(0.5, 0.95)), 1.0, float(rng.uniform(0.4, 0.85)))
    return Scenario(
        scene=SCENES[scene],
        frames=frames,
        height_px=160,
        width_px=160,
        detector=Detector(
            mosaic="RGGB",
            bits=12,
            wavelength_nm=wavelength_nm,
            peak_electrons=float(rng.uniform(800, 6000)),
            colour_response=response,
        ),
        optics=Optics(focal_length_mm=float(rng.uniform(2.5, 4)) * 250 * 3 / (wavelength_nm * 1e-3)),
        air=Air(
            psf_grid=3,
            d_over_r0=float(rng.uniform(2.5, 6)),
            zenith_distance_deg=zenith_distance_deg,
            zenith_angle_deg=float(rng.uniform(-180, 180)),
        ),
        tracking=Tracking(drift_x_px=8, jitter_px=0.7),
    )


def plain_shifts(linear: Stack) -> tuple[Shift, Shift]:
    """Return the shifts of red and blue by coherence-weighted phase correlation alone."""
    finest = FINEST_CYC_PER_PX
    planes = [
        windowed(np.ascontiguousarray(linear.image[..., k]), linear.mask, linear.kind, finest)[0] for k in range(3)
    ]
    return measure_shift(planes[0], planes[1]), measure_shift(planes[2], planes[1])


def trial(job: tuple[str, float, int], frames: int) -> tuple[str, dict[str, np.ndarray]]:
    """Return a capture's name and the errors of each way: red down, right, blue down, right."""
    scene, zenith_distance_deg, seed = job
    drawn = scenario(np.random.default_rng(1000 * seed + int(zenith_distance_deg)), scene, zenith_distance_deg, frames)
    with tempfile.TemporaryDirectory() as folder:
        path, _, beside = write_simulation(Path(folder) / "trial.fits", drawn, seed, "fits")
        with np.load(beside) as stored:
            true = np.array(stored["channel_shift_px"])
        with open_capture(path) as capture:
            ranking = centred(rank(capture, RankingSettings()))
            linear = stack(capture, ranking, align(capture, ranking, AlignmentSettings(effort="quick"), 100.0))
    size, error = expected_spread_px(Vertical(zenith_distance_deg), drawn.scale_arcsec_per_px)
    angle = radians(drawn.air.zenith_angle_deg)
    seen = colour_shifts(linear)
    pairs = (
        plain_shifts(linear),
        seen,
        as_air_spreads(*seen)[:2],
        as_air_spreads(*seen, Expected(size, error))[:2],
        as_air_spreads(*seen, Expected(size, error, (sin(angle), cos(angle)), NORTH_ERROR))[:2],
    )
    wanted = (true[[0, 2]] - true[1]).ravel()
    errors = [np.array([[s.dy_px, s.dx_px] for s in pair]).ravel() - wanted for pair in pairs]
    return f"{scene} {zenith_distance_deg:g} deg, seed {seed}", dict(zip(WAYS, errors, strict=True))


def jobs(seeds: range) -> Iterator[tuple[str, float, int]]:
    """Yield scene, zenith distance and seed of each capture."""
    for seed in seeds:
        for zenith_distance_deg in (20.0, 50.0):
            for scene in SCENES:
                yield scene, zenith_distance_deg, seed


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first", type=int, default=11)
    parser.add_argument("--frames", type=int, default=80)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    cv2.setNumThreads(1)
    found: dict[str, list[np.ndarray]] = {way: [] for way in WAYS}
    print("capture                    largest error, px: " + " ".join(f"{way:>8s}" for way in WAYS))
    with Pool(given.processes) as pool:
        every = jobs(range(given.first, given.first + given.seeds))
        for name, errors in pool.imap(partial(trial, frames=given.frames), every):
            print(f"{name:46s} " + " ".join(f"{np.abs(errors[way]).max():8.3f}" for way in WAYS), flush=True)
            for way in WAYS:
                found[way].append(errors[way])
    for way, errors_of_way in found.items():
        every_error = np.abs(np.concatenate(errors_of_way))
        rms, beyond = float(np.sqrt(np.mean(every_error**2))), 100 * float(np.mean(every_error > 0.05))
        print(f"{way:8s} {rms:.3f} px rms an axis, worst {every_error.max():.3f}, {beyond:.0f} % beyond 0.05 px")


if __name__ == "__main__":
    main()
