"""The tables of the logbook, and how an older file becomes one of today."""

from __future__ import annotations

import sqlite3

MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE runs (
        number INTEGER PRIMARY KEY,
        id TEXT NOT NULL UNIQUE,
        folder TEXT NOT NULL,
        processed_utc TEXT NOT NULL,
        capture TEXT NOT NULL,
        capture_sha256 TEXT,
        software_version TEXT,
        kind TEXT,
        target TEXT,
        start_utc TEXT,
        telescope TEXT,
        camera TEXT,
        site TEXT,
        filter TEXT,
        circumstances TEXT NOT NULL,
        settings TEXT NOT NULL,
        metrics TEXT NOT NULL
    );
    CREATE TABLE measurements (
        name TEXT NOT NULL,
        run INTEGER NOT NULL REFERENCES runs (number) ON DELETE CASCADE,
        value REAL NOT NULL,
        error REAL,
        PRIMARY KEY (name, run)
    ) WITHOUT ROWID;
    CREATE INDEX measurements_of_run ON measurements (run);
    """,
    """
    ALTER TABLE runs ADD COLUMN night TEXT;
    ALTER TABLE runs ADD COLUMN altitude_deg REAL;
    ALTER TABLE runs ADD COLUMN airmass REAL;
    CREATE INDEX runs_by_time ON runs (night, start_utc);
    """,
    """
    ALTER TABLE runs ADD COLUMN aperture_mm REAL;
    ALTER TABLE runs ADD COLUMN obstruction_mm REAL;
    ALTER TABLE runs ADD COLUMN wavelength_nm REAL NOT NULL DEFAULT 550;
    ALTER TABLE runs ADD COLUMN latitude_deg REAL;
    ALTER TABLE runs ADD COLUMN longitude_deg REAL;
    UPDATE runs SET
        aperture_mm = json_extract(circumstances, '$.telescope.aperture_mm'),
        obstruction_mm = json_extract(circumstances, '$.telescope.obstruction_mm'),
        wavelength_nm = coalesce(nullif(json_extract(circumstances, '$.capture.wavelength_nm'), 0), 550),
        latitude_deg = json_extract(circumstances, '$.site.latitude_deg'),
        longitude_deg = json_extract(circumstances, '$.site.longitude_deg')
        WHERE json_valid(circumstances);
    CREATE TABLE metrics (
        run INTEGER PRIMARY KEY REFERENCES runs (number) ON DELETE CASCADE,
        text TEXT NOT NULL
    );
    INSERT INTO metrics SELECT number, metrics FROM runs;
    ALTER TABLE runs DROP COLUMN metrics;
    CREATE INDEX runs_by_start ON runs (start_utc);
    """,
)
"""Statements that lead from each version to the next; what stands here is never changed, only added to."""


class NewerLogbook(Exception):
    """The file was written by a later version."""


def migrate(connection: sqlite3.Connection, steps: tuple[str, ...] = MIGRATIONS) -> int:
    """Bring the file forward, all of it or nothing; return the version that it had.

    One process at a time: the write lock is taken before the version is read. Raises NewerLogbook where the file
    knows more than we do, sqlite3.Error where it cannot be written.
    """
    if _version(connection) == len(steps):
        return len(steps)
    connection.execute("BEGIN IMMEDIATE")
    try:
        found = _version(connection)
        if found > len(steps):
            raise NewerLogbook(f"version {found}, known is {len(steps)}")
        for script in steps[found:]:
            for statement in script.split(";"):
                if statement.strip():
                    connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {len(steps)}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    return found


def _version(connection: sqlite3.Connection) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)
