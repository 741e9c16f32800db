"""Photo to a piece on a millimetre grid, x along the scan axis.

Piece coordinates are mm: x along the scan axis (columns), y across it, down
(rows); (0, 0) is the frame's first outer corner, or with no frame the photo's
centre. Where no scale is known, the unit "mm" stands for one photo pixel and
`scale_known` is false.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.photo import Photo
from analysis.settings import Corners

__all__ = ["Piece", "rectify", "rectify_through"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """One-coefficient radial distortion: undistorted = centre + r (1 + k1 |r|^2 / radius^2)."""

    k1: float = 0.0
    centre_px: tuple[float, float] = (0.0, 0.0)
    radius_px: float = 1.0             # half the photo's diagonal
    k1_sd: float | None = None


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


def rectify(photo: Photo, *, frame_mm: tuple[float, float] | None = None, corners_px: Corners | None = None,
            pixels_per_mm: float | None = None, scan_angle_deg: float = 0.0,
            samples_per_mm: float | None = None) -> Piece:
    raise NotImplementedError


def rectify_through(photo: Photo, reference: Piece, homography: NDArray[np.float64]) -> Piece:
    """AFTER photo on BEFORE's grid: `homography` maps this photo's px to the reference photo's px."""
    raise NotImplementedError
