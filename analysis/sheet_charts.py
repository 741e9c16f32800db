"""Left half of the sheet: pictures and maps on one scale, profiles and spectra on one scale."""
from __future__ import annotations

import numpy as np

from analysis import figures, words
from analysis.paper import HEAD, SMALL, Page, text_width
from analysis.views import Extent, Views

__all__ = ["draw_evidence", "elsewhere"]

LEAST_CHARTS = 62.0                        # height that profiles and spectra need, mm


def draw_evidence(page: Page, report, views: Views, expected, box) -> None:
    """Draw pictures and maps, and under them profiles and spectra, into a box (x, y, width, height), mm."""
    x, y, width, height = box
    used = _pictures(page, views, (x, y, width, height - LEAST_CHARTS))
    _charts(page, report, views, expected, (x, y + used + 3.0, width, height - used - 3.0))


def _frame(views: Views, view) -> Extent:
    """Part of the plane that is drawn: the piece, in a pair the same for both."""
    extents = []
    for one in (views.photos if views.aligned else (view,)):
        rows, columns = np.flatnonzero(one.valid.any(axis=1)), np.flatnonzero(one.valid.any(axis=0))
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
                ax.locator_params(axis="x", prune="lower")
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
                              others=elsewhere(photos, i, view.unit) if views.aligned else ())
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
            found = any(view.fitted_percent.any() for view in views.photos)
            _chart_heads(page, one, two, found, bool(expected) and unit == "mm")


def elsewhere(photos, index: int, unit: str) -> tuple[float, ...]:
    """Periods that were found in the other photo and not in this one."""
    mine = [stripe[f"period_{unit}"] for stripe in photos[index]["stripes"]]
    return tuple(stripe[f"period_{unit}"] for i, photo in enumerate(photos) if i != index
                 for stripe in photo["stripes"]
                 if all(abs(stripe[f"period_{unit}"] / period - 1) > 0.01 for period in mine))


def _chart_heads(page: Page, one, two, found: bool, expected: bool) -> None:
    """Headings that serve as legends: what each line is, in its own colour."""
    y = one[1] - 1.6
    lead = _run(page, one[0], y, "Profile, %", figures.INK, bold=True)
    lead = _run(page, lead + 1.0, y, "measured (line)", figures.INK)
    if found:
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
