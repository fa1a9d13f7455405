"""`stillair sky`: where a target is and how it looks at a moment."""

from __future__ import annotations

import argparse
import json
import re
import sys
from typing import TYPE_CHECKING, Any

from stacker.cli.warning import warn

if TYPE_CHECKING:
    from datetime import datetime

    from stacker.sky.ephemeris import Look
    from stacker.sky.vectors import Site

_EXAMPLES = """examples:
  stillair sky jupiter                                               now, from the Earth's centre
  stillair sky saturn --when 2031-04-05T21:30:00Z --site 52.2,13.1,80
  stillair sky mars --when 2033-06-28T22:00 --site -33.9,18.4,50 --json

Targets: Sun, Moon, Mercury, Venus, Mars, Jupiter, Saturn, Uranus, Neptune. Works offline, for the years 1972 to 2100.
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command's arguments."""
    parser = subparsers.add_parser(
        "sky",
        help="tell where a target is and how it looks",
        description="Tell distance, size, phase, central meridian, orientation and place in the sky of a target.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    take_southern_sites(parser)
    parser.add_argument("target", metavar="TARGET", help="Sun, Moon or a planet, Mercury to Neptune")
    parser.add_argument("--when", metavar="TIME", help="UTC, as 2031-04-05T21:30:00Z (default: now)")
    parser.add_argument(
        "--site", metavar="LAT,LON,ELEV", help="degrees north, degrees east, metres; without it no altitude is told"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of words")
    parser.set_defaults(run=run)


def take_southern_sites(parser: argparse.ArgumentParser) -> None:
    """Let a value such as -33.9,18.4,50 follow its option: argparse takes only plain negative numbers for values."""
    parser._negative_number_matcher = re.compile(r"^-\d[\d.,+-]*$|^-\.\d[\d.,+-]*$")


def run(arguments: argparse.Namespace) -> int:
    """Tell of the target; return the exit status."""
    from stacker.settings import SettingsError
    from stacker.sky.caution import caution_for
    from stacker.sky.ephemeris import as_record, look_at

    site, moment = site_from(arguments.site) if arguments.site else None, moment_from(arguments.when)
    try:
        look = look_at(arguments.target, moment, site)
    except ValueError as error:
        raise SettingsError(f"the command line: {error}") from error
    caution = caution_for(look.body.name, look.elongation_deg)
    if arguments.json:
        print(json.dumps({key: _rounded(value) for key, value in as_record(look).items()}, ensure_ascii=False))
    else:
        print("\n".join(_words(look)))
    if caution:
        # With --json standard output belongs to the script that reads it; the person is warned all the same.
        warn(caution, sys.stderr if arguments.json else sys.stdout)
    return 0


def site_from(text: str) -> Site:
    """Return the site of LAT,LON or LAT,LON,ELEV. Raises SettingsError for anything else."""
    from stacker.settings import SettingsError
    from stacker.sky.vectors import Site

    advice = "give LAT,LON,ELEV such as 52.2,13.1,80, south and west negative"
    try:
        latitude, longitude, *elevation = (float(part) for part in text.split(","))
        (height,) = elevation or [0.0]
    except ValueError as error:
        raise SettingsError(f"the command line: --site is {text!r}; {advice}") from error
    try:
        return Site(latitude, longitude, height)
    except ValueError as error:
        raise SettingsError(f"the command line: --site is {text!r} ({error}); {advice}") from error


def moment_from(text: str | None) -> datetime:
    """Return the UTC that a text says, or now. Raises SettingsError for what is no time."""
    from datetime import UTC, datetime

    from stacker.capture.timing import utc_from_text
    from stacker.settings import SettingsError

    if text is None:
        return datetime.now(UTC).replace(microsecond=0)
    moment = utc_from_text(text)
    if moment is None:
        raise SettingsError(f"the command line: --when is {text!r}; give UTC as 2031-04-05T21:30:00Z")
    told = moment.item()
    assert isinstance(told, datetime)
    return told.replace(tzinfo=UTC)


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _rounded(entry) for key, entry in value.items()}
    return round(value, 8) if isinstance(value, float) else value


def _words(look: Look) -> list[str]:
    from stacker.sky.moments import VALIDITY

    place = "the Earth's centre" if look.site is None else f"{look.site.place(3)}, {look.site.elevation_m:.0f} m"
    lines = [f"{look.body.name}, {look.moment.utc:%Y-%m-%d %H:%M:%S} UTC, from {place}"]
    rows = [*_appearance(look), *_orientation(look), *(() if look.site is None else _standing(look))]
    lines += [f"  {name:<20}{told}" for name, told in rows]
    return [*lines, f"  (ephemeris {VALIDITY}, offline)"]


def _appearance(look: Look) -> list[tuple[str, str]]:
    from stacker.sky.vectors import AU_KM

    moon = look.body.name == "Moon"
    distance = f"{look.distance_au * AU_KM:.0f} km" if moon else f"{look.distance_au:.3f} au"
    size, unit = (
        (look.diameter_arcsec / 60, "arcmin") if look.diameter_arcsec >= 120 else (look.diameter_arcsec, "arcsec")
    )
    rows = [("distance", distance), ("diameter", f"{size:.2f} {unit} (equator)")]
    if look.lit_fraction is not None:
        rows.append(("lit", f"{100 * look.lit_fraction:.1f} % (phase angle {look.phase_angle_deg:.1f} deg)"))
        rows.append(("from the Sun", f"{look.elongation_deg:.1f} deg"))
    return rows


def _orientation(look: Look) -> list[tuple[str, str]]:
    """Return how the disc is turned; the Moon keeps its face but for the libration."""
    if look.body.name == "Moon":
        libration = f"{look.central_meridian_deg:+.2f} deg in longitude, {look.sub_latitude_deg:+.2f} deg in latitude"
        return [
            ("libration", libration),
            ("sub-solar latitude", f"{look.sub_solar_latitude_deg:+.2f} deg"),
            _pole(look),
        ]
    meridian = look.central_meridian_deg
    systems = meridian if isinstance(meridian, dict) else {"": meridian}
    told = ", ".join(f"{name} {value:.2f}".strip() for name, value in systems.items() if value is not None)
    rows = [("central meridian", f"{told} deg"), ("sub-Earth latitude", f"{look.sub_latitude_deg:+.2f} deg")]
    if look.sub_solar_latitude_deg is not None:
        rows.append(("sub-solar latitude", f"{look.sub_solar_latitude_deg:+.2f} deg"))
    rows.append(_pole(look))
    if look.ring_opening_deg is not None:
        rows.append(("rings open", f"{look.ring_opening_deg:+.2f} deg"))
    return rows


def _pole(look: Look) -> tuple[str, str]:
    return "north pole", f"{look.pole_angle_deg:.2f} deg from north through east"


def _standing(look: Look) -> list[tuple[str, str]]:
    """Return what the horizon adds; refraction and dispersion are those of usual air at the site's height."""
    from stacker.sky.horizon import field_rotation_deg_per_s
    from stacker.sky.refraction import dispersion_arcsec, pressure_at_mmhg, refraction_arcmin

    site, altitude, azimuth = look.site, look.altitude_deg, look.azimuth_deg
    assert site is not None and altitude is not None and azimuth is not None
    rows = [("altitude", f"{altitude:.2f} deg (before refraction)"), ("azimuth", f"{azimuth:.2f} deg")]
    if look.airmass is None:
        return [*rows, ("", "below the horizon")]
    pressure = pressure_at_mmhg(site.elevation_m)
    lift, spread = refraction_arcmin(altitude, pressure), dispersion_arcsec(450, 650, 90 - altitude, pressure)
    turn = 60 * field_rotation_deg_per_s(altitude, azimuth, site.latitude_deg)
    rows += [("air mass", f"{look.airmass:.2f}"), ("refraction", f"lifts it by {lift:.1f} arcmin")]
    if altitude > 5:
        rows.append(("colours", f"450 nm stands {spread:.2f} arcsec above 650 nm"))
    rows.append(("parallactic angle", f"{look.parallactic_angle_deg:.2f} deg"))
    return [*rows, ("field rotation", f"{turn:+.3f} deg a minute on an altazimuth mount")]
