"""The seeing of a site as a plot: by night, by hour, by altitude."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from stacker.logbook.sessions import AIRMASS_POWER, SeeingRecord, Spell
from stacker.plot_file import write_plot

_INK, _DOTS, _LINE = "#0072b2", "#8c8c8c", "#c04000"
"""Told apart by the colour-blind as well (Okabe & Ito 2008, Color Universal Design)."""
_MOST_LABELS = 16


def write_seeing_plot(path: Path, record: SeeingRecord) -> None:
    """Write the plot as PNG or SVG, whole or not at all.

    Raises SettingsError where a plot cannot be made, OSError where the disk refuses.
    """
    write_plot(path, (11.0, 8.0), lambda figure: draw_seeing(figure, record))


def draw_seeing(figure: Any, record: SeeingRecord) -> None:
    """Draw the three panels into a figure of matplotlib."""
    panels = figure.subplot_mosaic([["nights", "nights"], ["hours", "altitudes"]])
    _draw_spells(panels["nights"], record.nights)
    usual = record.usual_arcsec
    where = "in the zenith" if record.corrected else "where the targets stood"
    panels["nights"].set_title(f"seeing {where}, 500 nm (bar: middle half of the runs, dot: median with its error)")
    if usual is not None:
        panels["nights"].axhline(usual.value, color=_LINE, linestyle="--", label=f"usual {usual.value:.2f} arcsec")
        panels["nights"].legend()
    _draw_spells(panels["hours"], record.hours)
    panels["hours"].set_xlabel("hour by the Sun at the site")
    _draw_altitudes(panels["altitudes"], record)
    for axes in panels.values():
        axes.set_ylabel("arcsec")
        axes.set_ylim(bottom=0.0)
        axes.grid(alpha=0.3)


def _draw_spells(axes: Any, spells: Sequence[Spell]) -> None:
    for place, spell in enumerate(spells):
        axes.plot([place, place], spell.quartiles_arcsec, color=_INK, linewidth=7.0, alpha=0.3)
        axes.errorbar(place, spell.median_arcsec, spell.error_arcsec, color=_INK, fmt="o", capsize=3.0)
    every = -(-len(spells) // _MOST_LABELS) or 1
    labels = [spell.label for spell in spells][::every]
    turned = {"rotation": 30, "ha": "right"} if labels and len(labels[0]) > 5 else {}
    axes.set_xticks(range(0, len(spells), every), labels, **turned)


def _draw_altitudes(axes: Any, record: SeeingRecord) -> None:
    """Draw what was measured against altitude, and how the usual seeing grows towards the horizon."""
    import numpy as np

    from stacker.sky.refraction import air_mass

    altitude = record.runs.numbers("altitude_deg")
    known = np.isfinite(altitude)
    axes.set_xlabel("altitude in degrees")
    if not known.any():
        axes.text(0.5, 0.5, "no altitude is known", transform=axes.transAxes, ha="center")
        return
    seeing = record.runs.measured("seeing_arcsec").value[known]
    axes.plot(altitude[known], seeing, "o", color=_DOTS, markersize=4.0, label="as measured")
    if record.usual_arcsec is not None:
        altitudes = np.linspace(10.0, 90.0, 81)
        grown = [record.usual_arcsec.value * (air_mass(float(a)) or np.nan) ** AIRMASS_POWER for a in altitudes]
        axes.plot(altitudes, grown, color=_LINE, label="usual seeing times air mass to the power 0.6")
    axes.legend()
