"""Quadrilaterals from straight edges: where a frame might be.

Every edge is a directed line with its dark side on the right as seen, so the
outline of something dark is four lines that run clockwise, and its four sides
are found as closed walks over lines that meet in corners. Pixels have their
origin at the centre of the top-left pixel, y is down.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["EdgeLines", "bends", "edge_lines", "merged", "quadrilaterals", "quadrilaterals_with_a_gap"]

MOST_LINES = 240
MOST_OF_A_SECTOR, SECTOR_DEG = 45, 15.0      # lines: those of a ruled mat must not crowd out the frame's
SHORTEST_SEGMENT = 0.016   # of the photo's longer side
LSD_SCALE = 0.8            # of the segment detector's picture, as its authors advise: less noise, half the time
STRAIGHT_PX = 2.2          # how far from one line its pieces may lie: room for the lens' curvature
FEWEST_DEG, MOST_DEG = 50.0, 130.0   # corners of a rectangle seen at a tilt up to 30 deg, and some room
MOST_QUADS = 60000
MOST_GAP = 0.6             # in a line, over the length of the pieces on both sides: a finger may hide a third of it
MOST_BEYOND = 0.45         # of a line's length may lie beyond a corner
LEAST_PIECE, LEAST_OF_THREE = 0.05, 0.4      # of a side with a gap, and of each other side, that must lie on edges


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeLines:
    """Straight edges: point and unit direction, dark on the right; pieces are merged."""

    point: NDArray[np.float64]         # (n, 2) middle of the support
    direction: NDArray[np.float64]     # (n, 2)
    start: NDArray[np.float64]         # (n,) extent of the support along the direction from `point`
    stop: NDArray[np.float64]
    support_px: NDArray[np.float64]    # (n,) length covered by edge pieces


def edge_lines(grey: NDArray[np.uint8]) -> EdgeLines:
    """Straight edges of a picture, longest support first.

    Notes
    -----
    Segments by the a-contrario detector of Grompone von Gioi et al., "LSD: a
    Line Segment Detector", IPOL 2 (2012) 35-55, as in OpenCV; then pieces on
    one line with the dark on the same side are merged.
    """
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, scale=LSD_SCALE).detect(grey)[0]
    segments = np.zeros((0, 4)) if found is None else found.reshape(-1, 4).astype(np.float64)
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    long = length >= SHORTEST_SEGMENT * max(grey.shape)
    return merged(_dark_right(segments[long], grey) if long.any() else segments[:0], length[long])


def quadrilaterals(lines: EdgeLines, size_px: tuple[int, int], dark_inside: bool) -> tuple[NDArray, NDArray]:
    """Closed walks over four lines.

    Parameters
    ----------
    lines : EdgeLines
    size_px : (width, height)
    dark_inside : bool
        Whether the dark side of the outline is its inside.

    Returns
    -------
    corners : ndarray, shape (n, 4, 2)
        Clockwise as seen, starting anywhere; side k runs from corner k to k + 1.
    support : ndarray, shape (n, 4)
        Share of each side that lies on edges, at most 1.
    """
    pairs = _pairs(lines, size_px, dark_inside)
    corners, support, _ = _outlines(lines, pairs, _walks(pairs.fits))
    return corners, support


def quadrilaterals_with_a_gap(lines: EdgeLines, size_px: tuple[int, int],
                              dark_inside: bool) -> tuple[NDArray, NDArray, NDArray]:
    """Closed walks over four lines, one of which ends anywhere before its corner, as under a tool that lies on it.

    Returns
    -------
    corners, support
        As of `quadrilaterals`.
    span : ndarray, shape (n, 4, 2)
        Where along each side its line is seen, from and to, 0 to 1.
    """
    pairs = _pairs(lines, size_px, dark_inside)
    corners, support, span = _outlines(lines, pairs, _walks_with_a_gap(pairs.fits, pairs.may_meet))
    order = np.sort(support, axis=1)
    seen = (order[:, 0] > LEAST_PIECE) & (order[:, 1] > LEAST_OF_THREE)
    return corners[seen], support[seen], span[seen]


def _outlines(lines, pairs, walks):
    """Corners, support and span of walks (n, 4)."""
    start, stop = pairs.start, pairs.stop
    corners = np.stack([pairs.meet[walks[:, k - 1], walks[:, k]] for k in range(4)], axis=1)
    support, span = np.empty((len(walks), 4)), np.empty((len(walks), 4, 2))
    for k in range(4):
        line = walks[:, k]
        begin = pairs.along_second[walks[:, k - 1], line]
        end = pairs.along_first[line, walks[:, (k + 1) % 4]]
        low, high = np.maximum(begin, start[line]), np.minimum(end, stop[line])
        density = lines.support_px[line] / np.maximum(stop[line] - start[line], 1.0)
        far = np.maximum(end - begin, 1e-6)
        support[:, k] = np.clip((high - low) * density / far, 0.0, 1.0)
        support[:, k][end - begin < 20] = 0.0
        span[:, k] = np.stack([low - begin, high - begin], axis=1) / far[:, None]
    return corners, support, span


def bends(lines: EdgeLines, size_px: tuple[int, int], dark_inside: bool) -> tuple[NDArray, NDArray, NDArray]:
    """Lines that turn a corner at both ends, as a frame's side does whose neighbours run out of the photo.

    Returns
    -------
    corners : ndarray, shape (n, 2, 2)
        Where the side begins and ends, clockwise about the frame; best covered by edges first.
    back, on : ndarray, shape (n, 2)
        Unit directions of the line before, backward, and of the line after.
    """
    pairs = _pairs(lines, size_px, dark_inside)
    density = lines.support_px / np.maximum(pairs.stop - pairs.start, 1.0)
    rows = []
    for line in range(len(density)):
        before, after = np.nonzero(pairs.fits[:, line])[0], np.nonzero(pairs.fits[line])[0]
        for i, k in ((i, k) for i in before for k in after if i != k):
            begin, end = pairs.along_second[i, line], pairs.along_first[line, k]
            seen = (min(end, pairs.stop[line]) - max(begin, pairs.start[line])) * density[line]
            if end - begin > 20 and seen > 0.5 * (end - begin):
                rows.append((seen, *pairs.meet[i, line], *pairs.meet[line, k], *-pairs.direction[i],
                             *pairs.direction[k]))
    rows = np.array(sorted(rows, reverse=True)).reshape(-1, 9)
    return rows[:, 1:5].reshape(-1, 2, 2), rows[:, 5:7], rows[:, 7:9]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pairs:
    """Each line against each other one, the dark side as asked; shapes (n,), and (n, n) by first and second."""

    direction: NDArray[np.float64]     # (n, 2)
    start: NDArray[np.float64]
    stop: NDArray[np.float64]
    meet: NDArray[np.float64]          # (n, n, 2)
    along_first: NDArray[np.float64]   # how far along each of the two they meet
    along_second: NDArray[np.float64]
    may_meet: NDArray[np.bool_]        # in a corner of about 90 degrees, wherever the first stops and the second starts
    fits: NDArray[np.bool_]            # and neither needs to be drawn out by much


def _pairs(lines, size_px, dark_inside) -> _Pairs:
    """Where lines meet, and which pairs make a corner."""
    sign = 1.0 if dark_inside else -1.0
    point, direction = lines.point, sign * lines.direction
    start, stop = (lines.start, lines.stop) if dark_inside else (-lines.stop, -lines.start)
    meet, along_first, along_second = _meetings(point, direction)
    turn = direction[:, None, 0] * direction[None, :, 1] - direction[:, None, 1] * direction[None, :, 0]
    cosine = direction @ direction.T
    length = stop - start
    slack = 0.3 * length + 12.0
    may = (turn > 0) & (cosine < np.cos(np.radians(FEWEST_DEG))) & (cosine > np.cos(np.radians(MOST_DEG)))
    may &= (along_first > (stop - MOST_BEYOND * length)[:, None])
    may &= (along_second < (start + MOST_BEYOND * length)[None, :])
    reach = np.array(size_px) * 0.04 + 4
    may &= np.all((meet > -reach) & (meet < np.array(size_px) + reach), axis=-1)
    fits = may & (along_first < (stop + slack)[:, None]) & (along_second > (start - slack)[None, :])
    return _Pairs(direction=direction, start=start, stop=stop, meet=meet, along_first=along_first,
                  along_second=along_second, may_meet=may, fits=fits)


def _dark_right(segments, grey) -> NDArray[np.float64]:
    """Turn segments so that their dark side is on the right (clockwise normal, y down)."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 0.8)
    a, b = segments[:, :2], segments[:, 2:]
    along = (b - a) / np.linalg.norm(b - a, axis=1, keepdims=True)
    right = np.stack([-along[:, 1], along[:, 0]], axis=1)
    share = np.linspace(0.1, 0.9, 9)[None, :, None]
    on = a[:, None] * (1 - share) + b[:, None] * share
    level = []
    for side in (1.3, -1.3):
        at = (on + side * right[:, None]).astype(np.float32)
        level.append(cv2.remap(smooth, at[..., 0], at[..., 1], cv2.INTER_LINEAR,
                               borderMode=cv2.BORDER_REPLICATE).astype(np.float32).mean(axis=1))
    flip = level[0] > level[1]
    turned = segments.copy()
    turned[flip] = segments[flip][:, [2, 3, 0, 1]]
    return turned


def merged(segments: NDArray[np.float64], worth: NDArray[np.float64]) -> EdgeLines:
    """Pieces (n, 4) on one line, dark on the same side, become one line; the worthiest first, so many a direction."""
    a, b = segments[:, :2], segments[:, 2:]
    length = np.linalg.norm(b - a, axis=1)
    direction = (b - a) / length[:, None]
    bearing = (np.degrees(np.arctan2(direction[:, 1], direction[:, 0])) // SECTOR_DEG).astype(int)
    free = np.ones(len(segments), bool)
    rows, count = [], np.zeros(360, int)
    for seed in np.argsort(-worth):
        if not free[seed] or count[bearing[seed]] >= 2 * MOST_OF_A_SECTOR or len(rows) >= 1.3 * MOST_LINES:
            continue
        middle, along, before = (a[seed] + b[seed]) / 2, direction[seed], 0
        for _ in range(3):
            across = np.array([-along[1], along[0]])
            at = middle @ across
            near = np.flatnonzero(free & (direction @ along > 0.985) & (np.abs(a @ across - at) < STRAIGHT_PX)
                                  & (np.abs(b @ across - at) < STRAIGHT_PX))
            near = near if seed in near else np.append(near, seed)
            if len(near) == before:
                break
            before = len(near)
            middle, along = _total_least_squares(a[near], b[near], length[near], along)
        begin, end = (a[near] - middle) @ along, (b[near] - middle) @ along
        one = _without_gaps(begin, end, int(np.flatnonzero(near == seed)[0]))
        free[near[one]] = False
        begin, end = begin[one], end[one]
        rows.append((*middle, *along, begin.min(), end.max(), _union(begin, end), bearing[seed]))
        count[bearing[seed]] += 1
    table = np.array(rows).reshape(-1, 8)
    table = table[np.argsort(-table[:, 6])]
    alike = np.tril(table[:, 7, None] == table[None, :, 7], -1).sum(axis=1)       # better ones of its direction
    table = table[alike < MOST_OF_A_SECTOR][:MOST_LINES]
    return EdgeLines(point=table[:, :2], direction=table[:, 2:4], start=table[:, 4], stop=table[:, 5],
                     support_px=table[:, 6])


def _total_least_squares(a, b, length, along):
    """Line through segments, each weighted by its length."""
    middle = length @ (a + b) / (2 * length.sum())
    p, q = a - middle, b - middle
    xx, yy = length @ (p * p + q * q)
    angle = 0.5 * np.arctan2(2.0 * (length @ (p[:, 0] * p[:, 1] + q[:, 0] * q[:, 1])), xx - yy)
    axis = np.array([np.cos(angle), np.sin(angle)])
    return middle, axis if axis @ along > 0 else -axis


def _without_gaps(begin, end, seed) -> NDArray[np.bool_]:
    """Intervals that make one piece with the seed's: a gap may be a share of the piece so far."""
    one = np.arange(len(begin)) == seed
    low, high = begin[seed], end[seed]
    for _ in range(len(begin)):
        room = MOST_GAP * (high - low + end - begin)
        new = ~one & (begin < high + room) & (end > low - room)
        if not new.any():
            break
        one |= new
        low, high = min(low, begin[new].min()), max(high, end[new].max())
    return one


def _union(begin, end) -> float:
    """Length covered by intervals."""
    order = np.argsort(begin)
    total, reach = 0.0, -np.inf
    for low, high in zip(begin[order], end[order], strict=True):
        total += max(high - max(low, reach), 0.0)
        reach = max(reach, high)
    return total


def _meetings(point, direction):
    """Where each two lines meet, and how far along the first and the second."""
    gap = point[None, :, :] - point[:, None, :]
    cross = direction[:, None, 0] * direction[None, :, 1] - direction[:, None, 1] * direction[None, :, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        first = (gap[..., 0] * direction[None, :, 1] - gap[..., 1] * direction[None, :, 0]) / cross
        second = (gap[..., 0] * direction[:, None, 1] - gap[..., 1] * direction[:, None, 0]) / cross
        meet = point[:, None, :] + first[..., None] * direction[:, None, :]        # parallel lines: nowhere
    return meet, first, second


def _walks(fits) -> NDArray[np.int64]:
    """Closed walks i -> j -> k -> l -> i over the pairs that fit, each once, shape (n, 4)."""
    i, j = np.nonzero(fits)
    walks = []
    after = [np.flatnonzero(row) for row in fits]
    for first, second in zip(i, j, strict=True):
        for third in after[second]:
            if third <= first:
                continue
            last = after[third]
            last = last[(last > first) & fits[last, first]]
            if len(last):
                walks.append(np.column_stack([np.full(len(last), first), np.full(len(last), second),
                                              np.full(len(last), third), last]))
    if not walks:
        return np.zeros((0, 4), np.int64)
    walks = np.concatenate(walks)
    walks = walks[walks[:, 0] < walks[:, 1:].min(axis=1)]
    return walks[:MOST_QUADS]


def _walks_with_a_gap(fits, may_meet) -> NDArray[np.int64]:
    """Walks i -> j -> k -> l over pairs that fit, the last and the first of which may meet but do not fit, (n, 4)."""
    closing, after, walks, count = may_meet & ~fits, [np.flatnonzero(row) for row in fits], [], 0
    for first, second in zip(*np.nonzero(fits), strict=True):
        for third in after[second]:
            last = after[third]
            last = last[closing[last, first]]
            if len(last) and count < MOST_QUADS:
                walks.append(np.column_stack([np.full(len(last), first), np.full(len(last), second),
                                              np.full(len(last), third), last]))
                count += len(last)
    return np.concatenate(walks) if walks else np.zeros((0, 4), np.int64)
