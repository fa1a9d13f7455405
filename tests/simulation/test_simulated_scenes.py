"""Invented targets."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.simulation import (
    BandedPlanet,
    CrateredSurface,
    EmptySky,
    FeaturelessDisc,
    FlatField,
    TexturedDisc,
)
from stacker.simulation.planet import project_planet
from stacker.simulation.scenes import Scene, draw_scene
from stacker.simulation.surface import crater_profile

SCENES: list[Scene] = [
    BandedPlanet(),
    BandedPlanet(ring=True, latitude_deg=20.0),
    CrateredSurface(),
    TexturedDisc(),
    FeaturelessDisc(),
    FlatField(),
    EmptySky(),
]
WHITE = np.ones((90, 180, 3), np.float32)


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: type(scene).__name__)
@pytest.mark.parametrize("size", [(64, 64), (90, 120)])
def test_any_size_and_the_same_again(scene: Scene, size: tuple[int, int]) -> None:
    """A scene is a pure function of generator and record; brightness stays within 0 to 1.4."""
    pictures = [draw_scene(np.random.default_rng(4), scene, (48, 48), size) for _ in range(2)]
    first, second = (drawn.picture(0.0) for drawn in pictures)
    assert first.shape[:2] == size
    assert first.dtype == np.float32
    assert np.array_equal(first, second)
    assert first.min() >= 0.0
    assert first.max() <= 1.4
    assert pictures[0].target.shape == size


@pytest.mark.parametrize(("latitude_deg", "expected"), [(0.0, 0.93513), (-2.48, 0.93525)])
def test_outline_of_an_oblate_planet(latitude_deg: float, expected: float) -> None:
    """Axes of the projected ellipse: sqrt(sin^2 B + (c/a)^2 cos^2 B), elementary geometry; 0.93525 at B = -2.48."""
    planet = BandedPlanet(flattening=0.06487, latitude_deg=latitude_deg, position_angle_deg=0.0, phase_angle_deg=0.0)
    disc = project_planet(WHITE, planet, (301, 301), 280.0)[..., 0]
    half = 0.5 * disc[:, 150].max()
    # At k near 1 the light falls to nothing at the limb: area, not width, of what is lit.
    lit = disc > 0.02 * half
    assert lit.any(1).sum() / lit.any(0).sum() == pytest.approx(expected, abs=0.01)


def test_limb_darkening_is_minnaerts() -> None:
    """At full phase I = mu^(2k - 1) (Minnaert 1941, ApJ 93, 403), mu = sqrt(1 - r^2) on a sphere."""
    planet = BandedPlanet(flattening=0.0, latitude_deg=0.0, phase_angle_deg=0.0, minnaert=0.8)
    disc = project_planet(WHITE, planet, (201, 201), 180.0)[..., 1]
    for part in (0.0, 0.5, 0.8):
        mu = np.sqrt(1 - part**2)
        assert disc[100, 100 + round(90 * part)] == pytest.approx(mu**0.6, abs=0.01)


def test_phase_darkens_one_side() -> None:
    """With the sun to the side, the terminator of a sphere at phase angle i lies at cos i of the radius."""
    planet = BandedPlanet(flattening=0.0, latitude_deg=0.0, phase_angle_deg=60.0, position_angle_deg=0.0, minnaert=0.7)
    row = project_planet(WHITE, planet, (201, 201), 180.0)[100, :, 0] > 0.02
    lit = np.flatnonzero(row)
    assert lit.max() - lit.min() == pytest.approx(90 * (1 + 0.5), abs=4)


def test_rotation_carries_a_spot_across() -> None:
    """Features turn from left to right across a disc whose north is up, by r sin(longitude)."""
    albedo = np.full((180, 360, 3), 0.2, np.float32)
    albedo[88:92, 198:203] = 1.0
    planet = BandedPlanet(flattening=0.0, latitude_deg=0.0, phase_angle_deg=0.0, position_angle_deg=0.0)
    columns = []
    for turned in (0.0, -30.0):
        row = project_planet(albedo, planet, (201, 201), 180.0, turned)[100, :, 0]
        columns.append(int(row.argmax()))
    assert columns[0] == pytest.approx(100, abs=2)
    assert columns[1] - columns[0] == pytest.approx(90 * np.sin(np.deg2rad(30)), abs=3)


def test_a_crater_is_a_hollow_with_a_rim() -> None:
    """Below the plain inside, above it at the rim, level far out; depth as given."""
    distance = np.linspace(0, 4, 401, dtype=np.float32)
    height = crater_profile(distance, 1.0, 0.2, 0.3)
    assert height[0] == pytest.approx(-1.0)
    assert height[100] == pytest.approx(0.2, abs=0.02)
    assert abs(height[-1]) < 1e-6
    assert height.argmax() == pytest.approx(100, abs=2)


def test_shadows_fall_away_from_the_sun() -> None:
    """A lower sun leaves more of the ground dark."""
    dark = []
    for elevation in (25.0, 10.0):
        surface = CrateredSurface(sun_elevation_deg=elevation)
        drawn = draw_scene(np.random.default_rng(9), surface, (128, 128), (128, 128))
        dark.append(float((drawn.picture(0.0) < 0.03).mean()))
    assert dark[1] > 1.5 * dark[0]


def test_crater_numbers_follow_the_size_law() -> None:
    """Ten times fewer craters at 10^(1/exponent) times the size."""
    from stacker.simulation.surface import _draw_craters

    surface = CrateredSurface(size_exponent=2.0, largest_km=400.0)
    drawn = _draw_craters(np.random.default_rng(1), surface, 4000, 0.3, old=True)
    radii = np.array([radius for _, _, radius, _ in drawn])
    small, large = (radii > 4.0).sum(), (radii > 4.0 * 10**0.5).sum()
    assert small / large == pytest.approx(10.0, rel=0.1)
