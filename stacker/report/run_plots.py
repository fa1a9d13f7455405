"""The plots of one run: how its frames were, and what was made of them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.report.drawing import ACCENT, INK, LINE, MUTED, SECOND, THIRD, VEIL, dots, drawn, running_median
from stacker.report.markup import Markup, element
from stacker.report.numbers import plain, with_error
from stacker.report.reading import RunFiles

Curve = NDArray[np.float64]
_HEAD_ROOM = 1.28
_MOST_ARROWS = 16
_NOT_SELECTED = "less sharp"
"""The reason of frames.csv for a frame without fault that was not selected."""


def run_plots(run: RunFiles) -> list[Markup]:
    """Return a figure for each curve that the run folder holds. Raises SettingsError where matplotlib is missing."""
    made = (_sharpness(run), _track(run), _keep(run), _correlation(run), _limb(run), _warp(run))
    return [figure for figure in made if figure is not None]


def _figure(title: str, svg: Markup, caption: str) -> Markup:
    return element("figure", element("h3", title), svg, element("figcaption", caption))


def _moments(run: RunFiles) -> tuple[Curve, str]:
    """Return when each frame was made, and in what unit."""
    seconds = run.frames.time_s
    if np.isfinite(seconds).all() and len(seconds) > 1 and seconds[-1] > seconds[0]:
        return seconds, "seconds after the first frame"
    return np.arange(len(seconds), dtype=float), "frame"


def _sharpness(run: RunFiles) -> Markup | None:
    frames = run.frames
    if not np.isfinite(frames.sharpness).any():
        return None
    when, unit = _moments(run)
    faulty = _faulty(run)
    size = float(np.clip(60.0 / np.sqrt(len(when)), 1.6, 4.5))

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        if (spare := ~frames.used & ~faulty).any():
            dots(axes, when[spare], frames.sharpness[spare], MUTED, size, "not kept")
        dots(axes, when[frames.used], frames.sharpness[frames.used], ACCENT, size, "kept")
        low, high = 0.0, 1.18 * float(np.nanmax(frames.sharpness[~faulty], initial=1e-9))
        if faulty.any():
            # A fault may look sharp, or have no sharpness at all: it is told where it stands, not how high.
            level = np.clip(np.nan_to_num(frames.sharpness[faulty]), low, 0.84 * high)
            axes.plot(when[faulty], level, "x", color=SECOND, markersize=5, label="faulty", clip_on=False)
        if len(when) >= 40:
            width = max(9, len(when) // 40) | 1
            axes.plot(when, running_median(np.where(faulty, np.nan, frames.sharpness), width), color=INK, linewidth=1.2)
        axes.set(xlabel=unit, ylabel="sharpness", xlim=_span(when), ylim=(low, high))
        axes.legend(loc="upper left", ncols=3, borderaxespad=0.1)

    best = float(np.nanmax(frames.sharpness[~faulty], initial=np.nan)) if (~faulty).any() else np.nan
    worst = float(np.nanpercentile(frames.sharpness[~faulty], 5)) if np.isfinite(best) else np.nan
    words = f"Sharpness of {len(when)} frames, of which {int(frames.used.sum())} were kept."
    caption = f"Each dot is a frame, the line their running median; {_left_out(run)}."
    if np.isfinite(worst) and worst > 0:
        caption += f" The sharpest frame shows {best / worst:.1f} times the local contrast of the dullest twentieth."
    return _figure("How the air came and went", drawn("sharpness", words, draw), caption)


def _faulty(run: RunFiles) -> NDArray[np.bool_]:
    return np.array([bool(said) and said != _NOT_SELECTED for said in run.frames.reason], bool)


def _left_out(run: RunFiles) -> str:
    reasons = [said for said in run.frames.reason if said]
    counts = sorted(((reasons.count(said), said) for said in set(reasons)), reverse=True)
    return "left out: " + ", ".join(f"{count} {said}" for count, said in counts) if counts else "none was left out"


def _track(run: RunFiles) -> Markup | None:
    frames = run.frames
    there = np.isfinite(frames.shift_px).all(1) & ~_faulty(run)
    if there.sum() < 2:
        return None
    down, right = frames.shift_px[there].T
    used = frames.used[there]
    size = float(np.clip(60.0 / np.sqrt(len(down)), 1.6, 4.5))

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        axes.plot(right, down, color=LINE, linewidth=0.7)
        dots(axes, right[~used], down[~used], MUTED, size)
        dots(axes, right[used], down[used], ACCENT, size)
        for place, word, colour in ((0, "first", THIRD), (-1, "last", SECOND)):
            axes.plot(right[place], down[place], "o", color=colour, markersize=7, fillstyle="none", markeredgewidth=1.8)
            axes.annotate(
                word,
                (right[place], down[place]),
                xytext=(7, 6),
                textcoords="offset points",
                color=colour,
                weight="bold",
            )
        axes.set(xlabel="pixels to the right", ylabel="pixels down", aspect="equal", adjustable="datalim")
        axes.margins(0.12)
        axes.invert_yaxis()

    reach = [float(np.ptp(values)) for values in (right, down)]
    words = f"Track of the target over the sensor: {reach[0]:.1f} px in width, {reach[1]:.1f} px in height."
    caption = (
        f"Where the target stood in each frame: {reach[0]:.1f} px across and {reach[1]:.1f} px up and down in all."
    )
    motion, scale = run.number("image_motion_px_rms"), run.number("scale_arcsec_per_px")
    if motion is not None:
        caption += f" About the mount's drift it danced by {with_error(motion, run.error('image_motion_px_rms'))}"
        caption += " px rms." if scale is None else f" px rms, {plain(motion * scale)}″."
    return _figure("Where the target wandered", drawn("track", words, draw), caption)


def _keep(run: RunFiles) -> Markup | None:
    steps = [step for step in run.keep.get("steps") or () if isinstance(step, dict) and step.get("keep_percent")]
    rows = [("information_bits", "information, bits"), ("resolution_px", "resolution, px")]
    rows = [(key, words) for key, words in rows if sum(step.get(key) is not None for step in steps) > 1]
    if not rows:
        return None
    best, good = run.keep.get("best_percent"), run.keep.get("good_range_percent")

    def draw(figure: Any) -> None:
        panels = figure.subplots(len(rows), 1, sharex=True, squeeze=False)[:, 0]
        for axes, (key, words), colour in zip(panels, rows, (ACCENT, SECOND), strict=False):
            told = [step for step in steps if step.get(key) is not None]
            share, value = (np.array([float(step[name]) for step in told]) for name in ("keep_percent", key))
            error = np.array([float(step.get(f"{key}_error") or 0.0) for step in told])
            axes.errorbar(share, value, error, color=colour, fmt="o-", markersize=3.5, linewidth=1.3, capsize=2)
            if good:
                axes.axvspan(*good, color=VEIL, linewidth=0)
            if best:
                axes.axvline(best, color=INK, linewidth=1.0, linestyle="--")
            axes.set(ylabel=words, xscale="log")
        ticks = [tick for tick in (1, 2, 5, 10, 20, 50, 100) if share.min() <= tick <= share.max()]
        panels[-1].set_xticks(ticks, [str(tick) for tick in ticks])
        panels[-1].minorticks_off()
        panels[-1].set(xlabel="share of the usable frames, percent")

    words = "Information and resolution of the picture against the share of frames that is averaged."
    caption = "What more frames bring, and what softer ones cost."
    if best:
        caption += f" Best is {best:g} %"
        caption += f"; from {good[0]:g} to {good[1]:g} % it hardly matters (shaded)." if good else "."
    return _figure("How many frames to keep", drawn("keep", words, draw, (4.7, 3.7)), caption)


def _correlation(run: RunFiles) -> Markup | None:
    curve = run.curves.get("correlation")
    if not curve:
        return None
    f, c, h = (np.array(curve[key], float) for key in ("frequency_cyc_per_px", "correlation", "half_bit"))
    cutoff, found, error = curve.get("cutoff_cyc_per_px"), curve.get("half_bit_px"), curve.get("half_bit_px_error")
    scale = run.number("scale_arcsec_per_px")
    end = min(0.5, 1.25 * cutoff) if cutoff else 0.5

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        axes.plot(f, h, color=SECOND, linewidth=1.2, linestyle="--")
        axes.axhline(curve["seventh"], color=MUTED, linewidth=0.9, linestyle=":")
        axes.plot(f, c, color=ACCENT, linewidth=1.8)
        axes.text(0.02 * end, 1.08, "agreement of the two halves", color=ACCENT)
        axes.text(0.08 * end, float(np.interp(0.42 * end, f, h)) - 0.1, "half-bit threshold", color=SECOND)
        axes.text(0.02 * end, curve["seventh"] - 0.1, "1/7", color=MUTED)
        if found:
            axes.axvspan(1.0 / (found + (error or 0)), 1.0 / max(found - (error or 0), 1.0), color=VEIL, linewidth=0)
            axes.plot(1.0 / found, np.interp(1.0 / found, f, h), "o", color=ACCENT, markersize=7)
        if cutoff and cutoff < end:
            axes.axvline(cutoff, color=INK, linewidth=1.0)
            axes.text(cutoff + 0.015 * end, 0.98, "diffraction limit", rotation=90, va="top")
        axes.set(xlim=(0, end), ylim=(-0.15, 1.22), xlabel="cycles per pixel", ylabel="correlation")
        axes.set_yticks([0, 0.5, 1])
        _period_axis(axes, end, scale)

    told = "No detail stands above the noise in both halves."
    if found:
        size = with_error(found * (scale or 1.0), (error or 0.0) * (scale or 1.0), "″" if scale else "px")
        told = f"They agree down to details of {size} (the dot; the band is its error)."
    words = f"Correlation of two independent halves of the frames against spatial frequency. {told}"
    caption = f"Two pictures from different frames, compared ring by ring in frequency: what both show is real. {told}"
    if cutoff is None:
        caption += " The telescope's own limit is not known: its aperture and focal length were not given."
    return _figure("How fine the detail is", drawn("correlation", words, draw), caption)


def _period_axis(axes: Any, end: float, scale: float | None) -> None:
    """Write the length of a period along the top."""
    unit, name = (scale, "arcsec") if scale else (1.0, "px")
    lengths = [
        m * 10.0**e for e in range(-3, 4) for m in (1, 1.5, 2, 3, 5, 7) if 0.1 < unit / (m * 10.0**e) / end < 1.0
    ]
    top = axes.secondary_xaxis("top")
    top.set_xticks([unit / length for length in lengths], [f"{length:g}" for length in lengths])
    top.set_xlabel(f"size of a period, {name}", color=MUTED)
    top.spines["top"].set_visible(False)


def _limb(run: RunFiles) -> Markup | None:
    limb = run.curves.get("limb")
    if not limb:
        return None
    scale = run.number("scale_arcsec_per_px")
    unit = scale or 1.0

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        axes.axvspan(-1e3, 0, color=VEIL, linewidth=0)
        for name, words, colour in (("stack", "average", SECOND), ("finished", "finished", ACCENT)):
            d, p, e = (np.array(limb[name][key], float) for key in ("distance_px", "brightness", "error"))
            axes.fill_between(d * unit, p - 2 * e, p + 2 * e, color=colour, alpha=0.25, linewidth=0)
            axes.plot(d * unit, p, color=colour, linewidth=1.6, label=words)
        axes.set(xlabel=f"{'arcsec' if scale else 'pixels'} outward from the limb", ylabel="brightness")
        reach = 0.8 * np.max(d) * unit
        axes.set(xlim=(-reach, reach), ylim=(min(-0.08, 1.1 * float(np.min(p))), _HEAD_ROOM))
        axes.text(-0.97 * reach, 0.05, "disc", color=MUTED)
        axes.text(0.97 * reach, 0.05, "sky", color=MUTED, ha="right")
        axes.legend(loc="upper right", borderaxespad=0.1)

    words = "Brightness across the limb of the disc, in the average and in the finished picture."
    caption = "A steep fall is a sharp limb. A bump inside it or a dip outside was made by sharpening."
    overshoot = run.number("limb_overshoot_percent")
    if overshoot is not None:
        error = run.error("limb_overshoot_percent")
        caption += f" Measured here: {with_error(overshoot, error)} % of the disc's brightness."
    return _figure("How clean the limb is", drawn("limb", words, draw), caption)


def _warp(run: RunFiles) -> Markup | None:
    field = run.curves.get("warp")
    if not field:
        return None
    rms, dy, dx = (np.array(field[key], float) for key in ("rms_px", "dy_px", "dx_px"))
    cell, rows, columns = field["cell_px"], *rms.shape
    left, top = field["left_px"], field["top_px"]
    x, y = left + cell * (np.arange(columns) + 0.5), top + cell * (np.arange(rows) + 0.5)
    longest = float(np.nanmax(np.hypot(dx, dy)))
    every = 1 + max(rows, columns) // (_MOST_ARROWS + 1)
    stretch = _round_number(1.7 * every * cell / max(longest, 1e-6))
    along, across = (np.flatnonzero(np.isfinite(rms).any(axis)) for axis in (1, 0))
    shape = float(along[-1] - along[0] + 1) / float(across[-1] - across[0] + 1)
    tall = float(np.clip(3.4 * shape + 0.7, 2.2, 4.4))

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        edges = left + cell * np.arange(columns + 1), top + cell * np.arange(rows + 1)
        mesh = axes.pcolormesh(*edges, np.ma.masked_invalid(rms), cmap="cividis", edgecolors="face", linewidth=0.3)
        axes.quiver(
            x[::every], y[::every], *(part[::every, ::every] * stretch for part in (dx, dy)),
            angles="xy", scale_units="xy", scale=1, width=0.008, headwidth=4,
            headlength=4.5, headaxislength=4, minlength=0, pivot="mid", color="white", edgecolor="black", linewidth=0.4,
        )  # fmt: skip
        bar = figure.colorbar(mesh, ax=axes, shrink=0.9, pad=0.02)
        bar.set_label("displacement, px rms")
        bar.outline.set_visible(False)
        bar.ax.grid(False)
        axes.set(aspect="equal", xlabel="pixels to the right", ylabel="pixels down")
        axes.set(xlim=edges[0][[across[0], across[-1] + 1]], ylim=edges[1][[along[-1] + 1, along[0]]])
        axes.grid(False)

    typical = float(np.sqrt(np.nanmean(rms**2)))
    scale = run.number("scale_arcsec_per_px")
    told = f"{plain(typical)} px" + (f" or {plain(typical * scale * run.zoom)}″" if scale else "")
    words = f"Map of the local displacements over the target, {plain(typical)} px rms, and one frame's field as arrows."
    caption = (
        f"The air bends every part of the field differently: by {told} rms over {field['frames']} frames (colour). "
        f"Arrows: frame {field['frame']}, {plain(stretch)} times as long as they were. All of it was undone."
    )
    return _figure("How the air bent the field", drawn("warp", words, draw, (4.7, tall)), caption)


def _round_number(value: float) -> float:
    """Return the largest of 1, 2 or 5 times 10^n that is not above a value, 1 at least."""
    decade = 10.0 ** np.floor(np.log10(max(value, 1.0)))
    return float(max(step * decade for step in (1, 2, 5) if step * decade <= max(value, 1.0)))


def _span(when: Curve) -> tuple[float, float]:
    room = 0.02 * max(float(when[-1] - when[0]), 1e-9)
    return float(when[0]) - room, float(when[-1]) + room
