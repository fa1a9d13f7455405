"""What templates are made of."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stacker.alignment.template import PowerSum


@pytest.mark.parametrize("shape", [(48, 64), (45, 63), (48, 63)])
def test_power_summed_in_packed_spectra_is_the_sum_of_the_power(shape: tuple[int, int]) -> None:
    """Against numpy's transform of each image, for even and odd sizes."""
    rng = np.random.default_rng(5)
    images, window = rng.normal(300, 20, (5, *shape)).astype(np.float32), np.outer(*map(np.hanning, shape))
    power = PowerSum(window.astype(np.float32))
    for image in images:
        power.add(image)
    alone = np.abs(np.fft.rfft2((images - images.mean((1, 2), keepdims=True)) * window)) ** 2
    assert power.count == 5
    assert_allclose(power.total(), alone.sum(0), rtol=1e-4, atol=1e-4 * alone.mean())
