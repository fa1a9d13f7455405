"""One run into one folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.capture.circumstances import Circumstances
from stacker.fits_card import Value
from stacker.fits_file import Hdu, write_fits
from stacker.run_folder.curves_file import write_curves
from stacker.run_folder.evidence import Evidence
from stacker.run_folder.frame_table import FrameTable, write_frames
from stacker.run_folder.metrics_file import write_metrics
from stacker.run_folder.pictures import write_jpeg, write_png, write_tiff
from stacker.run_folder.place import whole_folder
from stacker.settings import Settings
from stacker.settings_file import dump_settings
from stacker.stacking.record import Stack


def write_run(
    folder: Path,
    *,
    stack: Stack,
    finished: NDArray[np.float32],
    shown: NDArray[np.uint16],
    labelled: NDArray[np.uint8],
    evidence: Evidence,
    frames: FrameTable,
    metrics: Mapping[str, Any],
    settings: Settings,
    header: Mapping[str, tuple[Value, str]],
    overrides: Circumstances | None = None,
) -> None:
    """Write the run folder: all of its files, or none.

    `finished` is float32 and linear, `shown` is stretched for showing; both have the shape of `stack.image`;
    `labelled` is the picture with its label.
    `header` goes into both FITS files (see `image_header`); `overrides` are the circumstances that the caller
    declared, which belong to the settings of the run. Nothing but `metrics` may tell of the time of processing,
    so that the same input gives the same bytes.

    Raises OutputError where the folder cannot be written; nothing is left of it then.
    """
    with whole_folder(folder) as temporary:
        write_fits(temporary / "stack.fits", image_units(stack.image, stack.variance, stack.coverage, header))
        write_tiff(temporary / "stack.tif", stack.image)
        write_fits(temporary / "finished.fits", image_units(finished, stack.variance, stack.coverage, header))
        write_png(temporary / "finished.png", shown)
        if settings.pictures.jpeg:
            write_jpeg(temporary / "finished.jpg", shown)
        write_png(temporary / "labelled.png", labelled)
        write_png(temporary / "best_frame.png", evidence.best_frame)
        write_frames(temporary / "frames.csv", frames)
        write_curves(temporary / "curves.json", evidence.curves)
        write_metrics(temporary / "metrics.json", metrics)
        (temporary / "settings.toml").write_text(dump_settings(settings, overrides), encoding="utf-8", newline="\n")


def image_units(
    image: NDArray[np.float32],
    stack_variance: NDArray[np.float32],
    stack_coverage: NDArray[np.float32],
    header: Mapping[str, tuple[Value, str]],
) -> list[Hdu]:
    """Return the units of a linear image: itself under `header`, VARIANCE and COVERAGE; planes of colours are named."""
    place = _PLACE if image.ndim == 2 else {**_PLACE, **CHANNELS}
    variance = {"BUNIT": ("adu**2", "variance of the mean of the linear stack"), **place}
    coverage = {"BUNIT": ("", "frames behind each pixel"), **place}
    return [
        Hdu(image, {"BUNIT": ("adu", "linear, as the camera counts"), **place, **header}),
        Hdu(stack_variance, variance, "VARIANCE"),
        Hdu(stack_coverage, coverage, "COVERAGE"),
    ]


_PLACE: Mapping[str, tuple[Value, str]] = {"ROWORDER": ("TOP-DOWN", "the first stored row is the top row")}
CHANNELS: Mapping[str, tuple[Value, str]] = {
    "CTYPE3": ("CHANNEL", "the planes are colours"),
    **{f"CHANNEL{number}": (name, f"plane {number}") for number, name in enumerate("RGB", 1)},
    "BALANCE": ("none", "colours as counted; pictures for showing are balanced"),
}
"""What names the planes of a colour image; CTYPEn is of FITS 4.0 (section 8.2), the rest is our own."""
