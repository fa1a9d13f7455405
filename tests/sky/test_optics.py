"""Optics of an ideal telescope: scale, cutoff, transfer."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stacker.sky.optics import cutoff_cyc_per_px, diffraction_transfer, scale_arcsec_per_px


def test_scale_is_206265_seconds_a_radian() -> None:
    """One pixel of 3.75 um at 1000 mm covers 0.7735 arcsec (common practice: 206.265 x um / mm)."""
    assert_allclose(scale_arcsec_per_px(3.75, 1000.0), 206.265 * 3.75 / 1000.0, rtol=1e-6)


def test_cutoff_meets_nyquist_at_twice_the_pixel_over_the_wavelength() -> None:
    """Pixels sample the diffraction image fully from N = 2 p / lambda on: 10.5 for 2.9 um at 550 nm."""
    aperture = 100.0
    focal_ratio = 2 * 2.9 / 0.55
    assert_allclose(focal_ratio, 10.5, atol=0.05)
    assert_allclose(cutoff_cyc_per_px(aperture, focal_ratio * aperture, 2.9, 550.0), 0.5)


def test_cutoff_and_scale_give_the_diffraction_limit() -> None:
    """Lambda / D of 100 mm at 550 nm is 1.134 arcsec (113.4 / D with D in mm)."""
    period_px = 1.0 / cutoff_cyc_per_px(100.0, 1500.0, 3.0, 550.0)
    assert_allclose(period_px * scale_arcsec_per_px(3.0, 1500.0), 1.1345, rtol=1e-3)


def test_transfer_without_obstruction_is_the_textbook_curve() -> None:
    """(2/pi)(acos f - f sqrt(1 - f^2)) at a quarter, half and three quarters (Goodman, Fourier Optics)."""
    assert_allclose(diffraction_transfer(np.array([0.25, 0.5, 0.75])), (0.6850, 0.3910, 0.1443), atol=5e-5)
    assert_allclose(diffraction_transfer(np.array([0.0, 1.0, 1.3])), (1.0, 0.0, 0.0), atol=1e-9)


def test_transfer_is_the_autocorrelation_of_the_pupil() -> None:
    """An obstructed pupil on a grid, correlated with itself by Fourier transform."""
    n, across = 1024, 400
    y, x = np.mgrid[:n, :n] - n / 2 + 0.5
    radius = np.hypot(y, x) / (across / 2)
    pupil = ((radius <= 1) & (radius >= 0.35)).astype(float)
    own = np.fft.irfft2(np.abs(np.fft.rfft2(pupil)) ** 2)[0]
    steps = np.array([0, 40, 100, 160, 240, 320, 380])
    assert_allclose(diffraction_transfer(steps / across, 0.35), own[steps] / own[0], atol=0.004)  # grid of 400


@pytest.mark.parametrize("ratio", [-0.1, 1.0, float("nan")])
def test_an_impossible_obstruction_is_refused(ratio: float) -> None:
    """The obstruction is smaller than the aperture."""
    with pytest.raises(ValueError, match="obstruction_ratio"):
        diffraction_transfer(np.array([0.5]), ratio)


def test_lengths_must_be_positive() -> None:
    """The name of the wrong length is told."""
    with pytest.raises(ValueError, match="focal_length_mm"):
        scale_arcsec_per_px(3.0, 0.0)
