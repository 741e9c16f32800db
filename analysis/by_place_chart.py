"""Contrast by place, for the charts of page and sheet: of a stripe with intervals, of grain as the map's mean.

Where no stripe was found, the stripe map's mean stands for it, without intervals.
"""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.figures import FITTED, LIMIT, RULE, SOFT

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from analysis.views import View

__all__ = ["Row", "draw_by_place", "level_rows", "place_reach", "place_rows"]

MOST_CELLS = 12                            # of a map's mean along an axis: as coarse as the stripe's stretches


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One point of the chart."""

    what: str                              # "stripes" or "grain"
    place: float                           # mm (px where no scale is known), or relative reflectance
    contrast_percent: float
    low_percent: float | None = None       # 95 %; None where it was not measured
    high_percent: float | None = None


def place_rows(view: View, photo: dict[str, Any], axis: str) -> list[Row]:
    """Stripe and grain contrast along one axis.

    Parameters
    ----------
    view : View
    photo : dict
        Photo of the report.
    axis : {"along", "across"}
        Of the scan.
    """
    stripe = _measured(photo)
    rows = _stretches(stripe[axis], f"start_{view.unit}", f"end_{view.unit}") if stripe else \
        _map_rows("stripes", view.stripe_map_percent, view.stripe_extent, axis)
    return rows + _map_rows("grain", view.grain_map_percent, view.grain_extent, axis)


def level_rows(photo: dict[str, Any]) -> list[Row]:
    """Stripe contrast against the ground's reflectance (mean 1), lightest first; empty where the ground is even."""
    stripe = _measured(photo)
    return _stretches(reversed(stripe["by_level"]), "start_reflectance", "end_reflectance") if stripe else []


def place_reach(groups: Sequence[Sequence[Row]]) -> float:
    """Top of the contrast axis that holds all rows of all photos, %."""
    return 1.1 * max([0.5, *(row.high_percent or row.contrast_percent for rows in groups for row in rows)])


def draw_by_place(ax: Axes, rows: Sequence[Row], *, reach: float, falling: bool = False) -> None:
    """Draw the stripe as points with their intervals and the grain as a dashed line; `falling`: high places left."""
    for what, colour, style, marker in (("stripes", FITTED, "-", "o"), ("grain", LIMIT, (0, (4, 2)), "")):
        some = [row for row in rows if row.what == what]
        ax.plot([row.place for row in some], [row.contrast_percent for row in some], color=colour, lw=0.8, ls=style,
                marker=marker, ms=2.4)
        ranged = [row for row in some if row.low_percent is not None]
        ax.vlines([row.place for row in ranged], [row.low_percent for row in ranged],
                  [min(row.high_percent, reach) for row in ranged], color=colour, lw=1.0)
    ax.set(ylim=(0, reach))
    if falling:
        ax.invert_xaxis()
    ax.grid(axis="y", color=RULE, lw=0.4)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set(linewidth=0.5, color=SOFT)
    ax.tick_params(length=2, pad=1.5)


def _measured(photo: dict[str, Any]) -> dict[str, Any] | None:
    return photo["stripes"][0].get("by_place") if photo["stripes"] else None


def _stretches(parts, start: str, end: str) -> list[Row]:
    rows = []
    for part in parts:
        if None in (part["contrast_percent"], part.get(start), part.get(end)):
            continue
        low, high = part["interval_percent"] or (None, None)
        known = low is not None and high is not None
        rows.append(Row(what="stripes", place=(part[start] + part[end]) / 2,
                        contrast_percent=part["contrast_percent"], low_percent=low if known else None,
                        high_percent=high if known else None))
    return rows


def _map_rows(what: str, cells, extent, axis: str) -> list[Row]:
    """Mean of a map over the other axis, in runs of cells."""
    side, ends = (1, extent[:2]) if axis == "along" else (0, extent[2:])
    count = cells.shape[side]
    step = (ends[1] - ends[0]) / count
    rows = []
    for run in np.array_split(np.arange(count), min(MOST_CELLS, count)):
        part = np.take(cells, run, axis=side)
        known = part[np.isfinite(part)]
        if known.size:
            rows.append(Row(what=what, place=float(ends[0] + (run.mean() + 0.5) * step),
                            contrast_percent=float(known.mean())))
    return rows
