"""A series from files: a list of photos and reports, or the patches of a planned piece."""
from __future__ import annotations

import csv
import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

from analysis.errors import PhotoError
from analysis.plan_photo import PatchResult, PlanResult
from analysis.series import SeriesPoint, break_through, check_item, exponent_of_speeds, series_points, series_table
from analysis.settings import Settings

__all__ = ["LIST_COLUMNS", "patch_points", "read_list", "read_series", "series_lines"]

LIST_COLUMNS = ("file", "label", "date", "speed_mm_s", "power_percent", "depth_mm")
LARGEST_BYTES, MOST_ROWS = 1_000_000, 1000


def read_series(path: str, settings: Settings, *,
                progress: Callable[[float, str], None] | None = None
                ) -> tuple[tuple[SeriesPoint, ...], tuple[str, ...]]:
    """Read a list (CSV) of photos or reports with what is known of each, and judge the photos.

    A file that cannot be judged does not stop the others.

    Parameters
    ----------
    path : str
        First row: column names out of `file`, `label`, `date`, `speed_mm_s`, `power_percent`, `depth_mm`. Files are
        named from the list's own folder; a name that ends in .json is a report.
    settings : Settings
        For the photos.
    progress : callable, optional
        Called with (fraction from 0 to 1, words).

    Returns
    -------
    points : tuple of SeriesPoint
        Of the files that could be judged, in the order of the list.
    problems : tuple of str
        For each other file its row, its name and why.

    Raises
    ------
    PhotoError
        The list itself is at fault; names the column or the row.
    """
    rows, points, problems = read_list(_list_bytes(path), Path(path).name), [], []
    for number, row in enumerate(rows, 1):
        check_item(row, number)
    for number, row in enumerate(rows, 1):
        if progress is not None:
            progress((number - 1) / len(rows), f"{number} of {len(rows)}")
        try:
            points += series_points([row | {"report": _report(Path(path).parent / row["file"], settings)}])
        except PhotoError as problem:
            problems.append(f"Row {number}, {row['file']}: {problem}")
        except MemoryError:
            problems.append(f"Row {number}, {row['file']}: Too little memory. Save the photo smaller.")
    return tuple(points), tuple(problems)


def read_list(data: bytes, name: str) -> list[dict[str, Any]]:
    """Read the rows of a list (CSV): `file`, `label`, `date` as text, the other columns as numbers, or None.

    Raises
    ------
    PhotoError
        Names the column or the row.
    """
    return [{"file": row["file"], "label": row.get("label") or None, "date": row.get("date") or None}
            | {key: _number(row[key], key, number) if row.get(key) else None for key in LIST_COLUMNS[3:]}
            for number, row in enumerate(_rows(data, name), 1)]


def patch_points(result: PlanResult) -> tuple[SeriesPoint, ...]:
    """Points of the patches that could be judged, those turned by 90 degrees left out: their axis is another."""
    return series_points(_item(one) for one in result.patches if one.decision is not None and not one.patch.turned)


def series_lines(points: tuple[SeriesPoint, ...]) -> list[str]:
    """Table of a series, where the grain comes through, and how the period goes with the speed."""
    lines = [series_table(points).rstrip("\n"), ""]
    for against in ("power_percent", "depth_mm"):
        if sum(getattr(point, against) is not None for point in points) > 1:
            lines.append(break_through(points, against).words)
    speeds = exponent_of_speeds(points)
    return lines if speeds is None else [*lines, speeds.words]


def _list_bytes(path: str) -> bytes:
    try:
        if not Path(path).is_file():
            raise PhotoError(f"There is no file {path}. Check the name and the folder.")
        with Path(path).open("rb") as file:
            return file.read(LARGEST_BYTES + 1)
    except OSError as problem:
        raise PhotoError(f"{Path(path).name} cannot be read. Check its permissions.") from problem


def _rows(data: bytes, name: str) -> list[dict[str, str]]:
    """Rows of the list; commas or semicolons part the columns."""
    if len(data) > LARGEST_BYTES:
        raise PhotoError(f"{name} is too large to be a list of photos. Give a CSV file with one row a photo.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise PhotoError(f"{name} is not plain text. Save the list as CSV (UTF-8).") from None
    lines = text.splitlines()
    reader = csv.DictReader(lines, delimiter=";" if lines and lines[0].count(";") else ",")
    columns = [column.strip() for column in reader.fieldnames or ()]
    unknown = [column for column in columns if column not in LIST_COLUMNS]
    if "file" not in columns or unknown:
        what = f"does not know the column {unknown[0]!r}" if unknown else "needs a column `file`"
        raise PhotoError(f"The list {what}. Its first row names columns out of: {', '.join(LIST_COLUMNS)}.")
    reader.fieldnames = columns
    try:
        rows = [{key: (value or "").strip() for key, value in row.items() if isinstance(key, str)} for row in reader]
    except csv.Error as problem:
        raise PhotoError(f"{name} does not read as a list ({problem}). Save it anew as CSV.") from None
    rows = [row for row in rows if row["file"]]
    if not 1 <= len(rows) <= MOST_ROWS:
        raise PhotoError(f"The list has {len(rows)} rows with a file. Give 1 to {MOST_ROWS}.")
    return rows


def _number(text: str, column: str, row: int) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise PhotoError(f"Row {row} of the list: {column} must be a number, not {text!r}.") from None


def _report(path: Path, settings: Settings) -> dict[str, Any]:
    """Report of a photo, or one made before."""
    from analysis.pipeline import inspect
    from analysis.report import load, to_dict
    if path.suffix.lower() != ".json":
        return to_dict(inspect(path, settings))
    try:
        return load(path.read_bytes())
    except OSError as problem:
        raise PhotoError("The report cannot be read. Check its name and place.") from problem


def _item(one: PatchResult) -> dict[str, Any]:
    """What the series needs of a patch, as a photo of a report."""
    return {"label": one.patch.name, "speed_mm_s": one.patch.speed_mm_s, "power_percent": one.patch.power_percent,
            "report": {"verdict": one.decision.verdict, "stripes": [dataclasses.asdict(s) for s in one.stripes],
                       "grain": dataclasses.asdict(one.grain), "detection_limit_percent": one.detection_limit_percent}}
