"""`stillair sky`: the keys that scripts read, the caution every time, one line for what is wrong."""

import json
from collections.abc import Callable
from typing import Any

import pytest

KEYS = [
    "target",
    "when_utc",
    "distance_au",
    "diameter_arcsec",
    "lit_fraction",
    "phase_angle_deg",
    "central_meridian_deg",
    "sub_latitude_deg",
    "sub_solar_latitude_deg",
    "pole_angle_deg",
    "ring_opening_deg",
    "altitude_deg",
    "azimuth_deg",
    "airmass",
    "parallactic_angle_deg",
]
WHEN = "2026-11-25T22:00:00Z"


def _record(stillair: Callable[..., Any], *words: str) -> dict[str, Any]:
    outcome = stillair("sky", *words, "--json")
    assert outcome.status == 0
    told: dict[str, Any] = json.loads(outcome.out)
    return told


def test_json_holds_exactly_the_keys(stillair: Callable[..., Any]) -> None:
    """In their order; what has no meaning is null."""
    jupiter = _record(stillair, "jupiter", "--when", WHEN)
    assert list(jupiter) == KEYS
    assert jupiter["target"] == "Jupiter" and jupiter["when_utc"] == WHEN
    assert set(jupiter["central_meridian_deg"]) == {"I", "II", "III"}
    assert jupiter["altitude_deg"] is None and jupiter["ring_opening_deg"] is None
    sun = _record(stillair, "Sun", "--when", WHEN)
    assert sun["lit_fraction"] is None and sun["phase_angle_deg"] is None and sun["sub_solar_latitude_deg"] is None


def test_values_of_another_computation(stillair: Callable[..., Any]) -> None:
    """DE440 vectors and the rotation of Archinal et al. 2018, computed with other software."""
    jupiter = _record(stillair, "Jupiter", "--when", WHEN)
    assert jupiter["distance_au"] == pytest.approx(5.1118460, abs=1e-4)
    assert jupiter["diameter_arcsec"] == pytest.approx(38.566, abs=0.002)
    meridians = jupiter["central_meridian_deg"]
    assert [meridians[name] for name in ("I", "II", "III")] == pytest.approx([207.257, 95.747, 70.950], abs=0.01)
    assert jupiter["pole_angle_deg"] == pytest.approx(22.1202, abs=0.01)
    saturn = _record(stillair, "Saturn", "--when", WHEN)
    assert saturn["ring_opening_deg"] == pytest.approx(-6.1325, abs=0.01)
    assert saturn["central_meridian_deg"]["III"] == pytest.approx(248.786, abs=0.01)


def test_times_are_utc_with_or_without_a_zone(stillair: Callable[..., Any]) -> None:
    """A zone is heeded, a missing one is UTC."""
    plain, zoned = (
        _record(stillair, "Mars", "--when", when) for when in ("2026-11-25T22:00", "2026-11-26T00:00+02:00")
    )
    assert plain == zoned


def test_a_southern_site_follows_its_option(stillair: Callable[..., Any]) -> None:
    """A value that begins with a minus sign is a value; altitude, azimuth and air mass are told."""
    told = _record(stillair, "jupiter", "--when", "2026-11-26T04:00:00Z", "--site", "-33.9,18.4,50")
    assert -90 < told["altitude_deg"] < 90 and 0 <= told["azimuth_deg"] < 360
    assert (told["airmass"] is None) == (told["altitude_deg"] < -0.6)


def test_words_tell_what_a_person_wants(stillair: Callable[..., Any]) -> None:
    """Place, size, orientation, refraction, and for which years it holds."""
    outcome = stillair("sky", "saturn", "--when", "2026-11-25T19:00", "--site", "52.2,13.1,80")
    for words in (
        "Saturn",
        "arcsec",
        "rings open",
        "refraction",
        "air mass",
        "field rotation",
        "valid for 1972 to 2100",
    ):
        assert words in outcome.out
    assert "DANGER" not in outcome.out


def test_the_moon_librates_and_is_near(stillair: Callable[..., Any]) -> None:
    """It has a libration instead of a central meridian, a distance in km and a size in minutes of arc."""
    told = stillair("sky", "moon", "--when", WHEN).out
    assert "libration" in told and "central meridian" not in told
    assert "arcmin" in told and " km" in told and " au" not in told
    south = stillair("sky", "mars", "--when", WHEN, "--site", "-33.9,-70.4,50").out
    assert "33.900 S, 70.400 W, 50 m" in south and "sub-Earth latitude" in south


@pytest.mark.parametrize("words", [("sun",), ("venus", "--when", "2026-10-24T12:00")])
def test_the_caution_comes_every_time(
    words: tuple[str, ...], stillair: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In words and, where colour is wanted, in red; on standard error beside JSON, which stays readable."""
    assert "DANGER" in stillair("sky", *words).out
    spoken = stillair("sky", *words, "--json")
    assert "DANGER" in spoken.err and json.loads(spoken.out)["target"]
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert "\x1b[1;97;41m" in stillair("sky", *words).out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("pluto",), "known are Sun"),
        (("mars", "--when", "tonight"), "give UTC as"),
        (("mars", "--when", "1900-01-01"), "from 1972 to 2100"),
        (("mars", "--when", "2200-01-01"), "from 1972 to 2100"),
        (("mars", "--site", "91,0,0"), "latitude"),
        (("mars", "--site", "north"), "LAT,LON,ELEV"),
        (("mars", "--site", "1,2,3,4"), "LAT,LON,ELEV"),
        (("mars", "--site", "52,13E"), "--site is '52,13E'; give LAT,LON,ELEV"),
        (("mars", "--site", "nan,2,3"), "latitude"),
    ],
)
def test_a_wrong_call_is_one_line(words: tuple[str, ...], told: str, stillair: Callable[..., Any]) -> None:
    """Status 2, one line that says what to give."""
    outcome = stillair("sky", *words)
    assert outcome.status == 2 and outcome.out == ""
    assert told in outcome.err and outcome.err.count("\n") == 1
