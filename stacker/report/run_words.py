"""A run in words: what it is, what was reached, what stood in the way."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from stacker.logbook import LoggedRun
from stacker.logbook.standing import moment_from
from stacker.report.numbers import is_number, plain, with_error
from stacker.sky.caution import FILTER_CAUTION, caution_for

_SOLAR = ("sun", "sunspot", "sunspots", "solar")
_IN_WORDS = {
    "air": "the air",
    "optics": "the focus or the optics",
    "sampling": "coarse sampling",
    "light": "too little light",
    "frames": "too few frames",
    "rotation": "the target's rotation",
    "tracking": "the tracking",
    "dispersion": "the spread of colours by the air",
    "clipping": "clipped pixels",
}
_WORTH_TELLING = 0.1
_MATTERS = 0.005
"""A limit of a smaller share is told as one that did not matter."""


def name_of(run: LoggedRun) -> str:
    """Return what a person calls a run: its target, or its capture where none is named."""
    return run.target or run.capture


def called(run: LoggedRun) -> str:
    """Return what was recorded, with the run folder's name where that says more."""
    name, folder = name_of(run), run.folder.name
    return name if folder.casefold() == name.casefold() else f"{name} ({folder})"


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
    limits = limits_of(run)
    if limits and limits[0]["share"] >= _WORTH_TELLING:
        cause = _IN_WORDS.get(limits[0]["name"], limits[0]["name"])
        much = "Most of what is missing" if limits[0]["share"] > 0.5 else "The largest part of what is missing"
        told.append(f"{much}, {100 * limits[0]['share']:.0f} %, is due to {cause}.")
        if air_is_left_out(run):
            told.append("What the air took is not known, and left out of that.")
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
    return [entry for entry in _limits(run) if is_number(entry.get("share")) and entry["share"] >= _MATTERS]


def air_is_left_out(run: LoggedRun) -> bool:
    """Return whether there is a verdict on a run, but nothing is known of what the air took."""
    return any(entry["name"] == "air" and entry.get("share") is None for entry in _limits(run))


def harmless_limits(run: LoggedRun) -> list[str]:
    """Return a sentence on each limit that cost nothing to speak of, then on each that cannot be told."""
    small = [entry for entry in _limits(run) if is_number(entry.get("share")) and entry["share"] < _MATTERS]
    untold = [entry for entry in _limits(run) if not is_number(entry.get("share"))]
    return [str(entry["sentence"]) for entry in (*small, *untold) if entry.get("sentence")]


def sentence_of_limit(limit: Mapping[str, Any]) -> str:
    """Return the sentence of a limit without its name before it."""
    sentence, name = str(limit.get("sentence") or ""), str(limit["name"])
    if sentence.casefold().startswith(f"{name.casefold()}: "):
        sentence = sentence[len(name) + 2 :]
    return sentence[:1].upper() + sentence[1:]


def _limits(run: LoggedRun) -> list[dict[str, Any]]:
    limits = run.metrics.get("limits")
    return [e for e in limits if isinstance(e, dict) and e.get("name")] if isinstance(limits, list) else []


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
