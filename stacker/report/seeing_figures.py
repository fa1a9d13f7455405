"""Seeing over sessions as figures of a page: by night, by hour, by altitude."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from stacker.logbook import LoggedRun
from stacker.logbook.sessions import SeeingRecord, Spell, seeing_record
from stacker.report.drawing import ACCENT, INK, VEIL, drawn
from stacker.report.markup import Markup, Part, element
from stacker.report.numbers import with_error

_MOST_SPELLS = 20
_MOST_LETTERS = 42


def seeing_figures(runs: Sequence[LoggedRun]) -> tuple[list[Markup], Part]:
    """Return a figure of each way of sorting that tells at least two apart, and a sentence; nothing of few runs."""
    record = seeing_record(runs)
    kinds = (
        ("nights", "Night by night", "night", record.nights[-_MOST_SPELLS:]),
        ("hours", "Hour by hour", "hour by the Sun at the site", record.hours),
        ("altitudes", "By altitude", "altitude, degrees", record.altitudes),
    )
    figures = [
        _figure(f"seeing-{name}", title, label, spells, record.corrected > 0)
        for name, title, label, spells in kinds
        if len(spells) > 1
    ]
    return figures, _sentence(record) if figures else None


def _figure(name: str, title: str, label: str, spells: Sequence[Spell], corrected: bool) -> Markup:
    zenith = " in the zenith" if corrected else ""

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        for place, spell in enumerate(spells):
            axes.plot([place, place], spell.quartiles_arcsec, color=VEIL, linewidth=9, solid_capstyle="butt")
            axes.errorbar(
                place, spell.median_arcsec, spell.error_arcsec, color=ACCENT, fmt="o", markersize=6, capsize=2
            )
            if corrected:
                axes.plot(place, spell.as_measured_arcsec, "_", color=INK, markersize=9)
        labels = _short([spell.label for spell in spells])
        every = -(-len(labels) * max(map(len, labels)) // _MOST_LETTERS)
        axes.set_xticks(range(0, len(labels), every), labels[::every])
        axes.set(xlabel=label, ylabel=f"seeing{zenith}, arcsec", xlim=(-0.6, len(spells) - 0.4))
        axes.set_ylim(bottom=0.0)
        axes.grid(axis="x", visible=False)

    words = f"Seeing{zenith} of {sum(spell.runs for spell in spells)} runs, {label} on the axis."
    caption = f"Dot: median{zenith} with its error; band: the middle half of the runs"
    caption += "; dash: as measured, uncorrected." if corrected else "."
    return element("figure", element("h3", title), drawn(name, words, draw), element("figcaption", caption))


def _short(labels: Sequence[str]) -> list[str]:
    """Return labels without what all of them share, or the axis says."""
    years = {label[:5] for label in labels}
    same_year = len(years) == 1 and all(label[4:5] == "-" for label in labels)
    return [(label[5:] if same_year else label).replace(" to ", "–").removesuffix(" deg") for label in labels]


def _sentence(record: SeeingRecord) -> Markup:
    lifted = f"{record.corrected} of them corrected to the zenith" if record.corrected else "as measured"
    told = [f"Seeing of {len(record.runs)} runs at 500 nm, {lifted}."]
    if record.usual_arcsec is not None:
        told.append(f"Usual: {with_error(record.usual_arcsec.value, record.usual_arcsec.error, '″')}.")
    if record.airmass_power is not None:
        power = with_error(record.airmass_power.value, record.airmass_power.error)
        told.append(f"It grew with the air mass to the power {power}; theory has 0.6.")
    return element("p", " ".join(told))
