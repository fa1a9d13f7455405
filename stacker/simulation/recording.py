"""A simulated capture on disk: the capture, its sidecar and the truth beside them."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.simulation.calibration_frames import write_calibration
from stacker.simulation.scenario import Scenario
from stacker.simulation.simulate import Simulated, simulate
from stacker.simulation.writing import write_capture, write_sidecar

FOLDER_KINDS = ("png", "jpeg", "tiff-folder", "fits-folder")


def write_simulation(
    path: Path | str,
    scenario: Scenario,
    seed: int,
    kind: str,
    progress: Callable[[int], object] | None = None,
    calibration: int = 0,
) -> tuple[Path, Path, Path]:
    """Write a simulated capture and return the paths of capture, sidecar and truth.

    `kind` is one of `writing.KINDS`; `progress` is told the number of each frame written. The truth is
    `<capture name without ending>.truth.npz`; see `truth_of` for its keys. Where frames are kept in a folder the
    sidecar and the truth stand beside it. With `calibration` so many darks, flats and biases are written beside the
    capture too, and its sidecar names them. Raises ValueError for a scenario that the kind cannot hold, CaptureError
    where the disk refuses.
    """
    path = Path(path)
    simulated = simulate(scenario, seed)
    detector = scenario.detector
    significant = 16 if detector.high_aligned and detector.bits > 8 else detector.bits
    known = scenario.circumstances()
    write_capture(
        path,
        _counted(simulated, progress),
        kind=kind,
        bits=significant,
        mosaic=detector.mosaic,
        fps=scenario.frames_per_s,
        circumstances=known,
        start_utc=scenario.start_utc,
    )
    if calibration:
        dark, flat, bias = write_calibration(path, scenario, seed, kind, calibration)
        known = replace(known, dark=dark, flat=flat, bias=bias)
    sidecar = write_sidecar(path, replace(known, camera=replace(known.camera, bits=detector.bits)))
    stem = path.name if kind in FOLDER_KINDS else path.stem
    truth = path.with_name(f"{stem}.truth.npz")
    _save_whole(truth, truth_of(simulated, kind))
    return path, sidecar, truth


def truth_of(simulated: Simulated, kind: str = "") -> dict[str, NDArray[Any]]:
    """Return the truth of a simulated capture (N frames) after its frames have been rendered.

    Displacements are (dy, dx) in camera px, this frame minus the scene.

    | key | shape | what |
    | --- | --- | --- |
    | truth | (Hc, Wc, C) float32 | scene through a perfect telescope, no noise, on the canvas; 1 is full brightness |
    | roi, inner | (Hc, Wc) bool | target with its edge; well inside the target |
    | tilt_px | (N, T, T, 2) float32 | displacement by the air at points spread over the frame, corner to corner |
    | pointing_px | (N, 2) | of the mount |
    | shift_px | (N, 2) | pointing plus the mean of the air's displacement over the target |
    | strehl | (N,) | mean over the nodes; nan where not rendered |
    | strehl_nodes | (N, G, G) float32 | of points spread over the canvas |
    | d_over_r0, transmission, time_s | (N,) | seeing, cloud, middle of the exposure |
    | out, duplicate, corrupt, blank | (N,) bool | out of the field; repeats the frame before; torn or blank; blank |
    | hot, warm, dead | (K,) | flat indices of bad pixels |
    | channel_shift_px | (C, 2) | dispersion of each channel |
    | meta | JSON text | the scenario, seed, kind, margin_px, cutoff_cyc_px per channel, scale_arcsec_per_px, bounded |
    """
    scenario, course, imaging, sensor = simulated.scenario, simulated.course, simulated.imaging, simulated.sensor
    roi, inner = imaging.masks()
    meta = {
        "scenario": asdict(scenario),
        "scene": type(scenario.scene).__name__,
        "seed": simulated.seed,
        "kind": kind,
        "margin_px": [margin // scenario.oversampling for margin in imaging.margin_px],
        "cutoff_cyc_px": [1.0 / scenario.sampling_px(nm) for nm in scenario.detector.channels_nm],
        "scale_arcsec_per_px": scenario.scale_arcsec_per_px,
        "bounded": imaging.scene.bounded,
    }
    return {
        "truth": imaging.diffraction_limited(),
        "roi": roi,
        "inner": inner,
        "tilt_px": simulated.tilt_px,
        "pointing_px": course.pointing_px,
        "shift_px": simulated.shift_px,
        "strehl": simulated.strehl,
        "strehl_nodes": simulated.strehl_nodes,
        "d_over_r0": course.d_over_r0,
        "transmission": course.transmission,
        "time_s": course.time_s,
        "out": course.out,
        "duplicate": course.duplicate,
        "corrupt": course.torn | course.blank,
        "blank": course.blank,
        "hot": sensor.hot,
        "warm": sensor.warm,
        "dead": sensor.dead,
        "channel_shift_px": imaging.channel_shift_px,
        "meta": np.array(json.dumps(meta)),
    }


def _counted(simulated: Simulated, progress: Callable[[int], object] | None) -> Iterator[NDArray[Any]]:
    for index, frame in enumerate(simulated):
        yield frame
        if progress is not None:
            progress(index)


def _save_whole(path: Path, arrays: dict[str, NDArray[Any]]) -> None:
    temporary = path.with_name(f".{path.name}.part.npz")
    try:
        with temporary.open("wb") as file:
            np.savez_compressed(file, allow_pickle=False, **arrays)
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
