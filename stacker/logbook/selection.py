"""Which runs are meant: by target, telescope, camera, site, filter and date."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields

from stacker.settings import SettingsError

_DATE = re.compile(r"\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01]))?)?")


@dataclass(frozen=True)
class Selection:
    """Every field that is given must fit; capitals do not count and `*` stands for any letters."""

    target: str | None = None
    telescope: str | None = None
    camera: str | None = None
    site: str | None = None
    filter: str | None = None
    date: str | None = None
    """The evening's date, month or year, or two of them with `..` between; either may be missing."""

    def __post_init__(self) -> None:
        """Raise SettingsError for a date that is none."""
        if self.date is not None:
            date_range(self.date)

    def where(self) -> tuple[str, list[str]]:
        """Return the condition in SQL, with `folded` a function that folds capitals, and its values."""
        terms, values = [], []
        for item in fields(self):
            told = getattr(self, item.name)
            if told is not None and item.name != "date":
                terms.append(f"folded(runs.{item.name}) GLOB ?")
                values.append(_pattern(told))
        if self.date is not None:
            low, high = date_range(self.date)
            terms.append("runs.night BETWEEN ? AND ?")
            values += [low, high]
        return " AND ".join(terms) or "1", values


def date_range(text: str) -> tuple[str, str]:
    """Return the first and last date that `2031`, `2031-04`, `2031-04-05` or `2031-04..2031-06` means, as text.

    They are for comparing text: 30 February may be an end. Raises SettingsError for anything else.
    """
    first, dots, last = text.partition("..")
    if not dots:
        last = first
    if not (first or last) or any(part and not _DATE.fullmatch(part) for part in (first, last)):
        raise SettingsError(
            f"the command line: --date is {text!r}; give 2031-04-05, 2031-04 or 2031, or two with '..' between"
        )
    return first or "0000", (last or "9999") + "~"


def _pattern(told: str) -> str:
    """Return a pattern of GLOB in which only `*` has a meaning."""
    return "".join(f"[{letter}]" if letter in "?[" else letter for letter in told.casefold())
