"""Ten thousand runs on record stay quick to list, choose and compare; `scripts/benchmark_logbook.py` prints times."""

import importlib.util
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stacker.cli.log_words import LISTED_NAMES, listing
from stacker.logbook import Logbook, Selection, compare_runs
from stacker.logbook.figures import COMPARED_NAMES
from stacker.logbook.sessions import seeing_record

ALLOWED_S = 0.75
"""Processor time: three times what the slowest takes on a quiet core; with the start of Python that is under 0.5 s."""


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory, checkout: Path) -> Path:
    """Return a logbook of 10,000 made-up runs."""
    place = checkout / "scripts" / "benchmark_logbook.py"
    found = importlib.util.spec_from_file_location("benchmark_logbook", place)
    assert found is not None and found.loader is not None
    script: Any = importlib.util.module_from_spec(found)
    found.loader.exec_module(script)
    path = tmp_path_factory.mktemp("book") / "logbook.sqlite"
    script.fill(path, 10000)
    return path


def _list_latest(book: Logbook) -> int:
    return len(listing(book.select(names=LISTED_NAMES, last=30)))


def _list_all(book: Logbook) -> int:
    return len(listing(book.select(names=LISTED_NAMES)))


def _filter(book: Logbook) -> int:
    return len(book.select(Selection(target="jup*", telescope="ten inch", date="2030-03..2030-05"), names=LISTED_NAMES))


def _compare(book: Logbook) -> int:
    return len(compare_runs(book.select(names=COMPARED_NAMES), "telescope").rows)


def _compare_some(book: Logbook) -> int:
    """Whatever SQL chooses, most runs here, their numbers are read at one go."""
    return len(compare_runs(book.select(Selection(site="old*"), names=COMPARED_NAMES), "target").rows)


def _seeing(book: Logbook) -> int:
    return len(seeing_record(book.select(names=("seeing_arcsec",))).nights)


@pytest.mark.parametrize(
    ("work", "expected"),
    [(_list_latest, 31), (_list_all, 10001), (_filter, 307), (_compare, 8), (_compare_some, 8), (_seeing, 250)],
)
def test_it_is_quick(book: Path, work: Callable[[Logbook], int], expected: int) -> None:
    """Everything that a command does but the start of Python."""
    with Logbook(book) as opened:
        began = time.process_time()
        assert work(opened) == expected
        taken = time.process_time() - began
    assert taken < ALLOWED_S
