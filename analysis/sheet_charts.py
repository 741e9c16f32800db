"""Left half of the sheet: pictures and maps on one scale; profiles, spectra and contrast by place on one scale each."""
from __future__ import annotations

import numpy as np

from analysis import figures, words
from analysis.by_place_chart import draw_by_place, place_reach, place_rows
from analysis.paper import HEAD, SMALL, Page, text_width
from analysis.views import Extent, Views, elsewhere

__all__ = ["draw_evidence"]

LEAST_CHARTS = 62.0                        # height that profiles and spectra need, mm
FOOT = 7.6                                 # of the labels under an axis


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
    units = ", ".join(dict.fromkeys(view.unit for view in views.photos))
    headings = (f"Piece, rectified ({units})", "Stripe contrast", "Grain contrast")
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
    """Profile, spectrum and contrast by place of each photo, in a row for each; for one photo the profile above."""
    head = 4.2
    photos = [photo for _, photo in words.photos(report)]
    reach = figures.profile_reach(views.photos)
    top = figures.spectrum_reach(views.photos, [photo["stripes"] for photo in photos])
    rows = [place_rows(view, photo, "along") for view, photo in zip(views.photos, photos, strict=True)]
    contrast = place_reach(rows)
    places = _places(len(photos), box, head, 3.0 if views.aligned else FOOT)
    for i, (view, photo, (one, two, three)) in enumerate(zip(views.photos, photos, places, strict=True)):
        profile, spectrum, by_place = page.axes(*one), page.axes(*two), page.axes(*three)
        figures.draw_profile(profile, view, reach=reach)
        draw_by_place(by_place, rows[i], reach=contrast)
        by_place.set_xlim(*profile.get_xlim())
        figures.draw_spectrum(spectrum, view, photo["stripes"], expected=expected, reach=top,
                              others=elsewhere(photos, i, view.unit) if views.aligned else ())
        labelled = i == len(places) - 1 or not views.aligned       # photos that do not lie on each other share no axis
        for ax in (profile, spectrum, by_place):
            ax.locator_params(axis="y", nbins=5)
        for ax, label in ((profile, f"position along the scan axis, {view.unit}"), (spectrum, f"period, {view.unit}"),
                          (by_place, f"position, {view.unit}")):
            if labelled:
                ax.set_xlabel(label, labelpad=1.5)
            else:
                ax.set_xticklabels([])
        if len(places) > 1:
            page.text(box[0] + 0.8, one[1] + one[3] / 2, view.name, SMALL, bold=True, colour=figures.SOFT,
                      turned=True)
        if i == 0:
            found = any(view.fitted_percent.any() for view in views.photos)
            _chart_heads(page, one, two, found, bool(expected) and any(view.unit == "mm" for view in views.photos))
            _place_head(page, three)


def _places(photos: int, box, head: float, between: float) -> list[tuple[tuple[float, float, float, float], ...]]:
    """Boxes of profile, spectrum and contrast by place, for each photo, mm; `between` lies between two photos' rows."""
    x, y, width, height = box
    side, gap = 12.0, 10.0
    x, width = x + side, width - side
    if photos == 1:
        half, wide = (height - 2 * head - 2 * FOOT) / 2, 0.58 * (width - gap)
        low = y + 2 * head + FOOT + half
        return [((x, y + head, width, half), (x, low, wide, half), (x + wide + gap, low, width - gap - wide, half))]
    half, room = (height - head - FOOT - between) / 2, width - 2 * gap
    widths = (0.40 * room, 0.34 * room, 0.26 * room)
    lefts = (x, x + widths[0] + gap, x + widths[0] + widths[1] + 2 * gap)
    return [tuple((left, y + head + i * (half + between), wide, half)
                  for left, wide in zip(lefts, widths, strict=True)) for i in range(photos)]


def _chart_heads(page: Page, one, two, found: bool, expected: bool) -> None:
    """Headings that serve as legends: what each line is, in its own colour."""
    y = one[1] - 1.6
    lead = _run(page, one[0], y, "Profile, %", figures.INK, bold=True)
    lead = _run(page, lead + 1.0, y, "measured", figures.INK)
    if found:
        page.box(lead, y - 2.0, 4.0, 2.2, figures.BAND)
        _run(page, lead + 4.8, y, "found", figures.INK)
    y = two[1] - 1.6
    lead = _run(page, two[0], y, "Spectrum, %", figures.INK, bold=True)
    lead = _run(page, lead + 1.0, y, "needed" if expected else "needed (dashes)", figures.LIMIT)
    if expected:
        _run(page, lead, y, "parts (ticks)", figures.LIMIT)


def _place_head(page: Page, box) -> None:
    lead = _run(page, box[0], box[1] - 1.6, "Contrast, %", figures.INK, bold=True)
    lead = _run(page, lead - 0.7, box[1] - 1.6, "stripe \N{BULLET}", figures.FITTED)
    _run(page, lead - 0.7, box[1] - 1.6, "grain", figures.LIMIT)


def _run(page: Page, x, y, text, colour, *, bold=False) -> float:
    """Set words and return where the next ones start, mm."""
    size = HEAD if bold else SMALL
    page.text(x, y, text, size, bold=bold, colour=colour)
    return x + text_width(text, size, bold) + 1.6
