"""White balance: gains that do what they say, in linear light, with nothing lost."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stacker.colour.balance import DISC_COLOURS, balance_of
from stacker.settings import ColourSettings

SKY = np.array([5.0, 9.0, 7.0])
TINT = np.array([400.0, 700.0, 300.0])


def planet(side_px: int = 96, radius_px: float = 30) -> tuple[np.ndarray, np.ndarray]:
    """A disc with a spot of another colour, on a tinted sky."""
    rows, columns = np.mgrid[:side_px, :side_px] - side_px / 2
    light = np.clip(radius_px - np.hypot(rows, columns), 0, 1) * (1 + 0.2 * np.sin(rows / 5))
    image = SKY + light[..., None] * TINT
    image[40:46, 50:56] *= (1.2, 1.0, 0.8)
    return image.astype(np.float32), np.hypot(rows, columns) < radius_px


def ratios(image: np.ndarray, mask: np.ndarray) -> tuple[float, float]:
    red, green, blue = image[mask].mean(0)
    return red / green, blue / green


def test_a_neutral_mean_is_neutral_and_keeps_its_brightness() -> None:
    image, mask = planet()
    balance = balance_of(image, mask, "disc", ColourSettings(balance="neutral"), "Mars")
    done = balance.apply(image)
    assert ratios(done, mask) == pytest.approx((1, 1), abs=1e-4)
    assert done[mask].mean() == pytest.approx((image - SKY)[mask].mean(), rel=1e-4)
    assert_allclose(np.median(done[:10], (0, 1)), 0, atol=1e-4)


def test_a_known_planet_gets_its_colour() -> None:
    """Mars is red: B-V 1.43 against the Sun's 0.65 makes its blue half of its green (textbook figures, from memory)."""
    image, mask = planet()
    auto = balance_of(image, mask, "disc", ColourSettings(), "mars")
    red, blue = ratios(auto.apply(image), mask)
    assert blue == pytest.approx(10 ** (-0.4 * (1.43 - 0.65)), rel=0.1)
    assert red > 1.3
    assert "mars" in auto.words
    unknown = balance_of(image, mask, "disc", ColourSettings(), "model planet")
    assert ratios(unknown.apply(image), mask) == pytest.approx((1, 1), abs=1e-4)


def test_the_known_colours_are_in_the_order_of_the_sky() -> None:
    """To the eye Mars is the reddest, Saturn yellower than Jupiter, Uranus and Neptune blue-green (common practice)."""
    warmth = {name: red / blue for name, (red, blue) in DISC_COLOURS.items()}
    assert warmth["mars"] > warmth["saturn"] > warmth["jupiter"] > warmth["sun"] > warmth["uranus"] > warmth["neptune"]
    assert DISC_COLOURS["sun"] == (1, 1)


def test_the_gains_of_a_solar_star_make_sunlight_white() -> None:
    """A run of a star like the Sun measures gains; given to another target's run they take the camera's tint out."""
    star, mask = planet(radius_px=6)
    star = (SKY + (star - SKY)).astype(np.float32)
    red, green, blue = balance_of(star, mask, "disc", ColourSettings(balance="neutral"), "Sun").over_green
    assert green == 1
    given = ColourSettings(balance="given", red_gain=red, blue_gain=blue)
    image, mask = planet()
    coloured = (SKY + (image - SKY) * (1.1, 1.0, 0.7)).astype(np.float32)
    done = balance_of(coloured, mask, "disc", given, "anything").apply(coloured)
    assert ratios(done, mask) == pytest.approx((1.1, 0.7), rel=0.02)


def test_none_leaves_the_ratios_and_a_dark_colour_does_no_harm() -> None:
    image, mask = planet()
    assert balance_of(image, mask, "disc", ColourSettings(balance="none"), "mars").gains == (1, 1, 1)
    image[..., 2] = SKY[2]
    balance = balance_of(image, mask, "disc", ColourSettings(), None)
    assert np.isfinite(balance.gains).all() and balance.gains == (1, 1, 1)


def test_a_surface_has_no_sky_to_take_off() -> None:
    image, mask = planet()
    assert balance_of(image, np.ones_like(mask), "surface", ColourSettings(), None).sky_adu == (0, 0, 0)
