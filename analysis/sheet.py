"""The comparison sheet: one page to print or send, as PNG, PDF and HTML.

From the top: title and date, the answer in a sentence, a verdict for each photo
and for the change; left the pictures, maps, profiles and spectra; right the
scores, the next step with its cautions, warnings and reasons; at the foot files
and settings. All numbers come from the report and are set by `analysis.words`.
"""
from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from analysis import figures, words
from analysis.errors import PhotoError
from analysis.formats import minus
from analysis.paper import PAPERS, Page, drawing, fit, line_height, text_width, wrap
from analysis.report import to_dict
from analysis.views import Extent, Views, make_views

__all__ = ["Sheet", "make_sheet"]

DPI = 200
MARGIN = 9.0                               # mm; most printers reach within 5 mm of the edge (common practice)
GAP = 5.0                                  # between the two halves
SMALL, BODY, HEAD, ANSWER, TITLE = 7.0, 7.0, 8.0, 12.5, 10.0      # points
RIGHT_WIDTH = 104.0
LEAST_CHARTS = 62.0                        # height that profiles and spectra need, mm
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
    report = result.report if hasattr(result, "report") else to_dict(result)
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


def program(report: dict[str, Any]) -> str:
    """Program and version that made the report."""
    return "Stripe or Grain" if report["version"] == "unknown" else f"Stripe or Grain {report['version']}"


def date_words(made: datetime) -> str:
    """Date that every reader takes the same way: `25 November 2026, 14:05`."""
    months = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
              "October", "November", "December")
    return f"{made.day} {months[made.month - 1]} {made.year}, {made:%H:%M}"


def _expected(machine: Any) -> tuple[Any, ...]:
    """Periods of the machine file that can stand along the scan axis."""
    if machine is None:
        return ()
    from analysis.machine import expected_periods
    return tuple(part for part in expected_periods(machine) if part.along == "scan")


def _save_png(page: Page, report, made) -> bytes:
    out = io.BytesIO()
    page.figure.savefig(out, format="png", dpi=DPI, metadata={
        "Software": program(report), "Creation Time": made.strftime("%Y-%m-%d %H:%M:%S%z")})
    return out.getvalue()


def _save_pdf(page: Page, report, made) -> bytes:
    out = io.BytesIO()
    page.figure.savefig(out, format="pdf", dpi=300, metadata={
        "Creator": program(report), "Producer": program(report), "CreationDate": made})
    return out.getvalue()


# ---- the page ----------------------------------------------------------------------------------------

def _page(report, views: Views, title, notes, paper, made, expected) -> Page:
    page = Page(paper)
    left, width = MARGIN, page.width - 2 * MARGIN
    y = _header(page, report, title, made)
    y = _verdicts(page, report, left, y + 2.2, width)
    foot = _footer(page, report, views)
    left_width = width - RIGHT_WIDTH - GAP
    _evidence(page, report, views, expected, (left, y + 4.0, left_width, foot - y - 6.0))
    _right_column(page, report, notes, (left + left_width + GAP, y + 4.0, RIGHT_WIDTH, foot - y - 6.0))
    return page


def _header(page: Page, report, title, made) -> float:
    """Title and date, then the answer; returns the foot, mm."""
    width = page.width - 2 * MARGIN
    right = f"{program(report)}, {date_words(made)}"
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
        page.text(x + 1 + pad, y + 8.3, fit(_capital(verdict), room, 9.5, True), 9.5, bold=True,
                  colour=figures.INK)
        page.text(x + 1 + pad, y + 12.0, fit(_capital(detail), room, SMALL), SMALL, colour=figures.INK)
    return y + height


def _footer(page: Page, report, views: Views) -> float:
    """Files and settings; returns where the page's body must end, mm."""
    width = page.width - 2 * MARGIN
    files = "; ".join("{}: {}, {} x {} px".format(name, fit(photo["file"], 70.0, SMALL), *photo["size_px"])
                      for name, photo in words.photos(report))
    tone = "Pictures share one tone curve. " if len(views.photos) > 1 else ""
    text = (f"{files}. Settings: {words.settings_line(report)}. {tone}Contrast is peak to peak, % of the "
            "mean reflectance; ranges in brackets and after ± are 95 % intervals.")
    lines = wrap(text, width, SMALL, most=2)
    top = page.height - MARGIN - len(lines) * line_height(SMALL)
    page.rule(MARGIN, top - 1.2, width, figures.RULE)
    page.lines(MARGIN, top, lines, SMALL, colour=figures.SOFT)
    return top - 1.2


# ---- left: pictures and charts -----------------------------------------------------------------------

def _evidence(page: Page, report, views: Views, expected, box) -> None:
    x, y, width, height = box
    used = _pictures(page, views, (x, y, width, height - LEAST_CHARTS))
    _charts(page, report, views, expected, (x, y + used + 3.0, width, height - used - 3.0))


def _frame(views: Views, view) -> Extent:
    """Part of the plane that is drawn: the piece, in a pair the same for both."""
    from numpy import flatnonzero
    extents = []
    for one in (views.photos if views.aligned else (view,)):
        rows, columns = flatnonzero(one.valid.any(axis=1)), flatnonzero(one.valid.any(axis=0))
        if not rows.size:
            extents.append(one.extent)
            continue
        left, right, top, bottom = one.extent
        dx, dy = (right - left) / one.valid.shape[1], (bottom - top) / one.valid.shape[0]
        extents.append((left + columns[0] * dx, left + (columns[-1] + 1) * dx,
                        top + rows[0] * dy, top + (rows[-1] + 1) * dy))
    return (min(e[0] for e in extents), max(e[1] for e in extents),
            min(e[2] for e in extents), max(e[3] for e in extents))


def _pictures(page: Page, views: Views, box) -> float:
    """Draw a row for each photo: picture, stripe map, grain map; one colour bar. Returns the height used."""
    from matplotlib.ticker import MaxNLocator
    x, y, width, height = box
    head, ticks, side, bar, gap = 4.6, 5.2, 12.0, 13.0, 3.5
    cell_w = (width - side - bar - 2 * gap) / 3
    cell_h = (height - head - ticks * len(views.photos)) / len(views.photos)
    headings = (f"Piece, rectified ({views.photos[0].unit})", "Stripe contrast", "Grain contrast")
    for i, heading in enumerate(headings):
        page.text(x + side + i * (cell_w + gap), y + 2.6, heading, HEAD, bold=True, colour=figures.INK)
    top = y + head
    for view in views.photos:
        frame = _frame(views, view)
        w, h = _fitted(frame, cell_w, cell_h)
        page.text(x + 0.8, top + h / 2, view.name, SMALL, bold=True, colour=figures.SOFT, turned=True)
        for column, kind in enumerate(("picture", "stripes", "grain")):
            ax = page.axes(x + side + column * (cell_w + gap), top, w, h)
            if kind == "picture":
                figures.draw_picture(ax, view, frame)
            else:
                figures.draw_map(ax, view, kind, views.map_top_percent, frame)
            if column:                     # labels of neighbours must not run into one another
                ax.xaxis.set_major_locator(MaxNLocator(4, prune="lower"))
                ax.set_yticklabels([])
        top += h + ticks
    ax = page.axes(x + width - bar + 2.0, y + head, 2.6, top - ticks - y - head)
    figures.draw_bar(ax, views.map_top_percent, "contrast, %")
    return top - y


def _fitted(frame: Extent, width: float, height: float) -> tuple[float, float]:
    """Largest size of the frame's shape within the room."""
    shape = (frame[3] - frame[2]) / max(frame[1] - frame[0], 1e-9)
    return (width, width * shape) if width * shape <= height else (height / shape, height)


def _charts(page: Page, report, views: Views, expected, box) -> None:
    """Profile and spectrum of each photo, side by side for a pair, under one another for one photo."""
    x, y, width, height = box
    side, gap, head, foot = 12.0, 12.0, 4.2, 7.6
    photos = [photo for _, photo in words.photos(report)]
    unit = views.photos[0].unit
    reach = figures.profile_reach(views.photos)
    top = figures.spectrum_reach(views.photos, [photo["stripes"] for photo in photos])
    if len(views.photos) == 1:
        half = (height - 2 * head - 2 * foot) / 2
        places = [((x + side, y + head, width - side, half),
                   (x + side, y + 2 * head + foot + half, width - side, half))]
    else:
        wide = (width - side - gap) * 0.56
        half = (height - head - foot - 3.0) / 2
        places = [((x + side, y + head + i * (half + 3.0), wide, half),
                   (x + side + wide + gap, y + head + i * (half + 3.0), width - side - gap - wide, half))
                  for i in range(2)]
    for i, (view, photo, (one, two)) in enumerate(zip(views.photos, photos, places, strict=True)):
        profile, spectrum = page.axes(*one), page.axes(*two)
        figures.draw_profile(profile, view, reach=reach)
        figures.draw_spectrum(spectrum, view, photo["stripes"], expected=expected, reach=top,
                              others=_elsewhere(photos, i, view.unit) if views.aligned else ())
        last = i == len(places) - 1
        for ax in (profile, spectrum):
            ax.locator_params(axis="y", nbins=5)
        for ax, label in ((profile, f"position along the scan axis, {unit}"), (spectrum, f"period, {unit}")):
            if last:
                ax.set_xlabel(label, labelpad=1.5)
            else:
                ax.set_xticklabels([])
        if len(places) > 1:
            page.text(x + 0.8, one[1] + one[3] / 2, view.name, SMALL, bold=True, colour=figures.SOFT,
                      turned=True)
        if i == 0:
            _chart_heads(page, one, two, bool(expected) and unit == "mm")


def _elsewhere(photos, index: int, unit: str) -> tuple[float, ...]:
    """Periods that were found in the other photo and not in this one."""
    mine = [stripe[f"period_{unit}"] for stripe in photos[index]["stripes"]]
    return tuple(stripe[f"period_{unit}"] for i, photo in enumerate(photos) if i != index
                 for stripe in photo["stripes"]
                 if all(abs(stripe[f"period_{unit}"] / period - 1) > 0.01 for period in mine))


def _chart_heads(page: Page, one, two, expected: bool) -> None:
    """Headings that serve as legends: what each line is, in its own colour."""
    y = one[1] - 1.6
    lead = _run(page, one[0], y, "Profile, %", figures.INK, bold=True)
    lead = _run(page, lead + 1.0, y, "measured (line)", figures.INK)
    page.box(lead, y - 2.0, 4.0, 2.2, figures.BAND)
    _run(page, lead + 4.8, y, "stripes found (band)", figures.INK)
    y = two[1] - 1.6
    lead = _run(page, two[0], y, "Spectrum, %", figures.INK, bold=True)
    lead = _run(page, lead + 1.0, y, "needed (dashes)", figures.LIMIT)
    if expected:
        _run(page, lead, y, "parts (ticks)", figures.LIMIT)


def _run(page: Page, x, y, text, colour, *, bold=False) -> float:
    """Set words and return where the next ones start, mm."""
    size = HEAD if bold else SMALL
    page.text(x, y, text, size, bold=bold, colour=colour)
    return x + text_width(text, size, bold) + 1.6


# ---- right: words ------------------------------------------------------------------------------------

def _right_column(page: Page, report, notes, box) -> None:
    x, y, width, height = box
    foot = y + height
    y = _score_table(page, report, x, y, width)
    if "change" in report:
        y = _pairs(page, words.change_rows(report), x, y + 2.0, width, "Change")
    sections = _sections(report, notes)
    room = foot - y
    needed = _trim(sections, room, width)
    spare = min(2.6, max(1.2, (room - needed) / max(len(sections), 1)))
    for heading, items in sections:
        y += spare
        y = page.lines(x, y, [heading], HEAD, bold=True, colour=figures.INK) + 0.4
        for lines in items:
            y = page.lines(x, y, lines, BODY, colour=figures.INK) + 0.5


def _score_table(page: Page, report, x, y, width) -> float:
    """Table of scores, a column for each photo; returns its foot, mm."""
    photos = words.photos(report)
    label = 36.0
    each = (width - label) / len(photos)
    page.text(x, y + 2.6, "Scores", HEAD, bold=True, colour=figures.INK)
    for i, (name, _) in enumerate(photos):
        page.text(x + label + i * each, y + 2.6, name, SMALL, bold=True, colour=figures.SOFT)
    y += 3.8
    for what, *values in words.score_rows(report):
        page.rule(x, y, width, figures.RULE, 0.4)
        cells = [wrap(value, each - 1.5, SMALL, most=2) for value in values]
        page.lines(x, y + 0.35, [what], SMALL, colour=figures.SOFT)
        feet = [page.lines(x + label + i * each, y + 0.35, cell, SMALL, colour=figures.INK)
                for i, cell in enumerate(cells)]
        y = max(feet) + 0.25
    page.rule(x, y, width, figures.RULE, 0.4)
    return y


def _pairs(page: Page, rows, x, y, width, heading) -> float:
    """Table of two columns under a heading; returns its foot, mm."""
    label = 36.0
    page.text(x, y + 2.6, heading, HEAD, bold=True, colour=figures.INK)
    y += 3.8
    for what, value in rows:
        page.rule(x, y, width, figures.RULE, 0.4)
        page.lines(x, y + 0.35, [what], SMALL, colour=figures.SOFT)
        y = page.lines(x + label, y + 0.35, wrap(value, width - label, SMALL, most=3), SMALL,
                       colour=figures.INK) + 0.25
    page.rule(x, y, width, figures.RULE, 0.4)
    return y


def _sections(report, notes) -> list[list[Any]]:
    """Headed texts under the tables, most needed first: (heading, texts)."""
    step = words.next_step(report)
    sections = []
    if step:
        sections.append(["Next", [step, *_caution(step)]])
    if found := words.warnings(report):
        sections.append(["Warnings", found])
    for name, photo in words.photos(report):
        speak, other = words.reasons(photo)
        if speak or other:
            sections.append([f"Why {name} reads as: {words.VERDICT_WORDS[photo['verdict']]}",
                             [f"+  {text}" for text in speak] + [f"{minus('-')}  {text}" for text in other]])
    if notes and notes.strip():
        sections.append(["Notes", [notes]])
    return sections


def _caution(step: str) -> list[str]:
    """Cautions in one text, so that they stand together."""
    found = words.cautions(step)
    return ["CAUTION. " + " ".join(found)] if found else []


def _trim(sections: list[list[Any]], room: float, width: float) -> float:
    """Wrap the sections' texts, and shorten the least needed until all fits; returns the height used, mm."""
    allowed = {"Next": 6, "Notes": 6}
    for section in sections:
        section[1] = [wrap(text, width, BODY, most=allowed.get(section[0], 3)) for text in section[1]]
    while (used := _height(sections)) > room:
        spare = [s for s in reversed(sections) if s[0].startswith("Why") and len(s[1]) > 1
                 and s[1][1][0].startswith("+")]
        shrinkable = [s for s in reversed(sections) if s[0] != "Next" and (len(s[1]) > 1 or len(s[1][0]) > 1)]
        if spare:                              # a whole reason less is better than two cut short
            del spare[0][1][1]
        elif shrinkable:
            _shorten(max(shrinkable, key=lambda s: sum(len(lines) for lines in s[1])), width)
        elif len(sections) > 1:
            sections.pop()
        else:
            break
    return used


def _shorten(section: list[Any], width: float) -> None:
    """Take a line from the longest text, or the last text where all have one line."""
    longest = max(section[1], key=len)
    if len(longest) > 1:
        place = section[1].index(longest)
        section[1][place] = wrap(" ".join(longest), width, BODY, most=len(longest) - 1)
    else:
        section[1].pop()
        section[1][-1] = wrap(f"{' '.join(section[1][-1])} (more in the report)", width, BODY, most=1)


def _height(sections: list[list[Any]]) -> float:
    return sum(1.2 + line_height(HEAD) + 0.4 + sum(len(lines) * line_height(BODY) + 0.5 for lines in items)
               for _, items in sections)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
