"""frames.csv: one row a frame, what it was worth and whether it was used."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

COLUMNS = ("frame", "time_s", "sharpness", "brightness", "dy_px", "dx_px", "used", "reason")


@dataclass(frozen=True)
class FrameTable:
    """One row a frame of the capture; nan where a number is not known."""

    time_s: NDArray[np.float64]
    """(N,) seconds after frame 0."""
    sharpness: NDArray[np.float64]
    """(N,) the score that the frame was ranked by."""
    brightness: NDArray[np.float64]
    """(N,) mean ADU of the target above the sky."""
    shift_px: NDArray[np.float64]
    """(N, 2) (dy, dx): where the target stands in this frame minus where it stands in the reference."""
    used: NDArray[np.bool_]
    """(N,) True where the frame is in the stack."""
    reason: tuple[str, ...]
    """(N,) why the frame was left out; empty where it was used."""

    def __post_init__(self) -> None:
        lengths = {
            len(getattr(self, name)) for name in ("time_s", "sharpness", "brightness", "shift_px", "used", "reason")
        }
        if len(lengths) != 1:
            raise ValueError(f"columns of different length: {sorted(lengths)}")


def write_frames(path: Path, table: FrameTable) -> None:
    """Write the table as CSV (RFC 4180, lines ended by LF); unknown numbers are empty fields.

    Raises OSError where the disk refuses.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for frame, reason in enumerate(table.reason):
            dy_px, dx_px = table.shift_px[frame]
            writer.writerow(
                (
                    frame,
                    _number(table.time_s[frame], ".6f"),
                    _number(table.sharpness[frame], ".6g"),
                    _number(table.brightness[frame], ".6g"),
                    _number(dy_px, ".3f"),
                    _number(dx_px, ".3f"),
                    int(table.used[frame]),
                    reason,
                )
            )


def _number(value: float, form: str) -> str:
    # Adding 0.0 turns a negative zero into a plain one; rounding can still leave "-0.000".
    text = format(float(value) + 0.0, form) if isfinite(value) else ""
    return text.lstrip("-") if text and float(text) == 0 else text
