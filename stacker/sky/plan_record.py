"""A plan as plain values, for JSON."""

from __future__ import annotations

from typing import Any

from stacker.sky.moments import VALIDITY
from stacker.sky.night import Span
from stacker.sky.plan import Pair, Plan, TargetPlan, moment_text
from stacker.sky.vectors import Site

SCHEMA_VERSION = 1


def plan_as_record(plan: Plan) -> dict[str, Any]:
    """Return a plan as dictionaries, lists, text, numbers and None; times are UTC, ISO 8601."""
    return {
        "schema_version": SCHEMA_VERSION,
        "night": plan.night.evening.isoformat(),
        "site": _site(plan.night.site),
        "seeing_arcsec": round(plan.seeing_arcsec, 3),
        "seeing_from": plan.seeing_from,
        "ephemeris": f"{VALIDITY}, offline",
        "targets": [_target(target) for target in plan.targets],
    }


def _site(site: Site) -> dict[str, Any]:
    return {
        "name": site.name,
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "elevation_m": site.elevation_m,
    }


def _target(target: TargetPlan) -> dict[str, Any]:
    look = target.look
    return {
        "target": target.target,
        "caution": target.caution,
        "verdict": target.sentence,
        "up": [_span(span) for span in target.up],
        "best": None if target.best is None else {**_span(target.best), "moment_utc": moment_text(look.moment.utc)},
        "diameter_arcsec": round(look.diameter_arcsec, 3),
        "lit_fraction": _rounded(look.lit_fraction, 5),
        "elongation_deg": round(look.elongation_deg, 2),
        "altitude_deg": _rounded(look.altitude_deg, 2),
        "airmass": _rounded(look.airmass, 3),
        "dispersion_arcsec": _rounded(target.dispersion_arcsec, 3),
        "pairs": [_pair(pair) for pair in target.pairs],
    }


def _pair(pair: Pair) -> dict[str, Any]:
    return {
        "telescope": pair.telescope,
        "camera": pair.camera,
        "worth": pair.expectation.worth,
        "shows_detail": pair.expectation.shows_detail,
        "expect": pair.expectation.words,
        "elements_by_diffraction": round(pair.elements_by_diffraction, 2),
        "elements_in_usual_air": round(pair.elements_in_usual_air, 2),
        "element_arcsec": round(pair.element_arcsec, 3),
        "barlow_factor": round(pair.barlow_factor, 2),
        "barlow_factor_in_usual_air": round(pair.barlow_factor_in_usual_air, 2),
        "focal_ratio": round(pair.focal_ratio, 1),
        "focal_ratio_in_usual_air": round(pair.focal_ratio_in_usual_air, 1),
        "scale_arcsec_per_px": round(pair.scale_arcsec_per_px, 4),
        "disc_px": round(pair.disc_px, 1),
        "exposure_ceiling_ms": round(pair.exposure_ceiling_ms, 2),
        "longest_capture_s": round(pair.longest_capture_s, 1),
        "limited_by": pair.limited_by,
        "notes": list(pair.notes),
    }


def _span(span: Span) -> dict[str, str]:
    return {"start_utc": moment_text(span.start_utc), "end_utc": moment_text(span.end_utc)}


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
