"""`import stacker` is light, and every public name is the stage's own."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module

import pytest

import stacker


def test_importing_the_package_loads_no_library() -> None:
    """Start-up: nothing but the standard library before a stage is asked for."""
    heavy = ("numpy", "scipy", "cv2", "av", "astropy", "tifffile", "imageio", "matplotlib")
    code = f"import sys, stacker; print([name for name in {heavy!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_stages_load_no_reader_before_a_capture_asks_for_it() -> None:
    code = "import sys, stacker; stacker.process; print([n for n in ('av', 'astropy', 'tifffile') if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("name", "home"),
    [
        ("open_capture", "stacker.capture"),
        ("calibrate", "stacker.calibration"),
        ("rank", "stacker.ranking"),
        ("align", "stacker.alignment"),
        ("stack", "stacker.stacking"),
        ("sharpen", "stacker.sharpening"),
        ("measure", "stacker.pipeline"),
        ("process", "stacker.pipeline"),
        ("keep_curve", "stacker.keeping"),
    ],
)
def test_public_names_are_the_stages_own(name: str, home: str) -> None:
    assert name in stacker.__all__
    assert getattr(stacker, name) is getattr(import_module(home), name)


def test_there_are_no_other_names_and_each_is_there() -> None:
    assert set(stacker.__all__) == {
        "__version__", "open_capture", "calibrate", "rank", "align", "stack", "sharpen", "measure", "process",
        "keep_curve",
    }  # fmt: skip
    assert all(hasattr(stacker, name) for name in stacker.__all__)
    with pytest.raises(AttributeError, match="guess"):
        stacker.guess  # noqa: B018
