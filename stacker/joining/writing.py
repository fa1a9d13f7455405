"""The folder of a joined picture: like a run folder, but without frames of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.alignment.correlation import Shift
from stacker.colour.plane_set import Plane
from stacker.fits_file import Hdu, write_fits
from stacker.joining.part import Part, without_filter
from stacker.run_folder.header import image_header
from stacker.run_folder.metrics_file import write_metrics
from stacker.run_folder.pictures import write_jpeg, write_png, write_tiff
from stacker.run_folder.place import whole_folder
from stacker.run_folder.writing import image_units
from stacker.settings import Settings
from stacker.settings_file import dump_settings


@dataclass(frozen=True)
class JoinedRun:
    """What became of several captures."""

    folder: Path
    metrics: dict[str, Any]
    summary: str


def part_record(part: Part, shift: Shift, role: str, parts: Sequence[Part]) -> dict[str, Any]:
    """Return what `metrics.json` says of a part: where it came from, when, and where it stood."""
    times = [other.middle_utc for other in parts if other.middle_utc is not None]
    after = None if part.middle_utc is None else (part.middle_utc - min(times)).total_seconds()
    return {
        "run": part.folder.name,
        "filter": part.filter.name if part.filter else part.circumstances.filter,
        "role": role,
        "exposure_s": part.circumstances.exposure_s,
        "middle_utc": None if part.middle_utc is None else part.middle_utc.isoformat().replace("+00:00", "Z"),
        "seconds_after_first": after,
        "shift_px": [shift.dy_px, shift.dx_px],
        "shift_error_px": shift.error_px,
        "frames_used": part.metrics.get("frames_used"),
        "resolution_px": part.metrics.get("resolution_px"),
    }


def write_joined(
    folder: Path,
    picture: Plane,
    shown: NDArray[np.uint16],
    parts: Sequence[Part],
    metrics: Mapping[str, Any],
    settings: Settings,
    channels: Sequence[str] = (),
    extra: Sequence[Hdu] = (),
) -> JoinedRun:
    """Write stack.fits, stack.tif, finished.fits, finished.png, metrics.json and settings.toml: all of them, or none.

    `channels` name the filters of the planes of a colour picture; `extra` are further planes, as extensions of both
    FITS files. Raises OutputError where the system refuses.
    """
    first = parts[0]
    frames = [sum(int(part.metrics.get(key) or 0) for part in parts) for key in ("frames_total", "frames_used")]
    scale = first.metrics.get("scale_arcsec_per_px")
    header = image_header(
        without_filter(first.circumstances),
        capture_name=" ".join(part.folder.name for part in parts),
        frames_total=frames[0],
        frames_used=frames[1],
        scale_arcsec_per_px=scale,
    )
    header |= {f"CHANNEL{number}": (name, f"plane {number}") for number, name in enumerate(channels, 1)}
    whole = {
        "capture": " ".join(str(part.metrics.get("capture")) for part in parts),
        "frames_total": frames[0],
        "frames_used": frames[1],
        "target": picture.kind,
        "width_px": picture.image.shape[1],
        "height_px": picture.image.shape[0],
        "scale_arcsec_per_px": scale,
        **metrics,
    }
    with whole_folder(folder) as temporary:
        for name, image in (("stack", picture.image), ("finished", picture.finished)):
            units = image_units(image, picture.variance, picture.coverage, header)
            write_fits(temporary / f"{name}.fits", [*units, *extra])
        write_tiff(temporary / "stack.tif", picture.image)
        write_png(temporary / "finished.png", shown)
        if settings.pictures.jpeg:
            write_jpeg(temporary / "finished.jpg", shown)
        write_metrics(temporary / "metrics.json", whole)
        (temporary / "settings.toml").write_text(dump_settings(settings), encoding="utf-8", newline="\n")
    return JoinedRun(folder, whole, _summary(folder, parts, whole))


def _summary(folder: Path, parts: Sequence[Part], metrics: Mapping[str, Any]) -> str:
    told = ", ".join(f"{record['filter'] or record['run']} as {record['role']}" for record in metrics["parts"])
    remark = metrics["notes"].get("remarks")
    return f"{folder.name}: {told}{'; ' + remark if remark else ''} -> {folder / 'finished.png'}"
