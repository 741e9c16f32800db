"""The engraved ground as a part of the piece: a rectangle along its axes, darker than the bare board round it.

Judged together with the bare board its step bends the trend, passes for artwork, and thins out a stripe that is on
the ground alone: a limit for the whole piece would promise what the ground cannot hold.
"""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.rectify import Piece
from analysis.register_work import FRAME_ZONE_MM
from analysis.resample import block_means

__all__ = ["engraved_part", "rectangles_of_steps"]

CELLS = 120                # along the longer side
LEAST_CELL_MM = 1.0
BESIDE = 3                 # cells on each side of an edge that its step is taken over
LEAST_AREA, MOST_AREA = 0.15, 0.88         # of the piece; a bare strip as narrow as a frame's is no matter
LEAST_STEP, MOST_STEP = 0.08, 0.4          # of log reflectance at an edge; more counts as so much
SEEN_SHARE = 0.6           # of a side's length that must show half of the side's step
OVER_OTHERS = 2.5          # times what nine in ten other places along the same stretch step: rings and shadows step too
INSET = 1.5                # cells: charred rim and blur
TRIED = 10                 # places a side


def engraved_part(piece: Piece) -> tuple[float, float, float, float] | None:
    """Rectangle (x, y, w, h) on the piece, mm, that alone is engraved; None where none stands out on all four sides.

    Notes
    -----
    Of the rectangles between the places where rows and columns step most, the one whose weakest side steps down
    inward most. It is believed where all its sides do so over most of their length, by more than grain and shadows do
    elsewhere.
    """
    level, cell, (column, row) = _levels(piece)
    found = rectangles_of_steps(level, LEAST_AREA, MOST_AREA)
    if not found or not _steps_all_round(level, found[0][1]):
        return None
    (top, bottom), (left, right) = found[0][1]
    s, (x0, y0) = cell / piece.samples_per_mm, piece.origin_mm
    x, y = x0 + (column + left + INSET) * s, y0 + (row + top + INSET) * s
    w, h = (right - left - 2 * INSET) * s, (bottom - top - 2 * INSET) * s
    return tuple(float(round(v, 1)) for v in (x, y, w, h))


def _levels(piece: Piece) -> tuple[NDArray[np.float64], int, tuple[int, int]]:
    """Log reflectance of cells inside the frame's line, samples a cell, and the first cell's column and row."""
    cell = max(1, round(max(piece.reflectance.shape) / CELLS))
    if piece.scale_known:
        cell = max(cell, round(LEAST_CELL_MM * piece.samples_per_mm))
    seen = block_means(piece.valid.astype(np.float32), cell)
    mean = block_means(np.where(piece.valid, piece.reflectance, np.float32(0)), cell)
    level = np.log(np.maximum(mean / np.maximum(seen, 1e-6), 1e-4)).astype(np.float64)
    usual = float(np.median(level[seen >= 0.5])) if (seen >= 0.5).any() else 0.0
    level = np.where(seen >= 0.5, level - usual, 0.0)
    if piece.frame_mm is None:
        return level, cell, (0, 0)
    ends = [np.array([FRAME_ZONE_MM, size - FRAME_ZONE_MM]) - origin
            for size, origin in zip(piece.frame_mm, piece.origin_mm, strict=True)]
    (left, right), (top, bottom) = (np.round(e * piece.samples_per_mm / cell).astype(int) for e in ends)
    return level[top:bottom, left:right], cell, (left, top)


def rectangles_of_steps(level, least_area: float, most_area: float, most: int = 1) -> list[tuple]:
    """Rectangles whose weakest side steps down inward most: that step, and rows and columns, (start, end) each.

    Areas are shares of the whole; each rectangle is unlike those before it.
    """
    rows, columns = (_steps(one) for one in (level.T, level))
    top, bottom, left, right = (_places(sign * one) for one in (rows, columns) for sign in (-1.0, 1.0))
    t, b, x, y = (one.ravel() for one in np.meshgrid(top, bottom, left, right, indexing="ij"))

    def mean(summed, at, start, end):
        return (summed[end, at] - summed[start, at]) / np.maximum(end - start, 1)
    down, across = (np.concatenate([np.zeros((1, one.shape[1])), np.cumsum(one, axis=0)]) for one in (rows, columns))
    weakest = np.minimum.reduce([-mean(down, t, x, y), mean(down, b, x, y), -mean(across, x, t, b),
                                 mean(across, y, t, b)])
    area = (b - t) * (y - x) / level.size
    fits, found = (b > t) & (y > x) & (area > least_area) & (area < most_area), []
    while fits.any() and len(found) < most:
        k = np.where(fits, weakest, -np.inf).argmax()
        found.append((float(weakest[k]), ((int(t[k]), int(b[k])), (int(x[k]), int(y[k])))))
        fits &= np.maximum.reduce([np.abs(one - one[k]) for one in (t, b, x, y)]) > 2 * BESIDE
    return found


def _places(step):
    """Where the columns step up most: the highest summits of what each place's steps add up to."""
    total = np.maximum(step - LEAST_STEP / 2, 0.0).sum(axis=0)
    wide = np.lib.stride_tricks.sliding_window_view(np.pad(total, 2), 5).max(axis=1)
    summits = np.flatnonzero((total >= wide) & (total > 0))
    return np.sort(summits[np.argsort(-total[summits])][:TRIED])


def _steps(level) -> NDArray[np.float64]:
    """Level after less that before each column's left edge, (rows, columns + 1); cut at `MOST_STEP`, 0 at the ends."""
    summed = np.concatenate([np.zeros((len(level), 1)), np.cumsum(level, axis=1)], axis=1)
    n = level.shape[1]
    at = np.arange(n + 1)
    after, before = np.minimum(at + BESIDE, n), np.maximum(at - BESIDE, 0)
    step = (summed[:, after] - summed[:, at]) / np.maximum(after - at, 1) \
        - (summed[:, at] - summed[:, before]) / np.maximum(at - before, 1)
    step[:, [0, n]] = 0.0
    return np.clip(step, -MOST_STEP, MOST_STEP)


def _steps_all_round(level, sides) -> bool:
    """Whether every side steps down inward, over most of its length, by more than other places do."""
    (top, bottom), (left, right) = sides
    for part, ends in ((level[top:bottom], (left, right)), (level[:, left:right].T, (top, bottom))):
        step = _steps(part)
        usual = np.median(step, axis=0)
        far = np.ones(usual.size, bool)
        for at in (*ends, 0, usual.size - 1):
            far[max(at - 2 * BESIDE, 0): at + 2 * BESIDE + 1] = False
        others = float(np.percentile(np.abs(usual[far]), 90)) if far.any() else 0.0
        for at, sign in zip(ends, (-1.0, 1.0), strict=True):
            here, most = sign * step[:, at], sign * usual[at]
            if most < max(LEAST_STEP, OVER_OTHERS * others) or np.mean(here > 0.5 * most) < SEEN_SHARE:
                return False
    return True
