"""Runs as columns say what the runs say one by one, from records as from the logbook."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from stacker.logbook import Logbook, LoggedRun, Measured, Selection
from stacker.logbook.columns import Numbers, Texts
from stacker.logbook.runs import Runs

MakeRun = Callable[..., LoggedRun]
NAMES = ("snr", "r0_mm")


@pytest.fixture
def records(make_run: MakeRun) -> list[LoggedRun]:
    """Return runs of which each leaves something unsaid, in the order of the logbook."""
    runs = [
        make_run(1, measured={"snr": (9.0, 1.0), "r0_mm": (60.0,)}, telescope="ten inch"),
        make_run(2, measured={"r0_mm": (70.0, 5.0)}, filter="green", altitude_deg=40.0, airmass=1.55),
        make_run(3, measured={}, target="Velorne", keep=20.0),
    ]
    nameless = {**runs[2].circumstances, "telescope": {"aperture_mm": 80.0}, "site": {"longitude_deg": 13.1}}
    return [*runs, replace(runs[2], id="f" * 16, circumstances=nameless, settings={})]


@pytest.fixture(params=["records", "logbook"])
def runs(request: pytest.FixtureRequest, records: list[LoggedRun], tmp_path: Path) -> Runs:
    """Return the same runs from either source."""
    if request.param == "records":
        return Runs.of(records)
    with Logbook(tmp_path / "book.sqlite") as book:
        book.record(records)
        return book.select(names=NAMES, whole=True)


def test_columns_are_what_each_run_says(runs: Runs, records: list[LoggedRun]) -> None:
    assert list(runs) == records
    for name in ("id", "target", "telescope", "filter", "night", "site", "kind", "capture", "settings_text"):
        told = [getattr(run, name) for run in records]
        assert runs.told(name) == told
        texts = runs.texts(name)
        assert [texts.labels[code] for code in texts.codes] == told
    for name in ("aperture_mm", "obstruction_mm", "wavelength_nm", "longitude_deg", "altitude_deg", "airmass"):
        assert_array_equal(runs.numbers(name), np.array([getattr(run, name) for run in records], float))
    for name in (*NAMES, "never_measured"):
        assert list(runs.measured(name)) == [run.measured.get(name) for run in records]
    keeps = runs.setting("stacking", "keep")
    assert [keeps.labels[code] for code in keeps.codes] == ["auto", "auto", 20.0, None]


def test_a_choice_of_runs_has_their_columns(runs: Runs, records: list[LoggedRun]) -> None:
    """By places, by truths, by slices; a choice of a choice too."""
    chosen = runs.taken(np.array([3, 0, 1]))
    assert list(chosen) == [records[3], records[0], records[1]] and chosen[-1] == records[1]
    again = chosen.taken(chosen.texts("filter").fits(lambda name: name is None))
    assert list(again) == [records[3], records[0]] and list(again[1:]) == [records[0]]
    assert again.measured("snr").at(1) == Measured(9.0, 1.0) and again.measured("snr").at(0) is None
    assert len(runs.taken(np.zeros(4, bool))) == 0


def test_a_selection_reads_its_own_measurements_only(records: list[LoggedRun], tmp_path: Path) -> None:
    with Logbook(tmp_path / "book.sqlite") as book:
        book.record(records)
        found = book.select(Selection(filter="green"))
        assert [run.measured for run in found] == [{"r0_mm": Measured(70.0, 5.0)}]
        assert [run.measured for run in book.select(last=4)] == [run.measured for run in records]
        assert list(book.select(Selection(target="nobody"))) == []


@pytest.mark.parametrize("apart", [1, 2, 7])
def test_chosen_runs_have_their_numbers_however_far_apart_they_lie(
    make_run: MakeRun, tmp_path: Path, apart: int
) -> None:
    made = [make_run(n, measured={"snr": (n + 1.0,)}, target="this" if n % apart == 0 else "that") for n in range(40)]
    with Logbook(tmp_path / "book.sqlite") as book:
        book.record(made)
        book.forget([made[0].id])
        found = book.select(Selection(target="this"))
    assert [run.measured["snr"].value for run in found] == [n + 1.0 for n in range(apart, 40, apart)]


def test_quotients_of_columns_are_those_of_their_numbers(random: np.random.Generator) -> None:
    """Errors of independent numbers: the relative ones in quadrature; what is not known on either side stays so."""
    pairs = [(Measured(3.0, 0.3), Measured(2.0, 0.1)), (Measured(3.0), Measured(2.0, 0.1)), (None, Measured(2.0))]
    one, other = (Numbers.of(side) for side in zip(*pairs, strict=True))
    first, second, third = one.over(other)
    assert first is not None and second is not None and third is None
    assert_allclose(first, (1.5, 1.5 * np.hypot(0.1, 0.05)))
    assert second == (1.5, None)
    assert list(Numbers.of([Measured(-1.0, 1.0), Measured(2.0)]).positive()) == [None, Measured(2.0)]
    assert list(Numbers.exact(np.array([6.0, 6.0, 6.0])).over(other)) == [(3.0, pytest.approx(0.15))] * 2 + [
        (3.0, None)
    ]


def test_labels_that_become_alike_are_one() -> None:
    told = Texts.of(["Moon", None, "moon", "Sun"]).each(lambda word: word and word.casefold())
    assert told.labels == ("moon", None, "sun") and told.codes.tolist() == [0, 1, 0, 2]
