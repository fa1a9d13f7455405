"""A capture of the night, opened for a look: what it holds and what is known about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from stacker.capture import Capture, CaptureError, Circumstances, open_capture
from stacker.capture.timing import utc_from_text
from stacker.night.discovery import Candidate

_CALIBRATION = ("dark", "flat", "bias")


@dataclass(frozen=True)
class Found:
    """One capture; where `fault` is not empty it cannot be used, and the rest is not known."""

    path: Path
    fault: str = ""
    """One line: the file, what is wrong, what to do."""
    frames: int = 0
    height_px: int = 0
    width_px: int = 0
    planes: int = 1
    """3 for colour, mosaics included."""
    start_utc: datetime | None = None
    span_s: float = 0.0
    notes: tuple[str, ...] = ()
    circumstances: Circumstances = field(default_factory=Circumstances)

    @property
    def pixels(self) -> int:
        """Return the pixels of one frame, times its colours."""
        return self.height_px * self.width_px * self.planes


def look(candidate: Candidate, overrides: Circumstances | None = None) -> Found | None:
    """Open a candidate and tell what it is; None where it is no capture and does not claim to be one."""
    if candidate.fault:
        return Found(candidate.path, candidate.fault)
    try:
        with open_capture(candidate.path, overrides) as capture:
            return _described(capture)
    except CaptureError as error:
        return Found(candidate.path, str(error)) if candidate.claims else None


def without_calibration(found: Sequence[Found]) -> tuple[list[Found], list[Path]]:
    """Return the captures without the darks, flats and biases that sidecars name, and the paths of the latter."""
    named = {
        Path(said).resolve()
        for entry in found
        for kind in _CALIBRATION
        if (said := getattr(entry.circumstances, kind)) is not None
    }

    def is_calibration(path: Path) -> bool:
        whole = path.resolve()
        return whole in named or any(parent in named for parent in whole.parents)

    return (
        [entry for entry in found if not is_calibration(entry.path)],
        [entry.path for entry in found if is_calibration(entry.path)],
    )


def _described(capture: Capture) -> Found:
    times = capture.times_utc
    span_s = 0.0 if times is None else float((times[-1] - times[0]).astype("timedelta64[us]").astype(int)) / 1e6
    return Found(
        path=capture.path,
        frames=len(capture),
        height_px=capture.shape[0],
        width_px=capture.shape[1],
        planes=3 if capture.mosaic or len(capture.shape) == 3 else 1,
        start_utc=_start(capture),
        span_s=span_s,
        notes=capture.notes,
        circumstances=capture.circumstances,
    )


def _start(capture: Capture) -> datetime | None:
    said = capture.circumstances.start_utc
    moment = utc_from_text(said) if said else None if capture.times_utc is None else capture.times_utc[0]
    if moment is None:
        return None
    told = moment.astype("datetime64[us]").item()
    return told.replace(tzinfo=UTC) if isinstance(told, datetime) else None
