"""Pictures and charts of a result: for the page as PNG bytes or arrays, for the sheet as drawings on axes.

The one colour map runs from paper white to dark ink with evenly falling
lightness, through green and blue: 0 % looks like bare paper, strong looks
inked, in colour, in grey print and to colour-blind eyes alike. A cell with no
data is hatched on white, never a colour of the scale.

matplotlib is imported inside the functions that draw, since it takes longer to
load than a report takes to write.
"""
from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from analysis.formats import significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from analysis.views import View, Views

__all__ = ["INK_NODES", "checker", "colours", "draw_bar", "draw_map", "draw_misfits", "draw_picture",
           "draw_profile", "draw_spectrum", "ink_map", "map_rgba", "period_range", "picture_rgba", "png",
           "profile_reach", "spectrum_reach"]

# Evenly spaced in CAM16-UCS (Li et al., Color Res. Appl. 42 (2017) 703): J' from 97.5 down to 17, steps
# within 12 %. tests/test_figures.py computes both from these values.
INK_NODES = ("#fbf6ec", "#e9ebd0", "#d2ddb8", "#b9cea7", "#a0bf9d", "#89b197", "#75a393", "#649591",
             "#578890", "#4c7c90", "#417090", "#386390", "#30548f", "#2b438a", "#273379", "#24275e",
             "#1f2042")
INK = "#1d2433"            # text and axes
SOFT = "#5b6472"           # secondary text; 5.9 : 1 on white
RULE = "#c9ced6"           # rules and grids
PROFILE = "#8b93a1"        # measured spectrum: light, thin
FITTED = "#a8320f"         # what was found: dark, thick; differs from PROFILE by lightness too
BAND = "#f0a884"           # the same as a band under the measured curve
PRINT_PX = 800             # 300 dpi over 68 mm of paper
BAR_STEPS = (0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0)
LIMIT = "#1f5f8b"          # threshold and expected periods


# ---- arrays and PNG bytes ----------------------------------------------------------------------------

def ink_map() -> NDArray[np.float32]:
    """Colour map as an array of shape (256, 3), sRGB 0 to 1."""
    nodes = np.array([[int(node[i:i + 2], 16) for i in (1, 3, 5)] for node in INK_NODES], np.float32) / 255
    places = np.linspace(0, 1, len(nodes))
    fine = np.linspace(0, 1, 256)
    return np.stack([np.interp(fine, places, nodes[:, k]) for k in range(3)], 1).astype(np.float32)


def colours(percent: NDArray[np.floating], top: float) -> NDArray[np.uint8]:
    """Colours of a map, shape (r, c, 4); cells without data are transparent.

    Parameters
    ----------
    percent : ndarray, shape (r, c)
        Contrast, %; NaN where there is no data.
    top : float
        Value of the scale's dark end, %.
    """
    if not top > 0:
        raise ValueError(f"top must be positive, got {top}")
    known = np.isfinite(percent)
    place = np.clip(np.where(known, percent, 0) / top * 255 + 0.5, 0, 255).astype(np.uint8)
    table = np.round(ink_map() * 255).astype(np.uint8)
    return np.dstack([table[place], np.where(known, 255, 0).astype(np.uint8)])


def map_rgba(view: View, which: str, top: float, *, width_px: int = 900) -> NDArray[np.uint8]:
    """Heat map of "stripes" or "grain" laid on the extent of the picture, shape (h, w, 4), for an overlay.

    Cells keep their edges, so that nobody sees detail which was not measured;
    without data the overlay is transparent.
    """
    cells, extent = _cells(view, which)
    left, right, top_y, bottom = view.extent
    height_px = max(1, round(width_px * (bottom - top_y) / (right - left)))
    x = left + (np.arange(width_px) + 0.5) * (right - left) / width_px
    y = top_y + (np.arange(height_px) + 0.5) * (bottom - top_y) / height_px
    column = np.floor((x - extent[0]) / (extent[1] - extent[0]) * cells.shape[1]).astype(int)
    row = np.floor((y - extent[2]) / (extent[3] - extent[2]) * cells.shape[0]).astype(int)
    rows, columns = cells.shape
    inside = ((row >= 0) & (row < rows))[:, None] & ((column >= 0) & (column < columns))[None, :]
    laid = cells[np.clip(row, 0, rows - 1)[:, None], np.clip(column, 0, columns - 1)[None, :]]
    return colours(np.where(inside, laid, np.nan), top)


def picture_rgba(view: View, *, texture: bool = False, longest_px: int | None = None) -> NDArray[np.uint8]:
    """Picture of the piece, or of the texture that was analysed, shape (h, w, 4); transparent beyond it.

    With `longest_px` it is shrunk by area averages.
    """
    grey = view.texture if texture else view.picture
    seen = view.texture > 0 if texture else view.valid
    shown = np.dstack([grey, grey, grey, np.where(seen, 255, 0).astype(np.uint8)])
    if longest_px is None or max(grey.shape) <= longest_px:
        return shown
    small = Image.fromarray(shown)
    small.thumbnail((longest_px, longest_px), Image.Resampling.BOX)
    return np.array(small)


def checker(views: Views, *, squares: int = 8) -> NDArray[np.uint8]:
    """Squares of BEFORE and AFTER in turn: lines of artwork run on across their edges where alignment holds.

    Raises
    ------
    ValueError
        The two are not on the same grid, or fewer than two squares are asked for.
    """
    if squares < 2:
        raise ValueError(f"squares must be at least 2, got {squares}")
    before, after = _pair(views)
    height, width = before.shape[:2]
    side = max(1, -(-max(height, width) // squares))
    odd = (np.arange(height)[:, None] // side + np.arange(width)[None, :] // side) % 2 == 1
    return np.where(odd[..., None], after, before)


def png(array: NDArray[np.uint8], *, level: int = 4) -> bytes:
    """Encode a grey (h, w), RGB (h, w, 3) or RGBA (h, w, 4) picture as PNG without metadata."""
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(array)).save(out, "PNG", compress_level=level)
    return out.getvalue()


def _cells(view: View, which: str):
    """Map and extent by name."""
    if which not in ("stripes", "grain"):
        raise ValueError(f'which must be "stripes" or "grain", got {which!r}')
    if which == "stripes":
        return view.stripe_map_percent, view.stripe_extent
    return view.grain_map_percent, view.grain_extent


def _pair(views: Views) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    if len(views.photos) != 2 or not views.aligned:
        raise ValueError("the photos are not aligned, so one cannot be laid over the other")
    return tuple(picture_rgba(view) for view in views.photos)


# ---- drawings on matplotlib axes ---------------------------------------------------------------------

def draw_picture(ax: Axes, view: View, frame: Any = None) -> None:
    """Draw the aligned picture with its scale on the axes."""
    ax.imshow(picture_rgba(view, longest_px=PRINT_PX), extent=_mpl(view.extent), interpolation="antialiased",
              aspect="equal")
    _piece_axes(ax, view, frame or view.extent)


def draw_map(ax: Axes, view: View, which: str, top: float, frame: Any = None) -> None:
    """Draw the heat map of "stripes" or "grain"; where there is no data the hatched ground shows."""
    cells, extent = _cells(view, which)
    ax.patch.set(facecolor="white", hatch="////", edgecolor=RULE, linewidth=0)
    ax.imshow(colours(cells, top), extent=_mpl(extent), interpolation="nearest", aspect="equal")
    _piece_axes(ax, view, frame or view.extent)


def draw_bar(ax: Axes, top: float, label: str) -> None:
    """Draw the colour bar of all maps, upright, in %."""
    ax.imshow(ink_map()[::-1, None], extent=(0, 1, 0, top), aspect="auto", interpolation="bilinear")
    ax.set(xticks=[], ylim=(0, top))
    ax.yaxis.tick_right()
    ax.yaxis.set_label_position("right")
    step = next(step for step in BAR_STEPS if top / step <= 6.5)
    ticks = np.arange(0, top * 1.001, step)
    ax.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.set_ylabel(label)


def draw_profile(ax: Axes, view: View, *, reach: float | None = None) -> None:
    """Draw the mean profile along the scan axis with the stripes that were found over it."""
    if np.any(view.fitted_percent):        # a broad light band under the thin dark line: both stay visible
        ax.plot(view.profile_x, view.fitted_percent, color=BAND, lw=2.0, label="stripes found")
    ax.plot(view.profile_x, view.profile_percent, color=INK, lw=0.5, label="measured")
    reach = reach or profile_reach((view,))
    ax.set(xlim=(float(view.profile_x[0]), float(view.profile_x[-1])), ylim=(-reach, reach))
    ax.axhline(0, color=RULE, lw=0.5, zorder=0)
    _plain_axes(ax)


def profile_reach(photos: tuple[View, ...]) -> float:
    """Half height, %, that holds the profiles of all photos."""
    known = [v.profile_percent[np.isfinite(v.profile_percent)] for v in photos]
    return 1.25 * max([0.5, *(float(np.percentile(np.abs(values), 99.5)) for values in known if values.size)])


def draw_spectrum(ax: Axes, view: View, stripes: list[dict[str, Any]], *, expected: tuple[Any, ...] = (),
                  others: tuple[float, ...] = (), reach: float | None = None) -> None:
    """Draw contrast against period with the threshold, the found lines and the machine's expected periods.

    Parameters
    ----------
    stripes : list of dict
        Stripes of the report.
    expected : sequence with `part` and `period_mm`
        Periods of the machine file, drawn as ticks below the curve; only where the scale is known.
    others : sequence of float
        Periods found in the other photo, dotted, so that one sees what stands there in this one.
    reach : float, optional
        Top of the axis, %, to hold two spectra to the same scale.
    """
    ax.plot(view.spectrum_period, view.threshold_percent, color=LIMIT, lw=0.8, ls=(0, (4, 2)),
            label="needed to be called")
    ax.plot(view.spectrum_period, view.spectrum_percent, color=PROFILE, lw=0.6, label="measured")
    reach = reach or spectrum_reach((view,), [stripes])
    low, high = period_range((view,))
    ax.set(xscale="log", xlim=(low, high), ylim=(0, reach))
    for stripe in stripes:
        period = stripe[f"period_{view.unit}"]
        height = min(stripe["contrast_percent"] or 0.0, 0.97 * reach)
        ax.vlines(period, 0, height, color=FITTED, lw=1.3)
        ax.plot([period], [height], marker="v", color=FITTED, ms=4, clip_on=False)
        right = period < (low * high) ** 0.5 * 2
        ax.annotate(f"{significant(period, 4)} {view.unit}", (period, height), textcoords="offset points",
                    xytext=(5 if right else -5, -1), ha="left" if right else "right", va="center",
                    color=FITTED, weight="bold")
    for period in others:
        ax.axvline(period, color=FITTED, lw=0.8, ls=":", zorder=0)
    if view.unit == "mm":
        for part in expected:
            if low < part.period_mm < high:
                ax.axvline(part.period_mm, 0, 0.06, color=LIMIT, lw=0.9)
    _period_ticks(ax, low, high)
    _plain_axes(ax)


def spectrum_reach(photos: tuple[View, ...], stripes: list[list[dict[str, Any]]]) -> float:
    """Top of the contrast axis that holds all spectra and their stripes, %."""
    tops = [0.25]
    for view, found in zip(photos, stripes, strict=True):
        low, high = period_range((view,))
        seen = (view.spectrum_period >= low) & (view.spectrum_period <= high)
        needed = view.threshold_percent[seen & np.isfinite(view.threshold_percent)]
        tops += [float(view.spectrum_percent[seen].max())] if seen.any() else []
        if needed.size:                    # the threshold is shown as far as it leaves the spectrum half
            tops.append(min(float(needed.max()), 2.0 * tops[-1]))
        tops += [stripe["contrast_percent"] or 0.0 for stripe in found]
    return 1.18 * max(tops)


def period_range(photos: tuple[View, ...]) -> tuple[float, float]:
    """Periods that are drawn: from the shortest searched to the longest that the trend leaves alone."""
    low = min(float(v.spectrum_period[0]) for v in photos)
    spans = [float(v.profile_x[-1] - v.profile_x[0]) for v in photos if len(v.profile_x) > 1]
    high = max([low * 4, *(span / 3 for span in spans)])
    return low, min(high, max(float(v.spectrum_period[-1]) for v in photos))


def draw_misfits(ax: Axes, views: Views, *, enlarge: float | None = None) -> float:
    """Draw the check points' misfits as arrows in BEFORE photo px; returns how much they are enlarged."""
    points = views.misfits_px
    if points is None:
        raise ValueError("there are no check points to draw")
    x, y, dx, dy = points.T
    span = max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    typical = float(np.median(np.hypot(dx, dy))) or 1.0
    enlarge = enlarge or float(f"{0.05 * span / typical:.0e}")
    ax.quiver(x, y, enlarge * dx, enlarge * dy, angles="xy", scale_units="xy", scale=1,
              color=FITTED, width=0.004)
    ax.plot(x, y, ".", color=SOFT, ms=2)
    ax.set(aspect="equal", xlim=(x.min() - 0.08 * span, x.max() + 0.08 * span),
           ylim=(y.max() + 0.08 * span, y.min() - 0.08 * span))
    _plain_axes(ax)
    return enlarge


def _mpl(extent) -> tuple[float, float, float, float]:
    """Our (left, right, top, bottom) in matplotlib's order, y downwards."""
    return (extent[0], extent[1], extent[3], extent[2])


def _piece_axes(ax: Axes, view: View, frame) -> None:
    ax.set(xlim=(frame[0], frame[1]), ylim=(frame[3], frame[2]))
    ax.tick_params(length=2, pad=1.5)
    ax.locator_params(nbins=4)
    for side in ax.spines.values():
        side.set(linewidth=0.5, color=SOFT)


def _plain_axes(ax: Axes) -> None:
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set(linewidth=0.5, color=SOFT)
    ax.tick_params(length=2, pad=1.5)


def _period_ticks(ax: Axes, low: float, high: float) -> None:
    """Ticks at 1, 2, 5 of each decade, as plain numbers."""
    from matplotlib.ticker import NullLocator
    ticks = [m * 10.0 ** e for e in range(-3, 5) for m in (1, 2, 5) if low <= m * 10.0 ** e <= high]
    ax.set_xticks(ticks, [f"{t:g}" for t in ticks])
    ax.xaxis.set_minor_locator(NullLocator())
