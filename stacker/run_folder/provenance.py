"""What made a run: digests by which finished work is known again."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from stacker.capture import Capture, Circumstances
from stacker.capture.circumstances import tables_from_circumstances
from stacker.capture.fingerprint import fingerprint
from stacker.capture.sequence import CaptureError
from stacker.settings import Settings
from stacker.settings_file import dump_settings
from stacker.version import __version__

_CALIBRATION = ("dark", "flat", "bias")


def provenance(capture: Capture, settings: Settings, overrides: Circumstances | None) -> dict[str, Any]:
    """Return `capture_sha256` (of the frames), `work_sha256` (of all that decides the result) and `circumstances`.

    `work_sha256` covers frames, what header, sidecar and `overrides` say (calibration files by their content), settings
    and software version: an equal digest means an equal result. Raises CaptureError for what cannot be read.
    """
    frames = fingerprint(capture.path)
    said = asdict(capture.circumstances)
    for kind in _CALIBRATION:
        said[kind] = said[kind] and _digest_of(Path(said[kind]))
    decisive = [frames, said, dump_settings(settings, overrides), __version__]
    text = json.dumps(decisive, sort_keys=True, ensure_ascii=True)
    return {
        "capture_sha256": frames,
        "work_sha256": hashlib.sha256(text.encode()).hexdigest(),
        "circumstances": tables_from_circumstances(capture.circumstances),
    }


def _digest_of(calibration: Path) -> str:
    try:
        return fingerprint(calibration)
    except CaptureError:
        return "not there"
