"""`stillair log`: the record of every run."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.cli import run_choice
from stacker.cli.failing import SOME_FAILED, describe
from stacker.cli.on_record import add_logbook_option
from stacker.counted import counted

if TYPE_CHECKING:
    from stacker.capture.sequence import CaptureError
    from stacker.logbook import Logbook, LoggedRun

_EXAMPLES = """examples:
  stillair log                                        the latest runs
  stillair log --target saturn --date 2031-04         Saturn in April
  stillair log 3fa81c02                               one run, everything that is known of it
  stillair log --export season.csv --date 2031        a row a run; .parquet needs stillair[parquet]
  stillair log --seeing --plot seeing.svg             the air of your site by night, hour and altitude
  stillair log --forget 3fa81c02                      off the record; its folder stays
  stillair log --rebuild runs /media/old/runs         every run folder below these, on record again

A run is named by the first digits of its id, by its folder or the name of it, or by its
capture's name. `stillair process` keeps the log.
"""
LISTED = 30


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "log",
        help="list, show, export and forget runs",
        description="List the runs on record, or show, export, forget or rebuild them, or tell of the seeing.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("runs", metavar="RUN", nargs="*", help="show these")
    run_choice.add_filters(parser)
    parser.add_argument("--last", metavar="N", type=_count, help=f"list the latest N only (words: {LISTED}); 0 for all")
    does = parser.add_mutually_exclusive_group()
    does.add_argument("--export", metavar="FILE", type=Path, help="write a table, .csv or .parquet")
    does.add_argument("--forget", metavar="RUN", nargs="+", help="take runs off the record; their folders stay")
    does.add_argument("--rebuild", metavar="DIR", nargs="+", type=Path, help="record every run folder below DIR")
    does.add_argument("--seeing", action="store_true", help="tell of the seeing by night, hour and altitude")
    parser.add_argument("--plot", metavar="FILE", type=Path, help="with --seeing: draw it into a .png or .svg file")
    parser.add_argument("--json", action="store_true", help="print JSON instead of words")
    add_logbook_option(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do what is asked; return the exit status."""
    _check(arguments)
    if arguments.rebuild:
        return _rebuild(arguments)
    with run_choice.open_logbook(arguments.logbook) as book:
        if arguments.forget:
            return _forget(book, arguments)
        if arguments.seeing:
            return _seeing(book, arguments)
        if arguments.export:
            return _export(book, arguments)
        if arguments.runs:
            return _show(book, arguments)
        return _list(book, arguments)


def _check(arguments: argparse.Namespace) -> None:
    """Find out what cannot be before anything is done."""
    from stacker.settings import SettingsError

    if arguments.plot and not arguments.seeing:
        raise SettingsError("the command line: --plot goes with --seeing; add it")
    if arguments.plot:
        from stacker.plot_file import check_plot_path

        check_plot_path(arguments.plot)
    if arguments.export:
        from stacker.logbook.export import check_export_path

        check_export_path(arguments.export)


def _list(book: Logbook, arguments: argparse.Namespace) -> int:
    from stacker.cli.log_words import LISTED_NAMES, listing
    from stacker.logbook.as_record import run_as_record

    last = arguments.last if arguments.last is not None else None if arguments.json else LISTED
    names = None if arguments.json else LISTED_NAMES
    runs = book.select(run_choice.selection_from(arguments), names=names, last=last or None)
    if arguments.json:
        print(json.dumps([run_as_record(run) for run in runs], ensure_ascii=False))
        return 0
    if runs:
        print("\n".join(listing(runs)))
    elif book.count():
        print(f"no such run on record in {book.path}")
    else:
        print(f"no run is on record in {book.path} yet: 'stillair process' keeps it, 'stillair log --rebuild DIR' too")
    if last and len(runs) == last < book.count():
        print(f"the latest {last} of {book.count()} on record; --last 0 lists all", file=sys.stderr)
    return 0


def _show(book: Logbook, arguments: argparse.Namespace) -> int:
    from stacker.cli.log_words import whole_run
    from stacker.logbook.as_record import run_as_record

    runs = run_choice.unique([run for words in arguments.runs for run in run_choice.runs_named(book, words)])
    if arguments.json:
        print(json.dumps([run_as_record(run, whole=True) for run in runs], ensure_ascii=False))
    else:
        print("\n\n".join("\n".join(whole_run(run)) for run in runs))
    return 0


def _export(book: Logbook, arguments: argparse.Namespace) -> int:
    from stacker.logbook.export import export

    runs: Sequence[LoggedRun]
    if arguments.runs:
        runs = run_choice.unique([run for words in arguments.runs for run in run_choice.runs_named(book, words)])
    else:
        runs = book.select(run_choice.selection_from(arguments), last=arguments.last or None, whole=True)
    try:
        export(arguments.export, runs)
    except OSError as error:
        print(f"{arguments.export}: cannot be written ({error.strerror or error}); name another file", file=sys.stderr)
        return SOME_FAILED
    print(f"{arguments.export}: {counted(len(runs), 'run')}")
    return 0


def _forget(book: Logbook, arguments: argparse.Namespace) -> int:
    runs = run_choice.unique([run for words in arguments.forget for run in run_choice.runs_named(book, words)])
    book.forget([run.id for run in runs])
    for gone in runs:
        print(f"{gone.id[:8]} {gone.capture}: off the record; {gone.folder} stays as it is")
    return 0


def _rebuild(arguments: argparse.Namespace) -> int:
    from stacker.logbook import logbook_path
    from stacker.logbook.rebuilding import rebuild
    from stacker.settings import SettingsError

    path = logbook_path(arguments.logbook)
    if path is None:
        raise SettingsError("the command line: the logbook is 'none'; name one with --logbook FILE")
    failed: list[CaptureError] = []

    def tell(error: CaptureError) -> None:
        failed.append(error)
        print(describe(error), file=sys.stderr)

    count = rebuild(path, arguments.rebuild, tell)
    unread = f", {counted(len(failed), 'folder')} could not be read" if failed else ""
    nothing = "" if count or failed else f"; no run folder is below {', '.join(map(str, arguments.rebuild))}"
    print(f"{path}: {counted(count, 'run')} recorded{unread}{nothing}")
    return SOME_FAILED if failed else 0


def _seeing(book: Logbook, arguments: argparse.Namespace) -> int:
    from stacker.cli.log_words import seeing_words
    from stacker.logbook.as_record import seeing_as_record
    from stacker.logbook.sessions import seeing_record

    record = seeing_record(book.select(run_choice.selection_from(arguments), names=("seeing_arcsec",)))
    if arguments.json:
        print(json.dumps(seeing_as_record(record), ensure_ascii=False))
    else:
        print("\n".join(seeing_words(record)))
    if arguments.plot:
        from stacker.report.seeing_plot import write_seeing_plot

        try:
            write_seeing_plot(arguments.plot, record)
        except OSError as error:
            print(f"{arguments.plot}: cannot be written ({error.strerror or error}); name another", file=sys.stderr)
            return SOME_FAILED
        print(f"{arguments.plot}: the seeing as a plot", file=sys.stderr)
    return 0


def _count(text: str) -> int:
    if not text.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 0 on")
    return int(text)
