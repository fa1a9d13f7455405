"""Telescopes and eyepieces: facts of the trade, diffraction, sampling."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import j1

from stacker.sky import eyepiece, optics
from stacker.sky.ephemeris import look_at


@pytest.mark.parametrize(
    ("focal_length_mm", "aperture_mm", "ratio"), [(500, 114, 4.4), (1250, 90, 13.9), (4064, 406, 10.0)]
)
def test_focal_ratio(focal_length_mm: float, aperture_mm: float, ratio: float) -> None:
    """Focal length over aperture (common practice, no source)."""
    assert optics.focal_ratio(focal_length_mm, aperture_mm) == pytest.approx(ratio, abs=0.05)


@pytest.mark.parametrize(
    ("focal_length_mm", "eyepiece_mm", "times"), [(1500, 10, 150), (1500, 7, 214), (490, 3.2, 153)]
)
def test_magnification(focal_length_mm: float, eyepiece_mm: float, times: float) -> None:
    """Focal length over that of the eyepiece (common practice, no source)."""
    assert eyepiece.magnification(focal_length_mm, eyepiece_mm) == pytest.approx(times, abs=0.5)


def test_twice_the_focal_ratio_wants_four_times_the_exposure() -> None:
    """Light of an extended target goes as the inverse square (common practice, no source)."""
    assert optics.exposure_factor(10, 20) == 4.0


def test_saturn_is_almost_a_hundred_times_smaller_than_the_moon() -> None:
    """Its disc at its largest, at a perihelic opposition, against the Moon's (common practice, no source)."""
    from datetime import UTC, datetime

    saturn = look_at("Saturn", datetime(2003, 12, 31, tzinfo=UTC)).diameter_arcsec
    moon = look_at("Moon", datetime(2003, 12, 31, tzinfo=UTC)).diameter_arcsec
    assert 85 < moon / saturn < 100


def test_diffraction_limits() -> None:
    """The Airy pattern from its own Bessel function; Dawes 1867 gives 4.56 inches over the aperture."""
    zero = brentq(j1, 3, 4.5) / math.pi
    half = 2 * brentq(lambda v: (2 * j1(v) / v) ** 2 - 0.5, 1, 2) / math.pi
    unit = math.degrees(550e-9 / 0.2) * 3600
    assert optics.diffraction_arcsec(200) == pytest.approx(unit, rel=1e-9)
    assert optics.rayleigh_arcsec(200) == pytest.approx(zero * unit, rel=1e-9)
    assert optics.airy_diameter_arcsec(200) == pytest.approx(2 * zero * unit, rel=1e-9)
    assert optics.airy_fwhm_arcsec(200) == pytest.approx(half * unit, rel=1e-6)
    assert optics.dawes_arcsec(25.4) == pytest.approx(4.56, rel=1e-9)


@pytest.mark.parametrize(("pixel_um", "ratio"), [(2.9, 10.5), (3.75, 13.6)])
def test_two_pixels_per_element(pixel_um: float, ratio: float) -> None:
    """Focal ratio is 2 pixels over the wavelength: about 3.6 times the pixel in um (common practice, no source)."""
    fitting = optics.fitting_focal_length_mm(100.0, pixel_um)
    assert fitting / 100.0 == pytest.approx(ratio, abs=0.06)
    assert optics.px_per_element(pixel_um, fitting / 100.0) == pytest.approx(2.0)
    assert optics.cutoff_cyc_per_px(100.0, fitting, pixel_um, 550.0) == pytest.approx(0.5)


def test_scale_and_field() -> None:
    """One micrometre at one metre is 0.206 arcsec; fields are pixels times scale."""
    scale = optics.scale_arcsec_per_px(1.0, 1000.0)
    assert scale == pytest.approx(0.206265, abs=1e-6)
    assert optics.field_arcmin(600, 1.0) == 10.0


def test_eyepieces() -> None:
    """A 200 mm telescope at 100 times: exit pupil 2 mm, half a degree of a 50 degree eyepiece; stop and field agree."""
    assert eyepiece.exit_pupil_mm(200, 100) == 2.0
    assert eyepiece.true_field_deg(50, 100) == 0.5
    assert eyepiece.field_of_stop_deg(17.455, 1000) == pytest.approx(1.0, abs=1e-3)


def test_an_unguided_target_crosses_the_field() -> None:
    """Fifteen arcminutes a minute at the equator, half of it at 60 degrees, never at the pole."""
    assert eyepiece.unguided_time_s(900.0) == pytest.approx(60.0, rel=0.003)
    assert eyepiece.unguided_time_s(900.0, 60.0) == pytest.approx(120.0, rel=0.003)
    assert eyepiece.unguided_time_s(900.0, -90.0) == math.inf


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: optics.focal_ratio(0, 100),
        lambda: optics.diffraction_arcsec(-1),
        lambda: optics.dawes_arcsec(float("nan")),
        lambda: optics.field_arcmin(0, 1),
        lambda: eyepiece.magnification(1000, 0),
        lambda: eyepiece.unguided_time_s(100, 91),
        lambda: optics.diffraction_transfer(np.array([0.1]), 1.0),
    ],
)
def test_impossible_lengths_are_refused(wrong: object) -> None:
    """A length that is not positive is named."""
    assert callable(wrong)
    with pytest.raises(ValueError, match="give"):
        wrong()
