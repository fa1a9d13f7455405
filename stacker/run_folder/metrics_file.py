"""metrics.json: the measurements of one run under fixed keys."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from stacker.version import __version__

SCHEMA_VERSION = 1

METRIC_KEYS = (
    "capture",
    "frames_total",
    "frames_readable",
    "frames_used",
    "keep_percent",
    "target",
    "width_px",
    "height_px",
    "scale_arcsec_per_px",
    "disc_radius_px",
    "north_angle_deg",
    "snr",
    "snr_best_frame",
    "resolution_px",
    "resolution_arcsec",
    "resolution_over_diffraction",
    "information_bits",
    "r0_mm",
    "r0_zenith_mm",
    "r0_motion_bound_mm",
    "r0_differential_bound_mm",
    "seeing_arcsec",
    "fried_ratio",
    "focus",
    "defocus_waves_pv",
    "image_motion_px_rms",
    "colour_gains",
    "colour_shifts_px",
    "dispersion_px",
    "dispersion_angle_deg",
    "dispersion_expected_px",
    "dispersion_in_band_px",
    "sampling_px_per_element",
    "fitting_focal_length_mm",
    "snr_frame",
    "electrons_per_frame",
    "peak_level",
    "twice_frames_resolution_px",
    "half_frames_resolution_px",
    "rotation_turned_deg",
    "rotation_smear_px",
    "drift_px_per_s",
    "periodic_error_px",
    "periodic_error_s",
    "exposure_smear_px",
    "frames_out_of_field",
    "edge_spread_px",
    "limb_mtf50_cyc_per_px",
    "limb_mtf10_cyc_per_px",
    "limits",
    "missing_information",
    "clipped_fraction",
    "limb_overshoot_percent",
    "parts",
    "elapsed_s",
    "peak_memory_mb",
    "notes",
)
"""Every key after `schema_version`, in the order of the file."""
PROVENANCE_KEYS = ("software_version", "capture_sha256", "work_sha256", "circumstances")
"""What made these numbers, after the measurements; `circumstances` holds the tables of a sidecar, as settled."""


def complete_metrics(metrics: Mapping[str, Any]) -> dict[str, Any]:
    """Return `metrics` as plain JSON values in the order of the file, every key present.

    A key that was not measured, and a number that is not finite, is None. `<key>_error` follows its key where given.
    Raises ValueError for a key that is none of these.
    """
    whole: dict[str, Any] = {"schema_version": SCHEMA_VERSION}
    for key in METRIC_KEYS:
        whole[key] = _plain(metrics.get(key))
        if f"{key}_error" in metrics:
            whole[f"{key}_error"] = _plain(metrics[f"{key}_error"])
    whole |= {"software_version": __version__}
    whole |= {key: _plain(metrics.get(key)) for key in PROVENANCE_KEYS[1:]}
    whole["notes"] = whole["notes"] or {}
    unknown = sorted(set(metrics) - set(whole))
    if unknown:
        raise ValueError(f"metrics has no key {', '.join(unknown)}")
    return whole


def write_metrics(path: Path, metrics: Mapping[str, Any]) -> None:
    """Write the measurements as JSON (RFC 8259: no NaN, no Infinity).

    Raises OSError where the disk refuses and ValueError for an unknown key.
    """
    text = json.dumps(complete_metrics(metrics), indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def _plain(value: Any) -> Any:
    """Return a JSON value: numpy scalars as Python's, what is not finite as None, paths as text."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return str(value) if isinstance(value, Path) else value
