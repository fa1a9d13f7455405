"""The displacement fields against known ones: size of the error, no invented warp, signs, errors, small captures."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from stacker.alignment import align
from stacker.settings import AlignmentSettings

BORDER_PX = 16
"""Where a filter sees mirrored data, and the frame's own edge moves in and out."""
Make = Callable[..., Any]


def wrong_px(truth: Any, found: Any) -> np.ndarray:
    """Return (M, 2, h, w): found minus true displacement, without what all frames share (the free zero)."""
    found_px = found.displacement_px
    height, width = truth.displacement_px.shape[2:]
    error = found_px[:, :, :height, :width] - truth.displacement_px[found.alignment.frames]
    return np.asarray(error - error.mean(0))


def inner(fields: np.ndarray) -> np.ndarray:
    return fields[:, :, BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX]


@pytest.fixture(scope="module")
def warped(lunar: Make) -> Any:
    """Rms 1 px, correlation length 64 px, signal to noise 20, 40 frames: a proposal for destretching of our own."""
    return lunar()


@pytest.fixture(scope="module")
def found(warped: Any, aligned: Make) -> Any:
    return aligned(warped.frames, "surface")


def test_a_known_warp_is_recovered(warped: Any, found: Any) -> None:
    """Of 2.2 px motion in all, 0.10 px rms is left after two passes (0.066 after four); 0.15 px is asked for."""
    left = inner(wrong_px(warped, found))
    assert np.std(inner(warped.displacement_px)) > 1.9
    assert np.sqrt((left**2).mean()) < 0.12


def test_a_warp_of_three_pixels_is_found_from_nothing(lunar: Make, aligned: Make) -> None:
    """Far beyond what small steps on fine detail reach alone (1.15 px is left then): the patches of the first pass."""
    bent = lunar(warp_rms_px=3, seed=9)
    left = inner(wrong_px(bent, aligned(bent.frames, "surface")))
    assert np.sqrt((left**2).mean()) < 0.8


def test_the_size_of_the_warp_is_told(warped: Any, found: Any) -> None:
    local = warped.displacement_px - warped.displacement_px.mean((2, 3), keepdims=True)
    assert found.alignment.field_rms_px == pytest.approx(local.std(), rel=0.1)


def test_quick_effort_is_rougher(warped: Any, aligned: Make) -> None:
    """Two passes on binned frames: 0.19 px rms, against 0.10 of the full effort."""
    left = inner(wrong_px(warped, aligned(warped.frames, "surface", effort="quick")))
    assert np.sqrt((left**2).mean()) < 0.3


def test_no_warp_is_invented(lunar: Make, aligned: Make) -> None:
    """Where frames only shift, the local field stays under a tenth of a pixel (prior: 1.7 px)."""
    still = lunar(warp_rms_px=0, seed=1)
    result = aligned(still.frames, "surface")
    local = inner(result.displacement_px)
    local = local - local.mean((2, 3), keepdims=True)
    assert np.sqrt((local**2).mean()) < 0.12
    assert result.alignment.field_rms_px < 0.12


def test_more_noise_is_more_error_but_no_collapse(lunar: Make, aligned: Make) -> None:
    """At signal to noise 4 the prior takes over where detail fails: error between that at 20 and the warp itself."""
    noisy = lunar(snr=4, seed=2)
    left = inner(wrong_px(noisy, aligned(noisy.frames, "surface")))
    assert 0.07 < np.sqrt((left**2).mean()) < 0.3


def test_shifts_are_of_the_target_and_their_errors_are_honest(warped: Any, found: Any) -> None:
    """Mean over the target, frame by frame: rms of the error over the stated one; 80 values know it to 8 %."""
    true = warped.displacement_px.mean((2, 3))[found.alignment.frames]
    wrong = found.alignment.shift_px - true
    wrong -= wrong.mean(0)
    stated = np.sqrt((found.alignment.shift_error_px**2).mean())
    assert stated < 0.06
    assert 0.5 < np.sqrt((wrong**2).mean()) / stated < 1.5


def test_a_target_further_down_has_a_positive_dy(lunar: Make, aligned: Make) -> None:
    """Frames are cut from one still frame: 4 px down and 6 px left of the cut for the odd ones."""
    still = lunar(count=1, warp_rms_px=0, side_px=224).frames[0]
    low, high = still[16:208, 16:208], still[12:204, 22:214]
    rng = np.random.default_rng(3)
    frames = np.stack([(high if n % 2 else low) + rng.integers(0, 60, low.shape) for n in range(20)]).astype(np.uint16)
    shift = aligned(frames, "surface").alignment.shift_px
    moved = shift[1::2].mean(0) - shift[::2].mean(0)
    assert moved == pytest.approx([4, -6], abs=0.02)
    assert np.ptp(shift[::2], axis=0).max() < 0.1


def test_same_bytes_whatever_the_workers(lunar: Make, aligned: Make) -> None:
    frames = lunar(count=24, side_px=128, seed=4).frames
    results = [aligned(frames, "surface", workers=workers).alignment for workers in (1, 2, 1)]
    for name in ("coefficients", "weight", "gain", "shift_px", "shift_error_px", "half_warp"):
        first, *others = (getattr(result, name) for result in results)
        for other in others:
            assert_array_equal(first, other)


def test_a_disc_is_followed_as_a_whole(disc: Make, aligned: Make) -> None:
    """Field error over the target, limb included."""
    moving = disc()
    result = aligned(moving.frames)
    assert result.ranking.target.kind == "disc"
    region = result.alignment.region
    errors = []
    for order, frame in enumerate(result.alignment.frames):
        found_px, true = result.displacement_px[order], moving.displacement_px[frame]
        rows = slice(max(region.top, 0), min(region.top + region.shape[0], true.shape[1]))
        columns = slice(max(region.left, 0), min(region.left + region.shape[1], true.shape[2]))
        part = found_px[:, rows.start - region.top : rows.stop - region.top]
        part = part[:, :, columns.start - region.left : columns.stop - region.left]
        errors.append((part - true[:, rows, columns])[:, result.ranking.target.mask[rows, columns]])
    left = np.array(errors)
    left -= left.mean(0)
    assert np.sqrt((left**2).mean()) < 0.2


def test_a_disc_of_twelve_pixels(disc: Make, aligned: Make) -> None:
    small = disc(radius_px=6, side_px=64, warp_rms_px=0.3)
    result = aligned(small.frames, "disc")
    true = small.displacement_px[..., result.ranking.target.mask].mean(2)[result.alignment.frames]
    wrong = result.alignment.shift_px - true
    assert np.std(wrong, axis=0).max() < 0.1
    assert np.isfinite(result.alignment.coefficients).all()


@pytest.mark.parametrize("count", [1, 2, 3, 8, 9])
def test_few_frames(count: int, lunar: Make, aligned: Make) -> None:
    """One half only under eight frames; always finite, and the frames still come together."""
    few = lunar(count=count, side_px=128, seed=5)
    result = aligned(few.frames, "surface")
    found = result.alignment
    assert len(found.frames) == count
    assert set(found.half.tolist()) == ({0} if count < 8 else {0, 1})
    assert np.isfinite(found.coefficients).all()
    assert found.weight.sum() == pytest.approx(1)
    assert np.sqrt((inner(wrong_px(few, result)) ** 2).mean()) < 0.15


@pytest.mark.parametrize("mosaic", ["RGGB", "GBRG"])
def test_a_mosaic_is_aligned_like_a_gray_capture(mosaic: str, lunar: Make, aligned: Make) -> None:
    """Samples of the three colours at 60, 100 and 40 %: the pattern stays put, it must not hold the frames."""
    moving = lunar(count=30, seed=6)
    gain = np.array([{"R": 0.6, "G": 1.0, "B": 0.4}[colour] for colour in mosaic]).reshape(2, 2)
    frames = (moving.frames * np.tile(gain, (96, 96))).astype(np.uint16)
    left = inner(wrong_px(moving, aligned(frames, "surface", mosaic=mosaic)))
    assert np.sqrt((left**2).mean()) < 0.15


def test_the_best_part_of_each_half_is_kept(warped: Any, aligned: Make) -> None:
    result = aligned(warped.frames, "surface", keep=50)
    found = result.alignment
    assert len(found.frames) == 20
    assert np.bincount(found.half).tolist() == [10, 10]
    dropped = np.setdiff1d(np.arange(40), found.frames)
    for half in (0, 1):
        members = found.frames[found.half == half]
        others = [frame for frame in dropped if frame // 4 % 2 == half]
        assert result.ranking.sharpness[members].min() >= result.ranking.sharpness[others].max()


def test_blurred_frames_weigh_less(lunar: Make, aligned: Make) -> None:
    """Every third frame through a Gaussian of 2 px: gain and weight fall, and the order of the weights tells them."""
    from scipy.ndimage import gaussian_filter

    frames = lunar(count=30, side_px=160, warp_rms_px=0.5, seed=7).frames.copy()
    rng = np.random.default_rng(8)
    for number in range(0, 30, 3):
        blurred = gaussian_filter(frames[number].astype(float), 2)
        frames[number] = np.rint(blurred + rng.normal(0, 60, blurred.shape))
    found = aligned(frames, "surface").alignment
    poor = found.frames % 3 == 0
    assert found.gain[poor].max() < found.gain[~poor].min()
    assert found.weight[poor].max() < 0.6 * found.weight[~poor].min()


def test_progress_rises_to_the_total(lunar: Make, aligned: Make) -> None:
    result = aligned(lunar(count=10, side_px=96).frames, "surface")
    calls: list[tuple[int, int]] = []
    align(result.capture, result.ranking, AlignmentSettings(), 100, 2, lambda done, total: calls.append((done, total)))
    done = [frames for frames, _ in calls]
    assert len(done) >= 8 and done == sorted(set(done))
    totals = [total for _, total in calls]
    assert totals == sorted(totals) and totals[-1] == calls[-1][0]
