"""The command `stillair`: one module a command, each with its arguments, one call, and the words that tell of it.

A command's module has `add_parser(subparsers)`, which sets `run`, a function from the parsed arguments to the exit
status. Nothing heavy is imported before `run`, so that help, version and completion answer at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from stacker.cli import (
    camera,
    colours,
    compare,
    completion,
    demo,
    exposures,
    keep,
    log,
    night,
    plan,
    process,
    report,
    simulate,
    sky,
)
from stacker.cli.failing import INTERRUPTED, explain
from stacker.cli.one_line_parser import OneLineParser
from stacker.version import __version__

_EXAMPLES = """examples:
  stillair process saturn.avi --out runs
  stillair process night/*.fits --out runs --keep 20
  stillair night captures --out runs
  stillair keep saturn.avi
  stillair log --target saturn
  stillair compare --by telescope
  stillair simulate trial.avi
  stillair sky jupiter --site 52.2,13.1,80
  stillair plan garden.toml
  stillair camera flats.fits --bias biases.fits
  stillair demo

'stillair COMMAND --help' tells more. The Sun: only ever through a certified full-aperture filter in front of the
telescope, finders capped.
"""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = OneLineParser(
        prog="stillair",
        description="Turn short telescope videos of planets, the Moon and the filtered Sun into measured pictures.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"stillair {__version__}")
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", dest="command", required=True)
    commands = (process, keep, colours, exposures, night, log, compare, report, simulate, demo, sky, plan, camera)
    for command in (*commands, completion):
        command.add_parser(subparsers)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status: 0 done, 1 some capture failed, 2 the call was wrong."""
    # numpy and OpenCV read these once, when they are imported: the threads are ours, over frames.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
    try:
        arguments = build_parser().parse_args(argv)
        status: int = arguments.run(arguments)
        sys.stdout.flush()
    except SystemExit as ending:
        return ending.code if isinstance(ending.code, int) else 0
    except KeyboardInterrupt:
        print("stopped; the run folders that are there are whole", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone (`| head`); Python would complain once more when it closes.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except Exception as error:
        return explain(error)
    return status
