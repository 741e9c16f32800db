"""The page's two own browser components; nothing in them is fetched from outside."""

from __future__ import annotations

import streamlit as st

from analysis.page_parts.assets import asset

__all__ = ["picker", "put", "viewer"]

_picker = st.components.v2.component("stripe_or_grain_picker", css=asset("picker.css"), js=asset("picker.js"))
_viewer = st.components.v2.component("stripe_or_grain_viewer", css=asset("viewer.css"), js=asset("viewer.js"))


def put(html: str) -> None:
    """Write markup of `markup` to the page; an empty one writes nothing."""
    if html:
        st.html(html)


def picker(
    *,
    key: str,
    image: str,
    extent,
    points,
    names,
    label: str,
    alt: str,
    hint: str,
    unit: str = "px",
    step: float = 1.0,
    box: bool = False,
    on_points,
) -> None:
    """Points on a picture, set by clicking, dragging or the arrow keys; `on_points` gets the new ones.

    `box` draws the rectangle between two points instead of the line.
    """

    def moved() -> None:
        value = st.session_state[key].get("points")
        if value:
            on_points([[float(x), float(y)] for x, y in value])

    _picker(
        key=key,
        on_points_change=moved,
        data={
            "image": image,
            "extent": list(extent),
            "points": [list(p) for p in points],
            "names": list(names),
            "label": label,
            "alt": alt,
            "hint": hint,
            "unit": unit,
            "step": step,
            "box": box,
        },
    )


def viewer(*, key: str, data) -> None:
    """Pictures of the piece with swipe, blend, heat maps and a common zoom."""
    _viewer(key=key, data=data)
