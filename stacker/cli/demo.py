"""`stillair demo`: the demonstration captures, or a simulated one, turned into pictures."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from stacker.cli.process import add_shared_arguments, captures_from, process_all

_EXAMPLES = """examples:
  stillair demo                          ./demo_frames if it is there, else a capture simulated on the spot
  stillair demo path/to/demo_frames --out pictures
"""
_FRAMES = Path("demo_frames")
_BESIDE_CAPTURES = frozenset((".toml", ".npz", ".md", ".txt", ".json", ".csv"))
"""Endings of what lies beside captures: sidecars, truths, words."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "demo",
        help="process the demonstration captures",
        description="Process every capture of a folder of demonstration captures. An installed package carries\n"
        "none: where there is no such folder, a small capture of an invented planet is simulated and\nprocessed.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("frames", metavar="FOLDER", nargs="?", type=Path, help="folder of captures")
    parser.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        default=Path("demo_runs"),
        help="where the run folders go (default %(default)s)",
    )
    add_shared_arguments(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Process the demonstration; return the exit status."""
    from stacker.settings import Settings

    frames: Path | None = arguments.frames or (_FRAMES if _FRAMES.is_dir() else None)
    captures = [_simulated(arguments.out)] if frames is None else captures_in(frames)
    status = process_all(captures, arguments.out, Settings(), None, workers=arguments.workers, as_json=arguments.json)
    if not arguments.json:
        print(f"run folders: {arguments.out.absolute()}")
    return status


def captures_in(folder: Path) -> list[Path]:
    """Return every capture of a folder in order of name: all that is not hidden and does not belong to a capture.

    Raises SettingsError where there is no folder or nothing in it.
    """
    from stacker.settings import SettingsError

    try:
        entries = sorted(folder.iterdir())
    except OSError as error:
        raise SettingsError(
            f"{folder}: cannot be read ({error.strerror or error}); name a folder of captures"
        ) from error
    found = [entry for entry in entries if entry.name[0] != "." and entry.suffix.lower() not in _BESIDE_CAPTURES]
    if not found:
        raise SettingsError(f"{folder}: holds no capture; name a folder of captures")
    return captures_from([str(entry) for entry in found])


def _simulated(out: Path) -> Path:
    """Write a small capture of an invented planet into `out` and return it; one that is there is used again."""
    from stacker.simulation import Air, Detector, Mishaps, Scenario, Tracking, write_simulation

    capture = out / "invented_planet.avi"
    if not capture.is_file():
        print("simulating a capture of an invented planet", file=sys.stderr)
        scenario = Scenario(
            frames=120,
            height_px=192,
            width_px=192,
            air=Air(d_over_r0=4.0),
            detector=Detector(bits=8),
            tracking=Tracking(drift_y_px=4.0, drift_x_px=-6.0),
            mishaps=Mishaps(torn=1, blank=1),
        )
        write_simulation(capture, scenario, 1, "avi")
    return capture
