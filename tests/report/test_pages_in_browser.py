"""Pages in a real browser, as wide as a desk's and as narrow as a telephone's; skipped where there is no browser."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from stacker.logbook import read_run
from stacker.logbook.comparison import compare_runs
from stacker.report.comparison_page import write_comparison_page
from stacker.report.night_page import write_night_page
from stacker.report.run_page import write_run_page

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "microsoft-edge", "chrome")
_SWITCHES = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
"""No sandbox: the tests may run as root, and the pages are ours. The others keep the browser itself off the network."""
SIZES = {"desktop": (1280, 900), "phone": (360, 740)}


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """A headless Chromium that is on this machine; STILLAIR_BROWSER names another."""
    driver = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    program = os.environ.get("STILLAIR_BROWSER") or next(filter(None, map(shutil.which, _NAMES)), None)
    if program is None:
        pytest.skip("no Chromium is on this machine: install it, or name a browser in STILLAIR_BROWSER")
    with driver.sync_playwright() as play:
        running = play.chromium.launch(executable_path=program, args=list(_SWITCHES))
        yield running
        running.close()


@contextmanager
def opened(browser: Any, path: Path, size: str, scheme: str = "light") -> Iterator[Any]:
    """Open a page from its file; complain about messages, dialogs and requests for anything but that file."""
    width, height = SIZES[size]
    phone = size == "phone"
    context = browser.new_context(
        viewport={"width": width, "height": height}, is_mobile=phone, has_touch=phone, color_scheme=scheme
    )
    complaints: list[str] = []
    view = context.new_page()
    view.on("console", lambda message: complaints.append(f"console: {message.text}"))
    view.on("pageerror", lambda error: complaints.append(f"error: {error}"))
    view.on("dialog", lambda dialog: (complaints.append(f"dialog: {dialog.message}"), dialog.dismiss()))

    def asked(request: Any) -> None:
        if not request.url.startswith("data:") and request.url != path.as_uri():
            complaints.append(f"asked for {request.url}")

    view.on("request", asked)
    view.goto(path.as_uri())
    yield view
    context.close()
    assert complaints == []


def split_of(view: Any) -> float:
    """Return how much of the sight's width the picture before takes, 0 to 1, as the browser has laid it out."""
    told: float = view.evaluate(
        """() => { const sight = document.querySelector('.sight').getBoundingClientRect();
        const edge = document.querySelector('.edge').getBoundingClientRect();
        return (edge.left + edge.width / 2 - sight.left) / sight.width; }"""
    )
    return told


def clip_of(view: Any) -> str:
    """Return the clip of the picture on top."""
    told: str = view.evaluate("() => getComputedStyle(document.querySelector('.before:not([hidden])')).clipPath")
    return told


def cut_off(view: Any) -> float:
    """Return how much of the picture on top is cut off at its right, 0 to 1."""
    found = re.fullmatch(r"inset\(0px ([\d.]+)% 0px 0px\)", clip_of(view))
    assert found is not None
    return float(found[1]) / 100


@pytest.fixture(scope="session")
def run_page(planet_run: Path) -> Path:
    return write_run_page(planet_run)


@pytest.fixture(scope="session")
def night_page(planet_run: Path, sun_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("night")
    shutil.copytree(planet_run, folder / "planet")
    shutil.copytree(sun_run, folder / "sun")
    return write_night_page(folder, [("cloud.avi", f"/captures/{'x' * 60}/cloud.avi: is empty; record it again")])


@pytest.fixture(scope="session")
def comparison_page(planet_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("comparison")
    run = read_run(planet_run)
    other = replace(run, id="another", folder=Path(shutil.copytree(planet_run, folder / "another")))
    return write_comparison_page(compare_runs([run, other]), folder / "page.html")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("kind", ["run_page", "night_page", "comparison_page"])
def test_a_page_fits_its_window_and_asks_for_nothing(
    browser: Any, request: pytest.FixtureRequest, kind: str, size: str, scheme: str
) -> None:
    with opened(browser, request.getfixturevalue(kind), size, scheme) as view:
        assert view.title().endswith("stillair report")
        assert view.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]
        bare = (
            "[...document.images].filter(i => !i.alt.trim() || (i.getClientRects().length && !i.naturalWidth)).length"
        )
        assert view.evaluate(bare) == 0
        ground = view.evaluate("getComputedStyle(document.body).backgroundColor")
        brightness = sum(int(part) for part in ground[4:-1].split(",")) / 3
        assert (brightness > 200) == (scheme == "light")


@pytest.mark.parametrize("size", SIZES)
def test_dragging_moves_the_edge(browser: Any, run_page: Path, size: str) -> None:
    """Press, move, let go: the edge stands where the pointer left it, and the upper picture is cut there."""
    with opened(browser, run_page, size) as view:
        view.locator(".sight").scroll_into_view_if_needed()
        box = view.locator(".sight").bounding_box()
        assert abs(split_of(view) - 0.5) < 0.01
        middle = box["y"] + 0.4 * box["height"]
        view.mouse.move(box["x"] + 0.5 * box["width"], middle)
        view.mouse.down()
        for share in (0.6, 0.7, 0.8):
            view.mouse.move(box["x"] + share * box["width"], middle)
        view.mouse.up()
        assert abs(split_of(view) - 0.8) < 0.02
        assert abs(cut_off(view) - 0.2) < 0.02
        view.mouse.move(box["x"] + 0.1 * box["width"], middle)
        assert abs(split_of(view) - 0.8) < 0.02


def test_a_finger_moves_the_edge(browser: Any, run_page: Path) -> None:
    with opened(browser, run_page, "phone") as view:
        view.locator(".sight").scroll_into_view_if_needed()
        box = view.locator(".sight").bounding_box()
        view.touchscreen.tap(box["x"] + 0.25 * box["width"], box["y"] + 0.5 * box["height"])
        assert abs(split_of(view) - 0.25) < 0.03


def test_keys_move_the_edge(browser: Any, run_page: Path) -> None:
    """The edge is a slider that tells its place in words (WAI-ARIA 1.2, role slider)."""
    with opened(browser, run_page, "desktop") as view:
        slider = view.get_by_role("slider")
        slider.focus()
        before = split_of(view)
        for _ in range(5):
            view.keyboard.press("ArrowLeft")
        assert split_of(view) < before - 0.02
        view.keyboard.press("End")
        assert split_of(view) > 0.99
        assert "100 percent best single frame" in (slider.get_attribute("aria-valuetext") or "")


def test_the_picture_before_can_be_chosen(browser: Any, run_page: Path) -> None:
    with opened(browser, run_page, "desktop") as view:
        view.get_by_text("average", exact=True).first.click()
        assert view.locator(".before:not([hidden])").get_attribute("data-name") == "stack"
        assert view.locator(".tag.left").inner_text() == "average"
        view.get_by_role("radio").first.focus()
        view.keyboard.press("ArrowLeft")
        assert view.locator(".before:not([hidden])").count() == 1


def test_a_printed_page_shows_both_pictures(browser: Any, run_page: Path) -> None:
    with opened(browser, run_page, "desktop", "dark") as view:
        view.emulate_media(media="print")
        seen = "[...document.querySelectorAll('.sight img')].filter(i => i.getClientRects().length).length"
        assert view.evaluate(seen) == 2
        assert clip_of(view) == "none"
        widths = """() => { const width = name => document.querySelector(name).getBoundingClientRect().width;
            return [width('.sight .after'), width('.bar-of-scale')]; }"""
        picture, scale = view.evaluate(widths)
        assert abs(picture - scale) < 1  # or the bar would lie
        assert view.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


def test_a_hostile_name_takes_nothing_over(browser: Any, run_page: Path) -> None:
    with opened(browser, run_page, "desktop") as view:
        assert view.title() != "taken"
        assert "<script>" in view.locator("h1").inner_text()


def test_pictures_blink_until_they_are_told_to_stop(browser: Any, comparison_page: Path) -> None:
    with opened(browser, comparison_page, "desktop") as view:
        seen = "[...document.querySelectorAll('.blink img')].findIndex(i => i.classList.contains('seen'))"
        view.get_by_role("button", name="Next").click()
        assert view.evaluate(seen) == 1
        assert view.locator(".blink figcaption").inner_text() == view.locator(".blink img.seen").get_attribute(
            "data-words"
        )
        button = view.get_by_role("button", name="Blink")
        button.click()
        assert button.get_attribute("aria-pressed") == "true"
        before = view.evaluate(seen)
        ends = time.monotonic() + 5.0
        while view.evaluate(seen) == before and time.monotonic() < ends:
            view.wait_for_timeout(50)
        assert view.evaluate(seen) != before
        button.click()
        assert button.get_attribute("aria-pressed") == "false"
        stopped = view.evaluate(seen)
        view.wait_for_timeout(900)
        assert view.evaluate(seen) == stopped
