"""Cards of a FITS header (FITS standard 4.0, section 4): 80 characters each, a keyword, its value, a comment."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable

BLOCK_BYTES = 2880
_CARD = 80
_LONGEST_TEXT = 67
"""Characters of a quoted value on one card, with room for the ampersand that announces the next (section 4.2.1.2)."""

Value = str | bool | int | float | None


def cards(keyword: str, value: Value, comment: str = "") -> list[str]:
    """Return the cards of one keyword, in fixed format; long text runs on in CONTINUE cards.

    Text is reduced to ASCII, accents dropped. None gives a card without a value (section 4.1.2.3); so does a number
    that is not finite, which the standard cannot hold.
    """
    if isinstance(value, str):
        return _text_cards(keyword, _ascii(value), _ascii(comment))
    return [_card(f"{keyword:<8}= {_fixed(value):>20}", _ascii(comment))]


def header_block(lines: Iterable[str]) -> bytes:
    """Return the cards with END, padded with blanks to whole blocks."""
    text = "".join([*lines, "END".ljust(_CARD)])
    return text.ljust(-(-len(text) // BLOCK_BYTES) * BLOCK_BYTES).encode("ascii")


def _fixed(value: bool | int | float | None) -> str:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, bool):
        return "T" if value else "F"
    return repr(value).upper()


def _text_cards(keyword: str, text: str, comment: str) -> list[str]:
    quoted = text.replace("'", "''")
    if len(quoted) <= _LONGEST_TEXT + 1:
        return [_card(f"{keyword:<8}= {_quote(quoted)}", comment)]
    pieces = _pieces(quoted)
    lines = [f"{keyword:<8}= {_quote(pieces[0] + '&')}"]
    lines += [f"CONTINUE  {_quote(piece + '&')}" for piece in pieces[1:-1]]
    return [line.ljust(_CARD) for line in lines] + [_card(f"CONTINUE  {_quote(pieces[-1])}", comment)]


def _pieces(quoted: str) -> list[str]:
    """Cut text that is escaped already; a doubled quote stays on one card."""
    pieces = []
    while quoted:
        end = _LONGEST_TEXT
        piece = quoted[:end]
        if len(quoted) > end and (len(piece) - len(piece.rstrip("'"))) % 2:
            piece = piece[:-1]
        pieces.append(piece)
        quoted = quoted[len(piece) :]
    return pieces


def _quote(text: str) -> str:
    return f"'{text.ljust(8)}'"


def _card(start: str, comment: str) -> str:
    return (f"{start} / {comment}" if comment else start).ljust(_CARD)[:_CARD]


def _ascii(text: str) -> str:
    plain = unicodedata.normalize("NFKD", text)
    bare = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return "".join(letter if " " <= letter <= "~" else "?" for letter in bare)
