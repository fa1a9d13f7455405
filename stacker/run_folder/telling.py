"""What a run tells: its rows of frames, its header, and the one line that a person wants to read."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from stacker.alignment import Alignment
from stacker.capture import Capture
from stacker.fits_card import Value
from stacker.ranking import Ranking
from stacker.ranking.selection import FEWEST_FOR_HALVES
from stacker.run_folder.frame_table import FrameTable
from stacker.run_folder.header import image_header


def frame_table(capture: Capture, ranking: Ranking, alignment: Alignment) -> FrameTable:
    """Return one row a frame for frames.csv; a usable frame that was not selected says so."""
    used = np.zeros(len(capture), bool)
    used[alignment.frames] = True
    shift = ranking.coarse_shift_px.copy()
    shift[alignment.frames] = alignment.shift_px
    times = capture.times_utc
    seconds = np.full(len(capture), np.nan) if times is None else (times - times[0]) / np.timedelta64(1, "s")
    reason = tuple(said or ("" if taken else "less sharp") for said, taken in zip(ranking.reason, used, strict=True))
    return FrameTable(seconds, ranking.sharpness, ranking.brightness, shift, used, reason)


def header_of(capture: Capture, alignment: Alignment, metrics: dict[str, Any]) -> dict[str, tuple[Value, str]]:
    """Return what the FITS headers of a run say."""
    times = capture.times_utc
    span = None if times is None else round(float((times[-1] - times[0]) / np.timedelta64(1, "s")), 6)
    return image_header(
        capture.circumstances,
        capture_name=capture.path.name,
        frames_total=len(capture),
        frames_used=len(alignment.frames),
        scale_arcsec_per_px=metrics["scale_arcsec_per_px"],
        span_s=span,
        capture_sha256=metrics["capture_sha256"],
        saturation_adu=capture.full_scale if np.isfinite(capture.full_scale) else None,
        provenance=capture.provenance,
    )


def summarise(folder: Path, metrics: dict[str, Any], notes: Sequence[str] = ()) -> str:
    """Return the line that a person wants to read about a run, what limited it most, and the capture's notes."""
    words = [f"{metrics['frames_used']} of {metrics['frames_total']} frames"]
    if metrics["resolution_px"] is None:
        reason = (metrics.get("notes") or {}).get("resolution_px")
        words.append("no resolution measured" + (f" ({reason})" if reason else ""))
    else:
        detail = f"resolution {metrics['resolution_px']:.1f} px"
        if metrics["resolution_arcsec"] is not None:
            detail += f" = {metrics['resolution_arcsec']:.2f} arcsec"
        if metrics["resolution_over_diffraction"] is not None:
            detail += f" ({metrics['resolution_over_diffraction']:.1f} x the diffraction limit)"
        words.append(detail)
    if metrics["snr"] and metrics["snr_best_frame"] and metrics["frames_used"] >= FEWEST_FOR_HALVES:
        words.append(f"signal to noise {metrics['snr'] / metrics['snr_best_frame']:.1f} x the best frame's")
    line = f"{metrics['capture']}: {', '.join(words)} -> {folder / 'finished.png'}"
    return "\n  ".join([line, *_verdict(metrics), *(f"{note[:1].upper()}{note[1:]}." for note in notes)])


def _verdict(metrics: dict[str, Any]) -> list[str]:
    """Return what limited a run most, and that the air was left out of that where nothing is known of it."""
    limits = metrics.get("limits") or []
    worst = [limit["sentence"] for limit in limits[:1] if limit["share"]]
    return worst + [limit["sentence"] for limit in limits if limit["name"] == "air" and limit["share"] is None]
