"""What every test shares: the checkout, and the command called in this process."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from stacker.cli import main


@dataclass(frozen=True)
class Outcome:
    """What one call of the command left behind."""

    status: int
    out: str
    err: str


@pytest.fixture(autouse=True)
def own_cache(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Keep masters out of the user's own cache folder."""
    folder = tmp_path_factory.getbasetemp() / "cache"
    monkeypatch.setenv("STILLAIR_CACHE", str(folder))
    return folder


@pytest.fixture(scope="session", autouse=True)
def logbook_of_the_tests(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Keep the user's own logbook out of it, in programs that tests start as well."""
    path = tmp_path_factory.mktemp("logbook") / "logbook.sqlite"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STILLAIR_LOGBOOK", str(path))
        yield path


@pytest.fixture
def stillair(capsys: pytest.CaptureFixture[str]) -> Callable[..., Outcome]:
    """Call the command with these words; return its status and what it printed."""

    def call(*words: object) -> Outcome:
        capsys.readouterr()
        status = main([str(word) for word in words])
        printed = capsys.readouterr()
        return Outcome(status, printed.out, printed.err)

    return call


@pytest.fixture(scope="session")
def disk_of() -> Callable[[int], AbstractContextManager[None]]:
    """Let the system refuse files beyond so many bytes for a while, as a full disk does."""

    @contextmanager
    def limited(limit_bytes: int) -> Iterator[None]:
        resource = pytest.importorskip("resource")
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, hard))
        try:
            yield
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

    return limited


@pytest.fixture(scope="session")
def checkout() -> Path:
    """Return the folder that holds README.md and the tests."""
    return Path(__file__).parents[1]
