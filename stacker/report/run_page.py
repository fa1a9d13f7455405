"""The page of one run: report.html in its folder."""

from __future__ import annotations

import shlex
from pathlib import Path

from stacker.report.drawing import check_plots
from stacker.report.markup import Markup, Part, element, join
from stacker.report.metric_words import MetricRow, metric_groups, unmeasured
from stacker.report.page import cautions, page, section, write_page
from stacker.report.pictures import FINISHED, run_pictures
from stacker.report.reading import RunFiles, read_run_files
from stacker.report.run_plots import run_plots
from stacker.report.run_words import (
    cautions_of,
    facts,
    harmless_limits,
    limits_of,
    name_of,
    remarks_of,
    sentence_of_limit,
    verdict,
    whereabouts,
)
from stacker.report.sight import before_and_after
from stacker.run_folder.place import OPTIONAL_FILES, RUN_FILES

PAGE_NAME = "report.html"
_FILES = (*RUN_FILES, *(name for name in OPTIONAL_FILES if name != PAGE_NAME), "keep.json", "keep.png")


def write_run_page(run_folder: Path | str) -> Path:
    """Write report.html into a run folder, from what lies there alone; the same folder gives the same bytes.

    Raises CaptureError for a folder that holds no run, OutputError where it cannot be written, SettingsError where
    matplotlib is missing.
    """
    check_plots()
    run = read_run_files(run_folder)
    return write_page(run.folder / PAGE_NAME, run_page(run))


def run_page(run: RunFiles) -> str:
    """Return the page of a run as HTML."""
    body = join(
        element("p", verdict(run.logged), class_="lead"),
        _facts(run),
        _picture(run),
        _limits(run),
        section("How it went", element("div", *run_plots(run), class_="plots")),
        _measurements(run),
        _repeat(run),
        _files(run),
    )
    return page(f"{name_of(run.logged)}: stillair report", head=_head(run), body=body, foot=_provenance(run))


def _head(run: RunFiles) -> Markup:
    return join(
        cautions(cautions_of([run.logged])),
        element("h1", name_of(run.logged)),
        element("p", whereabouts(run.logged) or str(run.logged.metrics.get("capture", "")), class_="under"),
    )


def _facts(run: RunFiles) -> Markup:
    cells = (
        element("div", element("dt", what), element("dd", value, element("small", detail) if detail else None))
        for what, value, detail in facts(run.logged)
    )
    return element("dl", *cells, class_="facts")


def _picture(run: RunFiles) -> Part:
    pictures = run_pictures(run)
    if FINISHED not in pictures:
        return None
    scale, width = run.number("scale_arcsec_per_px"), run.number("width_px")
    shown_scale = scale * width / pictures[FINISHED].shape[1] if scale and width else None
    return section("Before and after", before_and_after("sight", pictures, name_of(run.logged), shown_scale))


def _limits(run: RunFiles) -> Part:
    limits = limits_of(run.logged)
    if not limits:
        return None
    rows = []
    for limit in limits:
        share = 100.0 * min(max(float(limit["share"]), 0.0), 1.0)
        error = limit.get("share_error")
        spread = f" ± {100 * error:.0f}" if isinstance(error, int | float) else ""
        bar = element("span", element("i", style=f"width: {share:.1f}%"), class_="bar", aria_hidden="true")
        words = element("span", f"{share:.0f}{spread} %", class_="share")
        sentence = sentence_of_limit(limit)
        rows.append(
            element("li", element("b", str(limit["name"])), bar, words, element("p", sentence) if sentence else None)
        )
    explained = (
        "What stood between this picture and the telescope's diffraction limit, and how much of it each explains."
    )
    return section("What limited it", element("p", explained), element("ul", *rows, class_="limits"), _harmless(run))


def _harmless(run: RunFiles) -> Part:
    told = harmless_limits(run.logged)
    if not told:
        return None
    return element(
        "details",
        element("summary", "What did not matter, and what cannot be told"),
        element("ul", *(element("li", sentence) for sentence in told), class_="note"),
    )


def _measurements(run: RunFiles) -> Markup:
    groups = (
        element("div", element("h3", name, class_="apart"), element("table", element("tbody", *map(_row, rows))))
        for name, rows in metric_groups(run.logged.metrics)
    )
    missing = unmeasured(run.logged.metrics)
    remarks = remarks_of(run.logged)
    return section(
        "Measurements",
        element("p", "Errors are one standard deviation.", class_="note"),
        element("div", *groups, class_="two"),
        element("details", element("summary", f"Not measured: {len(missing)}"),
                element("table", element("tbody", *map(_row, missing)))) if missing else None,
        element("h3", "Noticed on the way", class_="apart") if remarks else None,
        element("p", remarks),
    )  # fmt: skip


def _row(row: MetricRow) -> Markup:
    words = element("th", row.words, element("small", row.note) if row.note else None, scope="row")
    return element("tr", words, element("td", row.value, class_="number"))


def _repeat(run: RunFiles) -> Markup:
    capture = str(run.logged.metrics.get("capture") or run.folder.name)
    call = ("stillair", "process", shlex.quote(capture), "--out again", "--settings settings.toml")
    words = join(*(part for word in call for part in (element("span", word), " ")))
    return section(
        "How to repeat it",
        element("p", "In this folder, with the capture beside it or its path instead of its name:"),
        element("pre", element("code", words), class_="call"),
        element(
            "details", element("summary", "Every setting of this run"), element("pre", element("code", run.settings))
        ),
    )


def _files(run: RunFiles) -> Markup:
    links = [element("li", element("a", name, href=name)) for name in _FILES if (run.folder / name).is_file()]
    return section("Files of this run", element("ul", *links, class_="row"))


def _provenance(run: RunFiles) -> Markup:
    digest, version = run.logged.metrics.get("capture_sha256"), run.logged.metrics.get("software_version")
    return element(
        "p",
        f"Capture {run.logged.metrics.get('capture')}, processed by stillair {version}. " if version else None,
        join("SHA-256 of the capture: ", element("code", str(digest))) if digest else None,
    )
