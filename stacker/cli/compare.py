"""`stillair compare`: runs, nights, telescopes and settings, with what differs and what does not."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.cli import run_choice
from stacker.cli.failing import SOME_FAILED
from stacker.cli.on_record import add_logbook_option

if TYPE_CHECKING:
    from stacker.logbook import LoggedRun
    from stacker.logbook.comparison_record import Comparison

_EXAMPLES = """examples:
  stillair compare runs/saturn_a runs/saturn_b              two run folders
  stillair compare 3fa81c02 77b0a9e4 --out saturn           two runs on record, pictures side by side and blinking
  stillair compare --by telescope --date 2031               all telescopes over a year, target by target, night by night
  stillair compare --by keep --target jupiter               what keeping more or fewer frames does
  stillair compare --by night --telescope "ten inch" --json

What is said to differ does so by more than its error, however many differences are looked at: of twenty comparisons
without a true difference, one shows a false one. Telescopes are compared within the same target, filter and night;
across nights by what their aperture can show in the air of that night.
"""
FILES = ("comparison.json", "report.html", "side_by_side.png", "blinking.png")


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "compare",
        help="compare runs, telescopes, nights, settings",
        description="Compare runs: a table of what differs by more than its error, and pictures at the same scale.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument(
        "runs", metavar="RUN", nargs="*", help="run folders, or runs on record; without, by the filters"
    )
    parser.add_argument(
        "--by",
        metavar="WHAT",
        help="run, telescope, night, target, site, camera, filter, version, or a setting such as keep "
        "(default: run where runs are named, else telescope)",
    )
    parser.add_argument("--out", metavar="DIR", type=Path, help=f"write {', '.join(FILES)} there")
    run_choice.add_filters(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of words")
    add_logbook_option(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the comparison, write its pictures; return the exit status."""
    from stacker.logbook import compare_runs
    from stacker.logbook.as_record import comparison_as_record

    told = compare_runs(chosen_runs(arguments), arguments.by or ("run" if arguments.runs else "telescope"))
    if arguments.json:
        print(json.dumps(comparison_as_record(told), ensure_ascii=False))
    else:
        from stacker.cli.compare_words import comparison_words

        print("\n".join(comparison_words(told)))
    return write_comparison(told, arguments.out) if arguments.out else 0


def chosen_runs(arguments: argparse.Namespace) -> Sequence[LoggedRun]:
    """Return the runs of a call: the named ones, else those that fit the filters."""
    from stacker.logbook import read_run
    from stacker.logbook.figures import COMPARED_NAMES

    names = arguments.runs
    if names and all((Path(words) / "metrics.json").is_file() for words in names):
        return run_choice.unique([read_run(words) for words in names])
    with run_choice.open_logbook(arguments.logbook) as book:
        if names:
            return run_choice.unique([run_choice.run_named(book, words) for words in names])
        return book.select(run_choice.selection_from(arguments), names=COMPARED_NAMES)


def write_comparison(told: Comparison, out: Path) -> int:
    """Write the comparison into a folder: JSON, and pictures where there are two; return the exit status."""
    from stacker.logbook.as_record import comparison_as_record
    from stacker.logbook.typical import typical_runs
    from stacker.report.comparison_pictures import panels, views_of, write_blinking, write_side_by_side
    from stacker.whole_file import written_whole

    try:
        out.mkdir(parents=True, exist_ok=True)
        text = json.dumps(comparison_as_record(told), ensure_ascii=False, indent=2) + "\n"
        with written_whole(out / FILES[0]) as temporary:
            temporary.write_text(text, encoding="utf-8", newline="\n")
        _write_page(told, out / FILES[1])
        label_of = {run.id: label for label, run in typical_runs(told)}
        seen = views_of([run for _, run in typical_runs(told)])
        if seen is None:
            print("fewer than two pictures of one target are there: none are shown side by side", file=sys.stderr)
            return 0
        runs, common = seen
        drawn = panels([label_of[run.id] for run in runs], runs, common)
        write_side_by_side(out / FILES[2], drawn)
        write_blinking(out / FILES[3], drawn)
    except OSError as error:
        print(f"{out}: cannot be written ({error.strerror or error}); name another folder", file=sys.stderr)
        return SOME_FAILED
    for note in common.notes:
        print(note, file=sys.stderr)
    written = [name for name in FILES if (out / name).is_file()]
    print(f"{out}: {', '.join(written)}", file=sys.stderr)
    return 0


def _write_page(told: Comparison, path: Path) -> None:
    """Write the page of a comparison; where matplotlib is missing that is said, and the rest goes on."""
    from stacker.report.comparison_page import write_comparison_page
    from stacker.settings import SettingsError

    try:
        write_comparison_page(told, path)
    except SettingsError as error:
        print(error, file=sys.stderr)
