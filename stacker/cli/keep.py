"""`stillair keep`: what each share of a capture's frames holds, and which share is best."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.cli import circumstance_options
from stacker.cli.failing import SOME_FAILED, describe, explain
from stacker.cli.machine import settle
from stacker.cli.process import add_shared_arguments, captures_from, settings_from
from stacker.cli.progress import Progress

if TYPE_CHECKING:
    from stacker.capture.circumstances import Circumstances
    from stacker.keeping import KeepStudy
    from stacker.settings import Settings

_EXAMPLES = """examples:
  stillair keep saturn.avi                        a table: what 2 to 100 percent of the frames hold
  stillair keep saturn.avi --out runs             keep.json and keep.png into runs/saturn/ as well
  stillair keep night/*.fits --json > keep.jsonl  one JSON object a capture

Information is what the stack says about the target, in bits; it weighs finer detail against less noise. The best share
is the largest that holds as much as any does, within the error. 'process --keep auto' leaves
out frames less than half as sharp as those that count; this tells whether another share would do as well, or better.
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "keep",
        help="measure which share of the frames is best",
        description="Measure resolution, noise and information of a capture at some twenty keep percentages.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument(
        "captures", metavar="CAPTURE", nargs="+", help="video, FITS or TIFF file, or folder of pictures"
    )
    parser.add_argument("--out", metavar="DIR", type=Path, help="put keep.json and keep.png into the run folders there")
    parser.add_argument("--target", metavar="auto|disc|surface", help="a disc has sky around it, a surface has not")
    parser.add_argument("--effort", metavar="quick|full", help="quick for a preview")
    parser.add_argument("--settings", metavar="FILE", type=Path, help="settings.toml of a run, or one of your own")
    add_shared_arguments(parser)
    circumstance_options.add_options(parser)
    parser.set_defaults(run=run, keep=None, jpeg=None)


def run(arguments: argparse.Namespace) -> int:
    """Measure every capture of the call; return the exit status."""
    settle()
    settings, circumstances = settings_from(arguments)
    status = 0
    for capture in captures_from(arguments.captures):
        try:
            study = _study(capture, settings, circumstances, arguments)
        except Exception as error:
            status = max(status, explain(error, capture), SOME_FAILED)
            if arguments.json:
                _print({"capture": str(capture), "error": describe(error, capture)})
            continue
        if arguments.json:
            _print(study.record())
        else:
            print("\n".join(table(study)), flush=True)
    return status


def _study(
    capture: Path, settings: Settings, circumstances: Circumstances | None, arguments: argparse.Namespace
) -> KeepStudy:
    """Measure one capture, and write what was asked for."""
    from stacker.keeping import keep_curve
    from stacker.run_folder.place import check_place

    folder = None if arguments.out is None else arguments.out / (capture.name if capture.is_dir() else capture.stem)
    if folder is not None:
        check_place(folder)
    with Progress(capture.name) as progress:
        study = keep_curve(capture, settings, circumstances, arguments.workers, progress)
    if folder is not None:
        _write(folder, study)
    return study


def _write(folder: Path, study: KeepStudy) -> None:
    from stacker.plot_file import MISSING
    from stacker.report.keep_plot import plot_keep
    from stacker.run_folder.place import KEEP_FILES, put_beside

    numbers, plot = KEEP_FILES
    text = json.dumps(study.record(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    files = {numbers: text.encode()}
    try:
        files[plot] = plot_keep(study)
    except ImportError:
        print(f"{folder / plot}: {MISSING}", file=sys.stderr)
    put_beside(folder, files)
    print(f"{folder}: {' and '.join(files)} written", file=sys.stderr)


def table(study: KeepStudy) -> list[str]:
    """Return the lines that tell of one capture."""
    curve = study.curve
    if not curve.steps:
        return [f"{study.capture}: no best share: {curve.note} (usable: {study.frames_usable})"]
    lines = [f"{study.capture}: {study.frames_usable} usable frames, sharpest first", _HEADING]
    for step in curve.steps:
        mark = "*" if step.keep_percent == curve.best_percent else ""
        lines.append(
            f"{mark + format(step.keep_percent, 'g'):>7} {step.frames:>7}"
            f"{_with_error(step.resolution_px, step.resolution_px_error, 2):>18}"
            f"{_with_error(step.snr, step.snr_error, 1):>18}"
            f"{_with_error(step.information_bits, step.information_bits_error, 0):>18}"
        )
    return [*lines, *_verdict(study)]


_HEADING = f"{'percent':>7} {'frames':>7}{'resolution px':>18}{'signal to noise':>18}{'information bits':>18}"


def _with_error(value: float | None, error: float | None, digits: int) -> str:
    if value is None:
        return "-"
    return f"{value:.{digits}f}" if error is None else f"{value:.{digits}f} ± {error:.{digits}f}"


def _verdict(study: KeepStudy) -> list[str]:
    curve = study.curve
    if curve.best_percent is None or curve.good_range_percent is None:
        return [f"no best share: {curve.note}"]
    low, high = curve.good_range_percent
    lines = [f"best: {curve.best_percent:g} %; {low:g} to {high:g} % are as good within the error"]
    if not study.auto_is_as_good:
        lines.append(f"here --keep auto, which takes {study.auto_percent:.0f} %, holds less by this measure")
    return [*lines, f"note: {curve.note}"] if curve.note else lines


def _print(record: dict[str, object]) -> None:
    print(json.dumps(record, allow_nan=False), flush=True)
