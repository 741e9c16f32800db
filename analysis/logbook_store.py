"""The logbook's file: where it lies, how it is opened, its tables and their versions.

SQLite with a write-ahead log, one connection a call and one transaction a
record: a killed program loses at most what it had not yet confirmed, and two
programs at once wait for each other.
"""
from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import platformdirs

from analysis.errors import PhotoError

__all__ = ["FOLDER_VARIABLE", "VERSION", "logbook_path", "readings_of", "reading", "writing"]

FOLDER_VARIABLE = "STRIPE_OR_GRAIN_DATA"
FILE_NAME = "logbook.sqlite"
APPLICATION_ID = 0x536F4721     # marks the file as ours, whatever its name
WAIT_S = 30.0                   # for another program's transaction; each lasts milliseconds
READING_COLUMNS = ("place", "file", "verdict", "probability", "period_mm", "contrast_percent",
                   "contrast_low_percent", "contrast_high_percent", "limit_percent", "grain_percent")


def logbook_path(path: str | os.PathLike[str] | None = None) -> Path:
    """Return the logbook's file: the argument, else in folder STRIPE_OR_GRAIN_DATA, else in the user's."""
    if path is not None:
        return Path(path)
    folder = os.environ.get(FOLDER_VARIABLE)
    own = Path(folder) if folder else platformdirs.user_data_path("stripe-or-grain", appauthor=False)
    return own / FILE_NAME


@contextmanager
def reading(path: str | os.PathLike[str] | None) -> Iterator[sqlite3.Connection]:
    """Open the logbook to read: one consistent view.

    Raises
    ------
    PhotoError
        As `writing`.
    """
    with _opened(logbook_path(path)) as connection:
        connection.execute("BEGIN")
        yield connection
        connection.execute("ROLLBACK")


@contextmanager
def writing(path: str | os.PathLike[str] | None) -> Iterator[sqlite3.Connection]:
    """Open the logbook to write one record: all of it is kept, or nothing.

    Raises
    ------
    PhotoError
        The file is damaged, is no logbook, is newer than this program, or cannot be written.
    """
    with _opened(logbook_path(path)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)) as connection:
            connection.row_factory = sqlite3.Row
            connection.execute(f"PRAGMA busy_timeout = {int(1000 * WAIT_S)}")
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA synchronous = FULL")
            _prepare(connection, path)
            yield connection
    except (sqlite3.OperationalError, OSError) as problem:
        raise PhotoError(f"The logbook {path.name} cannot be opened or written ({problem}). Check that its "
                         "folder exists, may be written to and has room.") from problem
    except sqlite3.DatabaseError as problem:
        if type(problem) is not sqlite3.DatabaseError:      # its subclasses are faults of this program
            raise
        raise PhotoError(f"The file {path.name} is damaged or is no logbook. Move it away and import the zip "
                         "file that you last exported.") from problem


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Bring a new or older file to this version; refuse a newer one."""
    version = _version(connection, path)
    if version == VERSION:
        return
    _use_write_ahead_log(connection)
    if version:
        _keep_copy(connection, path, version)
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = _version(connection, path)      # another program may have been first
        for step in MIGRATIONS[version:]:
            step(connection)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {VERSION}")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def _version(connection: sqlite3.Connection, path: Path) -> int:
    alone = not connection.in_transaction
    if alone:                              # one snapshot: another program may make the file between two readings
        connection.execute("BEGIN")
    try:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        mark = connection.execute("PRAGMA application_id").fetchone()[0]
        tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    finally:
        if alone and connection.in_transaction:
            connection.execute("COMMIT")
    if mark != APPLICATION_ID and (tables or version):
        raise PhotoError(f"The file {path.name} is another program's database, not a logbook. "
                         "Choose another file.")
    if version > VERSION:
        raise PhotoError(f"The logbook {path.name} was written by a newer version of this program (file "
                         f"version {version}, this program knows {VERSION}). Update the program to open it.")
    return version


def _use_write_ahead_log(connection: sqlite3.Connection) -> None:
    """Switch once for the file's life; the switch itself does not wait for other programs, so try again."""
    for attempt in range(100):
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError:
            if attempt == 99:
                raise
            time.sleep(0.05)


def _keep_copy(connection: sqlite3.Connection, path: Path, version: int) -> None:
    """Copy an older file before it is changed, once."""
    copy = path.with_name(f"{path.stem}.version{version}{path.suffix}")
    if copy.exists():
        return
    part = copy.with_name(f"{copy.name}.{os.getpid()}.part")
    with closing(sqlite3.connect(part)) as target:
        connection.backup(target)
    part.replace(copy)


def _first(connection: sqlite3.Connection) -> None:
    for statement in (
        """CREATE TABLE entry (
            id INTEGER PRIMARY KEY AUTOINCREMENT, uid TEXT NOT NULL UNIQUE, written TEXT NOT NULL,
            made TEXT NOT NULL, title TEXT NOT NULL, changed TEXT NOT NULL, machine TEXT NOT NULL,
            notes TEXT NOT NULL, report TEXT NOT NULL, search TEXT NOT NULL)""",
        """CREATE TABLE picture (
            entry INTEGER NOT NULL REFERENCES entry (id), name TEXT NOT NULL, data BLOB NOT NULL,
            PRIMARY KEY (entry, name))""",
        """CREATE TABLE tag (
            entry INTEGER NOT NULL REFERENCES entry (id), tag TEXT NOT NULL, PRIMARY KEY (entry, tag))""",
        "CREATE INDEX entry_made ON entry (made)",
    ):
        connection.execute(statement)


def _second(connection: sqlite3.Connection) -> None:
    """Add the readings apart from the reports, so that a chart over years need not parse them all."""
    connection.execute("""CREATE TABLE reading (
        entry INTEGER NOT NULL REFERENCES entry (id), place TEXT NOT NULL, file TEXT, verdict TEXT,
        probability REAL, period_mm REAL, contrast_percent REAL, contrast_low_percent REAL,
        contrast_high_percent REAL, limit_percent REAL, grain_percent REAL, PRIMARY KEY (entry, place))""")
    for row in connection.execute("SELECT id, report FROM entry WHERE report <> ''").fetchall():
        write_readings(connection, row["id"], json.loads(row["report"]))


MIGRATIONS = (_first, _second)
VERSION = len(MIGRATIONS)


def write_readings(connection: sqlite3.Connection, entry: int, report: dict[str, Any] | None) -> None:
    """Write the figures of a report beside its entry."""
    marks = ", ".join("?" * (1 + len(READING_COLUMNS)))
    for row in readings_of(report):
        connection.execute(f"INSERT INTO reading (entry, {', '.join(READING_COLUMNS)}) VALUES ({marks})",
                           (entry, *(row[c] for c in READING_COLUMNS)))


def readings_of(report: dict[str, Any] | None) -> list[dict[str, Any]]:
    """Take the figures of each photo in a report: its strongest stripe, its limit and its grain."""
    rows = []
    for place in ("before", "after", "photo"):
        photo = (report or {}).get(place)
        if not photo:
            continue
        stripe = photo["stripes"][0] if photo["stripes"] else {}
        low, high = stripe.get("contrast_interval_percent") or (None, None)
        rows.append({"place": place, "file": photo.get("file"), "verdict": photo.get("verdict"),
                     "probability": photo.get("probability_mechanical"), "period_mm": stripe.get("period_mm"),
                     "contrast_percent": stripe.get("contrast_percent"), "contrast_low_percent": low,
                     "contrast_high_percent": high, "limit_percent": photo.get("detection_limit_percent"),
                     "grain_percent": (photo.get("grain") or {}).get("contrast_percent")})
    return rows
