"""A planet's disc tells scale and north; what it cannot tell comes from the sidecar or stays unknown."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from stacker.capture.circumstances import Camera, Circumstances, Site, Telescope
from stacker.measuring.metrics import measure_stack
from stacker.measuring.witness import ask_disc, look_of
from stacker.simulation.planet import BandedPlanet, project_planet
from stacker.stacking.record import Stack

SIZE, RADIUS_PX, POLE_DEG = 150, 42.0, 8.0
WHEN = "2026-08-25T22:00:00Z"
KNOWN = Circumstances(target="jupiter", start_utc="2026-11-25T22:00:00Z")


def _capture(circumstances: Circumstances) -> Any:
    return SimpleNamespace(circumstances=circumstances, times_utc=None, name="night")


def _stack(phase_deg: float, turned: bool = False, mirrored: bool = False, kind: str = "disc") -> Stack:
    """Return a planet as flat as Jupiter, pole 8 degrees from up, lit from the left; or all that upside down."""
    planet = BandedPlanet(flattening=0.0649, latitude_deg=-0.33, phase_angle_deg=phase_deg, position_angle_deg=POLE_DEG)
    image = 1000 * project_planet(np.ones((64, 128, 3), np.float32), planet, (SIZE, SIZE), 2 * RADIUS_PX)[..., 1]
    image = image + np.random.default_rng(1).normal(20, 3, image.shape).astype(np.float32)
    image = image[::-1, ::-1] if turned else image[:, ::-1] if mirrored else image
    image = np.ascontiguousarray(image, np.float32)
    ones = np.ones_like(image)
    return Stack(image, ones, ones, image, image, image > 300, kind, None, np.full(50, 0.02))


def _off(angle_deg: float | None, wanted_deg: float) -> float:
    assert angle_deg is not None
    return abs((angle_deg - wanted_deg + 180.0) % 360.0 - 180.0)


def test_scale_and_north_of_a_disc_with_a_phase() -> None:
    """Jupiter at 10.6 degrees of phase, 38.57 arcsec wide: its shaded limb tells which pole is which."""
    look = look_of(_capture(KNOWN))
    assert look is not None and look.bright_limb_angle_deg is not None
    lit_from_left = _off(look.bright_limb_angle_deg - look.pole_angle_deg, 90.0) < 10.0
    seen = ask_disc(_capture(KNOWN), _stack(look.phase_angle_deg or 0.0, turned=not lit_from_left))
    assert seen.fit is not None and seen.scale_arcsec_per_px is not None
    assert seen.scale_arcsec_per_px == pytest.approx(38.566 / (2 * RADIUS_PX), rel=2e-3)
    pole = POLE_DEG if lit_from_left else POLE_DEG + 180.0
    assert _off(seen.north_angle_deg, pole - look.pole_angle_deg) < 1.5
    assert seen.remark == ""


@pytest.mark.parametrize(("said_deg", "expected_turn"), [(-60.0, 0.0), (100.0, 180.0), (None, None)])
def test_without_a_phase_the_sidecar_says_which_pole(said_deg: float | None, expected_turn: float | None) -> None:
    """At opposition a spheroid looks the same upside down: a guess within 90 degrees decides, none leaves it open."""
    known = replace(KNOWN, start_utc="2026-01-10T22:00:00Z", camera=Camera(north_angle_deg=said_deg))
    look = look_of(_capture(known))
    assert look is not None and (look.phase_angle_deg or 0.0) < 1.0
    seen = ask_disc(_capture(known), _stack(0.0))
    if expected_turn is None:
        assert seen.north_angle_deg is None
    else:
        assert _off(seen.north_angle_deg, POLE_DEG - look.pole_angle_deg + expected_turn) < 1.5


def test_a_wrong_focal_length_is_told_and_a_missing_one_replaced() -> None:
    """The disc wants 0.459 arcsec per pixel: 3 um at 1348 mm; said are 1483 mm."""
    optics = replace(KNOWN, telescope=Telescope(focal_length_mm=1483.0), camera=Camera(pixel_um=3.0, north_angle_deg=0))
    stack = _stack(10.6)
    seen = ask_disc(_capture(optics), stack)
    assert "9.1 % shorter" in seen.remark
    assert measure_stack(stack, None, optics, seen)["scale_arcsec_per_px"] == pytest.approx(0.41726, 1e-3)
    found = measure_stack(stack, None, KNOWN, ask_disc(_capture(KNOWN), stack))
    assert found["scale_arcsec_per_px"] == pytest.approx(0.4591, 2e-3)
    assert 0 < found["scale_arcsec_per_px_error"] < 0.002 and 41.8 < found["disc_radius_px"] < 42.2
    assert "ephemeris" in found["notes"]["scale_arcsec_per_px"]


@pytest.mark.parametrize(
    "circumstances",
    [
        Circumstances(),
        Circumstances(target="Ambrel", start_utc=WHEN),
        Circumstances(target="Mars"),
        Circumstances(target="Mars", start_utc="1950-01-01T00:00:00Z"),
    ],
)
def test_an_unknown_target_or_time_tells_nothing(circumstances: Circumstances) -> None:
    seen = ask_disc(_capture(circumstances), _stack(0.0))
    assert seen.look is None and seen.fit is None and seen.scale_arcsec_per_px is None and seen.remark == ""


def test_a_surface_and_a_target_larger_than_frames_are_not_fitted() -> None:
    assert ask_disc(_capture(KNOWN), _stack(0.0, kind="surface")).fit is None
    moon = Circumstances(target="Moon", start_utc=WHEN, camera=Camera(north_angle_deg=12.0))
    seen = ask_disc(_capture(moon), _stack(0.0))
    assert seen.look is not None and seen.fit is None and seen.north_angle_deg == 12.0


def test_the_site_gives_altitude() -> None:
    site = Site("Old Beacon", 52.2, 13.1, 80.0)
    look = look_of(_capture(Circumstances(target="Saturn", start_utc=WHEN, site=site)))
    assert look is not None and look.altitude_deg is not None
    assert look_of(_capture(Circumstances(target="Saturn", start_utc=WHEN))).altitude_deg is None  # type: ignore[union-attr]
