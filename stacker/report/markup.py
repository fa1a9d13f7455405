"""HTML whose text is escaped unless it says that it is markup already."""

from __future__ import annotations

import html


class Markup(str):
    """Text that is HTML."""

    __slots__ = ()


Part = str | None
"""Text (escaped), Markup (as it is) or None (left out)."""
_VOID = frozenset(("br", "hr", "img", "input", "link", "meta"))


def element(name: str, /, *parts: Part, **attributes: str | int | float | bool | None) -> Markup:
    """Return `<name attributes>parts</name>`; text and attribute values are escaped, Markup is not.

    Attributes that are None or False are left out, True stands alone; a trailing underscore is dropped (`class_`) and
    inner ones become hyphens (`aria_label`).

    >>> element("p", "a < b", class_="note")
    '<p class="note">a &lt; b</p>'
    """
    opening = "".join(f" {_attribute(key, value)}" for key, value in attributes.items() if value not in (None, False))
    if name in _VOID:
        return Markup(f"<{name}{opening}>")
    return Markup(f"<{name}{opening}>{join(*parts)}</{name}>")


def join(*parts: Part) -> Markup:
    """Return the parts one after the other, text escaped."""
    return Markup(
        "".join(part if isinstance(part, Markup) else html.escape(part) for part in parts if part is not None)
    )


def _attribute(key: str, value: object) -> str:
    name = key.rstrip("_").replace("_", "-")
    return name if value is True else f'{name}="{html.escape(str(value))}"'
