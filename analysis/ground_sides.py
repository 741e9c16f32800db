"""The straight sides of a piece of which a region tells about where it lies.

A region of one colour ends where a shadow, glare or clutter begins; a board's
edges do not. Each side is laid on the line near the region's along which steps
are steepest, and of several choices those four are taken that a camera may see
as a rectangle.
"""
from __future__ import annotations

from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.sides import mean_sides, moved_out
from analysis.slant import normal_of_rectangle
from analysis.steep_lines import steep_lines

__all__ = ["straight_sides"]

MOST_OFF = 0.08            # of a side from the region's, over the root of the area
CHOICES = 3                # lines looked at for each side
LEAST_SINE = 0.5           # of the angle between neighbouring sides
AS_GOOD = 0.95             # of the best outline's rank: another one that tells another slant makes it doubtful
SAME_SLANT_DEG = 1.0       # between two outlines' normals


def straight_sides(preview: NDArray[np.uint8], outline: NDArray[np.float64], rim: float) -> NDArray[np.float64] | None:
    """Corners of the straight edges along a region.

    Parameters
    ----------
    preview : ndarray, shape (h, w, 3), uint8
        sRGB.
    outline : ndarray, shape (n, 2)
        Of the region, convex, in pixels of `preview`.
    rim : float
        Share of the root of the area that `outline` lies too far inside.

    Returns
    -------
    corners : ndarray, shape (4, 2), or None
        Clockwise as seen; None where a side has no such edge, or where two outlines that fit tell unlike slants.
    """
    hull = cv2.convexHull(outline.astype(np.float32).reshape(-1, 1, 2))
    found = _sides(preview, cv2.boxPoints(cv2.minAreaRect(hull)), rim)
    if found is None and len(hull) >= 4:       # a slant turns the sides out of a box's
        found = _sides(preview, cv2.approxPolyN(hull, 4, ensure_convex=True).reshape(-1, 2), rim)
    return found


def _sides(preview, box, rim) -> NDArray[np.float64] | None:
    """Corners of the straight edges along the sides of a quadrilateral."""
    box = box.astype(np.float64)
    if cv2.contourArea(box.astype(np.float32), oriented=True) < 0:
        box = box[::-1]
    w, h = mean_sides(box)
    root = np.sqrt(w * h)
    box = moved_out(box, (rim * root,) * 4, (w, h))
    reach = round(MOST_OFF * root)
    return _outline([steep_lines(preview, box[k], box[(k + 1) % 4], reach, CHOICES) for k in range(4)],
                    preview.shape[:2])


def _outline(sides, shape) -> NDArray[np.float64] | None:
    """Corners of the best choice of four lines that may be a rectangle; None where it is doubtful."""
    fits = []
    for chosen in product(*sides):
        corners = _corners([line.ends_px for line in chosen])
        normal = None if corners is None else normal_of_rectangle(corners, shape)
        if normal is not None:
            fits.append((sum(line.rank for line in chosen), corners, normal))
    if not fits:
        return None
    best, corners, normal = max(fits, key=lambda one: one[0])
    apart = [np.degrees(np.arccos(min(1.0, normal @ other))) for rank, _, other in fits if rank > AS_GOOD * best]
    return corners if max(apart) < SAME_SLANT_DEG else None


def _corners(ends) -> NDArray[np.float64] | None:
    """Where each line, given by two points, meets the one before it; None where two run about the same way."""
    corners = []
    for (start, stop), (other, beyond) in zip(ends[-1:] + ends[:-1], ends, strict=True):
        along, across, apart = stop - start, beyond - other, other - start
        cross = along[0] * across[1] - along[1] * across[0]
        if cross < LEAST_SINE * np.linalg.norm(along) * np.linalg.norm(across):
            return None
        corners.append(start + along * (apart[0] * across[1] - apart[1] * across[0]) / cross)
    return np.array(corners)
