"""Fifth step: the sheet to print or send, the report, the saved comparison and the logbook entry."""

from __future__ import annotations

import streamlit as st

from analysis import words
from analysis.errors import PhotoError
from analysis.page_parts import markup
from analysis.page_parts.answers import Answer
from analysis.page_parts.components import put

__all__ = ["show_keep"]


def show_keep(answer: Answer, machine) -> None:
    """Title, notes, downloads, logbook."""
    put(markup.step("5  Sheet and record"))
    left, right = st.columns([3, 1])
    title = left.text_input(
        "Title of the sheet",
        answer.title or "",
        key=f"title_{answer.key}",
        max_chars=200,
        placeholder="What was changed, for instance: new belt clamp",
    )
    paper = right.selectbox("Paper", ["A4", "Letter"], key="paper", persist_state="session")
    notes = st.text_area("Notes on the sheet", answer.notes or "", key=f"notes_{answer.key}", max_chars=2000, height=90)
    _letters(answer, title, notes)
    _preview(answer, machine, title.strip() or None, notes.strip() or None, paper)
    _downloads(answer, machine, title.strip() or None, notes.strip() or None, paper)
    _logbook(answer, machine, title.strip(), notes.strip())


def _preview(answer: Answer, machine, title, notes, paper) -> None:
    """The sheet itself, made when asked for."""
    if st.toggle("Look at the sheet", key="want_sheet", persist_state="session"):
        picture = _picture(answer.key, title, notes, paper, repr(machine), answer, machine)
        st.image(picture, width="stretch", alt="The comparison sheet: " + words.answer(answer.report))


@st.cache_data(max_entries=3, scope="session", show_spinner="Drawing the sheet")
def _picture(key: str, title, notes, paper, machine: str, _answer: Answer, _machine) -> bytes:
    from analysis.sheet import make_sheet

    made = make_sheet(
        _answer, title=title, notes=notes, paper=paper, machine=_machine, made=_answer.made, formats=("png",)
    )
    return made.png


def _downloads(answer: Answer, machine, title, notes, paper) -> None:
    """Built only when asked for."""
    stem = f"stripe-or-grain-{answer.made:%Y-%m-%d-%H%M}"

    def sheet(kind: str):
        def make() -> bytes:
            from analysis.sheet import make_sheet

            made = make_sheet(
                answer,
                title=title,
                notes=notes,
                paper=paper,
                machine=machine,
                made=answer.made,
                formats=(kind,),
            )
            return getattr(made, kind)

        return make

    def report() -> str:
        from analysis.report import dumps

        return dumps(answer.report)

    def saved() -> bytes:
        from analysis.saved import pack

        return pack(answer, title=title, notes=notes, made=answer.made)

    files = (
        ("Sheet as PDF", sheet("pdf"), "pdf", "application/pdf"),
        ("Sheet as picture (PNG)", sheet("png"), "png", "image/png"),
        ("Sheet for the phone (HTML)", sheet("html"), "html", "text/html"),
        ("Report (JSON)", report, "json", "application/json"),
        ("Save to open again (ZIP)", saved, "zip", "application/zip"),
    )
    with st.container(horizontal=True):
        for place, (label, make, ending, mime) in enumerate(files):
            st.download_button(
                label,
                make,
                f"{stem}.{ending}",
                mime,
                key=f"get_{ending}",
                on_click="ignore",
                type="secondary" if place else "primary",
            )


def _letters(answer: Answer, title: str, notes: str) -> None:
    """Say what the PDF and the picture cannot show."""
    typed = title + notes + "".join(photo["file"] for _, photo in words.photos(answer.report))
    if typed.isascii():
        return
    from analysis.paper import MISSING, missing

    if missing(typed):
        st.caption(
            f"No font of this computer has some of these letters: PDF and picture show {MISSING} in their place. "
            "The sheet for the phone shows them; or install a font of that script."
        )


def _logbook(answer: Answer, machine, title: str, notes: str) -> None:
    with st.expander("Write it into the logbook"):
        changed = st.text_input(
            "What was changed on the machine before this test", key=f"changed_{answer.key}", max_chars=2000
        )
        tags = st.text_input("Tags, separated by commas", key=f"tags_{answer.key}")
        if not st.button("Write the entry", key="write_entry"):
            return
        try:
            number = _write(answer, machine, title or changed or words.answer(answer.report), changed, notes, tags)
        except PhotoError as problem:
            st.error(str(problem))
            return
        st.success(f"Entry {number} is in the logbook on this computer.")


def _write(answer: Answer, machine, title: str, changed: str, notes: str, tags: str) -> int:
    from analysis.logbook import add_entry
    from analysis.page_parts.pictures import thumbnail_png
    from analysis.sheet import make_sheet

    pictures = {f"{view.name.lower()}.png": thumbnail_png(view) for view in answer.views.photos}
    sheet = make_sheet(
        answer, title=title or None, notes=notes or None, machine=machine, made=answer.made, formats=("pdf",)
    )
    pictures["sheet.pdf"] = sheet.pdf
    return add_entry(
        title=title,
        changed=changed,
        notes=notes,
        tags=tags.split(","),
        machine=machine,
        report=answer.report,
        pictures=pictures,
    )
