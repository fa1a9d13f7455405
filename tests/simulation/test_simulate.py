"""Whole simulated captures: signs, truth, repeatability."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import center_of_mass

from stacker.simulation import (
    Air,
    CrateredSurface,
    Detector,
    EmptySky,
    FeaturelessDisc,
    FlatField,
    Layer,
    Mishaps,
    Optics,
    Scenario,
    TexturedDisc,
    Tracking,
    simulate,
    truth_of,
)

CLEAN = Detector(
    bits=16,
    hot_share=0,
    warm_share=0,
    dead_share=0,
    peak_electrons=1e6,
    read_noise_electrons=0,
    sky_electrons=0,
    offset_adu=0,
)
STILL = Air(d_over_r0=0.0)
SMALL = Scenario(scene=FeaturelessDisc(0.5), frames=6, height_px=96, width_px=96, detector=CLEAN, air=STILL)
GROUND_ONLY = Air(d_over_r0=4.0, seeing_sigma=0.0, layers=(Layer(0.0, 1.0, 5.0, 30.0),))


def standing(frame: NDArray[Any]) -> NDArray[np.float64]:
    """Centroid (row, column) of what is brighter than a third: the halo reaches out of the frame."""
    bright = np.maximum(frame.astype(float) - 0.33 * frame.max(), 0.0)
    return np.array(center_of_mass(bright))


def test_positive_pointing_moves_the_target_down_and_right() -> None:
    """The contract's sign: (dy, dx) = where the target stands in this frame minus in the scene."""
    drifting = replace(SMALL, tracking=Tracking(drift_y_px=10.0, drift_x_px=-6.0))
    simulated = simulate(drifting, 1)
    moved = standing(simulated.frame(5)) - standing(simulated.frame(0))
    np.testing.assert_allclose(moved, [10.0, -6.0], atol=0.03)
    np.testing.assert_allclose(simulated.shift_px[5] - simulated.shift_px[0], [10.0, -6.0], atol=1e-6)


def test_the_truths_shift_is_where_the_target_stands() -> None:
    """With turbulence at the ground the whole field moves by the tilt: centroids follow the truth.

    0.1 px: a blurred disc's centroid is its tilt over the pupil's gradient (G-tilt), the truth is Zernike tilt.
    """
    simulated = simulate(replace(SMALL, air=GROUND_ONLY, frames=12), 3)
    centre = np.array([standing(frame) for frame in simulated]) - 47.5
    spread = simulated.shift_px.std(0)
    assert spread.min() > 0.8
    residual = centre - simulated.shift_px
    assert residual.std() < 0.45 * spread.mean()
    assert np.corrcoef(centre[:, 0], simulated.shift_px[:, 0])[0, 1] > 0.9
    assert np.corrcoef(centre[:, 1], simulated.shift_px[:, 1])[0, 1] > 0.9


def test_ground_turbulence_moves_the_field_alike_and_high_turbulence_does_not() -> None:
    """The field's own displacement comes from the layers above the ground only."""
    low = simulate(replace(SMALL, air=GROUND_ONLY), 1).tilt_px
    high_air = replace(GROUND_ONLY, layers=(Layer(8000.0, 1.0, 10.0, 0.0),))
    high = simulate(replace(SMALL, air=high_air), 1).tilt_px
    assert (low - low[:, :1, :1]).std() < 1e-5
    assert (high - high[:, :1, :1]).std() > 0.3


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not() -> None:
    scenario = Scenario(
        frames=3, height_px=64, width_px=80, detector=Detector(bits=12, mosaic="GRBG", wavelength_nm=640)
    )
    first, again, other = (list(simulate(scenario, seed)) for seed in (7, 7, 8))
    assert all(np.array_equal(a, b) for a, b in zip(first, again, strict=True))
    assert not np.array_equal(first[0], other[0])
    assert np.array_equal(simulate(scenario, 7).frame(2), first[2])
    assert first[0].shape == (64, 80)


def test_still_air_shows_the_truth() -> None:
    """Without turbulence and noise a frame is the diffraction-limited scene, to the resampling's error (1 %)."""
    simulated = simulate(replace(SMALL, scene=TexturedDisc(0.6)), 2)
    frame = simulated.frame(0).astype(float) / 65535 / 0.7
    truth = truth_of(simulated)
    top, left = simulated.imaging.margin_px
    inside = truth["truth"][top : top + 96, left : left + 96, 0]
    np.testing.assert_allclose(frame, inside, atol=0.01)
    assert simulated.strehl[0] == pytest.approx(1.0, abs=1e-4)


def test_truth_on_the_frames_grid_undoes_the_warp() -> None:
    """Moving the frame back by pointing and tilt leaves less than half of the mismatch of a plain shift."""
    import cv2

    air = Air(d_over_r0=2.0, seeing_sigma=0.0, layers=(Layer(9000.0, 1.0, 10.0, 45.0),))
    scenario = Scenario(scene=TexturedDisc(0.8), frames=8, height_px=160, width_px=160, air=air, detector=CLEAN)
    simulated = simulate(scenario, 5)
    y, x = np.mgrid[:160, :160].astype(np.float32)
    top, left = simulated.imaging.margin_px
    truth = truth_of(simulated)["truth"][..., 0]
    reference = cv2.GaussianBlur(truth, (0, 0), 2.5)
    mismatch = []
    for index in range(8):
        frame = simulated.frame(index).astype(np.float32) / 65535 / 0.7
        for tilt in (simulated.tilt_px[index], np.broadcast_to(simulated.tilt_px[index].mean((0, 1)), (17, 17, 2))):
            dense = np.stack(
                [
                    cv2.resize(np.ascontiguousarray(tilt[..., i]), (160, 160), interpolation=cv2.INTER_LINEAR)
                    for i in (0, 1)
                ]
            )
            seen = cv2.remap(reference, x + left - dense[1], y + top - dense[0], cv2.INTER_LINEAR)
            smooth = cv2.GaussianBlur(frame, (0, 0), 1.0)
            mismatch.append(float((smooth - seen)[40:120, 40:120].std()))
    warped, shifted = np.array(mismatch).reshape(8, 2).mean(0)
    assert warped < 0.7 * shifted


def test_worse_seeing_lowers_the_strehl_ratio() -> None:
    """Long known (Fried 1966): tilt-free Strehl 0.59 at D/r0 = 2 and 0.13 at 5 for a clear pupil in the mean."""
    ratios = []
    for strength in (2.0, 5.0):
        air = Air(d_over_r0=strength, seeing_sigma=0.0)
        simulated = simulate(replace(SMALL, air=air, frames=40, frames_per_s=10.0), 1)
        list(simulated)
        ratios.append(float(simulated.strehl.mean()))
    # The peak of the picture, which lucky frames have off the axis, is above the on-axis ratio of the mean.
    assert 0.5 < ratios[0] < 0.75
    assert 0.13 < ratios[1] < 0.32


def test_mishaps_are_what_the_flags_say() -> None:
    mishaps = Mishaps(out_of_field=2, duplicates=2, torn=2, blank=2)
    scenario = replace(SMALL, frames=30, mishaps=mishaps, detector=replace(CLEAN, peak_electrons=5000.0))
    simulated = simulate(scenario, 4)
    frames = [frame.copy() for frame in simulated]
    course = simulated.course
    assert min(course.out.sum(), course.torn.sum(), course.blank.sum()) >= 2
    assert course.duplicate.sum() == 2
    for index in np.flatnonzero(course.duplicate):
        assert np.array_equal(frames[index], frames[index - 1])
        np.testing.assert_array_equal(simulated.tilt_px[index], simulated.tilt_px[index - 1])
    usual = np.median([frame.sum(dtype=float) for frame in frames])
    for index in np.flatnonzero(course.blank):
        assert frames[index].sum(dtype=float) < 0.02 * usual
    for index in np.flatnonzero(course.out & ~course.torn):
        assert frames[index].sum(dtype=float) < 0.8 * usual
    plain = np.flatnonzero(~(course.out | course.duplicate | course.torn | course.blank))
    for index in plain:
        assert frames[index].sum(dtype=float) == pytest.approx(usual, rel=0.02)
        assert index == 0 or not np.array_equal(frames[index], frames[index - 1])


def test_too_many_mishaps_are_refused() -> None:
    with pytest.raises(ValueError, match="do not fit"):
        simulate(replace(SMALL, mishaps=Mishaps(blank=6)), 1)


def test_dispersion_lifts_blue_towards_the_zenith() -> None:
    """Blue is refracted most (Filippenko 1982): with the zenith up, its picture stands higher (smaller row)."""
    detector = replace(CLEAN, colour=True, wavelength_nm=535.0)
    scenario = replace(SMALL, detector=detector, air=replace(STILL, zenith_distance_deg=55.0))
    simulated = simulate(replace(scenario, optics=Optics(focal_length_mm=4300.0)), 1)
    frame = simulated.frame(0)
    rows = [standing(frame[..., channel])[0] for channel in range(3)]
    assert rows[2] < rows[1] < rows[0]
    np.testing.assert_allclose(np.array(rows) - rows[1], simulated.imaging.channel_shift_px[:, 0], atol=0.06)


def test_a_flat_stays_flat_and_the_sky_dark() -> None:
    """Warp and blur cannot make structure from nothing."""
    air = Air(d_over_r0=5.0)
    flat = simulate(replace(SMALL, scene=FlatField(), air=air), 1).frame(0).astype(float)
    assert flat.std() / flat.mean() < 0.004
    assert simulate(replace(SMALL, scene=EmptySky(), air=air), 1).frame(0).max() == 0


def test_pixels_integrate_over_their_area() -> None:
    """Oversampled optics binned by 2 keep brightness and place of the target."""
    coarse = replace(SMALL, oversampling=2, optics=Optics(focal_length_mm=1875.0))
    frame = simulate(coarse, 1).frame(0).astype(float)
    plain = simulate(SMALL, 1).frame(0).astype(float)
    np.testing.assert_allclose(standing(frame), [47.5, 47.5], atol=0.02)
    assert frame.max() == pytest.approx(plain.max(), rel=0.05)


def test_exposures_longer_than_the_air_stands_still_blur() -> None:
    """Averaged instants lower the Strehl ratio (the air moves 0.6 of an aperture in this exposure)."""
    air = Air(d_over_r0=4.0, seeing_sigma=0.0, layers=(Layer(3000.0, 1.0, 15.0, 0.0),))
    frozen = simulate(replace(SMALL, air=air, exposure_s=0.01, frames=4), 1)
    smeared = simulate(replace(SMALL, air=replace(air, sub_exposures=8), exposure_s=0.01, frames=4), 1)
    list(frozen), list(smeared)
    assert smeared.strehl.mean() < 0.9 * frozen.strehl.mean()


def test_fast_mode_keeps_warp_and_noise_of_each_frame() -> None:
    scenario = Scenario(scene=CrateredSurface(), frames=40, height_px=96, width_px=96, fast=True, fast_bank=4)
    simulated = simulate(scenario, 1)
    frames = list(simulated)
    assert len({frame.tobytes() for frame in frames}) == 40
    assert np.isfinite(simulated.strehl).all()
    slow = simulate(replace(scenario, fast=False), 1)
    np.testing.assert_array_equal(slow.tilt_px, simulated.tilt_px)
    assert slow.frame(5).mean() == pytest.approx(frames[5].mean(), rel=0.03)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"frames": 0}, "0 frames of 96x96 px make no capture"),
        ({"height_px": 4}, "frames of 96x4 px make no capture"),
        ({"exposure_s": 1.0}, "between two frames"),
        ({"oversampling": 0}, "must be at least 1"),
        ({"optics": Optics(focal_length_mm=900.0)}, "fewer than 2 px per lambda"),
    ],
)
def test_impossible_scenarios_are_refused(wrong: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        replace(SMALL, **wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("scene", [CrateredSurface(), TexturedDisc()], ids=["surface", "disc"])
def test_seeing_does_not_alter_the_scene(scene: CrateredSurface | TexturedDisc) -> None:
    """The same seed shows the same place, whatever margins the seeing asks for."""
    truths = []
    for strength in (1.0, 6.0):
        simulated = simulate(replace(SMALL, scene=scene, air=Air(d_over_r0=strength)), 1)
        top, left = simulated.imaging.margin_px
        truths.append(simulated.imaging.diffraction_limited()[top : top + 96, left : left + 96, 0])
    np.testing.assert_allclose(truths[0][10:-10, 10:-10], truths[1][10:-10, 10:-10], atol=0.02)
