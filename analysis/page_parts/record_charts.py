"""Charts over many tests: a series of photos or patches, and the logbook over time."""

from __future__ import annotations

import altair as alt
import pandas as pd

from analysis.page_parts.charts import DARK, LIGHT

__all__ = ["history", "series"]

DATES = alt.Axis(format="%-d %b %Y", labelOverlap=True, tickCount=6)


def series(rows, against: str, title: str, rise=None, *, dark: bool = False) -> alt.LayerChart:
    """Stripe and grain contrast of a series against one setting or the date.

    Parameters
    ----------
    rows : sequence of dict
        As `analysis.series.series_rows` gives them.
    against : str
        Name of the setting, such as "power_percent", or "date".
    title : str
        Of the axis.
    rise : BreakThrough, optional
        Where the grain comes through: a rule, and a band over its interval.
    """
    ink = DARK if dark else LIGHT
    group = "power_percent" if against == "speed_mm_s" else "speed_mm_s"
    frame = pd.DataFrame(
        [
            {
                "at": row[against],
                "group": _group(row[group], group),
                "what": what,
                "contrast": row[f"{key}_percent"],
                "low": row[f"{key}_low_percent"],
                "high": row[f"{key}_high_percent"],
                "limit": row["limit_percent"] if key == "stripe" and row["stripe_percent"] is None else None,
                "label": row["label"],
                "verdict": row["verdict"],
            }
            for what, key in (("stripes", "stripe"), ("grain", "grain"))
            for row in rows
            if row[against] is not None
        ],
    )
    kind = "T" if against == "date" else "Q"
    axis = DATES if against == "date" else alt.Undefined
    x = alt.X(f"at:{kind}", title=title, axis=axis, scale=alt.Scale(zero=False, padding=14))
    color = alt.Color("what:N", title=None, scale=alt.Scale(domain=["stripes", "grain"], range=[ink.found, ink.limit]))
    y = alt.Y("contrast:Q", title="Contrast, %", scale=alt.Scale(zero=True))
    groups = sorted(set(frame["group"]))
    key = alt.Legend(symbolFillColor=ink.ink, symbolStrokeColor=ink.ink, orient="bottom", columns=3)
    dash = alt.StrokeDash("group:N", legend=None)
    shape = alt.Shape("group:N", title=None, legend=key if len(groups) > 1 else None)
    tip = ["label", "verdict", "what", alt.Tooltip("contrast:Q", format=".2f")]
    found, ranged, hidden = (frame.dropna(subset=names) for names in (["contrast"], ["low", "high"], ["limit"]))
    layers = _rise(rise, ink)
    if len(ranged):  # an empty layer would be a drawing without a name to who cannot see it
        layers.append(
            alt.Chart(ranged).mark_rule(strokeWidth=2).encode(x, alt.Y("low:Q"), alt.Y2("high:Q"), color),
        )
    if len(found):
        seen = alt.Chart(found)
        layers.append(seen.mark_line().encode(x, y, color, dash))
        layers.append(seen.mark_point(filled=True, size=50, opacity=1).encode(x, y, color, shape, tooltip=tip))
    if len(hidden):
        tip = ["label", "verdict", alt.Tooltip("limit:Q", format=".2f", title="could hide up to, %")]
        hollow = alt.Chart(hidden).mark_point(filled=False, size=60, opacity=1)
        layers.append(hollow.encode(x, alt.Y("limit:Q"), color, tooltip=tip))
    chart = alt.layer(*layers).properties(height=320, width="container")
    return chart.configure_legend(orient="top")


def _group(value, name: str) -> str:
    return "" if value is None else f"{value:g} {'mm/s' if name == 'speed_mm_s' else '% power'}"


def _rise(rise, ink) -> list[alt.Chart]:
    """Rule where the grain comes through and a band over its interval; an open end is not drawn."""
    if rise is None or not rise.found:
        return []
    low, high = rise.middle_interval or (None, None)
    place = alt.Chart(pd.DataFrame([{"at": rise.middle, "low": low, "high": high}]))
    rule = place.mark_rule(color=ink.soft, strokeWidth=2, strokeDash=[6, 3]).encode(alt.X("at:Q"))
    if low is None or high is None:
        return [rule]
    return [place.mark_rect(color=ink.soft, opacity=0.25).encode(alt.X("low:Q"), alt.X2("high:Q")), rule]


def history(rows, *, dark: bool = False) -> alt.LayerChart:
    """Stripe contrast over time with intervals; where no stripe was found, what could still hide (hollow)."""
    ink = DARK if dark else LIGHT
    frame = pd.DataFrame(list(rows))
    found, none = frame[frame["contrast_percent"].notna()], frame[frame["contrast_percent"].isna()]
    title = "Stripe contrast, % (bars: 95 %)"
    tip = ["made", "title", "changed", "place", "verdict"]
    x = alt.X("made:T", title="Date of the test", axis=DATES)
    shape = alt.Shape("place:N", title=None)
    bars = (
        alt.Chart(found)
        .mark_rule(color=ink.limit, strokeWidth=2)
        .encode(x, alt.Y("contrast_low_percent:Q", title=title), alt.Y2("contrast_high_percent:Q"))
    )
    points = (
        alt.Chart(found)
        .mark_point(filled=True, size=70, color=ink.found, opacity=1)
        .encode(x, alt.Y("contrast_percent:Q", title=title), shape, tooltip=[*tip, "contrast_percent"])
    )
    limits = (
        alt.Chart(none)
        .mark_point(filled=False, size=70, color=ink.found, opacity=1)
        .encode(x, alt.Y("limit_percent:Q", title=title), shape, tooltip=[*tip, "limit_percent"])
    )
    layers = ([bars, points] if len(found) else []) + ([limits] if len(none) else [])
    chart = alt.layer(*layers).properties(height=320, width="container")
    return chart.configure_legend(orient="top")
