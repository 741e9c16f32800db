"""Corner marks of a test piece: scale, direction and which way is up, from squares that a computer reads.

A mark is a tag of the family 36h11, whose code says which corner it is, so a
piece lying upside down or on its side is no riddle. Points are photo pixels
with the origin at the centre of the top-left pixel, or mm on the piece.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import UNSEEN_K1_SD, apply_homography, distort, lens_of_photo, undistort
from analysis.ranks import percentile
from analysis.resample import block_means
from analysis.sides import side_profiles

__all__ = ["FAMILY", "MarkFit", "MarkLayout", "find_marks", "fit_marks", "mark_corners_mm"]

FAMILY = cv2.aruco.DICT_APRILTAG_36h11   # Olson, "AprilTag", ICRA 2011; read by OpenCV
SEARCH_PX = (1200, 3200)   # longer side of the picture that is searched, the small one first
FEWEST = 2                 # two marks fix the eight numbers of a plane's view
MOST_MISFIT = 0.06         # of a mark's side, rms: marks of another plan lie elsewhere
FIELDS, REACH_FIELDS = 8.0, 0.6      # fields along a mark's side, and how far from its sides its edge may lie
BURN_SD_MM = 0.1           # by which a burnt edge lies beyond its drawn place; common practice, no source
LEAST_SD_PX = 0.02         # of a mark's corner in a sharp photo; measured in tests/benchmarks/bench_rectify.py
CORNER_SD_PX = 0.15        # where the fit starts; tests/benchmarks/bench_rectify.py measures 0.04 in a sharp JPEG


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
    k1: float                          # of the lens, see `geometry.Lens`
    k1_sd: float


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
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(FAMILY), options)
    top = max(float(percentile(luminance[::8, ::8], 99)), 1e-6)
    found: dict[int, NDArray[np.float64]] = {}
    for side in SEARCH_PX:
        factor = max(1, -(-max(luminance.shape) // side))        # whole numbers shrink fastest
        small = block_means(luminance, factor)
        coded = np.clip(np.sqrt(small * np.float32(1 / top)) * 240, 0, 255).astype(np.uint8)
        quads, numbers, _ = detector.detectMarkers(coded)
        numbers = [] if numbers is None else np.reshape(numbers, -1).tolist()
        for number, quad in zip(numbers, quads, strict=True):
            if number in layout.numbers and number not in found and numbers.count(number) == 1:
                points = (np.reshape(quad, (4, 2)) + 0.5) * factor - 0.5
                found[number] = _sharpened(luminance, points)
        if len(found) in (0, 4) or factor == 1:                    # none: a second look would find none either
            break
    return found


def fit_marks(marks: dict[int, NDArray[np.float64]], size_mm: tuple[float, float],
              layout: MarkLayout = MarkLayout(), *, size_px: tuple[int, int] | None = None,
              k1: float = 0.0, k1_sd: float = UNSEEN_K1_SD) -> MarkFit | None:
    """Place the frame's corners by the marks that were found.

    Parameters
    ----------
    marks : dict of ndarray, shape (4, 2)
        As `find_marks` gives them.
    size_mm : (W, H)
    layout : MarkLayout
    size_px : (width, height), optional
        Of the photo: its middle is the lens' centre. None: a lens without distortion.
    k1, k1_sd : float
        What is known of the lens before, for instance from a frame's sides.

    Returns
    -------
    MarkFit or None
        None for fewer than two marks, or marks that do not lie as the layout says.

    Notes
    -----
    Homography, one radial coefficient and how far the burn widens every mark, by least squares with the priors of
    `k1_sd` and `BURN_SD_MM`: the shape of each mark and its size against the distances between them tell the
    lens where there are enough sharp marks, and the priors keep it near zero where not. Deviations are those of the
    posterior, with the residual as the noise.
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
    if not np.sqrt(np.mean(miss ** 2)) < MOST_MISFIT * side:
        return None
    w, h = size_mm
    rim = np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])
    outward = np.sign(mm - np.concatenate([np.broadcast_to(places[n].mean(axis=0), (4, 2)) for n in seen]))
    corners, sd, residual, bend, bend_sd = _posterior(mm, outward, px, rim, matrix, size_px, (k1, k1_sd))
    return MarkFit(corners_px=corners, corners_sd_px=sd, residual_px=residual, numbers=tuple(seen), k1=bend,
                   k1_sd=bend_sd)


def _posterior(mm, outward, px, rim, matrix, size_px, prior):
    """Corners of the frame, their 1 s.d., the residual, and the lens with its 1 s.d."""
    from scipy.optimize import least_squares  # here, since it takes a fifth of a second to load
    lens = lens_of_photo(size_px or (1, 1))
    k1, k1_sd = prior if size_px else (0.0, 1e-9)
    start = np.append(matrix.ravel()[:8] / matrix[2, 2], [0.0, 0.0])
    steps = np.maximum(np.abs(start[:8]), 1e-9)                        # each parameter in its own size

    def placed(v):
        return np.append(v[:8] * steps, 1.0).reshape(3, 3), replace(lens, k1=k1 + float(v[8]) * k1_sd)

    def misses(v, sd):
        to_photo, bent = placed(v)
        burnt = mm + v[9] * BURN_SD_MM * outward
        return np.concatenate([(apply_homography(to_photo, burnt) - undistort(px, bent)).ravel() / sd, v[8:]])

    sd, at = CORNER_SD_PX, np.append(start[:8] / steps, start[8:])
    for _ in range(2):                     # the second time with the noise that is there
        fit = least_squares(misses, at, args=(sd,), method="lm", x_scale="jac")
        residual = sd * float(np.sqrt(np.sum(fit.fun[:-2] ** 2) / max(fit.fun.size - 12, 1)))
        sd, at = max(residual, LEAST_SD_PX), fit.x
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac)

    def corners(v):
        to_photo, bent = placed(v)
        return distort(apply_homography(to_photo, rim), bent)
    change = np.stack([(corners(fit.x + d) - corners(fit.x - d)).ravel() / 2e-4 for d in 1e-4 * np.eye(10)])
    variance = np.einsum("ki,kl,li->i", change, covariance, change)
    return (corners(fit.x), float(np.sqrt(variance.max())), residual, k1 + float(fit.x[8]) * k1_sd,
            float(np.sqrt(covariance[8, 8])) * k1_sd)


def _sharpened(luminance, points) -> NDArray[np.float64]:
    """Corners of a mark where lines along its sides meet, each at half amplitude in linear light.

    A corner itself is rounded by the blur, towards the mark's inside; its sides are not moved.
    """
    u = np.linspace(-REACH_FIELDS, REACH_FIELDS, 41)             # in fields: the border is one field wide
    profiles, on, step = (one[0] for one in side_profiles(luminance, points[None], (FIELDS, FIELDS),
                                                          np.linspace(0.06, 0.94, 30), u, lines=3))
    middle = (profiles[..., :8].mean(axis=-1) + profiles[..., -8:].mean(axis=-1)) / 2
    over = profiles - middle[..., None]
    rising = (over[..., :-1] < 0) & (over[..., 1:] >= 0)
    first = np.where(rising, np.abs(u[:-1]), np.inf).argmin(axis=-1)[..., None]
    low, high = (np.take_along_axis(over, first + k, axis=-1)[..., 0] for k in (0, 1))
    seen = np.take_along_axis(rising, first, axis=-1)[..., 0]
    at = u[first[..., 0]] + (u[1] - u[0]) * low / np.where(seen, low - high, 1.0)
    lines = []
    for k in range(4):
        near = seen[k] & (np.abs(at[k] - np.median(at[k][seen[k]])) < 0.15) if seen[k].any() else seen[k]
        if near.sum() < 8:
            return points
        edge = on[k][near] + step[k][near] * at[k][near][:, None]
        lines.append((edge.mean(axis=0), np.linalg.svd(edge - edge.mean(axis=0))[2][0]))
    return np.stack([_meeting(lines[k - 1], lines[k]) for k in range(4)])


def _meeting(one, other) -> NDArray[np.float64]:
    """Where two lines (point, direction) meet."""
    share = np.linalg.solve(np.stack([one[1], -other[1]], axis=1), other[0] - one[0])
    return one[0] + share[0] * one[1]
