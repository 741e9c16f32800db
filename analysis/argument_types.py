"""Words of the command line to values, each complaint with its mend."""
from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from analysis.errors import PhotoError

__all__ = ["Parser", "check_paths", "floats", "frame", "kind", "number", "point", "region", "shaped", "whole"]

CORNER_OPTIONS = ("--before-corners", "--after-corners", "--corners")
NEGATIVE = re.compile(r"-[\d.][\d.,eE+\-]*")
MOST_NUMBERS = 100


class Parser(argparse.ArgumentParser):
    """A parser whose complaint is one line."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and where to read more; exit status 2."""
        message = message.replace("argument ", "", 1) if message.startswith("argument ") else message
        sys.stderr.write(f"{message[:1].upper()}{message[1:]} (see {self.prog} --help)\n")
        raise SystemExit(2)


def check_paths(inputs: Sequence[str], outputs: Sequence[str]) -> None:
    """Refuse to write over a file that is read, or two results into one file.

    Raises
    ------
    PhotoError
        Names the file.
    """
    seen = {_place(name) for name in inputs}
    for name in outputs:
        if _place(name) in seen:
            raise PhotoError(f"{name} is named twice and would be overwritten. "
                             "Give every output a name of its own.")
        seen.add(_place(name))


def _place(name: str) -> str:
    try:
        return str(Path(name).resolve())
    except (OSError, ValueError, RuntimeError):        # RuntimeError: links that go round in a circle
        return name


def shaped(argv: Sequence[str]) -> list[str]:
    """Arguments as argparse can take them: four corners in one word split, negative numbers no options."""
    shaped: list[str] = []
    for word in argv:
        option, equals, value = word.partition("=")
        if equals and option in CORNER_OPTIONS:
            shaped += [option, *value.split()]
        elif shaped and shaped[-1] in CORNER_OPTIONS and len(word.split()) > 1:
            shaped += word.split()
        else:
            shaped.append(word)
    return [" " + word if NEGATIVE.fullmatch(word) else word for word in shaped]


def _floats(text: str, separator: str, count: int) -> tuple[float, ...] | None:
    """`count` numbers in a text, or None."""
    parts = re.split(separator, text.strip())
    try:
        found = tuple(float(part) for part in parts)
    except ValueError:
        return None
    return found if len(found) == count else None


def _numbers(text: str, separator: str, count: int, wanted: str) -> tuple[float, ...]:
    """`count` numbers in a text, or the complaint that says what is wanted."""
    value = _floats(text, separator, count)
    if value is None:
        raise argparse.ArgumentTypeError(f"give {wanted}, not {text!r}")
    return value


def number(text: str) -> float:
    """One number."""
    value = _floats(text, r"\s+", 1)
    if value is None:
        raise argparse.ArgumentTypeError(f"give one number, not {text.strip()!r}")
    return value[0]


def whole(most: int):
    """Type of a whole number from 1 to `most`."""
    def check(text: str) -> int:
        text = text.strip()
        if not (text.isascii() and text.isdigit() and len(text) < 12 and 1 <= int(text) <= most):
            raise argparse.ArgumentTypeError(f"give a whole number from 1 to {most}, not {text!r}")
        return int(text)
    return check


def frame(text: str) -> tuple[float, ...]:
    """Width x height."""
    return _numbers(text, "[xX\N{MULTIPLICATION SIGN}]", 2, "width x height in mm, such as 80x60")


def point(text: str) -> tuple[float, ...]:
    """A point."""
    return _numbers(text, ",", 2, "a corner as x,y in photo pixels, such as 12,98")


def region(text: str) -> tuple[float, ...]:
    """x, y, width, height."""
    return _numbers(text, ",", 4, "x,y,width,height in mm, such as 10,10,40,30")


def floats(text: str) -> tuple[float, ...]:
    """Numbers parted by commas."""
    return _numbers(text, ",", min(text.count(",") + 1, MOST_NUMBERS), "numbers parted by commas, such as 10,20,30")


def kind(*suffixes: str):
    """Type of a file name that must end in one of the suffixes."""
    def check(text: str) -> str:
        if Path(text).suffix.lower() not in suffixes:
            raise argparse.ArgumentTypeError(f"the file's name must end in {' or '.join(suffixes)}, not {text!r}")
        return text
    return check
