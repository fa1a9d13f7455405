"""Two pictures of the same place, one over the other, with an edge between them that can be dragged."""

from __future__ import annotations

from collections.abc import Mapping

from stacker.report.labels import scale_bar
from stacker.report.markup import Markup, Part, element, join
from stacker.report.pictures import FINISHED, Picture, data_address

_WORDS = {"best_frame": "best single frame", "stack": "average", FINISHED: "finished"}
_LARGEST = 2.0
"""Small pictures are shown up to this many times their size."""
_LEAST_WIDTH_PX = 640


def before_and_after(
    name: str, pictures: Mapping[str, Picture], title: str, scale_arcsec_per_px: float | None
) -> Markup:
    """Return the finished picture under those before it; the edge follows a pointer, a finger or the arrow keys.

    `pictures` are of one size, by the names of `run_pictures`; `name` must differ from one to the next on a page.
    """
    before = [key for key in _WORDS if key in pictures and key != FINISHED]
    height, width = pictures[FINISHED].shape[:2]
    shown_px = round(max(_LARGEST * width, min(_LEAST_WIDTH_PX, 4 * width)))
    size = f"width: min(100%, {shown_px}px, {100 * width / height:.0f}vh)"
    layers = [_image(pictures[FINISHED], f"{title}, finished picture", "after", FINISHED)]
    layers += [
        _image(pictures[key], f"{title}, {_WORDS[key]}", "before", key, hidden=key != before[0]) for key in before
    ]
    if before:
        layers += [
            _slider(),
            element("span", class_="edge"),
            _tag(_WORDS[before[0]], "left"),
            _tag("finished", "right"),
        ]
    return element(
        "figure",
        _choices(name, before) if len(before) > 1 else None,
        element("div", *layers, class_="sight", id=name, style=size),
        _scale_bar(scale_arcsec_per_px, width, size) if scale_arcsec_per_px else None,
    )


def _image(picture: Picture, words: str, kind: str, name: str, *, hidden: bool = False) -> Markup:
    height, width = picture.shape[:2]
    return element(
        "img",
        src=data_address(picture),
        alt=words,
        width=width,
        height=height,
        class_=kind,
        data_name=name,
        hidden=hidden,
        draggable="false",
    )


def _slider() -> Markup:
    words = "Edge between before and after; arrow keys move it"
    return element("input", type="range", min=0, max=100, step="any", value=50, aria_label=words)


def _tag(words: str, side: str) -> Markup:
    return element("span", words, class_=f"tag {side}", aria_hidden="true")


def _choices(name: str, before: list[str]) -> Markup:
    def choice(key: str) -> Markup:
        attributes: dict[str, str | bool] = {
            "data_shows": key,
            "data_sight": name,
            "data_words": _WORDS[key],
            "checked": key == before[0],
        }
        return element("label", element("input", type="radio", name=f"{name}-before", **attributes), _WORDS[key])

    return element(
        "fieldset", element("legend", "Drag the edge. Left of it:"), *(choice(key) for key in before), class_="choices"
    )


def _scale_bar(scale_arcsec_per_px: float, width_px: int, size: str) -> Part:
    length_px, words = scale_bar(scale_arcsec_per_px, width_px)
    bar = element("i", style=f"width: {100 * length_px / width_px:.2f}%")
    return element("div", join(bar, words), class_="bar-of-scale", style=size)
