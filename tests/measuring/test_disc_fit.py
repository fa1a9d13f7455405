"""The fitted disc lies where the simulation put it: drawn by other code than the fit's, blurred by an aperture."""

from datetime import UTC, datetime

import numpy as np
import pytest
from numpy.typing import NDArray

from stacker.measuring.disc import DiscFit, check_scale, fit_disc, scale_from_disc
from stacker.measuring.disc_model import DiscView, view_of
from stacker.simulation.planet import BandedPlanet, paint_planet_map, project_planet
from stacker.sky.ephemeris import look_at
from stacker.sky.optics import diffraction_transfer

SIZE, RADIUS_PX, FLATTENING = 150, 42.0, 0.065
MIDDLE = (SIZE - 1) / 2
SUN_OF_SIMULATION_DEG = 90.0
"""The simulated Sun shines from the left of the pole, in the plane of the equator."""


def _seen(
    planet: BandedPlanet, albedo: NDArray[np.float32] | None = None, air: float = 0.0, seed: int = 3
) -> NDArray[np.float64]:
    """Return the planet through an aperture with a third obstructed, 2.5 px per lambda/D, noise of 0.5 %.

    `air` is D/r0 of air whose image motion is followed (Fried 1966, J. Opt. Soc. Am. 56, 1372).
    """
    surface = np.ones((64, 128, 3), np.float32) if albedo is None else albedo
    sharp = np.pad(project_planet(surface, planet, (SIZE, SIZE), 2 * RADIUS_PX)[..., 1].astype(float), 64)
    f = 2.5 * np.hypot(np.fft.fftfreq(sharp.shape[0])[:, None], np.fft.rfftfreq(sharp.shape[1])[None])
    turbulence = np.exp(-3.44 * (f * air) ** (5 / 3) * np.maximum(1 - np.cbrt(f), 0))
    transfer = diffraction_transfer(f, 0.33) * turbulence
    blurred = np.fft.irfft2(np.fft.rfft2(sharp) * transfer, sharp.shape)[64:-64, 64:-64]
    noise = np.random.default_rng(seed).normal(0, 5, blurred.shape)
    return np.asarray(1000 * blurred / np.percentile(blurred, 99) + 30 + noise)


def _planet(phase_deg: float, **more: float) -> BandedPlanet:
    return BandedPlanet(flattening=FLATTENING, latitude_deg=3.0, phase_angle_deg=phase_deg, **more)


def _view(phase_deg: float) -> DiscView:
    return DiscView(FLATTENING, 3.0, phase_deg, SUN_OF_SIMULATION_DEG)


def _fitted(fit: DiscFit | None) -> DiscFit:
    assert fit is not None
    return fit


@pytest.mark.parametrize("phase_deg", [0.0, 10.0, 25.0, 40.0])
@pytest.mark.parametrize("cut", [(0, 0, SIZE, SIZE), (0, 64, SIZE, SIZE), (60, 0, SIZE, 98)])
def test_centre_and_radius_within_a_twentieth_of_a_pixel(phase_deg: float, cut: tuple[int, int, int, int]) -> None:
    """Whole, with the sunlit limb out of the frame, and with only a corner of it left: 0.05 px, phases 0 to 40."""
    top, left, bottom, right = cut
    picture = _seen(_planet(phase_deg))[top:bottom, left:right]
    fit = _fitted(fit_disc(picture.astype(np.float32), _view(phase_deg), pole_angle_deg=8.0))
    assert np.hypot(fit.centre_px[0] + top - MIDDLE, fit.centre_px[1] + left - MIDDLE) < 0.05
    assert abs(fit.radius_px - RADIUS_PX) < 0.05


@pytest.mark.parametrize("seed", [1, 4])
@pytest.mark.parametrize("phase_deg", [0.0, 30.0])
def test_a_picture_on_the_disc_is_within_the_errors(seed: int, phase_deg: float) -> None:
    """Belts and dark poles pull at the limb: the errors grow and cover it (three of them, under 1 % of the radius)."""
    albedo = paint_planet_map(np.random.default_rng(seed))
    fit = _fitted(fit_disc(_seen(_planet(phase_deg), albedo, air=2.5), _view(phase_deg), pole_angle_deg=8.0))
    for value, error in zip(fit.centre_px, fit.centre_error_px, strict=True):
        assert abs(value - MIDDLE) < min(3 * error + 0.1, 0.55)
    assert abs(fit.radius_px - RADIUS_PX) < min(3 * fit.radius_error_px, 0.55)


@pytest.mark.parametrize("air", [2.0, 4.0])
def test_turbulent_air_is_within_the_errors(air: float) -> None:
    """A blur of another shape than the fitted family moves centre and radius by less than two of their errors."""
    fit = _fitted(fit_disc(_seen(_planet(20.0), air=air), _view(20.0), pole_angle_deg=8.0))
    off = np.array([*(value - MIDDLE for value in fit.centre_px), fit.radius_px - RADIUS_PX])
    assert (np.abs(off) < 2 * np.array([*fit.centre_error_px, fit.radius_error_px])).all()


def test_errors_are_not_smaller_than_the_scatter() -> None:
    """Over five drawings of the noise, the scatter stays below 1.5 times the claimed errors."""
    view, planet = _view(10.0), _planet(10.0)
    fits = [_fitted(fit_disc(_seen(planet, seed=seed), view, pole_angle_deg=8.0)) for seed in range(5)]
    assert np.std([fit.centre_px[0] for fit in fits]) < 1.5 * fits[0].centre_error_px[0]
    assert np.std([fit.radius_px for fit in fits]) < 1.5 * fits[0].radius_error_px


@pytest.mark.parametrize("pole_deg", [8.0, 127.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_the_outline_tells_the_pole(pole_deg: float, mirrored: bool) -> None:
    """A flattened disc shows its pole within 0.5 degrees, half a turn apart; a mirror image is fitted as one."""
    picture = _seen(_planet(0.0, position_angle_deg=-pole_deg if mirrored else pole_deg))
    if mirrored:
        picture = picture[:, ::-1]
    fit = _fitted(fit_disc(picture, DiscView(FLATTENING, 3.0, mirrored=mirrored)))
    assert fit.pole_angle_error_deg is not None and fit.pole_angle_error_deg < 0.5
    assert abs((fit.pole_angle_deg - pole_deg + 90.0) % 180.0 - 90.0) < 0.5


def test_the_phase_tells_up_from_down() -> None:
    """With a terminator in sight the pole is known over the whole turn."""
    fit = _fitted(fit_disc(_seen(_planet(35.0, position_angle_deg=222.0)), _view(35.0)))
    assert abs(fit.pole_angle_deg - 222.0) < 1.0


def test_rings_are_left_out() -> None:
    """The globe of a ringed planet is found between its rings, within 0.1 px."""
    planet = BandedPlanet(flattening=0.098, latitude_deg=22.0, phase_angle_deg=0.0, ring=True, ring_outer=2.27)
    sharp = project_planet(np.ones((64, 128, 3), np.float32), planet, (SIZE, SIZE), 72.0)[..., 1]
    noise = np.random.default_rng(0).normal(0, 0.005, sharp.shape)
    fit = _fitted(fit_disc(sharp + noise, DiscView(0.098, 22.0, rings=True), pole_angle_deg=8.0))
    assert np.hypot(fit.centre_px[0] - MIDDLE, fit.centre_px[1] - MIDDLE) < 0.1
    assert abs(fit.radius_px - 36.0) < 0.1


def test_a_large_disc_is_binned_and_found() -> None:
    """A limb-darkened disc of 300 px radius, half out of the frame, drawn pixel by pixel: within 0.05 px."""
    y, x = np.mgrid[:600, :400] + 0.0
    shades = []
    for dy, dx in ((-0.25, -0.25), (-0.25, 0.25), (0.25, -0.25), (0.25, 0.25)):
        inside = 1 - ((y + dy - 310.3) ** 2 + (x + dx - 20.7) ** 2) / 300.0**2
        shades.append(np.sqrt(np.maximum(inside, 0)) ** 0.8)
    picture = 900 * np.mean(shades, 0) + np.random.default_rng(2).normal(20, 6, y.shape)
    fit = _fitted(fit_disc(picture))
    assert np.hypot(fit.centre_px[0] - 310.3, fit.centre_px[1] - 20.7) < 0.05
    assert abs(fit.radius_px - 300) < 0.05


@pytest.mark.parametrize("kind", ["noise", "black", "white", "nan"])
def test_no_disc_no_fit(kind: str) -> None:
    """Where there is no disc, none is reported."""
    shape = (80, 90)
    pictures = {"noise": np.random.default_rng(1).normal(0, 1, shape), "black": np.zeros(shape)}
    pictures |= {"white": np.full(shape, 255.0), "nan": np.full(shape, np.nan)}
    fit = fit_disc(pictures[kind])
    assert fit is None or fit.misfit > 0.2


def test_an_image_of_three_planes_is_refused() -> None:
    """The caller chooses the plane."""
    with pytest.raises(ValueError, match="one plane"):
        fit_disc(np.zeros((10, 10, 3)))


def test_the_scale_follows_from_the_diameter() -> None:
    """Jupiter's 38.57 arcsec over a disc of 2 x 42 px; a focal length 10 % off is told, 1 % is not."""
    look = look_at("Jupiter", datetime(2026, 11, 25, 22, tzinfo=UTC))
    fit = _fitted(fit_disc(_seen(_planet(0.0)), DiscView(FLATTENING, 3.0), pole_angle_deg=8.0))
    scale, error = scale_from_disc(fit, look)
    assert scale == pytest.approx(38.566 / 84, rel=1e-3)
    assert 0 < error < 1e-3 * scale * 2
    assert check_scale(fit, look, 1.01 * scale).agrees
    wrong = check_scale(fit, look, 1.1 * scale)
    assert not wrong.agrees and "+10.0 %" in wrong.sentence and "longer" in wrong.sentence


def test_the_view_is_the_ephemeris() -> None:
    """Venus half lit: the Sun's side, the phase and the lack of flattening come through."""
    look = look_at("Venus", datetime(2026, 8, 12, tzinfo=UTC))
    view = view_of(look)
    assert view.flattening == 0.0 and view.phase_angle_deg == look.phase_angle_deg
    assert look.bright_limb_angle_deg is not None
    assert view.sun_from_pole_deg == pytest.approx((look.bright_limb_angle_deg - look.pole_angle_deg) % 360)
