"""The work itself: photos and settings to an answer, with progress, kept by content for this session."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import streamlit as st

from analysis.page_parts.choices import answer_key
from analysis.page_parts.photos import Chosen
from analysis.settings import Settings

__all__ = ["Answer", "judged", "opened"]

MOST_KEPT = 6  # answers of some 5 MB each in one session


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A finished result, small enough to keep; the sheet and the saved file are made from it."""

    key: str
    report: dict[str, Any]
    views: Any
    made: datetime
    title: str | None = None
    notes: str | None = None


def judged(chosen: Chosen, settings: Settings, machine) -> Answer:
    """Answer to these photos and settings, fresh or kept.

    Raises
    ------
    PhotoError
        A photo or a setting cannot be used.
    """
    key = answer_key(chosen.photos, settings, repr(machine))
    kept: OrderedDict[str, Answer] = st.session_state.setdefault("answers", OrderedDict())
    if key not in kept:
        kept[key] = _work(key, chosen, settings, machine)
        while len(kept) > MOST_KEPT:
            kept.popitem(last=False)
    kept.move_to_end(key)
    return kept[key]


def opened(data: bytes) -> Answer:
    """Answer read from a saved file.

    Raises
    ------
    PhotoError
        It is none, or it is faulty.
    """
    from analysis.saved import unpack

    saved = unpack(data)
    return Answer(
        key=answer_key((("saved", data),), Settings(), ""),
        report=saved.report,
        views=saved.views,
        made=saved.made,
        title=saved.title,
        notes=saved.notes,
    )


def _work(key: str, chosen: Chosen, settings: Settings, machine) -> Answer:
    """Run the analysis; changing an input meanwhile stops it at its next step."""
    place = st.empty()
    bar = place.progress(0.0, "Starting")

    def tell(fraction: float, words: str) -> None:
        bar.progress(min(max(fraction, 0.0), 1.0), words)

    try:
        from analysis.memory import Memory
        from analysis.pipeline import compare, inspect
        from analysis.report import to_dict
        from analysis.views import make_views

        memory = st.session_state.setdefault("steps", Memory())
        if len(chosen.photos) == 2:
            (before, first), (after, second) = chosen.photos
            result = compare(first, second, settings, names=(before, after), machine=machine, progress=tell,
                             memory=memory)
        else:
            ((name, data),) = chosen.photos
            result = inspect(data, settings, name=name, machine=machine, progress=tell, memory=memory)
        return Answer(key=key, report=to_dict(result), views=make_views(result), made=datetime.now().astimezone())
    finally:
        place.empty()
