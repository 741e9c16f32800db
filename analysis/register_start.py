"""Where an alignment by artwork may start: features that agree on one zoom, turn and place."""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.streaks import without_streaks
from analysis.strokes import stroke_response

__all__ = ["STROKE_SHARE", "Start", "View", "credible", "inside", "shrunk", "starts"]

FEATURE_PX, FINE_PX = 0.3e6, 0.6e6     # samples of a picture for features, and of a second look
AROUND = 1.25              # AFTER's piece may reach so far beyond its outline, both from its middle
SLOW_WIDTHS = 1.5          # blur of what changes slowly, over the widest stroke
LEVELS = 110               # 8-bit levels of a factor e in light
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """Where an alignment may start."""

    homography: NDArray[np.float64]    # 3x3: BEFORE's grid -> AFTER's photo px
    points: NDArray[np.float64]        # (n, 2) places on BEFORE's grid that it rests on
    others: NDArray[np.float64]        # (n, 2) the same on AFTER's photo
    light: bool | None = None          # BEFORE's strokes are light; None: either
    negative: bool                     # AFTER's strokes are light where BEFORE's are dark, or the other way round


@dataclass(frozen=True, slots=True, kw_only=True)
class _Features:
    """Features of a picture."""

    at: NDArray[np.float64]            # (n, 2) samples
    size: NDArray[np.float64]          # (n,) samples
    angle_deg: NDArray[np.float64]     # (n,)
    words: NDArray[np.float32]         # (n, 128)
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


def starts(piece: Piece, after: Photo, outline_px: NDArray[np.float64] | None = None):
    """Yield starts, the likeliest first.

    Parameters
    ----------
    piece : Piece
        BEFORE's.
    after : Photo
    outline_px : ndarray, shape (n, 2), or None
        AFTER's piece as far as its own photo tells: features from the bench only mislead, and a piece that is
        small in its photo needs its pixels.

    Yields
    ------
    Start
    """
    rows, columns = (np.nonzero(piece.valid.any(axis=k))[0] for k in (1, 0))
    if not rows.size:
        return
    here = (int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1)
    whole = (0, 0, after.luminance.shape[1], after.luminance.shape[0])
    hull = None if outline_px is None else outline_px.mean(axis=0) + AROUND * (outline_px - outline_px.mean(axis=0))
    part = whole if hull is None else _box(hull, whole)
    pictures, areas, seen = (piece.reflectance, after.luminance), (here, part, whole), {}

    def features(which, look, pixels):
        if (which, look, pixels) not in seen:
            picture, box = pictures[which > 0], areas[which]
            view = shrunk(picture, np.sqrt((box[2] - box[0]) * (box[3] - box[1]) / pixels), box)
            where = inside(view, hull if which == 1 else None)
            if which == 0:
                valid = piece.valid[box[1]:box[3], box[0]:box[2]].astype(np.uint8)
                where = cv2.resize(valid, view.picture.shape[::-1], interpolation=cv2.INTER_NEAREST)
            seen[which, look, pixels] = _features(look(view, where), where, view.to_source)
        return seen[which, look, pixels]

    for look, pixels, which, negative in ((_flat, FEATURE_PX, 1, False), (_flat, FINE_PX, 1, False),
                                          (_strokes, FINE_PX, 1, False), (_flat, FEATURE_PX, 1, True),
                                          (_flat, FINE_PX, 2, False),
                                          (_flat, FEATURE_PX, 2, True))[:4 if hull is None else 6]:
        first, second = features(0, look, pixels), features(which, look, pixels)
        found = _matched(first, _negative(second) if negative else second)
        if found is not None:
            matrix, points, others = found
            yield Start(homography=second.to_source @ matrix @ np.linalg.inv(first.to_source),
                        points=apply_homography(first.to_source, points), negative=negative,
                        others=apply_homography(second.to_source, others))


def _box(hull, whole):
    """Box around a hull, inside the picture."""
    (x0, y0), (x1, y1) = hull.min(axis=0), hull.max(axis=0)
    return int(max(0, x0)), int(max(0, y0)), int(min(whole[2], x1 + 1)), int(min(whole[3], y1 + 1))


def inside(view: View, hull: NDArray[np.float64] | None) -> NDArray[np.uint8]:
    """Where a view lies inside a convex outline (n, 2) of its source, 0 or 1; everywhere where that is None."""
    mask = np.full(view.picture.shape, 1 if hull is None else 0, np.uint8)
    if hull is not None:
        corners = apply_homography(np.linalg.inv(view.to_source), hull)
        cv2.fillConvexPoly(mask, np.round(corners).astype(np.int32), 1)
    return mask


def _flat(view, inside) -> NDArray[np.uint8]:
    """Log light without what changes slowly: artwork differs from its ground by the same on a dark board and a pale."""
    widest = STROKE_SHARE * max(view.picture.shape)
    picture = without_streaks(view.picture, widest, inside > 0)
    dark = 3e-3 * float(np.percentile(picture[::5, ::5], 99)) + 1e-9
    log = np.log(np.maximum(picture, np.float32(dark)))
    log -= cv2.GaussianBlur(log, (0, 0), SLOW_WIDTHS * widest)
    return np.clip(128 + LEVELS * log, 0, 255).astype(np.uint8)


def _strokes(view, inside) -> NDArray[np.uint8]:
    """Response to strokes alone."""
    response = stroke_response(view.picture, inside > 0, max(view.picture.shape) * STROKE_SHARE).response
    return (cv2.GaussianBlur(response, (0, 0), 1.0) * 255).astype(np.uint8)


def _features(image, mask, to_source) -> _Features:
    """Scale-invariant features (Lowe, 2004)."""
    points, words = cv2.SIFT_create(nfeatures=FEATURES, contrastThreshold=0.03).detectAndCompute(image, mask)
    return _Features(at=np.array([k.pt for k in points]).reshape(-1, 2), size=np.array([k.size for k in points]),
                     angle_deg=np.array([k.angle for k in points]), to_source=to_source,
                     words=np.zeros((0, 128), np.float32) if words is None else words)


def _negative(features: _Features) -> _Features:
    """Features of the same picture with light for dark: every slope turned half round, so a word's cells as well."""
    words = features.words.reshape(-1, 4, 4, 8)[:, ::-1, ::-1].reshape(-1, 128)
    return replace(features, words=np.ascontiguousarray(words), angle_deg=features.angle_deg + 180)


def _matched(first: _Features, second: _Features):
    """Homography by features and a robust fit (MAGSAC++: Barath et al., CVPR 2020), its inliers on both; or None."""
    if min(len(first.at), len(second.at)) < LEAST_INLIERS:
        return None
    pairs = [p for p in cv2.BFMatcher().knnMatch(first.words, second.words, k=2) if len(p) == 2]
    good = [a for a, b in pairs if a.distance < RATIO * b.distance]
    if len(good) < LEAST_INLIERS:
        return None
    here, there = ([getattr(m, name) for m in good] for name in ("queryIdx", "trainIdx"))
    source, target = first.at[here], second.at[there]
    agree = _consensus(source, target, np.log(second.size[there] / first.size[here]),
                       np.radians(second.angle_deg[there] - first.angle_deg[here]))
    if agree.sum() < LEAST_INLIERS:
        return None
    cv2.setRNGSeed(SEED)
    matrix, inliers = cv2.findHomography(source[agree].reshape(-1, 1, 2), target[agree].reshape(-1, 1, 2),
                                         cv2.USAC_MAGSAC, 4.0, maxIters=5000, confidence=0.999)
    if matrix is None or inliers.sum() < LEAST_INLIERS:
        return None
    points, others = (p[agree][inliers.ravel() > 0] for p in (source, target))
    return (matrix, points, others) if credible(matrix, points) else None


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
