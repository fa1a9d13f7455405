"""Numbers as a person reads them: with as many digits as their error leaves."""

from __future__ import annotations

import math
from typing import Any

PLUS_MINUS = "\u2009±\u2009"
NARROW_SPACE = "\u202f"
_CLOSE = ("", "″", "°")
"""Units that follow a number without a space."""


def is_number(value: Any) -> bool:
    """Tell whether a value of a JSON file is a finite number."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def with_error(value: float, error: float | None, unit: str = "") -> str:
    """Return `value ± error unit`: the error with two digits where it begins with 1, else one; the value to match.

    Common practice in laboratories, no source. Without an error the value has three digits, a whole number all of its.
    """
    told = plain(value) if not error or not math.isfinite(error) else _rounded(value, error)
    return f"{told}{'' if unit[:1] in _CLOSE else NARROW_SPACE}{unit}"


def plain(value: float) -> str:
    """Return a number with three significant digits, whole numbers with all of theirs."""
    if isinstance(value, int) or abs(value) >= 1000:
        return f"{value:.0f}"
    if value == 0:
        return "0"
    places = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{value:.{places}f}" if places < 8 else f"{value:.2e}"


def _rounded(value: float, error: float) -> str:
    exponent = math.floor(math.log10(error))
    places = max(0, -exponent + (1 if error / 10.0**exponent < 1.95 else 0))
    if places > 7:
        return f"{value:.3e}{PLUS_MINUS}{error:.1e}"
    return f"{value:.{places}f}{PLUS_MINUS}{error:.{places}f}"
