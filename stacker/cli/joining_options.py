"""What the commands share that make one picture of several captures."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.cli import circumstance_options, on_record
from stacker.cli.failing import SOME_FAILED, describe, explain
from stacker.cli.process import add_choices, add_shared_arguments

if TYPE_CHECKING:
    from stacker.capture import Circumstances
    from stacker.joining import Part
    from stacker.joining.writing import JoinedRun
    from stacker.settings import Settings


def add_joining_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the captures, the settings, and what every processing command takes."""
    parser.add_argument("captures", metavar="CAPTURE|RUN", nargs="+", help="captures, or run folders of some of them")
    parser.add_argument("--out", metavar="DIR", type=Path, required=True, help="where all folders go")
    add_choices(parser)
    add_shared_arguments(parser)
    on_record.add_logbook_option(parser)
    circumstance_options.add_options(parser)


def parts_of(
    arguments: argparse.Namespace, check: Callable[[list[Path], Circumstances | None, list[Part]], None]
) -> tuple[list[Part], Settings, int]:
    """Process the captures of a call and read their runs, and those that are runs already.

    Joined pictures among other runs are passed over: a pattern that names the runs of a set names its picture too.
    `check` is asked first, with the captures, what the call says of them, and the runs that are there; it raises
    CaptureError where they make no picture. Return the parts that could be had, the settings, and the exit status so
    far. Raises SettingsError.
    """
    from stacker.cli.process import captures_from, process_on_record, settings_from
    from stacker.joining.part import is_joined, is_run_folder

    settings, circumstances = settings_from(arguments)
    paths = captures_from(arguments.captures)
    joined = [path for path in paths if is_run_folder(path) and is_joined(path)]
    if 0 < len(joined) < len(paths):
        paths = [path for path in paths if path not in joined]
        print(f"passed over, joined already: {', '.join(map(str, joined))}", file=sys.stderr)
    runs = [path for path in paths if is_run_folder(path)]
    captures = [path for path in paths if path not in runs]
    there, unread = _read(runs)
    if not unread:
        check(captures, circumstances, there)
    done, status = process_on_record(captures, settings, circumstances, arguments)
    parts, unread_too = _read(done)
    return [*there, *parts], settings, max(status, unread, unread_too)


def _read(folders: Sequence[Path]) -> tuple[list[Part], int]:
    from stacker.joining import read_part

    parts, status = [], 0
    for folder in folders:
        try:
            parts.append(read_part(folder))
        except Exception as error:
            status = max(status, explain(error, folder), SOME_FAILED)
    return parts, status


def tell_joined(work: Callable[[], JoinedRun], about: Path | str, as_json: bool) -> int:
    """Make one joined picture and tell of it; return the exit status."""
    try:
        made = work()
    except Exception as error:
        if as_json:
            print(json.dumps({"joined": str(about), "error": describe(error, about)}), flush=True)
        return max(explain(error, about), SOME_FAILED)
    if as_json:
        from stacker.run_folder.metrics_file import complete_metrics

        print(json.dumps({"folder": str(made.folder), "metrics": complete_metrics(made.metrics)}), flush=True)
    else:
        print(made.summary, flush=True)
    return 0


def none_left() -> int:
    """Say that nothing could be joined; return the exit status."""
    print("nothing to join: none of the captures could be used", file=sys.stderr)
    return SOME_FAILED
