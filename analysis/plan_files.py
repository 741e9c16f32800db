"""The test piece as SVG, DXF and JSON, and back: plain open formats, shapes and layers only."""
from __future__ import annotations

import io
import json
from dataclasses import asdict, fields
from os import PathLike
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import ezdxf

from analysis.errors import PhotoError
from analysis.plan import Plan, make_plan
from analysis.plan_settings import PlanSettings

__all__ = ["plan_dxf", "plan_json", "plan_svg", "read_plan"]

FORMAT = 1
KIND = "stripe-or-grain test piece"
LARGEST_BYTES = 4_000_000
LINE_MM = 0.2              # drawn width of plain lines; the machine follows their middle
SVG = "http://www.w3.org/2000/svg"


def plan_json(plan: Plan) -> str:
    """Write settings and patches as JSON, to keep beside a DXF; `read_plan` takes it back."""
    return json.dumps(_facts(plan), indent=2, ensure_ascii=False) + "\n"


def plan_svg(plan: Plan) -> bytes:
    """Draw the plan as SVG in mm, one group for each layer; the settings travel in its metadata."""
    ElementTree.register_namespace("", SVG)
    s = plan.settings
    root = ElementTree.Element(f"{{{SVG}}}svg", {
        "width": f"{s.width_mm:g}mm", "height": f"{s.height_mm:g}mm",
        "viewBox": f"0 0 {s.width_mm:g} {s.height_mm:g}", "version": "1.1"})
    ElementTree.SubElement(root, f"{{{SVG}}}title").text = "Test piece"
    ElementTree.SubElement(root, f"{{{SVG}}}metadata").text = json.dumps(_facts(plan), ensure_ascii=False)
    for layer in plan.layers:
        paint = {"fill": layer.colour, "fill-rule": "evenodd", "stroke": "none"}
        if not layer.filled:
            paint = {"fill": "none", "stroke": layer.colour, "stroke-width": f"{LINE_MM:g}"}
        group = ElementTree.SubElement(root, f"{{{SVG}}}g", {"id": layer.name, **paint})
        ElementTree.SubElement(group, f"{{{SVG}}}desc").text = layer.purpose
        for outlines in _grouped(plan, layer.name):
            ElementTree.SubElement(group, f"{{{SVG}}}path", {"d": " ".join(_path(o) for o in outlines)})
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True) + b"\n"


def plan_dxf(plan: Plan) -> bytes:
    """Draw the plan as DXF (release 2010) in mm, y up, polylines on one layer for each setting."""
    document = ezdxf.new("R2010", units=ezdxf.units.MM)
    for layer in plan.layers:
        new = document.layers.add(layer.name)
        new.rgb = tuple(int(layer.colour[i:i + 2], 16) for i in (1, 3, 5))
        new.description = layer.purpose
    space = document.modelspace()
    height = plan.settings.height_mm
    for shape in plan.shapes:
        space.add_lwpolyline([(x, round(height - y, 4)) for x, y in shape.points_mm], close=shape.closed,
                             dxfattribs={"layer": shape.layer})
    text = io.StringIO()
    document.write(text)
    return text.getvalue().encode(document.output_encoding)


def read_plan(source: bytes | str | PathLike[str]) -> Plan:
    """Read a plan back from its SVG or its JSON.

    Parameters
    ----------
    source : bytes, str or path
        The content as bytes or text, or where the file lies.

    Raises
    ------
    PhotoError
        Not a plan of ours, or one that was damaged.
    """
    text = _text(source)
    try:
        facts = json.loads(_metadata(text) if text.lstrip().startswith("<") else text)
    except (ValueError, RecursionError) as error:
        raise PhotoError("This is not a test piece plan, or it was damaged. "
                         "Give the SVG or the JSON file that was saved with the plan.") from error
    if not isinstance(facts, dict) or facts.get("kind") != KIND:
        raise PhotoError("This file holds no test piece plan. "
                         "Give the SVG or the JSON file that was saved with the plan.")
    if facts.get("format") != FORMAT:
        raise PhotoError("This plan was saved by another version of the program. Make the plan again.")
    return make_plan(_settings(facts.get("settings")))


def _facts(plan: Plan) -> dict[str, Any]:
    """Return what a file says about the plan."""
    return {"kind": KIND, "format": FORMAT, "settings": asdict(plan.settings),
            "patches": [asdict(p) for p in plan.patches]}


def _grouped(plan, layer):
    """Outlines of a layer that fill together."""
    groups: dict[int, list] = {}
    for shape in plan.shapes:
        if shape.layer == layer:
            groups.setdefault(shape.group, []).append(shape)
    return groups.values()


def _path(shape) -> str:
    """Return path data in mm."""
    return "M" + " L".join(f"{x:g},{y:g}" for x, y in shape.points_mm) + (" Z" if shape.closed else "")


def _text(source) -> str:
    """Return the content."""
    if isinstance(source, str) and source.lstrip()[:1] in ("<", "{"):
        return source
    try:
        data = source if isinstance(source, bytes) else Path(source).read_bytes()
    except (OSError, ValueError) as error:
        raise PhotoError(f"The plan {source} cannot be read. Check its name and place.") from error
    if len(data) > LARGEST_BYTES:
        raise PhotoError("This file is too large for a test piece plan. Give the SVG or JSON that was saved.")
    return data.decode("utf-8", errors="replace").lstrip("\ufeff")


def _metadata(text) -> str:
    """Return the metadata of an SVG; entities are refused, since they can grow without bound."""
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise ValueError("document type declarations are not read")
    try:
        found = ElementTree.fromstring(text.encode()).find(f"{{{SVG}}}metadata")
    except ElementTree.ParseError as error:
        raise ValueError(str(error)) from error
    return (found.text or "") if found is not None else ""


def _settings(raw) -> PlanSettings:
    """Read settings from JSON values; an unknown key is named, `make_plan` checks the values."""
    known = {f.name for f in fields(PlanSettings)}
    if not isinstance(raw, dict) or set(raw) - known:
        odd = ", ".join(sorted(set(raw) - known)) if isinstance(raw, dict) else "settings"
        raise PhotoError(f"The plan has settings that are not known: {odd}. Make the plan again.")
    values = {k: tuple(v) if isinstance(v, list) else v for k, v in raw.items()}
    for name in ("powers_percent", "speeds_mm_s", "steps_percent"):
        if name in values and not isinstance(values[name], tuple):
            raise PhotoError(f"The plan's {name} must be a list of numbers. Make the plan again.")
    if not isinstance(values.get("title", ""), str) or not isinstance(values.get("turned", True), bool):
        raise PhotoError("The plan's title or turned is of the wrong kind. Make the plan again.")
    return PlanSettings(**values)
