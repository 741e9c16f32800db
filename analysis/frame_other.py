"""A frame of other proportions than the stated ones: its size was measured or typed wrong."""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.frame_candidates import LEAST_AREA, lines_along, straight_edges
from analysis.frame_check import check_frame
from analysis.geometry import seen_proportions, undistort
from analysis.quads import quadrilaterals

__all__ = ["frame_of_other_size"]

MOST_TRIED = 100           # rectangles, the largest
LEAST_SEEN = 0.3           # of each side that lies on edges
OTHER = 0.025              # logarithm of the proportions over the stated ones; nearer, it is the stated frame


def frame_of_other_size(luminance: NDArray[np.float32], picture: NDArray[np.float32], size_mm: tuple[float, float],
                        focal_share: float | None, known_px: NDArray[np.float64] | None = None,
                        ) -> tuple[float, float] | None:
    """Size of the largest frame that is not of the stated proportions, the longer side as stated.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
        Linear light.
    picture : ndarray, float32
        The same, reduced to the size that is searched.
    size_mm : (W, H)
    focal_share : float, optional
        Focal length over the photo's longer side, where the file states it.
    known_px : ndarray, shape (4, 2), optional
        Rectangle inside which others are artwork.

    Returns
    -------
    (W, H) or None
        None where there is none: four sides of one line that end at the corners. One view shows the proportions to
        some percent.
    """
    factor, size_px = max(luminance.shape) / max(picture.shape), luminance.shape[::-1]
    for corners in _largest(picture):
        full = (corners + 0.5) * factor - 0.5
        if known_px is not None and min(_signed_distance(known_px, corner) for corner in full) > 0:
            continue
        turned, seen = _as_stated(full, size_mm, size_px, focal_share)
        for one in lines_along(picture, (turned[None] + 0.5) / factor - 0.5, np.zeros(1), seen):
            one = replace(one, corners=turned)
            checked = check_frame(luminance, one, seen, focal_share=focal_share)
            if checked is None:
                continue
            ideal = undistort(checked.fit.corners_px, checked.fit.lens)
            _, seen = _as_stated(ideal, size_mm, size_px, focal_share)
            if abs(np.log(seen[0] * size_mm[1] / (seen[1] * size_mm[0]))) > OTHER:
                return seen
    return None


def _largest(picture) -> NDArray[np.float64]:
    """Quadrilaterals (n, 4, 2) with edges along all sides, the largest first."""
    lines, found = straight_edges(picture), [np.zeros((0, 4, 2))]
    for dark_inside in (True, False) if len(lines.point) >= 4 else ():
        corners, support = quadrilaterals(lines, picture.shape[::-1], dark_inside)
        found.append(corners[support.min(axis=1) > LEAST_SEEN])
    found = np.concatenate(found)
    x, y = np.moveaxis(found, -1, 0)
    area = 0.5 * np.abs((x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1))
    order = np.argsort(-area)[:MOST_TRIED]
    return found[order][area[order] > LEAST_AREA * picture.size]


def _as_stated(corners, size_mm, size_px, focal_share):
    """Corners turned so that their proportions come nearest to the stated ones, and the size that they look like."""
    tried = []
    for turn in (0, 1):
        turned = np.roll(corners, -turn, axis=0)
        unlike, _ = seen_proportions(turned, size_mm, size_px, 1.0, focal_share)
        tried.append((abs(unlike), unlike, turned))
    _, unlike, turned = min(tried, key=lambda one: one[0])
    (w, h), shrink = size_mm, float(np.exp(-unlike))
    return turned, (w, h * shrink) if w >= h else (w / shrink, h)


def _signed_distance(outline, point) -> float:
    """Pixels from a point to an outline, positive inside."""
    return cv2.pointPolygonTest(outline.astype(np.float32), (float(point[0]), float(point[1])), True)
