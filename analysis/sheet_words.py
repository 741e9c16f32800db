"""Right half of the sheet: scores, the next step with its cautions, warnings and reasons.

What does not fit is shortened in a fixed order, least needed first; what was
left out is counted, and stands in the report. The next step and its cautions
come last in that order.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from analysis import figures, scores, words
from analysis.formats import minus
from analysis.paper import BODY, HEAD, SMALL, Page, line_height, wrap

__all__ = ["capital", "draw_words"]

LABEL = 36.0                               # width of the first column, mm
LEAST_GAP, MOST_GAP = 1.2, 2.6             # above a heading, mm


@dataclass(slots=True, kw_only=True)
class _Section:
    """A headed list of texts."""

    kind: str
    heading: str
    texts: list[str]
    most: int                              # lines a text may take
    hidden: int = 0                        # texts that were left out

    def wrapped(self, width: float) -> list[list[str]]:
        rest = [f"{self.hidden} more in the report"] if self.hidden else []
        return [wrap(text, width, BODY, most=self.most) for text in self.texts + rest]


def draw_words(page: Page, report, notes, box) -> None:
    """Set tables and texts into a box (x, y, width, height), mm."""
    x, y, width, height = box
    foot = y + height
    y = _score_table(page, report, x, y, width)
    if "change" in report:
        y = _pairs(page, scores.change_rows(report), x, y + 2.0, width, "Change")
    sections = _sections(report, notes)
    steps = _shortened(sections)
    while (used := _height(sections, width)) > foot - y and next(steps, False):
        pass
    gap = min(MOST_GAP, max(LEAST_GAP, LEAST_GAP + (foot - y - used) / max(len(sections), 1)))
    for section in sections:
        y = page.lines(x, y + gap, [section.heading], HEAD, bold=True, colour=figures.INK) + 0.4
        for lines in section.wrapped(width):
            y = page.lines(x, y, lines, BODY, colour=figures.INK) + 0.5


def capital(text: str) -> str:
    """Words that begin a line."""
    return text[:1].upper() + text[1:]


def _score_table(page: Page, report, x, y, width) -> float:
    """Table of scores, a column for each photo; returns its foot, mm."""
    photos = words.photos(report)
    each = (width - LABEL) / len(photos)
    page.text(x, y + 2.6, "Scores", HEAD, bold=True, colour=figures.INK)
    for i, (name, _) in enumerate(photos):
        page.text(x + LABEL + i * each, y + 2.6, name, SMALL, bold=True, colour=figures.SOFT)
    y += 3.8
    for what, *values in scores.score_rows(report):
        page.rule(x, y, width, figures.RULE, 0.4)
        cells = [wrap(value, each - 1.5, SMALL, most=2) for value in values]
        page.lines(x, y + 0.35, [what], SMALL, colour=figures.SOFT)
        feet = [page.lines(x + LABEL + i * each, y + 0.35, cell, SMALL, colour=figures.INK)
                for i, cell in enumerate(cells)]
        y = max(feet) + 0.25
    page.rule(x, y, width, figures.RULE, 0.4)
    return y


def _pairs(page: Page, rows, x, y, width, heading) -> float:
    """Table of two columns under a heading; returns its foot, mm."""
    page.text(x, y + 2.6, heading, HEAD, bold=True, colour=figures.INK)
    y += 3.8
    for what, value in rows:
        page.rule(x, y, width, figures.RULE, 0.4)
        page.lines(x, y + 0.35, [what], SMALL, colour=figures.SOFT)
        y = page.lines(x + LABEL, y + 0.35, wrap(value, width - LABEL, SMALL, most=3), SMALL,
                       colour=figures.INK) + 0.25
    page.rule(x, y, width, figures.RULE, 0.4)
    return y


def _sections(report, notes) -> list[_Section]:
    """Headed texts under the tables, in the order of reading."""
    step, sections = words.next_step(report), []
    if step:
        found = words.cautions(step)
        caution = ["CAUTION. " + " ".join(found)] if found else []
        sections.append(_Section(kind="next", heading="Next", texts=[step, *caution], most=6))
    if found := words.warnings(report):
        sections.append(_Section(kind="warnings", heading="Warnings", texts=found, most=3))
    for name, photo in words.photos(report):
        speak, other = words.reasons(photo)
        if speak or other:
            texts = [f"+  {text}" for text in speak] + [f"{minus('-')}  {text}" for text in other]
            sections.append(_Section(kind="why", heading=words.why(name, photo), texts=texts, most=3))
    if notes and notes.strip():
        sections.append(_Section(kind="notes", heading="Notes", texts=[notes], most=6))
    return sections


def _shortened(sections: list[_Section]) -> Iterator[bool]:
    """Shorten the sections by one step at each call, least needed first."""
    of = {kind: [section for section in reversed(sections) if section.kind == kind]
          for kind in ("why", "notes", "warnings", "next")}
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
    for most, kept in ((2, 2), (1, 2)):
        for section in of["warnings"]:
            section.most = most
            yield True
            while len(section.texts) > kept:
                section.texts.pop()
                section.hidden += 1
                yield True
        for section in of["why"]:
            if section in sections:
                sections.remove(section)
                yield True
    for section in of["notes"] + of["warnings"]:
        section.most = 1
        section.hidden += len(section.texts) - 1
        del section.texts[1:]
        yield True
    for section in of["next"]:
        section.texts[0] = " ".join(wrap(section.texts[0], 100.0, BODY, most=3))
        yield True


def _height(sections: list[_Section], width: float) -> float:
    """Height that the sections take, mm."""
    return sum(LEAST_GAP + line_height(HEAD) + 0.4
               + sum(len(lines) * line_height(BODY) + 0.5 for lines in section.wrapped(width))
               for section in sections)
