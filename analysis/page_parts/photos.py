"""First step: the demo pair, own photos, or an old saved comparison."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from analysis.page_parts import markup
from analysis.page_parts.components import put

__all__ = ["Chosen", "ask_photos", "show_photos"]

DEMO_FOLDER = Path(__file__).resolve().parents[2] / "demo_images"
DEMO_FRAME_MM = (80.0, 60.0)
DEMOS = {
    "cured": ("Try the demo pair", "Striped before; the change cured it."),
    "grain": ("Demo: grain all along", "Looks striped, but it is the wood."),
    "smaller": ("Demo: weaker, not gone", "The change helped, but not enough."),
}
PLACES = {"before": "Photo BEFORE the change", "after": "Photo AFTER the change"}
KINDS = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif", "bmp", "gif", "avif"]
MOST_MB = 60
GLANCE_WIDTH = 156  # px on screen: two side by side on a phone


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """What the person gave: photos as (name, bytes), or one saved file."""

    photos: tuple[tuple[str, bytes], ...] = ()
    demo: bool = False
    alone: bool = False  # the one photo is to be judged by itself
    saved: bytes | None = None


def ask_photos() -> Chosen | None:
    """Widgets of the first step; `None` until there is something to work on."""
    demo = st.session_state.get("demo")
    if demo in DEMOS:
        return _demo(demo)
    put(markup.step("1  Photos"))
    if st.session_state.get("files"):
        given = _uploads()
        with st.expander("How to photograph the piece"):
            put(markup.how_to_photograph())
        return _own(given) if given else None
    return _start()


def _start() -> Chosen | None:
    """A choice of two: own photos, or the demo; below it an old comparison."""
    left, right = st.columns([3, 2], gap="medium")
    with left.container(border=True, height="stretch"):
        st.subheader("Bring your photos", anchor=False)
        given = _uploads()
    with right.container(border=True, height="stretch"):
        st.subheader("Or try the demo pair", anchor=False)
        _demo_buttons()
    if given:
        st.rerun()
    above = st.container()
    with st.expander("Open an old comparison"):
        saved = st.file_uploader(
            "The .zip file that this page saved", type=["zip"], key="saved", max_upload_size=MOST_MB
        )
    if saved:
        return Chosen(saved=saved.getvalue())
    with above.expander("How to photograph the piece", expanded=True):
        put(markup.how_to_photograph())
    return None


def _uploads() -> dict[str, tuple[str, bytes]]:
    """Two places for photos; phones offer their camera there. What was given stays while other parts are shown."""
    st.caption(
        "One of the piece before the change, one of the piece after it: drag each onto its field, or press Upload; "
        "a phone offers its camera. They stay on this computer."
    )
    kept: dict[str, tuple[str, bytes]] = st.session_state.setdefault("files", {})
    for column, (key, label) in zip(st.columns(2), PLACES.items(), strict=True):
        with column:
            file = st.file_uploader(
                label,
                type=KINDS,
                key=key,
                max_upload_size=MOST_MB,
                on_change=_changed,
                args=(key,),
            )
            if file is not None:
                kept[key] = (file.name, file.getvalue())
            elif key in kept:
                st.caption(f"In use: {kept[key][0]}")
                st.button("Take it out", key=f"drop_{key}", on_click=kept.pop, args=(key, None))
    return {key: kept[key] for key in PLACES if key in kept}


def _changed(key: str) -> None:
    """Forget a photo that was taken out of its place."""
    if st.session_state[key] is None:
        st.session_state["files"].pop(key, None)


def show_photos(chosen: Chosen) -> None:
    """The photos at a glance."""
    places = ("PHOTO",) if len(chosen.photos) == 1 else ("BEFORE", "AFTER")
    with st.container(horizontal=True):
        for place, (name, data) in zip(places, chosen.photos, strict=True):
            picture = _glance(data)
            if picture is not None:
                st.image(picture, place, width=GLANCE_WIDTH, alt=f"{place}: the photo {name}")


@st.cache_data(max_entries=8, scope="session", show_spinner=False)
def _glance(data: bytes) -> bytes | None:
    from analysis.page_parts.pictures import small_photo

    return small_photo(data)


def _own(given: dict[str, tuple[str, bytes]]) -> Chosen | None:
    if len(given) == 2:
        return Chosen(photos=(given["before"], given["after"]))
    (only,) = given
    st.info("This is one photo. Add the other one to learn whether the change helped, or have this one judged alone.")
    if st.checkbox("Judge this one photo alone", key="alone", persist_state="session"):
        return Chosen(photos=(given[only],), alone=True)
    return None


def _demo_buttons() -> None:
    st.caption("Simulated photos with a known truth.")
    for place, (name, (label, words)) in enumerate(DEMOS.items()):
        st.button(
            label,
            key=f"demo_{name}",
            type="secondary" if place else "primary",
            help=words,
            on_click=_take_demo,
            args=(name,),
            width="stretch",
        )


def _take_demo(name: str) -> None:
    st.session_state["demo"] = name
    st.session_state["scale_by"] = "frame"
    st.session_state["frame_w"], st.session_state["frame_h"] = DEMO_FRAME_MM
    st.session_state["by_hand"] = False


def _leave_demo() -> None:
    st.session_state["demo"] = None


def _demo(name: str) -> Chosen | None:
    put(markup.step("1  Photos"))
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(f"Demo pair, simulated. {DEMOS[name][1]}")
        st.button("Choose other photos", key="leave_demo", on_click=_leave_demo)
    files = [DEMO_FOLDER / f"{name}_{place}.jpg" for place in ("before", "after")]
    if not all(file.is_file() for file in files):
        st.error("The demo photos are not beside the program. Start the page from the project's top folder.")
        return None
    return Chosen(photos=tuple((file.name, file.read_bytes()) for file in files), demo=True)
