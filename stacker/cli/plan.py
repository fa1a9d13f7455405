"""`stillair plan`: what is worth recording in a night, with which telescope and camera, and how."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.cli.failing import explain
from stacker.cli.on_record import add_logbook_option
from stacker.cli.warning import warn

if TYPE_CHECKING:
    from stacker.sky.plan import Plan
    from stacker.sky.plan_file import PlanFile

_EXAMPLES = """examples:
  stillair plan garden.toml                                   tonight
  stillair plan garden.toml --night 2031-04-05 --target Jupiter Moon
  stillair plan garden.toml --runs runs --plot night.png      usual seeing from your own measured runs
  stillair plan garden.toml --seeing-arcsec 1.2 --json

garden.toml:
  [site]
  name = "the garden"
  latitude_deg = 52.2
  longitude_deg = 13.1           # east positive
  elevation_m = 80
  seeing_arcsec = 2.0            # usual, at the zenith; your logbook of this site beats it
  [[telescope]]                  # once for each
  name = "ten inch"
  aperture_mm = 254
  focal_length_mm = 1200         # without a Barlow lens
  solar_filter = false           # true where a certified full-aperture filter is at hand
  [[camera]]
  name = "planetary"
  pixel_um = 2.9

The README lists every key. Works offline, for the years 1972 to 2100.
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "plan",
        help="tell what is worth recording in a night",
        description="Tell what is up when, what each telescope and camera would show of it, and how to record it.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("file", metavar="FILE", type=Path, help="TOML file with site, telescopes and cameras")
    parser.add_argument("--night", metavar="DATE", help="date of the evening, as 2031-04-05 (default: tonight)")
    parser.add_argument("--target", metavar="NAME", nargs="+", help="plan these only (default: all)")
    parser.add_argument("--seeing-arcsec", metavar="A", type=float, help="usual seeing; beats runs, logbook and file")
    parser.add_argument("--runs", metavar="DIR", type=Path, help="run folders whose measured seeing is the usual one")
    add_logbook_option(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of words")
    parser.add_argument("--plot", metavar="FILE", type=Path, help="draw the night into a .png or .svg file")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the plan; return the exit status."""
    from stacker.plot_file import check_plot_path
    from stacker.sky.plan_plot import write_night_plot

    if arguments.plot:
        check_plot_path(arguments.plot)
    plan = plan_from(arguments)
    if arguments.json:
        from stacker.sky.plan_record import plan_as_record

        print(json.dumps(plan_as_record(plan), ensure_ascii=False))
    else:
        _tell(plan)
    if arguments.json:
        # Standard output belongs to the script that reads it; the person is warned all the same.
        for target in plan.targets:
            if target.caution:
                warn(target.caution, sys.stderr)
    if arguments.plot:
        try:
            write_night_plot(arguments.plot, plan)
        except OSError as error:
            return explain(error, arguments.plot)
        print(f"{arguments.plot}: the night as a plot", file=sys.stderr)
    return 0


def plan_from(arguments: argparse.Namespace) -> Plan:
    """Return the plan that the arguments ask for. Raises SettingsError for what cannot be."""
    from datetime import UTC, datetime

    from stacker.settings import SettingsError
    from stacker.sky.night import evening_of
    from stacker.sky.plan import make_plan
    from stacker.sky.plan_file import night_from_text, read_plan

    file = _overridden(read_plan(arguments.file), arguments)
    logged = (
        None if arguments.seeing_arcsec is not None or file.conditions.runs else _logged_seeing(file, arguments.logbook)
    )
    try:
        given = night_from_text(arguments.night) if arguments.night else file.night
        return make_plan(file, given or evening_of(datetime.now(UTC), file.site), arguments.seeing_arcsec, logged)
    except ValueError as error:
        raise SettingsError(f"{arguments.file}: {error}") from error


def _logged_seeing(file: PlanFile, logbook: str | None) -> tuple[float, int, int] | None:
    """Return what the logbook knows of the site's seeing; one that cannot be read is told and not needed."""
    from stacker.capture.sequence import CaptureError
    from stacker.cli.failing import describe
    from stacker.logbook import logbook_path
    from stacker.logbook.site_seeing import usual_seeing_of_site

    path = logbook_path(logbook)
    if path is None:
        return None
    try:
        return usual_seeing_of_site(path, file.site.latitude_deg, file.site.longitude_deg, file.site.name)
    except CaptureError as error:
        print(f"usual seeing from the file: {describe(error)}", file=sys.stderr)
        return None


def _overridden(file: PlanFile, arguments: argparse.Namespace) -> PlanFile:
    from stacker.settings import SettingsError
    from stacker.sky.plan_file import targets_from

    if arguments.seeing_arcsec is not None and not 0.1 <= arguments.seeing_arcsec <= 30:
        raise SettingsError(
            f"the command line: --seeing-arcsec is {arguments.seeing_arcsec}; give arcseconds from 0.1 to 30"
        )
    if arguments.runs is not None:
        if not arguments.runs.is_dir():
            raise SettingsError(f"{arguments.runs}: is no folder; give one with run folders in it")
        file = replace(file, conditions=replace(file.conditions, runs=arguments.runs))
    if arguments.target:
        try:
            file = replace(file, targets=targets_from(arguments.target))
        except ValueError as error:
            raise SettingsError(f"the command line: {error}") from error
    return file


def _tell(plan: Plan) -> None:
    from stacker.sky.plan_words import legend, plan_heading, target_lines

    print("\n".join(plan_heading(plan)))
    for target in plan.targets:
        print()
        if target.caution:
            warn(target.caution, sys.stdout)
        print("\n".join(target_lines(target)))
    print("\n" + "\n".join(legend()))
