"""The verdict puts the right name first for captures with one thing wrong, and says when it cannot tell."""

from dataclasses import replace
from pathlib import Path

import pytest

from stacker.alignment import align
from stacker.capture import open_capture
from stacker.measuring.causes import Causes, cause_figures, measure_causes
from stacker.measuring.light import measure_light
from stacker.measuring.limits import NAMES, limit_figures, verdict
from stacker.measuring.metrics import measure_stack
from stacker.measuring.rotation import Rotation
from stacker.measuring.seeing_record import Seeing
from stacker.measuring.single_frames import SingleFrames
from stacker.measuring.witness import ask_disc
from stacker.ranking import rank
from stacker.ranking.selection import centred
from stacker.run_folder.metrics_file import METRIC_KEYS
from stacker.run_folder.telling import summarise
from stacker.settings import Settings
from stacker.simulation import Air, BandedPlanet, Detector, Optics, Scenario, Tracking, write_simulation
from stacker.stacking import stack

BASE = Scenario(
    frames=120,
    height_px=96,
    width_px=96,
    air=Air(d_over_r0=1.5, psf_grid=2),
    detector=Detector(bits=12, peak_electrons=3000.0),
    optics=Optics(aperture_mm=200.0, obstruction_mm=50.0, focal_length_mm=3000.0),
)
CALM = Seeing(fried_ratio=1.5, fried_ratio_error=0.15, defocus_waves_pv=0.0, defocus_waves_pv_error=0.08, focus="sharp")
DARK = Detector(bits=12, peak_electrons=25.0, peak_level=0.02)


def causes_of(folder: Path, scenario: Scenario, seed: int = 7) -> Causes:
    """Simulate a capture, stack it, and measure what may have limited it; the air is as the simulation made it."""
    path, _, _ = write_simulation(folder / "capture.fits", scenario, seed, "fits")
    settings = Settings()
    with open_capture(path) as capture:
        ranking = centred(rank(capture, settings.ranking))
        alignment = align(capture, ranking, settings.alignment, 100.0)
        linear = stack(capture, ranking, alignment)
        witness = ask_disc(capture, linear)
        found = measure_stack(linear, None, capture.circumstances, witness)
        told = SingleFrames(CALM, measure_light(capture, ranking), None)
        return measure_causes(capture, ranking, alignment, linear, witness, found, told)


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> Causes:
    return causes_of(tmp_path_factory.mktemp("calm"), BASE)


@pytest.mark.parametrize(
    ("name", "scenario"),
    [
        ("sampling", replace(BASE, optics=replace(BASE.optics, focal_length_mm=1000.0), oversampling=2)),
        ("light", replace(BASE, detector=DARK)),
        ("clipping", replace(BASE, detector=replace(BASE.detector, peak_level=1.7))),
        ("frames", replace(BASE, frames=30)),
        (
            "tracking",
            replace(
                BASE,
                width_px=192,
                frames_per_s=10.0,
                exposure_s=0.09,
                tracking=Tracking(periodic_error_px=60.0, periodic_error_s=6.0),
            ),
        ),
        (
            "rotation",
            replace(BASE, scene=BandedPlanet(rotation_deg=48.0), frames_per_s=1 / 40, target="Jupiter"),
        ),
    ],
)
def test_what_is_wrong_comes_first(tmp_path: Path, name: str, scenario: Scenario) -> None:
    """One thing is wrong with each capture, and its name leads the list by more than the error of its share."""
    causes = causes_of(tmp_path, scenario)
    limits = verdict(causes).limits
    assert limits[0].name == name
    first, second = limits[0], limits[1]
    assert first.share is not None and first.share_error is not None and second.share is not None
    assert first.share - second.share > first.share_error
    assert first.sentence[0].isupper() and first.sentence.endswith(".")
    assert set(limit_figures(causes, {})) - set(METRIC_KEYS) == {
        key for key in limit_figures(causes, {}) if key.endswith("_error")
    }


@pytest.mark.parametrize(
    ("name", "seeing", "says"),
    [
        ("air", replace(CALM, fried_ratio=5.0, fried_ratio_error=0.5), "D/r0 is 5.0"),
        ("optics", replace(CALM, defocus_waves_pv=0.6, focus="defocused"), "about 0.6 waves"),
    ],
)
def test_air_and_focus_come_first_where_they_are_bad(calm: Causes, name: str, seeing: Seeing, says: str) -> None:
    """The air at D/r0 5 and a defocus of 0.6 waves outweigh that there are 120 frames only."""
    worst = verdict(replace(calm, seeing=seeing)).limits[0]
    assert worst.name == name
    assert says in worst.sentence


def test_shares_are_whole_and_every_cause_is_named_once(calm: Causes) -> None:
    found = verdict(calm)
    assert sorted(limit.name for limit in found.limits) == sorted(NAMES)
    known = [limit.share for limit in found.limits if limit.share is not None]
    assert sum(known) == pytest.approx(1.0, abs=1e-6)
    assert known == sorted(known, reverse=True)
    assert found.missing is not None and 0 < found.missing < 1


def test_what_cannot_be_told_has_no_share_and_says_so(calm: Causes) -> None:
    """Without a figure for the air and the focus both are null, come last, and the other shares are less certain."""
    blind = verdict(replace(calm, seeing=Seeing()))
    unknown = {limit.name: limit for limit in blind.limits if limit.share is None}
    assert {"air", "optics"} <= set(unknown)
    assert "cannot tell" in unknown["air"].sentence and "cannot tell" in unknown["optics"].sentence
    assert blind.limits[-1].share is None
    assert blind.limits[0].share_error is not None and blind.limits[0].share_error > 0.2


def test_worse_air_takes_a_larger_share(calm: Causes) -> None:
    """A law: with all else equal the share of the air, and what is missing, grow with D/r0."""
    found = [verdict(replace(calm, seeing=replace(CALM, fried_ratio=q))) for q in (1.0, 2.0, 4.0, 6.0)]
    shares = [next(limit.share or 0.0 for limit in one.limits if limit.name == "air") for one in found]
    assert shares == sorted(shares)
    missing = [one.missing or 0.0 for one in found]
    assert missing == sorted(missing)


def test_a_rotation_that_was_followed_costs_nothing(calm: Causes) -> None:
    """Only what the alignment left smears the stack."""
    followed = Rotation(6.0, 600.0, 5.0, 5.0, 0.2, 0.0, 0.2)
    left = replace(followed, followed_px=0.0, left_px=5.0)

    def share(rotation: Rotation) -> float:
        return next(x.share or 0.0 for x in verdict(replace(calm, rotation=rotation)).limits if x.name == "rotation")

    assert share(followed) < 0.01 < 0.2 < share(left)
    told = next(x for x in verdict(replace(calm, rotation=followed)).limits if x.name == "rotation")
    assert "alignment followed" in told.sentence


def test_a_smeared_stack_does_not_blame_the_focus(calm: Causes) -> None:
    """A fit of the focus knows nothing of a rotation by more than lambda/D, so what it says is not believed then."""
    turned = Rotation(40.0, 4000.0, 20.0, 0.0, 1.0, 20.0, 1.0)
    off = replace(CALM, defocus_waves_pv=0.6, focus="defocused")
    optics = next(x for x in verdict(replace(calm, rotation=turned, seeing=off)).limits if x.name == "optics")
    assert optics.share is None and "cannot tell" in optics.sentence and "turned" in optics.sentence


def test_without_a_telescope_the_verdict_says_what_it_takes_for_granted(calm: Causes) -> None:
    found = verdict(replace(calm, sampling=None, notes={"sampling_px_per_element": "needs the telescope"}))
    assert "3 px per lambda/D" in found.note
    sampling = next(limit for limit in found.limits if limit.name == "sampling")
    assert sampling.share is None and "needs the telescope" in sampling.sentence


def test_without_half_stacks_there_is_no_verdict(calm: Causes) -> None:
    notes: dict[str, str] = {}
    found = limit_figures(replace(calm, resolution=None), notes)
    assert found["limits"] == [] and "half-stacks" in notes["limits"]


def test_the_last_line_ends_in_what_limited_most(calm: Causes, tmp_path: Path) -> None:
    """A person reads the worst limit's sentence below the numbers; where nothing is known there is no such line."""
    metrics = dict.fromkeys(METRIC_KEYS) | {"frames_used": 3, "frames_total": 4, "capture": "x.avi"}
    told = summarise(tmp_path, metrics | {"limits": verdict(calm).as_records()})
    assert told.splitlines()[1].strip() == verdict(calm).limits[0].sentence
    assert len(summarise(tmp_path, metrics | {"limits": []}).splitlines()) == 1
    wrong = "the declared mosaic GRBG does not fit"
    assert summarise(tmp_path, metrics | {"limits": []}, [wrong]).splitlines()[1:] == [f"  T{wrong[1:]}."]
    assert cause_figures(calm)["sampling_px_per_element"] == pytest.approx(3.0)


def test_the_last_lines_say_what_the_verdict_leaves_out_and_why(calm: Causes, tmp_path: Path) -> None:
    """Of an unknown telescope the terminal names the three numbers that would tell; no resolution has its reason."""
    needs = "needs the telescope's aperture_mm and focal_length_mm and the camera's pixel_um"
    blind = replace(calm, sampling=None, seeing=Seeing(notes={"fried_ratio": needs}))
    metrics = dict.fromkeys(METRIC_KEYS) | {"frames_used": 3, "frames_total": 4, "capture": "x.avi"}
    told = summarise(tmp_path, metrics | {"limits": verdict(blind).as_records()}).splitlines()
    assert told[1].strip() == verdict(blind).limits[0].sentence and not told[1].strip().startswith("Air")
    assert "left out" in told[2] and f"it {needs}, in the sidecar or as options" in told[2]
    reason = "too few frames for two halves"
    assert f"no resolution measured ({reason})" in summarise(tmp_path, metrics | {"notes": {"resolution_px": reason}})


def _sentence(causes: Causes, name: str) -> str:
    return next(limit.sentence for limit in verdict(causes).limits if limit.name == name)


@pytest.mark.parametrize(
    ("duration_s", "wanted"), [(60.0, "times as long"), (120.0, "record for 450 s"), (400.0, "allows no longer")]
)
def test_frames_are_not_wanted_for_longer_than_rotation_allows(calm: Causes, duration_s: float, wanted: str) -> None:
    """Half an element of smear is reached after 450 s, a fitting capture is four to five times as long as this one."""
    smear = 0.5 * 3.0 * duration_s / 450.0
    few = replace(calm.frames, usable=110)
    turning = replace(
        calm, frames=few, rotation=Rotation(1.0, duration_s, smear, 0.0, 0.1, smear, 0.1), exposure_s=None
    )
    assert wanted in _sentence(turning, "frames")
    # What the alignment follows sets no limit.
    held = Rotation(1.0, duration_s, smear, smear, 0.1, 0.0, 0.1)
    assert "times as long" in _sentence(replace(turning, rotation=held), "frames")


@pytest.mark.parametrize(
    ("exposure_s", "peak", "says"),
    [
        (0.002, 0.2, "expose for 7.0 ms instead of 2.0 ms"),
        (0.008, 0.1, "expose for the 10 to 20 ms"),
        (None, 0.1, "7 times longer, but below the 10 to 20 ms"),
        (0.004, 0.6, "less gain and a longer exposure, below the 10 to 20 ms"),
        (0.025, 0.1, "a longer exposure would not"),
    ],
)
def test_light_is_never_bought_with_moving_air(calm: Causes, exposure_s: float | None, peak: float, says: str) -> None:
    """Within 10 to 20 ms the air moves on: no exposure beyond that is advised (common practice, no source)."""
    assert calm.light is not None
    dim = replace(calm.light, snr_frame=3.0, peak_share=peak)
    assert says in _sentence(replace(calm, light=dim, exposure_s=exposure_s), "light")
