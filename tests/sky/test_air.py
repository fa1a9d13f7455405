"""Refraction, dispersion, air mass, seeing."""

import numpy as np
import pytest

from stacker.sky import refraction, seeing
from stacker.sky.horizon import altitude_azimuth_deg, field_rotation_deg_per_s, parallactic_angle_deg

OBSERVATORY = {"pressure_mmhg": 600.0, "temperature_c": 7.0, "vapour_mmhg": 8.0}


@pytest.mark.parametrize(
    ("wavelength_nm", "printed"),
    [(300, 2.37), (350, 1.34), (400, 0.71), (450, 0.29), (550, -0.21), (600, -0.37), (700, -0.60), (1000, -0.91)],
)
def test_dispersion_is_the_printed_table(wavelength_nm: float, printed: float) -> None:
    """Filippenko 1982, PASP 94, 715, table I, sec z = 1.5, relative to 500 nm: within 0.01 arcsec."""
    zenith_distance = np.rad2deg(np.arccos(1 / 1.5))
    assert refraction.dispersion_arcsec(wavelength_nm, 500, zenith_distance, **OBSERVATORY) == pytest.approx(
        printed, abs=0.01
    )


def test_refraction_lifts_the_horizon_by_half_a_degree() -> None:
    """Meeus, Astronomical Algorithms, example 16.a and the table beside it (from memory): 0.5 deg appears 24.6' higher.

    True altitude 33.24' for an apparent 57.9'; 34' at the apparent horizon; 1' at 45 degrees.
    """
    assert refraction.refraction_arcmin(33.2405 / 60) == pytest.approx(24.618, abs=0.15)
    assert refraction.refraction_arcmin(-0.5748) == pytest.approx(34.5, abs=0.6)
    assert refraction.refraction_arcmin(45.0) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(("apparent_deg", "printed"), [(90, 1.0), (30, 1.994), (10, 5.59), (5, 10.3), (0, 38)])
def test_air_mass(apparent_deg: float, printed: float) -> None:
    """Kasten & Young 1989, Applied Optics 28, 4735, table II (from memory), for apparent altitudes, within 1 %."""
    true_deg = apparent_deg
    for _ in range(20):
        true_deg = apparent_deg - refraction.refraction_arcmin(true_deg) / 60
    assert refraction.air_mass(true_deg) == pytest.approx(printed, rel=0.01)


def test_no_air_mass_below_the_horizon() -> None:
    """Below the horizon it has no meaning; refraction lifts what is half a degree below."""
    assert refraction.air_mass(-3.0) is None
    assert refraction.air_mass(-0.3) is not None


@pytest.mark.parametrize(
    ("d_over_r0", "long", "short"), [(1, 0.445, 0.844), (2, 0.175, 0.590), (3, 0.089, 0.369), (5, 0.035, 0.128)]
)
def test_resolving_power_of_fried(d_over_r0: float, long: float, short: float) -> None:
    """Fried 1966, J. Opt. Soc. Am. 56, 1372: long and short exposures; the integrals redone with other software."""
    assert seeing.resolving_power_kept(d_over_r0, long_exposure=True) == pytest.approx(long, abs=0.001)
    assert seeing.resolving_power_kept(d_over_r0) == pytest.approx(short, abs=0.001)


def test_short_exposures_gain_most_near_four() -> None:
    """Fried 1966: resolution of short exposures over the seeing limit peaks at D/r0 3.8, at 3.50 times."""
    q = np.arange(1.0, 8.0, 0.1)
    gain = [seeing.resolving_power_kept(value) * value**2 for value in q]
    limit = seeing.resolving_power_kept(60.0, long_exposure=True) * 60.0**2
    assert q[int(np.argmax(gain))] == pytest.approx(3.8, abs=0.11)
    assert max(gain) / limit == pytest.approx(3.5, rel=0.03)


@pytest.mark.parametrize("d_over_r0", [3.0, 5.0, 7.0, 12.0])
def test_choosing_frames_raises_what_is_kept_four_to_six_times(d_over_r0: float) -> None:
    """Smith, Bailey, Hough & Lee 2009, MNRAS 398, 2069 (abstract): 4 to 6 times for D/r0 3 to 12."""
    long = seeing.resolving_power_kept(d_over_r0, long_exposure=True)
    assert 4.0 <= seeing.selected_power_kept(d_over_r0) / long <= 6.0


def test_seeing_and_fried_parameter() -> None:
    """One arcsecond at 550 nm is r0 = 110 mm (0.98 lambda / r0); the two are inverse; r0 falls as airmass^-0.6."""
    assert seeing.fried_parameter_mm(1.0) == pytest.approx(111.0, abs=1.5)
    assert seeing.seeing_from_fried_parameter_arcsec(seeing.fried_parameter_mm(2.3)) == pytest.approx(2.3)
    assert seeing.seeing_at_airmass_arcsec(1.0, 2.0) == pytest.approx(2**0.6)


def test_still_air_is_the_diffraction_limit() -> None:
    """With a hundredth of an arcsecond of seeing, a small telescope reaches lambda / D; worse air never helps."""
    assert seeing.reached_arcsec(80, 0.01) == pytest.approx(113.4 / 80, rel=0.01)
    for aperture in (70, 114, 254, 406):
        reached = [seeing.reached_arcsec(aperture, s) for s in np.arange(0.3, 6, 0.1)]
        assert (np.diff(reached) >= 0).all()


def test_field_rotation_is_the_rate_of_the_parallactic_angle() -> None:
    """Differences over ten seconds agree; the field stands still due east and west."""
    latitude, declination = 52.0, 20.0
    for hour_angle in (-75.0, -20.0, 5.0, 40.0):
        step = 10 * 15.041067 / 3600
        one, other = (parallactic_angle_deg(h, declination, latitude) for h in (hour_angle, hour_angle + step))
        altitude, azimuth = altitude_azimuth_deg(hour_angle + step / 2, declination, latitude)
        assert field_rotation_deg_per_s(altitude, azimuth, latitude) == pytest.approx((other - one) / 10, rel=1e-4)
    assert field_rotation_deg_per_s(30.0, 90.0, latitude) == pytest.approx(0.0, abs=1e-12)


def test_altitude_and_azimuth_of_a_worked_example() -> None:
    """Meeus, Astronomical Algorithms, example 13.b (from memory): Venus at Washington, 15.1249 high.

    Its azimuth is 68.0337 from the south, from where Meeus counts.
    """
    altitude, azimuth = altitude_azimuth_deg(64.352133, -6.719892, 38.921389)
    assert altitude == pytest.approx(15.1249, abs=1e-3)
    assert azimuth == pytest.approx(180 + 68.0337, abs=1e-3)
