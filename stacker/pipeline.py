"""From a capture to a finished, measured picture: every stage in order."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.alignment import Alignment, align
from stacker.blas_threads import one_blas_thread
from stacker.capture import Capture, Circumstances, open_capture
from stacker.capture.circumstances import COLOUR_WAVELENGTHS_NM
from stacker.capture.fingerprint import fingerprint
from stacker.colour import align_colours
from stacker.measuring.effort import peak_memory_mb
from stacker.measuring.metrics import measure_stack
from stacker.measuring.spectra import analysis_window, windowed_power
from stacker.ranking import Ranking, rank
from stacker.ranking.selection import FEWEST_FOR_HALVES, centred
from stacker.run_folder import FrameTable, check_place, image_header, write_run
from stacker.settings import Settings
from stacker.sharpening import Sharpened, sharpen, stretch_for_showing
from stacker.stacking import Stack, stack

Array = NDArray[np.float32]
Progress = Callable[[str, int, int], None]
LATER = "is measured by a later version"


@dataclass(frozen=True)
class Run:
    """What became of one capture."""

    folder: Path
    metrics: dict[str, Any]
    summary: str


def process(
    path: Path | str,
    out: Path | str,
    settings: Settings | None = None,
    circumstances: Circumstances | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Run:
    """Turn one capture into the run folder `out`/<capture name>.

    `circumstances` override the sidecar; `workers` threads share the work (default: one a processor);
    `progress(stage, done, total)` is called as it goes on. Raises CaptureError for a capture that cannot be used and
    OutputError for a folder that cannot be written.
    """
    began = time.perf_counter()
    settings, workers = settings or Settings(), workers or os.cpu_count() or 1
    with open_capture(path, circumstances) as capture, one_blas_thread():
        folder = Path(out) / capture.name
        check_place(folder)
        ranking = centred(rank(capture, settings.ranking, workers, _stage(progress, "ranking")))
        alignment = align(
            capture, ranking, settings.alignment, settings.stacking.keep, workers, _stage(progress, "aligning")
        )
        linear = align_colours(
            stack(capture, ranking, alignment, workers, _stage(progress, "averaging"), _power_of(ranking))
        )
        finished = sharpen(
            linear, settings.sharpening, cutoffs(capture.circumstances, linear), capture.circumstances.obstruction_ratio
        )
        metrics = measure(capture, ranking, alignment, linear, finished)
        metrics |= {"capture_sha256": fingerprint(capture.path), "peak_memory_mb": peak_memory_mb()}
        metrics["elapsed_s"] = time.perf_counter() - began
        write_run(
            folder,
            stack=linear,
            finished=finished.image,
            shown=stretch_for_showing(finished.image, linear.mask, linear.kind),
            frames=frame_table(capture, ranking, alignment),
            metrics=metrics,
            settings=settings,
            header=_header(capture, alignment, metrics),
            overrides=circumstances,
        )
    return Run(folder, metrics, summarise(folder, metrics))


def cutoffs(circumstances: Circumstances, linear: Stack) -> float | tuple[float, float, float] | None:
    """Return the telescope's cutoff in cycles per pixel: one number, or one a colour; None where it is unknown."""
    if linear.image.ndim == 2:
        return circumstances.cutoff_cyc_per_px()
    red, green, blue = (circumstances.cutoff_cyc_per_px(wavelength) for wavelength in COLOUR_WAVELENGTHS_NM)
    return None if red is None or green is None or blue is None else (red, green, blue)


def measure(
    capture: Capture, ranking: Ranking, alignment: Alignment, linear: Stack, finished: Sharpened | None = None
) -> dict[str, Any]:
    """Return the measurements of one capture, keyed as in metrics.json; None where one could not be had: see notes."""
    best = best_frame(capture, ranking, alignment)
    found = measure_stack(linear, None if finished is None else finished.image, best, capture.circumstances)
    notes = dict(found.pop("notes"))
    notes |= dict.fromkeys(("r0_mm", "seeing_arcsec", "limits"), LATER)
    remarks = [*capture.notes, *linear.notes, *([finished.note] if finished is not None and finished.note else [])]
    if remarks:
        notes["remarks"] = "; ".join(remarks)
    motion = alignment.shift_px - alignment.shift_px.mean(0)
    usable = int(ranking.usable.sum())
    return found | {
        "capture": capture.path.name,
        "frames_total": len(capture) + capture.frames_lost,
        "frames_readable": len(capture) - sum(reason == "unreadable" for reason in ranking.reason),
        "frames_used": len(alignment.frames),
        "keep_percent": 100 * len(alignment.frames) / usable,
        "target": ranking.target.kind,
        "width_px": linear.image.shape[1],
        "height_px": linear.image.shape[0],
        "image_motion_px_rms": float(np.sqrt((motion**2).mean())),
        "clipped_fraction": ranking.clipped_fraction,
        "notes": notes,
    }


def best_frame(capture: Capture, ranking: Ranking, alignment: Alignment) -> Array:
    """Return the sharpest frame as float32, repaired and moved by whole pixels to the stack's place."""
    index = int(ranking.order[0])
    frame = alignment.repair(capture.get_frame(index)).astype(np.float32)
    dy, dx = (int(value) for value in np.rint(ranking.coarse_shift_px[index]))
    return np.roll(frame, (-dy, -dx), (0, 1))


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


def summarise(folder: Path, metrics: dict[str, Any]) -> str:
    """Return the line that a person wants to read about a run."""
    words = [f"{metrics['frames_used']} of {metrics['frames_total']} frames"]
    if metrics["resolution_px"] is None:
        words.append("no resolution measured")
    else:
        detail = f"resolution {metrics['resolution_px']:.1f} px"
        if metrics["resolution_arcsec"] is not None:
            detail += f" = {metrics['resolution_arcsec']:.2f} arcsec"
        if metrics["resolution_over_diffraction"] is not None:
            detail += f" ({metrics['resolution_over_diffraction']:.1f} x the diffraction limit)"
        words.append(detail)
    if metrics["snr"] and metrics["snr_best_frame"] and metrics["frames_used"] >= FEWEST_FOR_HALVES:
        words.append(f"signal to noise {metrics['snr'] / metrics['snr_best_frame']:.1f} x the best frame's")
    return f"{metrics['capture']}: {', '.join(words)} -> {folder / 'finished.png'}"


def _header(capture: Capture, alignment: Alignment, metrics: dict[str, Any]) -> dict[str, Any]:
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
    )


def _power_of(ranking: Ranking) -> Callable[[Array], Array] | None:
    """Return what measures a dewarped frame's power under the target's window; None for a target too small for one."""
    try:
        window = analysis_window(ranking.target.mask, ranking.target.kind)
    except ValueError:
        return None
    return lambda image: windowed_power(image, window)


def _stage(progress: Progress | None, name: str) -> Callable[[int, int], None] | None:
    return None if progress is None else lambda done, total: progress(name, done, total)
