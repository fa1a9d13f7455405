"""The measurements of a run in words, in groups that belong together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from stacker.report.numbers import is_number, with_error

GROUPS: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "Detail": {
        "resolution_arcsec": ("resolution on the sky", "″"),
        "resolution_px": ("resolution", "px"),
        "resolution_over_diffraction": ("resolution over the diffraction limit", ""),
        "twice_frames_resolution_px": ("resolution with twice as many frames", "px"),
        "half_frames_resolution_px": ("resolution with half as many frames", "px"),
        "information_bits": ("information in the picture", "bits"),
        "missing_information": ("part of the ideal capture's information that is missing", ""),
        "snr": ("signal to noise of a pixel", ""),
        "snr_best_frame": ("signal to noise in the best frame", ""),
        "snr_frame": ("signal to noise in a usual frame", ""),
        "edge_spread_px": ("width of a sharp edge, 10 to 90 %", "px"),
        "limb_mtf50_cyc_per_px": ("transfer falls to a half at", "cycles/px"),
        "limb_mtf10_cyc_per_px": ("transfer falls to a tenth at", "cycles/px"),
        "limb_overshoot_percent": ("overshoot at the limb", "%"),
    },
    "Frames and light": {
        "frames_total": ("frames in the capture", ""),
        "frames_readable": ("frames that are whole", ""),
        "frames_used": ("frames averaged", ""),
        "keep_percent": ("share of the usable frames", "%"),
        "frames_out_of_field": ("frames that missed the target", ""),
        "electrons_per_frame": ("electrons of a pixel in a frame", ""),
        "peak_level": ("bright parts over full scale", ""),
        "clipped_fraction": ("share of clipped pixels", ""),
    },
    "Air and mount": {
        "seeing_arcsec": ("seeing", "″"),
        "r0_mm": ("Fried parameter of the air", "mm"),
        "r0_zenith_mm": ("Fried parameter, straight up", "mm"),
        "r0_motion_bound_mm": ("Fried parameter if all motion were the air's", "mm"),
        "r0_differential_bound_mm": ("Fried parameter at most, by how patches moved apart", "mm"),
        "fried_ratio": ("aperture over Fried parameter, at the wavelength observed", ""),
        "defocus_waves_pv": ("defocus, peak to valley", "waves"),
        "image_motion_px_rms": ("image motion", "px rms"),
        "drift_px_per_s": ("drift of the mount", "px/s"),
        "periodic_error_px": ("periodic motion, amplitude", "px"),
        "periodic_error_s": ("periodic motion, period", "s"),
        "exposure_smear_px": ("motion within an exposure", "px"),
        "rotation_turned_deg": ("the target turned by", "°"),
        "rotation_smear_px": ("rotation smeared its middle by", "px"),
    },
    "Scale and colours": {
        "scale_arcsec_per_px": ("image scale", "″/px"),
        "sampling_px_per_element": ("pixels per lambda/D", "px"),
        "fitting_focal_length_mm": ("focal length that would be enough", "mm"),
        "width_px": ("width of the picture", "px"),
        "height_px": ("height of the picture", "px"),
        "disc_radius_px": ("radius of the disc", "px"),
        "north_angle_deg": ("north, counter-clockwise from up", "°"),
        "colour_gains": ("shown colours multiplied by (R, G, B)", ""),
        "colour_shifts_px": ("red and blue stood off by (down, right)", "px"),
        "dispersion_px": ("blue stood from red by", "px"),
        "dispersion_angle_deg": ("direction from red to blue, counter-clockwise from up", "°"),
        "dispersion_expected_px": ("what the air should have set them apart", "px"),
        "dispersion_in_band_px": ("what the air spread each colour within itself", "px"),
    },
    "Cost": {"elapsed_s": ("time taken", "s"), "peak_memory_mb": ("memory taken", "MB")},
}
"""Words and unit of the keys of metrics.json; a number whose key is not here is told under its key."""
_OTHER = "Other"
_NO_MEASUREMENTS = frozenset(("schema_version", "limits", "notes"))


class MetricRow(NamedTuple):
    """One measurement as it is shown."""

    words: str
    value: str
    note: str


def metric_groups(metrics: Mapping[str, Any]) -> Iterator[tuple[str, list[MetricRow]]]:
    """Yield each group's name and rows of what was measured; groups without any are left out."""
    known = {key for group in GROUPS.values() for key in group}
    others = {key: (key, "") for key in metrics if key not in known and not key.endswith("_error")}
    for name, group in {**GROUPS, _OTHER: others}.items():
        rows = [_row(metrics, key, *told) for key, told in group.items() if _is_measured(key, metrics.get(key))]
        if rows:
            yield name, rows


def unmeasured(metrics: Mapping[str, Any]) -> list[MetricRow]:
    """Return what was not measured, with the reason where one is noted."""
    return [
        MetricRow(words, "not measured", _note(metrics, key))
        for group in GROUPS.values()
        for key, (words, _) in group.items()
        if key in metrics and metrics[key] is None
    ]


def _row(metrics: Mapping[str, Any], key: str, words: str, unit: str) -> MetricRow:
    value, error = metrics[key], metrics.get(f"{key}_error")
    if is_number(value):
        told = with_error(value, error if is_number(error) else None, unit)
    else:
        told = f"{_listed(value)} {unit}".rstrip()
    return MetricRow(words, told, _note(metrics, key))


def _listed(value: Any) -> str:
    """Return a list of numbers, or of lists of them, in words."""
    if isinstance(value, list):
        nested = any(isinstance(entry, list) for entry in value)
        return ("; " if nested else ", ").join(_listed(entry) for entry in value)
    return f"{value:.2f}" if is_number(value) else "–"


def _is_measured(key: str, value: Any) -> bool:
    return key not in _NO_MEASUREMENTS and (is_number(value) or (isinstance(value, list) and bool(value)))


def _note(metrics: Mapping[str, Any], key: str) -> str:
    notes = metrics.get("notes")
    return str(notes.get(key, "")) if isinstance(notes, dict) else ""
