"""The plan agrees with common experience (common practice, no source, unless another source is named)."""

import json
import math
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from stacker.settings import SettingsError
from stacker.sky.caution import caution_for
from stacker.sky.ephemeris import look_at
from stacker.sky.night import evening_of, night_at
from stacker.sky.optics import diffraction_arcsec
from stacker.sky.plan import Pair, Plan, TargetPlan, make_plan, surface_turn_deg_per_s
from stacker.sky.plan_file import (
    Conditions,
    PlanFile,
    PlannedCamera,
    PlannedTelescope,
    plan_from_tables,
    read_plan,
    targets_from,
)
from stacker.sky.usual_seeing import usual_seeing_arcsec
from stacker.sky.vectors import Site

GARDEN = Site(45.0, 10.0, 100.0, "garden")
CAMERA = PlannedCamera("planetary", 2.9)
JUPITER_UP, SATURN_UP = date(2023, 11, 3), date(2023, 8, 27)
MARS_FAR, MARS_NEAR = date(2021, 3, 1), date(2020, 10, 13)


def _plan(target: str, evening: date, aperture_mm: float, seeing_arcsec: float = 2.0, **more: object) -> TargetPlan:
    telescope = PlannedTelescope("telescope", aperture_mm, 10 * aperture_mm, **more)  # type: ignore[arg-type]
    file = PlanFile(GARDEN, Conditions(seeing_arcsec), None, (target,), (telescope,), (CAMERA,))
    return make_plan(file, evening).targets[0]


def _pair(target: str, evening: date, aperture_mm: float, seeing_arcsec: float = 2.0, **more: object) -> Pair:
    return _plan(target, evening, aperture_mm, seeing_arcsec, **more).pairs[0]


@pytest.mark.parametrize("aperture_mm", [70, 80, 90])
@pytest.mark.parametrize(("target", "evening"), [("Jupiter", JUPITER_UP), ("Saturn", SATURN_UP)])
def test_small_telescopes_show_jupiter_and_saturn(target: str, evening: date, aperture_mm: float) -> None:
    """Through 70 to 90 mm both show detail."""
    expectation = _pair(target, evening, aperture_mm).expectation
    assert expectation.worth == "yes" and expectation.shows_detail


@pytest.mark.parametrize("aperture_mm", [70, 80, 90])
@pytest.mark.parametrize(
    ("target", "evening"),
    [
        ("Mars", MARS_FAR),
        ("Venus", date(2023, 5, 20)),
        ("Venus", date(2020, 4, 20)),
        ("Uranus", date(2023, 11, 13)),
        ("Neptune", date(2023, 9, 19)),
    ],
)
def test_small_telescopes_show_no_detail_on_the_rest(target: str, evening: date, aperture_mm: float) -> None:
    """Mars away from opposition, Venus, Uranus and Neptune show none through 70 to 90 mm, and the plan says so."""
    plan = _plan(target, evening, aperture_mm)
    expectation = plan.pairs[0].expectation
    assert not expectation.shows_detail and expectation.worth != "yes"
    assert "no detail" in expectation.words or "coloured point" in expectation.words
    assert "worth it:" in plan.sentence and not plan.sentence.startswith("Worth")


def test_mars_through_114_mm_on_most_nights() -> None:
    """Of a night every four months over four years, on most Mars is little more than a coloured point, or not up."""
    nights = [date(2020 + month // 12, month % 12 + 1, 10) for month in range(0, 50, 4)]
    plans = [_plan("Mars", night, 114) for night in nights]
    points = [
        not plan.pairs or "little more than a coloured point" in plan.pairs[0].expectation.words for plan in plans
    ]
    assert sum(points) > 0.75 * len(points)
    assert "polar cap" in _pair("Mars", MARS_NEAR, 114).expectation.words


def test_a_large_telescope_in_poor_air_says_that_it_shows_less_than_it_could() -> None:
    """A 400 mm mirror in 3 arcsec of seeing keeps less than a quarter of its elements; in 0.5 it says nothing."""
    poor, fine = (_pair("Jupiter", JUPITER_UP, 400, seeing) for seeing in (3.0, 0.5))
    assert poor.elements_in_usual_air < 0.25 * poor.elements_by_diffraction
    assert any("less than it could" in note for note in poor.notes)
    assert not any("less than it could" in note for note in fine.notes)
    assert fine.elements_in_usual_air > 2 * poor.elements_in_usual_air


def test_elements_are_the_disc_over_lambda_over_d() -> None:
    """Jupiter's equator over 113.4 / D arcsec, and never more in air."""
    pair = _pair("Jupiter", JUPITER_UP, 150)
    look = _plan("Jupiter", JUPITER_UP, 150).look
    assert pair.elements_by_diffraction == pytest.approx(look.diameter_arcsec * 150 / 113.44, rel=1e-3)
    assert pair.elements_in_usual_air <= pair.elements_by_diffraction


def test_the_barlow_lens_brings_two_pixels_per_element() -> None:
    """f/10 and 2.9 um want f/10.5: factor 1.05; half as much again behind a mosaic; nothing below 1."""
    assert _pair("Jupiter", JUPITER_UP, 200).barlow_factor == pytest.approx(1.055, abs=0.01)
    telescope = PlannedTelescope("long", 100, 2500)
    file = PlanFile(GARDEN, Conditions(), None, ("Jupiter",), (telescope,), (CAMERA, replace(CAMERA, mosaic="RGGB")))
    plain, mosaic = make_plan(file, JUPITER_UP).targets[0].pairs
    assert plain.barlow_factor == 1.0 and mosaic.barlow_factor == 1.0
    assert any("2.4 times finer than needed" in note for note in plain.notes)


@pytest.mark.parametrize(
    ("target", "evening", "arcsec_per_min", "diameter"),
    [("Jupiter", JUPITER_UP, 0.232, 44.0), ("Saturn", SATURN_UP, 0.096, 19.5), ("Mars", MARS_NEAR, 0.0425, 20.0)],
)
def test_the_longest_capture_is_half_an_element_of_smear(
    target: str, evening: date, arcsec_per_min: float, diameter: float
) -> None:
    """The disc's middle moves by the turn times the radius: geometry, with the turns of Archinal et al. 2018."""
    plan = _plan(target, evening, 250)
    smear = arcsec_per_min * plan.look.diameter_arcsec / diameter
    assert plan.pairs[0].longest_capture_s == pytest.approx(30 * diffraction_arcsec(250) / smear, rel=0.12)
    assert plan.pairs[0].limited_by == "rotation of the target"


def test_surfaces_turn_as_they_should() -> None:
    """Jupiter (its equator) 9.84 h, Mars 24.62 h a turn; the Moon keeps its face but for libration."""
    when = datetime(2023, 11, 3, 22, tzinfo=UTC)
    for target, hours in (("Jupiter", 9.84), ("Mars", 24.62)):
        look = look_at(target, when)
        turn = 0.1 / hours * math.cos(math.radians(look.sub_latitude_deg))
        assert surface_turn_deg_per_s(look) == pytest.approx(turn, rel=0.005)
    assert surface_turn_deg_per_s(look_at("Moon", when)) < 0.1 / 3600 * 3


def test_an_altazimuth_mount_turns_the_field_of_the_moon() -> None:
    """The Moon's limb is 900 arcsec from the middle: its capture is far shorter than on an equatorial mount."""
    fixed, turning = (_pair("Moon", JUPITER_UP, 114, mount=mount) for mount in ("equatorial", "altazimuth"))
    assert turning.limited_by == "rotation of the field"
    assert turning.longest_capture_s < 0.1 * fixed.longest_capture_s


def test_the_field_turns_a_small_frame_less() -> None:
    """A frame of 600 x 800 px reaches 500 px from its middle: so many times less than the limb does the corner move."""
    whole = _pair("Moon", JUPITER_UP, 114, mount="altazimuth")
    telescope = PlannedTelescope("telescope", 114, 1140, mount="altazimuth")
    camera = replace(CAMERA, width_px=600, height_px=800)
    file = PlanFile(GARDEN, Conditions(), None, ("Moon",), (telescope,), (camera,))
    part = make_plan(file, JUPITER_UP).targets[0].pairs[0]
    assert part.longest_capture_s == pytest.approx(whole.longest_capture_s * 0.5 * whole.disc_px / 500, rel=1e-6)


@pytest.mark.parametrize(("target", "evening"), [("Venus", date(2023, 5, 20)), ("Uranus", date(2023, 11, 13))])
def test_no_capture_outlasts_the_best_hours(target: str, evening: date) -> None:
    """What turns slowly, or is small, is recorded no longer than it stands well; Venus' clouds turn in 4.2 days."""
    plan = _plan(target, evening, 70)
    assert plan.best is not None
    hours = (plan.best.end_utc - plan.best.start_utc).total_seconds()
    assert plan.pairs[0].longest_capture_s <= hours
    clouds = _pair("Venus", date(2023, 5, 20), 400)
    smear = math.radians(360 / (4.2 * 86400)) * 0.5 * _plan("Venus", date(2023, 5, 20), 400).look.diameter_arcsec
    assert clouds.longest_capture_s == pytest.approx(0.5 * diffraction_arcsec(400) / smear, rel=1e-6)


def test_the_exposure_is_the_time_the_wind_takes_over_a_fried_parameter() -> None:
    """55 mm at 10 m/s are 5.5 ms for 2 arcsec at the zenith; calm air and slow wind allow more."""
    pair = _pair("Jupiter", JUPITER_UP, 200)
    assert 4.0 < pair.exposure_ceiling_ms < 5.6
    assert _pair("Jupiter", JUPITER_UP, 200, 1.0).exposure_ceiling_ms == pytest.approx(
        2 * pair.exposure_ceiling_ms, rel=0.1
    )


def test_the_best_hours_are_the_high_ones() -> None:
    """They surround the culmination and lie in the hours when the target is up."""
    plan = _plan("Jupiter", JUPITER_UP, 200)
    assert plan.best is not None
    assert any(span.start_utc <= plan.best.start_utc and plan.best.end_utc <= span.end_utc for span in plan.up)
    highest = max(plan.looks, key=lambda look: look.altitude_deg or -90)
    assert plan.best.start_utc <= highest.moment.utc <= plan.best.end_utc


def test_a_target_that_is_not_up_is_not_worth_it() -> None:
    """Near conjunction, and from the wrong side of the Earth."""
    plan = _plan("Jupiter", date(2023, 4, 11), 200)
    assert plan.pairs == () and plan.best is None
    assert plan.sentence.startswith("Not worth it") and plan.caution is not None


@pytest.mark.parametrize(
    ("target", "elongation", "warned"), [("Sun", 0, True), ("Venus", 19.9, True), ("Moon", 20, False)]
)
def test_cautions_near_the_sun(target: str, elongation: float, warned: bool) -> None:
    """The Sun always, anything within 20 degrees of it, nothing beyond."""
    caution = caution_for(target, elongation)
    assert (caution is not None) == warned
    if caution:
        assert "DANGER" in caution and "full-aperture" in caution


def test_the_sun_needs_a_filter_at_hand() -> None:
    """A telescope without a listed full-aperture filter is told to leave the Sun alone."""
    without, having = (_pair("Sun", date(2023, 6, 21), 80, solar_filter=has) for has in (False, True))
    assert without.expectation.worth == "no" and "leave the Sun alone" in without.expectation.words
    assert having.expectation.worth == "yes" and "spots" in having.expectation.words


@pytest.mark.parametrize("longitude_deg", [-179.0, -75.0, 0.0, 100.0, 179.0, 300.0])
def test_a_night_runs_from_noon_to_noon(longitude_deg: float) -> None:
    """The Sun culminates near its ends and is lowest near its middle, wherever the site is."""
    night = night_at(Site(40.0, longitude_deg), date(2031, 3, 20))
    altitudes = [sun.altitude_deg or 0.0 for sun in night.suns]
    assert abs(altitudes.index(min(altitudes)) - len(altitudes) // 2) <= 3
    assert evening_of(night.times_utc[3], night.site) == date(2031, 3, 20)
    assert evening_of(night.times_utc[-3], night.site) == date(2031, 3, 20)


def test_the_usual_seeing_is_the_median_of_the_runs(tmp_path: Path) -> None:
    """Unreadable or unmeasured runs do not count; told at 500 nm, wanted at 550 (wavelength^-0.2: Fried 1966); in the
    zenith where the run knows it: b, through twice the r0, counts 3."""
    slanted = '{"seeing_arcsec": 6.0, "r0_mm": 50, "r0_zenith_mm": 100}'
    for name, text in {"a": '{"seeing_arcsec": 1.0}', "b": slanted, "c": "{", "d": "[]"}.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "metrics.json").write_text(text, encoding="utf-8")
    (tmp_path / "e").mkdir()
    (tmp_path / "e" / "metrics.json").write_text(json.dumps({"seeing_arcsec": None}), encoding="utf-8")
    expected = 2.0 * 1.1**-0.2
    assert usual_seeing_arcsec(tmp_path) == (pytest.approx(expected), 2)
    assert usual_seeing_arcsec(tmp_path / "c") is None
    file = PlanFile(
        GARDEN, Conditions(5.0, runs=tmp_path), None, ("Jupiter",), (PlannedTelescope("t", 200, 2000),), (CAMERA,)
    )
    plan: Plan = make_plan(file, JUPITER_UP)
    assert plan.seeing_arcsec == pytest.approx(expected) and "2 measured runs" in plan.seeing_from


GOOD = {
    "site": {"latitude_deg": 52, "longitude_deg": 13.1},
    "telescope": [{"name": "a", "aperture_mm": 100, "focal_length_mm": 1000}],
    "camera": [{"name": "b", "pixel_um": 3}],
}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"scope": []}, "unknown table"),
        ({"site": {"latitude_deg": 52}}, "lacks longitude_deg"),
        ({"site": {"latitude_deg": 95, "longitude_deg": 1}}, "latitude is 95"),
        ({"site": {"latitud_deg": 52, "longitude_deg": 1}}, "did you mean 'latitude_deg'"),
        ({"camera": []}, "no camera is listed"),
        ({"camera": [{"name": "b"}]}, "lacks pixel_um"),
        ({"camera": [{"name": "b", "pixel_um": "3"}]}, "give a number"),
        ({"camera": [{"name": "b", "pixel_um": 3, "mosaic": "RGBG"}]}, "mosaic"),
        ({"telescope": [{"name": "a", "aperture_mm": 100, "focal_length_mm": -1}]}, "give 20 to"),
        (
            {"telescope": [{"name": "a", "aperture_mm": 100, "focal_length_mm": 900, "obstruction_mm": 100}]},
            "obstruction",
        ),
        ({"telescope": [{"name": "a", "aperture_mm": 100, "focal_length_mm": 900, "mount": "fork"}]}, "mount"),
        ({"night": {"date": "soon"}}, "date of its evening"),
        ({"night": {"targets": ["Pluto"]}}, "unknown target 'Pluto'"),
    ],
)
def test_a_plan_file_is_checked(change: dict[str, object], words: str) -> None:
    """Each mistake is named, with the nearest known word or the range."""
    with pytest.raises(ValueError, match=words):
        plan_from_tables({**GOOD, **change}, Path())


def test_a_plan_file_is_read(tmp_path: Path) -> None:
    """Dates bare or quoted, names in any case, defaults where nothing is said."""
    path = tmp_path / "garden.toml"
    path.write_text(
        '[site]\nlatitude_deg = 52\nlongitude_deg = 13\nruns = "runs"\n'
        '[night]\ndate = 2031-04-05\ntargets = ["MOON", "mars"]\n'
        '[[telescope]]\nname = "a"\naperture_mm = 100\nfocal_length_mm = 900\n[[camera]]\nname = "b"\npixel_um = 3\n',
        encoding="utf-8",
    )
    file = read_plan(path)
    assert file.night == date(2031, 4, 5) and file.targets == ("Moon", "Mars")
    assert file.conditions == Conditions(runs=tmp_path / "runs")
    assert len(targets_from(None)) == 9
    for text in (b"[site", b"\xff\xfe"):
        path.write_bytes(text)
        with pytest.raises(SettingsError, match="garden.toml"):
            read_plan(path)
    with pytest.raises(SettingsError, match="cannot be read"):
        read_plan(tmp_path / "absent.toml")
