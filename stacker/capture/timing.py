"""UTC of frames: reading ISO 8601 and spacing frames from the first."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.datetime64]


def moment_from_text(text: str) -> datetime | None:
    """Return UTC of an ISO 8601 date and time, or None where `text` is none.

    A time without a zone is UTC, as FITS 4.0 section 9.2 has it. More than six decimals are cut.
    """
    trimmed = re.sub(r"(\.\d{6})\d+", r"\1", text.strip())
    try:
        moment = datetime.fromisoformat(trimmed)
    except ValueError:
        return None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def utc_from_text(text: str) -> np.datetime64 | None:
    """Return `moment_from_text` as datetime64[us]."""
    moment = moment_from_text(text)
    return None if moment is None else np.datetime64(moment.replace(tzinfo=None), "us")


def text_from_utc(moment: np.datetime64) -> str:
    """Return ISO 8601 with a final Z, the inverse of `utc_from_text`."""
    return f"{np.datetime_as_string(moment, unit='us')}Z"


def times_from_offsets(start_utc: str | None, offsets_s: NDArray[np.float64] | None) -> Times | None:
    """Return UTC of each frame from the first frame's UTC and offsets in seconds; None where either is unknown."""
    start = utc_from_text(start_utc) if start_utc else None
    if start is None or offsets_s is None:
        return None
    return start + np.round(offsets_s * 1e6).astype("timedelta64[us]")
