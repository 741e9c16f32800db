"""Blur of a photo from the sharpest edges that it shows.

Edges of artwork and of the piece are sharp in the wood; how wide the camera
draws the sharpest of them is its blur. The measure is a length in pixels, so it
tells which stripe periods the photo still carries; a contrast-dependent figure
such as the variance of the Laplacian could not.
"""
from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.ranks import median

__all__ = ["blur_px", "half_contrast_period_px"]

TILE_PX = 192
TILES = 12                     # those with the strongest edges
REACH_PX = 20                  # an edge's dark and light sides are looked for this far away
SMOOTH_PX = 5                  # along the edge, against noise
SCALES_PX = (0.0, 1.0, 2.0, 4.0)       # s.d. of smoothing across the edge, the least that the noise allows
LEAST_STEP = 0.12              # of the tile's own range; smaller steps are texture
CLEAR = 8.0                    # slope of an edge over the s.d. of the noise's slope
STRAIGHT = 0.35                # gradient along the edge over gradient across: nearly upright edges only
FEWEST_EDGES = 60              # edge pixels in one direction
SHARPEST = 20.0                # percentile of the widths: the sharpest edges, without the luckiest


def half_contrast_period_px(sigma_px: float) -> float:
    """Period of a cosine that a Gaussian blur of `sigma_px` halves: 2 pi sigma / sqrt(2 ln 2)."""
    return 2.0 * math.pi * sigma_px / math.sqrt(2.0 * math.log(2.0))


def blur_px(luminance: NDArray[np.float32]) -> float | None:
    """Blur across the worse of the photo's two axes.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
        Linear light.

    Returns
    -------
    float or None
        Standard deviation of the blur as a Gaussian, px; None where the photo
        shows too few edges to tell.

    Notes
    -----
    A step of height c blurred by a Gaussian of s.d. s has the peak slope
    c / (s sqrt(2 pi)). Slope is taken by central differences, after a mean over
    5 px along the edge and, where noise asks for it, a Gaussian across it; what
    the two add to the variance is taken off again. Edges soft in themselves
    (char, shadow) only make the answer too large, hence the sharpest count.
    """
    tiles = _tiles(luminance)
    noise = float(np.median([_noise(tile) for tile in tiles])) if tiles else 0.0
    found = [width for turned in (False, True)
             if (width := _direction([tile.T for tile in tiles] if turned else tiles, noise)) is not None]
    return max(found, default=None)


def _direction(tiles: list[NDArray[np.float32]], noise: float) -> float | None:
    """Blur across upright edges at the finest scale that shows enough of them above the noise."""
    for scale in SCALES_PX:
        widths = np.concatenate([_edge_widths(np.ascontiguousarray(tile), scale, noise) for tile in tiles])
        if len(widths) >= FEWEST_EDGES:
            return float(np.percentile(widths, SHARPEST))
    return None


def _noise(tile: NDArray[np.float32]) -> float:
    """S.d. of the camera's noise: second differences both ways cancel edges; robust (median)."""
    kernel = np.array([[1.0, -2.0, 1.0], [-2.0, 4.0, -2.0], [1.0, -2.0, 1.0]], np.float32)
    return float(median(np.abs(cv2.filter2D(tile, cv2.CV_32F, kernel)))) / (0.6745 * 6.0)


def _tiles(luminance: NDArray[np.float32]) -> list[NDArray[np.float32]]:
    """Tiles with the strongest edges at an eighth of the size."""
    h, w = luminance.shape
    small = np.ascontiguousarray(luminance[4:h - h % 8:8, 4:w - w % 8:8])   # every eighth: edges stay
    edges = cv2.morphologyEx(small, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    side = TILE_PX // 8
    starts = [(y, x) for y in range(0, max(1, small.shape[0] - side // 2), side)
              for x in range(0, max(1, small.shape[1] - side // 2), side)]
    strength = [float(np.partition(edges[y:y + side, x:x + side].ravel(), -8)[-8:].min())
                if edges[y:y + side, x:x + side].size >= 8 else 0.0 for y, x in starts]
    chosen = sorted(np.argsort(strength)[::-1][:TILES])
    return [luminance[8 * y:8 * y + TILE_PX, 8 * x:8 * x + TILE_PX] for y, x in (starts[i] for i in chosen)]


def _edge_widths(tile: NDArray[np.float32], scale: float, noise: float) -> NDArray[np.float32]:
    """Gaussian widths, px, at the upright edges of a tile that stand clear of the noise."""
    if min(tile.shape) < 2 * REACH_PX:
        return np.empty(0, np.float32)
    smooth = cv2.blur(tile, (1, SMOOTH_PX))
    spread = 1.0
    if scale:
        smooth = cv2.GaussianBlur(smooth, (0, 1), sigmaX=scale, sigmaY=0.01)
        spread = min(1.0, (4.0 * math.pi) ** -0.25 * scale ** -1.5)    # noise left in the slope
    slope_noise = noise / math.sqrt(2.0 * SMOOTH_PX) * spread
    across = np.abs(cv2.filter2D(smooth, cv2.CV_32F, np.array([[-0.5, 0.0, 0.5]], np.float32)))
    along = np.abs(cv2.filter2D(tile, cv2.CV_32F, np.full((3, 5), 0.1, np.float32)
                                * np.array([[-1.0], [0.0], [1.0]], np.float32)))
    reach = np.ones((1, 2 * REACH_PX + 1), np.uint8)
    step = cv2.dilate(smooth, reach) - cv2.erode(smooth, reach)
    low, high = np.partition(tile[::4, ::4].ravel(), [20, -20])[[20, -20]]
    peak = across >= cv2.dilate(across, np.ones((1, 5), np.uint8))
    edge = (peak & (step > max(LEAST_STEP * (high - low), 0.02)) & (along < STRAIGHT * across + slope_noise)
            & (across > max(0.25 * float(across.max()), CLEAR * slope_noise)))
    edge[:, :2] = edge[:, -2:] = False
    variance = (step[edge] / across[edge]) ** 2 / (2.0 * math.pi) - 1.0 / 3.0 - scale ** 2
    return np.sqrt(np.maximum(variance, 0.01))
