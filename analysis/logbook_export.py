"""The logbook out of and into other hands: CSV for a spreadsheet, a zip file with everything.

Zip: `logbook.json` (format number and the entries' uids), `entries/UID.json`,
`pictures/UID/NAME`. An entry that is already there is not written twice; one of
the same uid with another content is kept beside it under a uid of its own.
"""
from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import uuid
import zipfile
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from analysis.errors import PhotoError
from analysis.logbook import LARGEST_PICTURE, Entry, check_record, insert_record, list_entries, read_entry
from analysis.logbook_store import READING_COLUMNS, reading, writing
from analysis.report import from_dict

__all__ = ["Imported", "export_csv", "export_zip", "import_zip"]

FORMAT = 1
MOST_MEMBERS = 100_000
LARGEST_ENTRY = 30_000_000      # bytes of one entry's JSON
LARGEST_TOTAL = 4_000_000_000   # bytes unpacked: years of records; more is a trap
FIELDS = ("title", "changed", "notes", "made", "machine")


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import did."""

    added: int
    already_there: int


def export_csv(*, path: str | os.PathLike[str] | None = None) -> str:
    """Write the logbook as CSV: one row a photo (one for an entry without a report), in order of time."""
    columns = ("entry", "uid", "made", "written", "title", "changed", "tags", *READING_COLUMNS)
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\r\n")      # RFC 4180
    writer.writeheader()
    for line in reversed(list_entries(path=path)):
        head = {"entry": line.id, "uid": line.uid, "made": line.made, "written": line.written,
                "title": line.title, "changed": line.changed, "tags": "; ".join(line.tags)}
        for row in line.readings or ({},):
            writer.writerow({key: _cell(value) for key, value in (head | dict(row)).items()})
    return out.getvalue()


def export_zip(*, path: str | os.PathLike[str] | None = None) -> bytes:
    """Pack the whole logbook with its pictures; `import_zip` reads it back."""
    out = io.BytesIO()
    with reading(path) as connection, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        rows = connection.execute("SELECT id, uid FROM entry ORDER BY made, id").fetchall()
        head = {"format": FORMAT, "entries": [row["uid"] for row in rows]}
        archive.writestr("logbook.json", json.dumps(head))
        for row in rows:
            entry = read_entry(connection, row["id"])
            archive.writestr(f"entries/{row['uid']}.json", json.dumps(_content(entry)))
            for name, data in entry.pictures.items():      # packed already
                archive.writestr(f"pictures/{row['uid']}/{name}", data, zipfile.ZIP_STORED)
    return out.getvalue()


def import_zip(data: bytes, *, path: str | os.PathLike[str] | None = None) -> Imported:
    """Add the entries of an exported zip: all of them, or none where one is faulty.

    Raises
    ------
    PhotoError
        The file is no exported logbook, is newer than this program, or an entry in it is faulty.
    """
    records = _records(data)
    added = there = 0
    with writing(path) as connection:
        for record in records:
            for uid in (record["uid"], _own_uid(record)):
                row = connection.execute("SELECT id FROM entry WHERE uid = ?", (uid,)).fetchone()
                if row is None:
                    insert_record(connection, record | {"uid": uid})
                    added += 1
                    break
                if _stored_digest(connection, row["id"]) == _digest(record):
                    there += 1
                    break
            else:
                there += 1      # the copy was added before, and its notes were edited here since
    return Imported(added=added, already_there=there)


def _cell(value: Any) -> Any:
    """Keep a text from being read as a formula by a spreadsheet."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _content(entry: Entry) -> dict[str, Any]:
    line = entry.line
    return {"uid": line.uid, "written": line.written, "made": line.made, "title": line.title,
            "changed": line.changed, "notes": entry.notes, "tags": list(line.tags), "machine": entry.machine,
            "report": entry.report}


def _records(data: bytes) -> list[dict[str, Any]]:
    """Read and check every entry before the first one is written."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = {info.filename: info for info in archive.infolist()}
            if len(members) > MOST_MEMBERS or sum(i.file_size for i in members.values()) > LARGEST_TOTAL:
                raise PhotoError("This zip file is larger than a logbook can be. Choose the file that "
                                 "was exported.")
            head = _json(archive, members, "logbook.json")
            if not isinstance(head, dict) or not isinstance(head.get("format"), int):
                raise _faulty("logbook.json")
            if head["format"] > FORMAT:
                raise PhotoError(f"This logbook was exported by a newer program (format {head['format']}; "
                                 f"this one reads {FORMAT}). Update the program to import it.")
            return [_record(archive, members, uid) for uid in head.get("entries") or ()]
    except (zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, EOFError, OSError, RuntimeError,
            zipfile.zlib.error) as problem:
        raise PhotoError("This file is not a whole zip file. Export the logbook again.") from problem


def _record(archive: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo], uid: Any) -> dict[str, Any]:
    if not isinstance(uid, str) or not re.fullmatch(r"[0-9a-f]{32}", uid):
        raise _faulty("logbook.json")
    name = f"entries/{uid}.json"
    entry = _json(archive, members, name)
    tags = entry.get("tags") if isinstance(entry, dict) else None
    if not isinstance(tags, list) or any(not isinstance(entry.get(key), str) for key in FIELDS):
        raise _faulty(name)
    report = entry.get("report")
    folder = f"pictures/{uid}/"
    pictures = {member.removeprefix(folder): _bytes(archive, info, LARGEST_PICTURE)
                for member, info in members.items() if member.startswith(folder) and not info.is_dir()}
    record = check_record(**{key: entry[key] for key in FIELDS}, tags=tags, pictures=pictures,
                          report=from_dict(report) if report else None)
    return record | {"uid": uid, "written": _moment(entry.get("written"), name)}


def _moment(value: Any, name: str) -> str:
    try:
        return datetime.fromisoformat(value).isoformat(timespec="seconds")
    except (TypeError, ValueError):
        raise _faulty(name) from None


def _json(archive: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo], name: str) -> Any:
    if name not in members:
        raise PhotoError(f"This zip file is no exported logbook: `{name}` is missing. Choose the file "
                         "that was exported.")
    try:
        return json.loads(_bytes(archive, members[name], LARGEST_ENTRY))
    except (ValueError, RecursionError):
        raise _faulty(name) from None


def _bytes(archive: zipfile.ZipFile, info: zipfile.ZipInfo, most: int) -> bytes:
    with archive.open(info) as file:
        data = file.read(most + 1)      # the size in the directory may lie
    if len(data) > most:
        raise PhotoError(f"`{info.filename}` in this zip file is larger than a logbook's. Export it again.")
    return data


def _faulty(name: str) -> PhotoError:
    return PhotoError(f"`{name}` in this zip file is faulty. Export the logbook again.")


def _digest(record: dict[str, Any]) -> str:
    """Fingerprint of an entry's content, the same before and after it is stored."""
    pictures = sorted((name, hashlib.sha256(data).hexdigest()) for name, data in record["pictures"].items())
    report = json.loads(record["report"]) if record["report"] else None
    content = [record["made"], record["title"], record["changed"], record["machine"], record["notes"],
               sorted(record["tags"]), report, pictures]
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _stored_digest(connection, number: int) -> str:
    row = connection.execute("SELECT made, title, changed, machine, notes, report FROM entry WHERE id = ?",
                             (number,)).fetchone()
    tags = [r["tag"] for r in connection.execute("SELECT tag FROM tag WHERE entry = ?", (number,))]
    pictures = {r["name"]: bytes(r["data"]) for r in connection.execute(
        "SELECT name, data FROM picture WHERE entry = ?", (number,))}
    return _digest(dict(row) | {"tags": tags, "pictures": pictures})


def _own_uid(record: dict[str, Any]) -> str:
    """Uid for an entry whose uid is taken by another content; the same each time it is imported."""
    return uuid.uuid5(uuid.UUID(record["uid"]), _digest(record)).hex
