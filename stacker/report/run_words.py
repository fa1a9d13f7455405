"""A run in words: what it is, what was reached, what stood in the way."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any

from stacker.capture.timing import utc_from_text
from stacker.report.numbers import is_number, plain, with_error
from stacker.report.reading import RunFiles, Tables
from stacker.sky.caution import FILTER_CAUTION, caution_for

METRIC_WORDS: Mapping[str, tuple[str, str]] = {
    "frames_total": ("frames in the capture", ""),
    "frames_readable": ("frames that are whole", ""),
    "frames_used": ("frames averaged", ""),
    "keep_percent": ("share of the usable frames", "%"),
    "width_px": ("width of the picture", "px"),
    "height_px": ("height of the picture", "px"),
    "scale_arcsec_per_px": ("image scale", "″/px"),
    "disc_radius_px": ("radius of the disc", "px"),
    "north_angle_deg": ("north, counter-clockwise from up", "°"),
    "snr": ("signal to noise of a pixel", ""),
    "snr_best_frame": ("the same of the best frame", ""),
    "resolution_px": ("resolution", "px"),
    "resolution_arcsec": ("resolution on the sky", "″"),
    "resolution_over_diffraction": ("resolution over the diffraction limit", ""),
    "information_bits": ("information in the picture", "bits"),
    "r0_mm": ("Fried parameter of the air", "mm"),
    "seeing_arcsec": ("seeing", "″"),
    "image_motion_px_rms": ("image motion", "px rms"),
    "clipped_fraction": ("share of clipped pixels", ""),
    "limb_overshoot_percent": ("overshoot at the limb", "%"),
    "elapsed_s": ("time taken", "s"),
    "peak_memory_mb": ("memory taken", "MB"),
}
"""Words and unit of the keys of metrics.json; a key that is not here is told by its name."""
_NOT_IN_THE_TABLE = {"schema_version", "capture", "target", "limits", "notes", "circumstances"}


def moment_of(circumstances: Tables) -> datetime | None:
    """Return UTC of the first frame; None where it is not known."""
    said = circumstances.get("capture", {}).get("start_utc")
    moment = utc_from_text(said) if isinstance(said, str) else None
    told = None if moment is None else moment.item()
    return told.replace(tzinfo=UTC) if isinstance(told, datetime) else None


def caution_of(circumstances: Tables) -> str | None:
    """Return the caution that a picture of this target must carry; None where none is needed.

    A target or a filter that speaks of the Sun counts as the Sun; a planet counts by its distance from the Sun then.
    """
    capture = circumstances.get("capture", {})
    target = str(capture.get("target") or "").strip()
    words = f"{target} {capture.get('filter') or ''}".lower().replace("-", " ").replace(",", " ").split()
    if "sun" in words or "solar" in words or "sunspot" in words:
        return FILTER_CAUTION
    moment = moment_of(circumstances)
    if not target or moment is None:
        return None
    from stacker.sky.ephemeris import look_at

    try:
        look = look_at(target, moment)
    except ValueError:
        return None
    return caution_for(look.body.name, look.elongation_deg)


def whereabouts(run: RunFiles) -> str:
    """Return time, telescope, camera, filter and site in one line, as far as they are known."""
    moment = moment_of(run.circumstances)
    when = None if moment is None else f"{moment.day} {moment:%B %Y, %H:%M} UTC"
    return " · ".join(filter(None, (when, telescope_of(run), *(_said(run, *key) for key in _PLACES))))


_PLACES = (("capture", "filter"), ("camera", "name"), ("site", "name"))


def telescope_of(run: RunFiles) -> str | None:
    """Return the telescope's name, aperture and focal ratio, as far as they are known."""
    aperture, focal = run.said("telescope", "aperture_mm"), run.said("telescope", "focal_length_mm")
    size = f"{aperture:g} mm" if is_number(aperture) else None
    ratio = f"f/{focal / aperture:.3g}" if is_number(aperture) and is_number(focal) and aperture > 0 else None
    size = " ".join(filter(None, (size, ratio)))
    return ", ".join(filter(None, (_said(run, "telescope", "name"), size))) or None


def verdict(run: RunFiles) -> str:
    """Return what was reached, in a few sentences."""
    told = [f"{run.metrics.get('frames_used')} of {run.metrics.get('frames_total')} frames were averaged."]
    told += [_resolution_sentence(run)]
    snr, best = run.number("snr"), run.number("snr_best_frame")
    if snr and best:
        told.append(f"Signal to noise is {snr / best:.1f} times that of the best single frame.")
    return " ".join(told)


def _resolution_sentence(run: RunFiles) -> str:
    size = sized(run)
    if size is None:
        reason = _notes(run).get("resolution_px")
        return "No resolution could be measured" + (f": {reason}." if reason else ".")
    ratio = run.number("resolution_over_diffraction")
    if ratio is None:
        return f"Details down to {size} are real."
    limit = with_error(ratio, run.number("resolution_over_diffraction_error"))
    whose = _said(run, "telescope", "name")
    return f"Details down to {size} are real: {limit} times the diffraction limit of {whose or 'this telescope'}."


def sized(run: RunFiles) -> str | None:
    """Return the resolution with its error, on the sky where the scale is known."""
    for key, unit in (("resolution_arcsec", "″"), ("resolution_px", "px")):
        value = run.number(key)
        if value is not None:
            return with_error(value, run.number(f"{key}_error"), unit)
    return None


def limits_of(run: RunFiles) -> list[dict[str, Any]]:
    """Return what stood between this run and the diffraction limit, worst first, each with a name and a share."""
    limits = run.metrics.get("limits")
    found = [entry for entry in limits if isinstance(entry, dict)] if isinstance(limits, list) else []
    return [entry for entry in found if entry.get("name") and is_number(entry.get("share"))]


def metric_rows(run: RunFiles) -> Iterator[tuple[str, str, str]]:
    """Yield (words, value with error and unit, note) for every measurement."""
    notes = _notes(run)
    for key, value in run.metrics.items():
        if key in _NOT_IN_THE_TABLE or key.endswith("_error") or isinstance(value, str | dict | list):
            continue
        words, unit = METRIC_WORDS.get(key, (key, ""))
        told = with_error(value, run.number(f"{key}_error"), unit) if is_number(value) else "not measured"
        yield words, told, str(notes.get(key, ""))


def remarks_of(run: RunFiles) -> str | None:
    """Return what was noticed on the way."""
    remarks = _notes(run).get("remarks")
    return f"{remarks[0].upper()}{remarks[1:]}." if isinstance(remarks, str) and remarks else None


def facts(run: RunFiles) -> Iterator[tuple[str, str, str]]:
    """Yield (what, value, detail) of the few numbers that tell most."""
    used, total = run.number("frames_used"), run.number("frames_total")
    if used is not None and total is not None:
        yield "frames kept", f"{used:.0f}", f"of {total:.0f}"
    size = sized(run)
    if size is not None:
        yield "resolution", size, _in_pixels(run)
    ratio = run.number("resolution_over_diffraction")
    if ratio is not None:
        yield "diffraction limits", with_error(ratio, run.number("resolution_over_diffraction_error")), "1 is perfect"
    seeing = run.number("seeing_arcsec")
    if seeing is not None:
        r0 = run.number("r0_mm")
        yield "seeing", with_error(seeing, run.number("seeing_arcsec_error"), "″"), f"r0 {plain(r0)} mm" if r0 else ""
    snr, best = run.number("snr"), run.number("snr_best_frame")
    if snr:
        yield "signal to noise", f"{snr:.0f}", f"{best:.0f} in the best frame" if best else "of a pixel"


def _in_pixels(run: RunFiles) -> str:
    value = run.number("resolution_px")
    return "" if value is None or run.number("resolution_arcsec") is None else f"{value:.1f} px"


def _notes(run: RunFiles) -> Mapping[str, Any]:
    notes = run.metrics.get("notes")
    return notes if isinstance(notes, dict) else {}


def _said(run: RunFiles, table: str, key: str) -> str | None:
    value = run.said(table, key)
    return None if value is None else str(value)
