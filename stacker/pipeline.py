"""From a capture to a finished, measured picture: every stage in order."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.alignment import Alignment, align, find_repair
from stacker.blas_threads import one_blas_thread
from stacker.calibration import calibrate
from stacker.capture import Capture, Circumstances, open_capture
from stacker.capture.circumstances import COLOUR_WAVELENGTHS_NM
from stacker.capture.each_frame import meanwhile
from stacker.colour import align_colours, share_detail
from stacker.measuring.causes import measure_causes
from stacker.measuring.dispersion import dispersion_figures, expected_of, vertical_of
from stacker.measuring.effort import peak_memory_mb
from stacker.measuring.fixed_pattern import told
from stacker.measuring.limits import limit_figures
from stacker.measuring.metrics import agreement, limb_figures, measure_stack, stack_cutoff
from stacker.measuring.resolution import Resolution
from stacker.measuring.seeing_record import seeing_figures
from stacker.measuring.single_frames import SingleFrames, look_at_frames
from stacker.measuring.spectra import PowerMeter, analysis_window
from stacker.measuring.tally import count_figures
from stacker.measuring.witness import Witness, ask_disc
from stacker.parallel import beside
from stacker.ranking import Ranking, rank
from stacker.ranking.selection import centred
from stacker.report.labelling import labelled
from stacker.run_folder.evidence import gather_evidence
from stacker.run_folder.place import check_place
from stacker.run_folder.provenance import provenance
from stacker.run_folder.telling import frame_table, header_of, summarise
from stacker.run_folder.writing import write_run
from stacker.settings import Settings
from stacker.sharpening import Sharpened, sharpen, tone_for_showing
from stacker.stacking import Stack, stack, zoomed_mask

Array = NDArray[np.float32]
Progress = Callable[[str, int, int], None]


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
    name: str | None = None,
) -> Run:
    """Turn one capture into the run folder `out`/<capture name>, or `out`/`name`.

    `circumstances` override the sidecar; `workers` threads share the work (default: one a processor);
    `progress(stage, done, total)` is called as it goes on. Raises CaptureError for a capture that cannot be used and
    OutputError for a folder that cannot be written.
    """
    began = time.perf_counter()
    settings, workers = settings or Settings(), workers or os.cpu_count() or 1
    with calibrate(open_capture(path, circumstances)) as capture, one_blas_thread():
        folder, known, told = Path(out) / (name or capture.name), capture.circumstances, partial(_stage, progress)
        check_place(folder)
        ranking = centred(rank(capture, settings.ranking, workers, told("ranking")))
        repair = find_repair(capture, ranking, settings.alignment.effort, workers)

        def look(free_workers: int) -> tuple[SingleFrames, dict[str, Any]]:
            alone = look_at_frames(capture, ranking, repair, settings.measuring.effort, free_workers)
            return alone, provenance(capture, settings, circumstances)

        with meanwhile(capture, look, workers) as looked:
            keep, aligning = settings.stacking.keep, told("aligning")
            alignment = align(capture, ranking, settings.alignment, keep, workers, aligning, repair)
            seen = capture, ranking, alignment
            meter = _power_meter(ranking, settings.stacking.zoom)
            linear = stack(*seen, workers, told("averaging"), meter, settings.stacking)
            witness = ask_disc(capture, linear)
            expected = expected_of(witness, known, linear.zoom)
            linear = share_detail(align_colours(linear, expected), capture.mosaic)
            undo_blur = partial(sharpen, linear, settings.sharpening, cutoffs(known, linear), known.obstruction_ratio)
            with beside(lambda _: undo_blur(), workers) as sharpened:
                agreed = agreement(linear, known)
                alone, metrics = looked()
                metrics |= measure(*seen, linear, witness=witness, alone=alone, agreed=agreed)
                finished = sharpened()
        metrics |= measure_sharpened(linear, finished, metrics["notes"])
        tone = tone_for_showing(finished.image, linear.mask, linear.kind, settings.colour, known.target)
        shown = tone.apply(finished.image)
        metrics |= {"colour_gains": None if tone.balance is None else tone.balance.over_green}
        metrics |= {"peak_memory_mb": peak_memory_mb(), "elapsed_s": time.perf_counter() - began}
        write_run(
            folder,
            stack=linear,
            finished=finished.image,
            shown=shown,
            labelled=labelled(shown, capture, witness, metrics, north_up=settings.label.north_up),
            evidence=gather_evidence(capture, ranking, alignment, linear, finished.image, tone, agreed),
            frames=frame_table(capture, ranking, alignment),
            metrics=metrics,
            settings=settings,
            header=header_of(capture, alignment, metrics),
            overrides=circumstances,
        )
    return Run(folder, metrics, summarise(folder, metrics, capture.notes))


def cutoffs(circumstances: Circumstances, linear: Stack) -> float | tuple[float, float, float] | None:
    """Return the telescope's cutoff in cycles per stack pixel: one number, or one a colour; None where not known."""
    if linear.image.ndim == 2:
        return stack_cutoff(circumstances, linear.zoom)
    red, green, blue = (circumstances.cutoff_cyc_per_px(wavelength) for wavelength in COLOUR_WAVELENGTHS_NM)
    if red is None or green is None or blue is None:
        return None
    return red / linear.zoom, green / linear.zoom, blue / linear.zoom


def measure(
    capture: Capture,
    ranking: Ranking,
    alignment: Alignment,
    linear: Stack,
    finished: Sharpened | None = None,
    witness: Witness | None = None,
    alone: SingleFrames | None = None,
    agreed: Resolution | str | None = None,
) -> dict[str, Any]:
    """Return the measurements of one capture, keyed as in metrics.json; None where one could not be had: see notes.

    `witness` is what the disc tells, `alone` what single frames tell, and `agreed` what the halves agree on, where
    somebody has measured them; `measure_sharpened` can follow where the `finished` picture is still on its way.
    """
    agreed = agreed or agreement(linear, capture.circumstances)
    witness = witness or ask_disc(capture, linear)
    alone = alone or look_at_frames(capture, ranking, alignment.repair)
    best = best_frame(capture, ranking, alignment)
    found = measure_stack(linear, best, capture.circumstances, witness, alone.fixed_pattern, agreed)
    notes = dict(found.pop("notes"))
    found |= count_figures(capture, ranking, alignment, linear, notes)
    found |= dispersion_figures(
        linear.measured_colour_shifts,
        vertical_of(witness.look, witness.north_angle_deg, witness.north_angle_error_deg, capture.circumstances),
        found["scale_arcsec_per_px"],
        capture.circumstances.filter,
        notes,
    )
    causes = measure_causes(capture, ranking, alignment, linear, witness, found, alone, agreed)
    found |= seeing_figures(causes.seeing, notes)
    found |= limit_figures(causes, notes)
    _remark(notes, *capture.notes, *linear.notes, witness.remark, told(alone.fixed_pattern))
    found |= {"notes": notes}
    return found if finished is None else found | measure_sharpened(linear, finished, notes)


def measure_sharpened(linear: Stack, finished: Sharpened, notes: dict[str, str]) -> dict[str, Any]:
    """Return what is measured on the finished picture, keyed as in metrics.json; remarks and reasons go to `notes`."""
    _remark(notes, finished.note)
    return limb_figures(linear, finished.image, notes)


def best_frame(capture: Capture, ranking: Ranking, alignment: Alignment) -> Array:
    """Return the sharpest frame as float32, repaired and moved by whole pixels to the stack's place."""
    index = int(ranking.order[0])
    frame = alignment.repair(capture.get_frame(index)).astype(np.float32)
    dy, dx = (int(value) for value in np.rint(ranking.coarse_shift_px[index]))
    return np.roll(frame, (-dy, -dx), (0, 1))


def _remark(notes: dict[str, str], *remarks: str) -> None:
    if any(remarks):
        notes["remarks"] = "; ".join(filter(None, (notes.get("remarks", ""), *remarks)))


def _power_meter(ranking: Ranking, zoom: float) -> PowerMeter | None:
    """Return what measures the power of frames under the target's window; None for a target too small for one."""
    try:
        return PowerMeter(analysis_window(zoomed_mask(ranking.target.mask, zoom), ranking.target.kind))
    except ValueError:
        return None


def _stage(progress: Progress | None, name: str) -> Callable[[int, int], None] | None:
    return None if progress is None else lambda done, total: progress(name, done, total)
