"""`stillair report`: a page for every run, and one for a folder of them."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
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


def run(arguments: argparse.Namespace) -> int:
    """Write the pages; return the exit status."""
    return max(_report(folder, arguments.json) for folder in arguments.runs)


def _report(folder: Path, as_json: bool) -> int:
    """Write the page of a run, or those of all runs below a folder and then the folder's own."""
    from stacker.report.night_page import runs_below, write_night_page
    from stacker.report.reading import is_run
    from stacker.report.run_page import write_run_page

    if is_run(folder) or not folder.is_dir():
        return _told(folder, write_run_page, as_json)
    status = max((_told(run.folder, write_run_page, as_json) for run in runs_below(folder)[0]), default=0)
    return max(status, _told(folder, write_night_page, as_json))


def _told(folder: Path, write: Callable[[Path], Path], as_json: bool) -> int:
    try:
        page = write(folder)
    except Exception as error:
        if as_json:
            print(json.dumps({"run": str(folder), "error": describe(error, folder)}))
        return max(explain(error, folder), SOME_FAILED)
    print(json.dumps({"run": str(folder), "page": str(page)}) if as_json else page, flush=True)
    return 0
