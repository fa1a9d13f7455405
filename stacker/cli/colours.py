"""`stillair colours`: captures through several filters in, one colour picture out."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.cli.joining_options import add_joining_arguments, none_left, parts_of, tell_joined

if TYPE_CHECKING:
    from stacker.capture import Circumstances
    from stacker.joining import Part

_EXAMPLES = """examples:
  stillair colours saturn_R.avi saturn_G.avi saturn_B.avi --out runs          makes runs/saturn_RGB/
  stillair colours runs/saturn_* --out runs                                   from runs that are there
  stillair colours night/*_*.avi --out runs --luminance IR                    detail from infrared, colour from the rest
  stillair colours venus_UV.avi venus_IR.avi --out runs                       two filters: green is their mean
  stillair colours jup_*.fits --out runs --channels CH4,G,B                   methane shown as red

A capture's filter is told by its sidecar (filter = "R"), its header, or a word of its name: L, R, G, B, UV, IR, CH4,
Ha, CaK. Captures of one target form a set; where a filter comes again, the next set begins. Each capture gets its run
folder, each set a folder of its own.
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "colours",
        help="make one colour picture of captures through several filters",
        description="Stack captures through several filters, lay them onto each other and combine them.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--channels", metavar="R,G,B", help="filters that become red, green and blue")
    parser.add_argument(
        "--luminance", metavar="NAME", help="filter that gives the detail (default: L where there is one)"
    )
    add_joining_arguments(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Make a picture of every set of the call; return the exit status."""
    from stacker.joining import FilterSet, find_sets, join_filters
    from stacker.joining.beforehand import check_filters

    def check(captures: list[Path], circumstances: Circumstances | None, runs: list[Part]) -> None:
        check_filters(captures, circumstances, runs, arguments.channels, arguments.luminance)

    parts, settings, status = parts_of(arguments, check)
    if not parts:
        return none_left()
    made: list[FilterSet] = []

    def join(found: FilterSet) -> int:
        name = f"{found.name}_{len(made)}" if found.name in [other.name for other in made] else found.name
        made.append(found)
        numbered = FilterSet(name, found.parts)
        return tell_joined(
            lambda: join_filters(numbered, arguments.out, settings, arguments.channels, arguments.luminance),
            name,
            arguments.json,
        )

    return max([status, *(join(found) for found in find_sets(parts))])
