"""How missing information is divided: laws that any fair division keeps, and numbers that can be had by hand."""

import numpy as np
import pytest
from numpy.typing import NDArray

from stacker.measuring.shortfall import Seen, beyond_nyquist, divide, ideal_curve, ideal_signal, ring_frequency
from stacker.measuring.transfers import smear_transfer
from stacker.sky.optics import diffraction_transfer

Curve = NDArray[np.float64]
FLAT = np.ones_like(ring_frequency())


def ideal(level: float = 8.0) -> Curve:
    return np.asarray(np.exp(level) * ring_frequency() ** -2.5 * diffraction_transfer(ring_frequency()) ** 2)


def test_shares_add_to_one_and_alike_causes_share_alike() -> None:
    """Efficiency, symmetry and the idle cause of Aumann & Shapley 1974; a cause split in two keeps its charge."""
    depth = 1.5 * FLAT + ring_frequency()
    shares, _ = divide(ideal(), {"a": depth, "b": depth, "idle": 0 * FLAT}, 0.2)
    assert sum(shares.values()) == pytest.approx(1.0)
    assert shares["a"] == pytest.approx(shares["b"])
    assert shares["idle"] == 0.0
    halved, _ = divide(ideal(), {"a": depth, "b1": 0.5 * depth, "b2": 0.5 * depth, "idle": 0 * FLAT}, 0.2)
    assert halved["b1"] + halved["b2"] == pytest.approx(shares["b"])
    assert halved["clipping"] == pytest.approx(shares["clipping"])


def test_a_charge_is_the_path_integral_of_the_information() -> None:
    """Each cause's charge is the integral of its marginal loss as all causes grow together (Aumann & Shapley 1974)."""
    depths = {"a": 3.0 * ring_frequency(), "b": 0.7 * FLAT}
    shares, missing = divide(ideal(), depths, 0.0)
    steps = (np.arange(2000) + 0.5) / 2000
    whole = float((ring_frequency() * np.log2(1 + ideal())).sum())
    for name, depth in depths.items():
        left = [ideal() * np.exp(-step * (depths["a"] + depths["b"])) for step in steps]
        marginal = [float((ring_frequency() * depth * s / (1 + s)).sum()) / np.log(2) for s in left]
        assert shares[name] * missing == pytest.approx(float(np.mean(marginal)) / whole, rel=1e-4)


def test_clipping_all_of_the_target_takes_what_the_others_leave() -> None:
    """With nothing else wrong, clipping a share c of the target loses a share c of the information."""
    shares, missing = divide(ideal(), {"a": 0 * FLAT}, 0.3)
    assert shares["clipping"] == pytest.approx(1.0)
    assert missing == pytest.approx(0.3)


def test_half_the_frames_cost_half_a_bit_a_mode() -> None:
    """Where signal is strong, halving the number of frames takes 1/2 log2(2) of each mode (Shannon 1949)."""
    strong = np.full_like(FLAT, 1e9)
    _, missing = divide(strong, {"frames": np.log(2.0) * FLAT}, 0.0)
    assert missing == pytest.approx(1.0 / np.log2(1e9), rel=1e-6)


def test_a_loss_where_nothing_was_to_be_had_costs_nothing() -> None:
    faint = np.where(ring_frequency() > 0.5, 1e-6, 1e3)
    shares, missing = divide(
        faint, {"low": 1.0 * (ring_frequency() < 0.5), "high": 9.0 * (ring_frequency() > 0.5)}, 0.0
    )
    assert shares["high"] < 1e-3
    assert missing > 0.05


def test_the_ideal_is_found_again_from_what_is_seen_of_it() -> None:
    """The level and slope of a power law come back from the noisy rings below half the cutoff, within 3 sigma."""
    telescope = diffraction_transfer(ring_frequency())
    depth = 4.0 * ring_frequency() + 1.0
    rng = np.random.default_rng(4)
    x = ring_frequency()[1:20]
    seen = (ideal() * np.exp(-depth))[1:20] * np.exp(0.2 * rng.standard_normal(19))
    (level, slope), covariance = ideal_signal(Seen(x, seen, np.full(19, 200.0)), depth, telescope)
    assert abs(slope - 2.5) < 3 * np.sqrt(covariance[1, 1])
    again = ideal_curve(Seen(x, seen, np.full(19, 200.0)), level, slope, telescope)
    assert np.abs(np.log(again[1:30] / ideal()[1:30])).max() < 1.0


def test_pixels_of_two_per_element_lose_nothing_beyond_their_averaging() -> None:
    """Shannon 1949: at 2 px per lambda/D and above the band is carried whole; at 1 px only its inner half is."""
    assert not beyond_nyquist(ideal(), 0 * FLAT, 2.0, 100.0).any()
    coarse = beyond_nyquist(ideal(), 0 * FLAT, 1.0, 100.0)
    assert (coarse[ring_frequency() > 0.5] > 0).all()
    assert coarse[ring_frequency() < 0.45].max() < coarse[ring_frequency() > 0.55].max()


def test_a_smear_spares_lines_along_itself() -> None:
    """Along the smear |sinc(f L)| (Bracewell, textbook), across it nothing: the geometric mean lies between.

    Against a plain sum over a thousand angles.
    """
    f, length = np.array([0.05, 0.2, 0.4]), 2.0
    angle = (np.arange(1000) + 0.5) * np.pi / 2000
    slow = [float(np.exp(np.mean(np.log(np.abs(np.sinc(one * length * np.cos(angle))))))) for one in f]
    np.testing.assert_allclose(smear_transfer(f, length), slow, rtol=2e-3)
    assert (smear_transfer(f, length) > np.sinc(f * length)).all()
    assert smear_transfer(f, 0.0) == pytest.approx(1.0)
