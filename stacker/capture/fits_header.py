"""FITS headers: cards to values, and where each header-data unit's data lie (FITS standard 4.0, sections 3 and 4)."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from stacker.capture.positioned import PositionedFile
from stacker.capture.sequence import CaptureError

BLOCK_BYTES = 2880
CARD_BYTES = 80
_LONGEST_HEADER_BLOCKS = 2000
_QUOTED = re.compile(r"\s*'((?:[^']|'')*)'")

Value = str | bool | int | float | None


@dataclass(frozen=True)
class Unit:
    """One header-data unit."""

    cards: dict[str, Value]
    comments: dict[str, str]
    data_offset: int
    data_bytes: int

    def number(self, *keywords: str) -> float | None:
        """Return the first of `keywords` that holds a finite number."""
        for keyword in keywords:
            value = self.cards.get(keyword)
            if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
                return float(value)
        return None

    def text(self, *keywords: str) -> str | None:
        """Return the first of `keywords` that holds text which is not blank."""
        for keyword in keywords:
            value = self.cards.get(keyword)
            if isinstance(value, str) and value.strip():
                return value.strip()
        return None

    @property
    def axes(self) -> tuple[int, ...]:
        """Return NAXIS1, NAXIS2, ...: the fastest axis first."""
        count = int(self.number("NAXIS") or 0)
        return tuple(int(self.number(f"NAXIS{axis}") or 0) for axis in range(1, count + 1))


def units(file: PositionedFile) -> Iterator[Unit]:
    """Yield the header-data units of a FITS file in order.

    Raises CaptureError where a header has no END within the file.
    """
    offset = 0
    while offset < file.size:
        if offset and file.read(offset, 8) != b"XTENSION":
            return
        unit = _read_unit(file, offset)
        yield unit
        offset = unit.data_offset + -(-unit.data_bytes // BLOCK_BYTES) * BLOCK_BYTES


def _read_unit(file: PositionedFile, offset: int) -> Unit:
    cards: dict[str, Value] = {}
    comments: dict[str, str] = {}
    for block_number in range(_LONGEST_HEADER_BLOCKS):
        block = file.read(offset + block_number * BLOCK_BYTES, BLOCK_BYTES)
        if len(block) < CARD_BYTES:
            break
        for start in range(0, len(block) - CARD_BYTES + 1, CARD_BYTES):
            card = block[start : start + CARD_BYTES].decode("latin-1")
            keyword = card[:8].rstrip()
            if keyword == "END":
                end = offset + (block_number + 1) * BLOCK_BYTES
                return Unit(cards, comments, end, _data_bytes(cards))
            if card[8:10] == "= " and keyword not in cards:
                cards[keyword], comments[keyword] = _value(card[10:])
    raise CaptureError(file.path, "its FITS header has no end", "the file is cut short: restore it from a copy")


def _value(field: str) -> tuple[Value, str]:
    """Return value and comment of the field after `KEYWORD = ` (section 4.2)."""
    quoted = _QUOTED.match(field)
    if quoted:
        comment = field[quoted.end() :].partition("/")[2].strip()
        return quoted[1].replace("''", "'").rstrip(), comment
    text, _, comment = field.partition("/")
    text = text.strip()
    if text in ("T", "F"):
        return text == "T", comment.strip()
    try:
        return int(text), comment.strip()
    except ValueError:
        pass
    try:
        return float(text.upper().replace("D", "E")), comment.strip()
    except ValueError:
        return None, comment.strip()


def _data_bytes(cards: dict[str, Value]) -> int:
    """Return the size of the data: |BITPIX|/8 GCOUNT (PCOUNT + NAXIS1 NAXIS2 ...), equation 2 of section 4.4.1."""

    def whole(keyword: str, default: int) -> int:
        value = cards.get(keyword, default)
        return int(value) if isinstance(value, (int, float)) else default

    axes = [whole(f"NAXIS{axis}", 0) for axis in range(1, whole("NAXIS", 0) + 1)]
    if not axes:
        return 0
    if axes[0] == 0 and cards.get("GROUPS") is True:
        axes = axes[1:]
    elements = whole("PCOUNT", 0) + math.prod(axes)
    return abs(whole("BITPIX", 8)) // 8 * whole("GCOUNT", 1) * elements
