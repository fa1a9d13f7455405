"""Labels: words beside the picture, never on it; the right way up, the right size, readable."""

from datetime import UTC, datetime

import numpy as np
import pytest
from numpy.typing import NDArray

from stacker.measuring.disc import DiscFit
from stacker.measuring.witness import north_from_disc
from stacker.report.labels import _DIM, _INK, _PAPER, Label, draw_labels, label_of, scale_bar
from stacker.sky.ephemeris import look_at
from stacker.sky.vectors import Site

FULL = Label("Jupiter", datetime(2031, 4, 5, 21, 30, tzinfo=UTC), {"I": 1.0, "II": 2.0, "III": 3.0}, 51.0, "ten inch")


def _picture(kind: str, shape: tuple[int, ...] = (120, 160)) -> NDArray[np.uint8] | NDArray[np.uint16]:
    rng = np.random.default_rng(0)
    if kind == "uint8":
        return rng.integers(0, 256, shape, dtype=np.uint8)
    return rng.integers(0, 65536, shape, dtype=np.uint16)


@pytest.mark.parametrize("kind", ["uint8", "uint16"])
@pytest.mark.parametrize("shape", [(120, 160), (120, 160, 3), (400, 900, 3)])
def test_the_picture_is_copied_untouched(kind: str, shape: tuple[int, ...]) -> None:
    """Every pixel stands in the labelled copy as it was, and the original is not written to."""
    picture = _picture(kind, shape)
    before = picture.copy()
    labelled = draw_labels(picture, Label(north_angle_deg=30.0, scale_arcsec_per_px=0.2, **_words()))
    left = (labelled.shape[1] - shape[1]) // 2
    np.testing.assert_array_equal(labelled[: shape[0], left : left + shape[1]], before)
    np.testing.assert_array_equal(picture, before)
    assert labelled.dtype == picture.dtype and labelled.ndim == picture.ndim
    assert labelled[shape[0] :].max() > 0.8 * np.iinfo(picture.dtype).max


def _words() -> dict[str, object]:
    return {"target": "Jupiter", "when_utc": datetime(2031, 4, 5, 21, 30, tzinfo=UTC)}


@pytest.mark.parametrize(("north_deg", "aim"), [(0.0, (0, -1)), (90.0, (-1, 0)), (180.0, (0, 1)), (270.0, (1, 0))])
@pytest.mark.parametrize("mirrored", [False, True])
def test_north_goes_up_and_east_left(north_deg: float, aim: tuple[int, int], mirrored: bool) -> None:
    """A mark set north of the middle ends above it, one set east ends left of it, mirror images turned back."""
    picture = np.zeros((101, 101), np.uint8)
    east = (-aim[1], aim[0]) if mirrored else (aim[1], -aim[0])
    picture[50 + 40 * aim[1], 50 + 40 * aim[0]] = 255
    picture[50 + 30 * east[1], 50 + 30 * east[0]] = 128
    turned = draw_labels(picture, Label(north_angle_deg=north_deg, mirrored=mirrored), north_up=True)[:101]
    middle = (turned.shape[1] - 101) // 2 + 50
    row, column = np.unravel_index(int(turned.argmax()), turned.shape)
    assert (row, column - middle) == (10, 0)
    assert turned[50, middle - 30] > 100


def test_a_slanted_north_keeps_the_whole_picture() -> None:
    """The canvas grows with the turn, and no light is lost: the sum over a smooth picture stays within 1 %."""
    y, x = np.mgrid[:100, :140]
    picture = (50000 * np.exp(-((y - 20) ** 2 + (x - 30) ** 2) / 100)).astype(np.uint16)
    turned = draw_labels(picture, Label(north_angle_deg=37.0), north_up=True)
    corner = round(100 * np.cos(np.deg2rad(37)) + 140 * np.sin(np.deg2rad(37)))
    assert turned[:corner].sum(dtype=float) == pytest.approx(picture.sum(dtype=float), rel=0.01)


def test_north_up_without_north_is_refused() -> None:
    """Nothing is guessed."""
    with pytest.raises(ValueError, match="not known"):
        draw_labels(_picture("uint8"), Label(), north_up=True)
    with pytest.raises(ValueError, match="uint8 or uint16"):
        draw_labels(np.zeros((9, 9), np.float32), Label())  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("scale", "width", "length_px", "words"),
    [
        (0.1, 480, 100, "10 arcsec"),
        (0.25, 1000, 240, "1 arcmin"),
        (0.15, 1000, 1000 / 3, "50 arcsec"),
        (2.0, 1000, 300, "10 arcmin"),
    ],
)
def test_the_scale_bar_is_round_and_true(scale: float, width: int, length_px: float, words: str) -> None:
    """Lengths are 1, 2 or 5 times a power of ten, at most 35 % of the width, and as long as they say."""
    assert scale_bar(scale, width) == (pytest.approx(length_px), words)


def test_words_are_large_and_stand_out() -> None:
    """Contrast at least 7 to 1 (WCAG 2.2, success criterion 1.4.6); capitals of 12 px at least, more on wide ones."""

    def luminance(colour: tuple[int, int, int]) -> float:
        linear = [c / 255 / 12.92 if c <= 10 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in colour]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    assert all((luminance(ink) + 0.05) / (luminance(_PAPER) + 0.05) > 7 for ink in (_INK, _DIM))
    for width, least in ((160, 12), (1800, 30)):
        labelled = draw_labels(_picture("uint8", (100, width)), Label(target="I"))
        inked = np.flatnonzero((labelled[100:] > 128).any(1))
        first = inked[: int(np.argmax(np.diff(inked, append=9999) > 3)) + 1]
        assert len(first) >= least - 2


def test_long_words_stay_inside() -> None:
    """Nothing runs over the right edge, however long the names are."""
    label = Label("Jupiter", telescope="an astonishingly long name of a telescope of the old observatory " * 3)
    labelled = draw_labels(_picture("uint8"), label)
    assert labelled[120:, -8:].max() < 40


def test_what_is_known_is_written() -> None:
    """Each thing that is known adds ink; without a north the strip says so and grows no compass."""
    plain = draw_labels(_picture("uint8"), Label("Jupiter"))
    more = draw_labels(_picture("uint8"), FULL)
    assert more.shape[0] > plain.shape[0]


def test_the_label_comes_from_the_ephemeris() -> None:
    """Target, time, three central meridians and the altitude."""
    look = look_at("Jupiter", datetime(2026, 11, 26, 5, tzinfo=UTC), Site(52.2, 13.1, 80))
    label = label_of(look, telescope="ten inch")
    assert label.target == "Jupiter" and label.telescope == "ten inch"
    assert isinstance(label.central_meridian_deg, dict) and set(label.central_meridian_deg) == {"I", "II", "III"}
    assert label.altitude_deg == look.altitude_deg


def test_north_follows_from_the_fitted_pole() -> None:
    """The pole stands at its position angle from north, counter-clockwise, clockwise in a mirror image."""
    look = look_at("Saturn", datetime(2026, 11, 26, tzinfo=UTC))
    fit = DiscFit((0, 0), (0, 0), 10, 0, 50.0, 0.1, 0.9, 1, 0, 0.01)
    assert north_from_disc(fit, look) == pytest.approx(50.0 - look.pole_angle_deg)
    assert north_from_disc(fit, look, mirrored=True) == pytest.approx(50.0 + look.pole_angle_deg)
