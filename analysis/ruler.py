"""A ruler in the picture: its millimetre ticks read where they are clear.

Along a ruler's edge every tick is crossed, one a millimetre; farther in only
the long ones are, one in ten. Both together make a ruler, and only then is a
scale given: a row of equal letters, a comb or a stripe has the first alone.

A ruler lies beside the piece, nearer to the camera or farther away where the
photo is slanted. Where the slant is known, ticks are measured as seen from
straight above, so that they tell the scale at the piece as well.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.quads import edge_lines

__all__ = ["Ruler", "read_ruler"]

SEARCH_PX = 1400           # longer side of the picture that is searched for straight edges
EDGES = 40                 # longest edges that are looked at, from both sides
ROWS = 40                  # distances from the edge
WINDOW_PX = (420, 840)     # along the edge; longer ones let perspective blur the spacing
TICK_PX = (3.5, 45.0)      # spacings that can be told
EVERY_TICK = 0.55          # correlation one tick on, near the edge
EVERY_TENTH = 0.5          # correlation ten ticks on, farther in ...
NOT_EVERY = 0.25           # ... where one tick on there is less than this
LEAST_VARIANCE = 4e-4      # of log light along a row: 2 %
FEWEST_WINDOWS = 2         # that must agree, along one line
ONE_LINE_MM = 2.0          # across a line: the same one
MOST_SPREAD = 0.06         # of the spacing between windows: more is a tilted photo


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruler:
    """A ruler's scale."""

    pixels_per_mm: float               # as seen from straight above, where that is known
    sd_fraction: float                 # 1 s.d., relative, from the spread along the ruler
    angle_deg: float                   # direction of its edge, anticlockwise from the photo's +x, in (-90, 90]
    ends_px: tuple[tuple[float, float], tuple[float, float]]      # stretch that was read
    windows: int                       # stretches that agreed


def read_ruler(luminance: NDArray[np.float32],
               to_level: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None) -> Ruler | None:
    """Read the scale of a ruler in a photo.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
        Linear light.
    to_level : callable, optional
        Photo px (n, 2) to px as the piece is seen from straight above, where one scale holds everywhere.
        Without it the scale is that of the photo where the ruler lies.

    Returns
    -------
    Ruler or None
        None where no ruler's millimetres are clear; inches are not read.
    """
    h, w = luminance.shape
    factor = max(1.0, max(h, w) / SEARCH_PX)
    small = cv2.resize(luminance, (round(w / factor), round(h / factor)), interpolation=cv2.INTER_AREA)
    top = max(float(np.percentile(small, 99.5)), 1e-6)
    lines = edge_lines((np.sqrt(np.clip(small / np.float32(top), 0, 1)) * 255).astype(np.uint8))
    readings = []
    for k in range(min(EDGES, len(lines.point))):
        start = (lines.point[k] + lines.start[k] * lines.direction[k] + 0.5) * factor - 0.5
        length = (lines.stop[k] - lines.start[k]) * factor
        for side in (1.0, -1.0):
            readings += _along(luminance, start, lines.direction[k], length, side)
    return _agreed(readings if to_level is None else [_from_above(to_level, *one) for one in readings])


def _from_above(to_level, spacing, x, y, dx, dy) -> tuple:
    """One reading with its spacing as seen from straight above."""
    tick = to_level(np.array([[x, y]]) + np.array([[-0.5], [0.5]]) * spacing * np.array([dx, dy]))
    return float(np.linalg.norm(tick[1] - tick[0])), x, y, dx, dy


def _along(luminance, start, direction, length, side) -> list[tuple]:
    """(spacing, position, direction) of each window along an edge in which ticks are read."""
    inward = side * np.array([-direction[1], direction[0]])
    found = []
    for window in WINDOW_PX:
        if length < window:
            continue
        away = np.linspace(3.0, 0.4 * window, ROWS)
        for shift in np.arange(0.0, length - window + 1, window / 2):
            at = (start + direction * (shift + np.arange(window))[:, None])[None] + (inward * away[:, None])[:, None]
            rows = cv2.remap(luminance, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32),
                             cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            spacing = _ticks(rows)
            if spacing is not None:
                found.append((spacing, *(start + direction * (shift + window / 2)), *direction))
    return found


def _ticks(rows) -> float | None:
    """Spacing of millimetre ticks in rows parallel to an edge, or None.

    The edge may be the ruler's other one, so the rows come in either order.
    """
    log = np.log(np.maximum(rows, 0.02 * float(np.median(rows)) + 1e-6))
    flat = log - cv2.GaussianBlur(log, (0, 0), sigmaX=25.0, sigmaY=1e-3)
    flat -= flat.mean(axis=1, keepdims=True)
    n = flat.shape[1]
    power = np.abs(np.fft.rfft(flat, 2 * n, axis=1)) ** 2
    lags = np.fft.irfft(power, axis=1)[:, :n] / np.arange(n, 0, -1)
    lags = lags[lags[:, 0] > LEAST_VARIANCE]
    lags = lags / lags[:, :1]
    low, high = int(TICK_PX[0]), int(min(TICK_PX[1], n / 14))
    for near in range(len(lags)):
        one = _first_peak(lags[near], low, high)
        if one is None or lags[near, round(one)] < EVERY_TICK:
            continue
        spacing = _refined(lags[near], one)
        if spacing < TICK_PX[0]:
            continue
        if any(_only_tenths(lags[far], spacing) for far in range(len(lags))):
            return spacing
    return None


def _first_peak(lags, low, high) -> int | None:
    """First lag at which the correlation has a clear peak."""
    for k in range(low, high):
        if lags[k] > EVERY_TICK * 0.8 and lags[k] >= lags[k - 1] and lags[k] >= lags[k + 1]:
            return k
    return None


def _refined(lags, first) -> float:
    """Spacing from the farthest multiple that still has a peak where the last ones say."""
    spacing = float(first)
    for m in range(1, 13):
        k = round(m * spacing)
        if k < 2 or k + 2 >= len(lags):
            break
        k = k - 1 + int(np.argmax(lags[k - 1:k + 2]))
        bend = lags[k - 1] - 2 * lags[k] + lags[k + 1]
        if lags[k] < 0.3 or bend >= 0:
            break
        spacing = (k + 0.5 * (lags[k - 1] - lags[k + 1]) / bend) / m
    return spacing


def _only_tenths(lags, spacing) -> bool:
    """Whether every tenth tick is there and those between are not (the fifth may be)."""
    tenth = round(10 * spacing)
    if tenth + 2 >= len(lags):
        return False
    between = [lags[round(m * spacing)] for m in (1, 2, 3, 4, 6, 7, 8, 9)]
    return bool(lags[tenth - 1:tenth + 2].max() > EVERY_TENTH and max(between) < NOT_EVERY)


def _agreed(readings) -> Ruler | None:
    """Ruler from the readings that agree with the middle one."""
    if not readings:
        return None
    table = np.array(readings)
    middle = float(np.median(table[:, 0]))
    table = table[np.abs(table[:, 0] / middle - 1.0) < MOST_SPREAD]
    if len(table) < FEWEST_WINDOWS or len(table) < 0.6 * len(readings):
        return None
    spacing = float(np.mean(table[:, 0]))
    apart = table[:, None, 1:3] - table[None, :, 1:3]
    off = np.abs(apart[..., 0] * table[None, :, 4] - apart[..., 1] * table[None, :, 3])
    if (off < ONE_LINE_MM * spacing).sum(axis=0).max() < FEWEST_WINDOWS:
        return None                        # two lines of lettering side by side may look alike by chance
    direction = table[0, 3:5]
    along = table[:, 1:3] @ direction
    ends = tuple(tuple(map(float, table[k, 1:3])) for k in (along.argmin(), along.argmax()))
    angle = float(np.degrees(np.arctan2(-direction[1], direction[0])))
    angle = angle - 180.0 if angle > 90.0 else angle + 180.0 if angle <= -90.0 else angle
    return Ruler(pixels_per_mm=spacing, angle_deg=angle, ends_px=ends, windows=len(table),
                 sd_fraction=float(max(np.std(table[:, 0]) / spacing, 0.002)))
