"""Filters by their plain names: the band that each lets through, and which part of a colour picture it can be."""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Filter:
    """One kind of filter."""

    name: str
    """Short and plain: L, R, G, B, IR, CH4 ..."""
    band_nm: tuple[float, float]
    words: tuple[str, ...]
    """What people write for it, in small letters."""

    @property
    def middle_nm(self) -> float:
        """Return the middle of the band."""
        return 0.5 * (self.band_nm[0] + self.band_nm[1])


FILTERS = (
    Filter("L", (400.0, 700.0), ("l", "lum", "luminance", "clear")),
    Filter("R", (590.0, 690.0), ("r", "red")),
    Filter("G", (490.0, 580.0), ("g", "green")),
    Filter("B", (400.0, 510.0), ("b", "blue")),
    Filter("UV", (320.0, 390.0), ("uv", "ultraviolet")),
    Filter("IR", (690.0, 1000.0), ("ir", "infrared", "nir")),
    Filter("CH4", (880.0, 900.0), ("ch4", "methane")),
    Filter("Ha", (653.0, 660.0), ("ha", "halpha")),
    Filter("CaK", (390.0, 397.0), ("cak", "calcium")),
)
"""Half-height bands of photographic filters as they are sold for cameras (common practice, no source); methane's
absorption at 889 nm, hydrogen alpha 656.3 nm and calcium K 393.4 nm are textbook wavelengths."""


def filter_named(name: str | None) -> Filter | None:
    """Return the filter that a sidecar's or a header's name means; None where it is none of ours.

    Letters count, not case: 'Red', 'R', 'red 25' and 'IR 742' are known; a longer word must be one of the names.
    """
    if name is None:
        return None
    for word in re.findall(r"[a-z]+\d?", name.casefold()):
        for entry in FILTERS:
            if word in entry.words:
                return entry
    return None


def filter_in_name(stem: str) -> tuple[Filter | None, str]:
    """Return the filter that a file name tells, and the name without it, which the set's other files share.

    >>> found, rest = filter_in_name("jupiter_2031-04-05_R")
    >>> found.name, rest
    ('R', 'jupiter_2031-04-05')

    A word of its own counts, set off by anything but letters and digits or written in capitals after small letters;
    of several the last.
    """
    words = list(re.finditer(r"[A-Za-z]+\d*|\d+", stem))
    for found in reversed(words):
        meant = next((entry for entry in FILTERS if found.group().casefold() in entry.words), None)
        if meant is not None:
            rest = stem[: found.start()] + stem[found.end() :]
            return meant, re.sub(r"([-_ .])[-_ .]+", r"\1", rest).strip("-_ .")
    return None, stem
