"""The series: many photos, what is known of each, and how stripe and grain go with power, depth, speed and date."""

from __future__ import annotations

from collections import OrderedDict
from typing import Any

import streamlit as st

from analysis.errors import PhotoError
from analysis.page_parts import markup
from analysis.page_parts.choices import answer_key, settings_of
from analysis.page_parts.components import put
from analysis.page_parts.photos import KINDS, MOST_MB
from analysis.page_parts.series_results import show_points
from analysis.settings import Settings
from analysis.words import without_options

__all__ = ["show_series"]

KEEP = {"persist_state": "session"}
MOST_FILES = 200
MOST_REPORTS = 500  # of some 10 kB each in one session
FIELDS = {  # words of the columns that a person fills in
    "label": "Name",
    "date": "Date",
    "speed_mm_s": "Scan speed, mm/s",
    "power_percent": "Power, %",
    "depth_mm": "Depth, mm",
}
WAYS = {"frame": "engraved frame of known size", "scale": "pixels per mm", "none": "not known"}


def show_series() -> None:
    """Photos, what is known of each, then table and charts."""
    put(markup.step("Series"))
    st.markdown(
        "Photos of many pieces, engraved at other powers, speeds or depths or on other days: how strong the machine's "
        "stripe and the material's grain are in each, and from where on the grain comes through."
    )
    files = _files()
    if not files:
        return
    try:
        rows, photos = _rows(files)
    except PhotoError as problem:
        st.error(str(problem))
        return
    settings = _settings()
    if settings is None or not rows:
        return
    if not st.session_state.get("series_asked"):
        st.button(
            "Judge the series",
            key="series_go",
            type="primary",
            on_click=lambda: st.session_state.update(series_asked=True),
        )
        return
    _results(rows, photos, settings)


def _files() -> dict[str, bytes]:
    """Files by name; they stay while other parts of the program are shown."""
    given = st.file_uploader(
        "Photos or reports (JSON) of the pieces, and a list (CSV) where you have one",
        type=[*KINDS, "json", "csv"],
        accept_multiple_files=True,
        key="series_upload",
        max_upload_size=MOST_MB,
    )
    if given:
        st.session_state["series_files"] = {file.name: file.getvalue() for file in given[:MOST_FILES]}
        if len(given) > MOST_FILES:
            st.warning(f"The first {MOST_FILES} files are used. Make another series of the rest.")
    files: dict[str, bytes] = st.session_state.get("series_files", {})
    if not files:
        st.caption(
            "Values can be typed in beside each photo. A list does it at once: its first row names columns out of "
            "file, label, date, speed_mm_s, power_percent, depth_mm; one row a photo."
        )
    elif not given:
        st.caption(f"In use: {len(files)} files.")
        st.button("Take them out", key="series_drop", on_click=_drop)
    return files


def _drop() -> None:
    for key in ("series_files", "series_typed", "series_asked"):
        st.session_state.pop(key, None)


def _rows(files: dict[str, bytes]) -> tuple[list[dict[str, Any]], dict[str, bytes]]:
    """What is known of each photo, from the list or typed in, and the photos by name.

    Raises
    ------
    PhotoError
        The list is faulty or names a file that is not there.
    """
    from analysis.series_files import LIST_COLUMNS, read_list

    lists = [name for name in files if name.lower().endswith(".csv")]
    photos = {name: data for name, data in files.items() if name not in lists}
    if len(lists) > 1:
        raise PhotoError(f"There are {len(lists)} lists. Give one, with a row for each photo.")
    if lists:
        start = read_list(files[lists[0]], lists[0])
        lost = [row["file"] for row in start if row["file"] not in photos]
        if lost:
            more = f" and {len(lost) - 1} more" if len(lost) > 1 else ""
            raise PhotoError(f"The list names {lost[0]}{more}, which is not here. Add the photos of the list too.")
    else:
        start = [dict.fromkeys(LIST_COLUMNS) | {"file": name} for name in photos]
    return _typed(start, files), photos


def _typed(start: list[dict[str, Any]], files: dict[str, bytes]) -> list[dict[str, Any]]:
    """Table in which the values can be changed; what was typed stays with these files."""
    import pandas as pd

    tag = answer_key(files.items(), Settings(), "")[:12]
    kept = st.session_state.get("series_typed")
    if kept is None or kept["tag"] != tag:
        kept = st.session_state["series_typed"] = {"tag": tag, "start": start, "rows": start}
    if f"series_table_{tag}" not in st.session_state:  # shown anew: what was typed is where it starts
        kept["start"] = kept["rows"]
    config: dict[str, Any] = {"file": st.column_config.TextColumn("Photo", disabled=True)}
    for key, words in FIELDS.items():
        number = key not in ("label", "date")
        config[key] = (
            st.column_config.NumberColumn(words, min_value=0.0, format="%g")
            if number
            else st.column_config.TextColumn(words, help="year-month-day" if key == "date" else None, max_chars=60)
        )
    st.caption("What is known of each piece; leave out what you do not know. Dates as year-month-day.")
    frame = pd.DataFrame(kept["start"], columns=["file", *FIELDS])
    for key in FIELDS:
        frame[key] = frame[key].astype("object" if key in ("label", "date") else "float64")
    edited = st.data_editor(
        frame, column_config=config, hide_index=True, num_rows="fixed", key=f"series_table_{tag}", width="stretch"
    )
    kept["rows"] = [
        {key: None if pd.isna(value) or value == "" else value for key, value in row.items()}
        for row in edited.to_dict("records")
    ]
    return kept["rows"]


def _settings() -> Settings | None:
    """Scale of all photos of the series."""
    by = st.radio(
        "How is the scale known?", list(WAYS), format_func=WAYS.get, key="series_by", horizontal=True, **KEEP
    )
    left, right = st.columns(2)
    given: dict[str, Any] = {"by": by}
    if by == "frame":
        size = [
            float(column.number_input(label, 5.0, 2000.0, start, 1.0, format="%.5g", key=key, **KEEP))
            for column, label, start, key in (
                (left, "Frame along the scan axis, mm (outer edge)", 80.0, "series_w"),
                (right, "Frame across the scan axis, mm (outer edge)", 60.0, "series_h"),
            )
        ]
        given["frame_mm"] = tuple(size)
    elif by == "scale":
        given["pixels_per_mm"] = left.number_input(
            "Scale of the photos, pixels per mm", 0.1, 500.0, 12.0, 0.1, key="series_px", **KEEP
        )
    try:
        return settings_of(**given)
    except PhotoError as problem:
        st.error(str(problem))
        return None


def _results(rows, photos: dict[str, bytes], settings: Settings) -> None:
    """Judge what has not been judged yet, then show all; a photo that cannot be used is named and left out."""
    from analysis.series import series_points

    place, items, faults = st.empty(), [], []
    try:
        for number, row in enumerate(rows, 1):
            name = row["file"]
            try:
                report = _report(
                    name, photos[name], settings, place, (number - 1) / len(rows), f"Photo {number} of {len(rows)}"
                )
                items.append(row | {"report": report})
            except PhotoError as problem:
                faults.append(f"{name}: {problem}")
    finally:
        place.empty()
    for fault in faults:
        st.error(without_options(fault))
    if items:
        show_points(series_points(items), key="series", stem="series")


def _report(name: str, data: bytes, settings: Settings, place, share: float, words: str) -> dict[str, Any]:
    """Report of one photo, read, kept or fresh; changing an input stops the work between two photos."""
    from analysis.report import load, to_dict

    if name.lower().endswith(".json"):
        return load(data)
    kept: OrderedDict[str, dict[str, Any]] = st.session_state.setdefault("series_reports", OrderedDict())
    key = answer_key(((name, data),), settings, "")
    if key not in kept:
        from analysis.pipeline import inspect

        place.progress(share, words)
        kept[key] = to_dict(inspect(data, settings, name=name))
        while len(kept) > MOST_REPORTS:
            kept.popitem(last=False)
    return kept[key]
