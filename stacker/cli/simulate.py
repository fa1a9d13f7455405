"""`stillair simulate`: a capture of an invented target with known truth."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.cli.failing import WRONG_CALL, explain
from stacker.cli.progress import Progress

if TYPE_CHECKING:
    from stacker.simulation import Scenario, Scene

# Named here as well as where they are made, so that help and completion need not load numpy; a test compares.
SCENES = ("banded", "ringed", "cratered", "texture", "featureless", "flat", "sky")
KINDS = (
    "avi",
    "avi-bottom-up",
    "avi-16",
    "avi-colour",
    "ffv1",
    "h264",
    "mov",
    "fits",
    "fits-folder",
    "tiff",
    "tiff-folder",
    "png",
    "jpeg",
)
_KIND_OF_ENDING = {
    ".avi": "avi",
    ".mkv": "ffv1",
    ".fits": "fits",
    ".tif": "tiff",
    ".mp4": "h264",
    ".mov": "mov",
    "": "png",
}

_EXAMPLE = """examples:
  stillair simulate planet.mkv --scene banded --frames 300 --d-over-r0 4 --bits 12
  stillair simulate colour.fits --mosaic RGGB --bits 12 --zenith-distance-deg 40 --seed 7

writes the capture, its sidecar (.toml) and the truth (.truth.npz); the same seed gives the same bytes"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "simulate",
        help="write a capture of an invented target, with its truth beside it",
        description="Write a capture of an invented target seen through turbulent air, with its truth beside it.",
        epilog=_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("out", metavar="OUT", type=Path, help="file to write, or folder for a kind that is a folder")
    parser.add_argument(
        "--scene", choices=SCENES, metavar="NAME", default="banded", help=f"{', '.join(SCENES)} (default %(default)s)"
    )
    parser.add_argument("--frames", type=int, metavar="N", default=200, help="number of frames (default %(default)s)")
    parser.add_argument(
        "--size-px", type=_size, default=(256, 256), metavar="WIDTHxHEIGHT", help="of a frame in px (default 256x256)"
    )
    parser.add_argument(
        "--fps", type=float, metavar="FPS", default=50.0, help="frames per second (default %(default)s)"
    )
    parser.add_argument("--exposure-s", type=float, metavar="S", help="of a frame, in seconds (default 0.4 / fps)")
    parser.add_argument(
        "--seed", type=int, metavar="N", default=1, help="another seed is another night (default %(default)s)"
    )
    _add_picture_arguments(parser)
    parser.add_argument("--format", choices=KINDS, metavar="KIND", help=f"{', '.join(KINDS)} (default: by ending)")
    parser.add_argument(
        "--bits", type=int, metavar="BITS", default=8, help="of the converter, 4 to 16 (default %(default)s)"
    )
    parser.add_argument("--high-aligned", action="store_true", help="store 10 to 14 bits in the upper bits of 16")
    parser.add_argument(
        "--mosaic",
        choices=("RGGB", "BGGR", "GRBG", "GBRG"),
        metavar="CELL",
        help="RGGB, BGGR, GRBG or GBRG (default mono)",
    )
    parser.add_argument("--colour", action="store_true", help="three full colour planes")
    parser.add_argument(
        "--electrons", type=float, metavar="N", default=1500.0, help="of a bright pixel (default %(default)s)"
    )
    parser.add_argument(
        "--level", type=float, default=0.7, metavar="PART", help="of full scale, of that pixel; above 1 it clips"
    )
    parser.add_argument("--vignetting", type=float, default=0.0, metavar="PART", help="loss of light in the corners")
    parser.add_argument("--dust", type=int, default=0, metavar="N", help="rings of dust on the sensor's window")
    parser.add_argument(
        "--glow-e", type=float, default=0.0, metavar="E", help="electrons of amplifier glow in a corner"
    )
    parser.add_argument("--hot-columns", type=int, default=0, metavar="N", help="columns with a charge of their own")
    parser.add_argument(
        "--row-noise-e", type=float, default=0.0, metavar="E", help="electrons, new for each row and frame"
    )
    parser.add_argument(
        "--column-noise-e", type=float, default=0.0, metavar="E", help="electrons, a column keeps its own"
    )
    parser.add_argument(
        "--response", type=_response, default=(1.0, 1.0, 1.0), metavar="R,G,B", help="of the colour filters to white"
    )
    parser.add_argument(
        "--calibration", type=int, default=0, metavar="N", help="write N darks, flats and biases beside the capture"
    )
    parser.add_argument("--fast", action="store_true", help="cycle a few blurred pictures: for speed trials")
    parser.set_defaults(run=run)


def _add_picture_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--d-over-r0",
        type=float,
        default=5.0,
        metavar="RATIO",
        help="aperture over Fried parameter, 0 is no air (default %(default)s)",
    )
    parser.add_argument("--aperture-mm", type=float, default=250.0, metavar="MM", help="(default %(default)s)")
    parser.add_argument(
        "--sampling-px", type=float, default=3.0, metavar="PX", help="px per lambda/D (default %(default)s)"
    )
    parser.add_argument(
        "--defocus-waves", type=float, default=0.0, metavar="WAVES", help="peak to valley (default none)"
    )
    parser.add_argument(
        "--zenith-distance-deg", type=float, default=0.0, metavar="DEG", help="sets the dispersion of colours"
    )
    parser.add_argument(
        "--drift-px", type=float, default=8.0, metavar="PX", help="over the capture (default %(default)s)"
    )
    parser.add_argument(
        "--periodic-error-px",
        type=float,
        default=0.0,
        metavar="PX",
        help="swing of the mount, once in 8 s (default none)",
    )
    parser.add_argument("--jumps", type=int, metavar="N", default=0, help="of the mount")
    parser.add_argument(
        "--rotation-deg", type=float, default=0.0, metavar="DEG", help="turn of a banded planet over the capture"
    )
    parser.add_argument("--target", metavar="NAME", help="what the sidecar calls it, such as Jupiter")
    parser.add_argument("--cloud", type=float, default=0.0, metavar="PART", help="largest loss of light, 0 to 1")
    for name, what in (("out-of-field", "that miss the target"), ("duplicates", "that repeat the one before")):
        parser.add_argument(f"--{name}", type=int, metavar="N", default=0, help=f"frames {what}")
    for name in ("torn", "blank"):
        parser.add_argument(f"--{name}", type=int, metavar="N", default=0, help=f"{name} frames")


def run(args: argparse.Namespace) -> int:
    """Write the capture; return 0, 1 where the disk refused, 2 for a call that cannot be."""
    from stacker.capture.sequence import CaptureError
    from stacker.simulation import write_simulation

    try:
        scenario = scenario_from(args)
        kind = args.format or _kind_from(args.out)
        with Progress(args.out.name) as progress:
            capture, sidecar, truth = write_simulation(
                args.out,
                scenario,
                args.seed,
                kind,
                lambda index: progress("simulating", index + 1, args.frames),
                args.calibration,
            )
    except (CaptureError, OSError) as error:
        return explain(error, args.out)
    except ValueError as error:
        print(f"stillair simulate: {args.out}: {error}", file=sys.stderr)
        return WRONG_CALL
    print(f"{capture}: {args.frames} frames; {sidecar.name} and {truth.name} beside it")
    return 0


def scenario_from(args: argparse.Namespace) -> Scenario:
    """Return the scenario that the arguments describe. Raises ValueError for impossible ones."""
    from stacker.simulation import Air, Detector, Mishaps, Optics, Scenario, Tracking

    scene, target = _scene_named(args.scene, args.rotation_deg)
    width, height = args.size_px
    wavelength_nm = 535.0 if args.mosaic or args.colour else 600.0
    # One pixel size for all: the focal length follows from the sampling asked for.
    focal_length_mm = args.sampling_px * args.aperture_mm * 3.0 / (wavelength_nm * 1e-3)
    return Scenario(
        scene=scene,
        target=args.target or target,
        frames=args.frames,
        height_px=height,
        width_px=width,
        frames_per_s=args.fps,
        exposure_s=args.exposure_s if args.exposure_s is not None else 0.4 / max(args.fps, 1e-9),
        optics=Optics(
            aperture_mm=args.aperture_mm,
            obstruction_mm=0.3 * args.aperture_mm,
            focal_length_mm=focal_length_mm,
            defocus_waves=args.defocus_waves,
        ),
        air=Air(d_over_r0=args.d_over_r0, zenith_distance_deg=args.zenith_distance_deg),
        detector=Detector(
            bits=args.bits,
            high_aligned=args.high_aligned,
            mosaic=args.mosaic,
            colour=args.colour,
            wavelength_nm=wavelength_nm,
            peak_electrons=args.electrons,
            vignetting=args.vignetting,
            dust_specks=args.dust,
            glow_electrons=args.glow_e,
            hot_columns=args.hot_columns,
            row_noise_electrons=args.row_noise_e,
            column_noise_electrons=args.column_noise_e,
            colour_response=args.response,
            peak_level=args.level,
        ),
        tracking=Tracking(
            drift_y_px=0.6 * args.drift_px,
            drift_x_px=0.8 * args.drift_px,
            periodic_error_px=args.periodic_error_px,
            jumps=args.jumps,
        ),
        mishaps=Mishaps(args.out_of_field, args.duplicates, args.torn, args.blank, args.cloud),
        oversampling=_oversampling(args.sampling_px, wavelength_nm, colour=bool(args.mosaic or args.colour)),
        fast=args.fast,
    )


def _oversampling(sampling_px: float, wavelength_nm: float, *, colour: bool) -> int:
    """Return the optical pixels per camera pixel and axis that do not alias the shortest wavelength; at most 4."""
    shortest = 465.0 / wavelength_nm if colour else 1.0
    return min(max(1, -int(-2.0 // max(sampling_px * shortest, 1e-6))), 4)


def _size(text: str) -> tuple[int, int]:
    width, separator, height = text.lower().partition("x")
    if not separator or not width.isdigit() or not height.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is not WIDTHxHEIGHT, such as 640x480")
    return int(width), int(height)


def _response(text: str) -> tuple[float, float, float]:
    try:
        red, green, blue = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not three numbers, such as 0.7,1,0.6") from None
    return red, green, blue


def _kind_from(path: Path) -> str:
    kind = _KIND_OF_ENDING.get(path.suffix.lower())
    if kind is None:
        known = ", ".join(filter(None, _KIND_OF_ENDING))
        raise ValueError(f"the ending {path.suffix!r} tells no kind; give one of {known}, or --format")
    return kind


def _scene_named(name: str, rotation_deg: float) -> tuple[Scene, str]:
    """Return a scene and what a sidecar calls it. Raises ValueError where the scene cannot turn."""
    from stacker.simulation import (
        BandedPlanet,
        CrateredSurface,
        EmptySky,
        FeaturelessDisc,
        FlatField,
        TexturedDisc,
    )

    if rotation_deg and name not in ("banded", "ringed"):
        raise ValueError("only the scenes banded and ringed rotate")
    ringed = BandedPlanet(diameter_of_frame=0.85, latitude_deg=20.0, ring=True, rotation_deg=rotation_deg)
    scenes: dict[str, tuple[Scene, str]] = {
        "banded": (BandedPlanet(rotation_deg=rotation_deg), "invented planet"),
        "ringed": (ringed, "invented ringed planet"),
        "cratered": (CrateredSurface(), "invented surface"),
        "texture": (TexturedDisc(), "textured disc"),
        "featureless": (FeaturelessDisc(), "featureless disc"),
        "flat": (FlatField(), "flat field"),
        "sky": (EmptySky(), "empty sky"),
    }
    return scenes[name]
