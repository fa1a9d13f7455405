"""The logbook's file: it keeps what it is given, through migrations, two writers, kills and damage."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from stacker.logbook import Logbook, LogbookError, LoggedRun, Selection, logbook_path
from stacker.logbook.location import user_data_folder
from stacker.logbook.schema import MIGRATIONS, NewerLogbook, migrate
from stacker.settings import SettingsError

MakeRun = Callable[..., LoggedRun]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return where a new logbook goes: in a folder that is not there yet."""
    return tmp_path / "böse Namen" / "log book.sqlite"


def test_what_was_recorded_comes_back(path: Path, make_run: MakeRun) -> None:
    """Every field, numbers with their errors and without, metrics.json only where it is asked for."""
    run = make_run(1, metrics={"snr": 12.5, "r0_mm": 61.0, "r0_mm_error": 4.0, "notes": {"x": "ü"}}, altitude_deg=33.0)
    with Logbook(path) as book:
        assert book.record([run]) == 1
        (whole,) = book.select(whole=True)
        (light,) = book.select(names=("r0_mm",))
    assert whole == run
    assert light == replace(run, metrics={}, measured={"r0_mm": run.measured["r0_mm"]})


def test_the_same_run_again_replaces_its_record(path: Path, make_run: MakeRun) -> None:
    run = make_run(1, metrics={"snr": 12.5, "r0_mm": 61.0})
    with Logbook(path) as book:
        book.record([run])
        book.record([replace(run, folder=path.parent, measured={"snr": run.measured["snr"]})])
        (found,) = book.select()
        assert found.folder == path.parent and set(found.measured) == {"snr"}
        assert book.count() == 1


def test_runs_are_chosen_by_what_they_are(path: Path, make_run: MakeRun) -> None:
    """Capitals do not count, `*` stands for any letters, no other sign does; dates are evenings, months or spans."""
    runs = [
        make_run(1, target="Saturn", telescope="ten inch", night="2031-04-05"),
        make_run(2, target="Saturn", telescope="great mirror", night="2031-04-30"),
        make_run(3, target="Jüpiter?", telescope="ten inch", night="2031-05-01", filter="green"),
    ]
    with Logbook(path) as book:
        book.record(runs)

        def numbers(**told: str) -> list[str]:
            return [run.capture for run in book.select(Selection(**told))]

        first, second, third = (run.capture for run in runs)
        assert numbers() == [first, second, third]
        assert numbers(target="SATURN") == [first, second]
        assert numbers(target="jÜpiter?", filter="green") == [third]
        assert numbers(target="jupite[r]?") == [] and numbers(target="satur?") == []
        assert numbers(telescope="*mirror") == [second]
        assert numbers(date="2031-04") == [first, second]
        assert numbers(date="2031-04-30..") == [second, third] and numbers(date="..2031-04-05") == [first]
        assert numbers(date="2031-04-05..2031-04-30") == [first, second]
        assert [run.capture for run in book.select(last=2)] == [second, third]
    with pytest.raises(SettingsError, match="give 2031-04-05"):
        Selection(date="April")


def test_a_run_is_found_by_id_folder_or_capture_and_forgotten(path: Path, make_run: MakeRun) -> None:
    one, other = make_run(1, capture="saturn"), make_run(2, capture="100%_moon")
    with Logbook(path) as book:
        book.record([one, other])
        assert book.find(one.id[:6]) == [one]
        assert book.find(str(other.folder)) == [other]
        assert book.find("SATURN.avi") == [one]
        assert book.find(other.folder.name) == [other]
        assert book.find(other.folder.name[1:]) == []
        assert book.find("%") == [] and book.find("____") == []
        assert book.forget([one.id, "0" * 16]) == 1
        assert list(book.select()) == [replace(other, metrics={})]
        rows = sqlite3.connect(path).execute(
            "SELECT count(*) FROM measurements WHERE run NOT IN (SELECT number FROM runs)"
        )
        assert rows.fetchone() == (0,)


def test_the_file_is_a_write_ahead_log_and_whole(path: Path, make_run: MakeRun) -> None:
    with Logbook(path) as book:
        book.record([make_run(1)])
        assert book.complaints() == []
    with sqlite3.connect(path) as plain:
        assert plain.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert plain.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS)))
def test_an_older_logbook_is_brought_forward_with_all_it_holds(path: Path, version: int, make_run: MakeRun) -> None:
    """What is stored in columns of its own today is read out of what the older file holds."""
    run = make_run(1, metrics={"snr": 12.5, "notes": {"x": "ü"}}, aperture_mm=508.0, filter="red")
    site = {"name": "Old Beacon", "latitude_deg": 52.2, "longitude_deg": -13.1}
    capture = {**run.circumstances["capture"], "wavelength_nm": 650.0}
    run = replace(run, circumstances={**run.circumstances, "site": site, "capture": capture})
    path.parent.mkdir()
    old = sqlite3.connect(path, isolation_level=None)
    migrate(old, MIGRATIONS[:version])
    known = {name: getattr(run, name, None) for _, name, *_ in old.execute("PRAGMA table_info(runs)")}
    known |= {"number": 1, "folder": str(run.folder)}
    known |= {name: json.dumps(getattr(run, name)) for name in ("circumstances", "settings", "metrics")}
    old.execute(f"INSERT INTO runs ({', '.join(known)}) VALUES ({', '.join('?' * len(known))})", [*known.values()])
    old.execute("INSERT INTO measurements VALUES ('snr', 1, 12.5, NULL)")
    old.close()
    with Logbook(path) as book:
        book.record([make_run(2)])
        found = book.select(whole=True)
    assert found[0] == replace(run, night=run.night if version > 1 else None)
    numbers = [float(found.numbers(name)[0]) for name in ("aperture_mm", "obstruction_mm", "wavelength_nm")]
    assert numbers == [508.0, 0.3 * 508.0, 650.0] and found.numbers("wavelength_nm")[1] == 550.0
    assert [float(found.numbers(name)[0]) for name in ("latitude_deg", "longitude_deg")] == [52.2, -13.1]


def test_a_step_that_fails_leaves_the_file_as_it_was(path: Path) -> None:
    path.parent.mkdir()
    connection = sqlite3.connect(path, isolation_level=None)
    migrate(connection, MIGRATIONS[:1])
    before = list(connection.iterdump())
    with pytest.raises(sqlite3.Error):
        migrate(connection, (MIGRATIONS[0], "CREATE TABLE more (x); CREATE TABLE runs (x)"))
    assert list(connection.iterdump()) == before
    with pytest.raises(NewerLogbook):
        migrate(connection, ())


WRITER = """
import sys
sys.path.insert(0, sys.argv[1])
from pathlib import Path
from conftest import made_run
from stacker.logbook import Logbook
for number in range(int(sys.argv[3]), int(sys.argv[3]) + int(sys.argv[4])):
    with Logbook(Path(sys.argv[2])) as book:
        book.record([made_run(number, measured={f"m{i}": (1.0,) for i in range(40)})])
    print(number, flush=True)
"""


def _writer(path: Path, first: int, count: int) -> "subprocess.Popen[str]":
    command = [sys.executable, "-c", WRITER, str(Path(__file__).parent), str(path), str(first), str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_two_programs_write_at_once_and_nothing_is_lost(path: Path) -> None:
    """Also the making of the file: both begin with none."""
    writers = [_writer(path, first, 15) for first in (0, 100)]
    for writer in writers:
        writer.communicate(timeout=60)
        assert writer.returncode == 0
    with Logbook(path) as book:
        assert book.count() == 30 and book.complaints() == []


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is of POSIX")
def test_a_writer_that_is_killed_leaves_a_whole_file(path: Path) -> None:
    """SIGKILL at six moments: what was told as written is there, nothing is half there."""
    told = set()
    for attempt in range(6):
        writer = _writer(path, 1000 * attempt, 1000)
        assert writer.stdout is not None
        told.add(int(writer.stdout.readline()))
        time.sleep(0.013 * attempt)
        os.kill(writer.pid, signal.SIGKILL)
        told |= {int(line) for line in writer.communicate()[0].split("\n")[:-1]}
        with Logbook(path) as book:
            assert book.complaints() == []
            runs = book.select()
    assert {f"capture {number}.avi" for number in told} <= {run.capture for run in runs}
    assert {len(run.measured) for run in runs} == {40}


def test_what_is_no_logbook_or_damaged_or_newer_is_said_in_one_line(path: Path, make_run: MakeRun) -> None:
    path.parent.mkdir()
    path.write_text("a shopping list\n" * 100)
    with pytest.raises(LogbookError, match=r"is no logbook; name another file"):
        Logbook(path)
    path.unlink()
    with Logbook(path) as book:
        book.record([make_run(number, measured={f"m{i}": (1.0,) for i in range(100)}) for number in range(30)])
    with sqlite3.connect(path) as plain:
        plain.execute("PRAGMA user_version = 99")
    with pytest.raises(LogbookError, match="later version .*; update stillair"):
        Logbook(path)
    with sqlite3.connect(path) as plain:
        plain.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
    plain.close()
    data = bytearray(path.read_bytes())
    data[4096:] = b"\x5a" * len(data[4096:])
    path.write_bytes(bytes(data))
    with pytest.raises(LogbookError, match="is damaged; move it away and make it anew: stillair log --rebuild"):
        Logbook(path).select()


def test_a_folder_in_its_place_and_a_lock_are_said_in_one_line(
    path: Path, make_run: MakeRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    path.mkdir(parents=True)
    with pytest.raises(LogbookError, match="name another file with --logbook"):
        Logbook(path)
    with pytest.raises(LogbookError, match="name another file with --logbook"):
        Logbook(Path(__file__) / "logbook.sqlite")
    free = path.with_name("free.sqlite")
    Logbook(free).record([])
    monkeypatch.setattr("stacker.logbook.database.BUSY_S", 0.05)
    other = sqlite3.connect(free, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with Logbook(free) as book, pytest.raises(LogbookError, match="in use by another program; try again"):
        book.record([make_run(1)])


@pytest.mark.parametrize(
    ("platform", "variables", "expected"),
    [
        ("linux", {"XDG_DATA_HOME": "/data"}, "/data"),
        ("linux", {"XDG_DATA_HOME": "not/absolute", "HOME": "/home/x"}, "/home/x/.local/share"),
        ("darwin", {"HOME": "/home/x"}, "/home/x/Library/Application Support"),
        ("win32", {"LOCALAPPDATA": "/users/x/local"}, "/users/x/local"),
    ],
)
def test_where_it_lies(
    monkeypatch: pytest.MonkeyPatch, platform: str, variables: dict[str, str], expected: str
) -> None:
    """The XDG Base Directory Specification; for macOS and Windows common practice, no source."""
    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert user_data_folder() == Path(expected)


def test_the_call_beats_the_environment_beats_the_default(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STILLAIR_LOGBOOK", "from/environment")
    assert logbook_path("given") == Path("given") and logbook_path("none") is None
    assert logbook_path() == Path("from/environment")
    monkeypatch.setenv("STILLAIR_LOGBOOK", "none")
    assert logbook_path() is None and logbook_path("given") == Path("given")
    monkeypatch.setenv("STILLAIR_LOGBOOK", "")
    default = logbook_path()
    assert default is not None and default.name == "logbook.sqlite" and default.parent.name == "stillair"
