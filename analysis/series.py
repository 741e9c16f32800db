"""Many photos or patches at once: contrast against power, depth, speed and date.

Everything is read from reports, so a series can be made of old ones.
"""
from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from analysis.break_through import BreakThrough, find_break_through
from analysis.errors import PhotoError
from analysis.formats import contrast, length, percent
from analysis.machine import TwoSpeeds, speed_exponent

__all__ = ["AGAINST", "SeriesPoint", "break_through", "check_item", "exponent_of_speeds", "series_cells", "series_csv",
           "series_points", "series_rows", "series_table"]

AGAINST = {"power_percent": "% power", "depth_mm": "mm depth", "dose": "% power per mm/s", "speed_mm_s": "mm/s",
           "date": "date"}
HIGHEST = {"power_percent": 100.0, "depth_mm": 50.0, "speed_mm_s": 20_000.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesPoint:
    """One photo or patch of a series; None where it is not known."""

    label: str
    date: str | None                       # YYYY-MM-DD
    speed_mm_s: float | None
    power_percent: float | None
    depth_mm: float | None
    dose: float | None                     # power in percent over speed in mm/s
    verdict: str
    period_mm: float | None
    period_interval_mm: tuple[float, float] | None
    stripe_percent: float | None           # None where no stripe was found
    stripe_interval_percent: tuple[float, float] | None
    limit_percent: float | None            # what could still hide
    grain_percent: float | None
    grain_interval_percent: tuple[float, float] | None


def series_points(items: Iterable[Mapping[str, Any]]) -> tuple[SeriesPoint, ...]:
    """Collect the photos of a series.

    Parameters
    ----------
    items : iterable of mappings
        Each with "report" (a whole report or one photo of it) and, as far as known, "label", "date",
        "speed_mm_s", "power_percent", "depth_mm". A comparison gives two points, BEFORE and AFTER.

    Returns
    -------
    tuple of SeriesPoint
        In the order given.

    Raises
    ------
    PhotoError
        A setting is out of range or a report is none.
    """
    points = []
    for number, item in enumerate(items, 1):
        report = item.get("report")
        if not isinstance(report, Mapping):
            raise PhotoError(f"Item {number} of the series has no report. Judge its photo first.")
        photos = [(place, report[place]) for place in ("photo", "before", "after") if place in report]
        for place, photo in photos or [("photo", report)]:
            if "verdict" not in photo or "stripes" not in photo:
                raise PhotoError(f"Item {number} of the series holds no report of a photo. Choose the JSON file that "
                                 "the program wrote.")
            points.append(_point(item, number, photo, place if len(photos) > 1 else ""))
    return tuple(points)


def check_item(item: Mapping[str, Any], number: int) -> None:
    """Refuse settings or a date out of range before the item's photo costs any time; `number` counts from 1."""
    for name in HIGHEST:
        _setting(item, name, number)
    _day(item.get("date"), number)


def series_rows(points: Iterable[SeriesPoint]) -> tuple[dict[str, Any], ...]:
    """Give one flat row a point, for a chart: intervals as *_low and *_high, grain over stripe as `ratio`."""
    rows = []
    for point in points:
        row = asdict(point)
        for name in ("period_interval_mm", "stripe_interval_percent", "grain_interval_percent"):
            low, high = row.pop(name) or (None, None)
            row[name.replace("interval", "low")], row[name.replace("interval", "high")] = low, high
        both = point.stripe_percent and point.grain_percent
        rows.append(row | {"ratio": point.grain_percent / point.stripe_percent if both else None})
    return tuple(rows)


def series_table(points: Iterable[SeriesPoint]) -> str:
    """Give the series as a table in plain text; a stripe that was not found shows what could hide."""
    rows = [("piece", "date", "mm/s", "power %", "depth mm", "stripe contrast", "period", "grain contrast", "verdict"),
            *series_cells(points)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return "\n".join("  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip()
                     for row in rows) + "\n"


def series_cells(points: Iterable[SeriesPoint]) -> list[tuple[str, ...]]:
    """Give each point as it is read: piece, date, speed, power, depth, stripe, period, grain, verdict."""
    rows = []
    for p in points:
        stripe = contrast(p.stripe_percent, p.stripe_interval_percent) if p.stripe_percent else \
            f"below {percent(p.limit_percent)}" if p.limit_percent else "not found"
        half = (p.period_interval_mm[1] - p.period_interval_mm[0]) / 2 if p.period_interval_mm else None
        rows.append((p.label, p.date or "", _short(p.speed_mm_s), _short(p.power_percent), _short(p.depth_mm), stripe,
                     length(p.period_mm, "mm", half) if p.period_mm else "",
                     contrast(p.grain_percent, p.grain_interval_percent), p.verdict))
    return rows


def series_csv(points: Iterable[SeriesPoint]) -> str:
    """Give the series as CSV (RFC 4180), one row a point."""
    out = io.StringIO()
    writer = None
    for row in series_rows(points):
        writer = writer or csv.DictWriter(out, row, lineterminator="\r\n")
        if out.tell() == 0:
            writer.writeheader()
        label = row["label"]
        safe = f"'{label}" if label[:1] in ("=", "+", "-", "@") else label      # no formula in a spreadsheet
        writer.writerow(row | {"label": safe})
    return out.getvalue()


def break_through(points: Iterable[SeriesPoint], against: str = "power_percent", *, seed: int = 0) -> BreakThrough:
    """Estimate from which power, depth or dose on the grain of the lower layer comes through.

    Parameters
    ----------
    points : iterable of SeriesPoint
    against : {"power_percent", "depth_mm", "dose"}

    Raises
    ------
    ValueError
        `against` is none of these.
    """
    if against not in ("power_percent", "depth_mm", "dose"):
        raise ValueError(f"against must be power_percent, depth_mm or dose, got {against!r}")
    known = [p for p in points if getattr(p, against) is not None and p.grain_percent]
    return find_break_through([getattr(p, against) for p in known], [p.grain_percent for p in known],
                              [p.stripe_percent or math.nan for p in known], unit=AGAINST[against], seed=seed)


def exponent_of_speeds(points: Iterable[SeriesPoint]) -> TwoSpeeds | None:
    """Estimate how the period goes with the scan speed over all points: 0 geometry, 1 time.

    Returns
    -------
    TwoSpeeds or None
        None where fewer than two speeds show a stripe.
    """
    seen = [(p.period_mm, (p.period_interval_mm[1] - p.period_interval_mm[0]) / 3.92, p.speed_mm_s) for p in points
            if p.period_mm and p.period_interval_mm and p.speed_mm_s]
    if len({round(math.log(speed) / math.log(1.05)) for _, _, speed in seen}) < 2:
        return None
    return speed_exponent(seen)


def _point(item: Mapping[str, Any], number: int, photo: Mapping[str, Any], place: str) -> SeriesPoint:
    stripe = photo["stripes"][0] if photo["stripes"] else {}
    grain = photo.get("grain") or {}
    speed, power = _setting(item, "speed_mm_s", number), _setting(item, "power_percent", number)
    label = str(item.get("label") or photo.get("file") or f"photo {number}")[:60]
    return SeriesPoint(
        label=f"{label} ({place})" if place else label, date=_day(item.get("date"), number), speed_mm_s=speed,
        power_percent=power, depth_mm=_setting(item, "depth_mm", number),
        dose=power / speed if power is not None and speed else None, verdict=str(photo["verdict"]),
        period_mm=stripe.get("period_mm"), period_interval_mm=_pair(stripe.get("period_interval_mm")),
        stripe_percent=stripe.get("contrast_percent"),
        stripe_interval_percent=_pair(stripe.get("contrast_interval_percent")),
        limit_percent=photo.get("detection_limit_percent"), grain_percent=grain.get("contrast_percent"),
        grain_interval_percent=_pair(grain.get("contrast_interval_percent")))


def _setting(item: Mapping[str, Any], name: str, number: int) -> float | None:
    value = item.get(name)
    if value is None:
        return None
    good = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not good or not 0 <= value <= HIGHEST[name] or (name == "speed_mm_s" and value == 0):
        raise PhotoError(f"`{name}` of item {number} of the series must be a number up to {HIGHEST[name]:g}, not "
                         f"{str(value)[:40]!r}.")
    return float(value)


def _day(value: Any, number: int) -> str | None:
    if value is None or value == "":
        return None
    try:
        return (value if isinstance(value, date) else date.fromisoformat(value)).isoformat()[:10]
    except (TypeError, ValueError):
        raise PhotoError(f"The date of item {number} of the series must be written as year-month-day, such as "
                         "2026-11-25.") from None


def _pair(value: Any) -> tuple[float, float] | None:
    return (value[0], value[1]) if value and None not in value else None


def _short(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
