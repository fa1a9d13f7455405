"""The logbook's file: one SQLite database that several processes may write at once."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

from stacker.capture.sequence import CaptureError
from stacker.logbook.location import logbook_path
from stacker.logbook.logged_run import LoggedRun
from stacker.logbook.runs import Runs
from stacker.logbook.schema import NewerLogbook, migrate
from stacker.logbook.selection import Selection
from stacker.logbook.table_reading import COLUMNS, read_runs
from stacker.logbook.uncollected import uncollected

BUSY_S = 30.0
"""How long a writer waits for another."""


class LogbookError(CaptureError):
    """The logbook cannot be used: which, why, what to do, in one line."""


def record_run(run_folder: Path | str, logbook: Path | str | None = None) -> LoggedRun | None:
    """Put a finished run on record, in place of an earlier record of the same run; None where recording is off.

    `logbook` as in `logbook_path`. Raises CaptureError where the folder holds no run, LogbookError where the logbook
    cannot be written.
    """
    from stacker.logbook.run_reading import read_run

    path = logbook_path(logbook)
    if path is None:
        return None
    run = read_run(run_folder)
    with Logbook(path) as book:
        book.record([run])
    return run


class Logbook:
    """The logbook, opened; a context manager. It is made, and brought up to date, where that is needed.

    Write-ahead logging lets readers and a writer go on side by side, and a process that is killed at any moment
    leaves a whole file behind. Raises LogbookError from every method.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with _told(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
            try:
                self._prepare()
            except BaseException:
                self._connection.close()
                raise

    def _prepare(self) -> None:
        self._connection.create_function("folded", 1, _folded, deterministic=True)
        self._connection.execute("PRAGMA foreign_keys = ON")
        self._write_ahead()
        migrate(self._connection)

    def _write_ahead(self) -> None:
        """Turn write-ahead logging on: a switch for which SQLite does not wait by itself when others are at work."""
        until = time.monotonic() + BUSY_S
        while self._connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            try:
                self._connection.execute("PRAGMA journal_mode = WAL")
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                    raise
                time.sleep(0.02)

    def __enter__(self) -> Logbook:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._connection.close()

    def record(self, runs: Iterable[LoggedRun]) -> int:
        """Record runs, all of them or none; the same run again replaces its record. Return how many."""
        count = 0
        with _told(self.path), self._transaction():
            for run in runs:
                self._record(run)
                count += 1
        return count

    def _record(self, run: LoggedRun) -> None:
        told = [getattr(run, name) for name in COLUMNS if name != "folder"]
        columns = ["folder", *(column for name, column in COLUMNS.items() if name != "folder")]
        changes = ", ".join(f"{name} = excluded.{name}" for name in columns if name != "id")
        (number,) = self._connection.execute(
            f"INSERT INTO runs ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))}) "
            f"ON CONFLICT (id) DO UPDATE SET {changes} RETURNING number",
            [str(run.folder), *told],
        ).fetchone()
        metrics = json.dumps(run.metrics, ensure_ascii=False)
        self._connection.execute("INSERT OR REPLACE INTO metrics (run, text) VALUES (?, ?)", [number, metrics])
        self._connection.execute("DELETE FROM measurements WHERE run = ?", [number])
        rows = ((name, number, found.value, found.error) for name, found in run.measured.items())
        self._connection.executemany("INSERT INTO measurements (name, run, value, error) VALUES (?, ?, ?, ?)", rows)

    def select(
        self,
        selection: Selection | None = None,
        *,
        names: Sequence[str] | None = None,
        last: int | None = None,
        whole: bool = False,
    ) -> Runs:
        """Return the runs of a selection in order of time, those of unknown time first.

        `names` limits the measurements to these, `last` the runs to the latest, and `whole` adds metrics.json.
        """
        where, values = (selection or Selection()).where()
        if last is not None:
            latest = f"ORDER BY start_utc DESC, number DESC LIMIT {int(last)}"
            where = f"number IN (SELECT number FROM runs WHERE {where} {latest})"
        return self._read(where, values, names=names, whole=whole)

    def find(self, words: str) -> list[LoggedRun]:
        """Return the runs that a word names, whole, latest first: by first digits of the id, by folder or capture."""
        folder, named = str(Path(words).expanduser().absolute()), _escaped(words)
        like = [f"{column} LIKE ? ESCAPE '\\'" for column in ("id", "folder", "folder")]
        # A folder on record may be of a machine with the other separator.
        patterns = [named.lower() + "%", "%/" + named, "%\\\\" + named]
        where = " OR ".join([*like, "folder = ?", "folded(capture) = folded(?)"])
        return list(self._read(where, [*patterns, folder, words], whole=True))[::-1]

    def forget(self, ids: Sequence[str]) -> int:
        """Take runs off the record, by whole ids; their folders stay. Return how many there were."""
        with _told(self.path), self._transaction():
            return sum(self._connection.execute("DELETE FROM runs WHERE id = ?", [name]).rowcount for name in ids)

    def count(self) -> int:
        """Return the number of runs on record."""
        with _told(self.path):
            return int(self._connection.execute("SELECT count(*) FROM runs").fetchone()[0])

    def complaints(self) -> list[str]:
        """Return what SQLite finds wrong with the file (`integrity_check`); nothing where it is whole."""
        with _told(self.path):
            found = [str(row[0]) for row in self._connection.execute("PRAGMA integrity_check")]
        return [] if found == ["ok"] else found

    def _read(self, where: str, values: Sequence[Any], **told: Any) -> Runs:
        with _told(self.path), uncollected(), self._transaction("DEFERRED"):
            return read_runs(self._connection, where, values, **told)

    @contextmanager
    def _transaction(self, kind: str = "IMMEDIATE") -> Iterator[None]:
        self._connection.execute(f"BEGIN {kind}")
        try:
            yield
        except BaseException:
            self._connection.execute("ROLLBACK")
            raise
        self._connection.execute("COMMIT")


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what the system or SQLite says into one line."""
    try:
        yield
    except NewerLogbook as error:
        raise LogbookError(path, f"was written by a later version ({error})", "update stillair") from error
    except sqlite3.DatabaseError as error:
        raise LogbookError(path, *_reason(error)) from error
    except OSError as error:
        advice = "name another file with --logbook or STILLAIR_LOGBOOK"
        raise LogbookError(path, f"cannot be made ({error.strerror or error})", advice) from error


def _reason(error: sqlite3.DatabaseError) -> tuple[str, str]:
    words = str(error)
    if "not a database" in words:
        return "is no logbook", "name another file with --logbook or STILLAIR_LOGBOOK"
    if "malformed" in words or "corrupt" in words:
        return "is damaged", "move it away and make it anew: stillair log --rebuild DIR"
    if "locked" in words or "busy" in words:
        return "is in use by another program", "try again when that has ended"
    if "readonly" in words or "unable to open" in words:
        return f"cannot be written ({words})", "name another file with --logbook or STILLAIR_LOGBOOK"
    return f"cannot be used ({words})", "check the disk, or name another file with --logbook or STILLAIR_LOGBOOK"


def _folded(text: str | None) -> str | None:
    return None if text is None else text.casefold()


def _escaped(words: str) -> str:
    return "".join(f"\\{letter}" if letter in "%_\\" else letter for letter in words)
