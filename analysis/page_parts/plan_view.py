"""The test piece: lay it out, download it, and judge a photo of it patch by patch."""

from __future__ import annotations

import dataclasses

import streamlit as st

from analysis import words
from analysis.errors import PhotoError
from analysis.page_parts import markup
from analysis.page_parts.assets import svg_address
from analysis.page_parts.components import put
from analysis.page_parts.photos import KINDS, MOST_MB
from analysis.page_parts.series_results import show_points

__all__ = ["show_plan"]

LEGEND = (
    "<b>P</b> is the power in %, <b>V</b> the scan speed in mm/s, <b>T</b> a patch turned by 90 degrees.",
    "<b>Each colour is a layer of its own.</b> Give each layer the power and speed that its label says.",
    "The small squares at the foot are a scale of steps in power, the squares in the corners the marks.",
)
KEEP = {"persist_state": "session"}


def show_plan() -> None:
    """Everything about the test piece."""
    put(markup.step("Test piece"))
    st.markdown(
        "A piece with patches over power and speed, one group turned by 90 degrees, and marks in its corners "
        "by which a photo of it is recognised. The files open in any program that reads SVG or DXF."
    )
    put(markup.cautions((words.CAUTION_ENGRAVE, words.CAUTION_RANK)))
    plan = _ask()
    if plan is not None:
        _drawing(plan)
        _files(plan)
    _judge(plan)


def _ask():
    """The person's own values; `None` where they cannot be used."""
    from analysis.plan import PlanSettings, make_plan

    start = PlanSettings()
    one, two, three = st.columns(3)
    width = one.number_input(
        "Width along the scan axis, mm", 60.0, 1000.0, start.width_mm, 5.0, format="%.5g", key="plan_w", **KEEP
    )
    height = two.number_input("Height, mm", 60.0, 1000.0, start.height_mm, 5.0, format="%.5g", key="plan_h", **KEEP)
    rows = three.number_input(
        "Distance of the engraved rows, mm", 0.01, 1.0, start.line_interval_mm, 0.01, key="plan_rows", **KEEP
    )
    one, two, three = st.columns(3)  # a new row: on a phone the fields keep their order
    powers = one.text_input("Powers, %, separated by commas", _line(start.powers_percent), key="plan_powers", **KEEP)
    speeds = two.text_input(
        "Scan speeds, mm/s, separated by commas", _line(start.speeds_mm_s), key="plan_speeds", **KEEP
    )
    wave = three.number_input(
        "Wavelength of the laser, nm (for the eyewear)",
        150.0,
        20000.0,
        None,
        1.0,
        format="%.6g",
        key="plan_wave",
        **KEEP,
    )
    one, two, _ = st.columns(3)
    title = one.text_input("Text line on the piece", start.title, key="plan_title", max_chars=60, **KEEP)
    turned = two.checkbox("With a group turned by 90 degrees", start.turned, key="plan_turned", **KEEP)
    try:
        return make_plan(
            PlanSettings(
                width_mm=width,
                height_mm=height,
                line_interval_mm=rows,
                title=title,
                turned=turned,
                wavelength_nm=wave,
                powers_percent=_numbers("powers", powers),
                speeds_mm_s=_numbers("speeds", speeds),
            )
        )
    except PhotoError as problem:
        st.error(str(problem))
        return None


def _drawing(plan) -> None:
    from analysis.plan_files import plan_svg

    told = f"The test piece: {len(plan.patches)} patches, four corner marks, a frame and a step scale"
    drawing = f'<img src="{svg_address(plan_svg(plan).decode())}" alt="{told}">'
    lines = "".join(f"<p>{line}</p>" for line in LEGEND)
    put(f'<figure class="sg-plan">{drawing}<figcaption>{lines}</figcaption></figure>')


def _files(plan) -> None:
    """Downloads, built when asked for; the instructions hold the cautions and what the piece can prove."""

    def made(module: str, name: str):
        def make():
            from importlib import import_module

            return getattr(import_module(f"analysis.{module}"), name)(plan)

        return make

    def instructions() -> str:
        from analysis.plan_page import plan_page, prove_plan

        return plan_page(plan, prove_plan(plan))

    with st.container(horizontal=True):
        st.download_button(
            "Test piece as SVG",
            made("plan_files", "plan_svg"),
            "test-piece.svg",
            "image/svg+xml",
            key="plan_svg",
            on_click="ignore",
            type="primary",
        )
        st.download_button(
            "Test piece as DXF",
            made("plan_files", "plan_dxf"),
            "test-piece.dxf",
            "image/vnd.dxf",
            key="plan_dxf",
            on_click="ignore",
        )
        st.download_button(
            "How to run and photograph it (HTML)",
            instructions,
            "test-piece.html",
            "text/html",
            key="plan_html",
            on_click="ignore",
        )
        st.download_button(
            "Plan to keep (JSON)",
            made("plan_files", "plan_json"),
            "test-piece.json",
            "application/json",
            key="plan_json",
            on_click="ignore",
        )


# ---- a photo of it -----------------------------------------------------------------------------------


def _judge(plan) -> None:
    st.subheader("A photo of the engraved piece", anchor=False)
    left, right = st.columns(2)
    photo = left.file_uploader("Photo of the whole piece", type=KINDS, key="plan_photo", max_upload_size=MOST_MB)
    kept = right.file_uploader(
        "Its plan (SVG or JSON), if it is not the one above", type=["svg", "json"], key="plan_file", max_upload_size=5
    )
    if photo is None:
        return
    try:
        if kept is not None:
            from analysis.plan_files import read_plan

            plan = read_plan(kept.getvalue())
        if plan is not None:
            _told(_judged(photo.getvalue(), photo.name, plan))
    except PhotoError as problem:
        st.error(str(problem))


def _judged(data: bytes, name: str, plan):
    """The patches of this photo, kept for the session."""
    from analysis.page_parts.choices import answer_key
    from analysis.plan_photo import judge_plan
    from analysis.settings import Settings

    key = answer_key(((name, data),), Settings(), repr(plan.settings))
    kept = st.session_state.get("plan_answer")
    if kept is None or kept[0] != key:
        place = st.empty()
        bar = place.progress(0.0, "Starting")
        try:
            result = judge_plan(data, plan, name=name, progress=lambda share, told: bar.progress(share, told))
        finally:
            place.empty()
        # The photo itself is not kept: a dozen megapixels of floats for each session.
        kept = st.session_state["plan_answer"] = (key, dataclasses.replace(result, piece=None))
    return kept[1]


def _told(result) -> None:
    """Table of the patches, chart over power, and where the grain comes through."""
    from analysis.series_files import patch_points

    put(markup.warning_list(result.warnings, "About the photo"))
    put(
        markup.table(
            ("Patch", "Verdict", "Regular artefact", "Spacing", "Stripe contrast", "Grain contrast"),
            [_row(one) for one in result.patches],
            "Each patch by itself",
        )
    )
    points = patch_points(result)
    if points:
        show_points(points, key="plan", stem="patches", table=False)


def _row(one) -> tuple[str, ...]:
    if one.decision is None:
        return (one.patch.name, one.why_not or "not judged", "", "", "", "")
    stripe = one.stripes[0] if one.stripes else None
    return (
        one.patch.name,
        words.VERDICT_WORDS[one.decision.verdict],
        words.probability(one.decision.probability_mechanical),
        words.period(dataclasses.asdict(stripe)) if stripe else "",
        words.contrast(stripe.contrast_percent, stripe.contrast_interval_percent)
        if stripe
        else f"under {words.percent(one.detection_limit_percent)}",
        words.percent(one.grain.contrast_percent),
    )


def _line(values) -> str:
    return ", ".join(f"{value:g}" for value in values)


def _numbers(name: str, text: str) -> tuple[float, ...]:
    try:
        return tuple(float(word) for word in text.replace(";", ",").split(",") if word.strip())
    except ValueError:
        raise PhotoError(f"The {name} must be numbers separated by commas, such as 10, 20, 30.") from None
