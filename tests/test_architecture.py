"""The layout keeps its promises: order of stages, names of files, what is loaded when."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import stacker

PACKAGE = Path(stacker.__path__[0])

STAGES = ("capture", "calibration", "ranking", "alignment", "stacking", "colour", "measuring", "sharpening")
"""Each may import those before it: what is measured on the stack steers its sharpening."""
GROUND = (
    *("blas_threads", "fits_card", "fits_file", "forks", "interpolation", "packed_spectrum", "parallel", "plot_file"),
    *("counted", "settings", "sky", "toml_text", "version", "whole_file"),
)
"""What every stage may import, and what imports no stage."""
ALLOWED: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(GROUND, GROUND),
    **{stage: (*GROUND, *STAGES[: place + 1]) for place, stage in enumerate(STAGES)},
    "simulation": (*GROUND, "capture", "simulation"),
    "settings_file": (*GROUND, "capture"),
    "run_folder": (*GROUND, *STAGES, "settings_file", "run_folder"),
    "pipeline": (*GROUND, *STAGES, "settings_file", "run_folder", "report"),
    "keeping": (*GROUND, *STAGES),
    "joining": (*GROUND, *STAGES, "settings_file", "run_folder", "joining"),
    "logbook": (*GROUND, *STAGES, "settings_file", "run_folder", "logbook"),
    "report": (*GROUND, *STAGES, "settings_file", "run_folder", "logbook", "keeping", "report"),
    "failures": (*GROUND, "capture"),
    "night": (*GROUND, *STAGES, "failures", "settings_file", "run_folder", "pipeline", "logbook", "report", "night"),
    "cli": (
        *GROUND,
        *STAGES,
        "joining",
        "failures",
        "night",
        "settings_file",
        "run_folder",
        "pipeline",
        "keeping",
        "simulation",
        "logbook",
        "report",
        "cli",
    ),
    "__init__": (*GROUND, *STAGES, "run_folder", "pipeline", "keeping"),
}
HEAVY = ("astropy", "av", "tifffile", "matplotlib", "imageio", "skimage", "tqdm")
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "stacker", "tests", "demo_frames", "scripts"}


def _imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            if node.module == "stacker":
                yield from (f"stacker.{alias.name}" for alias in node.names)
            elif node.module:
                yield node.module


def _part(module: Path) -> str:
    """Return the stage, package or root module that a file belongs to."""
    first = module.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


MODULES = sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_stage_imports_only_earlier_stages(module: Path) -> None:
    part = _part(module)
    assert part in ALLOWED, f"{part} has no place in the order of stages"
    for name in _imports(ast.parse(module.read_text(encoding="utf-8"))):
        if name.startswith("stacker."):
            assert name.split(".")[1] in ALLOWED[part], f"{part} imports {name}"


def test_files_are_named_after_what_they_hold() -> None:
    vague = {"utils", "util", "helpers", "helper", "common", "misc", "tools"}
    assert [path for path in MODULES if path.stem in vague or path.parent.name in vague] == []


def test_the_top_level_holds_what_was_ordered(checkout: Path) -> None:
    """A user's own files in a checkout are none of our business: what git tracks counts, where there is git."""
    listed = subprocess.run(["git", "-C", str(checkout), "ls-files"], capture_output=True, text=True)
    tracked = {line.split("/")[0] for line in listed.stdout.splitlines()} if listed.returncode == 0 else set()
    names = tracked or {entry.name for entry in checkout.iterdir()}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


@pytest.mark.parametrize(
    ("module", "absent"),
    [
        ("stacker", (*HEAVY, "numpy", "cv2", "scipy")),
        ("stacker.settings", (*HEAVY, "numpy", "cv2", "scipy")),
        ("stacker.capture", HEAVY),
        ("stacker.pipeline", (*HEAVY, "scipy.fft", "scipy.linalg", "scipy.ndimage", "scipy.special")),
    ],
)
def test_what_is_heavy_is_loaded_when_it_is_needed(module: str, absent: tuple[str, ...], tmp_path: Path) -> None:
    """Each of these costs 20 to 350 ms and up to 45 MB, and most runs need none of them."""
    script = f"import sys, {module}; print(*sorted(set({absent!r}) & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert done.stdout.split() == []


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_modules_say_what_they_are_for(module: Path) -> None:
    tree = ast.parse(module.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), "no docstring"
    for node in tree.body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            assert ast.get_docstring(node), f"{node.name} has no docstring"
