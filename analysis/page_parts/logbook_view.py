"""The logbook: list and search, chart over time, compare two entries, notes and tags, export and import."""

from __future__ import annotations

import streamlit as st

from analysis import words
from analysis.errors import PhotoError
from analysis.page_parts import markup
from analysis.page_parts.components import put
from analysis.page_parts.evidence import is_dark

__all__ = ["show_logbook"]


def show_logbook() -> None:
    """Everything about the record."""
    from analysis.logbook import list_entries, logbook_path, search_entries

    put(markup.step("Logbook"))
    st.caption(f"Kept on this computer: {logbook_path()}")
    sought = st.text_input(
        "Search in titles, changes, notes, tags, machine and verdicts",
        key="log_search",
        persist_state="session",
    )
    lines = search_entries(sought) if sought.strip() else list_entries()
    if not lines:
        st.info(
            "No entry matches."
            if sought.strip()
            else "The logbook is empty. After an answer, write an entry under Sheet and record."
        )
    else:
        _list(lines)
        _history()
        _one(lines)
        _two(lines)
    _files()


def _list(lines) -> None:
    rows = [(str(line.id), line.made, line.title, line.changed, ", ".join(line.tags), _told(line)) for line in lines]
    put(markup.table(("Entry", "Date", "Title", "Changed before", "Tags", "Verdicts"), rows, "Entries, newest first"))


def _told(line) -> str:
    return "; ".join(
        f"{row['place']}: {markup.BIG.get(row['verdict'], row['verdict']).lower()}"
        + (f", {words.percent(row['contrast_percent'])}" if row["contrast_percent"] else "")
        for row in line.readings
    )


def _history() -> None:
    from analysis.logbook import chart_rows

    rows = chart_rows()
    if len(rows) < 2:
        return
    from analysis.page_parts import record_charts

    st.subheader("Stripe contrast over time", anchor=False)
    st.caption("Filled: a stripe was found. Hollow: none was found, and no stronger one could hide.")
    st.altair_chart(
        record_charts.history(rows, dark=is_dark()),
        width="stretch",
        key="history",
        alt="Stripe contrast of every entry against its date, with intervals",
    )


def _one(lines) -> None:
    from analysis.logbook import get_entry, set_notes, set_tags

    st.subheader("One entry", anchor=False)
    titles = {line.id: f"{line.id}: {line.made}, {line.title}" for line in lines}
    number = st.selectbox("Entry to show", list(titles), format_func=titles.get, key="log_entry")
    entry = get_entry(number)
    shown = [(name, data) for name, data in entry.pictures.items() if name.endswith((".png", ".jpg"))]
    shown.sort(key=lambda one: one[0].startswith("after"))  # before, then after
    for column, (name, data) in zip(st.columns(max(len(shown), 1)), shown, strict=False):
        column.image(data, name.rpartition(".")[0].upper(), width="stretch", alt=f"Entry {number}: {name}")
    if entry.report:
        put(markup.answer_cards(entry.report))
    for name, data in entry.pictures.items():
        if name.endswith(".pdf"):
            st.download_button(
                f"Download the {name.rpartition('.')[0]} (PDF)",
                data,
                f"entry-{number}-{name}",
                "application/pdf",
                key=f"log_{number}_{name}",
                on_click="ignore",
            )
    notes = st.text_area("Notes of the entry", entry.notes, key=f"log_notes_{number}")
    tags = st.text_input("Tags of the entry, separated by commas", ", ".join(entry.line.tags), key=f"log_tags_{number}")
    if st.button("Keep notes and tags", key="log_keep"):
        try:
            set_notes(number, notes)
            set_tags(number, tags.split(","))
        except PhotoError as problem:
            st.error(str(problem))
            return
        st.rerun()


def _two(lines) -> None:
    if len(lines) < 2:
        return
    from analysis.logbook_compare import compare_entries

    st.subheader("Two entries against each other", anchor=False)
    titles = {line.id: f"{line.id}: {line.made}, {line.title}" for line in lines}
    left, right = st.columns(2)
    first = left.selectbox("First entry", list(titles), index=1, format_func=titles.get, key="log_first")
    second = right.selectbox("Second entry", list(titles), index=0, format_func=titles.get, key="log_second")
    if first == second:
        st.caption("Choose two different entries.")
        return
    told = compare_entries(first, second)
    st.markdown(told.sentence)
    if told.machine_changes:
        st.markdown("Changed in the machine file: " + "; ".join(f"`{change}`" for change in told.machine_changes))


def _files() -> None:
    from analysis.logbook_export import export_csv, export_zip, import_zip

    st.subheader("Export and import", anchor=False)
    with st.container(horizontal=True):
        st.download_button(
            "Export as table (CSV)", export_csv, "logbook.csv", "text/csv", key="log_csv", on_click="ignore"
        )
        st.download_button(
            "Export everything (ZIP)",
            export_zip,
            "logbook.zip",
            "application/zip",
            key="log_zip",
            on_click="ignore",
        )
    file = st.file_uploader("Import an exported logbook (.zip)", type=["zip"], key="log_import", max_upload_size=500)
    if file is None or st.session_state.get("log_imported") == file.file_id:
        return
    try:
        told = import_zip(file.getvalue())
    except PhotoError as problem:
        st.error(str(problem))
        return
    st.session_state["log_imported"] = file.file_id
    st.success(f"{told.added} entries added, {told.already_there} were there already.")
