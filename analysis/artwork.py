"""Artwork in a piece: strokes, fills, knots and glare, which are no texture of the ground."""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.ranks import percentile
from analysis.resample import block_means
from analysis.slow_trend import TREND_ORDER, slow_trend
from analysis.streaks import between_streaks

__all__ = ["ARTWORK_SIGMA", "find_artwork"]

GROW_MM = 0.35             # artwork is widened by this: blur and scorched rims; common practice, no source
ARTWORK_SIGMA = 5.0        # robust s.d. of the texture beyond which a mark may be artwork
ARTWORK_PER_MM = 10.0      # strokes are found at this sampling: finer shows nothing of them
WIDEST_STROKE_MM = 2.5     # of artwork among grain: the grain runs on four times as far; common practice, no source
LEAST_MARK_MM2 = 1.0       # of artwork among grain: vessels and specks are smaller, a stroke of 0.3 mm longer
ROUGH = 0.1                # log reflectance, s.d.: rougher than this, artwork or a second ply may have set the spread
CALMER = 0.6               # of that s.d.: what the strict look must leave less than, on more than half the piece
LADDER = ((1, 1), (2, 3), TREND_ORDER)     # trend orders of the strict look


def find_artwork(level: NDArray[np.float32], keep: NDArray[np.bool_], cell: int, samples_per_mm: float
                 ) -> NDArray[np.bool_]:
    """Mark artwork, which is looked for twice, since it bends the first trend a little.

    Parameters
    ----------
    level : ndarray, shape (rows, columns), float32
        Log reflectance.
    keep : ndarray, shape (rows, columns)
        Where the piece is.
    cell : int
        Samples a side of the cells of the trend's fit.
    samples_per_mm : float

    Returns
    -------
    ndarray, shape (rows, columns), bool
    """
    factor = max(1, int(samples_per_mm / ARTWORK_PER_MM))
    coarse = block_means(level, factor)
    inside = cv2.resize(keep.astype(np.uint8), coarse.shape[::-1], interpolation=cv2.INTER_NEAREST).astype(bool)
    cell = max(2, round(cell / factor))
    sampling = samples_per_mm / factor
    marks = np.zeros_like(inside)
    for _ in range(2):
        usable = inside & ~marks
        rest = coarse - slow_trend(coarse, usable, cell)
        marks = _marks(rest, inside, usable, sampling, _spread)
    roughness = float(np.std(rest[inside & ~marks]))
    if roughness > ROUGH:
        strict = np.zeros_like(inside)
        for order in LADDER:
            usable = inside & ~strict
            rest = coarse - slow_trend(coarse, usable, cell, order, strict=True)
            strict = _marks(rest, inside, usable, sampling, _shortest_half)
        left = inside & ~strict
        if left.sum() > 0.5 * inside.sum() and np.std(rest[left]) < CALMER * roughness:
            marks = strict
    marks |= _under_grain(coarse, inside & ~marks, cell, sampling)
    if factor == 1:
        return marks
    full = cv2.resize(marks.astype(np.uint8), None, fx=factor, fy=factor, interpolation=cv2.INTER_NEAREST)
    below, beside = (n - m for n, m in zip(level.shape, full.shape, strict=True))
    return cv2.copyMakeBorder(full, 0, below, 0, beside, cv2.BORDER_REPLICATE).astype(bool)


def _under_grain(level, usable, cell, samples_per_mm) -> NDArray[np.bool_]:
    """Artwork that strong rings and fibres hide from a bar of their own spread, as plain as it is to the eye."""
    rest = np.where(usable, level - slow_trend(level, usable, cell), np.float32(0))
    plain = between_streaks(rest, usable, WIDEST_STROKE_MM * samples_per_mm)
    return _marks(plain, usable, usable, samples_per_mm, _spread, LEAST_MARK_MM2)


def _spread(values) -> tuple[float, float, float]:
    """Middle of the values, and one robust s.d. below and above it."""
    return tuple(percentile(values, [16, 50, 84]))


def _shortest_half(values) -> tuple[float, float, float]:
    """The same from the shortest half, which up to half of foreign values cannot move.

    P. J. Rousseeuw, "Least median of squares regression", J. Am. Stat. Assoc. 79, 871-880 (1984).
    """
    ordered = np.sort(values)
    half = len(ordered) // 2
    start = int(np.argmin(ordered[half:] - ordered[: len(ordered) - half]))
    centre = 0.5 * (ordered[start] + ordered[start + half])
    sd = 0.5 * (ordered[start + half] - ordered[start]) / 0.6745
    return centre - sd, centre, centre + sd


def _marks(rest, keep, usable, samples_per_mm, spread, least_mm2=0.0) -> NDArray[np.bool_]:
    """What lies far outside the texture's own spread.

    Looked for wherever `keep` is true; the spread is that of the `usable` part of the
    whole piece, so that a line of letters cannot raise the bar for itself; a stroke counts
    where it is both beyond the bar and wider than a speck.
    """
    smooth = cv2.GaussianBlur(np.where(keep, rest, np.float32(0)), (0, 0), max(0.08 * samples_per_mm, 0.8))
    low, centre, high = spread(smooth[usable][::7])
    bar_low = centre - ARTWORK_SIGMA * max(centre - low, 0.02)
    bar_high = centre + ARTWORK_SIGMA * max(high - centre, 0.02)
    odd = ((smooth < bar_low) | (smooth > bar_high)) & keep
    # A mark that passes the bar is followed down to half of it, so that its soft rim goes too.
    soft = (smooth < centre + 0.5 * (bar_low - centre)) | (smooth > centre + 0.5 * (bar_high - centre))
    soft &= keep
    count, labels = cv2.connectedComponents(soft.astype(np.uint8), connectivity=8)
    hit = np.zeros(count, bool)
    hit[labels[odd]] = True
    hit[0] = False
    if least_mm2:
        hit &= np.bincount(labels.ravel(), minlength=count) >= least_mm2 * samples_per_mm ** 2
        odd &= hit[labels]
    size = 2 * max(1, round(GROW_MM * samples_per_mm)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return cv2.dilate((hit[labels] | odd).astype(np.uint8), kernel).astype(bool)
