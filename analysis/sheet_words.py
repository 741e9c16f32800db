"""Right half of the sheet: scores, the next step with its cautions, and reasons; warnings across its foot.

What does not fit is shortened in a fixed order, least needed first, rows of
scores among it, and stands in the report; the next step and its cautions come
last in that order. A warning stands whole or is counted as left out, for its
last words say what to do.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from analysis import figures, scores, words
from analysis.formats import minus
from analysis.paper import BODY, HEAD, SMALL, Page, line_height, wrap

__all__ = ["capital", "draw_warnings", "draw_words"]

TABLE_HEAD, ROW_GAP = 3.8, 0.3             # mm
# Rows that only a careful reader misses, least needed first; the report holds them
LESS_NEEDED = ("Banding, mottle, graininess", "Coherence (one phase)", "Period drift per 100 mm",
               "Stronger on dark ground by", "Periods in view", "Seen from 35 cm", "Stripe over the piece")
LABEL = 36.0                               # width of the first column, mm
MOST_WARNING_LINES = 5                     # across the page: the next step keeps its room above them
LEAST_GAP, MOST_GAP = 1.2, 2.6             # above a heading, mm


@dataclass(slots=True, kw_only=True)
class _Section:
    """A headed list of texts."""

    kind: str
    heading: str
    texts: list[str]
    most: int                              # lines a text may take

    def wrapped(self, width: float) -> list[list[str]]:
        return [wrap(text, width, BODY, most=self.most) for text in self.texts]


def draw_words(page: Page, report, notes, box) -> None:
    """Set tables and texts into a box (x, y, width, height), mm."""
    x, y, width, height = box
    rows, names = scores.score_rows(report), [name for name, _ in words.photos(report)]
    changes = scores.change_rows(report) if "change" in report else []
    sections = _sections(report, notes)
    steps = _shortened(sections, rows)
    while True:
        table = _wrapped(rows, (width - LABEL) / len(names) - 1.5, 2)
        change = _wrapped(changes, width - LABEL, 3)
        spare = height - _table_height(table) - (2.0 + _table_height(change) if change else 0.0) \
            - _height(sections, width)
        if spare >= 0 or not next(steps, False):
            break
    y = _table(page, "Scores", names, table, x, y, width)
    if change:
        y = _table(page, "Change", (), change, x, y + 2.0, width)
    gap = min(MOST_GAP, max(LEAST_GAP, LEAST_GAP + spare / max(len(sections), 1)))
    for section in sections:
        y = page.lines(x, y + gap, [section.heading], HEAD, bold=True, colour=figures.INK) + 0.4
        for lines in section.wrapped(width):
            y = page.lines(x, y, lines, BODY, colour=figures.INK) + 0.5


def draw_warnings(page: Page, report, x: float, foot: float, width: float) -> float:
    """Set whole warnings above `foot`, the others counted; returns where the page's body must end, mm."""
    texts = [wrap(text, width, BODY, most=MOST_WARNING_LINES - 1) for text in words.warnings(report)]
    if not texts:
        return foot
    shown = list(texts)
    while sum(map(len, shown)) + (len(shown) < len(texts)) > MOST_WARNING_LINES:
        shown.pop()
    lines = sum(shown, [])
    if len(shown) < len(texts):
        lines.append(f"{len(texts) - len(shown)} more in the report")
    top = foot - 1.2 - line_height(HEAD) - len(lines) * line_height(BODY)
    y = page.lines(x, top, ["Warnings"], HEAD, bold=True, colour=figures.INK)
    page.lines(x, y, lines, BODY, colour=figures.INK)
    return top - 0.6


def capital(text: str) -> str:
    """Words that begin a line."""
    return text[:1].upper() + text[1:]


def _wrapped(rows, room: float, most: int) -> list[tuple[str, list[list[str]]]]:
    """Rows of a table: what, and the lines of each value."""
    return [(what, [wrap(value, room, SMALL, most=most) for value in values]) for what, *values in rows]


def _row_height(cells: list[list[str]]) -> float:
    return max(map(len, cells)) * line_height(SMALL) + 2 * ROW_GAP


def _table_height(rows) -> float:
    """Height that `_table` takes, mm."""
    return TABLE_HEAD + sum(_row_height(cells) for _, cells in rows)


def _table(page: Page, heading: str, names, rows, x: float, y: float, width: float) -> float:
    """Table under a heading, a column for each value; returns its foot, mm."""
    each = (width - LABEL) / max(len(names), 1)
    page.text(x, y + 2.6, heading, HEAD, bold=True, colour=figures.INK)
    for i, name in enumerate(names):
        page.text(x + LABEL + i * each, y + 2.6, name, SMALL, bold=True, colour=figures.SOFT)
    y += TABLE_HEAD
    for what, cells in rows:
        page.rule(x, y, width, figures.RULE, 0.4)
        page.lines(x, y + ROW_GAP, [what], SMALL, colour=figures.SOFT)
        for i, cell in enumerate(cells):
            page.lines(x + LABEL + i * each, y + ROW_GAP, cell, SMALL, colour=figures.INK)
        y += _row_height(cells)
    page.rule(x, y, width, figures.RULE, 0.4)
    return y


def _sections(report, notes) -> list[_Section]:
    """Headed texts under the tables, in the order of reading."""
    step, sections = words.next_step(report), []
    if step:
        found = words.cautions(step)
        caution = ["CAUTION. " + " ".join(found)] if found else []
        sections.append(_Section(kind="next", heading="Next", texts=[step, *caution], most=6))
    for name, photo in words.photos(report):
        speak, other = words.reasons(photo)
        if speak or other:
            texts = [f"+  {text}" for text in speak] + [f"{minus('-')}  {text}" for text in other]
            sections.append(_Section(kind="why", heading=words.why(name, photo), texts=texts, most=3))
    if notes and notes.strip():
        sections.append(_Section(kind="notes", heading="Notes", texts=[notes], most=6))
    return sections


def _shortened(sections: list[_Section], rows: list[tuple[str, ...]]) -> Iterator[bool]:
    """Shorten sections and the rows of scores by one step at each call, least needed first."""
    of = {kind: [section for section in reversed(sections) if section.kind == kind]
          for kind in ("why", "notes", "next")}
    for section in of["why"]:              # the second reason for, then the one against
        if len(section.texts) > 1 and section.texts[1].startswith("+"):
            del section.texts[1]
            yield True
    for section in of["notes"]:
        section.most = 3
        yield True
    for section in of["why"]:
        del section.texts[1:]
        yield True
    for section in of["why"]:
        sections.remove(section)
        yield True
    for name in LESS_NEEDED:
        rows[:] = [row for row in rows if row[0] != name]
        yield True
    for section in of["notes"]:
        section.most = 1
        yield True
    for section in of["next"]:
        section.texts[0] = " ".join(wrap(section.texts[0], 100.0, BODY, most=3))
        yield True


def _height(sections: list[_Section], width: float) -> float:
    """Height that the sections take, mm."""
    return sum(LEAST_GAP + line_height(HEAD) + 0.4
               + sum(len(lines) * line_height(BODY) + 0.5 for lines in section.wrapped(width))
               for section in sections)
