"""What a series shows, be it of photos or of a test piece's patches: table, chart, where the grain comes through."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from analysis.page_parts import markup
from analysis.page_parts.components import put
from analysis.page_parts.evidence import is_dark

__all__ = ["show_points"]

HEAD = (
    "Piece",
    "Date",
    "Speed, mm/s",
    "Power, %",
    "Depth, mm",
    "Stripe contrast",
    "Spacing",
    "Grain contrast",
    "Verdict",
)
AXES = {
    "power_percent": "Power, %",
    "depth_mm": "Depth, mm",
    "dose": "Dose, % of power per mm/s",
    "speed_mm_s": "Scan speed, mm/s",
    "date": "Date",
}
RISES = ("power_percent", "depth_mm", "dose")  # along which the grain may come through


def show_points(points, *, key: str, stem: str, table: bool = True) -> None:
    """Table of the points, chart against what was varied, break-through with its interval, the CSV file."""
    from analysis.page_parts import record_charts
    from analysis.series import break_through, exponent_of_speeds, series_cells, series_csv, series_rows

    if table:
        rows = [(*cells[:-1], markup.BIG[cells[-1]]) for cells in series_cells(points)]
        put(markup.table(HEAD, rows, "The series, a row for each piece"))
    varied = [name for name in AXES if len({getattr(p, name) for p in points} - {None}) > 1]
    if varied:
        against = varied[0]
        if len(varied) > 1:
            against = st.selectbox("Show the contrast against", varied, format_func=AXES.get, key=f"{key}_against")
        rise = break_through(points, against) if against in RISES else None
        st.altair_chart(
            record_charts.series(series_rows(points), against, AXES[against], rise, dark=is_dark()),
            width="stretch",
            key=f"{key}_chart",
            alt=f"Stripe and grain contrast against: {AXES[against]}",
        )
        st.caption("Bars: 95 % intervals. Hollow: no stripe was found, and none above this contrast could hide.")
        if rise is not None:
            st.markdown(rise.words)
    elif len(points) > 1:
        st.info("Type in what differs between the pieces (power, depth, speed or date) to see the chart.")
    speeds = exponent_of_speeds(points)
    if speeds is not None:
        st.markdown(speeds.words)
    st.download_button(
        "Series as table (CSV)",
        series_csv(points).encode("utf-8-sig"),
        f"{stem}-{datetime.now():%Y-%m-%d}.csv",
        "text/csv",
        key=f"{key}_csv",
        on_click="ignore",
    )
