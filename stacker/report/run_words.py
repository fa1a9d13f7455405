"""A run in words: what it is, what was reached, what stood in the way."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from stacker.logbook import LoggedRun
from stacker.logbook.standing import moment_from
from stacker.report.numbers import is_number, plain, with_error
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
_SOLAR = ("sun", "sunspot", "sunspots", "solar")
_NOT_IN_THE_TABLE = {"schema_version", "capture", "target", "limits", "notes", "circumstances"}


def name_of(run: LoggedRun) -> str:
    """Return what a person calls a run: its target, or its capture where none is named."""
    return run.target or run.capture


def error_of(run: LoggedRun, key: str) -> float | None:
    """Return the error of a measured number; None where it has none."""
    found = run.measured.get(key)
    return None if found is None else found.error


def when_of(run: LoggedRun) -> str | None:
    """Return date and time of the first frame in words; None where it is not known."""
    moment = moment_from(run.start_utc)
    return None if moment is None else f"{moment.day} {moment:%B %Y, %H:%M} UTC"


def caution_of(run: LoggedRun) -> str | None:
    """Return the caution that a picture of this target must carry; None where none is needed.

    A target or a filter that speaks of the Sun counts as the Sun; a planet counts by its distance from the Sun then.
    """
    target = run.target or ""
    words = re.findall(r"[a-z]+", f"{target} {run.filter or ''}".lower())
    if any(word in _SOLAR for word in words):
        return FILTER_CAUTION
    moment = moment_from(run.start_utc)
    if not target or moment is None:
        return None
    from stacker.sky.ephemeris import look_at

    try:
        look = look_at(target, moment)
    except ValueError:
        return None
    return caution_for(look.body.name, look.elongation_deg)


def cautions_of(runs: Iterable[LoggedRun]) -> list[str]:
    """Return every caution that one of the runs must carry, each once, the Sun's first."""
    told = {words for run in runs if (words := caution_of(run)) is not None}
    return sorted(told, key=lambda words: (words != FILTER_CAUTION, words))


def whereabouts(run: LoggedRun) -> str:
    """Return time, height, telescope, camera, filter and site in one line, as far as they are known."""
    height = None if run.altitude_deg is None else f"{run.altitude_deg:.0f}° high"
    known = (when_of(run), height, telescope_of(run), run.filter, run.camera, run.site)
    return " · ".join(word for word in known if word)


def telescope_of(run: LoggedRun) -> str | None:
    """Return the telescope's name, aperture and focal ratio, as far as they are known."""
    aperture, focal = run.said("telescope", "aperture_mm"), run.said("telescope", "focal_length_mm")
    size = f"{aperture:g} mm" if is_number(aperture) else None
    ratio = f"f/{focal / aperture:.3g}" if is_number(aperture) and is_number(focal) and aperture > 0 else None
    size = " ".join(filter(None, (size, ratio)))
    return ", ".join(filter(None, (run.said("telescope", "name"), size))) or None


def verdict(run: LoggedRun) -> str:
    """Return what was reached, in a few sentences."""
    told = [f"{run.metrics.get('frames_used')} of {run.metrics.get('frames_total')} frames were averaged."]
    told += [_resolution_sentence(run)]
    snr, best = run.value("snr"), run.value("snr_best_frame")
    if snr and best:
        told.append(f"Signal to noise is {snr / best:.1f} times that of the best single frame.")
    return " ".join(told)


def _resolution_sentence(run: LoggedRun) -> str:
    size = sized(run)
    if size is None:
        reason = _notes(run).get("resolution_px")
        return "No resolution could be measured" + (f": {reason}." if reason else ".")
    ratio = run.value("resolution_over_diffraction")
    if ratio is None:
        return f"Details down to {size} are real."
    limit = with_error(ratio, error_of(run, "resolution_over_diffraction"))
    whose = run.said("telescope", "name")
    return f"Details down to {size} are real: {limit} times the diffraction limit of {whose or 'this telescope'}."


def sized(run: LoggedRun) -> str | None:
    """Return the resolution with its error, on the sky where the scale is known."""
    for key, unit in (("resolution_arcsec", "″"), ("resolution_px", "px")):
        value = run.value(key)
        if value is not None:
            return with_error(value, error_of(run, key), unit)
    return None


def limits_of(run: LoggedRun) -> list[dict[str, Any]]:
    """Return what stood between this run and the diffraction limit, worst first, each with a name and a share."""
    limits = run.metrics.get("limits")
    found = [entry for entry in limits if isinstance(entry, dict)] if isinstance(limits, list) else []
    return [entry for entry in found if entry.get("name") and is_number(entry.get("share"))]


def metric_rows(run: LoggedRun) -> Iterator[tuple[str, str, str]]:
    """Yield (words, value with error and unit, note) for every measurement."""
    notes = _notes(run)
    for key, value in run.metrics.items():
        if key in _NOT_IN_THE_TABLE or key.endswith("_error") or isinstance(value, str | dict | list):
            continue
        words, unit = METRIC_WORDS.get(key, (key, ""))
        told = with_error(value, error_of(run, key), unit) if is_number(value) else "not measured"
        yield words, told, str(notes.get(key, ""))


def remarks_of(run: LoggedRun) -> str | None:
    """Return what was noticed on the way."""
    remarks = _notes(run).get("remarks")
    return f"{remarks[0].upper()}{remarks[1:]}." if isinstance(remarks, str) and remarks else None


def facts(run: LoggedRun) -> Iterator[tuple[str, str, str]]:
    """Yield (what, value, detail) of the few numbers that tell most."""
    used, total = run.value("frames_used"), run.value("frames_total")
    if used is not None and total is not None:
        yield "frames kept", f"{used:.0f}", f"of {total:.0f}"
    size = sized(run)
    if size is not None:
        yield "resolution", size, _in_pixels(run)
    ratio = run.value("resolution_over_diffraction")
    if ratio is not None:
        yield "diffraction limits", with_error(ratio, error_of(run, "resolution_over_diffraction")), "1 is perfect"
    seeing = run.value("seeing_arcsec")
    if seeing is not None:
        r0 = run.value("r0_mm")
        yield "seeing", with_error(seeing, error_of(run, "seeing_arcsec"), "″"), f"r0 {plain(r0)} mm" if r0 else ""
    snr, best = run.value("snr"), run.value("snr_best_frame")
    if snr:
        yield "signal to noise", f"{snr:.0f}", f"{best:.0f} in the best frame" if best else "of a pixel"


def _in_pixels(run: LoggedRun) -> str:
    value = run.value("resolution_px")
    return "" if value is None or run.value("resolution_arcsec") is None else f"{value:.1f} px"


def _notes(run: LoggedRun) -> Mapping[str, Any]:
    notes = run.metrics.get("notes")
    return notes if isinstance(notes, dict) else {}
