"""The piece in a photo without a frame: its engraved ground, or the board against the bench.

Regions of one colour and one roughness are cut out at several coarsenesses, and
rectangles are drawn from straight edges; a piece is a large, nearly convex one
that stands out from what lies around it. A bench with a regular texture of its
own would else be taken for stripes.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.ground_sides import straight_sides
from analysis.outlines import SAME, apart, lines_of_preview, quads_of_lines
from analysis.quads import quadrilaterals
from analysis.sides import mean_sides, moved_out

__all__ = ["Ground", "find_ground", "quadrilateral", "sides_direction"]

SEARCH_PX = 320            # longer side of the picture that is cut into regions
CLUSTERS = (2, 3, 4, 5)    # coarsenesses
EVEN = (0.8, 0.9)          # share of the pixels with the gentlest slopes: an edge stands in a shadow too
LEAST_SHARE, MOST_SHARE = 0.09, 0.9    # of the photo
LEAST_SOLIDITY = 0.95       # area over that of the convex hull
BRIDGES = (3, 9, 18)       # half the width of what joins the piece to clutter of its own colour, pixels searched
MOST_AT_BORDER = 0.35      # of the outline that runs along the photo's edge
MOST_OFF = 0.25            # of the middle of its outline from the photo's, over the photo's size: clutter lies farther
LEAST_CONTRAST = 1.5       # between the bands on both sides of the outline, over their spread
CLEAR = 3.0                # a fainter outline must be a quadrilateral: the edge of a shadow is none
LEAST_FILLED = 0.95        # of the quadrilateral around it
LEAST_INNER = 0.3          # of the board: a smaller region inside is artwork
LEAST_RECTANGLE = 0.05     # of the photo
LEAST_SUPPORT = 0.8        # of the weakest side of a rectangle that lies on edges
MOST_SKEW = 0.12           # of the difference of its opposite sides: without a frame a photo is taken square on
LEAST_STEP = 2.0           # of lightness L* across its sides
LEAST_STEP_SPREADS = 1.0   # of that step over its spread along the sides: streaks of the wood step less evenly
LEAST_EVEN = 0.3           # of the step across its weakest side over that of all
LEAST_ALIKE = 0.9          # of the places along the sides that step the same way: not the ground's side and the board's
BESIDE = 5                 # pixels searched, from the side to where each level is read
RIM, MOST_BESIDE = 5.0, 0.15       # pixels searched; share of its outline that lies so near the board's
KEPT_AWAY = 0.03           # of the root of its area: the rim that is left out
SEED = 5                   # of the clusters' starts


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Part of a photo that is taken as the piece."""

    outline_px: NDArray[np.float64]    # (n, 2) convex, photo pixels, a rim left out
    share: float                       # of the photo
    contrast: float                    # of its outline against what lies around, in s.d.: how clear it is
    axis_deg: float | None             # direction of its sides, from -45 up to 45, anticlockwise; None: not straight
    corners_px: NDArray[np.float64] | None  # (4, 2) where its sides meet, clockwise, no rim left out; None: not four
    outlines_px: NDArray[np.float64]   # (n, 4, 2) its own quadrilateral, and others that straight edges make


def find_ground(preview: NDArray[np.uint8], preview_scale: float) -> Ground | None:
    """Find the piece's ground.

    Parameters
    ----------
    preview : ndarray, shape (h, w, 3), uint8
        sRGB.
    preview_scale : float
        Preview pixels per photo pixel.

    Returns
    -------
    Ground or None
        None where no region stands out, or where the piece fills the photo.

    Notes
    -----
    Rectangles come first; where none is whole, places without an edge, and
    clusters by k-means in CIE L*a*b* and local roughness (Lloyd, IEEE Trans.
    Inf. Theory 28(2), 129-137 (1982), as in OpenCV).
    """
    scale = min(1.0, SEARCH_PX / max(preview.shape[:2]))
    small = cv2.resize(preview, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    features = _features(small)
    lines, grey, shrunk = lines_of_preview(preview)
    found = _rectangles(lines, grey.shape, features) or _even_places(features)
    if not found:
        return None
    board = max(found, key=lambda one: _worth(*one[:2]))
    mask, contrast, axis = _inside(board, found)
    outline = _outline(mask)
    if outline is None:
        return None
    ratio = np.array(preview.shape[1::-1]) / np.array(small.shape[1::-1])
    full = ((outline + 0.5) * ratio - 0.5 + 0.5) / preview_scale - 0.5
    corners = None if axis is not None else _straight(lines, preview_scale * shrunk, full)
    if corners is not None:
        axis = sides_direction(corners)
    else:
        corners = quadrilateral(full, LEAST_FILLED)
    outlines = [quad for quad in (corners, quadrilateral(full)) if quad is not None]
    outlines += list((quads_of_lines(lines, grey.shape) + 0.5) / (preview_scale * shrunk) - 0.5)
    return Ground(outline_px=full, share=float(mask.mean()), contrast=float(contrast), axis_deg=axis,
                  corners_px=corners, outlines_px=apart(outlines, SAME * max(preview.shape) / preview_scale))


def _straight(lines, scale, outline_px) -> NDArray[np.float64] | None:
    """Corners of the straight edges along a region, photo pixels; `scale` is the lines' pixels per photo pixel."""
    corners = straight_sides(lines, (outline_px + 0.5) * scale - 0.5, KEPT_AWAY / (1 - 2 * KEPT_AWAY))
    return None if corners is None else (corners + 0.5) / scale - 0.5


def quadrilateral(outline_px: NDArray[np.float64], least_filled: float = 0.0) -> NDArray[np.float64] | None:
    """Corners (4, 2) of an outline that `find_ground` gave, clockwise as seen, its rim put back.

    None where it has fewer corners, or fills less than `least_filled` of the quadrilateral around it.
    """
    hull = cv2.convexHull(outline_px.astype(np.float32).reshape(-1, 1, 2))
    if len(hull) < 4:
        return None
    quad = cv2.approxPolyN(hull, 4, ensure_convex=True).reshape(-1, 2).astype(np.float64)
    if len(quad) != 4 or cv2.contourArea(hull) < least_filled * cv2.contourArea(quad.astype(np.float32)):
        return None
    quad = quad if cv2.contourArea(quad.astype(np.float32), oriented=True) > 0 else quad[::-1]
    w, h = mean_sides(quad)
    return moved_out(quad, (KEPT_AWAY * np.sqrt(w * h) / (1 - 2 * KEPT_AWAY),) * 4, (w, h))


def _features(small) -> NDArray[np.float32]:
    """Smooth colour and roughness a pixel, shape (h, w, 4), in units of about one just visible step."""
    lab = cv2.cvtColor(small.astype(np.float32) / 255, cv2.COLOR_RGB2Lab)
    rough = np.sqrt(cv2.GaussianBlur((lab[..., 0] - cv2.GaussianBlur(lab[..., 0], (0, 0), 2.0)) ** 2, (0, 0), 4.0))
    smooth = np.stack([cv2.medianBlur(np.ascontiguousarray(lab[..., k]), 5) for k in range(3)], axis=-1)
    return np.dstack([cv2.GaussianBlur(smooth, (0, 0), 1.2), 2.0 * rough]).astype(np.float32)


def _clusters(features, count) -> NDArray[np.int32]:
    """Cluster number of each pixel."""
    cv2.setRNGSeed(SEED)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 15, 0.5)
    samples = np.ascontiguousarray(features[::2, ::2].reshape(-1, features.shape[2]))
    _, _, centres = cv2.kmeans(samples, count, None, stop, 2, cv2.KMEANS_PP_CENTERS)
    away = ((features[..., None, :] - centres) ** 2).sum(axis=-1)
    return away.argmin(axis=-1).astype(np.int32)


def _regions(mask, features) -> list[tuple]:
    """Large, nearly convex pieces of a mask, holes filled: (mask, contrast, None)."""
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(filled, outlines, -1, 1, -1)
    away = cv2.distanceTransform(np.pad(filled, 1), cv2.DIST_L2, 5)
    found = []
    for outline in [one for width in BRIDGES for one in _cut(away, width)]:
        hull = cv2.convexHull(outline)
        area = cv2.contourArea(outline)
        if not LEAST_SHARE * mask.size < area < MOST_SHARE * mask.size:
            continue
        if area < LEAST_SOLIDITY * cv2.contourArea(hull) or _at_border(outline[:, 0], mask.shape) > MOST_AT_BORDER:
            continue
        filled = np.zeros(mask.shape, np.uint8)
        cv2.fillPoly(filled, [hull], 1)
        x, y = hull[:, 0].mean(axis=0) / mask.shape[::-1] - 0.5
        if np.hypot(x, y) > MOST_OFF:
            continue
        contrast = _contrast(filled, features)
        if contrast > (LEAST_CONTRAST if _filled_quad(hull) > LEAST_FILLED else CLEAR):
            found.append((filled > 0, contrast, None))
    return found


def _even_places(features) -> list[tuple]:
    """Regions of one colour and roughness, and regions without an edge: (mask, contrast, None)."""
    found = []
    for count in CLUSTERS:
        labels = _clusters(features, count)
        for label in range(count):
            found += _regions(labels == label, features)
    slope = _slopes(features)
    for share in EVEN:
        found += _regions(slope < np.quantile(slope, share), features)
    return found


def _slopes(features) -> NDArray[np.float32]:
    """Steepness of the smooth colour."""
    smooth = np.ascontiguousarray(features[..., :3])
    gx, gy = (cv2.Sobel(smooth, cv2.CV_32F, *order) for order in ((1, 0), (0, 1)))
    return np.sqrt((gx * gx + gy * gy).sum(axis=-1))


def _filled_quad(hull) -> float:
    """Share of the smallest quadrilateral around a convex outline that it fills."""
    if len(hull) < 4:
        return 0.0
    quad = cv2.approxPolyN(hull.astype(np.float32), 4, ensure_convex=True)
    return cv2.contourArea(hull) / max(cv2.contourArea(quad), 1.0)


def _rectangles(lines, shape, features) -> list[tuple]:
    """Large rectangles of straight edges that step alike all round: (mask, contrast, direction of the sides).

    `shape` is that of the picture in which the lines lie.
    """
    if len(lines.point) < 4:
        return []
    corners, support = (np.concatenate(part) for part in zip(
        *(quadrilaterals(lines, shape[::-1], dark) for dark in (True, False)), strict=True))
    side = np.roll(corners, -1, axis=1) - corners
    length = np.linalg.norm(side[:, :2], axis=2).clip(1.0)
    skew = np.linalg.norm(side[:, :2] + side[:, 2:], axis=2) / length
    area = np.abs(side[:, 0, 0] * side[:, 1, 1] - side[:, 0, 1] * side[:, 1, 0])
    square = np.abs(np.sum(side[:, 0] * side[:, 1], axis=1)) / length.prod(axis=1)
    good = ((support.min(axis=1) > LEAST_SUPPORT) & (skew.max(axis=1) < MOST_SKEW) & (square < MOST_SKEW)
            & (area > LEAST_RECTANGLE * shape[0] * shape[1]) & (area < MOST_SHARE * shape[0] * shape[1]))
    h, w = features.shape[:2]
    found = []
    for one in (corners[good] + 0.5) * np.array([w / shape[1], h / shape[0]]) - 0.5:
        if np.hypot(*(one.mean(axis=0) / (w, h) - 0.5)) < MOST_OFF and (step := _even_step(one, features)):
            filled = np.zeros((h, w), np.uint8)
            cv2.fillPoly(filled, [np.round(one).astype(np.int32)], 1)
            found.append((filled > 0, step, sides_direction(one)))
    return found


def sides_direction(corners: NDArray[np.float64]) -> float:
    """Mean direction of the four sides, a quarter turn apart being alike, from -45 up to 45 degrees."""
    side = np.roll(corners, -1, axis=0) - corners
    fourfold = np.sum((side[:, 0] - 1j * side[:, 1]) ** 4 / np.abs(side[:, 0] - 1j * side[:, 1]) ** 3)
    return float(np.degrees(np.angle(fourfold)) / 4.0)


def _even_step(corners, features) -> float | None:
    """Step of lightness across the sides of a rectangle (clockwise), over its spread; None where it is not even."""
    along = np.linspace(0.08, 0.92, 12)[:, None, None]
    side = np.roll(corners, -1, axis=0) - corners
    inward = np.stack([-side[:, 1], side[:, 0]], axis=1) / np.linalg.norm(side, axis=1, keepdims=True)
    level = [cv2.remap(features[..., 0], *np.moveaxis((corners + along * side + off * inward).astype(np.float32), 2, 0),
                       cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for off in (-BESIDE, BESIDE)]
    step = level[0] - level[1]
    middle = float(np.median(step))
    if (abs(middle) < LEAST_STEP or np.mean(step * middle > 0) < LEAST_ALIKE
            or (np.median(step, axis=0) / middle).min() < LEAST_EVEN):
        return None
    contrast = abs(middle) / (1.4826 * float(np.median(np.abs(step - middle))) + 1.0)
    return contrast if contrast > LEAST_STEP_SPREADS else None


def _cut(away, width):
    """Outlines of what is left of a mask (its distances from outside, padded) without parts narrower than 2 `width`."""
    core = (away > width).astype(np.uint8)
    grown = cv2.distanceTransform(1 - core, cv2.DIST_L2, 5) < width
    return cv2.findContours(grown[1:-1, 1:-1].astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]


def _at_border(outline, shape) -> float:
    """Share of an outline that runs along the picture's edge."""
    h, w = shape
    x, y = outline[:, 0], outline[:, 1]
    return float(np.mean((x < 4) | (y < 4) | (x > w - 5) | (y > h - 5)))


def _contrast(filled, features) -> float:
    """How far the bands inside and outside an outline lie apart, over their spread."""
    disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (13, 13))
    small = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    inner = (cv2.erode(filled, small, borderValue=1) - cv2.erode(filled, disk, borderValue=1)) > 0
    outer = (cv2.dilate(filled, disk) - cv2.dilate(filled, small)) > 0
    if inner.sum() < 50 or outer.sum() < 50:
        return 0.0
    a, b = features[inner], features[outer]
    apart = np.abs(np.median(a, axis=0) - np.median(b, axis=0))
    spread = 1.4826 * (np.median(np.abs(a - np.median(a, axis=0)), axis=0)
                       + np.median(np.abs(b - np.median(b, axis=0)), axis=0)) / 2 + 1.0
    return float((apart / spread).max())


def _worth(mask, contrast) -> float:
    """A clear outline counts, and being large and in the middle."""
    y, x = np.nonzero(mask)
    off = np.hypot(x.mean() / mask.shape[1] - 0.5, y.mean() / mask.shape[0] - 0.5)
    return min(contrast, 6.0) / 6.0 + np.sqrt(mask.mean()) - 1.5 * off


def _inside(board, found):
    """Ground engraved on the board: the largest clear region within it that is large enough, else the board.

    A board has a margin on every side of its ground; what shares sides with it is a part of it in other light.
    """
    mask = board[0]
    away = cv2.distanceTransform(np.pad(mask.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    inner = [one for one in found if one[0].sum() < 0.85 * mask.sum() and one[0].sum() > LEAST_INNER * mask.sum()
             and (one[0] & mask).sum() > 0.97 * one[0].sum() and _beside(one[0], away) < MOST_BESIDE]
    return max(inner, key=lambda one: one[0].sum()) if inner else board


def _beside(inner, away) -> float:
    """Share of a region's outline that lies on the board's."""
    rim = inner & (cv2.erode(inner.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
    return float((away[rim] < RIM).mean())


def _outline(mask) -> NDArray[np.float64] | None:
    """Convex outline, a rim left out."""
    rim = max(1, round(KEPT_AWAY * np.sqrt(mask.sum())))
    padded = np.pad(mask.astype(np.uint8), 1)
    away = cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1]
    outlines, _ = cv2.findContours((away > rim).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not outlines:
        return None
    hull = cv2.convexHull(max(outlines, key=cv2.contourArea))
    hull = cv2.approxPolyDP(hull, 1.0, True)[:, 0].astype(np.float64)
    return hull if len(hull) >= 3 else None
