"""Ways in which a rectangle of one photo may lie on one of another, by proportions and artwork."""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.geometry import homography_between, lens_of_photo
from analysis.rectangles import Rectangle
from analysis.register_map import PlaneMap
from analysis.register_start import credible
from analysis.register_view import Pair, seen_on, shrunk_to, strokes_of, within
from analysis.sides import mean_sides

__all__ = ["BLUR_MM", "LEAST_AREA_MM2", "Laid", "ways_to_lay"]

PER_MM = 3.2               # samples
MOST_UNLIKE = 0.16         # log of the sides' proportions: a slant of 30 degrees changes them by 0.14
GROUNDS_FIRST = 3          # ranks that two grounds within outlines gain on a ground and an outline; no source
MOST_LAID = 12             # ways whose artwork is compared
OFF_MM = 2.0               # rectangles are known so roughly
BLUR_MM = 0.5
LEAST_AREA_MM2 = 100.0     # that both photos show
LEAST_SCORE = 0.15         # correlation; unlike artwork reaches it as well, and is refused later
MOST_SHADES = 2            # pairs of shades that are tried


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """One rectangle laid on another."""

    mine: Rectangle
    theirs: Rectangle                  # corners in the order of BEFORE's
    plane: PlaneMap                    # BEFORE's grid -> AFTER's photo
    score: float = 0.0                 # correlation of the strokes at the best place near
    shades: tuple[tuple[bool, bool], ...] = ()     # light strokes on BEFORE, on AFTER; likeliest first


def ways_to_lay(pair: Pair) -> list[Laid]:
    """Ways to lay rectangles on each other at which strokes agree about, best first."""
    laid = _allowed(pair)[:MOST_LAID]
    if not laid:
        return []
    grid = pair.grid(PER_MM)
    first = seen_on(grid, shrunk_to(pair.before, pair.own, grid), pair.own, pair.mine)
    ours = [strokes_of(first, first.area, grid, light) for light in (False, True)]
    small, scored = shrunk_to(pair.after, laid[0].plane, grid), []
    for one in laid:
        second = seen_on(grid, small, one.plane, pair.theirs)
        theirs = [strokes_of(second, first.area & second.area, grid, light) for light in (False, True)]
        scores = sorted(((_best_near(ours[a], theirs[b], within(first, second, (a, b)), grid.per_mm), (a, b))
                         for a in (False, True) for b in (False, True)), reverse=True)
        shades = tuple(shades for score, shades in scores[:MOST_SHADES] if score > LEAST_SCORE)
        scored.append(replace(one, score=scores[0][0], shades=shades))
    return sorted((one for one in scored if one.shades), key=lambda one: -one.score)


def _allowed(pair: Pair) -> list[Laid]:
    """Each way that one photo's rectangles lie on the other's, as far as their proportions allow; plainest first."""
    lens, found = lens_of_photo(pair.after.size_px), []
    for i, one in enumerate(pair.mine):
        here = pair.to_grid(one.corners_px)
        for j, other in enumerate(pair.theirs):
            for turn in range(4):
                there = np.roll(other.corners_px, turn, axis=0)
                (a, b), (c, d) = mean_sides(one.corners_px), mean_sides(there)
                matrix = homography_between(here, there)
                unlike = abs(np.log(a * d / (b * c)))
                if unlike < MOST_UNLIKE and credible(matrix, here):
                    rank = i + j + unlike / MOST_UNLIKE - GROUNDS_FIRST * (one.inner and other.inner)
                    found.append((rank, Laid(mine=one, theirs=replace(other, corners_px=there),
                                             plane=PlaneMap(homography=matrix, lens=lens))))
    return [one for _, one in sorted(found, key=lambda ranked: ranked[0])]


def _best_near(ours, theirs, area: NDArray[np.bool_], s: float) -> float:
    """Highest correlation of two blurred responses a little apart."""
    if area.sum() < LEAST_AREA_MM2 * s * s:
        return 0.0
    fields = [cv2.GaussianBlur(one, (0, 0), BLUR_MM * s) for one in (ours, theirs)]
    a, b = ((one - one[area].mean()) * area for one in fields)
    off = int(OFF_MM * s)
    shape = [fft.next_fast_len(n + off + 1, real=True) for n in a.shape]
    surface = fft.irfft2(fft.rfft2(a, shape) * np.conj(fft.rfft2(b, shape)), shape)
    near = [np.arange(-off, off + 1) % n for n in shape]
    return float(surface[np.ix_(*near)].max() / max(np.sqrt(float((a * a).sum()) * float((b * b).sum())), 1e-9))
