"""Pairs of photos in a folder, and the row of the table that each becomes."""
from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.errors import PhotoError

__all__ = ["COLUMNS", "Pair", "blank_row", "find_pairs", "report_row"]

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".gif", ".bmp")
SIDE = re.compile(r"(?P<name>.+?)[ _.\-]*(?P<side>before|after)"
                  r"|(?P<side2>before|after)[ _.\-]*(?P<name2>.+)", re.IGNORECASE)
PHOTO_COLUMNS = ("verdict", "probability_mechanical", "period_mm", "period_px", "contrast_percent",
                 "angle_deg", "detection_limit_percent", "grain_contrast_percent", "pixels_per_mm",
                 "warnings")
COLUMNS = ("pair", "status", "change", "ratio", "ratio_low", "ratio_high", "phase_locked", "residual_mm",
           *(f"{side}_{what}" for side in ("before", "after") for what in ("file", *PHOTO_COLUMNS)),
           "report", "problem")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two photos with one name, or what is missing."""

    name: str
    before: Path | None
    after: Path | None
    problem: str | None = None


def find_pairs(folder: str | os.PathLike[str]) -> tuple[Pair, ...]:
    """Find pairs by name: NAME_before.jpg with NAME_after.png, or before/NAME with after/NAME.

    Raises
    ------
    PhotoError
        No such folder, or no photo with before or after in its name.
    """
    folder = Path(folder)
    try:
        if not folder.is_dir():
            raise PhotoError(f"There is no folder {folder}. Check its name.")
        found: dict[str, dict[str, list[Path]]] = {}
        for path in sorted(folder.iterdir()):
            if path.is_dir() and path.name.lower() in ("before", "after"):
                for inside in sorted(path.iterdir()):
                    _note(found, inside, inside.stem, path.name.lower())
            elif match := SIDE.fullmatch(path.stem):
                name, side = match["name"] or match["name2"], match["side"] or match["side2"]
                _note(found, path, name, side.lower())
    except OSError as problem:
        raise PhotoError(f"The folder {folder} cannot be read. Check its permissions.") from problem
    if not found:
        raise PhotoError(f"The folder {folder} holds no pairs. "
                         "Name the photos NAME_before.jpg and NAME_after.jpg.")
    return tuple(_pair(name, sides) for name, sides in sorted(found.items()))


def blank_row(pair: Pair) -> dict[str, Any]:
    """Row of a pair that has no report."""
    row = dict.fromkeys(COLUMNS, "")
    row |= {"pair": pair.name, "status": "skipped" if pair.problem else "not done",
            "problem": pair.problem or ""}
    sides = {"before": pair.before, "after": pair.after}
    return row | {f"{side}_file": path.name for side, path in sides.items() if path}


def report_row(pair: Pair, report: dict[str, Any]) -> dict[str, Any]:
    """Row of a pair with its report (the strongest stripe of each photo)."""
    change, registration = report["change"], report["registration"]
    low, high = change["ratio_interval"] or (None, None)
    row = blank_row(pair) | {
        "status": "done" if registration["ok"] else "not aligned", "change": change["verdict"],
        "ratio": change["ratio"], "ratio_low": low, "ratio_high": high,
        "phase_locked": change["phase_locked"],
        "residual_mm": registration["residual_mm"], "report": f"{pair.name}.json"}
    for side in ("before", "after"):
        photo = report[side]
        stripe = photo["stripes"][0] if photo["stripes"] else {}
        values = {key: stripe.get(key) for key in ("period_mm", "period_px", "contrast_percent", "angle_deg")}
        values |= {key: photo[key] for key in ("verdict", "probability_mechanical", "detection_limit_percent",
                                               "pixels_per_mm")}
        values |= {"grain_contrast_percent": photo["grain"]["contrast_percent"],
                   "warnings": " ".join(photo["warnings"])}
        row |= {f"{side}_{key}": value for key, value in values.items()}
    return {key: "" if value is None else value for key, value in row.items()}


def _note(found, path: Path, name: str, side: str) -> None:
    if path.suffix.lower() in SUFFIXES and not path.name.startswith("."):
        found.setdefault(name, {"before": [], "after": []})[side].append(path)


def _pair(name: str, sides: dict[str, list[Path]]) -> Pair:
    problem = None
    for side, paths in sides.items():
        if len(paths) != 1:
            problem = (f"There is no photo {side.upper()}. Add it to the folder." if not paths else
                       f"There are {len(paths)} photos {side.upper()}. Leave only one in the folder.")
    before, after = (paths[0] if paths else None for paths in (sides["before"], sides["after"]))
    return Pair(name=name, before=before, after=after, problem=problem)
