"""Second step: scale and scan axis, by typing or by clicking on the photo."""

from __future__ import annotations

from typing import Any

import streamlit as st

from analysis.errors import PhotoError
from analysis.page_parts import choices, markup, pictures
from analysis.page_parts.components import picker, put
from analysis.page_parts.photos import Chosen
from analysis.settings import SHORTEST_PERIOD_MM, Settings

__all__ = ["ask_scale"]

WAYS = {
    "frame": "engraved frame of known size",
    "points": "two points a known distance apart",
    "scale": "pixels per mm",
    "none": "not known",
}
CORNER_NAMES = (
    "Corner 1, where the scan axis starts",
    "Corner 2, along the scan axis",
    "Corner 3",
    "Corner 4",
)
CORNER_HINT = (
    "Put the four points on the frame's outer corners: 1 to 2 along the scan axis, then on clockwise. Click near a "
    "corner, drag a point, or press Tab and use the arrow keys."
)
POINT_NAMES = ("Point 1", "Point 2")
POINT_HINT = (
    "Put the two points on marks whose distance you know, far apart. Click, drag, or press Tab and use the arrow keys."
)
KEEP = {"persist_state": "session"}


def ask_scale(chosen: Chosen, last_report: dict[str, Any] | None, *, folded: bool = False) -> Settings | None:
    """Widgets of the second step; `None` where something given cannot be used (the sentence is shown).

    Folded, the settings take one line, so that the answer stands on the first screen.
    """
    put(markup.step("2  Scale and scan axis"))
    if not folded:
        return _asked(chosen, last_report)
    line = st.empty()
    with st.expander("Change the scale, axis or part"):
        settings = _asked(chosen, last_report)
    if settings is not None:
        line.markdown(choices.settings_words(settings))
    return settings


def _asked(chosen: Chosen, last_report: dict[str, Any] | None) -> Settings | None:
    by = st.radio(
        "How is the scale known?",
        list(WAYS),
        format_func=WAYS.get,
        key="scale_by",
        horizontal=True,
        **KEEP,
        help="The frame is best: it also takes out the tilt of the photo and gives the scan axis.",
    )
    given: dict[str, Any] = {"by": by}
    if by == "frame":
        given |= _frame(chosen, last_report)
    elif by == "points":
        given |= _points(chosen)
    elif by == "scale":
        left, right = st.columns(2)
        given["pixels_per_mm"] = left.number_input(
            "Scale of the BEFORE photo, pixels per mm", 0.1, 500.0, 12.0, 0.1, key="px_per_mm", **KEEP
        )
        given["scan_angle_deg"] = _angle(right)
    else:
        st.caption("Spacings are then in pixels of the photo, and no part of the machine can be named.")
        given["scan_angle_deg"] = _angle(st)
    given |= _more(last_report)
    try:
        return choices.settings_of(**given)
    except PhotoError as problem:
        st.error(str(problem))
        return None


def _frame(chosen: Chosen, last_report) -> dict[str, Any]:
    left, right = st.columns(2)
    st.session_state.setdefault("frame_w", 80.0)
    st.session_state.setdefault("frame_h", 60.0)
    width = left.number_input(
        "Frame along the scan axis, mm (outer edge)",
        5.0,
        2000.0,
        step=1.0,
        format="%.5g",
        key="frame_w",
        **KEEP,
    )
    height = right.number_input(
        "Frame across the scan axis, mm (outer edge)",
        5.0,
        2000.0,
        step=1.0,
        format="%.5g",
        key="frame_h",
        **KEEP,
    )
    given: dict[str, Any] = {"frame_mm": (float(width), float(height))}
    if st.toggle("Show or set the frame's corners by hand", key="by_hand", **KEEP):
        st.caption("The program looks for the corners by itself. Where it finds the wrong ones, move the points.")
        places = ["before", "after"][: len(chosen.photos)]
        for place, column in zip(places, st.columns(len(places)), strict=True):
            with column:
                given[f"{place}_corners"] = _corners(chosen, place, last_report)
    return given


def _corners(chosen: Chosen, place: str, last_report) -> list[list[float]] | None:
    """Corner picker of one photo with the same values as numbers; `None` while the program's own corners stand."""
    name, data = chosen.photos[("before", "after").index(place)]
    shown = _preview(name, data)
    if shown is None:
        return None
    image, size = shown
    key, title = f"{place}_corners", "PHOTO" if chosen.alone else place.upper()
    state = _state_of(key, data)
    if state["points"] is None:
        found = _found(last_report, place, chosen.alone)
        start, own = found or choices.inset_corners(size), False
    else:
        start, own = state["points"], True

    def take(points) -> None:
        state["points"] = points

    picker(
        key=f"pick_{key}_{state['file']}",
        image=image,
        extent=(-0.5, size[0] - 0.5, -0.5, size[1] - 0.5),
        points=start,
        names=CORNER_NAMES,
        label=f"{title}: corners of the frame",
        alt=f"The photo {name}",
        hint=CORNER_HINT,
        on_points=take,
    )
    if not own:
        st.caption(
            f"{title}: corners as the program found them."
            if found
            else f"{title}: no corners yet; these are only a start. Move them."
        )
    with st.container(horizontal=True):
        st.button(
            "Start one corner on",
            key=f"turn_{key}",
            on_click=lambda: take(choices.turned(start)),
            help="Corner 2 becomes corner 1: the scan axis turns by a right angle.",
        )
        st.button("Let the program find them", key=f"auto_{key}", on_click=lambda: take(None), disabled=not own)
    _numbers(key, start, CORNER_NAMES, size, take)
    return start if own else None


def _points(chosen: Chosen) -> dict[str, Any]:
    name, data = chosen.photos[0]
    shown = _preview(name, data)
    left, right = st.columns(2)
    distance = left.number_input("Distance between the two points, mm", 0.5, 5000.0, 50.0, 0.5, key="distance", **KEEP)
    along = right.checkbox("The two points lie along the scan axis", True, key="along", **KEEP)
    angle = 0.0 if along else _angle(right)
    if shown is None:
        return {"points": ((0, 0), (1000, 0)), "distance_mm": distance}
    image, size = shown
    state = _state_of("points", data)
    points = state["points"] or choices.inset_points(size)

    def take(moved) -> None:
        state["points"] = moved

    picker(
        key=f"pick_points_{state['file']}",
        image=image,
        extent=(-0.5, size[0] - 0.5, -0.5, size[1] - 0.5),
        points=points,
        names=POINT_NAMES,
        label="Two points a known distance apart",
        alt=f"The photo {name}",
        hint=POINT_HINT,
        on_points=take,
    )
    _numbers("points", points, POINT_NAMES, size, take)
    return {"points": points, "distance_mm": distance, "along_scan": along, "scan_angle_deg": angle}


def _numbers(key: str, points, names, size, take) -> None:
    """Show the same points as numbers, for the keyboard and for exact values."""
    tag = choices.points_tag(points)  # points set elsewhere bring new numbers
    with st.expander("Type the points instead"), st.form(f"{key}_form", border=False):
        typed = []
        for i, ((x, y), name) in enumerate(zip(points, names, strict=True)):
            left, right = st.columns(2)
            short = name.split(",")[0]
            typed.append(
                [
                    _number(left, f"{short}: x, px", x, size[0], f"{key}_{tag}_x{i}"),
                    _number(right, f"{short}: y, px", y, size[1], f"{key}_{tag}_y{i}"),
                ]
            )
        if st.form_submit_button("Use these points", key=f"{key}_use"):
            take([[float(x), float(y)] for x, y in typed])
            st.rerun()


def _number(where, label: str, value: float, most: float, key: str) -> float:
    return where.number_input(label, -0.5 * most, 1.5 * most, float(value), 1.0, format="%.1f", key=key)


def _more(last_report) -> dict[str, Any]:
    """Settings that are seldom needed."""
    with st.expander("More: shortest spacing, part of the piece"):
        shortest = st.number_input(
            "Shortest spacing to look for, mm", 0.05, 5.0, SHORTEST_PERIOD_MM, 0.05, key="shortest", **KEEP
        )
        region = None
        if st.checkbox("Look at a part of the piece only", key="use_region", **KEEP):
            st.caption("Counted in mm from the frame's first corner: x along the scan axis, y across it.")
            fields = st.columns(4)
            st.session_state.setdefault("region", [5.0, 5.0, 40.0, 30.0])
            version = st.session_state.setdefault("region_version", 0)
            labels = ("Left edge x, mm", "Upper edge y, mm", "Width, mm", "Height, mm")
            region = tuple(
                float(
                    field.number_input(
                        label,
                        -2000.0 if i < 2 else 1.0,
                        5000.0,
                        float(value),
                        1.0,
                        key=f"region_{version}_{i}",
                    )
                )
                for i, (field, label, value) in enumerate(zip(fields, labels, st.session_state["region"], strict=True))
            )
            st.session_state["region"] = list(region)
            _region_picker(region)
    return {"region_mm": region, "shortest_period_mm": shortest}


def _region_picker(region) -> None:
    """The region on the straightened piece, once there is one."""
    answer = st.session_state.get("shown_answer")
    if answer is None:
        st.caption("After the first answer you can set it by clicking on the piece.")
        return
    view = answer.views.photos[0]
    x, y, w, h = region

    def take(points) -> None:
        st.session_state["region"] = [round(v, 1) for v in choices.region_of_points(points)]
        st.session_state["region_version"] += 1

    picker(
        key=f"pick_region_{answer.key}",
        image=pictures.jpeg(view.picture),
        extent=view.extent,
        points=[[x, y], [x + w, y + h]],
        names=("First corner of the part", "Opposite corner of the part"),
        label="Part of the piece to look at",
        alt="The straightened piece",
        hint="Move the two corners of the part.",
        unit=view.unit,
        step=0.1,
        box=True,
        on_points=take,
    )


def _angle(where) -> float:
    return where.number_input(
        "Scan axis, degrees anticlockwise from the photo's horizontal",
        -180.0,
        180.0,
        0.0,
        0.5,
        key="scan_angle",
        **KEEP,
    )


def _state_of(key: str, data: bytes) -> dict[str, Any]:
    """Points set for one photo; another photo starts anew."""
    file = choices.answer_key((("", data),), Settings(), "")[:12]
    states = st.session_state.setdefault("picked", {})
    state = states.get(key)
    if state is None or state["file"] != file:
        state = states[key] = {"file": file, "points": None}
    return state


def _found(last_report, place: str, alone: bool):
    """Corners that the program found in the last answer."""
    photo = (last_report or {}).get("photo" if alone else place)
    corners = ((photo or {}).get("scale") or {}).get("corners_px")
    return [[float(x), float(y)] for x, y in corners] if corners else None


def _preview(name: str, data: bytes):
    """Photo to click on and its full size; the sentence is shown where it cannot be read."""
    try:
        return _loaded(data)
    except PhotoError as problem:
        st.error(f"{name}: {problem}")
        return None


@st.cache_data(max_entries=4, scope="session", show_spinner="Reading the photo")
def _loaded(data: bytes) -> tuple[str, tuple[int, int]]:
    from analysis.photo import load_photo

    photo = load_photo(data)
    return pictures.picker_image(photo.preview), photo.size_px
