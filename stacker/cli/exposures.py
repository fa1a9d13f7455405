"""`stillair exposures`: captures of one target at several exposures in, one picture from bright to faint out."""

from __future__ import annotations

import argparse

from stacker.cli.joining_options import add_joining_arguments, none_left, parts_of, tell_joined

_EXAMPLES = """examples:
  stillair exposures jupiter_5ms.avi jupiter_200ms.avi --out runs      the planet and its moons
  stillair exposures venus_day.avi venus_night.avi --out runs          lit and dark side
  stillair exposures runs/moon_* --out runs                            from runs that are there

The shortest exposure gives the units; the longer ones count where they are far from saturation, by their noise.
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "exposures",
        help="make one picture of captures at several exposures",
        description="Stack captures of one target at several exposures and join them in linear light, without a seam.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    add_joining_arguments(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Make one picture of the call's captures; return the exit status."""
    from stacker.joining import join_exposures
    from stacker.joining.beforehand import check_exposures

    parts, settings, status = parts_of(arguments, check_exposures)
    if not parts:
        return none_left()
    if status:
        return status
    return tell_joined(lambda: join_exposures(parts, arguments.out, settings), arguments.out, arguments.json)
