"""`stillair log`: lists, shows, exports, forgets, rebuilds, tells of the seeing; `process` keeps it."""

import csv
import json
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stacker.logbook import Logbook, LoggedRun
from stacker.logbook.sessions import seeing_record
from stacker.simulation import Scenario, write_simulation

MakeRun = Callable[..., LoggedRun]
Command = Callable[..., Any]


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return an empty logbook that the environment names."""
    path = tmp_path / "book.sqlite"
    monkeypatch.setenv("STILLAIR_LOGBOOK", str(path))
    return path


@pytest.fixture
def filled(book: Path, make_run: MakeRun) -> list[LoggedRun]:
    """Return three runs on record."""
    numbers = {
        "resolution_arcsec": (0.6712, 0.0234),
        "frames_used": (150,),
        "frames_total": (300,),
        "seeing_arcsec": (2.1, 0.2),
    }
    runs = [
        make_run(1, target="Saturn", telescope="ten inch", night="2031-04-05", measured=numbers, capture="rings"),
        make_run(2, target="Saturn", telescope="great mirror", night="2031-04-06", metrics={"snr": 3.0}),
        make_run(3, target="Ambrel", night="2031-05-01", filter="green"),
    ]
    with Logbook(book) as opened:
        opened.record(runs)
    return runs


def test_a_finished_run_is_on_record_unless_told_otherwise(book: Path, tmp_path: Path, stillair: Command) -> None:
    """`--logbook none` leaves it out; a logbook that cannot be written fails no run and says so in one line."""
    capture, *_ = write_simulation(tmp_path / "a.avi", Scenario(frames=12, height_px=64, width_px=64), 1, "avi")
    words = ["process", capture, "--out", tmp_path / "runs", "--effort", "quick", "--workers", 1]
    assert stillair(*words, "--logbook", "none").status == 0 and not book.exists()
    assert stillair(*words).status == 0
    listed = json.loads(stillair("log", "--json").out)
    assert [run["capture"] for run in listed] == ["a.avi"]
    assert listed[0]["settings"]["alignment"]["effort"] == "quick"
    done = stillair(*words, "--logbook", tmp_path)
    assert done.status == 0 and done.out.startswith("a.avi: ")
    (line,) = done.err.splitlines()
    assert line.startswith(f"not on record: {tmp_path}: ") and "name another file" in line


def test_runs_are_listed_a_line_each(filled: list[LoggedRun], stillair: Command) -> None:
    """Numbers stand with their errors, to two digits of the error."""
    title, first, second, third = stillair("log").out.splitlines()
    assert title.split()[:4] == ["run", "start", "UTC", "target"]
    assert filled[0].id[:8] in first and '0.671 ± 0.023"' in first and "150/300" in first and "rings.avi" in first
    assert "great mirror" in second and "Ambrel" in third
    assert stillair("log", "--target", "saturn", "--telescope", "great*").out.splitlines()[1].split() == second.split()
    only = stillair("log", "--last", 1)
    assert len(only.out.splitlines()) == 2 and "the latest 1 of 3 on record" in only.err
    assert "no such run on record" in stillair("log", "--date", "1999").out


def test_an_empty_logbook_says_how_it_fills(tmp_path: Path, stillair: Command) -> None:
    """No run was ever kept: that is not the same as none that fits."""
    book = tmp_path / "new.sqlite"
    done = stillair("log", "--logbook", book)
    assert done.status == 0 and "no run is on record" in done.out and "stillair process" in done.out
    done = stillair("log", "--rebuild", tmp_path, "--logbook", book)
    assert done.out.strip().endswith(f"0 runs recorded; no run folder is below {tmp_path}")


def test_one_run_is_shown_whole(filled: list[LoggedRun], stillair: Command) -> None:
    for words in (filled[1].id[:8], str(filled[1].folder), "Capture 2.AVI"):
        shown = stillair("log", words)
        assert shown.status == 0
        for told in (filled[1].id, "great mirror", "(gone)", "snr", "settings [stacking]"):
            assert told in shown.out
    (record,) = json.loads(stillair("log", filled[1].id, "--json").out)
    assert record["metrics"] == {"schema_version": 1, "snr": 3.0}


def test_a_run_is_forgotten(filled: list[LoggedRun], stillair: Command) -> None:
    gone = stillair("log", "--forget", filled[0].id[:6])
    assert gone.status == 0 and "off the record" in gone.out and "stays as it is" in gone.out
    assert len(json.loads(stillair("log", "--json").out)) == 2
    again = stillair("log", "--forget", filled[0].id[:6])
    assert again.status == 2 and "no run on record is named" in again.err and len(again.err.splitlines()) == 1


def test_a_table_is_written(filled: list[LoggedRun], stillair: Command, tmp_path: Path) -> None:
    done = stillair("log", "--export", tmp_path / "t.csv", "--target", "saturn")
    assert done.out == f"{tmp_path / 't.csv'}: 2 runs\n"
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        assert [row["telescope.name"] for row in csv.DictReader(file)] == ["ten inch", "great mirror"]
    wrong = stillair("log", "--export", tmp_path / "nowhere" / "t.csv")
    assert wrong.status == 1 and "cannot be written" in wrong.err and len(wrong.err.splitlines()) == 1
    assert stillair("log", "--export", tmp_path / "t.xls").status == 2


def test_digits_that_fit_two_runs_are_not_enough(book: Path, make_run: MakeRun, stillair: Command) -> None:
    from dataclasses import replace

    with Logbook(book) as opened:
        opened.record([replace(make_run(n), id=f"abcdef{n:010d}") for n in (1, 2)])
    assert "fits 2 runs; give more digits" in stillair("log", "abcdef").err


def test_the_log_is_rebuilt(book: Path, tmp_path: Path, stillair: Command) -> None:
    (tmp_path / "runs" / "broken").mkdir(parents=True)
    (tmp_path / "runs" / "broken" / "metrics.json").write_text("{")
    done = stillair("log", "--rebuild", tmp_path / "runs")
    assert done.status == 1 and "0 runs recorded, 1 folder could not be read" in done.out
    assert "is not valid JSON" in done.err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--plot", "x.png"], "--plot goes with --seeing"),
        (["--seeing", "--plot", "x.txt"], "ends in .png or .svg"),
        (["--date", "soon"], "--date is 'soon'"),
        (["--date", "2031-13"], "--date is '2031-13'"),
        (["--date", "2031-04-31..2031-05-32"], "give 2031-04-05"),
        (["--logbook", "none"], "the logbook is 'none'"),
        (["--seeing", "--export", "x.csv"], "not allowed with"),
    ],
)
def test_calls_that_cannot_be(book: Path, stillair: Command, words: list[str], told: str) -> None:
    done = stillair("log", *words)
    assert done.status == 2 and told in done.err and len(done.err.splitlines()) == 1


def _season(make_run: MakeRun, random: np.random.Generator, power: float = 0.6) -> list[LoggedRun]:
    """Return runs of six nights whose zenith seeing is 1.0, 1.2 ... 2.0 arcsec, at altitudes of 20 to 80 degrees."""
    runs = []
    for night in range(6):
        for number in range(12):
            altitude = 20.0 + 5.0 * number
            airmass = 1 / np.sin(np.radians(altitude))
            seeing = (1.0 + 0.2 * night) * airmass**power * np.exp(0.05 * random.normal())
            runs.append(
                make_run(
                    100 * night + number,
                    night=f"2031-04-{5 + night:02d}",
                    altitude_deg=altitude,
                    airmass=float(airmass),
                    measured={"seeing_arcsec": (float(seeing), 0.05 * float(seeing))},
                )
            )
    return runs


def test_seeing_is_that_of_the_zenith(make_run: MakeRun, random: np.random.Generator) -> None:
    """The truth of each night comes back within 3 errors, altitude no longer matters, the power of the air mass is
    found (0.6: Fried 1966), and the usual seeing is the median of the nights; the Sun's runs stay out."""
    sun = make_run(999, target="Sun", measured={"seeing_arcsec": (5.0, 0.5)})
    record = seeing_record([*_season(make_run, random), sun])
    assert len(record.runs) == record.corrected == 72
    for index, night in enumerate(record.nights):
        truth = 1.0 + 0.2 * index
        assert abs(night.median_arcsec - truth) < 3 * night.error_arcsec < 0.4
        assert night.as_measured_arcsec > 1.1 * truth
    medians = [spell.median_arcsec for spell in record.altitudes]
    assert np.ptp(medians) < 0.25 * float(np.mean(medians))
    assert [spell.label for spell in record.altitudes][:2] == ["20 to 30 deg", "30 to 40 deg"]
    assert record.airmass_power is not None and record.airmass_power.error is not None
    assert abs(record.airmass_power.value - 0.6) < 3 * record.airmass_power.error < 0.15
    assert record.usual_arcsec is not None
    assert_allclose(record.usual_arcsec.value, 1.5, rtol=0.05)


def test_the_hour_is_the_sun_s_at_the_site(make_run: MakeRun) -> None:
    """22 h UTC is 22 h at Greenwich; evening comes before morning in the list."""
    from dataclasses import replace

    run = make_run(1, measured={"seeing_arcsec": (2.0, 0.1)})
    late = {**run.circumstances, "capture": {"target": "Ambrel", "start_utc": "2031-04-06T02:10:00Z"}}
    east = {**run.circumstances, "site": {"longitude_deg": 30.0}}
    record = seeing_record([replace(run, circumstances=late), run, replace(run, circumstances=east)])
    assert [spell.label for spell in record.hours] == ["22 h", "00 h", "02 h"]


def test_seeing_in_words_json_and_a_plot(
    book: Path, make_run: MakeRun, random: np.random.Generator, stillair: Command, tmp_path: Path
) -> None:
    assert "no run on record has measured the seeing" in stillair("log", "--seeing").out
    with Logbook(book) as opened:
        opened.record(_season(make_run, random))
    told = stillair("log", "--seeing", "--plot", tmp_path / "s.svg")
    assert told.status == 0 and "median of 6 nights" in told.out and "30 to 40 deg" in told.out
    assert "<svg" in (tmp_path / "s.svg").read_text(encoding="utf-8")
    record = json.loads(stillair("log", "--seeing", "--json", "--date", "2031-04-05..2031-04-07").out)
    assert [night["label"] for night in record["nights"]] == ["2031-04-05", "2031-04-06", "2031-04-07"]
    first = (tmp_path / "s.svg").read_bytes()
    stillair("log", "--seeing", "--plot", tmp_path / "s.svg")
    assert (tmp_path / "s.svg").read_bytes() == first


def test_seeing_is_not_said_to_be_the_zenith_s_where_no_altitude_is_known(
    book: Path, make_run: MakeRun, stillair: Command, tmp_path: Path
) -> None:
    """Neither the words nor the plot claim a correction, and no curve over altitude is drawn."""
    with Logbook(book) as opened:
        opened.record([make_run(1, measured={"seeing_arcsec": (2.0, 0.1)})])
    told = stillair("log", "--seeing", "--plot", tmp_path / "s.svg")
    assert told.status == 0 and "where the target stood" in told.out and "zenith" not in told.out
    assert "seeing of 1 run," in told.out and "median of 1 night" in told.out
    svg = (tmp_path / "s.svg").read_text(encoding="utf-8")
    assert "where the targets stood" in svg and "no altitude is known" in svg and "air mass" not in svg


def test_the_tests_leave_the_user_s_logbook_alone(logbook_of_the_tests: Path, stillair: Command) -> None:
    """What every test runs under: STILLAIR_LOGBOOK names a temporary file."""
    assert stillair("log").status == 0
    assert sqlite3.connect(logbook_of_the_tests).execute("PRAGMA integrity_check").fetchone() == ("ok",)
