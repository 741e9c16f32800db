"""The comparison sheet: one page to print or send, as PNG, PDF and HTML.

From the top: title and date, the answer in a sentence, a verdict for each photo
and for the change; left the pictures, maps, profiles and spectra; right the
scores, the next step with its cautions, and reasons; at the foot warnings, files
and settings. All numbers come from the report and are set by `analysis.words`.
"""
from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from analysis import figures, words
from analysis.errors import PhotoError
from analysis.paper import MISSING, PAPERS, SMALL, Page, drawing, fit, line_height, missing, wrap
from analysis.report import to_dict
from analysis.sheet_charts import draw_evidence
from analysis.sheet_words import capital, draw_warnings, draw_words
from analysis.views import Views, make_views

__all__ = ["Sheet", "make_sheet"]

DPI = 200
MARGIN = 9.0                               # mm; most printers reach within 5 mm of the edge (common practice)
GAP = 5.0                                  # between the two halves
ANSWER, VERDICT, TITLE = 12.5, 9.5, 10.0   # points
RIGHT_WIDTH = 104.0
PALE = "#eef1f5"
FORMATS = ("png", "pdf", "html")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A sheet in the formats that were asked for."""

    png: bytes | None = None               # 200 dpi
    pdf: bytes | None = None               # one page, vector charts, text that can be searched
    html: bytes | None = None              # one self-contained file, UTF-8


def make_sheet(result: Any, *, title: str | None = None, notes: str | None = None, paper: str = "A4",
               machine: Any = None, made: datetime | None = None,
               formats: tuple[str, ...] = ("png", "pdf")) -> Sheet:
    """Make the sheet of a comparison, of one inspected photo, or of a saved one.

    Parameters
    ----------
    result : Comparison, Inspection or Saved
    title, notes : str, optional
        Free text, default that of a saved result; what is too long for its place ends in an ellipsis.
    paper : {"A4", "Letter"}
        Landscape.
    machine : Machine, optional
        Marks the periods that its parts can make in the spectra.
    made : datetime, optional
        Date on the sheet and in the files; default now.
    formats : tuple of {"png", "pdf", "html"}

    Returns
    -------
    Sheet
        Files carry the program's name and the date, nothing else.

    Raises
    ------
    ValueError
        An unknown format.
    PhotoError
        An unknown paper.
    """
    if unknown := set(formats) - set(FORMATS):
        raise ValueError(f"formats must be of {', '.join(FORMATS)}, got {', '.join(sorted(unknown))}")
    if paper not in PAPERS:
        raise PhotoError(f"The paper {paper} is not known. Choose {' or '.join(PAPERS)}.")
    report = words.without_options(result.report if hasattr(result, "report") else to_dict(result))
    views = result.views if hasattr(result, "views") else make_views(result)
    title, notes = title or getattr(result, "title", None), notes or getattr(result, "notes", None)
    made = (made or datetime.now()).astimezone()
    expected = _expected(machine)
    png = pdf = html = None
    with drawing():
        if "png" in formats or "pdf" in formats:
            page = _page(report, views, title, notes, paper, made, expected)
            png = _save_png(page, report, made) if "png" in formats else None
            pdf = _save_pdf(page, report, made) if "pdf" in formats else None
        if "html" in formats:
            from analysis.sheet_html import sheet_html
            html = sheet_html(report, views, title=title, notes=notes, made=made, expected=expected)
    return Sheet(png=png, pdf=pdf, html=html)


def _expected(machine: Any) -> tuple[Any, ...]:
    """Periods of the machine file that can stand along the scan axis."""
    if machine is None:
        return ()
    from analysis.machine import expected_periods
    return tuple(part for part in expected_periods(machine) if part.along == "scan")


def _save_png(page: Page, report, made) -> bytes:
    out = io.BytesIO()
    page.figure.savefig(out, format="png", dpi=DPI, metadata={
        "Software": words.program(report), "Creation Time": made.strftime("%Y-%m-%d %H:%M:%S%z")})
    return out.getvalue()


def _save_pdf(page: Page, report, made) -> bytes:
    out = io.BytesIO()
    page.figure.savefig(out, format="pdf", dpi=300, metadata={
        "Creator": words.program(report), "Producer": words.program(report), "CreationDate": made})
    return out.getvalue()


# ---- the page ----------------------------------------------------------------------------------------

def _page(report, views: Views, title, notes, paper, made, expected) -> Page:
    page = Page(paper)
    left, width = MARGIN, page.width - 2 * MARGIN
    y = _header(page, report, title, made)
    y = _verdicts(page, report, left, y + 2.2, width)
    foot = _footer(page, report, views, f"{title or ''}{notes or ''}")
    foot = draw_warnings(page, report, left, foot, width)
    left_width = width - RIGHT_WIDTH - GAP
    draw_evidence(page, report, views, expected, (left, y + 4.0, left_width, foot - y - 6.0))
    draw_words(page, report, notes, (left + left_width + GAP, y + 4.0, RIGHT_WIDTH, foot - y - 6.0))
    return page


def _header(page: Page, report, title, made) -> float:
    """Title and date, then the answer; returns the foot, mm."""
    width = page.width - 2 * MARGIN
    right = f"{words.program(report)}, {words.date_words(made)}"
    room = width - 80.0
    heading = title or ("Comparison of two test pieces" if "change" in report else "Test piece")
    page.text(MARGIN, MARGIN + 3.6, fit(heading, room, TITLE, True), TITLE, bold=True, colour=figures.INK)
    page.text(page.width - MARGIN, MARGIN + 3.6, right, SMALL, colour=figures.SOFT, align="right")
    page.rule(MARGIN, MARGIN + 5.6, width, figures.INK, 1.0)
    answer = wrap(words.answer(report), width, ANSWER, True, most=2)
    return page.lines(MARGIN, MARGIN + 7.2, answer, ANSWER, bold=True, colour=figures.INK)


def _verdicts(page: Page, report, left, y, width) -> float:
    """Draw a box for each photo's verdict and one for the change; returns the foot, mm."""
    boxes = []
    for name, photo in words.photos(report):
        boxes.append((name, photo["file"], words.VERDICT_WORDS[photo["verdict"]],
                      f"regular artefact present: {words.probability(photo['probability_mechanical'])}"))
    if "change" in report:
        change = report["change"]
        left_over = words.left_over(change["ratio"], change["ratio_interval"])
        left_over = "" if left_over == words.UNKNOWN else f"left of the stripe: {left_over}"
        boxes.append(("CHANGE", "", words.CHANGE_WORDS[change["verdict"]], left_over))
    gap, height, pad = 3.0, 13.6, 2.2
    each = (width - gap * (len(boxes) - 1)) / len(boxes)
    for i, (name, file, verdict, detail) in enumerate(boxes):
        x = left + i * (each + gap)
        page.box(x, y, each, height, PALE)
        page.box(x, y, 1.0, height, figures.INK)
        room = each - 2 * pad - 1.0
        page.text(x + 1 + pad, y + 3.6, name, SMALL, bold=True, colour=figures.SOFT)
        page.text(x + each - pad, y + 3.6, fit(file, room - 18.0, SMALL), SMALL, colour=figures.SOFT,
                  align="right")
        page.text(x + 1 + pad, y + 8.3, fit(capital(verdict), room, VERDICT, True), VERDICT, bold=True,
                  colour=figures.INK)
        page.text(x + 1 + pad, y + 12.0, fit(capital(detail), room, SMALL), SMALL, colour=figures.INK)
    return y + height


def _footer(page: Page, report, views: Views, typed: str) -> float:
    """Files and settings; returns where the page's body must end, mm."""
    width = page.width - 2 * MARGIN
    files = "; ".join("{}: {}, {} x {} px".format(name, fit(photo["file"], 70.0, SMALL), *photo["size_px"])
                      for name, photo in words.photos(report))
    tone = "Pictures share one tone curve. " if len(views.photos) > 1 else ""
    text = (f"{files}. Settings: {words.settings_line(report)}. {tone}Contrast is peak to peak, % of the "
            "mean reflectance; ranges in brackets and after ± are 95 % intervals. Banding, mottle and "
            "graininess: optical density, as read.")
    typed += "".join(photo["file"] for _, photo in words.photos(report))
    if missing(typed):
        text = f"{MISSING} stands for a letter that no font of this computer has. {text}"
    lines = wrap(text, width, SMALL, most=2)
    top = page.height - MARGIN - len(lines) * line_height(SMALL)
    page.rule(MARGIN, top - 1.2, width, figures.RULE)
    page.lines(MARGIN, top, lines, SMALL, colour=figures.SOFT)
    return top - 1.2
