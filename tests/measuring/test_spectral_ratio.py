"""Errors of a spectral ratio by how its patches differ."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.measuring.spectral_ratio import _of_the_scene

RINGS = 3


def test_patches_that_agree_make_no_error() -> None:
    """Scaled copies of one patch have one ratio; a single patch tells nothing of how patches differ."""
    patch = np.random.default_rng(2).uniform(1.0, 2.0, (4, RINGS))
    patches = np.stack([patch, 3.0 * patch, 0.5 * patch])
    value = np.concatenate([np.log(patch[1] / patch[0]), patch[3] / patch[0]])
    assert _of_the_scene(patches, value) == pytest.approx(0.0, abs=1e-7)
    assert _of_the_scene(patches[:1], value) == pytest.approx(0.0)


def test_error_is_that_of_a_bootstrap_over_patches() -> None:
    """Efron 1979 (Ann. Statist. 7, 1): patches drawn anew with replacement scatter as the formula says, within 15 %."""
    rng = np.random.default_rng(5)
    count = 40
    patches = rng.uniform(1.0, 3.0, (count, 4, RINGS))
    patches[:, 1] = patches[:, 0] * np.exp(0.5 + rng.normal(0.0, (0.05, 0.1, 0.3), (count, RINGS)))
    patches[:, 3] = patches[:, 0] * rng.normal(0.2, (0.02, 0.05, 0.1), (count, RINGS))

    def value_of(chosen: np.ndarray) -> np.ndarray:
        mean, single, _, even = chosen.sum(0)
        return np.concatenate([np.log(single / mean), even / mean])

    drawn = [value_of(patches[rng.integers(0, count, count)]) for _ in range(4000)]
    assert _of_the_scene(patches, value_of(patches)) == pytest.approx(np.std(drawn, axis=0), rel=0.15)
