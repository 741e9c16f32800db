"""One saved result in one zip file: the report, the pictures, maps and curves.

The page opens it again as it was, and a sheet can be made from it without the
photos. Reading trusts nothing in the file: only the names listed here are
read, never written to disk; sizes are checked before anything is unpacked.

| entry | what |
| --- | --- |
| `manifest.json` | kind, format, date, title, notes |
| `report.json` | the report, format 1 |
| `views.json` | extents and units of the pictures |
| `0/picture.png` ... | for each photo its pictures, maps (`.npy`, float32) and curves |
"""
from __future__ import annotations

import io
import json
import math
import warnings
import zipfile
import zlib
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

import numpy as np
from PIL import Image

from analysis import report as reports
from analysis.errors import PhotoError
from analysis.figures import png
from analysis.views import View, Views, make_views

__all__ = ["KIND", "Saved", "open_report", "pack", "unpack"]

KIND = "stripe-or-grain saved result"
FORMAT = 1
MOST_BYTES = 64_000_000                    # all entries unpacked; a saved pair is some 3 MB
MOST_ENTRIES = 64
MOST_PIXELS = 6_000_000                    # of one picture; ours have at most 1.44 million
MOST_VALUES = 2_000_000                    # of one map or curve
PICTURES = {"picture": "L", "texture": "L", "valid": "L", "thumbnail": "RGB"}
EXTENTS = ("extent", "stripe_extent", "grain_extent")
ARRAYS = {"stripe_map_percent": 2, "grain_map_percent": 2, "profile_x": 1, "profile_percent": 1,
          "fitted_percent": 1, "spectrum_period": 1, "spectrum_percent": 1, "threshold_percent": 1}
DATE = (1980, 1, 1, 0, 0, 0)               # entries carry no clock: the same result makes the same bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Saved:
    """A saved result, ready to be shown or printed."""

    report: dict[str, Any]
    views: Views
    made: datetime
    title: str | None = None
    notes: str | None = None


def pack(result: Any, *, title: str | None = None, notes: str | None = None,
         made: datetime | None = None) -> bytes:
    """Save a comparison, an inspection, or a saved result again, as the bytes of a zip file."""
    report = result.report if hasattr(result, "report") else reports.to_dict(result)
    views = result.views if hasattr(result, "views") else make_views(result)
    made = (made or getattr(result, "made", None) or datetime.now()).astimezone()
    manifest = {"kind": KIND, "format": FORMAT, "made": made.isoformat(timespec="seconds"),
                "title": title or getattr(result, "title", None),
                "notes": notes or getattr(result, "notes", None)}
    layout = {"aligned": views.aligned, "map_top_percent": views.map_top_percent,
              "misfits": views.misfits_px is not None,
              "photos": [{"name": v.name, "unit": v.unit} | {key: list(getattr(v, key)) for key in EXTENTS}
                         for v in views.photos]}
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        _add(archive, "manifest.json", json.dumps(manifest, ensure_ascii=False, indent=1).encode())
        _add(archive, "report.json", reports.dumps(report).encode())
        _add(archive, "views.json", json.dumps(layout, allow_nan=False).encode())
        for i, view in enumerate(views.photos):
            for key in PICTURES:
                picture = getattr(view, key)
                whole = picture * np.uint8(255) if picture.dtype == bool else picture
                _add(archive, f"{i}/{key}.png", png(whole), zipfile.ZIP_STORED)
            for key in ARRAYS:
                _add(archive, f"{i}/{key}.npy", _npy(getattr(view, key)))
        if views.misfits_px is not None:
            _add(archive, "misfits.npy", _npy(views.misfits_px))
    return out.getvalue()


def unpack(data: bytes) -> Saved:
    """Read a saved result.

    Raises
    ------
    PhotoError
        Not a saved result, damaged, too large, or written by a newer program.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            read = _reader(archive)
            manifest = _object(read("manifest.json"), "manifest.json")
            _check_manifest(manifest)
            report = reports.load(read("report.json"))
            views = _views(read, _object(read("views.json"), "views.json"), report)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, RuntimeError) as problem:
        raise PhotoError("This file is no saved result, or it is damaged. "
                         "Choose the .zip file as the program wrote it.") from problem
    return Saved(report=report, views=views, made=_date(manifest["made"]), title=_words(manifest, "title"),
                 notes=_words(manifest, "notes"))


def open_report(data: bytes) -> dict[str, Any]:
    """Read the report from a JSON report or from a saved result, whichever the bytes are."""
    return unpack(data).report if data[:4] == b"PK\x03\x04" else reports.load(data)


# ---- writing -----------------------------------------------------------------------------------------

def _add(archive: zipfile.ZipFile, name: str, data: bytes, how: int = zipfile.ZIP_DEFLATED) -> None:
    info = zipfile.ZipInfo(name, DATE)
    info.compress_type = how
    info.external_attr = 0o644 << 16
    archive.writestr(info, data)


def _npy(array: np.ndarray) -> bytes:
    out = io.BytesIO()
    np.lib.format.write_array(out, np.ascontiguousarray(array, "<f4"), version=(1, 0), allow_pickle=False)
    return out.getvalue()


# ---- reading -----------------------------------------------------------------------------------------

def _fault(what: str) -> PhotoError:
    return PhotoError(f"This saved result is faulty: {what}. Choose the .zip file as the program wrote it.")


def _reader(archive: zipfile.ZipFile):
    """Check the archive as a whole and return a function that reads one entry."""
    entries = archive.infolist()
    if len(entries) > MOST_ENTRIES or sum(entry.file_size for entry in entries) > MOST_BYTES:
        raise _fault("it unpacks to more than such a file can hold")
    known = {entry.filename: entry for entry in entries}
    if len(known) != len(entries):
        raise _fault("it holds one name twice")

    def read(name: str) -> bytes:
        if name not in known:
            raise _fault(f"`{name}` is missing")
        entry = known[name]
        with archive.open(entry) as stream:
            data = stream.read(entry.file_size + 1)
        if len(data) != entry.file_size:
            raise _fault(f"`{name}` has another size than it states")
        return data
    return read


def _object(data: bytes, name: str) -> dict[str, Any]:
    try:
        value = json.loads(data)
    except (ValueError, RecursionError) as problem:
        raise _fault(f"`{name}` does not read as JSON") from problem
    if not isinstance(value, dict):
        raise _fault(f"`{name}` must hold named values")
    return value


def _check_manifest(manifest: dict[str, Any]) -> None:
    if manifest.get("kind") != KIND:
        raise PhotoError("This zip file is no saved result. Choose the .zip file that the program wrote.")
    form = manifest.get("format")
    if not isinstance(form, int) or isinstance(form, bool) or form < 1:
        raise _fault("`format` must be a whole number")
    if form > FORMAT:
        raise PhotoError(f"This saved result has format {form}; this program reads up to format {FORMAT}. "
                         "Update the program to open it.")
    _date(manifest.get("made"))


def _date(value: Any) -> datetime:
    try:
        return datetime.fromisoformat(value)
    except (TypeError, ValueError) as problem:
        raise _fault("`made` must be a date") from problem


def _words(manifest: dict[str, Any], key: str) -> str | None:
    value = manifest.get(key)
    if value is not None and not isinstance(value, str):
        raise _fault(f"`{key}` must be text")
    return value


def _views(read, layout: dict[str, Any], report: dict[str, Any]) -> Views:
    names = ["PHOTO"] if "photo" in report else ["BEFORE", "AFTER"]
    photos = layout.get("photos")
    if not isinstance(photos, list) or [isinstance(p, dict) and p.get("name") for p in photos] != names:
        raise _fault(f"`photos` of `views.json` must list {' and '.join(names)}")
    if not isinstance(layout.get("aligned"), bool):
        raise _fault("`aligned` of `views.json` must be true or false")
    top = _finite(layout.get("map_top_percent"), "map_top_percent")
    if not top > 0:
        raise _fault("`map_top_percent` of `views.json` must be above 0")
    views = tuple(_view(read, i, one) for i, one in enumerate(photos))
    if layout["aligned"] and len({view.picture.shape for view in views}) != 1:
        raise _fault("aligned pictures must have one size")
    misfits = _array(read("misfits.npy"), "misfits.npy", 2) if layout.get("misfits") else None
    if misfits is not None and misfits.shape[1] != 4:
        raise _fault("`misfits.npy` must have four columns")
    return Views(photos=views, aligned=layout["aligned"], map_top_percent=top, misfits_px=misfits)


def _view(read, index: int, layout: dict[str, Any]) -> View:
    if layout.get("unit") not in ("mm", "px"):
        raise _fault("`unit` of `views.json` must be mm or px")
    values: dict[str, Any] = {"name": layout["name"], "unit": layout["unit"]}
    for key in EXTENTS:
        edges = layout.get(key)
        if not isinstance(edges, list) or len(edges) != 4:
            raise _fault(f"`{key}` of `views.json` must be a list of 4")
        left, right, top, bottom = (_finite(edge, key) for edge in edges)
        if not (right > left and bottom > top):
            raise _fault(f"`{key}` of `views.json` must run from left to right and from top to bottom")
        values[key] = (left, right, top, bottom)
    for key, mode in PICTURES.items():
        values[key] = _picture(read(f"{index}/{key}.png"), f"{index}/{key}.png", mode)
    values["valid"] = values["valid"] > 127
    values["valid"].setflags(write=False)
    for key, axes in ARRAYS.items():
        values[key] = _array(read(f"{index}/{key}.npy"), f"{index}/{key}.npy", axes)
    if not values["picture"].shape == values["texture"].shape == values["valid"].shape:
        raise _fault(f"the pictures of {values['name']} must have one size")
    for group in (("profile_x", "profile_percent", "fitted_percent"),
                  ("spectrum_period", "spectrum_percent", "threshold_percent")):
        if len({len(values[key]) for key in group}) != 1 or not len(values[group[0]]):
            raise _fault(f"`{group[0]}` and its curves must have one length")
    return View(**{field.name: values[field.name] for field in fields(View)})


def _finite(value: Any, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e9:
        raise _fault(f"`{key}` of `views.json` must hold numbers")
    return float(value)


def _picture(data: bytes, name: str, mode: str) -> np.ndarray:
    """Picture whose size is known to be fair before a pixel is unpacked."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            image = Image.open(io.BytesIO(data), formats=("PNG",))
        if image.size[0] * image.size[1] > MOST_PIXELS or image.mode != mode:
            raise _fault(f"`{name}` is another picture than the program writes")
        array = np.array(image)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as problem:
        raise _fault(f"`{name}` does not read as a picture") from problem
    array.setflags(write=False)
    return array


def _array(data: bytes, name: str, axes: int) -> np.ndarray:
    """Array of float32 whose header agrees with its length before room is made for it."""
    stream = io.BytesIO(data)
    try:
        if np.lib.format.read_magic(stream) != (1, 0):
            raise ValueError("another version")
        shape, fortran, kind = np.lib.format.read_array_header_1_0(stream, max_header_size=1000)
    except ValueError as problem:
        raise _fault(f"`{name}` does not read as an array") from problem
    count = math.prod(shape)
    if fortran or kind != np.dtype("<f4") or len(shape) != axes or count > MOST_VALUES \
            or len(data) - stream.tell() != 4 * count or 0 in shape:
        raise _fault(f"`{name}` is another array than the program writes")
    array = np.frombuffer(data, "<f4", offset=stream.tell()).reshape(shape).astype(np.float32)
    array.setflags(write=False)
    return array
