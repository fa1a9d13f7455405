"""`stillair night`: a folder of captures in, a night's run folders out, unattended."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stacker.cli import circumstance_options, on_record
from stacker.cli.failing import INTERRUPTED, SOME_FAILED
from stacker.cli.machine import settle
from stacker.cli.night_bar import NightBar
from stacker.cli.process import add_choices, count_of_workers, settings_from
from stacker.cli.report import add_report_option, write_page_of_night, write_pages
from stacker.cli.warning import warn

if TYPE_CHECKING:
    from stacker.night.hands import Hands
    from stacker.night.plan import Plan, Planned
    from stacker.night.scout import Scout
    from stacker.night.task import Outcome
    from stacker.night.work import Work

_EXAMPLES = """examples:
  stillair night captures/2031-04-05 --out runs --dry-run       what is there, in which groups, what is done already
  stillair night captures/2031-04-05 --out runs                 process it; call it again to go on after a power cut
  stillair night captures --out runs --watch                    while the captures still arrive; Ctrl-C ends it
  stillair night /club/captures --out /club/runs --cluster tcp://10.0.0.5:8786

Nested folders are searched; a folder of pictures is one capture. Finished work is known by the capture's content, its
sidecar, settings and version, and is not done again. Exit status: 0 all done, 1 some capture failed, 2 the call was
wrong.
"""
_FRESH_S = 2.0
"""How long a capture must have been quiet where nobody said that captures still arrive."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "night",
        help="process a whole folder of captures, unattended",
        description="Find the captures of a folder, group and order them, and turn each into a run folder.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="where the captures are")
    parser.add_argument("--out", metavar="DIR", type=Path, required=True, help="where the run folders go")
    parser.add_argument("--dry-run", action="store_true", help="show the plan and do nothing")
    parser.add_argument("--watch", action="store_true", help="go on while captures still arrive")
    parser.add_argument("--watch-for-s", metavar="S", type=_seconds, help="watch, and end after S seconds without news")
    parser.add_argument(
        "--quiet-s", metavar="S", type=_seconds, help="watching, take a capture after S seconds without growth (10)"
    )
    parser.add_argument(
        "--workers", metavar="N", type=count_of_workers, help="processors to keep busy (default: all of them)"
    )
    parser.add_argument("--memory-mb", metavar="MB", type=_seconds, help="memory to stay below (default: most of it)")
    parser.add_argument("--cluster", metavar="ADDRESS", help="hand the captures to the Dask scheduler at ADDRESS")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of words")
    add_choices(parser)
    add_report_option(parser)
    on_record.add_logbook_option(parser)
    circumstance_options.add_options(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Plan the night and process it; return the exit status."""
    settings, overrides = settings_from(arguments)
    if arguments.report:
        from stacker.report.drawing import check_plots

        check_plots()
    from stacker.night.growth import Growth
    from stacker.night.scout import Scout

    watching = arguments.watch or arguments.watch_for_s is not None
    quiet_s = (10.0 if watching else _FRESH_S) if arguments.quiet_s is None else arguments.quiet_s
    scout = Scout(arguments.folder, arguments.out, settings, overrides, Growth(quiet_s))
    with NightBar() as bar:
        if arguments.dry_run:
            plan = scout.look_around(0.0 if watching else quiet_s)
            return _show_plan(plan, arguments.json)
        return _Night(arguments, scout, bar, watching).run(quiet_s)


def _show_plan(plan: Plan, as_json: bool) -> int:
    from stacker.night.plan import BAD, as_record
    from stacker.night.words import plan_lines

    if as_json:
        print(json.dumps(as_record(plan), ensure_ascii=False, indent=1))
    else:
        print("\n".join(plan_lines(plan)))
    _caution(plan, as_json)
    return SOME_FAILED if plan.in_state(BAD) else 0


def _caution(plan: Plan, as_json: bool) -> None:
    for words in plan.cautions:
        warn(words, sys.stderr if as_json else sys.stdout)


class _Night:
    """One call: its hands, its bar, and what it has heard."""

    def __init__(self, arguments: argparse.Namespace, scout: Scout, bar: NightBar, watching: bool) -> None:
        from stacker.night.keeping import Record
        from stacker.night.unattended import Watch

        self.arguments, self.scout, self.bar = arguments, scout, bar
        self.workers: int = arguments.workers or os.cpu_count() or 1
        self.watch = Watch(min(5.0, scout.growth.quiet_s), arguments.watch_for_s) if watching else None
        self.record = Record(arguments.logbook)

    def run(self, quiet_s: float) -> int:
        """Process the night; return the exit status."""
        from stacker.night.budget import memory_limit_mb
        from stacker.night.unattended import clear
        from stacker.night.work import Work

        clear(self.arguments.out)
        hands = self._hands()  # workers load while the night is planned
        try:
            plan = self.scout.look_around(0.0 if self.watch else quiet_s)
        except BaseException:
            hands.close()
            raise
        limit_mb = None if self.arguments.cluster else self.arguments.memory_mb or memory_limit_mb()
        work = Work(self.workers, limit_mb, self._hear)
        self._caution(plan)
        plan, status = self._work_through(plan, work, hands)
        return max(status, self._close(plan, work))

    def _work_through(self, plan: Plan, work: Work, hands: Hands) -> tuple[Plan, int]:
        from stacker.capture import CaptureError
        from stacker.night.unattended import run_night
        from stacker.night.work import NightStopped

        try:
            return run_night(self.scout, plan, work, hands, self._own_hands, self.watch, self._say_error), 0
        except (NightStopped, CaptureError) as error:
            self._say_error(str(error))
            return plan, SOME_FAILED
        except KeyboardInterrupt:
            self._say_error("stopped; the run folders that are there are whole, the next call goes on")
            return plan, INTERRUPTED
        finally:
            hands.close()

    def _hands(self) -> Hands:
        if self.arguments.cluster:
            from stacker.night.cluster import Cluster

            return Cluster(self.arguments.cluster, settle)
        return self._own_hands()

    def _own_hands(self) -> Hands:
        if self.workers == 1:
            from stacker.night.hands import OwnHands

            return OwnHands(settle, self.bar)
        from stacker.night.processes import Processes

        return Processes(self.workers, settle, self.bar)

    def _hear(self, planned: Planned, outcome: Outcome) -> None:
        from stacker.night.task import ALREADY, FAILED

        self.bar(planned.path, 1.0)
        if outcome.state == FAILED:
            self._say_error(outcome.words)
        else:
            before = self.record.trouble
            self.record.keep(planned.task.folder)
            if self.record.trouble != before:
                self._say_error(f"{self.record.trouble}; the night goes on without")
            if outcome.state != ALREADY and not self.arguments.json:
                self.bar.say(outcome.words)

    def _caution(self, plan: Plan) -> None:
        from stacker.night.budget import work_of
        from stacker.night.plan import NEW

        self.bar.expect({entry.path: work_of(entry.found) for entry in plan.in_state(NEW)})
        _caution(plan, self.arguments.json)

    def _close(self, plan: Plan, work: Work) -> int:
        from stacker.night.closing import closing_record, doubtful
        from stacker.night.plan import BAD
        from stacker.night.task import FAILED
        from stacker.night.words import closing_lines

        self.bar.close()
        odd = doubtful(plan, work.outcomes)
        if self.arguments.json:
            print(json.dumps(closing_record(plan, work.outcomes, odd), ensure_ascii=False, indent=1))
        else:
            print("\n".join(closing_lines(plan, work.outcomes, odd)))
        status = self._write_pages(plan, work, odd) if self.arguments.report else 0
        failed: list[Any] = [outcome for outcome in work.outcomes.values() if outcome.state == FAILED]
        return max(status, SOME_FAILED if failed or plan.in_state(BAD) else 0)

    def _write_pages(self, plan: Plan, work: Work, odd: Mapping[Path, str]) -> int:
        """Write the page of each run and that of the night; return the exit status."""
        from stacker.night.closing import failures_of

        folders = {path: planned.task.folder for path, planned in plan.planned.items()}
        done = [folders[path] for path, outcome in sorted(work.outcomes.items()) if outcome.metrics is not None]
        if not done:
            return 0
        doubts = {folders[path]: words for path, words in odd.items()}
        return max(write_pages(done), write_page_of_night(self.arguments.out, failures_of(plan, work.outcomes), doubts))

    def _say_error(self, words: str) -> None:
        self.bar.say(words, error=True)


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e9:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number from 0 on")
    return value
