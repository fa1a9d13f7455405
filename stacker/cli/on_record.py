"""The logbook on the command line: which one, and keeping a finished run on record."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def add_logbook_option(parser: argparse.ArgumentParser) -> None:
    """Add the option that names the logbook."""
    parser.add_argument(
        "--logbook",
        metavar="FILE",
        help="the logbook, or none (default: STILLAIR_LOGBOOK, else one in your data folder)",
    )


def keep_on_record(run_folder: Path, logbook: str | None) -> None:
    """Put a finished run on record; a logbook that cannot be written is told in one line and stops nothing."""
    from stacker.cli.failing import describe

    try:
        from stacker.logbook import record_run

        record_run(run_folder, logbook)
    except Exception as error:
        print(f"not on record: {describe(error, run_folder)}", file=sys.stderr)
