"""Which test would settle it: ranked by what each is expected to teach."""

from __future__ import annotations

import streamlit as st

from analysis.page_parts import markup
from analysis.page_parts.answers import Answer
from analysis.page_parts.components import put

__all__ = ["show_next_tests"]

SHOWN = 5


def show_next_tests(answer: Answer, machine) -> None:
    """The ranking, counted only when it is opened."""
    if not st.toggle(
        "Which next test would settle it?",
        key="want_tests",
        persist_state="session",
        help="Ranked by how much each test is expected to teach, in bits.",
    ):
        return
    from analysis.next_test import rank_next_tests

    put(markup.next_tests(rank_next_tests(answer.report, machine)[:SHOWN]))
