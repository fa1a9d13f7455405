"""`stillair process`: captures in, run folders out."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from stacker.cli import circumstance_options, on_record
from stacker.cli.failing import SOME_FAILED, describe, explain
from stacker.cli.machine import settle
from stacker.cli.progress import Progress
from stacker.cli.report import add_report_option, write_pages

if TYPE_CHECKING:
    from stacker.capture.circumstances import Circumstances
    from stacker.pipeline import Run
    from stacker.settings import Settings

Stage = TypeVar("Stage")

_EXAMPLES = """examples:
  stillair process saturn.avi --out runs                        one capture, everything automatic
  stillair process night/*.fits --out runs --keep 20            many captures, the best fifth of each
  stillair process moon_frames/ --out runs --target surface     a folder of pictures
  stillair process sun.mkv --out runs --aperture-mm 80 --focal-length-mm 1200 --pixel-um 2.9
  stillair process saturn.avi --out again --settings runs/saturn/settings.toml

Each capture becomes the folder DIR/<name without ending>/: finished.png, labelled.png and best_frame.png to look at,
stack.fits, stack.tif and finished.fits to work on, frames.csv, metrics.json and curves.json with what was measured,
settings.toml to repeat it. 'stillair report' makes a page of it. A capture is a video, a FITS or TIFF file,
or a folder of pictures.
Exit status: 0 all done, 1 some capture failed (the others are done), 2 the call was wrong.
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "process",
        help="turn captures into measured pictures",
        description="Rank, align, stack, sharpen and measure each capture.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument(
        "captures", metavar="CAPTURE", nargs="+", help="video, FITS or TIFF file, or folder of pictures"
    )
    parser.add_argument("--out", metavar="DIR", type=Path, required=True, help="where the run folders go")
    add_choices(parser)
    add_shared_arguments(parser)
    add_report_option(parser)
    on_record.add_logbook_option(parser)
    circumstance_options.add_options(parser)
    parser.set_defaults(run=run)


def add_choices(parser: argparse.ArgumentParser) -> None:
    """Add what `settings_from` reads."""
    parser.add_argument("--keep", metavar="PERCENT|auto", help="share of the usable frames that is averaged")
    parser.add_argument("--target", metavar="auto|disc|surface", help="a disc has sky around it, a surface has not")
    parser.add_argument("--effort", metavar="quick|full", help="quick for a preview")
    parser.add_argument("--jpeg", action="store_true", help="write finished.jpg too, small and for sharing")
    parser.add_argument("--settings", metavar="FILE", type=Path, help="settings.toml of a run, or one of your own")


def add_shared_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what every command that processes captures takes."""
    parser.add_argument(
        "--workers", metavar="N", type=count_of_workers, help="threads (default: as many as processors)"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object a capture instead of words")


def run(arguments: argparse.Namespace) -> int:
    """Process every capture of the call; return the exit status."""
    settings, circumstances = settings_from(arguments)
    captures = captures_from(arguments.captures)
    if arguments.report:
        from stacker.report.drawing import check_plots

        check_plots()
    done, status = process_on_record(captures, settings, circumstances, arguments)
    # Pages come last: what they load would count as memory of the captures after them.
    return max(status, write_pages(done)) if arguments.report else status


def process_on_record(
    captures: Sequence[Path], settings: Settings, circumstances: Circumstances | None, arguments: argparse.Namespace
) -> tuple[list[Path], int]:
    """Process captures as the shared arguments say, each run on record; return the run folders and the status."""
    done: list[Path] = []

    def finished(folder: Path) -> None:
        on_record.keep_on_record(folder, arguments.logbook)
        done.append(folder)

    status = process_all(
        captures,
        arguments.out,
        settings,
        circumstances,
        workers=arguments.workers,
        as_json=arguments.json,
        finished=finished,
    )
    return done, status


def process_all(
    captures: Sequence[Path],
    out: Path,
    settings: Settings,
    circumstances: Circumstances | None,
    *,
    workers: int | None,
    as_json: bool,
    finished: Callable[[Path], None] | None = None,
) -> int:
    """Process captures one after the other; one that fails is told and does not stop the others.

    `finished` is called with each run folder that is done.
    """
    settle()
    from stacker.pipeline import process

    status = 0
    for capture in captures:
        try:
            with Progress(capture.name) as progress:
                result = process(capture, out, settings, circumstances, workers=workers, progress=progress)
        except Exception as error:
            status = max(status, explain(error, capture), SOME_FAILED)
            if as_json:
                _print({"capture": str(capture), "error": describe(error, capture)})
        else:
            _tell(capture, result, as_json)
            if finished is not None:
                finished(result.folder)
    return status


def settings_from(arguments: argparse.Namespace) -> tuple[Settings, Circumstances | None]:
    """Return the settings and circumstances of a call: the options beat the settings file.

    Raises SettingsError for what cannot be.
    """
    from stacker.settings import Settings, SettingsError
    from stacker.settings_file import load_settings

    settings, circumstances = load_settings(arguments.settings) if arguments.settings else (Settings(), None)
    declared = circumstance_options.declared(arguments)
    if declared is not None and circumstances is not None:
        from stacker.capture.sidecar import merge

        declared = merge(circumstances, declared)
    try:
        settings = replace(
            settings,
            ranking=_with(settings.ranking, target=arguments.target, effort=arguments.effort),
            alignment=_with(settings.alignment, effort=arguments.effort),
            stacking=_with(settings.stacking, keep=_keep(arguments.keep), effort=arguments.effort),
            measuring=_with(settings.measuring, effort=arguments.effort),
            pictures=_with(settings.pictures, jpeg=arguments.jpeg or None),
        )
    except SettingsError as error:
        raise SettingsError(f"the command line: --{error}") from error
    return settings, declared or circumstances


def captures_from(words: Sequence[str]) -> list[Path]:
    """Return the captures that the words of a call name, each once; patterns are filled in where the shell did not.

    Raises SettingsError where two captures would share a run folder.
    """
    import glob

    paths: list[Path] = []
    for word in words:
        found = [] if Path(word).exists() else sorted(glob.glob(word))
        paths += [Path(entry) for entry in found] or [Path(word)]
    unique = list({path.absolute(): path for path in paths}.values())
    _check_names(unique)
    return unique


def _check_names(paths: Sequence[Path]) -> None:
    from stacker.settings import SettingsError

    taken: dict[str, Path] = {}
    for path in paths:
        # Many file systems do not tell capitals apart.
        name = (path.name if path.is_dir() else path.stem).casefold()
        if name in taken:
            raise SettingsError(
                f"{path}: its run folder would be that of {taken[name]}; process one with another --out"
            )
        taken[name] = path


def _tell(capture: Path, result: Run, as_json: bool) -> None:
    if not as_json:
        print(result.summary, flush=True)
        return
    from stacker.run_folder.metrics_file import complete_metrics

    _print({"capture": str(capture), "folder": str(result.folder), "metrics": complete_metrics(result.metrics)})


def _print(record: dict[str, object]) -> None:
    print(json.dumps(record, allow_nan=False), flush=True)


def _with(stage: Stage, **chosen: object) -> Stage:
    given = {name: value for name, value in chosen.items() if value is not None}
    return replace(stage, **given) if given else stage  # type: ignore[type-var]


def _keep(text: str | None) -> float | str | None:
    try:
        return text if text is None else float(text)
    except ValueError:
        return text


def count_of_workers(text: str) -> int:
    """Return a number of workers. Raises ArgumentTypeError, as argparse wants it, for what is none."""
    if not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number above 0")
    return int(text)
