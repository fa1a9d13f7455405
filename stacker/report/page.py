"""A whole page: one file that needs nothing beside it and asks nothing of the outside."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable
from pathlib import Path

from stacker.report.markup import Markup, Part, element, join
from stacker.run_folder.place import refused
from stacker.version import __version__
from stacker.whole_file import written_whole


def page(title: str, *, head: Part, body: Part, foot: Part = None) -> str:
    """Return the HTML of a page. The policy in its head keeps browsers from fetching or running anything else."""
    style, script = (_beside(name) for name in ("page.css", "page.js"))
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    made = f"Made by stillair {__version__}. Everything on this page is inside this one file."
    top = join(
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=policy),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", name="color-scheme", content="light dark"),
        element("link", rel="icon", href="data:,"),
        element("title", title),
        element("style", Markup(style)),
    )
    rest = join(
        element("header", head),
        element("main", body),
        element("footer", foot, element("p", made)),
        element("script", Markup(script)),
    )
    return f'<!doctype html>\n<html lang="en">\n<head>{top}</head>\n<body>{rest}</body>\n</html>\n'


def write_page(path: Path, text: str) -> Path:
    """Write a page, whole or not at all. Raises OutputError where the system refuses."""
    try:
        with written_whole(path) as temporary:
            temporary.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise refused(path, error) from error
    return path


def section(title: str, *parts: Part) -> Markup:
    """Return a part of a page under its heading."""
    return element("section", element("h2", title), *parts)


def cautions(words: Iterable[str]) -> Markup:
    """Return cautions as they stand at the head of a page."""
    return join(*(element("p", caution, class_="danger", role="alert") for caution in words))


def _beside(name: str) -> str:
    return Path(__file__).with_name(name).read_text(encoding="utf-8")
