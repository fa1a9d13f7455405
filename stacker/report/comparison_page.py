"""The page of a comparison: the verdicts in words, the pictures in one view, what differs by more than its error."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path

import numpy as np

from stacker.logbook import LoggedRun
from stacker.logbook.comparison_record import (
    BETTER,
    CANNOT_TELL,
    NO_DIFFERENCE,
    WORSE,
    Comparison,
    Difference,
    Group,
    Row,
)
from stacker.logbook.comparison_words import ranking_of
from stacker.logbook.fairness import Fairness
from stacker.logbook.typical import typical_run, typical_runs
from stacker.report.comparison_pictures import views_of
from stacker.report.comparison_plots import MOST_ROWS, comparison_plots
from stacker.report.drawing import check_plots
from stacker.report.markup import Markup, Part, element, join
from stacker.report.night_page import link_to
from stacker.report.numbers import with_error
from stacker.report.page import cautions, page, section, write_page
from stacker.report.pictures import data_address
from stacker.report.run_words import called, cautions_of, name_of, sized, telescope_of, when_of
from stacker.report.seeing_figures import seeing_figures

_MOST_PICTURES, _MOST_RUNS = 12, 300


def write_comparison_page(comparison: Comparison, out: Path | str) -> Path:
    """Write the page of a comparison as the file `out`; the same runs give the same bytes.

    Raises OutputError where it cannot be written, SettingsError where matplotlib is missing.
    """
    check_plots()
    return write_page(Path(out), comparison_page(comparison, Path(out).parent))


def comparison_page(comparison: Comparison, folder: Path) -> str:
    """Return the page as HTML; links are relative to `folder`."""
    runs = comparison.runs
    shown = _shown(comparison)
    body = join(
        _verdicts(comparison),
        _pictures(shown, folder),
        section(
            "What was reached, and what could be",
            element("div", *comparison_plots(comparison, _judged(comparison, shown)), class_="plots"),
        ),
        _seeing(runs),
        section("Figures", _means(comparison), _rankings(comparison), _notes(comparison)),
        section("Differences", *_differences(comparison)),
        section("Runs", _runs(comparison, folder)),
    )
    title = f"Compared by {comparison.by}" if comparison.by != "run" else f"{len(runs)} runs compared"
    told = zip(runs.told("target"), runs.told("capture"), strict=True)
    targets = sorted({target or capture for target, capture in told})
    under = " · ".join([f"{len(runs)} runs", *(targets if len(targets) <= 6 else [f"{len(targets)} targets"])])
    head = join(cautions(cautions_of(runs)), element("h1", title), element("p", under, class_="under"))
    return page(f"{title}: stillair report", head=head, body=body)


def label_of_group(comparison: Comparison, group: Group) -> str:
    """Return what a group is called: a run by its telescope and folder, else by what its runs share."""
    if comparison.by != "run":
        return group.label
    run = group.runs[0]
    return f"{run.telescope or name_of(run)}, {run.folder.name}"


def _shown(comparison: Comparison) -> list[tuple[str, LoggedRun]]:
    """Return the runs that stand for the groups where pictures are shown, under the names of their groups."""
    names = {group.label: label_of_group(comparison, group) for group in comparison.groups}
    return [(names[label], run) for label, run in typical_runs(comparison)[:_MOST_PICTURES]]


def _judged(comparison: Comparison, shown: list[tuple[str, LoggedRun]]) -> list[tuple[str, Fairness]]:
    """Return a run of each group against its limits: the one whose picture is shown, else a typical one."""
    named = [(label_of_group(comparison, group), group) for group in comparison.groups[:MOST_ROWS]]
    unseen = [(label, typical_run(group.runs)) for label, group in named if label not in dict(shown)]
    place_of = {id: place for place, id in enumerate(comparison.runs.told("id"))}
    return [(label, comparison.fairness.of(place_of[run.id])) for label, run in [*shown, *unseen]]


def _verdicts(comparison: Comparison) -> Markup:
    told = [found for row in comparison.rows for found in row.differences]
    differ = [found.sentence for found in told if found.verdict not in (NO_DIFFERENCE, CANNOT_TELL)]
    same = [found.sentence for found in told if found.verdict == NO_DIFFERENCE]
    count = {0: "none exceeds its error", 1: "one exceeds its error"}.get(
        len(differ), f"{len(differ)} exceed their errors"
    )
    lead = f"Of {comparison.looked_at} differences that were looked at, {count}."
    first = element("ul", *(element("li", _named(comparison, words)) for words in differ)) if differ else None
    rest = None
    if same:
        items = element("ul", *(element("li", _named(comparison, words)) for words in same))
        rest = element("details", element("summary", f"No difference was found in {len(same)}"), items)
    return join(element("p", lead, class_="lead"), first, rest)


def _named(comparison: Comparison, words: str) -> str:
    """Return a sentence with runs by their names instead of their digits."""
    if comparison.by == "run":
        for group in comparison.groups:
            words = words.replace(group.label, label_of_group(comparison, group))
    return words[:1].upper() + words[1:]


def _pictures(shown: list[tuple[str, LoggedRun]], folder: Path) -> Part:
    seen = views_of([run for _, run in shown])
    if seen is None:
        return None
    runs, common = seen
    names = {run.id: label for label, run in shown}
    words = [_told(names[run.id], run) for run in runs]
    images = [
        {"src": data_address(picture), "alt": f"{name_of(run)}, {said}"}
        for run, picture, said in zip(runs, common.pictures, words, strict=True)
    ]
    side = (
        element("figure", element("img", **image), element("figcaption", link_to(run, folder, said)))
        for run, image, said in zip(runs, images, words, strict=True)
    )
    scale = "At one scale on the sky" if common.scale_arcsec_per_px else "At one scale"
    stand = "north up and east left" if common.north_up else "the same way up as the first"
    return section(
        "Side by side",
        element("p", "; ".join([f"{scale}, {stand}", *common.notes]) + ".", class_="note"),
        element("div", *side, class_="side"),
        _blinking(images, words),
    )


def _seeing(runs: Sequence[LoggedRun]) -> Part:
    figures, words = seeing_figures(runs)
    return section("Seeing over the sessions", words, element("div", *figures, class_="plots")) if figures else None


def _blinking(images: list[dict[str, str]], words: list[str]) -> Markup:
    pictures = (
        element("img", **image, data_words=said, class_="" if number else "seen")
        for number, (image, said) in enumerate(zip(images, words, strict=True))
    )
    buttons = element(
        "div",
        element("button", "Blink", type="button", data_blinks="blink", aria_pressed="false"),
        element("button", "Back", type="button", data_steps="blink", data_by=-1),
        element("button", "Next", type="button", data_steps="blink", data_by=1),
        class_="choices",
    )
    caption = element("figcaption", words[0], aria_live="polite")
    return join(element("h3", "One over the other", class_="apart"), buttons,
                element("figure", *pictures, caption, class_="blink", id="blink"))  # fmt: skip


def _told(label: str, run: LoggedRun) -> str:
    size = sized(run)
    return " · ".join(filter(None, (label, when_of(run), size and f"details down to {size}")))


def _means(comparison: Comparison) -> Markup:
    labels = (element("th", label_of_group(comparison, group), scope="col") for group in comparison.groups)
    head = element("tr", element("th", ""), *labels)
    rows = [*(_row(row) for row in comparison.rows), *_limited(comparison)]
    return _wide(element("table", element("thead", head), element("tbody", *rows)), "Figures")


def _row(row: Row) -> Markup:
    first = _best(row)
    cells = []
    for place, (mean, count) in enumerate(zip(row.means, row.counts, strict=True)):
        told = "–" if mean is None else with_error(mean.value, mean.error, _unit(row))
        more = element("small", f"{count} runs") if count > 1 else None
        cells.append(element("td", told, more, class_="best" if place == first else None))
    return element("tr", element("th", row.figure.words, scope="row"), *cells)


def _limited(comparison: Comparison) -> Iterator[Markup]:
    """Yield what limited each group most, where that is known."""
    if any(group.limits for group in comparison.groups):
        told = (group.limits[0] if group.limits else None for group in comparison.groups)
        cells = (element("td", "–" if one is None else f"{one[0]}, {100 * one[1].value:.0f} %") for one in told)
        yield element("tr", element("th", "limited most by", scope="row"), *cells)


def _rankings(comparison: Comparison) -> Markup:
    """Return the groups in order, figure by figure."""
    labels = [label_of_group(comparison, group) for group in comparison.groups]
    rows = (
        element("tr", element("th", row.figure.words, scope="row"), element("td", ranking_of(row, labels)))
        for row in comparison.rows
        if row.order and row.figure.better
    )
    words = "Best first: > where neighbours differ by more than their errors, = where they do not."
    return join(element("h3", "In order", class_="apart"), element("p", words, class_="note"),
                element("table", element("tbody", *rows)))  # fmt: skip


def _best(row: Row) -> int | None:
    """Return the group that is best in a figure and better than some other by more than the errors."""
    if not row.order:
        return None
    wins = {found.one for found in row.differences if found.verdict == BETTER}
    wins |= {found.other for found in row.differences if found.verdict == WORSE}
    return row.order[0] if row.order[0] in wins else None


def _differences(comparison: Comparison) -> Iterator[Part]:
    words = ("figure", "one", "other", "ratio or difference", "verdict of one", "chance")
    head = element("tr", *(element("th", word, scope="col") for word in words))
    told = [(row, found) for row in comparison.rows for found in row.differences if found.verdict != CANNOT_TELL]
    rows = (element("tr", *_cells(comparison, row, found)) for row, found in told)
    untold = [row.figure.words for row in comparison.rows if all(f.verdict == CANNOT_TELL for f in row.differences)]
    explained = (
        "A difference counts where so much comes about by chance, all that was looked at taken together, in less than "
        f"{100 * comparison.alpha:.0f} % of comparisons without any true one. What stands without a unit is one over "
        "the other, what has one is their difference."
    )
    yield element("p", explained, class_="note")
    if told:
        yield _wide(element("table", element("thead", head), element("tbody", *rows)), "Differences")
    if untold:
        yield element(
            "p", f"Cannot be told, for want of error bars or of common ground: {', '.join(untold)}.", class_="note"
        )


def _cells(comparison: Comparison, row: Row, found: Difference) -> Iterator[Markup]:
    one, other = (label_of_group(comparison, comparison.groups[place]) for place in (found.one, found.other))
    size = with_error(found.value, found.error, "" if row.figure.relative else _unit(row))
    chance = found.chance_of_many
    yield element("th", row.figure.words, scope="row")
    yield from (element("td", word) for word in (one, other, size))
    kind = {NO_DIFFERENCE: "no", WORSE: "worse"}.get(found.verdict, "yes")
    yield element("td", found.verdict, class_=kind)
    yield element("td", "–" if not np.isfinite(chance) else "< 0.001" if chance < 0.001 else f"{chance:.3f}")


def _unit(row: Row) -> str:
    return row.figure.unit.replace('"', "″")


def _runs(comparison: Comparison, folder: Path) -> Markup:
    columns = ("run", "start", "telescope", "resolution", "limits", "air, D/r0", "seeing", "over the usual")
    head = element("tr", *(element("th", words, scope="col") for words in columns))
    rows = (
        element("tr", *(element("td", cell) for cell in _run_cells(fair, folder)))
        for fair in islice(comparison.fairness, _MOST_RUNS)
    )
    table = _wide(element("table", element("thead", head), element("tbody", *rows)), "Runs")
    more = len(comparison.fairness) - _MOST_RUNS
    return join(table, element("p", f"and {more} more", class_="note") if more > 0 else None)


def _run_cells(fair: Fairness, folder: Path) -> Iterator[Part]:
    run = fair.run
    yield link_to(run, folder, called(run))
    yield when_of(run)
    yield telescope_of(run)
    yield sized(run) or "–"
    for found in (fair.over_diffraction, fair.d_over_r0):
        yield "–" if found is None else with_error(found.value, found.error)
    yield "–" if fair.seeing_arcsec is None else f"{fair.seeing_arcsec:.2f}″"
    yield "–" if fair.over_expected is None else with_error(fair.over_expected.value, fair.over_expected.error)


def _notes(comparison: Comparison) -> Part:
    return (
        element("ul", *(element("li", note) for note in comparison.notes), class_="note") if comparison.notes else None
    )


def _wide(table: Markup, words: str) -> Markup:
    return element("div", table, class_="wide", tabindex=0, role="region", aria_label=words)
