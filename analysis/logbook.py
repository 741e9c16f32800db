"""The logbook: every test with the machine's state, what was changed, its photos and its report.

Nothing is ever deleted: notes and tags may change, an entry stays.
"""
from __future__ import annotations

import json
import os
import re
import sqlite3
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from analysis.errors import PhotoError
from analysis.logbook_store import READING_COLUMNS, logbook_path, reading, write_readings, writing
from analysis.machine_file import dump_machine, load_machine
from analysis.machine_parts import Machine

__all__ = ["Entry", "EntryLine", "add_entry", "chart_rows", "get_entry", "list_entries", "logbook_path",
           "result_pictures", "search_entries", "set_notes", "set_tags"]

LONGEST = {"title": 200, "changed": 2000, "notes": 20_000, "tag": 50}
MOST_TAGS = 30
LARGEST_PICTURE = 30_000_000    # bytes; a sheet as PDF has about 1 MB
THUMBNAIL_PX = 640
Path = str | os.PathLike[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryLine:
    """One entry in a list."""

    id: int
    uid: str                               # the same in every copy of the logbook
    made: str                              # date of the test, YYYY-MM-DD
    written: str                           # UTC, to the second
    title: str
    changed: str                           # what was changed on the machine before this test
    tags: tuple[str, ...]
    readings: tuple[dict[str, Any], ...]   # per photo: place, verdict, period_mm, contrast_percent, ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry in full."""

    line: EntryLine
    notes: str
    machine: str                           # machine file as TOML; empty where none was given
    report: dict[str, Any] | None
    pictures: dict[str, bytes]             # name ("before.jpg", "sheet.pdf") -> content


def add_entry(*, title: str, changed: str = "", notes: str = "", tags: Iterable[str] = (),
              made: date | str | None = None, machine: Machine | str | None = None,
              report: dict[str, Any] | None = None, pictures: Mapping[str, bytes] | None = None,
              path: Path | None = None) -> int:
    """Write one entry; it is kept in full when this returns, whatever happens then.

    Parameters
    ----------
    title : str
    changed : str
        What was changed on the machine before this test.
    notes, tags
        Free text and short words to find the entry again.
    made : date or "YYYY-MM-DD", optional
        Day of the test; default today.
    machine : Machine or TOML text, optional
    report : dict, optional
        Report of a comparison or an inspection.
    pictures : mapping of name to bytes, optional
        Thumbnails and sheet, as `result_pictures` makes them.
    path : path, optional
        The logbook's file; default the user's own.

    Returns
    -------
    int
        The entry's number.

    Raises
    ------
    PhotoError
        A text is too long or empty, a date is none, or the file cannot be written.
    """
    record = check_record(title=title, changed=changed, notes=notes, tags=tags, made=made, machine=machine,
                          report=report, pictures=pictures)
    record |= {"uid": uuid.uuid4().hex, "written": datetime.now(UTC).isoformat(timespec="seconds")}
    with writing(path) as connection:
        return insert_record(connection, record)


def list_entries(*, tag: str | None = None, path: Path | None = None) -> tuple[EntryLine, ...]:
    """List all entries, newest test first; with `tag` those that carry it."""
    with reading(path) as connection:
        if not tag:
            return _lines(connection, "", ())
        return _lines(connection, "WHERE id IN (SELECT entry FROM tag WHERE tag = ?)", (_word(tag),))


def search_entries(text: str, *, path: Path | None = None) -> tuple[EntryLine, ...]:
    """List the entries that hold every word of `text`, in any field and any alphabet; newest test first."""
    words = [re.sub(r"([\\%_])", r"\\\1", word) for word in text.casefold().split()[:20]]
    where = " AND ".join(["search LIKE ? ESCAPE '\\'"] * len(words))
    with reading(path) as connection:
        return _lines(connection, f"WHERE {where}" if words else "", tuple(f"%{w}%" for w in words))


def get_entry(number: int, *, path: Path | None = None) -> Entry:
    """Return one entry in full.

    Raises
    ------
    PhotoError
        There is no entry of this number.
    """
    with reading(path) as connection:
        return read_entry(connection, number)


def read_entry(connection: sqlite3.Connection, number: int) -> Entry:
    """Return one entry in full through an open connection."""
    line = _line(connection, number)
    row = connection.execute("SELECT notes, machine, report FROM entry WHERE id = ?", (number,)).fetchone()
    pictures = {r["name"]: bytes(r["data"]) for r in connection.execute(
        "SELECT name, data FROM picture WHERE entry = ? ORDER BY name", (number,))}
    return Entry(line=line, notes=row["notes"], machine=row["machine"],
                 report=json.loads(row["report"]) if row["report"] else None, pictures=pictures)


def set_notes(number: int, notes: str, *, path: Path | None = None) -> None:
    """Replace the notes of an entry."""
    notes = _text("notes", notes)
    with writing(path) as connection:
        _line(connection, number)
        connection.execute("UPDATE entry SET notes = ? WHERE id = ?", (notes, number))
        _refresh_search(connection, number)


def set_tags(number: int, tags: Iterable[str], *, path: Path | None = None) -> None:
    """Replace the tags of an entry."""
    words = _tags(tags)
    with writing(path) as connection:
        _line(connection, number)
        connection.execute("DELETE FROM tag WHERE entry = ?", (number,))
        connection.executemany("INSERT INTO tag (entry, tag) VALUES (?, ?)", [(number, w) for w in words])
        _refresh_search(connection, number)


def chart_rows(*, tag: str | None = None, path: Path | None = None) -> tuple[dict[str, Any], ...]:
    """Return one row a photo in order of time: made, entry, title, changed and the readings, for a chart."""
    lines = reversed(list_entries(tag=tag, path=path))
    return tuple({"made": line.made, "entry": line.id, "title": line.title, "changed": line.changed, **row}
                 for line in lines for row in line.readings)


def result_pictures(result: Any) -> dict[str, bytes]:
    """Make thumbnails of a comparison's or an inspection's photos, without any data of camera or place."""
    import cv2  # slow to load; the logbook itself needs no image library

    pictures = {}
    for place in ("before", "after", "photo"):
        judged = getattr(result, place, None)
        if judged is None:
            continue
        preview = judged.photo.preview
        scale = min(THUMBNAIL_PX / max(preview.shape[:2]), 1.0)
        size = (max(round(preview.shape[1] * scale), 1), max(round(preview.shape[0] * scale), 1))
        small = cv2.resize(preview, size, interpolation=cv2.INTER_AREA)
        ok, data = cv2.imencode(".jpg", small[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 85])
        if ok:
            pictures[f"{place}.jpg"] = data.tobytes()
    return pictures


def check_record(*, title, changed, notes, tags, made, machine, report, pictures) -> dict[str, Any]:
    """Check the parts of an entry and return them as they are stored.

    Raises
    ------
    PhotoError
        As `add_entry`.
    """
    title = _text("title", title).strip()
    if not title:
        raise PhotoError("The entry has no title. Give it a few words, such as what was changed.")
    if isinstance(machine, Machine):
        machine = dump_machine(machine)
    if machine:
        load_machine(machine.encode("utf-8", "surrogatepass"))
    pictures = dict(pictures or {})
    for name, data in pictures.items():
        if not name or len(name) > 100 or "/" in name or "\\" in name or not name.isprintable():
            raise PhotoError("A picture's name must be one word such as before.jpg. Rename it.")
        if len(data) > LARGEST_PICTURE:
            raise PhotoError(f"The picture {name} is larger than 30 MB. Save a smaller one.")
    return {"title": title, "changed": _text("changed", changed), "notes": _text("notes", notes),
            "tags": _tags(tags), "made": _day(made), "machine": machine or "",
            "report": json.dumps(report, allow_nan=False) if report else "",
            "pictures": pictures}


def insert_record(connection: sqlite3.Connection, record: dict[str, Any]) -> int:
    """Insert a checked record with its uid and time into an open transaction; returns its number."""
    columns = ("uid", "written", "made", "title", "changed", "machine", "notes", "report")
    number = connection.execute(
        f"INSERT INTO entry ({', '.join(columns)}, search) VALUES (?, ?, ?, ?, ?, ?, ?, ?, '')",
        tuple(record[c] for c in columns)).lastrowid
    connection.executemany("INSERT INTO tag (entry, tag) VALUES (?, ?)",
                           [(number, tag) for tag in record["tags"]])
    connection.executemany("INSERT INTO picture (entry, name, data) VALUES (?, ?, ?)",
                           [(number, name, data) for name, data in record["pictures"].items()])
    write_readings(connection, number, json.loads(record["report"]) if record["report"] else None)
    _refresh_search(connection, number)
    return number


def _refresh_search(connection: sqlite3.Connection, number: int) -> None:
    """Keep one folded text of all fields, so that the search knows every alphabet's letter cases."""
    row = connection.execute("SELECT title, changed, notes, made, machine FROM entry WHERE id = ?",
                             (number,)).fetchone()
    words = [*row]
    words += [r["tag"] for r in connection.execute("SELECT tag FROM tag WHERE entry = ?", (number,))]
    for r in connection.execute("SELECT file, verdict FROM reading WHERE entry = ?", (number,)):
        words += [r["file"] or "", r["verdict"] or ""]
    connection.execute("UPDATE entry SET search = ? WHERE id = ?", ("\n".join(words).casefold(), number))


def _lines(connection: sqlite3.Connection, where: str, values: tuple) -> tuple[EntryLine, ...]:
    rows = connection.execute("SELECT id, uid, made, written, title, changed FROM entry "
                              f"{where} ORDER BY made DESC, id DESC", values).fetchall()
    tags: dict[int, list[str]] = {row["id"]: [] for row in rows}
    readings: dict[int, list[dict]] = {row["id"]: [] for row in rows}
    these, columns = f"entry IN (SELECT id FROM entry {where})", ", ".join(READING_COLUMNS)
    for row in connection.execute(f"SELECT entry, tag FROM tag WHERE {these} ORDER BY tag", values):
        tags[row["entry"]].append(row["tag"])
    for row in connection.execute(f"SELECT entry, {columns} FROM reading WHERE {these} ORDER BY rowid", values):
        readings[row["entry"]].append({c: row[c] for c in READING_COLUMNS})
    return tuple(EntryLine(**dict(row), tags=tuple(tags[row["id"]]), readings=tuple(readings[row["id"]]))
                 for row in rows)


def _line(connection: sqlite3.Connection, number: int) -> EntryLine:
    lines = _lines(connection, "WHERE id = ?", (number,))
    if not lines:
        raise PhotoError(f"The logbook has no entry {number}. List the entries to see their numbers.")
    return lines[0]


def _text(field: str, value: Any) -> str:
    if not isinstance(value, str) or "\x00" in value:
        raise PhotoError(f"The entry's {field} must be plain text.")
    if len(value) > LONGEST[field]:
        raise PhotoError(f"The entry's {field} is longer than {LONGEST[field]} letters. Shorten it.")
    return value.encode("utf-8", "replace").decode("utf-8")     # a lone surrogate cannot be stored


def _word(tag: str) -> str:
    return " ".join(_text("tag", tag).split()).casefold()


def _tags(tags: Iterable[str]) -> tuple[str, ...]:
    words = tuple(dict.fromkeys(w for w in map(_word, tags) if w))
    if len(words) > MOST_TAGS:
        raise PhotoError(f"An entry may carry {MOST_TAGS} tags. Keep those by which you search.")
    return words


def _day(made: date | str | None) -> str:
    if made is None:
        return date.today().isoformat()
    if isinstance(made, datetime):
        made = made.date()
    try:
        return (made if isinstance(made, date) else date.fromisoformat(made)).isoformat()
    except (TypeError, ValueError):
        raise PhotoError("The date of the test must be written as year-month-day, such as "
                         "2026-11-25.") from None
