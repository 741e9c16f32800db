"""The machine: presets, form, file, and the spacings that its parts can make."""

from __future__ import annotations

from typing import Any

import streamlit as st

from analysis.errors import PhotoError
from analysis.formats import significant
from analysis.page_parts import markup
from analysis.page_parts.components import put
from analysis.page_parts.drive_view import show_calculator

__all__ = ["current_machine", "show_machine"]

TITLES = {
    "scan": "Scan",
    "belt": "Belt and pulley",
    "screw": "Lead screw",
    "rack": "Rack and pinion",
    "motor": "Motor",
    "gear": "Gear or reduction",
    "rail": "Ball rail",
    "mains": "Mains",
    "idler": "Idlers",
    "wheel": "Wheels",
    "bearing": "Bearings",
    "resonance": "Resonances",
    "fan": "Fans",
}
MOST_IN_FORM = 6  # of each repeated part; the file takes more


def current_machine():
    """The machine in use, or `None`."""
    return st.session_state.get("machine")


def show_machine() -> None:
    """Everything about the machine."""
    put(markup.step("Your machine"))
    st.markdown(
        "With the moving parts listed, a stripe's spacing is matched with the part that makes it. "
        "Leave out what you do not know."
    )
    _sources()
    _form()
    machine = current_machine()
    if machine is None:
        st.info(
            "No machine is in use yet. Choose a preset, open a file or fill in the form, then press Use this machine."
        )
        return
    _in_use(machine)
    _expected(machine)
    show_calculator(machine)


def _sources() -> None:
    from analysis.machine import list_presets

    presets = dict(list_presets())
    left, right = st.columns(2, gap="large", vertical_alignment="bottom")
    with left:
        preset = st.selectbox(
            "Start from a common kind of drive",
            list(presets),
            format_func=presets.get,
            key="preset",
            index=None,
            placeholder="Choose one",
        )
        st.button(
            "Take this preset",
            key="take_preset",
            disabled=preset is None,
            on_click=_take_preset,
            args=(preset,),
        )
    with right:
        file = st.file_uploader("Or open a machine file (.toml)", type=["toml"], key="machine_file", max_upload_size=1)
        if file is not None and st.session_state.get("machine_file_seen") != file.file_id:
            st.session_state["machine_file_seen"] = file.file_id
            _take_file(file.getvalue())


def _take_preset(name: str) -> None:
    from analysis.machine import load_preset

    _use(load_preset(name))


def _take_file(data: bytes) -> None:
    from analysis.machine import load_machine

    try:
        _use(load_machine(data))
    except PhotoError as problem:
        st.error(str(problem))


def _use(machine) -> None:
    st.session_state["machine"] = machine
    st.session_state["machine_version"] = st.session_state.get("machine_version", 0) + 1


# ---- form --------------------------------------------------------------------------------------------


def _form() -> None:
    from analysis.machine_parts import MANY, ONE

    machine, version = current_machine(), st.session_state.get("machine_version", 0)
    data: dict[str, Any] = {}
    with st.expander("Fill in or change the parts"):
        name = st.text_input(
            "Name of the machine", machine.name if machine else "", key=f"m{version}_name", max_chars=120
        )
        if name:
            data["name"] = name
        for section in ONE:
            _one(section, getattr(machine, section, None), version, data)
        for section in MANY:
            _many(section, getattr(machine, section, ()), version, data)
        if st.button("Use this machine", key="use_machine", type="primary"):
            from analysis.machine import parse_machine

            try:
                _use(parse_machine(data))
            except PhotoError as problem:
                st.error(str(problem))
                return
            st.rerun()


def _one(section: str, part, version: int, data: dict[str, Any]) -> None:
    if section == "scan" or st.checkbox(TITLES[section], part is not None, key=f"m{version}_has_{section}"):
        if section == "scan":
            st.markdown(f"**{TITLES[section]}**")
        values = _fields(section, part, f"m{version}_{section}")
        if values or section != "scan":
            data[section] = values


def _many(section: str, parts, version: int, data: dict[str, Any]) -> None:
    count = st.number_input(
        f"{TITLES[section]}: how many to list",
        0,
        max(MOST_IN_FORM, len(parts)),
        len(parts),
        1,
        key=f"m{version}_count_{section}",
    )
    if count:
        data[section] = [
            _fields(section, parts[i] if i < len(parts) else None, f"m{version}_{section}_{i}", lead=f"{i + 1}: ")
            for i in range(int(count))
        ]


def _fields(section: str, part, key: str, lead: str = "") -> dict[str, Any]:
    """Widgets of one part, three in a row; what is empty is left out."""
    from analysis.machine import form_fields

    values, fields = {}, form_fields(section)
    for i, field in enumerate(fields):
        if i % 3 == 0:
            columns = st.columns(3)  # a new row: Tab goes along the rows
        start = field["default"] if part is None else getattr(part, field["name"])
        value = _widget(columns[i % 3], lead, field, start, f"{key}_{field['name']}")
        if value is not None and value != "":
            values[field["name"]] = value
    return values


def _widget(where, lead: str, field, start, key: str) -> Any:
    told = field["words"].removeprefix("true where ")
    label = f"{lead}{told[:1].upper()}{told[1:]}{_unit(field['name'])}"
    if field["kind"] == "text":
        return where.text_input(label, start or "", key=key, max_chars=120)
    if field["kind"] == "yes or no":
        return where.checkbox(label, bool(start), key=key)
    if field["kind"] == "numbers":
        return _list(
            where.text_input(f"{label}, separated by commas", ", ".join(f"{v:g}" for v in start or ()), key=key)
        )
    if field["kind"] == "whole number":
        return where.number_input(label, int(field["low"]), int(field["high"]), start, 1, key=key)
    return where.number_input(
        label,
        float(field["low"]),
        float(field["high"]),
        None if start is None else float(start),
        key=key,
        format="%.4g",
    )


def _unit(name: str) -> str:
    for ending, unit in (
        ("_mm_s", "mm/s"),
        ("_mm", "mm"),
        ("_deg", "degrees"),
        ("_hz", "Hz"),
        ("_percent", "%"),
    ):
        if name.endswith(ending):
            return f", {unit}"
    return ""


def _list(text: str) -> list[Any] | None:
    """Numbers from a line of text; what is no number stays text, so that the check names it."""
    found: list[Any] = []
    for word in text.replace(";", ",").split(","):
        try:
            found.append(float(word))
        except ValueError:
            found += [word.strip()] if word.strip() else []
    return found or None


# ---- what follows from it ----------------------------------------------------------------------------


def _in_use(machine) -> None:
    from analysis.machine import dump_machine

    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(f"In use: **{machine.name or 'machine without a name'}**")
        st.download_button(
            "Save as machine file (TOML)",
            dump_machine(machine),
            "machine.toml",
            "application/toml",
            key="get_machine",
            on_click="ignore",
        )
        st.button("Use no machine", key="drop_machine", on_click=_use, args=(None,))


def _expected(machine) -> None:
    from analysis.machine import expected_periods

    st.subheader("Spacings that its parts can make", anchor=False)
    rows = [
        (
            p.part,
            f"{significant(p.period_mm, 4)}\N{NO-BREAK SPACE}mm",
            f"±\N{NO-BREAK SPACE}{significant(1.96 * p.sd_mm, 2)}\N{NO-BREAK SPACE}mm" if p.sd_mm else "exact",
            "any speed" if p.kind == "geometry" else f"{p.frequency_hz:g} Hz at this speed",
            p.words,
        )
        for p in expected_periods(machine)
    ]
    if rows:
        head = ("Part", "Spacing", "95 %", "Holds at", "What it looks like")
        put(markup.table(head, rows, "Expected spacings", headed=True))
    else:
        st.caption("No part is listed yet that makes a spacing.")
