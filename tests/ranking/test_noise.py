"""The line through the noise of single frames."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.ranking.noise import fit_noise


@pytest.mark.parametrize("count", [40, 45, 50, 57])
def test_a_group_stands_at_the_median_of_its_levels(count: int) -> None:
    """Groups of even and odd size, by numpy's medians and its polyfit."""
    rng = np.random.default_rng(count)
    level = rng.exponential(200, count).astype(np.float32)
    samples = np.stack([level, 4 + 0.5 * level * rng.uniform(0.8, 1.2, count).astype(np.float32)], 1)
    parts = np.array_split(samples[np.argsort(level)].astype(np.float64), 10)
    middles = [np.median(part[:, 0]) for part in parts]
    slope, start = np.polyfit(middles, [np.percentile(part[:, 1], 25) / 0.769 for part in parts], 1)
    model = fit_noise(samples)
    assert model.per_adu == pytest.approx(slope, rel=1e-5)
    assert model.read_variance == pytest.approx(start, rel=1e-4)
