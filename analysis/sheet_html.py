"""The sheet as one HTML file that opens on a phone: pictures inside it, no script, no outside request.

The content-security line in the file itself forbids the browser to fetch
anything, so that a reader need not take our word for it.
"""
from __future__ import annotations

import base64
import io
import re
import unicodedata
from datetime import datetime
from html import escape
from typing import Any

import numpy as np
from PIL import Image

from analysis import figures, scores, words
from analysis.by_place_chart import draw_by_place, level_rows, place_reach, place_rows
from analysis.paper import MISSING, MM_PER_INCH
from analysis.sheet_words import capital
from analysis.views import View, Views, elsewhere

__all__ = ["sheet_html"]

PICTURE_PX = 800                           # twice the width of a phone
NO_BREAK = "\N{NO-BREAK SPACE}"
CHART_MM = (96.0, 44.0)                    # a phone's width at reading size
POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
STYLE = """
:root { color-scheme: light; --ink: #1d2433; --soft: #5b6472; --rule: #c9ced6; --pale: #eef1f5 }
* { box-sizing: border-box }
body { margin: 0 auto; padding: 1rem; max-width: 70rem; color: var(--ink); background: #fff;
  font: 1rem/1.45 system-ui, "Noto Sans", "DejaVu Sans", sans-serif; overflow-wrap: anywhere }
header { border-bottom: 2px solid var(--ink); display: flex; flex-wrap: wrap; gap: 0 1rem;
  justify-content: space-between }
h1 { font-size: 1.05rem; margin: 0 } h2 { font-size: 1rem; margin: 1.4rem 0 .3rem }
.answer { font-size: 1.5rem; line-height: 1.25; font-weight: 700; margin: .8rem 0 }
.soft, figcaption, th { color: var(--soft); font-weight: 400 } .small { font-size: .875rem }
.cards, .pictures, .charts { display: grid; gap: .8rem; grid-template-columns: 1fr }
.card { background: var(--pale); border-left: 5px solid var(--ink); padding: .5rem .8rem }
.card b { display: block; font-size: 1.1rem }
figure { margin: 0 } img { width: 100%; display: block; border: 1px solid var(--rule) }
.charts img { border: 0 }
.map { background: repeating-linear-gradient(135deg, #fff 0 5px, var(--rule) 5px 6px) }
.bar { height: .9rem; border: 1px solid var(--rule) }
.ends { display: flex; justify-content: space-between; gap: .6rem; font-size: .875rem }
.ends span:first-child, .ends span:last-child { flex: none }
table { border-collapse: collapse; width: 100%; font-size: .9rem; table-layout: fixed }
td, th { text-align: left; vertical-align: top; padding: .2rem .5rem .2rem 0;
  border-top: 1px solid var(--rule) }
thead th { font-weight: 700; border: 0 } ul { margin: 0; padding-left: 1.2rem }
.caution { border: 2px solid var(--ink); padding: .5rem .8rem }
.pair { grid-template: repeat(3, auto) / 1fr 1fr; grid-auto-flow: column }
@media (min-width: 46rem) { .cards { grid-template-columns: repeat(auto-fit, minmax(14rem, 1fr)) }
  .pictures { grid-template: none / repeat(3, 1fr); grid-auto-flow: row }
  .charts { grid-template-columns: 1fr 1fr } }
@media print { body { font-size: 9pt; max-width: none } .card, .map, .bar { print-color-adjust: exact } }
"""


def sheet_html(report: dict[str, Any], views: Views, *, title: str | None, notes: str | None, made: datetime,
               expected: tuple[Any, ...] = ()) -> bytes:
    """Sheet as HTML, UTF-8; call it inside `paper.drawing`."""
    heading = title or ("Comparison of two test pieces" if "change" in report else "Test piece")
    parts = [
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">",
        f"<meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">",
        "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">",
        f"<title>{_text(heading)}</title>\n<style>{STYLE}</style>\n</head>\n<body>",
        f"<header><h1>{_safe(heading)}</h1><span class=\"soft small\">{_safe(words.program(report))}, "
        f"{words.date_words(made)}</span></header>",
        f"<p class=\"answer\">{_safe(words.answer(report))}</p>", _cards(report), _next(report),
        _list("Warnings", words.warnings(report)), _pictures(views), _charts(report, views, expected),
        _table("Scores", scores.score_rows(report), ["", *(name for name, _ in words.photos(report))]),
        _table("Change", scores.change_rows(report)) if "change" in report else "", _alignment(views),
        _reasons(report),
        f"<h2>Notes</h2><p>{_safe(notes)}</p>" if notes and notes.strip() else "",
        f"<p class=\"soft small\">Settings: {_safe(words.settings_line(report))}. Pictures share one tone "
        "curve. Contrast is peak to peak, % of the mean reflectance; ranges in brackets and after ± are 95 % "
        "intervals.</p>\n</body>\n</html>\n"]
    return "\n".join(part for part in parts if part).encode()


def _safe(text: Any) -> str:
    """Text set apart, so that letters that run to the left turn nothing around them."""
    return f"<bdi>{_text(text)}</bdi>"


def _text(text: Any) -> str:
    """Text that cannot become markup; control letters, which HTML forbids, become boxes; units stay put."""
    shown = "".join(c if c in "\n\t" or c.isprintable() or unicodedata.category(c) == "Cf" else MISSING
                    for c in str(text))
    return re.sub(" (?=(%|mm|px))", NO_BREAK, escape(shown))


def _cards(report) -> str:
    cards = []
    for name, photo in words.photos(report):
        cards.append(f"<div class=\"card\"><span class=\"soft small\">{name} {_safe(photo['file'])}</span>"
                     f"<b>{_safe(capital(words.VERDICT_WORDS[photo['verdict']]))}</b>Regular artefact present: "
                     f"{_safe(words.probability(photo['probability_mechanical']))}</div>")
    if "change" in report:
        change = report["change"]
        rest = words.left_over(change["ratio"], change["ratio_interval"])
        rest = "" if rest == words.UNKNOWN else f"left of the stripe: {rest}"
        cards.append(f"<div class=\"card\"><span class=\"soft small\">CHANGE</span>"
                     f"<b>{_safe(capital(words.CHANGE_WORDS[change['verdict']]))}</b>{_safe(capital(rest))}</div>")
    return f"<div class=\"cards\">{''.join(cards)}</div>"


def _next(report) -> str:
    step = words.next_step(report)
    if not step:
        return ""
    found = words.cautions(step)
    caution = f"<p class=\"caution\"><b>Caution.</b> {_safe(' '.join(found))}</p>" if found else ""
    return f"<h2>Next</h2><p>{_safe(step)}</p>{caution}"


def _list(heading: str, items: list[str]) -> str:
    lines = "".join(f"<li>{_safe(item)}</li>" for item in items)
    return f"<h2>{heading}</h2><ul>{lines}</ul>" if items else ""


def _reasons(report) -> str:
    parts = []
    for name, photo in words.photos(report):
        speak, other = words.reasons(photo)
        lines = [f"for: {text}" for text in speak] + [f"against: {text}" for text in other]
        parts.append(_list(words.why(name, photo), lines))
    return "".join(parts)


def _table(heading: str, rows, head: list[str] | None = None) -> str:
    top = f"<thead><tr>{''.join(f'<th>{name}</th>' for name in head)}</tr></thead>" if head else ""
    body = ""
    for what, *values in rows:
        cells = "".join(f"<td>{_safe(value)}</td>" for value in values)
        body += f"<tr><th scope=\"row\">{_safe(what)}</th>{cells}</tr>"
    return f"<h2>{heading}</h2><table>{top}<tbody>{body}</tbody></table>"


def _pictures(views: Views) -> str:
    """Picture, stripe map and grain map of each photo, then the one colour bar."""
    shown = []
    for view in views.photos:
        picture = figures.png(figures.picture_rgba(view, longest_px=PICTURE_PX))
        shown.append(_figure(picture, f"{view.name}: piece, rectified", view))
        for which, words_ in (("stripes", "stripe contrast"), ("grain", "grain contrast")):
            data = figures.png(figures.map_rgba(view, which, views.map_top_percent, width_px=420))
            shown.append(_figure(data, f"{view.name}: {words_}", view, "map"))
    stops, kind = ", ".join(figures.INK_NODES), "pair" if len(views.photos) == 2 else ""
    bar = (f"<div class=\"bar\" style=\"background: linear-gradient(90deg, {stops})\"></div>"
           "<div class=\"ends\"><span>0&nbsp;%</span><span>contrast, one scale for all maps; hatched: no data"
           "</span>"
           f"<span>{views.map_top_percent:g}&nbsp;%</span></div>")
    return f"<h2>Pictures and maps</h2><div class=\"pictures {kind}\">{''.join(shown)}</div>{bar}"


def _figure(data: bytes, caption: str, view: View, style: str = "") -> str:
    left, right, top, bottom = view.extent
    size = f"{right - left:.0f} x {bottom - top:.0f} {view.unit}"
    uri = "data:image/png;base64," + base64.b64encode(data).decode()
    return (f"<figure><img class=\"{style}\" src=\"{uri}\" alt=\"{escape(caption)}, {size}\">"
            f"<figcaption class=\"small\">{escape(caption)}, {size}</figcaption></figure>")


def _charts(report, views: Views, expected) -> str:
    photos = [photo for _, photo in words.photos(report)]
    reach = figures.profile_reach(views.photos)
    top = figures.spectrum_reach(views.photos, [photo["stripes"] for photo in photos])
    shown = []
    rows = [place_rows(view, photo, "along") for view, photo in zip(views.photos, photos, strict=True)]
    levels = [level_rows(photo) for photo in photos]
    contrast = place_reach([*rows, *levels])
    for i, (view, photo) in enumerate(zip(views.photos, photos, strict=True)):
        others = elsewhere(photos, i, view.unit) if views.aligned else ()
        profile = _chart(lambda ax, view=view: figures.draw_profile(ax, view, reach=reach),
                         f"position along the scan axis, {view.unit}")
        spectrum = _chart(lambda ax, view=view, photo=photo, others=others: figures.draw_spectrum(
            ax, view, photo["stripes"], expected=expected, others=others, reach=top), f"period, {view.unit}")
        found = "; ".join(words.stripe_line(stripe) for stripe in photo["stripes"]) or "no stripe found"
        drawn = [(profile, "profile, %: measured (line), stripes found (band)"),
                 (spectrum, "spectrum, %: measured, needed to be called (dashes), found (marked)"),
                 (_chart(lambda ax, i=i: draw_by_place(ax, rows[i], reach=contrast),
                         f"position along the scan axis, {view.unit}"),
                  "contrast by place, %: stripe (dots, bars: 95 %), grain (dashes)")]
        if levels[i]:
            drawn.append((_chart(lambda ax, i=i: draw_by_place(ax, levels[i], reach=contrast, falling=True),
                                 "ground, light to dark (mean 1)"),
                          "contrast of the stripe against the ground, %: darker is usually deeper, uneven light looks "
                          "the same"))
        for data, what in drawn:
            uri = "data:image/svg+xml;base64," + base64.b64encode(data).decode()
            shown.append(f"<figure><img src=\"{uri}\" alt=\"{view.name}: {what}; {escape(found)}\">"
                         f"<figcaption class=\"small\">{view.name}: {what}</figcaption></figure>")
    return f"<h2>Profiles, spectra and contrast by place</h2><div class=\"charts\">{''.join(shown)}</div>"


def _alignment(views: Views) -> str:
    """Squares of both photos in turn, and the misfit of the check points."""
    if not views.aligned or len(views.photos) != 2:
        return ""
    picture = Image.fromarray(figures.checker(views))
    picture.thumbnail((PICTURE_PX, PICTURE_PX), Image.Resampling.BOX)
    caption = "Alignment: squares of BEFORE and AFTER in turn; artwork runs on across their edges"
    shown = [_figure(figures.png(np.array(picture)), caption, views.photos[0])]
    if views.misfits_px is not None:
        enlarged = []
        data = _chart(lambda ax: enlarged.append(figures.draw_misfits(ax, views)), "x in the BEFORE photo, px", 76.0)
        uri = "data:image/svg+xml;base64," + base64.b64encode(data).decode()
        caption = f"Misfit of {len(views.misfits_px)} check points, enlarged {enlarged[0]:g} times"
        shown.append(f"<figure><img src=\"{uri}\" alt=\"{caption}\">"
                     f"<figcaption class=\"small\">{caption}</figcaption></figure>")
    return f"<h2>Alignment</h2><div class=\"charts\">{''.join(shown)}</div>"


def _chart(draw, label: str, height_mm: float = CHART_MM[1]) -> bytes:
    """One chart as SVG; its frame leaves the same room for labels at any height."""
    from matplotlib.figure import Figure
    figure = Figure(figsize=(CHART_MM[0] / MM_PER_INCH, height_mm / MM_PER_INCH))
    ax = figure.add_axes((0.09, 8.8 / height_mm, 0.88, 1 - 10.6 / height_mm))
    draw(ax)
    ax.set_xlabel(label, labelpad=1.5)
    out = io.BytesIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return out.getvalue()
