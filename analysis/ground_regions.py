"""Regions of one colour and one roughness in a photo: where a piece might lie.

They are cut out at several coarsenesses, by clusters and by places without an
edge, and freed of clutter that touches them. A picture is described by four
features a pixel; regions are masks of the features' size.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Region", "at_border", "contrast_of", "contrast_within", "features_of", "filled", "filled_quad",
           "regions_of"]

CLUSTERS = (2, 3, 4, 5)    # coarsenesses
EVEN = (0.8, 0.9)          # share of the pixels with the gentlest slopes: an edge stands in a shadow too
LEAST_SHARE, MOST_SHARE = 0.05, 0.9    # of the photo
LEAST_SOLIDITY = 0.9       # area over that of the convex hull
BRIDGES = (3, 9, 18)       # half the width of what joins the piece to clutter of its own colour, pixels searched
MOST_AT_BORDER = 0.35      # of the outline that runs along the photo's edge
MOST_OFF = 0.45            # of the middle of its outline from the photo's, over the photo's size
SEED = 5                   # of the clusters' starts


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A large, nearly convex part of a picture."""

    hull: NDArray[np.int32]            # (n, 1, 2) convex
    share: float                       # of the picture
    solidity: float                    # area over that of the hull
    off: float                         # of its middle from the picture's, over the picture's size


def features_of(small: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Smooth colour and roughness a pixel, shape (h, w, 4), in units of about one just visible step."""
    lab = cv2.cvtColor(small.astype(np.float32) / 255, cv2.COLOR_RGB2Lab)
    rough = np.sqrt(cv2.GaussianBlur((lab[..., 0] - cv2.GaussianBlur(lab[..., 0], (0, 0), 2.0)) ** 2, (0, 0), 4.0))
    smooth = np.stack([cv2.medianBlur(np.ascontiguousarray(lab[..., k]), 5) for k in range(3)], axis=-1)
    return np.dstack([cv2.GaussianBlur(smooth, (0, 0), 1.2), 2.0 * rough]).astype(np.float32)


def regions_of(features: NDArray[np.float32]) -> list[Region]:
    """Regions of one colour and roughness, and regions without an edge.

    Notes
    -----
    Clusters by k-means (Lloyd, IEEE Trans. Inf. Theory 28(2), 129-137 (1982), as in OpenCV).
    """
    found = []
    for count in CLUSTERS:
        labels = _clusters(features, count)
        for label in range(count):
            found += _regions(labels == label)
    slope = _slopes(features)
    for share in EVEN:
        found += _regions(slope < np.quantile(slope, share))
    return found


def filled(outline: NDArray, shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Mask of a convex outline, 0 or 1."""
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(outline).astype(np.int32)], 1)
    return mask


def filled_quad(hull: NDArray) -> float:
    """Share of the smallest quadrilateral around a convex outline that it fills."""
    if len(hull) < 4:
        return 0.0
    quad = cv2.approxPolyN(hull.astype(np.float32), 4, ensure_convex=True)
    return cv2.contourArea(hull) / max(cv2.contourArea(quad), 1.0)


def contrast_of(mask: NDArray[np.uint8], features: NDArray[np.float32]) -> float:
    """How far the bands inside and outside an outline lie apart, over their spread."""
    disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (13, 13))
    small = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    inner = (cv2.erode(mask, small, borderValue=1) - cv2.erode(mask, disk, borderValue=1)) > 0
    outer = (cv2.dilate(mask, disk) - cv2.dilate(mask, small)) > 0
    return _apart(features[inner], features[outer])


def contrast_within(mask: NDArray[np.uint8], features: NDArray[np.float32]) -> float:
    """The same in colour, of all that lies inside an outline and of what lies beyond a line as wide as the bands.

    Within a line drawn on a board the board's colour goes on as it is beyond it.
    """
    near, far = (cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (n, n)) for n in (25, 49))
    colour = features[..., :3]
    return _apart(colour[mask > 0], colour[(cv2.dilate(mask, far) - cv2.dilate(mask, near)) > 0])


def at_border(outline: NDArray, shape: tuple[int, int]) -> float:
    """Share of an outline (n, 2) that runs along the picture's edge."""
    h, w = shape
    x, y = outline[:, 0], outline[:, 1]
    return float(np.mean((x < 4) | (y < 4) | (x > w - 5) | (y > h - 5)))


def _apart(a, b) -> float:
    """How far the features (n, 4) of two sets of pixels lie apart, over their spread; 0 for few pixels."""
    if min(len(a), len(b)) < 50:
        return 0.0
    apart = np.abs(np.median(a, axis=0) - np.median(b, axis=0))
    spread = 1.4826 * (np.median(np.abs(a - np.median(a, axis=0)), axis=0)
                       + np.median(np.abs(b - np.median(b, axis=0)), axis=0)) / 2 + 1.0
    return float((apart / spread).max())


def _clusters(features, count) -> NDArray[np.int32]:
    """Cluster number of each pixel."""
    cv2.setRNGSeed(SEED)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 15, 0.5)
    samples = np.ascontiguousarray(features[::2, ::2].reshape(-1, features.shape[2]))
    _, _, centres = cv2.kmeans(samples, count, None, stop, 2, cv2.KMEANS_PP_CENTERS)
    away = ((features[..., None, :] - centres) ** 2).sum(axis=-1)
    return away.argmin(axis=-1).astype(np.int32)


def _slopes(features) -> NDArray[np.float32]:
    """Steepness of the smooth colour."""
    smooth = np.ascontiguousarray(features[..., :3])
    gx, gy = (cv2.Sobel(smooth, cv2.CV_32F, *order) for order in ((1, 0), (0, 1)))
    return np.sqrt((gx * gx + gy * gy).sum(axis=-1))


def _regions(mask) -> Iterator[Region]:
    """Large, nearly convex pieces of a mask, holes filled."""
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    solid = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(solid, outlines, -1, 1, -1)
    away = cv2.distanceTransform(np.pad(solid, 1), cv2.DIST_L2, 5)
    for outline in [one for width in BRIDGES for one in _cut(away, width)]:
        hull, area = cv2.convexHull(outline), cv2.contourArea(outline)
        if not LEAST_SHARE * mask.size < area < MOST_SHARE * mask.size:
            continue
        if at_border(outline[:, 0], mask.shape) > MOST_AT_BORDER:
            continue
        x, y = hull[:, 0].mean(axis=0) / mask.shape[::-1] - 0.5
        solidity = area / cv2.contourArea(hull)
        if solidity >= LEAST_SOLIDITY and np.hypot(x, y) <= MOST_OFF:
            yield Region(hull=hull, share=area / mask.size, solidity=solidity, off=float(np.hypot(x, y)))


def _cut(away, width):
    """Outlines of what is left of a mask (its distances from outside, padded) without parts narrower than 2 `width`."""
    core = (away > width).astype(np.uint8)
    grown = cv2.distanceTransform(1 - core, cv2.DIST_L2, 5) < width
    return cv2.findContours(grown[1:-1, 1:-1].astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
