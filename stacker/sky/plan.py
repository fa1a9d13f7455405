"""What is worth recording in a night: for each target, telescope and camera, what it will show and how."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from stacker.counted import counted
from stacker.sky.bodies import SATURN_RING_RADII
from stacker.sky.caution import NEAR_SUN_DEG, caution_for
from stacker.sky.ephemeris import Look, look_at
from stacker.sky.horizon import field_rotation_deg_per_s
from stacker.sky.night import Night, Span, around, looks_of, night_at, spans, usable
from stacker.sky.optics import diffraction_arcsec, focal_ratio, px_per_element, scale_arcsec_per_px
from stacker.sky.plan_file import PlanFile, PlannedCamera, PlannedTelescope
from stacker.sky.refraction import dispersion_arcsec, pressure_at_mmhg
from stacker.sky.seeing import fried_parameter_mm, reached_arcsec, seeing_at_airmass_arcsec
from stacker.sky.usual_seeing import usual_seeing_arcsec
from stacker.sky.vectors import Site
from stacker.sky.worth import NO, Expectation, expect

_PX_PER_ELEMENT = {False: 2.0, True: 3.0}
"""Without and with a colour mosaic, whose colours are sampled more coarsely (common practice, no source)."""
_BAND_NM = (500.0, 600.0)
"""One green filter's band: what channel shifts cannot bring together."""
_AS_GOOD = 1.1
_DAY_AIR = 1.5
"""How much worse the air is by day (common practice, no source)."""
_LESS_THAN_IT_COULD = 1.5
_VENUS_CLOUDS_TURN_DAYS = 4.2
"""What ultraviolet shows of Venus turns with the cloud tops, not with the ground (from memory: 4 to 5 days)."""


@dataclass(frozen=True)
class Pair:
    """One telescope with one camera on one target at its best moment."""

    telescope: str
    camera: str
    elements_by_diffraction: float
    """Resolution elements lambda/D (550 nm) across the disc."""
    elements_in_usual_air: float
    element_arcsec: float
    """Finest element to count on in the usual air, dispersion inside a green band included."""
    expectation: Expectation
    barlow_factor: float
    """That brings the camera to 2 px per lambda/D (3 behind a mosaic); 1 where none is needed."""
    barlow_factor_in_usual_air: float
    focal_ratio: float
    """With the first of these Barlow lenses."""
    focal_ratio_in_usual_air: float
    """With the second."""
    scale_arcsec_per_px: float
    disc_px: float
    exposure_ceiling_ms: float
    """Time in which the wind carries the air on by a Fried parameter: longer exposures blur more."""
    longest_capture_s: float
    """Until rotation smears the disc's middle or limb by half of lambda/D, or the best hours are over."""
    limited_by: str
    """rotation of the target, rotation of the field, or best hours."""
    notes: tuple[str, ...]


@dataclass(frozen=True)
class TargetPlan:
    """One target in the night."""

    target: str
    caution: str | None
    up: tuple[Span, ...]
    best: Span | None
    """Hours in which the finest element is within a tenth of the night's best."""
    look: Look
    """At the best moment, or where it stands highest when it is not up."""
    dispersion_arcsec: float | None
    """450 against 650 nm at that moment."""
    pairs: tuple[Pair, ...]
    sentence: str
    looks: tuple[Look, ...]

    @property
    def is_worth_it(self) -> bool:
        """Return whether it is up, and at least hardly worth it through some telescope."""
        return any(pair.expectation.worth != NO for pair in self.pairs)


@dataclass(frozen=True)
class Plan:
    """What is up in a night and what it is worth."""

    night: Night
    seeing_arcsec: float
    seeing_from: str
    targets: tuple[TargetPlan, ...]


def make_plan(
    file: PlanFile,
    evening: date,
    seeing_arcsec: float | None = None,
    logged: tuple[float, int, int] | None = None,
) -> Plan:
    """Return the plan of one night.

    `seeing_arcsec` beats the runs, those beat what the logbook knows of the site (`logged`: its usual seeing in arcsec,
    nights, runs), and that beats the file's setting. Raises ValueError for a year outside 1972 to 2100.
    """
    night = night_at(file.site, evening)
    seeing, told = _usual_seeing(file, seeing_arcsec, logged)
    targets = tuple(_plan_target(night, file, target, seeing) for target in file.targets)
    return Plan(night, seeing, told, targets)


def _usual_seeing(file: PlanFile, given: float | None, logged: tuple[float, int, int] | None) -> tuple[float, str]:
    if given is not None:
        return given, "given"
    measured = usual_seeing_arcsec(file.conditions.runs) if file.conditions.runs else None
    if measured:
        return measured[0], f"median of {counted(measured[1], 'measured run')}"
    if logged:
        return logged[0], f"median of {counted(logged[1], 'night')} in the logbook, {counted(logged[2], 'run')}"
    return file.conditions.seeing_arcsec, "setting"


def _plan_target(night: Night, file: PlanFile, target: str, seeing_arcsec: float) -> TargetPlan:
    looks = looks_of(night, target)
    seeing = seeing_arcsec * (_DAY_AIR if target == "Sun" else 1.0)
    good = usable(night, looks, file.conditions.horizon_deg)
    caution = caution_for(target, min(look.elongation_deg for look in looks))
    if not any(good):
        highest = max(looks, key=lambda look: look.altitude_deg or -90.0)
        sentence = _why_not(highest, file.conditions.horizon_deg, min(look.elongation_deg for look in looks))
        return TargetPlan(target, caution, (), None, highest, None, (), sentence, looks)
    largest = max(telescope.aperture_mm for telescope in file.telescopes)
    elements = [_element(look, largest, seeing) if fit else math.inf for look, fit in zip(looks, good, strict=True)]
    index = min(range(len(looks)), key=elements.__getitem__)
    best = spans(night, around([element <= _AS_GOOD * elements[index] for element in elements], index))[0]
    look = looks[index]
    pairs = tuple(
        _pair(look, best, telescope, camera, seeing, file) for telescope in file.telescopes for camera in file.cameras
    )
    return TargetPlan(
        target,
        caution,
        tuple(spans(night, good)),
        best,
        look,
        _spread(look, 450.0, 650.0),
        pairs,
        _verdict(look, pairs),
        looks,
    )


def _why_not(highest: Look, horizon_deg: float, from_sun_deg: float) -> str:
    if (highest.altitude_deg or -90.0) < horizon_deg:
        return f"Not worth it: it never stands above {horizon_deg:.0f} degrees."
    if from_sun_deg < NEAR_SUN_DEG:
        return f"Not worth it: it stands {from_sun_deg:.0f} degrees from the Sun."
    return f"Not worth it: it is above {horizon_deg:.0f} degrees only while the sky is too bright."


def _verdict(look: Look, pairs: tuple[Pair, ...]) -> str:
    """Return the plain word on a target."""
    best = max(pairs, key=lambda pair: (pair.expectation.worth == "yes", pair.elements_in_usual_air))
    opening = {"yes": "Worth it", "hardly": "Hardly worth it", "no": "Not worth it"}[best.expectation.worth]
    return f"{opening}: {best.expectation.words} ({best.telescope}, disc of {size_text(look)})."


def _element(look: Look, aperture_mm: float, seeing_arcsec: float) -> float:
    """Return the finest element in the air that the target is seen through."""
    air = seeing_at_airmass_arcsec(seeing_arcsec, look.airmass or 40.0)
    return math.hypot(reached_arcsec(aperture_mm, air), _spread(look, *_BAND_NM))


def _spread(look: Look, blue_nm: float, red_nm: float) -> float:
    site = look.site
    pressure = pressure_at_mmhg(site.elevation_m if site else 0.0)
    return dispersion_arcsec(blue_nm, red_nm, 90.0 - max(look.altitude_deg or 0.0, 1.0), pressure)


def _pair(
    look: Look,
    best: Span,
    telescope: PlannedTelescope,
    camera: PlannedCamera,
    seeing_arcsec: float,
    file: PlanFile,
) -> Pair:
    ideal = diffraction_arcsec(telescope.aperture_mm)
    element = max(_element(look, telescope.aperture_mm, seeing_arcsec), ideal)
    native = focal_ratio(telescope.focal_length_mm, telescope.aperture_mm)
    wanted = _PX_PER_ELEMENT[camera.mosaic is not None] / px_per_element(camera.pixel_um, native)
    barlow, barlow_in_air = max(1.0, wanted), max(1.0, wanted * ideal / element)
    scale = scale_arcsec_per_px(camera.pixel_um, barlow * telescope.focal_length_mm)
    longest, limited_by = _longest_capture(look, best, telescope, _reach_arcsec(look, camera, scale), file.site)
    air = seeing_at_airmass_arcsec(seeing_arcsec, look.airmass or 40.0)
    elements = look.diameter_arcsec / element
    return Pair(
        telescope.name,
        camera.name,
        look.diameter_arcsec / ideal,
        elements,
        element,
        expect(look, elements, element, telescope.solar_filter),
        barlow,
        barlow_in_air,
        native * barlow,
        native * barlow_in_air,
        scale,
        look.diameter_arcsec / scale,
        fried_parameter_mm(air) / file.conditions.wind_m_per_s,
        longest,
        limited_by,
        _notes(look, camera, ideal, element, air, wanted, scale),
    )


def _reach_arcsec(look: Look, camera: PlannedCamera, scale: float) -> float:
    """Return how far from the middle of the frame the target is recorded."""
    corner = 0.5 * math.hypot(camera.width_px or 0, camera.height_px or 0) * scale
    return min(0.5 * look.diameter_arcsec, corner or math.inf)


def _longest_capture(
    look: Look, best: Span, telescope: PlannedTelescope, reach_arcsec: float, site: Site
) -> tuple[float, str]:
    limits = [((best.end_utc - best.start_utc).total_seconds(), "best hours")]
    half, radius = 0.5 * diffraction_arcsec(telescope.aperture_mm), 0.5 * look.diameter_arcsec
    limits.append((half / max(radius * math.radians(surface_turn_deg_per_s(look)), 1e-12), "rotation of the target"))
    if telescope.mount == "altazimuth":
        rate = field_rotation_deg_per_s(look.altitude_deg or 0.0, look.azimuth_deg or 0.0, site.latitude_deg)
        limits.append((half / max(reach_arcsec * abs(math.radians(rate)), 1e-12), "rotation of the field"))
    return min(limits)


def surface_turn_deg_per_s(look: Look) -> float:
    """Return how fast what is seen turns under the observer: the disc's middle's way over it in 15 minutes."""
    if look.body.name == "Venus":
        return 360.0 / (86400.0 * _VENUS_CLOUDS_TURN_DAYS)
    seconds = 900.0
    later = look_at(look.body.name, look.moment.utc + timedelta(seconds=seconds), look.site)
    one, other = (_first_meridian(entry) for entry in (look, later))
    along = ((other - one + 180.0) % 360.0 - 180.0) * math.cos(math.radians(look.sub_latitude_deg))
    return math.hypot(along, later.sub_latitude_deg - look.sub_latitude_deg) / seconds


def _first_meridian(look: Look) -> float:
    meridian = look.central_meridian_deg
    return next(iter(meridian.values())) if isinstance(meridian, dict) else float(meridian or 0.0)


def _notes(
    look: Look, camera: PlannedCamera, ideal: float, element: float, air: float, wanted: float, scale: float
) -> tuple[str, ...]:
    notes = []
    if element > _LESS_THAN_IT_COULD * ideal:
        notes.append(
            f"the usual air ({air:.1f} arcsec at this altitude) lets it show {element:.2f} arcsec where its aperture "
            f"could show {ideal:.2f}: less than it could"
        )
    if wanted < 0.67:
        notes.append(f"pixels {1 / wanted:.1f} times finer than needed even without a Barlow lens")
    if camera.width_px and camera.height_px:
        width = SATURN_RING_RADII * look.diameter_arcsec if look.body.rings else look.diameter_arcsec
        if width / scale > min(camera.width_px, camera.height_px):
            notes.append(f"{width / scale:.0f} px across: more than a frame, record it in parts or without the Barlow")
    return tuple(notes)


def size_text(look: Look) -> str:
    """Return the equator's diameter in words, in minutes of arc where it has some."""
    size = look.diameter_arcsec
    return f"{size / 60:.1f} arcmin" if size >= 120 else f"{size:.1f} arcsec"


def moment_text(utc: datetime) -> str:
    """Return a moment as ISO 8601 to the second, with a final Z."""
    return utc.strftime("%Y-%m-%dT%H:%M:%SZ")
