"""The page: photos, scale and scan axis, answer, evidence, sheet; beside it the machine and the logbook.

Start it from the project's top folder: `streamlit run streamlit_app.py`.
"""

from __future__ import annotations

import logging
import threading
from importlib import import_module

import streamlit as st

try:
    from analysis.errors import PhotoError
    from analysis.page_parts import markup
    from analysis.page_parts.photos import ask_photos, show_photos
    from analysis.process import share_one_heap
    from analysis.words import without_options
except ImportError as problem:  # a bare computer lacks system libraries; the sentence names them
    st.error(str(problem))
    st.stop()

VIEWS = {"compare": "Compare", "machine": "Machine", "plan": "Test piece", "series": "Series", "logbook": "Logbook"}
SLOW_IMPORTS = ("analysis.pipeline", "analysis.page_parts.charts", "analysis.sheet")
FAULT = (
    "The program has met a fault of its own. Your photos and settings are still here: change a setting or a photo "
    "and go on. What went wrong is in the window where the page was started."
)


def main() -> None:
    """Draw the page once."""
    st.set_page_config(page_title="Stripe or Grain", layout="wide", initial_sidebar_state="collapsed")
    st.html(markup.style())
    st.html(markup.header())
    view = st.segmented_control(
        "Part of the program",
        list(VIEWS),
        format_func=VIEWS.get,
        default="compare",
        required=True,
        key="view",
        label_visibility="collapsed",
    )
    try:
        drawn = {"machine": machine_view, "plan": plan_view, "series": series_view, "logbook": logbook_view}
        drawn.get(view, compare_view)()
    except PhotoError as problem:
        st.error(without_options(str(problem)))
    except Exception:
        logging.getLogger(__name__).exception("fault while drawing the page")
        st.error(FAULT)
    warm_up()


def compare_view() -> None:
    """The one visible path from photos to sheet."""
    chosen = ask_photos()
    if chosen is None:
        return
    warm_up().join()
    from analysis.page_parts.answers import judged, opened
    from analysis.page_parts.machine_view import current_machine

    machine = current_machine()
    if chosen.saved is not None:
        show(opened(chosen.saved), machine)
        return
    from analysis.page_parts.scale import ask_scale

    show_photos(chosen)

    last = st.session_state.get("shown_answer")
    begun = chosen.demo or bool(st.session_state.get("asked"))
    settings = ask_scale(chosen, last.report if last else None, folded=begun and not st.session_state.get("in_vain"))
    if settings is None or not (begun or asked()):
        return
    try:
        answer = judged(chosen, settings, machine)
        st.session_state["in_vain"] = False
    except PhotoError as problem:
        if not st.session_state.get("in_vain"):
            st.session_state["in_vain"] = True  # the mend is most likely a setting: show them again
            st.rerun()
        st.error(without_options(str(problem)))
        if settings.frame_mm and not st.session_state.get("by_hand"):
            st.info("You can also show the program where the frame is: switch on the frame's corners by hand, above.")
        return
    if st.session_state.get("shown_answer") is not answer:
        st.session_state["shown_answer"] = answer
        if st.session_state.get("by_hand") or st.session_state.get("use_region"):
            st.rerun()  # the pickers above show what this answer found
    show(answer, machine)


def asked() -> bool:
    """Whether the work may begin: for own photos when the scale has been looked at."""
    return st.button("Get the answer", key="go", type="primary", on_click=lambda: st.session_state.update(asked=True))


def show(answer, machine) -> None:
    """Answer first, then the evidence, then what to keep."""
    from analysis.page_parts.evidence import show_answer, show_evidence
    from analysis.page_parts.keep import show_keep
    from analysis.page_parts.next_view import show_next_tests

    show_answer(answer)
    show_next_tests(answer, machine)
    show_evidence(answer, machine)
    show_keep(answer, machine)


def machine_view() -> None:
    """The machine's parts."""
    warm_up().join()
    from analysis.page_parts.machine_view import show_machine

    show_machine()


def plan_view() -> None:
    """The test piece to engrave."""
    warm_up().join()
    from analysis.page_parts.plan_view import show_plan

    show_plan()


def series_view() -> None:
    """Many photos at once."""
    warm_up().join()
    from analysis.page_parts.series_view import show_series

    show_series()


def logbook_view() -> None:
    """The record."""
    warm_up().join()
    from analysis.page_parts.logbook_view import show_logbook

    show_logbook()


@st.cache_resource(show_spinner=False)
def warm_up() -> threading.Thread:
    """Load the slow libraries behind the first page, so that the first answer does not wait for them.

    Two threads that import the same package at once may see it half made: join
    this one before anything else imports them.
    """
    share_one_heap()
    thread = threading.Thread(target=lambda: [import_module(name) for name in SLOW_IMPORTS], daemon=True)
    thread.start()
    return thread


main()
