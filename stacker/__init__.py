"""stillair: lucky imaging of planets, the Moon and the filtered Sun, from capture to finished, measured picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stacker.version import __version__

if TYPE_CHECKING:
    from stacker.alignment import align
    from stacker.calibration import calibrate
    from stacker.capture import open_capture
    from stacker.keeping import keep_curve
    from stacker.pipeline import measure, process
    from stacker.ranking import rank
    from stacker.sharpening import sharpen
    from stacker.stacking import stack

__all__ = [
    "__version__",
    "align",
    "calibrate",
    "keep_curve",
    "measure",
    "open_capture",
    "process",
    "rank",
    "sharpen",
    "stack",
]

_HOMES = {
    "open_capture": "stacker.capture",
    "calibrate": "stacker.calibration",
    "rank": "stacker.ranking",
    "align": "stacker.alignment",
    "stack": "stacker.stacking",
    "sharpen": "stacker.sharpening",
    "measure": "stacker.pipeline",
    "process": "stacker.pipeline",
    "keep_curve": "stacker.keeping",
}
"""The public names, in pipeline order; each is loaded when it is first asked for, so that the command starts fast."""


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value
