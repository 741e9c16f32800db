"""The drive calculator: wrap and teeth in mesh, a belt at an angle, runout, and what a measured stripe says."""

from __future__ import annotations

from typing import Any

import streamlit as st

from analysis import words
from analysis.page_parts import markup
from analysis.page_parts.components import put

__all__ = ["show_calculator"]

KEEP = {"persist_state": "session"}


def show_calculator(machine) -> None:
    """Figures of the drive in three groups, then the cautions."""
    from analysis.drive import CAUTIONS

    st.subheader("Drive calculator", anchor=False)
    put(markup.cautions(CAUTIONS))
    wrap = _wrap(machine) if machine.belt and machine.belt.pulley_teeth else 180.0
    away = _angle(machine, wrap)
    _faults(machine)
    _measured(machine, away)


def _wrap(machine) -> float:
    """Wrap of the belt in degrees, typed in or from the two pulleys."""
    one, two, three = st.columns(3, vertical_alignment="bottom")
    wrap = one.number_input(
        "Wrap of the belt on the driven pulley, degrees", 10.0, 360.0, 180.0, 5.0, format="%.4g", key="wrap", **KEEP
    )
    other = two.number_input(
        "Or from the other pulley: its diameter, mm", 2.0, 500.0, None, 1.0, format="%.4g", key="other", **KEEP
    )
    centre = three.number_input(
        "and its distance, axle to axle, mm", 5.0, 5000.0, 300.0, 10.0, format="%.5g", key="centre", **KEEP
    )
    if other is not None:
        from analysis.drive import wrap_on_driven

        try:
            wrap = wrap_on_driven(machine.belt.pulley_teeth, machine.belt.pitch_mm, other, centre)
        except ValueError:
            st.error("Two pulleys of these diameters do not fit at this distance. Measure from axle to axle.")
    return wrap


def _angle(machine, wrap: float) -> float:
    """Belt that runs at an angle to the travel; returns the distance from pulley to clamp, mm."""
    from analysis.drive import drive_figures

    one, two = st.columns(2)
    angle = one.number_input(
        "Belt against its travel, degrees", 0.0, 45.0, 0.0, 0.5, format="%.3g", key="belt_angle", **KEEP
    )
    away = two.number_input("Pulley to belt clamp, mm", 10.0, 5000.0, 200.0, 10.0, format="%.5g", key="clamp", **KEEP)
    _table(drive_figures(machine, wrap_deg=wrap, angle_deg=angle, distance_mm=away), "Travel, steps and belt")
    return away


def _faults(machine) -> None:
    from analysis.drive import fault_figures

    if not machine.belt or not machine.belt.pulley_teeth:
        return
    off = st.number_input(
        "Pulley off its centre (half of what a dial gauge shows over a turn), mm",
        0.0,
        5.0,
        0.05,
        0.01,
        format="%.3f",
        key="eccentric",
        **KEEP,
    )
    _table(fault_figures(machine, eccentricity_mm=off), "What a pulley that is not true does")


def _measured(machine, away: float) -> None:
    """What a stripe says of the drive: that of the last answer, or one typed in."""
    from analysis.drive import angle_from_drift, stripe_figures

    st.subheader("From a measured stripe", anchor=False)
    found, tag = _last_stripe()
    one, two, three = st.columns(3)
    period = one.number_input(
        "Its spacing, mm", 0.05, 200.0, found.get("period_mm"), 0.01, format="%.4g", key=f"stripe_period_{tag}", **KEEP
    )
    contrast = two.number_input(
        "Its contrast, %",
        0.0,
        100.0,
        found.get("contrast_percent"),
        0.1,
        format="%.3g",
        key=f"stripe_contrast_{tag}",
        **KEEP,
    )
    drift = three.number_input(
        "Drift of its spacing, % per 100 mm",
        -20.0,
        20.0,
        found.get("drift_percent_per_100mm"),
        0.01,
        format="%.3g",
        key=f"stripe_drift_{tag}",
        **KEEP,
    )
    if found:
        st.caption("Filled in from the last answer.")
    if period and contrast is not None:
        figures = stripe_figures(machine, period_mm=period, contrast_percent=contrast)
        _table(figures, "What the stripe says of the drive")
    if drift:
        st.markdown(angle_from_drift(drift, away).words)


def _last_stripe() -> tuple[dict[str, Any], str]:
    """Strongest stripe of the last answer's newest photo that has one, and a name for it."""
    answer = st.session_state.get("shown_answer")
    for _, photo in reversed(words.photos(answer.report) if answer else []):
        if photo["stripes"] and photo["stripes"][0]["period_mm"]:
            return photo["stripes"][0], answer.key[:12]
    return {}, "typed"


def _table(figures, caption: str) -> None:
    rows = [(f.name[:1].upper() + f.name[1:], f"{f.value:.4g} {f.unit}", f.words) for f in figures]
    if rows:
        put(markup.table(("Figure", "Value", "What it is"), rows, caption))
    put(markup.warning_list([f.warning for f in figures if f.warning]))
