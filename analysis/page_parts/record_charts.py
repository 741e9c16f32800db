"""Charts over many tests: the patches of a test piece, and the logbook over time."""

from __future__ import annotations

import altair as alt
import pandas as pd

from analysis.page_parts.charts import DARK, LIGHT

__all__ = ["history", "patches"]


def patches(rows, *, dark: bool = False) -> alt.LayerChart:
    """Stripe and grain contrast of the patches of a test piece against power, one line for each speed."""
    ink = DARK if dark else LIGHT
    frame = pd.concat(
        pd.DataFrame(
            [
                {
                    "power": r["power_percent"],
                    "speed": f"{r['speed_mm_s']:g} mm/s",
                    "what": what,
                    "contrast": r[f"{key}_percent"],
                    "low": r[f"{key}_low_percent"],
                    "high": r[f"{key}_high_percent"],
                    "label": r["label"],
                    "verdict": r["verdict"],
                }
                for r in rows
            ]
        )
        for what, key in (("stripes", "stripe"), ("grain", "grain"))
    ).dropna(subset=["contrast"])
    base = alt.Chart(frame, height=300, width="container").encode(
        alt.X("power:Q", title="Power, %"),
        alt.Color("what:N", title=None, scale=alt.Scale(domain=["stripes", "grain"], range=[ink.found, ink.limit])),
    )
    title = "Contrast, % (bars: 95 %)"
    y = alt.Y("contrast:Q", title=title, scale=alt.Scale(zero=True))
    tip = ["label", "verdict", "what", alt.Tooltip("contrast:Q", format=".2f")]
    bars = base.mark_rule(strokeWidth=2).encode(alt.Y("low:Q", title=title), alt.Y2("high:Q"))
    lines = base.mark_line().encode(y, alt.StrokeDash("speed:N", title=None))
    dots = base.mark_point(filled=True, size=50, opacity=1).encode(y, alt.Shape("speed:N", title=None), tooltip=tip)
    return alt.layer(bars, lines, dots).configure_legend(orient="top")


def history(rows, *, dark: bool = False) -> alt.LayerChart:
    """Stripe contrast over time with intervals; where no stripe was found, what could still hide (hollow)."""
    ink = DARK if dark else LIGHT
    frame = pd.DataFrame(list(rows))
    found, none = frame[frame["contrast_percent"].notna()], frame[frame["contrast_percent"].isna()]
    title = "Stripe contrast, % (bars: 95 %)"
    tip = ["made", "title", "changed", "place", "verdict"]
    x = alt.X("made:T", title="Date of the test")
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
    chart = alt.layer(bars, points, limits).properties(height=320, width="container")
    return chart.configure_legend(orient="top")
