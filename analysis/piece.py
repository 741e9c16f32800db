"""A piece: reflectance on a regular grid in mm, and how photos are sampled onto it.

A grid is (samples_per_mm, origin_mm, (rows, columns)).
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import Lens, apply_homography, distort, undistort
from analysis.resample import sample_grid

__all__ = ["Piece", "in_outline", "in_rectangle", "local_px_per_mm", "make_piece", "middle_mm", "rectangle",
           "sample_photo", "samples_per_mm"]

MOST_SAMPLES_PER_MM = 20.0    # 3 samples a period of the shortest stripe that is searched
MOST_SAMPLES = 3.0e6          # of a grid


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Reflectance on a regular grid in mm.

    Sample [row, column] lies at x = origin_mm[0] + column / samples_per_mm,
    y = origin_mm[1] + row / samples_per_mm.
    """

    name: str
    reflectance: NDArray[np.float32]      # (rows, columns), linear light
    valid: NDArray[np.bool_]              # (rows, columns): inside the photo and inside the frame (margin kept)
    samples_per_mm: float
    origin_mm: tuple[float, float]
    scale_known: bool
    photo_to_piece: NDArray[np.float64]   # 3x3: undistorted photo px -> mm
    lens: Lens
    photo_px_per_mm: float                # photo pixels per mm at the centre of the piece
    scale_sd_fraction: float              # 1 s.d. of the scale, relative
    axis_sd_deg: float                    # 1 s.d. of the scan axis' direction
    method: str                           # "frame", "corners", "marks", "scale", "pixels", "registration"
    frame_mm: tuple[float, float] | None
    corners_px: NDArray[np.float64] | None      # (4, 2) outer corners in photo px
    corners_sd_px: float | None
    residual_px: float | None             # rms straightness residual of the frame's sides
    tilt_deg: float | None                # estimated camera tilt from the normal of the piece
    warnings: tuple[str, ...] = ()
    axis_from: str = "frame"              # "frame" (or corners), "rows" (engraved), "edges", "given", or "assumed"
    row_interval_mm: float | None = None  # between engraved rows, where the photo resolves them
    level_sd: tuple[float, float] | None = None        # of a levelled photo: fan per px, stretch; see `Level`
    ground_px: NDArray[np.float64] | None = None       # (n, 2) outline of what was taken as the piece, photo px
    outlines_px: NDArray[np.float64] | None = None     # (n, 4, 2) straight-edged outlines in the photo; see `Ground`


def make_piece(photo, reflectance, valid, grid, to_piece, lens, px_per_mm, *, corners_sd_px=None, residual_px=None,
               **rest) -> Piece:
    """Close the arrays and build the result."""
    for array in (reflectance, valid, to_piece):
        array.setflags(write=False)
    return Piece(name=photo.name, reflectance=reflectance, valid=valid, samples_per_mm=grid[0], origin_mm=grid[1],
                 photo_to_piece=to_piece, lens=lens, photo_px_per_mm=px_per_mm, corners_sd_px=corners_sd_px,
                 residual_px=residual_px, **rest)


def sample_photo(photo, to_piece, lens, grid, px_per_mm):
    """Reflectance on the grid and where it lies inside the photo."""
    scale, origin, shape = grid
    to_photo = np.linalg.inv(to_piece)

    def mapped(samples):
        return distort(apply_homography(to_photo, samples / scale + np.asarray(origin)), lens)
    return sample_grid(photo.luminance, mapped, shape, px_per_mm / scale)


def samples_per_mm(px_per_mm, size_mm, scale_known) -> float:
    """Grid scale: the photo's own, at most 20 a mm and 3 million samples."""
    most = MOST_SAMPLES_PER_MM if scale_known else px_per_mm
    return float(min(px_per_mm, most, np.sqrt(MOST_SAMPLES / (size_mm[0] * size_mm[1]))))


def rectangle(size) -> NDArray[np.float64]:
    """Corners of a rectangle in the order of the piece."""
    w, h = size
    return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])


def in_rectangle(grid, frame_mm) -> NDArray[np.bool_]:
    """Grid samples inside the frame's outer edge."""
    scale, origin, (rows, columns) = grid
    x = origin[0] + np.arange(columns) / scale
    y = origin[1] + np.arange(rows) / scale
    return ((y >= 0) & (y <= frame_mm[1]))[:, None] & ((x >= 0) & (x <= frame_mm[0]))[None, :]


def in_outline(grid, outline_px, to_piece, lens) -> NDArray[np.bool_]:
    """Grid samples inside a convex outline in photo pixels."""
    scale, origin, shape = grid
    points = (apply_homography(to_piece, undistort(outline_px, lens)) - np.asarray(origin)) * scale
    mask = np.zeros(shape, np.uint8)
    cv2.fillConvexPoly(mask, np.round(points * 16).astype(np.int32), 1, cv2.LINE_8, 4)
    return mask > 0


def middle_mm(scale, origin, shape) -> tuple[float, float]:
    """Middle of a grid in mm."""
    return origin[0] + (shape[1] - 1) / 2 / scale, origin[1] + (shape[0] - 1) / 2 / scale


def local_px_per_mm(to_piece, at_mm) -> float:
    """Photo pixels per mm at a point: root of the area scale."""
    to_photo = np.linalg.inv(to_piece)
    at = np.asarray(at_mm, np.float64)
    ends = apply_homography(to_photo, at + np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
    jacobian = np.stack([ends[0] - ends[1], ends[2] - ends[3]])
    return float(np.sqrt(abs(np.linalg.det(jacobian))))
