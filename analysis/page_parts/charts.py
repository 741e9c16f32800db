"""Charts of a result: profiles, spectra, misfits.

Colours differ in lightness and in line style too, so that a chart reads in
grey print and to colour-blind eyes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import altair as alt
import numpy as np

from analysis.figures import period_range, profile_reach, spectrum_reach
from analysis.formats import significant
from analysis.views import View, Views, elsewhere
from analysis.words import period, photos

__all__ = ["axis_ranges", "misfits", "profiles", "spectra"]

HEIGHT = 210  # px of one chart
MISFIT_PX = 270  # width of the misfit chart: fits a phone
MISFIT_SHARE = 0.05  # of the piece: length of a typical arrow


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """Colours of the charts."""

    ink: str  # what was measured
    soft: str  # measured spectrum
    found: str  # what was found
    limit: str  # threshold, machine


LIGHT = Palette(ink="#1d2433", soft="#77808f", found="#b8400a", limit="#1f5f8b")
DARK = Palette(ink="#ece8de", soft="#9aa3b0", found="#ff9d5c", limit="#7cc0ee")


def profiles(views: Views, *, shown: dict[str, tuple[float, float]], dark: bool = False) -> list[alt.LayerChart]:
    """Chart the profile of each photo with the found stripes over it, all to one scale.

    `shown` are the ends of the part of the scan axis that is drawn, by unit.
    """
    ink = DARK if dark else LIGHT
    reach = profile_reach(views.photos)
    rows = []
    for view in views.photos:
        low, high = shown[view.unit]
        seen = _analysed(view) & (view.profile_x >= low) & (view.profile_x <= high)
        frame = _table(
            x=view.profile_x[seen], measured=view.profile_percent[seen], found=view.fitted_percent[seen]
        )
        x = alt.X("x:Q", title=f"Along the scan axis, {view.unit}", scale=alt.Scale(domain=(low, high), nice=False))
        y = {"scale": alt.Scale(domain=[-reach, reach], clamp=True), "title": "Deviation, %"}
        base = alt.Chart(frame, height=HEIGHT, width="container")
        layers = [
            base.mark_line(strokeWidth=0.9, color=ink.ink).encode(
                x,
                alt.Y("measured:Q", **y),
                tooltip=[alt.Tooltip("x:Q", format=".2f"), alt.Tooltip("measured:Q", format=".2f")],
            )
        ]
        if np.any(view.fitted_percent):
            layers.insert(
                0,
                base.mark_line(strokeWidth=3.5, opacity=0.6, color=ink.found).encode(x, alt.Y("found:Q", **y)),
            )
        rows.append(alt.layer(*layers))
    return rows


def axis_ranges(views: Views) -> dict[str, tuple[float, float]]:
    """Ends of the analysed part of the scan axis, by unit: a photo without a scale shares no axis with one in mm."""
    known = {unit: [view.profile_x[_analysed(view)] for view in views.photos if view.unit == unit]
             for unit in dict.fromkeys(view.unit for view in views.photos)}
    return {unit: (float(min(x[0] for x in xs)), float(max(x[-1] for x in xs))) for unit, xs in known.items()}


def spectra(views: Views, report: dict[str, Any], *, expected=(), dark: bool = False) -> list[alt.LayerChart]:
    """Chart contrast against period: threshold, found lines with their intervals, expected periods."""
    ink = DARK if dark else LIGHT
    told = [photo for _, photo in photos(report)]
    reach = spectrum_reach(views.photos, [photo["stripes"] for photo in told])
    return [
        _spectrum(view, photo, reach, expected, elsewhere(told, place, view.unit), ink)
        for place, (view, photo) in enumerate(zip(views.photos, told, strict=True))
    ]


def misfits(views: Views, *, dark: bool = False) -> tuple[alt.Chart, float]:
    """Misfits of the alignment as arrows, and how much they are enlarged."""
    ink = DARK if dark else LIGHT
    x, y, dx, dy = np.asarray(views.misfits_px, np.float64).T
    span = max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    typical = float(np.median(np.hypot(dx, dy))) or 1.0
    enlarge = float(f"{MISFIT_SHARE * span / typical:.0e}")
    x2, y2 = x + enlarge * dx, y + enlarge * dy
    frame = _table(x=x, y=y, x2=x2, y2=y2, misfit=np.hypot(dx, dy), turn=np.degrees(np.arctan2(dx, -dy)))
    room = 0.06 * span
    (left, right), (top, foot) = (
        (min(a.min(), b.min()) - room, max(a.max(), b.max()) + room) for a, b in ((x, x2), (y, y2))
    )
    sx, sy = (alt.Scale(domain=ends, nice=False) for ends in ([left, right], [foot, top]))
    # One scale for both axes, or the arrows would point the wrong way.
    base = alt.Chart(frame, width=MISFIT_PX, height=MISFIT_PX * (foot - top) / (right - left))
    tip = [alt.Tooltip("misfit:Q", format=".2f", title="misfit, px")]
    stalk = base.mark_rule(color=ink.found, strokeWidth=1.6, clip=True).encode(
        alt.X("x:Q", scale=sx, title="BEFORE photo, px"),
        alt.Y("y:Q", scale=sy, title="BEFORE photo, px"),
        alt.X2("x2:Q"),
        alt.Y2("y2:Q"),
        tooltip=tip,
    )
    head = base.mark_point(shape="triangle-up", filled=True, size=42, color=ink.found, opacity=1, clip=True).encode(
        alt.X("x2:Q", scale=sx), alt.Y("y2:Q", scale=sy), angle=alt.Angle("turn:Q", scale=None), tooltip=tip
    )
    return alt.layer(stalk, head), enlarge


def _table(**columns) -> alt.InlineData:
    """Columns of equal length as a chart's rows.

    Altair would take a data frame too, but looks at all of it once for each mark to learn the types, which our
    encodings state; for the same reason they are objects and not Altair's short strings.
    """
    lists = [[None if value != value else value for value in np.asarray(column).tolist()]
             for column in columns.values()]
    return alt.InlineData(values=[dict(zip(columns, row, strict=True)) for row in zip(*lists, strict=True)])


def _analysed(view: View) -> np.ndarray:
    """Where the profile has data: both ends beyond the frame are exactly zero."""
    used = np.flatnonzero(view.profile_percent)
    seen = np.zeros(len(view.profile_x), bool)
    if used.size:
        seen[used[0] : used[-1] + 1] = True
    return seen if seen.any() else ~seen


def _spectrum(view: View, photo: dict[str, Any], reach: float, expected, others, ink: Palette) -> alt.LayerChart:
    low, high = period_range((view,))
    x = {
        "scale": alt.Scale(type="log", domain=[low, high], clamp=True, nice=False),
        "title": f"Spacing, {view.unit}",
    }
    y = {"scale": alt.Scale(domain=[0, reach], clamp=True), "title": "Contrast, %"}
    frame = _table(
        period=view.spectrum_period, measured=view.spectrum_percent, needed=view.threshold_percent
    )
    base = alt.Chart(frame, height=HEIGHT, width="container")
    values = [v for v in (m * 10.0**e for e in range(-3, 5) for m in (1, 2, 5)) if low <= v <= high]
    axis = alt.Axis(values=values, format="~g", grid=False)
    layers = [
        base.mark_line(strokeWidth=1, color=ink.soft).encode(
            alt.X("period:Q", axis=axis, **x), alt.Y("measured:Q", **y)
        ),
        base.mark_line(strokeWidth=1.4, strokeDash=[5, 3], color=ink.limit).encode(
            alt.X("period:Q", axis=axis, **x), alt.Y("needed:Q", **y)
        ),
    ]
    if others:
        dotted = alt.Chart(_table(period=others))
        layers.append(
            dotted.mark_rule(strokeWidth=1.4, strokeDash=[2, 3], color=ink.found).encode(
                alt.X("period:Q", axis=axis, **x),
                tooltip=alt.Tooltip("period:Q", format=".4g", title=f"found in the other photo, {view.unit}"),
            )
        )
    if photo["stripes"]:
        layers += _lines(view, photo, reach, x, y, axis, ink)
    parts = [(p.part, p.period_mm) for p in expected if low < p.period_mm < high] if view.unit == "mm" else []
    if parts:
        names, periods = zip(*parts, strict=True)
        ticks = alt.Chart(_table(part=names, period=periods, y=[0.07 * reach] * len(parts), zero=[0.0] * len(parts)))
        layers.append(
            ticks.mark_rule(strokeWidth=2.4, color=ink.limit).encode(
                alt.X("period:Q", axis=axis, **x),
                alt.Y("zero:Q", **y),
                alt.Y2("y:Q"),
                tooltip=[alt.Tooltip("part:N"), alt.Tooltip("period:Q", format=".4g", title="expected, mm")],
            )
        )
    return alt.layer(*layers)


def _lines(view: View, photo, reach, x, y, axis, ink):
    """Found lines: height the contrast with its interval, width the interval of the period, label the period."""
    unit = view.unit
    found = alt.InlineData(
        values=[
            {
                "period": s[f"period_{unit}"],
                "low": (s.get(f"period_interval_{unit}") or [s[f"period_{unit}"]] * 2)[0],
                "high": (s.get(f"period_interval_{unit}") or [s[f"period_{unit}"]] * 2)[1],
                "contrast": min(s["contrast_percent"] or 0.0, reach),
                "c0": (s["contrast_interval_percent"] or [0, 0])[0],
                "c1": min((s["contrast_interval_percent"] or [0, 0])[1], reach),
                "zero": 0.0,
                "label": f"{significant(s[f'period_{unit}'], 4)} {unit}",
                "words": period(s),
            }
            for s in photo["stripes"]
        ]
    )
    tip = [
        alt.Tooltip("words:N", title="spacing"),
        alt.Tooltip("contrast:Q", format=".2f", title="contrast, %"),
        alt.Tooltip("c0:Q", format=".2f", title="from, %"),
        alt.Tooltip("c1:Q", format=".2f", title="to, %"),
    ]
    base = alt.Chart(found)
    px = alt.X("period:Q", axis=axis, **x)
    band = base.mark_rect(color=ink.found, opacity=0.3).encode(
        alt.X("low:Q", axis=axis, **x), alt.X2("high:Q"), alt.Y("zero:Q", **y), alt.Y2("contrast:Q")
    )
    stem = base.mark_rule(color=ink.found, strokeWidth=2.2).encode(
        px, alt.Y("zero:Q", **y), alt.Y2("contrast:Q"), tooltip=tip
    )
    error = base.mark_rule(color=ink.found, strokeWidth=5, opacity=0.45).encode(
        px, alt.Y("c0:Q", **y), alt.Y2("c1:Q"), tooltip=tip
    )
    head = base.mark_point(shape="triangle-down", filled=True, size=60, color=ink.found, opacity=1).encode(
        px, alt.Y("contrast:Q", **y), tooltip=tip
    )
    text = base.mark_text(align="left", dx=8, dy=-2, fontWeight="bold", color=ink.found, fontSize=12).encode(
        px, alt.Y("contrast:Q", **y), alt.Text("label:N")
    )
    return [band, stem, error, head, text]
