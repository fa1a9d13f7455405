"""The page of a night: every run below one folder, what each reached, and how the night went."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from stacker.capture.sequence import CaptureError
from stacker.logbook import LoggedRun, read_run
from stacker.logbook.standing import moment_from
from stacker.report.drawing import check_plots
from stacker.report.markup import Markup, Part, element, join
from stacker.report.night_plots import night_plots
from stacker.report.numbers import with_error
from stacker.report.page import cautions, page, section, write_page
from stacker.report.pictures import thumbnail
from stacker.report.run_words import (
    air_is_left_out,
    called,
    cautions_of,
    limits_of,
    name_of,
    sized,
    telescope_of,
    when_of,
)

PAGE_NAME = "report.html"
_COLUMNS = ("run", "start", "telescope", "frames", "resolution", "diffraction limits", "seeing", "limited by")


def write_night_page(
    folder: Path | str, failures: Sequence[tuple[str, str]] = (), doubts: Mapping[Path, str] | None = None
) -> Path:
    """Write report.html into a folder of run folders, however deep they lie; the same folder gives the same bytes.

    `failures` are captures without a run, each with one line; `doubts` are remarks by run folder.
    Raises CaptureError where the folder holds no run, OutputError where it cannot be written, SettingsError where
    matplotlib is missing.
    """
    check_plots()
    folder = Path(folder)
    runs, broken = runs_below(folder)
    if not runs:
        raise CaptureError(folder, "holds no run folder", "name a run, or a folder with runs in it")
    absolute = {place.absolute(): words for place, words in (doubts or {}).items()}
    return write_page(folder / PAGE_NAME, night_page(folder, runs, [*failures, *broken], absolute))


def runs_below(folder: Path) -> tuple[list[LoggedRun], list[tuple[str, str]]]:
    """Return the runs below a folder by time and name, and the name and complaint of those that cannot be read."""
    runs, broken = [], []
    for path in sorted(folder.rglob("metrics.json")):
        place = path.parent
        if any(part.startswith(".") for part in place.relative_to(folder).parts):
            continue
        try:
            runs.append(read_run(place))
        except CaptureError as error:
            broken.append((place.name, str(error)))
    return sorted(runs, key=lambda run: (run.start_utc or "~", str(run.folder))), broken


def night_page(
    folder: Path, runs: Sequence[LoggedRun], failures: Sequence[tuple[str, str]], doubts: Mapping[Path, str]
) -> str:
    """Return the page as HTML; links are relative to `folder`."""
    plots = night_plots(runs)
    body = join(
        element("p", _summary(runs, failures), class_="lead"),
        section("Pictures", element("div", *(_card(folder, run, doubts) for run in runs), class_="sheet")),
        _failed(failures),
        section(_how(runs), element("div", *plots, class_="plots")) if plots else None,
        section("All runs", _table(folder, runs)),
    )
    title = title_of(runs, folder)
    head = join(cautions(cautions_of(runs)), element("h1", title), element("p", _places(runs), class_="under"))
    return page(f"{title}: stillair report", head=head, body=body)


def title_of(runs: Sequence[LoggedRun], folder: Path) -> str:
    """Return what a night is called: by its date, or by its folder where there are several or none."""
    nights = sorted({run.night for run in runs if run.night})
    if len(nights) == 1:
        return f"Night of {nights[0]}"
    name = folder.absolute().name
    return f"{name}: nights of {nights[0]} to {nights[-1]}" if nights else name


def _how(runs: Sequence[LoggedRun]) -> str:
    return "How the nights went" if _of_several_nights(runs) else "How the night went"


def _of_several_nights(runs: Sequence[LoggedRun]) -> bool:
    return len({run.night for run in runs if run.night}) > 1


def link_to(run: LoggedRun, folder: Path, words: str) -> Markup:
    """Return a link to the page of a run, or to its picture where it has none; the words alone across drives."""
    for name in (PAGE_NAME, "finished.png"):
        if (run.folder / name).is_file():
            try:
                place = Path(os.path.relpath(run.folder / name, folder.absolute()))
            except ValueError:
                break
            return element("a", words, href=_address(place))
    return join(words)


def _address(place: Path) -> str:
    from urllib.parse import quote

    return quote(place.as_posix())


def _summary(runs: Sequence[LoggedRun], failures: Sequence[tuple[str, str]]) -> str:
    told = ["1 capture became a picture" if len(runs) == 1 else f"{len(runs)} captures became pictures"]
    told[0] += f", {len(failures)} could not be used." if failures else "."
    reached = [run for run in runs if run.value("resolution_over_diffraction") is not None]
    if reached:
        best = min(reached, key=lambda run: run.value("resolution_over_diffraction") or 0.0)
        ratio = best.measured["resolution_over_diffraction"]
        told.append(
            f"Nearest to its telescope's limit came {name_of(best)} with {best.telescope or 'its telescope'}: "
            f"{with_error(ratio.value, ratio.error)} times the diffraction limit."
        )
    seen = sorted(value for run in runs if (value := run.value("seeing_arcsec")) is not None)
    if seen:
        told.append(f"The seeing was {seen[0]:.1f}″ to {seen[-1]:.1f}″, {seen[len(seen) // 2]:.1f}″ in the middle.")
    return " ".join(told)


def _places(runs: Sequence[LoggedRun]) -> str:
    telescopes = sorted({telescope for run in runs if (telescope := run.telescope)})
    sites = sorted({site for run in runs if (site := run.site)})
    return " · ".join([*sites, *telescopes])


def _card(folder: Path, run: LoggedRun, doubts: Mapping[Path, str]) -> Markup:
    address = thumbnail(run.folder / "finished.png")
    name = name_of(run)
    picture = element("img", src=address, alt=f"{name}, finished picture") if address else element("span", "no picture")
    size, doubt = sized(run), doubts.get(run.folder)
    parts = run.metrics.get("parts") or ()
    reached = f"joined from {len(parts)} captures" if parts else "no resolution measured"
    lines = [when_of(run), telescope_of(run), f"details down to {size}" if size else reached]
    words = join(*(part for line in lines if line for part in (element("br"), line)))
    return element(
        "figure",
        element("div", picture, class_="frame"),
        element(
            "figcaption",
            element("b", link_to(run, folder, name)),
            words,
            element("p", doubt, class_="doubt") if doubt else None,
        ),
    )


def _failed(failures: Sequence[tuple[str, str]]) -> Part:
    if not failures:
        return None
    rows = (element("tr", element("th", name, scope="row"), element("td", words)) for name, words in failures)
    return section("Could not be used", element("table", element("tbody", *rows), class_="told"))


def _table(folder: Path, runs: Sequence[LoggedRun]) -> Markup:
    head = element("tr", *(element("th", words, scope="col") for words in _COLUMNS))
    form = "%Y-%m-%d %H:%M" if _of_several_nights(runs) else "%H:%M"
    rows = (element("tr", *(element("td", cell) for cell in _cells(folder, run, form))) for run in runs)
    table = element("table", element("thead", head), element("tbody", *rows))
    return element("div", table, class_="wide", tabindex=0, role="region", aria_label="All runs")


def _cells(folder: Path, run: LoggedRun, form: str) -> list[Part]:
    """Return what the table says of a run, its start as `form` has it."""
    moment, limits = moment_from(run.start_utc), limits_of(run)
    used, total = run.metrics.get("frames_used"), run.metrics.get("frames_total")
    return [
        link_to(run, folder, called(run)),
        None if moment is None else moment.strftime(form),
        run.telescope,
        f"{used} of {total}",
        sized(run) or "–",
        _measured(run, "resolution_over_diffraction", ""),
        _measured(run, "seeing_arcsec", "″"),
        str(limits[0]["name"]) + (", air not known" if air_is_left_out(run) else "") if limits else "–",
    ]


def _measured(run: LoggedRun, key: str, unit: str) -> str:
    found = run.measured.get(key)
    return "–" if found is None else with_error(found.value, found.error, unit)
