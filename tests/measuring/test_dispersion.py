"""The spread of the colours, measured and expected, against published refraction and against each other."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from math import cos, radians, sin

import numpy as np
import pytest

from stacker.alignment.correlation import Shift
from stacker.capture.circumstances import COLOUR_WAVELENGTHS_NM, Camera, Circumstances, Site
from stacker.colour.filters import filter_in_name, filter_named
from stacker.measuring.dispersion import (
    Vertical,
    dispersion_figures,
    expected_spread_px,
    spread_of,
    vertical_of,
)
from stacker.sky.ephemeris import look_at
from stacker.sky.refraction import dispersion_arcsec, in_band_smear_arcsec, smear_over_separation
from stacker.sky.vectors import Site as Place

RED, GREEN, BLUE = COLOUR_WAVELENGTHS_NM


def air(zenith_distance_deg: float, scale: float, up_deg: float, error: float = 0.03) -> tuple[Shift, Shift]:
    """Return the shifts of red and blue that the air makes when the zenith is `up_deg` counter-clockwise from up."""
    way = np.array([-cos(radians(up_deg)), -sin(radians(up_deg))])
    lift = [dispersion_arcsec(nm, GREEN, zenith_distance_deg) / scale for nm in (RED, BLUE)]
    return tuple(Shift(*(float(size) * way), error, 0.9) for size in lift)  # type: ignore[return-value]


@pytest.mark.parametrize("up_deg", [0.0, 75.0, 200.0, 340.0])
def test_the_spread_of_air_is_found_with_its_direction(up_deg: float) -> None:
    """Blue is refracted more and stands nearer to the zenith (textbook)."""
    spread = spread_of(*air(60, 0.15, up_deg))
    assert spread.angle_deg == pytest.approx(up_deg, abs=0.1) or spread.angle_deg == pytest.approx(
        360 + up_deg, abs=0.1
    )
    assert spread.size_px == pytest.approx(dispersion_arcsec(BLUE, RED, 60) / 0.15, rel=1e-6)
    assert spread.misfit_sigmas < 1e-6


def test_the_size_is_the_published_one() -> None:
    """Filippenko 1982 (PASP 94, 715), table I, sec z 1.5 at 2 km: 450 nm +0.29", 650 nm -0.50" against 500 nm.

    Read between its lines, 465 nm is +0.19" and 610 nm -0.40": 0.59" apart; 0.03" is what reading costs.
    """
    vertical = Vertical(zenith_distance_deg=float(np.degrees(np.arccos(1 / 1.5))), elevation_m=2000)
    size, error = expected_spread_px(vertical, 0.1)
    assert 0.1 * size == pytest.approx(0.59, abs=0.03)
    assert 0.05 < error / size < 0.2


def test_smear_in_a_band_is_the_published_one() -> None:
    """500 to 600 nm at sec z 1.5: 0.37" by the same table; at sea level the air is 1.25 times as thick."""
    zenith_distance = float(np.degrees(np.arccos(1 / 1.5)))
    assert in_band_smear_arcsec((500, 600), zenith_distance, 600, 7, 8) == pytest.approx(0.37, abs=0.01)
    assert in_band_smear_arcsec((500, 600), zenith_distance) > 0.37 * 1.2
    by_ratio = smear_over_separation((500, 600), (450, 650)) * in_band_smear_arcsec((450, 650), 30)
    assert by_ratio == pytest.approx(in_band_smear_arcsec((500, 600), 30), rel=1e-9)


def test_one_colour_is_enough() -> None:
    red, blue = air(50, 0.2, 20)
    unknown = replace(red, error_px=np.inf, dy_px=3.0)
    spread = spread_of(unknown, blue)
    assert spread.size_px == pytest.approx(dispersion_arcsec(BLUE, RED, 50) / 0.2, rel=1e-6)
    with pytest.raises(ValueError, match="neither"):
        spread_of(unknown, replace(blue, error_px=np.inf))


def test_picture_and_physics_agree_and_say_nothing() -> None:
    notes: dict[str, str] = {}
    vertical = Vertical(60.0, 0.0, 30.0)
    found = dispersion_figures(air(60, 0.15, 30), vertical, 0.15, None, notes)
    assert found["dispersion_px"] == pytest.approx(found["dispersion_expected_px"], rel=0.01)
    assert "dispersion_px" not in notes
    low, middle, high = found["dispersion_in_band_px"]
    assert 0 < low < middle < high < found["dispersion_px"]


@pytest.mark.parametrize(
    ("shifts", "vertical", "words"),
    [
        (air(60, 0.15, 30), Vertical(40.0, 0.0, 30.0), "where the air makes"),
        (air(60, 0.15, 30), Vertical(60.0, 0.0, 80.0), "beside the vertical"),
        (air(20, 0.15, 0), Vertical(65.0), "a prism"),
        ((Shift(-1.5, 0, 0.03, 0.9), Shift(-1.2, 0.4, 0.03, 0.9)), Vertical(), "do not stand from green"),
    ],
)
def test_disagreement_is_said(shifts: tuple[Shift, Shift], vertical: Vertical, words: str) -> None:
    notes: dict[str, str] = {}
    dispersion_figures(shifts, vertical, 0.15, None, notes)
    assert words in notes["dispersion_px"]


def test_a_filtered_capture_is_told_its_smear() -> None:
    """Infrared light is drawn out less than all visible light: the refractivity flattens (textbook)."""
    smear = {}
    for name in ("L", "IR 742", None):
        notes: dict[str, str] = {}
        found = dispersion_figures(None, Vertical(60.0), 0.15, name, notes)
        assert found["dispersion_px"] is None and "no colours" in notes["dispersion_px"]
        smear[name] = found.get("dispersion_in_band_px")
    assert smear[None] is None
    assert smear["L"][0] > 3 * smear["IR 742"][0]
    assert smear["L"][0] == pytest.approx(dispersion_arcsec(400, 700, 60) / 0.15, rel=0.01)


def test_the_vertical_of_a_planet_due_south_is_up() -> None:
    """In transit (within a quarter of an hour: 8 degrees) the zenith is where north is, mirrored or not."""
    place = Place(52.2, 13.1, 80)
    at = max(
        (look_at("jupiter", datetime(2026, 11, 25, hour, minute), place) for hour in range(24) for minute in (0, 30)),
        key=lambda look: look.altitude_deg or -90,
    )
    for mirrored in (False, True):
        said = Circumstances(camera=Camera(mirrored=mirrored), site=Site(elevation_m=80))
        vertical = vertical_of(at, 90.0, None, said)
        assert vertical.zenith_angle_deg == pytest.approx(90.0, abs=8)
        assert vertical.zenith_distance_deg == pytest.approx(90 - (at.altitude_deg or 0), abs=0.1)


def test_mirrors_turn_the_vertical_the_other_way() -> None:
    """West of the meridian the zenith is counter-clockwise of north in a straight picture (textbook)."""
    look = look_at("jupiter", datetime(2026, 11, 26, 6, 0), Place(52.2, 13.1, 80))
    assert look.parallactic_angle_deg is not None
    straight = vertical_of(look, 10.0, None, Circumstances())
    mirrored = vertical_of(look, 10.0, None, Circumstances(camera=Camera(mirrored=True)))
    assert straight.zenith_angle_deg == pytest.approx((10 + look.parallactic_angle_deg) % 360)
    assert mirrored.zenith_angle_deg == pytest.approx((10 - look.parallactic_angle_deg) % 360)


@pytest.mark.parametrize(
    ("stem", "name", "rest"),
    [
        ("jupiter_R", "R", "jupiter"),
        ("2031-04-05 saturn green 0012", "G", "2031-04-05 saturn 0012"),
        ("mars-IR-001", "IR", "mars-001"),
        ("venus_uv", "UV", "venus"),
        ("jup_CH4_a", "CH4", "jup_a"),
        ("barrel", None, "barrel"),
    ],
)
def test_filters_in_names_of_files(stem: str, name: str | None, rest: str) -> None:
    found, shared = filter_in_name(stem)
    assert (found and found.name, shared) == (name, rest)


@pytest.mark.parametrize(
    ("said", "name"), [("Red", "R"), ("IR 742", "IR"), ("luminance", "L"), ("Blue #47", "B"), ("pass", None)]
)
def test_filters_by_name(said: str, name: str | None) -> None:
    found = filter_named(said)
    assert (found and found.name) == name
