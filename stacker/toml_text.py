"""TOML out: the tables that `tomllib` reads back to the same values (TOML 1.0)."""

from __future__ import annotations

import json
from collections.abc import Mapping

Value = str | bool | int | float


def toml_value(value: Value) -> str:
    """Return one value as TOML: text quoted and escaped, numbers so that they read back exactly."""
    if isinstance(value, str):
        # JSON and TOML escape alike, but for DEL, which TOML wants escaped and JSON leaves alone.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(value).lower() if isinstance(value, bool) else repr(value)


def toml_table(name: str, values: Mapping[str, Value | None], comments: Mapping[str, str] | None = None) -> str:
    """Return `[name]` with a line a value, each under its comment; values that are None are left out."""
    lines = [f"[{name}]"]
    for key, value in values.items():
        if value is not None:
            comment = (comments or {}).get(key)
            lines += [f"# {comment}"] if comment else []
            lines.append(f"{key} = {toml_value(value)}")
    return "\n".join(lines) + "\n"
