"""`stillair report`: a page for every run, and one for a folder of them."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from stacker.cli.failing import SOME_FAILED, describe, explain

_EXAMPLES = """examples:
  stillair report runs/saturn                one run: writes runs/saturn/report.html
  stillair report runs                       a night: a page of each run below, and runs/report.html of all of them

A page is one file with everything inside: open it from any folder or stick, in any browser, without a network.
It is made from the run folders alone, without the captures. It needs matplotlib: pip install "stillair[report]".
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "report",
        help="make a page of each run, and one of a night",
        description="Make one self-contained HTML page of each run folder, and of a folder that holds several.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("runs", metavar="RUN", nargs="+", type=Path, help="run folder, or folder of run folders")
    parser.add_argument("--json", action="store_true", help="print one JSON object a page instead of words")
    parser.set_defaults(run=run)


def add_report_option(parser: argparse.ArgumentParser) -> None:
    """Add the option of the commands that make runs."""
    parser.add_argument("--report", action="store_true", help="make the page of each run too, report.html")


def run(arguments: argparse.Namespace) -> int:
    """Write the pages; return the exit status."""
    tell = _as_json if arguments.json else _in_words
    return max(_report(folder, tell) for folder in arguments.runs)


def write_pages(folders: Iterable[Path]) -> int:
    """Write the page of each run folder, silently where all is well; return the exit status."""
    from stacker.report.run_page import write_run_page

    return max((_written(folder, write_run_page, _silently) for folder in folders), default=0)


def write_page_of_night(folder: Path, failures: Sequence[tuple[str, str]], doubts: Mapping[Path, str]) -> int:
    """Write the page of a folder of runs, silently where all is well; return the exit status."""
    from stacker.report.night_page import write_night_page

    return _written(folder, lambda place: write_night_page(place, failures, doubts), _silently)


def _report(folder: Path, tell: Callable[[Path, Path | str], None]) -> int:
    """Write the page of a run, or those of all runs below a folder and then the folder's own."""
    from stacker.report.night_page import runs_below, write_night_page
    from stacker.report.reading import is_run
    from stacker.report.run_page import write_run_page

    if not folder.is_dir():
        return _written(folder, _no_folder, tell)
    if is_run(folder):
        return _written(folder, write_run_page, tell)
    # A picture joined from several captures has no frames to show a page of; it stands among the others.
    runs = [_as_typed(run.folder, folder) for run in runs_below(folder)[0] if is_run(run.folder)]
    status = max((_written(run, write_run_page, tell) for run in runs), default=0)
    return max(status, _written(folder, write_night_page, tell))


def _written(folder: Path, write: Callable[[Path], Path], tell: Callable[[Path, Path | str], None]) -> int:
    try:
        page = write(folder)
    except Exception as error:
        tell(folder, describe(error, folder))
        return max(explain(error, folder), SOME_FAILED)
    tell(folder, folder / page.name)
    return 0


def _no_folder(folder: Path) -> Path:
    from stacker.capture.sequence import CaptureError

    raise CaptureError(folder, "is no run folder", "name a folder that holds metrics.json, or one with runs in it")


def _as_typed(run: Path, folder: Path) -> Path:
    """Return a run's folder by the name that the user gave the folder above it."""
    above = folder.absolute()
    return folder / run.relative_to(above) if run.is_relative_to(above) else run


def _in_words(folder: Path, told: Path | str) -> None:
    if isinstance(told, Path):
        print(told, flush=True)


def _as_json(folder: Path, told: Path | str) -> None:
    print(json.dumps({"run": str(folder), "page" if isinstance(told, Path) else "error": str(told)}), flush=True)


def _silently(folder: Path, told: Path | str) -> None:
    """Say nothing: what fails is told on standard error."""
