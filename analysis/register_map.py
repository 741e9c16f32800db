"""A map from BEFORE's samples to AFTER's photo, and what both photos tell of their cameras before strokes are asked.

Points are (x, y).
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import Lens, apply_homography, distort

__all__ = ["K1_SD", "Cameras", "PlaneMap", "map_points", "moved_to", "scale_of", "warp"]

K1_SD = 0.008              # of phones' own corrected lenses, relative between two; shared sources give 0.2 to 1 %
GRID_STEP = 8              # samples between exactly mapped points


@dataclass(frozen=True, slots=True, kw_only=True)
class Cameras:
    """What each photo tells of its own camera: it holds what little artwork leaves loose."""

    to_before: NDArray[np.float64]     # 3x3: BEFORE sample -> its undistorted photo px
    before_lens: Lens
    before_k1_sd: float
    k1: float                          # of AFTER's lens, expected
    k1_sd: float
    k1_follows: float                  # how far the expected k1 follows BEFORE's: one phone mostly takes both photos
    to_level: NDArray[np.float64] | None           # 3x3: undistorted AFTER px -> levelled px; None: not both levelled
    fan_sd_per_px: tuple[float, float] = (0.0, 0.0)       # change of scale, BEFORE's and AFTER's
    stretch_sd: float = 0.0            # of both together, half the difference of two scales at right angles
    before_level: NDArray[np.float64] | None = None       # 3x3: BEFORE px -> levelled px; None: its samples are level


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneMap:
    """BEFORE's samples to AFTER's photo pixels: a homography, then AFTER's lens."""

    homography: NDArray[np.float64]    # 3x3: BEFORE sample -> undistorted AFTER px
    lens: Lens                         # AFTER's
    cameras: Cameras | None = None


def moved_to(plane: PlaneMap, to_source: NDArray[np.float64]) -> PlaneMap:
    """The same map from other samples, that `to_source` (3x3) takes to the map's own."""
    cameras = plane.cameras
    return replace(plane, homography=plane.homography @ to_source,
                   cameras=cameras and replace(cameras, to_before=cameras.to_before @ to_source))


def map_points(plane: PlaneMap, points) -> NDArray[np.float64]:
    """BEFORE samples to AFTER photo pixels, shape (..., 2)."""
    return distort(apply_homography(plane.homography, points), plane.lens)


def scale_of(matrix, at) -> float:
    """Length there over length here, at a place."""
    p = apply_homography(matrix, np.asarray(at) + np.array([[0, 0], [1.0, 0], [0, 1.0]]))
    return float(np.sqrt(abs(np.linalg.det(np.stack([p[1] - p[0], p[2] - p[0]])))))


def warp(picture: NDArray[np.float32], to_picture: NDArray[np.float64], plane: PlaneMap, shape):
    """AFTER's picture on BEFORE's grid, and where AFTER shows it.

    `to_picture` (3x3) takes AFTER's photo pixels to the picture's samples.
    """
    rows, columns = shape
    u, v = (np.arange(0, n + GRID_STEP, GRID_STEP, dtype=np.float64) for n in (columns, rows))
    coarse = apply_homography(to_picture, map_points(plane, np.stack(np.meshgrid(u, v), axis=-1))).astype(np.float32)
    matrix = np.array([[1.0 / GRID_STEP, 0, 0], [0, 1.0 / GRID_STEP, 0]])
    x, y = (cv2.warpAffine(np.ascontiguousarray(coarse[..., k]), matrix, (columns, rows),
                           flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
            for k in range(2))
    seen = (x >= 0) & (x <= picture.shape[1] - 1) & (y >= 0) & (y <= picture.shape[0] - 1)
    return cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), seen
