"""`stillair camera`: a camera's gain and read noise from its own frames."""

from __future__ import annotations

import argparse
import json
from contextlib import ExitStack
from dataclasses import asdict
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stacker.calibration.photon_transfer import CameraNoise

_EXAMPLES = """examples:
  stillair camera flats.fits --bias biases.fits
  stillair camera flats_dim.fits flats_mid.fits flats_bright.fits --json
  stillair camera saturn.avi                          any capture will do, less exactly

Put the gain into the sidecar: [camera] gain_e_per_adu."""


_COMPARED = {
    "frames in time": "each pixel from frame to frame",
    "frames in space": "neighbouring pixels of each frame, as the scene moves",
}
"""What a source of samples is, in words."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "camera",
        help="measure a camera's gain and read noise",
        description="Measure gain and read noise by photon transfer, from flats (two frames will do) or any capture.\n"
        "All captures of a call come from one camera at one gain.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("captures", metavar="FLATS", nargs="+", type=Path, help="flats, or any captures")
    parser.add_argument("--bias", metavar="PATH", type=Path, help="biases, cap on: two frames will do")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of words")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Measure and tell; return the exit status."""
    from stacker.calibration.mosaic_finding import settle_mosaic
    from stacker.calibration.photon_transfer import measure_camera
    from stacker.capture import open_capture
    from stacker.capture.sequence import CaptureError
    from stacker.cli.failing import explain

    try:
        with ExitStack() as opened:
            captures = [opened.enter_context(open_capture(path)) for path in arguments.captures]
            bias = opened.enter_context(open_capture(arguments.bias)) if arguments.bias else None
            for capture in captures:
                settle_mosaic(capture)
            found = measure_camera(captures, bias)
    except CaptureError as error:
        return explain(error, arguments.captures[0])
    print(json.dumps(_plain(found)) if arguments.json else _words(found))
    return 0


def _plain(found: CameraNoise) -> dict[str, float | str | None]:
    return {
        key: None if isinstance(value, float) and not isfinite(value) else value for key, value in asdict(found).items()
    }


def _words(found: CameraNoise) -> str:
    from stacker.logbook.logged_run import Measured

    gain = Measured(found.gain_e_per_adu, found.gain_error)
    lines = [f"gain        {gain.words(' electrons per ADU')}"]
    if isfinite(found.read_noise_e):
        lines.append(f"read noise  {Measured(found.read_noise_e, found.read_noise_error).words(' electrons')}")
    elif isfinite(found.offset_adu):
        lines.append("read noise  hidden by the converter's steps: below half an ADU")
    else:
        lines.append("read noise  not known without biases (--bias)")
    if isfinite(found.offset_adu):
        lines.append(f"offset      {found.offset_adu:.1f} ADU")
    if isfinite(found.full_well_e):
        lines.append(f"full scale  {found.full_well_e:.0f} electrons")
    compared = " and ".join(_COMPARED.get(source, source) for source in found.source.split(" and "))
    lines.append(f"compared    {compared}")
    return "\n".join([*lines, f"in a sidecar, [camera]: gain_e_per_adu = {found.gain_e_per_adu:.4g}"])
