"""Charts of contrast by place: along the scan axis, across it, and against how dark the ground is."""

from __future__ import annotations

from typing import Any

import altair as alt

from analysis.by_place_chart import level_rows, place_rows
from analysis.page_parts.charts import DARK, LIGHT
from analysis.views import Views
from analysis.words import photos

__all__ = ["by_level", "by_place"]

HEIGHT = 260  # px of one chart
DASHES = [[1, 0], [5, 4]]  # BEFORE, AFTER


def by_place(views: Views, report: dict[str, Any], axis: str, unit: str, *, dark: bool = False) -> alt.LayerChart:
    """Chart contrast "along" or "across" the scan axis of the photos in one unit; bars are 95 % intervals."""
    told = zip(views.photos, photos(report), strict=True)
    rows = {view.name: place_rows(view, photo, axis) if view.unit == unit else [] for view, (_, photo) in told}
    where = "Along the scan axis" if axis == "along" else "Across the scan axis"
    return _chart(rows, f"{where}, {unit}", dark)


def by_level(report: dict[str, Any], *, dark: bool = False) -> alt.LayerChart | None:
    """Chart stripe contrast against the darkness of the ground, dark at the right; `None` where no ground varies."""
    rows = {name: level_rows(photo) for name, photo in photos(report)}
    if not any(rows.values()):
        return None
    return _chart(rows, "Ground, light to dark (mean 1)", dark, falling=True)


def _chart(rows, title: str, dark: bool, falling: bool = False) -> alt.LayerChart:
    ink = DARK if dark else LIGHT
    told = [
        {
            "photo": name,
            "what": row.what,
            "place": row.place,
            "contrast": row.contrast_percent,
            "low": row.low_percent,
            "high": row.high_percent,
        }
        for name, points in rows.items()
        for row in points
    ]
    x = alt.X("place:Q", title=title, scale=alt.Scale(zero=False, nice=False, reverse=falling, padding=8))
    color = alt.Color(
        "what:N",
        title=None,
        legend=None if {one["what"] for one in told} == {"stripes"} else alt.Legend(orient="top"),
        scale=alt.Scale(domain=["stripes", "grain"], range=[ink.found, ink.limit]),
    )
    order = list(rows)
    dash = alt.StrokeDash("photo:N", legend=None, sort=order, scale=alt.Scale(domain=order, range=DASHES[: len(order)]))
    y = alt.Y("contrast:Q", title="Contrast, %", scale=alt.Scale(zero=True))
    tip = [alt.Tooltip("photo:N"), alt.Tooltip("what:N")]
    tip += [alt.Tooltip(f"{name}:Q", format=".2f") for name in ("place", "contrast", "low", "high")]
    frame = alt.InlineData(values=told)
    lines = alt.Chart(frame).mark_line(strokeWidth=1.6).encode(x, y, color, dash, alt.Detail("photo:N"))
    dots = alt.Chart(frame).mark_point(filled=True, size=26, opacity=1).encode(x, y, color, tooltip=tip)
    layers, ranged = [lines, dots], [one for one in told if None not in (one["low"], one["high"])]
    if ranged:  # an empty layer would be a drawing without a name to who cannot see it
        bars = alt.Chart(alt.InlineData(values=ranged)).mark_rule(strokeWidth=2.2, opacity=0.75)
        layers.insert(0, bars.encode(x, alt.Y("low:Q"), alt.Y2("high:Q"), color))
    return alt.layer(*layers).properties(height=HEIGHT, width="container")
