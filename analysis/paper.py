"""A printed page in millimetres: text that is measured, wrapped and never cut, rules, boxes and axes.

Positions are mm from the top-left corner of the page, x right and y down; text
sizes are points. The typeface is the sans that matplotlib carries, which also
has Greek and Cyrillic letters; a letter it lacks is taken from a font of this
computer that has it, or shown as an empty box, so that its place is seen. All
fonts are embedded in the PDF.
"""
from __future__ import annotations

import logging
import threading
import unicodedata
from contextlib import contextmanager
from functools import lru_cache
from typing import Any

__all__ = ["BODY", "HEAD", "PAPERS", "SMALL", "Page", "drawing", "fit", "line_height", "missing", "printable",
           "text_width", "wrap"]

PAPERS = {"A4": (297.0, 210.0), "Letter": (279.4, 215.9)}   # landscape, mm: ISO 216; ANSI Y14.1 size A
MM_PER_INCH = 25.4
MM_PER_POINT = MM_PER_INCH / 72.0
LEADING = 1.32                             # line distance / text size; common practice, no source
MISSING = "\N{WHITE SQUARE}"
ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"
FAMILY = "DejaVu Sans"
SMALL, BODY, HEAD = 7.0, 7.0, 8.0         # points; nothing is set smaller
TURNERS = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"    # would turn a name's ending round
UNITS = ("%", "mm", "px", "deg", "px/mm")
LONGEST_TEXT = 5000                        # letters read of any one text
MOST_FONTS = 2000                          # of this computer, looked into for a letter

_lock = threading.Lock()                   # matplotlib's settings are one for the whole process


@contextmanager
def drawing():
    """Hold matplotlib's settings for a page: real text in embedded fonts, thin lines."""
    import matplotlib as mpl
    settings = {"font.family": [FAMILY], "pdf.fonttype": 42, "svg.fonttype": "none", "font.size": 7.0,
                "axes.unicode_minus": True, "text.parse_math": False, "hatch.linewidth": 0.4,
                "axes.linewidth": 0.5,
                "xtick.labelsize": 7.0, "ytick.labelsize": 7.0, "axes.labelsize": 7.0, "legend.fontsize": 7.0,
                "xtick.major.width": 0.5, "ytick.major.width": 0.5, "text.usetex": False,
                "svg.hashsalt": "stripe-or-grain", "pdf.compression": 6, "path.simplify": True}
    log = logging.getLogger("matplotlib.font_manager")
    with _lock, mpl.rc_context(settings):
        level = log.level
        log.setLevel(logging.ERROR)        # a found font without a bold kin is told of otherwise
        try:
            yield
        finally:
            log.setLevel(level)


@lru_cache(maxsize=32)
def _font(bold: bool, families: tuple[str, ...] = (FAMILY,)) -> Any:
    from matplotlib.font_manager import FontProperties, findfont, get_font
    weight = "bold" if bold else "normal"
    return get_font([findfont(FontProperties(family=[family], weight=weight)) for family in families])


@lru_cache(maxsize=20_000)
def _family(letter: str) -> str | None:
    """Family that has this letter: our own, else the first one of this computer that can draw it."""
    if _font(False).get_char_index(ord(letter)) != 0:
        return FAMILY
    from matplotlib.font_manager import get_font
    for family, path in _installed():
        try:
            font = get_font(path)
            if font.scalable and font.get_char_index(ord(letter)) != 0:
                font.load_char(ord(letter))
                if len(font.get_path()[0]):        # a coloured picture has no outline to embed
                    return family
        except Exception:                          # a damaged font of this computer is none of ours
            continue
    return None


@lru_cache(maxsize=1)
def _installed() -> tuple[tuple[str, str], ...]:
    """Upright text fonts of this computer, one of each family; those that PDF embeds most plainly first."""
    from matplotlib.font_manager import fontManager
    plain = [font for font in fontManager.ttflist if font.style == "normal" and "Last Resort" not in font.name]
    plain.sort(key=lambda font: (abs(_weight(font) - 400), font.fname.lower().endswith(".otf"), font.fname))
    return tuple({font.name: font.fname for font in reversed(plain[:MOST_FONTS])}.items())[::-1]


def _weight(font: Any) -> int:
    from matplotlib.font_manager import weight_dict
    return font.weight if isinstance(font.weight, int) else weight_dict.get(font.weight, 400)


@lru_cache(maxsize=20_000)
def _families(text: str) -> tuple[str, ...]:
    """Families that a text needs, our own first."""
    return (FAMILY, *dict.fromkeys(found for letter in text if (found := _family(letter)) not in (None, FAMILY)))


@lru_cache(maxsize=20_000)
def _points_wide(text: str, bold: bool) -> float:
    """Width of a text set at 100 points, in points."""
    if not text:
        return 0.0
    font = _font(bold, _families(text))
    font.set_size(100.0, 72.0)
    font.set_text(text, 0.0)
    return font.get_width_height()[0] / 64.0


def text_width(text: str, size: float, bold: bool = False) -> float:
    """Width of one line, mm."""
    return _points_wide(text, bold) * size / 100.0 * MM_PER_POINT


def printable(text: Any) -> str:
    """One line that can be shown: blanks for line ends, a box for a letter that no font has."""
    out = []
    for letter in unicodedata.normalize("NFC", str(text)[:LONGEST_TEXT]):
        kind = unicodedata.category(letter)
        if kind in ("Zs", "Zl", "Zp") or letter in "\t\r\n\v\f":
            out.append(" ")
        elif letter in TURNERS or kind in ("Cf", "Mn") and _family(letter) is None:
            continue
        elif kind in ("Cc", "Cs", "Co", "Cn") or _family(letter) is None:
            out.append(MISSING)
        else:
            out.append(letter)
    return " ".join("".join(out).split())


def missing(text: Any) -> bool:
    """Whether a text has a letter that no font of this computer has."""
    return any(letter != MISSING and printable(letter) == MISSING for letter in set(str(text)[:LONGEST_TEXT]))


def wrap(text: str, width_mm: float, size: float, bold: bool = False, most: int | None = None) -> list[str]:
    """Break a text into lines that fit.

    Parameters
    ----------
    text : str
        Set by `printable` first.
    width_mm, size : float
        Room and text size in points.
    most : int, optional
        Lines allowed; the last one ends in an ellipsis where more would follow.

    Returns
    -------
    list of str
        A number stays with its unit; a word longer than the line is broken.
    """
    lines, line = [], ""
    for word in _pieces(printable(text)):
        while text_width(word, size, bold) > width_mm:
            if line:
                lines.append(line)
                line = ""
            fits = _fitting(word, width_mm, size, bold)
            lines.append(word[:fits])
            word = word[fits:]
        joined = f"{line} {word}" if line else word
        if text_width(joined, size, bold) <= width_mm:
            line = joined
        else:
            lines.append(line)
            line = word
    lines += [line] if line else []
    if most is not None and len(lines) > most:
        last = lines[most - 1]
        while last and text_width(last + ELLIPSIS, size, bold) > width_mm:
            last = last[:-1]
        lines = [*lines[: most - 1], last.rstrip() + ELLIPSIS]
    return lines


def fit(text: str, width_mm: float, size: float, bold: bool = False) -> str:
    """Shorten a name in its middle until it fits: both its start and its ending stay."""
    text = printable(text)
    if text_width(text, size, bold) <= width_mm:
        return text
    low, high = 0, len(text)                  # letters kept: `low` fits, `high` does not
    while high - low > 1:
        keep = (low + high) // 2
        if text_width(_middle_out(text, keep), size, bold) <= width_mm:
            low = keep
        else:
            high = keep
    return _middle_out(text, low)


def _middle_out(text: str, keep: int) -> str:
    return text[: (keep + 1) // 2] + ELLIPSIS + text[len(text) - keep // 2:]


def _pieces(text: str) -> list[str]:
    """Words, where a number holds on to the unit after it."""
    pieces: list[str] = []
    for word in text.split():
        unit = word == "±" or word.rstrip(".,;:)") in UNITS
        if pieces and (unit or pieces[-1].endswith(" ±")):
            pieces[-1] += " " + word
        else:
            pieces.append(word)
    return pieces


def _fitting(word: str, width_mm: float, size: float, bold: bool) -> int:
    count = 1
    while count < len(word) and text_width(word[: count + 1], size, bold) <= width_mm:
        count += 1
    return count


class Page:
    """One page of paper; holds the figure and speaks millimetres."""

    def __init__(self, paper: str = "A4"):
        from matplotlib.figure import Figure
        if paper not in PAPERS:
            raise ValueError(f"paper must be one of {', '.join(PAPERS)}, got {paper!r}")
        self.width, self.height = PAPERS[paper]
        self.figure = Figure(figsize=(self.width / MM_PER_INCH, self.height / MM_PER_INCH), facecolor="white")

    def axes(self, x: float, y: float, width: float, height: float):
        """Add axes whose data area fills this box."""
        return self.figure.add_axes((x / self.width, 1 - (y + height) / self.height, width / self.width,
                                     height / self.height))

    def text(self, x: float, y: float, words: str, size: float = 7.0, *, bold: bool = False,
             colour: str = "black", align: str = "left", turned: bool = False) -> None:
        """Set one line of text; `y` is its base line, or its middle where it is turned upright."""
        shown = printable(words)
        self.figure.text(x / self.width, 1 - y / self.height, shown, size=size, color=colour,
                         family=list(_families(shown)), ha=align, weight="bold" if bold else "normal",
                         va="center" if turned else "baseline", rotation=90 if turned else 0, parse_math=False)

    def lines(self, x: float, y: float, lines: list[str], size: float = 7.0, **style: Any) -> float:
        """Set lines under one another; `y` is the top of the first, the foot of the last is returned."""
        step = size * LEADING * MM_PER_POINT
        for i, line in enumerate(lines):
            self.text(x, y + (i + 0.78) * step, line, size, **style)
        return y + len(lines) * step

    def rule(self, x: float, y: float, width: float, colour: str, weight: float = 0.5) -> None:
        """Draw a level line; `weight` in points."""
        from matplotlib.lines import Line2D
        level = 1 - y / self.height
        self.figure.add_artist(Line2D((x / self.width, (x + width) / self.width), (level, level), lw=weight,
                                      color=colour, solid_capstyle="butt"))

    def box(self, x: float, y: float, width: float, height: float, fill: str, edge: str = "none") -> None:
        """Fill a box behind what is drawn later."""
        from matplotlib.patches import Rectangle
        self.figure.add_artist(Rectangle(
            (x / self.width, 1 - (y + height) / self.height), width / self.width, height / self.height,
            transform=self.figure.transFigure, facecolor=fill, edgecolor=edge, lw=0.6, zorder=-1))


def line_height(size: float) -> float:
    """Distance of lines, mm."""
    return size * LEADING * MM_PER_POINT
