"""The machine file: the drive's moving parts in TOML, checked key by key."""
from __future__ import annotations

import dataclasses
import difflib
import json
import math
import tomllib
from importlib import resources
from os import PathLike
from pathlib import Path
from typing import Any

from analysis.errors import PhotoError
from analysis.kinematics import travel
from analysis.machine_parts import MANY, ONE, Machine, Scan

__all__ = ["dump_machine", "form_fields", "list_presets", "load_machine", "load_preset", "parse_machine"]

LARGEST_BYTES = 64_000      # a machine file is a page of text; anything larger is another file
MOST_PARTS = 20             # of each repeated section
LONGEST_TEXT = 120
SHAFTS = ("motor", "pulley", "screw", "pinion")      # names that bearings may use without a part of that name


def load_machine(source: bytes | str | PathLike[str]) -> Machine:
    """Read a machine file.

    Parameters
    ----------
    source : bytes, str or path
        The file's content as bytes, or where it lies.

    Returns
    -------
    Machine

    Raises
    ------
    PhotoError
        The file cannot be read, is not TOML, or a key is unknown, missing or out of range; the sentence
        names the key and the mend.
    """
    if not isinstance(source, bytes):
        path = Path(source)
        try:
            with path.open("rb") as file:
                source = file.read(LARGEST_BYTES + 1)
        except OSError as problem:
            raise PhotoError(f"The machine file {path.name} cannot be read ({problem.strerror or problem}). "
                             "Check its name and place.") from None
    if len(source) > LARGEST_BYTES:
        raise PhotoError("The machine file is longer than 64 kB. Give the TOML text file that describes the "
                         "drive.")
    try:
        data = tomllib.loads(source.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise PhotoError("The machine file is not plain text. Save it as UTF-8 text and try again.") from None
    except (tomllib.TOMLDecodeError, RecursionError) as problem:
        raise PhotoError(f"The machine file is not valid TOML: {problem}. Mend that line and try "
                         "again.") from None
    return parse_machine(data)


def parse_machine(data: dict[str, Any]) -> Machine:
    """Check a machine given as nested dicts (a TOML file, or the page's form) and return it.

    Raises
    ------
    PhotoError
        As `load_machine`.
    """
    values: dict[str, Any] = {}
    for key, value in data.items():
        if key == "name":
            values[key] = _text("name", value)
        elif key in ONE:
            values[key] = _section(ONE[key], key, value)
        elif key in MANY:
            values[key] = _sections(MANY[key], key, value)
        else:
            raise PhotoError(f"The machine file has an unknown section or key `{key}`. "
                             + _nearest(key, ["name", *ONE, *MANY]))
    machine = Machine(**values)
    _check_together(machine)
    return machine


def dump_machine(machine: Machine) -> str:
    """Write a machine as TOML that `load_machine` reads back to an equal machine; defaults are left out."""
    lines = [f"name = {_toml(machine.name)}"] if machine.name else []
    for key in ONE:
        part = getattr(machine, key)
        if part is not None and (key != "scan" or part != Scan()):
            lines += ["", f"[{key}]", *_pairs(part)]
    for key in MANY:
        for part in getattr(machine, key):
            lines += ["", f"[[{key}]]", *_pairs(part)]
    return "\n".join(lines).lstrip("\n") + "\n"


def list_presets() -> tuple[tuple[str, str], ...]:
    """Names of the presets with their generic description, for a list to choose from."""
    folder = resources.files("analysis") / "presets"
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)
    return tuple((f.name.removesuffix(".toml"), load_machine(f.read_bytes()).name) for f in files)


def load_preset(name: str) -> Machine:
    """Return the preset of this name.

    Raises
    ------
    PhotoError
        There is none of this name.
    """
    known = dict(list_presets())
    if name not in known:
        raise PhotoError(f"There is no preset `{name}`. " + _nearest(name, list(known)))
    return load_machine((resources.files("analysis") / "presets" / f"{name}.toml").read_bytes())


def form_fields(section: str) -> tuple[dict[str, Any], ...]:
    """Keys of one section for a form: name, kind, low, high, words, required, default."""
    part = (ONE | MANY)[section]
    return tuple({"name": f.name, **f.metadata, "required": f.default is dataclasses.MISSING,
                  "default": None if f.default is dataclasses.MISSING else f.default}
                 for f in dataclasses.fields(part))


def _section(part: type, where: str, value: Any) -> Any:
    if not isinstance(value, dict):
        raise PhotoError(f"`{where}` in the machine file must be a section. Write [{where}] on a line of its "
                         "own, its keys below.")
    keys = {f.name: f for f in dataclasses.fields(part)}
    for key in value:
        if key not in keys:
            raise PhotoError(f"The machine file has an unknown key `{where}.{key}`. "
                             "" + _nearest(key, list(keys)))
    missing = [k for k, f in keys.items() if f.default is dataclasses.MISSING and k not in value]
    if missing:
        raise PhotoError(f"The machine file lacks `{where}.{missing[0]}` "
                         f"({keys[missing[0]].metadata['words']}). Add it.")
    return part(**{key: _value(f"{where}.{key}", item, keys[key].metadata) for key, item in value.items()})


def _sections(part: type, where: str, value: Any) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise PhotoError(f"`{where}` in the machine file may occur more than once. Write [[{where}]] with "
                         "double brackets.")
    if len(value) > MOST_PARTS:
        raise PhotoError(f"The machine file lists {len(value)} times [[{where}]]. Keep the {MOST_PARTS} that "
                         "matter.")
    return tuple(_section(part, f"{where}[{k + 1}]" if len(value) > 1 else where, item)
                 for k, item in enumerate(value))


def _value(where: str, value: Any, meta: Any) -> Any:
    kind, low, high = meta["kind"], meta["low"], meta["high"]
    if kind == "text":
        return _text(where, value)
    if kind == "yes or no":
        if not isinstance(value, bool):
            raise PhotoError(f"`{where}` in the machine file must be true or false ({meta['words']}).")
        return value
    if kind == "numbers":
        if not isinstance(value, (list, tuple)) or len(value) > MOST_PARTS:
            raise PhotoError(f"`{where}` in the machine file must be a list of at most {MOST_PARTS} numbers, "
                             "such as [200, 320].")
        return tuple(_number(where, item, "number", low, high, meta["words"]) for item in value)
    return _number(where, value, kind, low, high, meta["words"])


def _number(where: str, value: Any, kind: str, low: float, high: float, words: str) -> float | int:
    whole = kind == "whole number"
    right = isinstance(value, int if whole else (int, float)) and not isinstance(value, bool)
    if not right or not low <= value <= high:      # a NaN fails the comparison too
        raise PhotoError(f"`{where}` in the machine file ({words}) must be a {kind} from {low:g} to "
                         f"{high:g}, not {str(value)[:40]!r}.")
    return value if whole else float(value)


def _text(where: str, value: Any) -> str:
    if not isinstance(value, str) or len(value) > LONGEST_TEXT or not value.isprintable():
        raise PhotoError(f"`{where}` in the machine file must be one line of text in quotes, "
                         f"at most {LONGEST_TEXT} letters.")
    return value


def _nearest(word: str, known: list[str]) -> str:
    near = difflib.get_close_matches(word, known, n=1)
    return f"Did you mean `{near[0]}`?" if near else f"Known here: {', '.join(known)}."


def _check_together(machine: Machine) -> None:
    """Check what no single key can show."""
    drives = [key for key in ("belt", "screw", "rack") if getattr(machine, key) is not None]
    if len(drives) > 1:
        raise PhotoError(f"The machine file has both [{drives[0]}] and [{drives[1]}]. Keep the one that "
                         "drives the scan axis; a reduction between motor and drive goes into [gear].")
    if machine.gear is not None and machine.motor is None:
        raise PhotoError("The machine file has [gear] but no [motor]. Add [motor] with step_angle_deg.")
    if machine.rack is not None and (machine.rack.module_mm is None) == (machine.rack.tooth_pitch_mm is None):
        raise PhotoError("The machine file needs either `rack.module_mm` or `rack.tooth_pitch_mm`. Give one "
                         "of them.")
    for k, idler in enumerate(machine.idler, 1):
        if (idler.diameter_mm is None) == (idler.teeth is None):
            raise PhotoError(f"Idler {idler.name or k} in the machine file needs either `diameter_mm` "
                             "(smooth) or `teeth` (toothed). Give one of them.")
        if idler.teeth is not None and machine.belt is None:
            raise PhotoError(f"Idler {idler.name or k} in the machine file has teeth but there is no [belt]. "
                             "Add [belt] with pitch_mm.")
    if machine.scan.speed_mm_s is None and (machine.mains or machine.resonance or machine.fan):
        raise PhotoError("The machine file lists frequencies but no `scan.speed_mm_s`. Add the scan speed of "
                         "the pieces in the photos.")
    _check_names(machine)


def _check_names(machine: Machine) -> None:
    names = [*(idler.name or "idler" for idler in machine.idler),
             *(wheel.name or "wheel" for wheel in machine.wheel)]
    for name in names:
        if names.count(name) > 1 or name in SHAFTS:
            raise PhotoError(f"The name `{name}` in the machine file belongs to two parts. Give each idler "
                             "and wheel a name of its own.")
    turning = list(travel(machine))
    for k, bearing in enumerate(machine.bearing, 1):
        where = bearing.name or str(k)
        if bearing.turns_with not in turning:
            raise PhotoError(f"Bearing {where} in the machine file turns with `{bearing.turns_with}`, whose "
                             "travel per turn is not given. "
                             "" + _nearest(bearing.turns_with, turning or ["no part yet"]))
        if bearing.ring not in ("inner", "outer"):
            raise PhotoError(f"`bearing.ring` of bearing {where} in the machine file must be \"inner\" or "
                             "\"outer\" (the ring that turns).")
        if bearing.ball_diameter_mm * bearing.balls > math.pi * bearing.pitch_diameter_mm:
            raise PhotoError(f"Bearing {where} in the machine file cannot hold {bearing.balls} balls of "
                             f"{bearing.ball_diameter_mm:g} mm on its pitch circle. Check the three numbers.")


def _pairs(part: Any) -> list[str]:
    return [f"{f.name} = {_toml(getattr(part, f.name))}" for f in dataclasses.fields(part)
            if f.default is dataclasses.MISSING or getattr(part, f.name) != f.default]


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # TOML shares JSON's escapes but not its surrogate pairs: keep other alphabets as they are
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return repr(value)
