"""Which runs a call means: named by id, folder or capture, or chosen by what they are."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stacker.logbook import Logbook, LoggedRun, Selection

_FILTERS = (
    ("target", "what was recorded"),
    ("telescope", "name of the telescope"),
    ("camera", "name of the camera"),
    ("site", "name of the site"),
    ("filter", "name of the filter"),
)
FEWEST_DIGITS = 4


def add_filters(parser: argparse.ArgumentParser) -> None:
    """Add the options that choose runs."""
    group = parser.add_argument_group("which runs", "Capitals do not count; * stands for any letters.")
    for name, words in _FILTERS:
        group.add_argument(f"--{name}", metavar="NAME", help=words)
    group.add_argument(
        "--date", metavar="DATE", help="evening: 2031-04-05, 2031-04 or 2031, or two of them with .. between"
    )


def selection_from(arguments: argparse.Namespace) -> Selection:
    """Return what the filters say. Raises SettingsError for a date that is none."""
    from stacker.logbook import Selection

    return Selection(**{name: getattr(arguments, name) for name in (*(name for name, _ in _FILTERS), "date")})


def open_logbook(given: str | None) -> Logbook:
    """Open the logbook of a call. Raises SettingsError where it is told to have none, LogbookError as it opens."""
    from stacker.logbook import Logbook, logbook_path
    from stacker.settings import SettingsError

    path = logbook_path(given)
    if path is None:
        raise SettingsError("the command line: the logbook is 'none'; name one with --logbook FILE")
    return Logbook(path)


def runs_named(book: Logbook, words: str) -> list[LoggedRun]:
    """Return the runs that a word names, latest first: an id's first digits, a folder, or a capture's name.

    Raises SettingsError where there is none, or where digits fit several.
    """
    from stacker.settings import SettingsError

    found = book.find(words)
    ids = [run for run in found if run.id.startswith(words.lower())]
    if ids and len(words) >= FEWEST_DIGITS:
        if len(ids) > 1:
            raise SettingsError(f"the command line: {words} fits {len(ids)} runs; give more digits")
        return ids
    named = [run for run in found if run not in ids]
    if not named:
        raise SettingsError(f"the command line: no run on record is named {words}; 'stillair log' lists them")
    return named


def run_named(book: Logbook, words: str) -> LoggedRun:
    """Return one run: a run folder that is there, on record or not, or the latest that the word names."""
    from stacker.logbook import read_run

    if (Path(words) / "metrics.json").is_file():
        return read_run(words)
    return runs_named(book, words)[0]


def unique(runs: Sequence[LoggedRun]) -> list[LoggedRun]:
    """Return runs, each once, in order."""
    return list({run.id: run for run in runs}.values())
