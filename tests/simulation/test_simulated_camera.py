"""From electrons to stored numbers."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.simulation.camera import QuickNoise, build_sensor, convert, expected_electrons, expose, through_mosaic
from stacker.simulation.scenario import Detector

CLEAN = {"hot_share": 0.0, "warm_share": 0.0, "dead_share": 0.0}


@pytest.mark.parametrize("quick", [False, True])
def test_photon_transfer_slope_is_the_gain(quick: bool) -> None:
    """Variance against mean in stored numbers has slope 1 / gain and meets read noise (Janesick 2007, Photon Transfer).

    2 % of slope: variances of 40 000 samples scatter by 0.7 %.
    """
    detector = Detector(bits=16, peak_electrons=20000.0, peak_level=0.6, read_noise_electrons=8.0, **CLEAN)
    shape = (200, 200)
    sensor = build_sensor(np.random.default_rng(1), detector, shape)
    means, variances = [], []
    for step, level in enumerate(np.linspace(0.02, 1.0, 12)):
        expected = expected_electrons(sensor, np.full(shape, level, np.float32), 1.0)
        rng = np.random.default_rng(step)
        frame = QuickNoise(rng, shape).expose(rng, sensor, expected) if quick else expose(rng, sensor, expected)
        means.append(float(frame.mean()) - detector.offset_adu)
        variances.append(float(frame.var()))
    slope, intercept = np.polyfit(means, variances, 1)
    assert 1 / slope == pytest.approx(detector.gain_e_per_adu, rel=0.02)
    assert sensor.detector.gain_e_per_adu == pytest.approx(20000 / (0.6 * 65535))
    first = variances[0] - means[0] / detector.gain_e_per_adu
    assert first == pytest.approx((8.0 / detector.gain_e_per_adu) ** 2, rel=0.3)
    assert np.isfinite(intercept)


def test_converter_saturates_and_aligns() -> None:
    """12 bits stop at 4095, or at 65520 in the upper bits of 16; 8 bits come as bytes."""
    bright = np.full((4, 4), 1e9, np.float32)
    low, high = Detector(bits=12), Detector(bits=12, high_aligned=True)
    assert convert(low, bright).max() == 4095
    assert convert(high, bright).max() == 65520
    assert convert(Detector(bits=8), bright).dtype == np.uint8
    assert convert(low, np.zeros((4, 4), np.float32)).min() == round(low.offset_adu)


def test_high_alignment_leaves_the_low_bits_empty() -> None:
    """Common practice, no source: 12-in-16 data are multiples of 16."""
    detector = Detector(bits=12, high_aligned=True)
    sensor = build_sensor(np.random.default_rng(1), detector, (64, 64))
    expected = expected_electrons(sensor, np.full((64, 64), 0.5, np.float32), 1.0)
    frame = expose(np.random.default_rng(2), sensor, expected)
    assert not (frame % 16).any()
    assert len(np.unique(frame)) > 20


def test_bad_pixels_stand_out() -> None:
    """Hot pixels are bright in the dark, dead ones dark in the light, as many as asked for."""
    detector = Detector(bits=12, hot_share=0.001, warm_share=0.0, dead_share=0.002)
    sensor = build_sensor(np.random.default_rng(3), detector, (100, 100))
    assert (len(sensor.hot), len(sensor.warm), len(sensor.dead)) == (10, 0, 20)
    dark = expose(np.random.default_rng(4), sensor, expected_electrons(sensor, np.zeros((100, 100), np.float32), 1.0))
    light = expose(np.random.default_rng(5), sensor, expected_electrons(sensor, np.ones((100, 100), np.float32), 1.0))
    assert dark.flat[sensor.hot].min() > 0.3 * 4095
    assert light.flat[sensor.dead].max() < 0.1 * np.median(light)


@pytest.mark.parametrize("mosaic", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_mosaic_keeps_each_colour_at_its_place(mosaic: str) -> None:
    """The name spells the 2x2 cell row by row (FITS users' BAYERPAT, common practice)."""
    image = np.broadcast_to(np.array([1.0, 2.0, 3.0], np.float32), (6, 8, 3))
    raw = through_mosaic(image, mosaic)
    letters = {1.0: "R", 2.0: "G", 3.0: "B"}
    assert "".join(letters[float(v)] for v in raw[:2, :2].ravel()) == mosaic
    assert np.array_equal(raw[2:4, 2:4], raw[:2, :2])


def test_cloud_dims_the_scene_only() -> None:
    """Cloud takes light from the target, not from hot pixels."""
    sensor = build_sensor(np.random.default_rng(1), Detector(sky_electrons=0.0, **CLEAN), (8, 8))
    scene = np.ones((8, 8), np.float32)
    half, full = (expected_electrons(sensor, scene, part) for part in (0.5, 1.0))
    np.testing.assert_allclose(half, 0.5 * full)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"bits": 17}, "bits is 17"),
        ({"bits": 2}, "bits is 2"),
        ({"mosaic": "RGBG"}, "mosaic is 'RGBG'"),
        ({"mosaic": "RGGB", "colour": True}, "not both"),
        ({"peak_electrons": 0.0}, "must be positive"),
    ],
)
def test_impossible_cameras_are_refused(wrong: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Detector(**wrong)  # type: ignore[arg-type]
