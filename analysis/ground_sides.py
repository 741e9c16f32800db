"""The straight sides of a piece of which a region tells about where it lies.

A region of one colour ends where a shadow, glare or clutter begins; a board's
edges do not. Each side of the region is laid on the straight edge nearest to it
that covers most of it, whichever of its sides is the darker.
"""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.quads import EdgeLines
from analysis.sides import mean_sides, moved_out

__all__ = ["straight_sides"]

MOST_OFF = 0.08            # of an edge from the region's side, over the root of the area
MOST_OFF_DEG = 4.0         # the same for its direction; a slant of 10 degrees turns a side by two
LEAST_COVER = 0.35         # of the side that lies on the edge: clutter hides parts
LEAST_SINE = 0.5           # of the angle between neighbouring sides


def straight_sides(lines: EdgeLines, outline: NDArray[np.float64], rim: float) -> NDArray[np.float64] | None:
    """Corners of the straight edges along a region.

    Parameters
    ----------
    lines : EdgeLines
    outline : ndarray, shape (n, 2)
        Of the region, convex, in the pixels of the lines.
    rim : float
        Share of the root of the area that `outline` lies too far inside.

    Returns
    -------
    corners : ndarray, shape (4, 2), or None
        Clockwise as seen; None where a side has no such edge.
    """
    box = cv2.boxPoints(cv2.minAreaRect(outline.astype(np.float32).reshape(-1, 1, 2))).astype(np.float64)
    if cv2.contourArea(box.astype(np.float32), oriented=True) < 0:
        box = box[::-1]
    w, h = mean_sides(box)
    box = moved_out(box, (rim * np.sqrt(w * h),) * 4, (w, h))
    sides = [_edge_along(lines, box[k], box[(k + 1) % 4], MOST_OFF * np.sqrt(w * h)) for k in range(4)]
    if any(side is None for side in sides):
        return None
    corners = []
    for (point, along), (other, across) in zip(sides[-1:] + sides[:-1], sides, strict=True):
        sine = along[0] * across[1] - along[1] * across[0]
        if abs(sine) < LEAST_SINE:
            return None
        apart = other - point
        corners.append(point + along * (apart[0] * across[1] - apart[1] * across[0]) / sine)
    return np.array(corners)


def _edge_along(lines: EdgeLines, start, stop, most_off):
    """Point and direction of the edge that covers most of a side, the farther off the less; None without one."""
    length = np.linalg.norm(stop - start)
    along = (stop - start) / length
    cosine = lines.direction @ along
    ends = [(lines.point + at[:, None] * lines.direction - start) @ along for at in (lines.start, lines.stop)]
    shared = np.abs(np.clip(ends[1], 0, length) - np.clip(ends[0], 0, length))
    cover = shared / length * np.minimum(lines.support_px / np.maximum(lines.stop - lines.start, 1.0), 1.0)
    # How far off the side each line passes the middle of it
    apart = lines.point - (start + stop) / 2
    off = np.abs(apart[:, 0] * lines.direction[:, 1] - apart[:, 1] * lines.direction[:, 0])
    fits = (np.abs(cosine) > np.cos(np.radians(MOST_OFF_DEG))) & (off < most_off) & (cover > LEAST_COVER)
    if not fits.any():
        return None
    best = int(np.argmax(np.where(fits, cover - 0.5 * off / most_off, -np.inf)))
    return lines.point[best], lines.direction[best]
