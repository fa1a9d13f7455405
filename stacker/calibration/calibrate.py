"""Dark, flat and bias applied to a capture, as its sidecar or the call names them."""

from __future__ import annotations

from math import isfinite

from stacker.calibration.banding import find_bands
from stacker.calibration.corrected import CorrectedCapture
from stacker.calibration.corrections import Corrections, plan_corrections
from stacker.calibration.masters import Master, load_master
from stacker.calibration.matching import check_darkness, check_match
from stacker.calibration.mosaic_finding import settle_mosaic
from stacker.calibration.photon_transfer import CameraNoise, noise_of_capture, noise_of_masters
from stacker.capture import Capture
from stacker.capture.one_plane import without_copies
from stacker.fits_card import Value


def calibrate(capture: Capture) -> Capture:
    """Return the capture with its calibration frames applied and bands removed; the very same where it needs neither.

    A colour mosaic that nothing names is found from the frames, and three equal colours become one plane; both are told
    in the notes. Raises CaptureError where a dark, flat or bias cannot be used; the capture is closed then.
    """
    try:
        settle_mosaic(capture)
        return without_copies(_levelled(_with_masters(capture)))
    except BaseException:
        capture.close()
        raise


def _levelled(capture: Capture) -> Capture:
    """Return the capture with its bands taken out, where there are any."""
    bands, notes = find_bands(capture)
    if bands is None:
        return capture
    which = " and ".join([*(["rows"] if bands.rows else []), *([] if bands.columns is None else ["columns"])])
    cards: dict[str, tuple[Value, str]] = {"BANDING": (which, "whose offsets were taken out")}
    return CorrectedCapture(capture, Corrections.none(capture.shape), notes, cards, bands)


def _with_masters(capture: Capture) -> Capture:
    said = capture.circumstances
    dark, flat, bias = (
        _master(capture, kind, path) for kind, path in (("dark", said.dark), ("flat", said.flat), ("bias", said.bias))
    )
    if dark is None and flat is None and bias is None:
        _note_gain(capture)
        return capture
    flat_offset = _offset_of_flat(capture, flat)
    corrections = plan_corrections(capture, dark, flat, bias, flat_offset)
    used = [master for master in (dark, flat, bias) if master is not None]
    notes = tuple(f"{_words(master)} taken from {master.path.name}" for master in used)
    cards: dict[str, tuple[Value, str]] = {}
    for master in used:
        cards |= _cards(master)
    pedestal = flat_offset or bias or dark
    if flat is not None and pedestal is not None and said.camera.gain_e_per_adu is None:
        noise = noise_of_masters(flat, pedestal)
        notes += () if noise is None else (noise.sentence,)
        cards |= {} if noise is None else _cards_of_noise(noise, "flats")
    return CorrectedCapture(capture, corrections, notes, cards)


def _note_gain(capture: Capture) -> None:
    """Note the gain by the capture's own photon transfer where nothing else tells it."""
    noise = None if capture.circumstances.camera.gain_e_per_adu is not None else noise_of_capture(capture)
    if noise is not None:
        capture.provenance = {**capture.provenance, **_cards_of_noise(noise, "frames")}


def _master(capture: Capture, kind: str, path: str | None) -> Master | None:
    if path is None or path == "none":
        return None
    master = load_master(path, kind)
    check_match(capture, master)
    if kind != "flat":
        check_darkness(capture, master)
    return master


def _offset_of_flat(capture: Capture, flat: Master | None) -> Master | None:
    """Return the dark, or else the bias, that the flats' own sidecar names."""
    if flat is None:
        return None
    told = flat.circumstances
    for kind, path in (("dark", told.dark), ("bias", told.bias)):
        if path is not None and path not in (capture.circumstances.dark, capture.circumstances.bias):
            return _master(capture, kind, path)
    return None


def _words(master: Master) -> str:
    frames = f" of {master.frames} frames" if master.frames > 1 else ""
    return f"{master.kind}{frames}"


def _cards(master: Master) -> dict[str, tuple[Value, str]]:
    word = master.kind.upper()
    return {
        f"{word}FILE": (master.path.name, f"{master.kind} frames"),
        f"{word}NUM": (master.frames, f"frames in the master {master.kind}"),
        f"{word}SHA": (master.sha256, f"SHA-256 of the {master.kind} frames"),
    }


def _cards_of_noise(noise: CameraNoise, source: str) -> dict[str, tuple[Value, str]]:
    cards: dict[str, tuple[Value, str]] = {
        "EGAIN": (round(noise.gain_e_per_adu, 5), f"[electron/adu] gain, measured from the {source}"),
        "GAINERR": (round(noise.gain_error, 5), "[electron/adu] its standard error"),
    }
    if isfinite(noise.read_noise_e):
        cards["RDNOISE"] = (round(noise.read_noise_e, 3), "[electron] read noise, measured from bias or dark")
    return cards
