"""Where an alignment by artwork may start: features that agree on one zoom, turn and place."""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.strokes import stroke_response

__all__ = ["STROKE_SHARE", "View", "credible", "shrunk", "starts"]

FEATURE_PX = 0.5e6         # samples of a picture for features
RATIO = 0.85               # Lowe (2004) advises 0.8; the robust fit that follows bears more
FEATURES = 1600
LEAST_INLIERS = 7
NEAR_PX, NEAR_SHARE = 8.0, 0.2              # a match follows another: so near to where that one's zoom and turn put it
MOST_ZOOM, MOST_TURN = 0.4, 0.4             # log, rad
SEED = 1                   # of the robust estimator
STROKE_SHARE = 1 / 50      # widest stroke over the photo's longer side: 3 mm in 160 mm


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Part of a picture, as fine as a level needs."""

    picture: NDArray[np.float32]
    to_source: NDArray[np.float64]     # 3x3: sample -> sample of the whole picture


def shrunk(picture, factor, box=None) -> View:
    """Area-averaged picture of a box (x0, y0, x1, y1), `factor` samples in one."""
    h, w = picture.shape
    x0, y0, x1, y1 = (0, 0, w, h) if box is None else box
    part = np.ascontiguousarray(picture[y0:y1, x0:x1])
    h, w = part.shape
    small = part
    if factor > 1.02:
        small = cv2.resize(part, (max(2, round(w / factor)), max(2, round(h / factor))), interpolation=cv2.INTER_AREA)
    fx, fy = w / small.shape[1], h / small.shape[0]
    return View(picture=small, to_source=np.array([[fx, 0, x0 + (fx - 1) / 2], [0, fy, y0 + (fy - 1) / 2],
                                                    [0, 0, 1]]))


def starts(piece: Piece, after: Photo):
    """Homographies from BEFORE's grid to AFTER's photo, places they rest on, and whether AFTER's strokes are light.

    The likeliest first.
    """
    first, second = (shrunk(p, np.sqrt(p.size / FEATURE_PX)) for p in (piece.reflectance, after.luminance))
    mask = cv2.resize(piece.valid.astype(np.uint8), first.picture.shape[::-1], interpolation=cv2.INTER_NEAREST)
    everywhere = np.ones(second.picture.shape, np.uint8)

    def tone(view, _):
        top = max(float(np.percentile(view.picture[::5, ::5], 99)), 1e-6)
        return (np.sqrt(np.clip(view.picture / np.float32(top), 0, 1)) * 255).astype(np.uint8)

    def strokes(view, inside):
        response = stroke_response(view.picture, inside > 0, max(view.picture.shape) * STROKE_SHARE).response
        return (cv2.GaussianBlur(response, (0, 0), 1.0) * 255).astype(np.uint8)

    def negative(view, inside):
        return 255 - tone(view, inside)

    for one, other in ((tone, tone), (strokes, strokes), (tone, negative)):
        found = _features(one(first, mask), mask, other(second, everywhere), everywhere)
        if found is not None:
            matrix, points = found
            yield (second.to_source @ matrix @ np.linalg.inv(first.to_source),
                   apply_homography(first.to_source, points), other is negative)


def _features(image, mask, other, other_mask):
    """Homography by features and a robust fit (MAGSAC++: Barath et al., CVPR 2020), its inliers' places; or None."""
    sift = cv2.SIFT_create(nfeatures=FEATURES, contrastThreshold=0.03)
    points, words = sift.detectAndCompute(image, mask)
    others, other_words = sift.detectAndCompute(other, other_mask)
    if words is None or other_words is None or min(len(points), len(others)) < LEAST_INLIERS:
        return None
    pairs = [p for p in cv2.BFMatcher().knnMatch(words, other_words, k=2) if len(p) == 2]
    good = [a for a, b in pairs if a.distance < RATIO * b.distance]
    if len(good) < LEAST_INLIERS:
        return None
    here, there = [points[m.queryIdx] for m in good], [others[m.trainIdx] for m in good]
    source, target = (np.array([k.pt for k in keys]) for keys in (here, there))
    agree = _consensus(source, target, np.log([b.size / a.size for a, b in zip(here, there, strict=True)]),
                       np.radians([b.angle - a.angle for a, b in zip(here, there, strict=True)]))
    if agree.sum() < LEAST_INLIERS:
        return None
    cv2.setRNGSeed(SEED)
    matrix, inliers = cv2.findHomography(source[agree].reshape(-1, 1, 2), target[agree].reshape(-1, 1, 2),
                                         cv2.USAC_MAGSAC, 4.0, maxIters=5000, confidence=0.999)
    if matrix is None or inliers.sum() < LEAST_INLIERS:
        return None
    points = source[agree][inliers.ravel() > 0]
    return (matrix, points) if credible(matrix, points) else None


def _consensus(source, target, zoom, turn) -> NDArray[np.bool_]:
    """Matches that follow the zoom, turn and place of the one that most others follow, as Lowe (2004) votes."""
    p, q = source @ [1, 1j], target @ [1, 1j]
    slope = np.exp(zoom + 1j * turn)
    with np.errstate(over="ignore", invalid="ignore"):
        away = np.abs(q[None, :] - q[:, None] - slope[:, None] * (p[None, :] - p[:, None]))
        reach = np.abs(slope)[:, None] * (NEAR_PX + NEAR_SHARE * np.abs(p[None, :] - p[:, None]))
        follows = ((away < reach) & (np.abs(zoom[None, :] - zoom[:, None]) < MOST_ZOOM)
                   & (np.abs(np.angle(slope[None, :] / slope[:, None])) < MOST_TURN))
    return follows[follows.sum(axis=1).argmax()]


def credible(matrix, points) -> bool:
    """Whether a homography near some points is one between two photos of a flat piece: no mirror, no fold."""
    if not np.all(np.isfinite(matrix)) or abs(np.linalg.det(matrix)) < 1e-12:
        return False
    box = cv2.boxPoints(cv2.minAreaRect(points.astype(np.float32).reshape(-1, 1, 2))).astype(np.float64)
    depth = box @ matrix[2, :2] + matrix[2, 2]
    if depth.min() * depth.max() <= 0 or np.abs(depth).max() > 2 * np.abs(depth).min():
        return False
    for at in (*box, box.mean(axis=0)):
        p = apply_homography(matrix, at + np.array([[0, 0], [0.5, 0], [0, 0.5]]))
        (ax, ay), (bx, by) = p[1] - p[0], p[2] - p[0]
        short, long = sorted((np.hypot(ax, ay), np.hypot(bx, by)))
        if ax * by - ay * bx <= 0 or long > 2.5 * short:
            return False
    return True
