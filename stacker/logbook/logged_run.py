"""One run as the logbook knows it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import floor, inf, log10
from pathlib import Path
from typing import Any, NamedTuple

MIDDLE_NM = 550.0
"""Taken where a capture names no wavelength."""


class Measured(NamedTuple):
    """A number and its error, one standard deviation; None where it has none."""

    value: float
    error: float | None = None

    def words(self, unit: str = "") -> str:
        """Return `value ± error`, to two digits of the error; without one three digits, or a whole number."""
        if self.error is None or not 0.0 < self.error < inf:
            return f"{self.value:.0f}{unit}" if abs(self.value) >= 1000 else f"{self.value:.3g}{unit}"
        digits = max(0, 1 - floor(log10(self.error)))
        return f"{self.value:.{digits}f} ± {self.error:.{digits}f}{unit}"


@dataclass(frozen=True)
class LoggedRun:
    """One run: what was recorded, with what, where, how it was processed, and what was measured."""

    id: str
    """Sixteen hex digits of what makes a run: capture, settings, circumstances, version."""
    folder: Path
    """Absolute; the run folder may have gone since."""
    processed_utc: str
    capture: str
    capture_sha256: str | None
    software_version: str | None
    kind: str | None
    """disc or surface."""
    night: str | None
    """Date of the evening, ISO 8601; before local noon it is the day before."""
    altitude_deg: float | None
    """Of the target above the horizon at the start; None where target, time or site are not known to the ephemeris."""
    airmass: float | None
    circumstances: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    """The tables of a sidecar: capture, telescope, camera, site."""
    settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    """By stage."""
    measured: Mapping[str, Measured] = field(default_factory=dict)
    """Every number of metrics.json by its key, and the shares of its limits as `limit_air` and so on."""
    metrics: Mapping[str, Any] = field(default_factory=dict)
    """metrics.json as it stands; empty where only the numbers were asked for."""

    @property
    def circumstances_text(self) -> str:
        """The circumstances as JSON."""
        return json.dumps(self.circumstances, ensure_ascii=False)

    @property
    def settings_text(self) -> str:
        """The settings as JSON: one text for the same settings."""
        return json.dumps(self.settings, ensure_ascii=False)

    def said(self, table: str, key: str) -> Any:
        """Return what is known of a sidecar's key; None where nothing is."""
        found = self.circumstances.get(table)
        return None if found is None else found.get(key)

    def value(self, name: str) -> float | None:
        """Return a measured number; None where it was not measured."""
        found = self.measured.get(name)
        return None if found is None else found.value

    @property
    def target(self) -> str | None:
        """What was recorded."""
        return self._text("capture", "target")

    @property
    def start_utc(self) -> str | None:
        """UTC of the first frame, ISO 8601."""
        return self._text("capture", "start_utc")

    @property
    def filter(self) -> str | None:
        """Name of the filter."""
        return self._text("capture", "filter")

    @property
    def telescope(self) -> str | None:
        """Name of the telescope, or its aperture where it has none."""
        aperture = self.aperture_mm
        return self._text("telescope", "name") or (None if aperture is None else f"{aperture:g} mm")

    @property
    def camera(self) -> str | None:
        """Name of the camera."""
        return self._text("camera", "name")

    @property
    def site(self) -> str | None:
        """Name of the site."""
        return self._text("site", "name")

    @property
    def aperture_mm(self) -> float | None:
        """Aperture of the telescope."""
        return self._number("telescope", "aperture_mm")

    @property
    def obstruction_mm(self) -> float | None:
        """Central obstruction of the telescope."""
        return self._number("telescope", "obstruction_mm")

    @property
    def latitude_deg(self) -> float | None:
        """Latitude of the site."""
        return self._number("site", "latitude_deg")

    @property
    def longitude_deg(self) -> float | None:
        """Longitude of the site, east positive."""
        return self._number("site", "longitude_deg")

    @property
    def wavelength_nm(self) -> float:
        """Middle of the band; of visible light where none is named."""
        return float(self.said("capture", "wavelength_nm") or MIDDLE_NM)

    def _text(self, table: str, key: str) -> str | None:
        told = self.said(table, key)
        return None if told is None else str(told)

    def _number(self, table: str, key: str) -> float | None:
        told = self.said(table, key)
        return None if told is None else float(told)
