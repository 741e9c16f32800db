"""Where a frame may be: quadrilaterals of the right shape with a line along their sides."""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.faint_lines import faint_lines
from analysis.geometry import shape_misfit
from analysis.quads import EdgeLines, edge_lines, quadrilaterals, quadrilaterals_with_a_gap
from analysis.ranks import percentile
from analysis.sides import moved_out, nan_median, side_profiles, side_px_per_mm

__all__ = ["GOES_ON", "LEAST_AREA", "LEAST_BAR", "SHAPE_COST", "Candidate", "brightest", "covered_candidates",
           "distinct", "faint_candidates", "light_candidates", "line_beyond", "line_candidates", "line_on_three_sides",
           "lines_along", "shapes_seen", "side_medians", "straight_edges", "widest_bars"]

LOOSE_MISFIT = 0.06        # of proportions and right angles, before the corners are refined
SHAPE_COST = 20.0          # of misfit in score: 1 % is a fifth of a clear line
MOST = 80                  # looked at across their sides
FEW, GRID = 5, 5           # candidates that are all refined; places of eight where a line goes on
GOES_ON = 0.5              # of a line's own strength, past its corner
HIDDEN = 0.25              # of the sides' middle strength; less is no line of a frame, but what lies on it
WIDTHS_MM = (0.3, 0.5, 0.8, 1.2, 1.6)      # of the line
LEAST_BAR = 0.10           # log contrast of the line against both sides
LEAST_AREA = 0.015         # of the photo; a smaller area with an edge alone is artwork inside a frame
U_MM = np.arange(-3.6, 3.61, 0.1)
LARGE = 2_000_000          # pixels: more than any picture that is searched


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A quadrilateral that may be the frame."""

    corners: NDArray[np.float64]       # (4, 2), in the order of the piece up to half a turn
    misfit: float
    edge_mm: NDArray[np.float64]       # (4,) place of the outer edge across each side
    width_mm: float                    # 0: an edge, not a line
    dark: bool
    strength: float                    # log contrast of the line, or of the edge
    score: float
    faint: bool = False                # from lines that no edge piece shows: all sides must then agree beyond doubt
    # (4, 2): from where to where each side's line is seen, 0 to 1, if one is so in part only, as under a tool on it
    span: NDArray[np.float64] | None = None


def line_candidates(picture: NDArray[np.float32], size_mm: tuple[float, float]) -> list[Candidate]:
    """Quadrilaterals with a line along their sides, best first; pixels of `picture`."""
    corners, misfits, supports, _ = shapes_seen(picture, size_mm)
    order = np.argsort(-(supports - 2.0 * misfits))[:MOST]
    found = lines_along(picture, corners[order], misfits[order], size_mm) if len(order) else []
    return found if len(found) <= FEW else _not_of_a_grid(picture, found, size_mm)


def faint_candidates(picture: NDArray[np.float32], size_mm: tuple[float, float]) -> list[Candidate]:
    """The same from dark lines that only whole strips of light show: costly, for when there are no others."""
    corners, misfits, supports = _of_shape(faint_lines(picture), picture.shape[::-1], size_mm, (True,))
    order = np.argsort(-(supports - 2.0 * misfits))[:MOST]
    found = lines_along(picture, corners[order], misfits[order], size_mm) if len(order) else []
    found = [replace(one, faint=True) for one in found if one.dark]
    return found if len(found) <= FEW else _not_of_a_grid(picture, found, size_mm)


def light_candidates(picture: NDArray[np.float32], size_mm: tuple[float, float]) -> list[Candidate]:
    """The same of light lines, which are dark ones of the inverse; brighter than all else, they have no edge pieces."""
    inverse = 1.0 / np.maximum(picture, np.float32(1e-3 * brightest(picture) + 1e-6))
    return [replace(one, dark=False) for one in faint_candidates(inverse, size_mm)]


def covered_candidates(picture: NDArray[np.float32], size_mm: tuple[float, float]) -> list[Candidate]:
    """The same where something covers most of one side: costly, and one side has little to say against it."""
    lines, found = straight_edges(picture), []
    for dark_inside in (True, False) if len(lines.point) >= 4 else ():
        quads, support, span = quadrilaterals_with_a_gap(lines, picture.shape[::-1], dark_inside)
        for turn in (0, 1) if len(quads) else ():
            corners, seen = np.roll(quads, -turn, axis=1), np.roll(span, -turn, axis=1)
            misfit, _ = shape_misfit(corners, size_mm, picture.shape[::-1])
            order = np.argsort(2.0 * misfit - support.mean(axis=1))
            order = order[misfit[order] < LOOSE_MISFIT][:MOST // 4]
            found += lines_along(picture, corners[order], misfit[order], size_mm, seen[order]) if len(order) else []
    found = distinct(sorted(found, key=lambda c: -c.score), size_mm)
    return found if len(found) <= FEW else _not_of_a_grid(picture, found, size_mm)


def lines_along(picture, corners, misfits, size_mm, span=None, lens=None) -> list[Candidate]:
    """Those of some quadrilaterals (n, 4, 2) that have a line along their sides, best first.

    With `span`, shape (n, 4, 2), a side is looked at from and to there alone, 0 to 1. With `lens` the corners are in
    undistorted pixels.
    """
    median = side_medians(picture, corners, size_mm, span, lens)
    blur_mm = 1.0 / side_px_per_mm(corners, size_mm).mean(axis=1)
    found = []
    for dark in (True, False):
        bars = widest_bars(median if dark else -median, blur_mm)
        for k, (score, bar, at, width) in enumerate(zip(*bars, strict=True)):
            if bar.min() > 0.4 * LEAST_BAR and bar.mean() > LEAST_BAR:
                found.append(Candidate(corners=corners[k], misfit=float(misfits[k]), edge_mm=at, width_mm=float(width),
                                       dark=dark, strength=float(score),
                                       score=float(score - SHAPE_COST * misfits[k]),
                                       span=None if span is None else span[k]))
    return distinct(sorted(found, key=lambda c: -c.score), size_mm)


def line_on_three_sides(picture, corners, size_mm) -> NDArray[np.bool_]:
    """Whether a dark line runs along three sides of some quadrilaterals (n, 4, 2) and none along the fourth."""
    blur_mm = 1.0 / side_px_per_mm(corners, size_mm).mean(axis=1)
    bar = np.sort(widest_bars(side_medians(picture, corners, size_mm), blur_mm)[1], axis=1)
    return (bar[:, 1] > 2 * LEAST_BAR) & (bar[:, 0] < 0.2 * bar[:, 1])


def _bars(profiles, width_mm, gap_mm, reach_mm=1.6):
    """Strength of a dark bar in profiles (n, m) over `U_MM`, blurred over `gap_mm` (n,), and its outer edge's place."""
    step, rows = U_MM[1] - U_MM[0], np.arange(len(profiles))[:, None]
    summed = np.concatenate([np.zeros((len(profiles), 1)), np.cumsum(profiles, axis=1)], axis=1)
    gap, band = np.maximum(0.1, gap_mm)[:, None], 0.8
    shifts = np.arange(-reach_mm, reach_mm + 0.01, 0.1)[None]

    def mean(low, high):
        i = np.clip(np.round((shifts + low - U_MM[0]) / step).astype(int), 0, len(U_MM) - 1)
        j = np.clip(np.round((shifts + high - U_MM[0]) / step).astype(int) + 1, i + 1, len(U_MM))
        return (summed[rows, j] - summed[rows, i]) / (j - i)
    core = mean(-0.8 * width_mm, -0.2 * width_mm)
    outside, inside = mean(gap, gap + band) - core, mean(-width_mm - gap - band, -width_mm - gap) - core
    strength = np.minimum(outside, 1.5 * inside)
    best = strength.argmax(axis=1)
    return strength[rows[:, 0], best], shifts[0, best]


def line_beyond(picture, corners, size_mm, width_mm, dark, lens=None) -> NDArray[np.float64]:
    """How strong the line of quadrilaterals (n, 4, 2) is past its corners and just before them, over its own strength.

    Shape (n, 2, 4, 2): past or before; by the side whose ends are looked at; past that side by its two neighbours. A
    frame's line ends at its corners. A grid's goes on; so do two sides of a frame past a stroke taken for its third,
    and where that stroke lies outside, both stop before it.
    """
    blur_mm = np.repeat(1.0 / side_px_per_mm(corners, size_mm).mean(axis=1), 2)
    past = np.linspace(width_mm + 0.8, width_mm + 3.6, 11)

    def strengths(positions, sides):
        profiles = side_profiles(picture, corners, size_mm, positions, U_MM, lens=lens)[0][:, sides]
        floor = 2e-3 * np.nan_to_num(nan_median(profiles.reshape(len(corners), -1), axis=1)) + 1e-6
        profiles = np.log(np.maximum(profiles, floor[:, None, None, None]))
        median = np.nan_to_num(nan_median(profiles, axis=2), nan=0.0).reshape(-1, len(U_MM))
        return _bars(median if dark else -median, width_mm, blur_mm, reach_mm=0.5)[0].reshape(len(corners), 2)
    found = np.zeros((len(corners), 2, 4, 2))
    pairs = (((0, 2), size_mm[0]), ((1, 3), size_mm[1]))
    own = np.stack([strengths(np.linspace(0.1, 0.9, 25), sides) for sides, _ in pairs], axis=1)
    # No bar of its own, as under a tool: it can neither go on nor stop
    least = np.maximum(0.4 * LEAST_BAR, HIDDEN * np.median(own, axis=(1, 2), keepdims=True))
    own = np.where(own > least, own, np.nan)
    for pair, (sides, length) in enumerate(pairs):
        for which, aways in enumerate(((past,), (-past, -past - np.ptp(past)))):       # dirt may hide a corner
            # A side ends on the next one and begins on the one before.
            ends = np.max([strengths(1.0 + away / length, sides) for away in aways], axis=0) / own[:, pair]
            begins = np.max([strengths(-away / length, sides) for away in aways], axis=0) / own[:, pair]
            for k, side in enumerate(sides):
                found[:, which, (side + 1) % 4, 0], found[:, which, side - 1, 1] = ends[:, k], begins[:, k]
    return found


def _not_of_a_grid(picture, found, size_mm) -> list[Candidate]:
    """Those whose lines end at their corners: a ruled mat holds hundreds of others."""
    kept = []
    for width, dark in {(one.width_mm, one.dark) for one in found}:
        alike = [one for one in found if (one.width_mm, one.dark) == (width, dark)]
        outlines = np.stack([moved_out(one.corners, one.edge_mm, size_mm) for one in alike])
        count = (line_beyond(picture, outlines, size_mm, width, dark)[:, 0] > GOES_ON).sum(axis=(1, 2))
        kept += [one for one, places in zip(alike, count, strict=True) if places <= GRID]
    return sorted(kept, key=lambda c: -c.score)


def shapes_seen(picture, size_mm):
    """Quadrilaterals of about the right shape: corners, misfits, supports; and all straight edges."""
    lines = straight_edges(picture)
    return *_of_shape(lines, picture.shape[::-1], size_mm, (True, False)), lines


def straight_edges(picture: NDArray[np.float32]) -> EdgeLines:
    """Straight edges of a picture in linear light."""
    top = max(brightest(picture), 1e-6)
    return edge_lines((np.sqrt(np.clip(picture / np.float32(top), 0, 1)) * 255).astype(np.uint8))


def _of_shape(lines, size_px, size_mm, dark_inside):
    """Corners, misfits, supports of the quadrilaterals of about the right shape that some lines make."""
    corners, misfits, supports = [np.zeros((0, 4, 2))], [np.zeros(0)], [np.zeros(0)]
    for dark in dark_inside if len(lines.point) >= 4 else ():
        quads, support = quadrilaterals(lines, size_px, dark)
        seen = support.min(axis=1) > 0.15
        quads, support = quads[seen], support[seen].mean(axis=1)
        for turn in (0, 1):
            turned = np.roll(quads, -turn, axis=1)
            misfit, _ = shape_misfit(turned, size_mm, size_px)
            keep = misfit < LOOSE_MISFIT
            corners.append(turned[keep])
            misfits.append(misfit[keep])
            supports.append(support[keep])
    return tuple(map(np.concatenate, (corners, misfits, supports)))


def side_medians(picture, corners, size_mm, span=None, lens=None) -> NDArray[np.float64]:
    """Median log profile across each side over `U_MM`, shape (n, 4, m); `span` and `lens` as in `lines_along`."""
    floor = np.float32(1e-3 * brightest(picture) + 1e-6)
    large = picture.size > LARGE           # a line is many pixels wide there: logarithms of what is looked at will do
    seen = picture if large else np.log(np.maximum(picture, floor))
    positions = np.linspace(0.05, 0.95, 49)
    profiles, _, _ = side_profiles(seen, corners, size_mm, positions, U_MM, lens=lens)
    profiles = np.log(np.maximum(profiles, floor)) if large else profiles
    if span is not None:
        profiles[(positions < span[..., :1]) | (positions > span[..., 1:])] = np.nan
    return np.nan_to_num(nan_median(profiles, axis=2), nan=0.0)


def brightest(picture) -> float:
    """Light of the brightest parts; some hundred thousand pixels tell it."""
    step = max(4, int(np.sqrt(picture.size / 1e5)))
    return float(percentile(picture[::step, ::step], 99.5))


def widest_bars(profiles, blur_mm):
    """Best dark bar along four sides of each quadrilateral: score (n,), strengths and places (n, 4), widths (n,).

    A narrow bar fits inside a wide line as well, so the widest that does nearly as well is taken.
    """
    n = len(profiles)
    tries = [_bars(profiles.reshape(4 * n, -1), width, np.repeat(blur_mm, 4)) for width in WIDTHS_MM]
    bar, at = (np.stack([one[k].reshape(n, 4) for one in tries]) for k in range(2))
    score = np.minimum(bar, 1.2).mean(axis=2) + bar.min(axis=2)
    enough = score >= 0.85 * score.max(axis=0)
    best = np.where(score.max(axis=0) > 0, len(WIDTHS_MM) - 1 - enough[::-1].argmax(axis=0), 0)
    each = np.arange(n)
    return score[best, each], bar[best, each], at[best, each], np.array(WIDTHS_MM)[best]


def distinct(candidates, size_mm) -> list[Candidate]:
    """Drop those that are one line within a millimetre, keeping the better; the gap of a double line is another."""
    kept, outlines = [], []
    for one in candidates:
        scale = side_px_per_mm(one.corners, size_mm).mean()
        outline = moved_out(one.corners, one.edge_mm, size_mm)
        turned = np.stack([np.roll(outline, k, axis=0) for k in range(4)])
        if all(np.abs(turned - other).max(axis=(1, 2)).min() > scale or one.dark != same.dark
               for other, same in zip(outlines, kept, strict=True)):
            kept.append(one)
            outlines.append(outline)
    return kept
