"""What to expect of a target, in words: how much detail so many resolution elements across its disc can show.

The steps are common practice, no source: what observers report of telescopes of 60 to 400 mm on usual nights.
"""

from __future__ import annotations

from dataclasses import dataclass

from stacker.sky.ephemeris import Look
from stacker.sky.vectors import AU_KM

YES, HARDLY, NO = "yes", "hardly", "no"


@dataclass(frozen=True)
class Expectation:
    """Whether a recording is worth it, and what it will show."""

    worth: str
    """yes, hardly or no."""
    shows_detail: bool
    words: str


_Step = tuple[float, str, bool, str]
_JUPITER: tuple[_Step, ...] = (
    (60, YES, True, "many belts, ovals and festoons, the Great Red Spot with structure"),
    (30, YES, True, "several belts, the Great Red Spot, shadows of the moons"),
    (14, YES, True, "the two main belts and the darkest spots; the four moons as points"),
    (6, HARDLY, True, "the two main belts hinted at; the four moons as points"),
    (0, NO, False, "a small bright disc and four moons, no detail"),
)
_SATURN: tuple[_Step, ...] = (
    (30, YES, True, "the Cassini division, ring shades, several belts, the globe's shadow on the rings"),
    (12, YES, True, "the Cassini division at the ends of the rings, the broadest belt"),
    (6, YES, True, "the rings clear of the globe; the division between them hardly"),
    (3.5, HARDLY, False, "the rings as handles of the globe"),
    (0, NO, False, "a small oval, no detail"),
)
_MARS: tuple[_Step, ...] = (
    (25, YES, True, "a polar cap, dark markings with structure, bright clouds"),
    (14, YES, True, "a polar cap and the main dark markings"),
    (8, HARDLY, True, "a small disc; a polar cap and the darkest marking in the best moments"),
    (0, NO, False, "little more than a coloured point"),
)
_VENUS: tuple[_Step, ...] = (
    (30, HARDLY, False, "its phase; clouds only faintly and only through an ultraviolet filter"),
    (5, HARDLY, False, "its phase, no detail: its clouds are featureless in visible light"),
    (0, NO, False, "a bright point, no detail"),
)
_MERCURY: tuple[_Step, ...] = (
    (15, HARDLY, False, "its phase; a vague shading at the very best"),
    (5, HARDLY, False, "its phase, no detail"),
    (0, NO, False, "a point low in twilight, no detail"),
)
_FAR: tuple[_Step, ...] = (
    (14, HARDLY, True, "a small disc, brighter towards a pole in near infrared at the very best"),
    (2.5, NO, False, "a tiny coloured disc, no detail"),
    (0, NO, False, "hardly to be told from a star, no detail"),
)
_STEPS = {"Jupiter": _JUPITER, "Saturn": _SATURN, "Mars": _MARS, "Venus": _VENUS, "Mercury": _MERCURY}
_THIN_RINGS_DEG = 2.0
_CRATER_ELEMENTS = 3.0
_GRANULE_ARCSEC = 1.0
_DARKEST_MOON = 0.03


def expect(look: Look, elements: float, element_arcsec: float, solar_filter: bool) -> Expectation:
    """Return what to expect of a target with so many resolution elements of this size across its disc."""
    name = look.body.name
    if name == "Sun":
        return _of_the_sun(element_arcsec, solar_filter)
    if name == "Moon":
        return _of_the_moon(look, element_arcsec)
    steps = _STEPS.get(name, _FAR)
    _, worth, detail, words = next(step for step in steps if elements >= step[0])
    if name == "Saturn" and abs(look.ring_opening_deg or 0.0) < _THIN_RINGS_DEG:
        words = words.split(",")[0] if elements < 3.5 else "the rings edge-on, a thin line; the broadest belts at most"
    return Expectation(worth, detail, words)


def _of_the_sun(element_arcsec: float, solar_filter: bool) -> Expectation:
    if not solar_filter:
        return Expectation(NO, False, "no full-aperture solar filter is listed for this telescope: leave the Sun alone")
    if element_arcsec < _GRANULE_ARCSEC:
        return Expectation(YES, True, "spots with structure in their penumbrae, granulation in the best moments")
    return Expectation(YES, True, "spots with penumbrae, bright faculae near the limb; granulation hardly")


def _of_the_moon(look: Look, element_arcsec: float) -> Expectation:
    km = _CRATER_ELEMENTS * element_arcsec / 206265.0 * look.distance_au * AU_KM
    if (look.lit_fraction or 0.0) < _DARKEST_MOON:
        return Expectation(NO, False, "a hair-thin crescent close to the Sun")
    return Expectation(YES, True, f"craters from {km:.0f} km across, along the terminator best")
