"""Corner marks of a test piece: scale, direction and which way is up, from squares that a computer reads.

A mark is a tag of the family 36h11, whose code says which corner it is, so a
piece lying upside down or on its side is no riddle. Points are photo pixels
with the origin at the centre of the top-left pixel, or mm on the piece.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography

__all__ = ["FAMILY", "MarkFit", "MarkLayout", "find_marks", "fit_marks", "mark_corners_mm"]

FAMILY = cv2.aruco.DICT_APRILTAG_36h11   # Olson, "AprilTag", ICRA 2011; read by OpenCV
SEARCH_PX = (1600, 3200)   # longer side of the picture that is searched, the small one first
FEWEST = 2                 # two marks fix the eight numbers of a plane's view
MOST_MISFIT = 0.06         # of a mark's side, rms: marks of another plan lie elsewhere
CORNER_SD_PX = 0.15        # of a refined mark's corner, 1 s.d.; measured in tests/benchmarks/bench_rectify.py


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkLayout:
    """Where the marks lie: one in each corner of the frame, upright, numbers in the order of the corners."""

    numbers: tuple[int, int, int, int] = (0, 1, 2, 3)      # at (0, 0), (W, 0), (W, H), (0, H)
    side_mm: float = 8.0               # black square, its border of one field included
    inset_mm: float = 2.0              # from the frame's outer edge to the black square


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkFit:
    """Frame corners from the marks."""

    corners_px: NDArray[np.float64]    # (4, 2): (0,0), (W,0), (W,H), (0,H) of the frame's outer edge
    corners_sd_px: float
    residual_px: float                 # rms of the marks' corners
    numbers: tuple[int, ...]           # marks seen


def mark_corners_mm(size_mm: tuple[float, float], layout: MarkLayout = MarkLayout()) -> dict[int, NDArray[np.float64]]:
    """Corners of each mark's black square, (4, 2), clockwise as seen from its own top left."""
    w, h = size_mm
    a, s = layout.inset_mm, layout.side_mm
    places = ((a, a), (w - a - s, a), (w - a - s, h - a - s), (a, h - a - s))
    square = np.array([[0.0, 0.0], [s, 0.0], [s, s], [0.0, s]])
    return {number: square + place for number, place in zip(layout.numbers, places, strict=True)}


def find_marks(luminance: NDArray[np.float32], layout: MarkLayout = MarkLayout()) -> dict[int, NDArray[np.float64]]:
    """Find the marks of a layout in a photo.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
        Linear light.
    layout : MarkLayout

    Returns
    -------
    dict
        Corners (4, 2) in photo pixels by number, clockwise from the mark's own top left. A number
        that is seen twice is left out: it cannot be told which one belongs to the piece.
    """
    top = max(float(np.percentile(luminance[::8, ::8], 99)), 1e-6)
    coded = np.clip(np.sqrt(luminance / np.float32(top)) * 240, 0, 255).astype(np.uint8)
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(FAMILY), options)
    found: dict[int, NDArray[np.float64]] = {}
    for side in SEARCH_PX:
        scale = min(1.0, side / max(coded.shape))
        small = coded if scale == 1.0 else cv2.resize(coded, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        quads, numbers, _ = detector.detectMarkers(small)
        numbers = [] if numbers is None else np.reshape(numbers, -1).tolist()
        for number, quad in zip(numbers, quads, strict=True):
            if number in layout.numbers and number not in found and numbers.count(number) == 1:
                found[number] = _sharpened(coded, (np.reshape(quad, (4, 2)) + 0.5) / scale - 0.5)
        if len(found) in (0, 4) or scale == 1.0:               # none: a second look would find none either
            break
    return found


def fit_marks(marks: dict[int, NDArray[np.float64]], size_mm: tuple[float, float],
              layout: MarkLayout = MarkLayout()) -> MarkFit | None:
    """Place the frame's corners by the marks that were found.

    Returns
    -------
    MarkFit or None
        None for fewer than two marks, or marks that do not lie as the layout says.
    """
    places = mark_corners_mm(size_mm, layout)
    seen = [number for number in layout.numbers if number in marks]
    if len(seen) < FEWEST:
        return None
    mm, px = np.concatenate([places[n] for n in seen]), np.concatenate([marks[n] for n in seen])
    matrix, _ = cv2.findHomography(mm.reshape(-1, 1, 2), px.reshape(-1, 1, 2), 0)
    if matrix is None:
        return None
    miss = np.linalg.norm(apply_homography(matrix, mm) - px, axis=1)
    side = np.mean([np.linalg.norm(np.diff(marks[n], axis=0), axis=1).mean() for n in seen])
    residual = float(np.sqrt(np.mean(miss ** 2)))
    if not residual < MOST_MISFIT * side:
        return None
    w, h = size_mm
    rim = np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])
    corners = apply_homography(matrix, rim)
    return MarkFit(corners_px=corners, residual_px=residual, numbers=tuple(seen),
                   corners_sd_px=_corner_sd(mm, px, rim, max(residual, CORNER_SD_PX)))


def _sharpened(coded, points) -> NDArray[np.float64]:
    """Corners of a mark at full size, refined within a third of a field."""
    field = np.linalg.norm(points[1] - points[0]) / 8.0
    reach = int(np.clip(round(0.35 * field), 2, 14))
    rough = points.astype(np.float32).reshape(-1, 1, 2)
    fine = cv2.cornerSubPix(coded, rough.copy(), (reach, reach), (-1, -1),
                            (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 0.005)).reshape(4, 2)
    near = np.linalg.norm(fine - points, axis=1, keepdims=True) <= reach
    return np.where(near, fine, points).astype(np.float64)


def _corner_sd(mm, px, rim, sd_px) -> float:
    """1 s.d. of the worst frame corner: the fit is repeated with each coordinate moved a little."""
    base = apply_homography(cv2.findHomography(mm, px, 0)[0], rim)
    variance = np.zeros((4, 2))
    for k in range(len(px)):
        for axis in range(2):
            moved = px.copy()
            moved[k, axis] += 0.1
            change = apply_homography(cv2.findHomography(mm, moved, 0)[0], rim) - base
            variance += (change / 0.1 * sd_px) ** 2
    return float(np.sqrt(variance.max()))
