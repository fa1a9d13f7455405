"""curves.json: the curves behind the measurements, for plots and for other software.

The same input gives the same bytes: nothing here tells of the time of processing, and numbers have six digits.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np

SCHEMA_VERSION = 1
CURVE_KEYS = ("best_frame", "showing", "correlation", "limb", "warp")
"""Every key after `schema_version`, in the order of the file; null where there is no such curve."""


def write_curves(path: Path, curves: Mapping[str, Any]) -> None:
    """Write the curves as JSON (RFC 8259), a line a curve; what is not finite is null.

    Raises OSError where the disk refuses.
    """
    whole = {"schema_version": SCHEMA_VERSION, **{key: curves[key] for key in CURVE_KEYS}}
    lines = [f"{json.dumps(key)}: {json.dumps(_plain(value), allow_nan=False)}" for key, value in whole.items()]
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8", newline="\n")


def _plain(value: Any) -> Any:
    """Return a JSON value, numbers with six digits."""
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return float(f"{value:.6g}") + 0.0 if isfinite(value) else None
    return value
