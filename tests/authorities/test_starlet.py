"""Noise of the starlet planes against the published table."""

import numpy as np
from numpy.testing import assert_allclose

from stacker.sharpening.starlet import plane_noise, starlet

# Starck & Murtagh, Astronomical Image and Data Analysis (2006), the table of sigma_j for the B3 spline in two
# dimensions; the digits from memory, and found by summing the squared filters over the whole plane.
PUBLISHED = (0.889, 0.200, 0.086, 0.041, 0.020, 0.010, 0.005)
SUMMED = (0.8908, 0.2007, 0.0855, 0.0412, 0.0204, 0.0102, 0.0051)


def test_noise_of_the_planes_is_the_published_one() -> None:
    """Unit white noise leaves the table's standard deviations, from the filters and from noise itself."""
    assert_allclose(plane_noise(7), SUMMED, rtol=0.002)
    assert_allclose(plane_noise(7), PUBLISHED, rtol=0.03)  # the table has one or two figures in its last rows
    noise = np.random.default_rng(4).standard_normal((1024, 1024), dtype=np.float32)
    measured = [plane.std() for plane in starlet(noise, 5)[:-1]]
    # n planes of scale 2^j hold about (1024 / 2^(j+1))^2 independent values: 3 sigma of the coarsest is 3.4 %
    assert_allclose(measured[:4], SUMMED[:4], rtol=0.02)
    assert_allclose(measured[4], SUMMED[4], rtol=0.05)
