"""The whole first pass on captures whose truth is known: order, place, target, and the same bytes for any workers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest
from scipy import stats

from stacker.capture import CaptureError
from stacker.ranking import Ranking, rank
from stacker.ranking.first_pass import BATCH, BATCHES
from stacker.settings import RankingSettings

Make = Callable[..., Any]


def shift_error_px(ranking: Ranking, shift_px: Any) -> float:
    """Return the rms error per axis of the usable frames' coarse shifts, anchor's own offset removed."""
    error = (ranking.coarse_shift_px - (shift_px - shift_px[ranking.anchor]))[ranking.usable]
    return float(np.sqrt(((error - np.median(error, axis=0)) ** 2).mean()))


def test_disc_is_found_followed_and_ranked(disc: Make, film: Make) -> None:
    """Order by blur (Spearman 0.98), place to 0.1 px, radius to 2 px; nothing is thrown out."""
    scene = disc()
    ranking = rank(film(scene.frames), RankingSettings())
    assert ranking.target.kind == "disc"
    assert ranking.target.radius_px == pytest.approx(60, abs=2)
    assert ranking.usable.all()
    assert stats.spearmanr(ranking.sharpness, -scene.blur_px)[0] > 0.98
    assert shift_error_px(ranking, scene.shift_px) < 0.1
    centre = np.array([99.5, 119.5]) + scene.shift_px[ranking.anchor]
    np.testing.assert_allclose(ranking.target.centre_px, centre, atol=1.0)


def test_surface_is_found_followed_and_ranked(surface: Make, film: Make) -> None:
    """Order by blur, place to 0.5 px, the whole frame is target."""
    scene = surface()
    ranking = rank(film(scene.frames), RankingSettings())
    assert ranking.target.kind == "surface"
    assert ranking.target.mask.all()
    assert ranking.usable.all()
    assert stats.spearmanr(ranking.sharpness, -scene.blur_px)[0] > 0.98
    assert shift_error_px(ranking, scene.shift_px) < 0.5


def test_sign_of_the_shift(disc: Make, film: Make) -> None:
    """A disc further down and to the right than in the anchor has positive (dy, dx)."""
    scene = disc(count=12, motion_px=0.3)
    frames = scene.frames.copy()
    frames[5] = np.roll(frames[5], (9, 14), (0, 1))
    ranking = rank(film(frames), RankingSettings())
    expected = scene.shift_px[5] - scene.shift_px[ranking.anchor] + (9, 14)
    np.testing.assert_allclose(ranking.coarse_shift_px[5], expected, atol=0.3)


@pytest.mark.parametrize("radius_px", [6, 12, 25])
def test_small_discs(radius_px: float, disc: Make, film: Make) -> None:
    """Discs of 12 to 50 px keep their place (0.15 px) and their order (Spearman 0.95)."""
    scene = disc(radius_px=radius_px)
    ranking = rank(film(scene.frames), RankingSettings())
    assert ranking.target.kind == "disc"
    assert ranking.usable.all()
    assert shift_error_px(ranking, scene.shift_px) < 0.15
    assert stats.spearmanr(ranking.sharpness, -scene.blur_px)[0] > 0.95


def test_disc_that_drifts_across_the_border(drifting_disc: Any, film: Make) -> None:
    """Frames with a tenth to all of the disc inside: those used are right to 0.5 px though the border cuts it."""
    frames, shift_px = drifting_disc
    ranking = rank(film(frames), RankingSettings())
    cut = np.abs(shift_px[:, 1]) > 55
    assert (ranking.usable & cut).sum() > 5
    error = (ranking.coarse_shift_px - (shift_px - shift_px[ranking.anchor]))[ranking.usable]
    assert np.abs(error - np.median(error, axis=0)).max() < 0.5


def test_surface_that_drifts_by_more_than_half_a_frame(drifting_surface: Any, film: Make) -> None:
    """Key frames chain the field: 150 px of drift over a frame of 240 px, right to 2 px everywhere."""
    frames, shift_px = drifting_surface
    ranking = rank(film(frames), RankingSettings())
    assert ranking.usable.mean() > 0.9
    error = (ranking.coarse_shift_px - (shift_px - shift_px[ranking.anchor]))[ranking.usable]
    assert np.abs(error).max() < 2


@pytest.mark.parametrize("kind", ["disc", "surface"])
def test_any_number_of_workers_gives_the_same_bytes(kind: str, request: pytest.FixtureRequest, film: Make) -> None:
    scene = request.getfixturevalue(kind)(count=40)
    one, two = (rank(film(scene.frames), RankingSettings(), workers) for workers in (1, 2))
    for name in ("sharpness", "patch_sharpness", "brightness", "coarse_shift_px"):
        assert getattr(one, name).tobytes() == getattr(two, name).tobytes(), name
    assert (one.reason, one.anchor, one.noise_adu) == (two.reason, two.anchor, two.noise_adu)


def test_gain_and_thin_cloud_do_not_change_the_order(disc: Make, film: Make) -> None:
    """A third of the frames through half the light keep their place in the order and stay usable."""
    scene = disc(noise_adu=1.0)
    dimmed = scene.frames.astype(np.float32)
    dimmed[20:40] = 6 + (dimmed[20:40] - 6) * 0.5
    ranking = rank(film(dimmed.clip(0, 255).astype(np.uint8)), RankingSettings())
    assert ranking.usable.all()
    assert stats.spearmanr(ranking.sharpness, -scene.blur_px)[0] > 0.97
    assert ranking.brightness[20:40].mean() / ranking.brightness[:20].mean() == pytest.approx(0.5, rel=0.05)


def test_patches_see_local_blur(surface: Make, film: Make) -> None:
    """One half of a frame blurred again: only the patches over that half fall."""
    scene = surface(count=30, motion_px=0.5)
    frames = scene.frames.copy()
    frames[7, :, 120:] = cv2.GaussianBlur(frames[7], (0, 0), 2.5)[:, 120:]
    ranking = rank(film(frames), RankingSettings())
    before = rank(film(scene.frames), RankingSettings())
    columns = ranking.patch_sharpness.shape[2]
    ratio = ranking.patch_sharpness[7] / before.patch_sharpness[7]
    assert np.nanmedian(ratio[:, : columns // 2 - 1]) == pytest.approx(1, abs=0.1)
    assert np.nanmedian(ratio[:, columns // 2 + 1 :]) < 0.6


def test_patches_outside_a_disc_are_nan(disc: Make, film: Make) -> None:
    ranking = rank(film(disc(radius_px=30).frames), RankingSettings())
    grid = ranking.patch_sharpness
    assert np.isnan(grid[:, 0, 0]).all()
    assert np.isfinite(grid[:, grid.shape[1] // 2, grid.shape[2] // 2]).all()


def test_colour_and_mosaic_frames(disc: Make, film: Make) -> None:
    """The same disc as full colour with unequal channels, and as raw mosaic whose colours differ in sensitivity."""
    scene = disc(radius_px=50)
    colour = np.stack([scene.frames, scene.frames // 2, scene.frames // 3], axis=-1)
    mosaic = scene.frames.copy()
    mosaic[:, ::2, ::2] //= 2
    mosaic[:, 1::2, 1::2] //= 3
    for capture in (film(colour), film(mosaic, mosaic="RGGB")):
        ranking = rank(capture, RankingSettings())
        assert ranking.usable.all()
        assert stats.spearmanr(ranking.sharpness, -scene.blur_px)[0] > 0.95
        assert shift_error_px(ranking, scene.shift_px) < 0.15


@pytest.mark.parametrize("count", [1, 2, 3])
def test_very_short_captures(count: int, disc: Make, film: Make) -> None:
    ranking = rank(film(disc(count=count).frames), RankingSettings())
    assert ranking.usable.all()
    assert len(ranking.order) == count


def test_noise_model_tells_the_noise(disc: Make, film: Make) -> None:
    """2.5 ADU of white noise plus the rounding to whole numbers: sqrt(2.5^2 + 1/12) = 2.52, to 6 %."""
    assert rank(film(disc().frames), RankingSettings()).noise_adu == pytest.approx(2.52, rel=0.06)


def test_progress_ends_with_the_last_frame(disc: Make, film: Make) -> None:
    seen: list[tuple[int, int]] = []
    rank(film(disc(count=10).frames), RankingSettings(), 2, lambda done, total: seen.append((done, total)))
    assert [total for _, total in seen] == [10] * len(seen)
    assert seen[-1] == (10, 10) and [done for done, _ in seen] == sorted({done for done, _ in seen})


@pytest.mark.parametrize("level", [0, 255])
def test_blank_captures_are_refused_in_one_line(level: int, film: Make) -> None:
    with pytest.raises(CaptureError, match="blank") as error:
        rank(film(np.full((10, 64, 80), level, np.uint8)), RankingSettings())
    assert "\n" not in str(error.value)


def test_noise_alone_is_refused_unless_called_a_surface(film: Make) -> None:
    """A target that never appears is one clear line; who says that it is a surface gets a result."""
    frames = np.random.default_rng(1).normal(60, 3, (30, 96, 120)).astype(np.uint8)
    with pytest.raises(CaptureError, match="no target"):
        rank(film(frames), RankingSettings())
    assert rank(film(frames), RankingSettings(target="surface")).usable.all()


def test_a_copy_is_known_wherever_it_stands(disc: Make, film: Make) -> None:
    """Frames are looked at a few at once and handed on in stretches: a copy is told across every seam."""
    frames = disc().frames.copy()
    copies = [BATCH, BATCH * BATCHES, BATCH * BATCHES + 3]
    for place in copies:
        frames[place] = frames[place - 1]
    for workers in (1, 2):
        reason = rank(film(frames), RankingSettings(), workers).reason
        assert [place for place, word in enumerate(reason) if word == "duplicate"] == copies
