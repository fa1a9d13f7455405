"""`stillair report`: a page for every run, and one for a folder of them."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from stacker.cli.failing import SOME_FAILED, describe, explain

_EXAMPLES = """examples:
  stillair report runs/saturn                one run: writes runs/saturn/report.html
  stillair report runs/*                     many runs

A page is one file with everything inside: open it from any folder or stick, in any browser, without a network.
It is made from the run folder alone; the capture is not needed. Plots need matplotlib: pip install "stillair[report]".
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "report",
        help="make a page of each run",
        description="Make one self-contained HTML page of each run folder.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("runs", metavar="RUN", nargs="+", type=Path, help="run folder")
    parser.add_argument("--json", action="store_true", help="print one JSON object a page instead of words")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Write the pages; return the exit status."""
    from stacker.report.run_page import write_run_page

    status = 0
    for folder in arguments.runs:
        try:
            page = write_run_page(folder)
        except Exception as error:
            status = max(status, explain(error, folder), SOME_FAILED)
            if arguments.json:
                print(json.dumps({"run": str(folder), "error": describe(error, folder)}))
        else:
            print(json.dumps({"run": str(folder), "page": str(page)}) if arguments.json else page, flush=True)
    return status
