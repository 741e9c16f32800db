"""Framed pieces at the resolution at which their artwork is compared."""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography
from analysis.rectify import Piece

__all__ = ["FRAME_ZONE_MM", "WORK_PER_MM", "Work", "at_work", "coarser", "frame_zone", "inside", "onto",
           "seen_area", "size_of", "work_scale"]

WORK_PER_MM = 8.0          # samples: three across the finest stroke that a phone resolves
MOST_WORK = 0.8e6          # samples in all
FRAME_ZONE_MM = 2.5        # from the outer edge inward: the frame's line, which is no artwork


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """A piece at working resolution."""

    picture: NDArray[np.float32]
    to_mm: NDArray[np.float64]         # 3x3: sample (column, row) -> mm
    samples_per_mm: float


def size_of(piece: Piece) -> tuple[float, float]:
    """Frame's size in the piece's unit."""
    if piece.frame_mm is not None:
        return piece.frame_mm
    corners = apply_homography(piece.photo_to_piece, piece.corners_px)
    return tuple(np.abs(corners[2] - corners[0]))


def work_scale(before, after, size) -> float:
    """Working samples per mm: no finer than either photo."""
    own = min(before.samples_per_mm, after.samples_per_mm)
    return float(min(WORK_PER_MM if before.scale_known else own, own, np.sqrt(MOST_WORK / (size[0] * size[1]))))


def at_work(piece: Piece, s: float) -> Work:
    """Area-averaged picture of a piece at about `s` samples per mm."""
    step = 1 / piece.samples_per_mm
    to_mm = np.array([[step, 0, piece.origin_mm[0]], [0, step, piece.origin_mm[1]], [0, 0, 1]])
    return coarser(Work(picture=piece.reflectance, to_mm=to_mm, samples_per_mm=piece.samples_per_mm), s)


def coarser(work: Work, s: float) -> Work:
    """The same averaged to about `s` samples per mm."""
    rows, columns = work.picture.shape
    shape = (max(8, round(rows * s / work.samples_per_mm)), max(8, round(columns * s / work.samples_per_mm)))
    picture = work.picture
    if shape != (rows, columns):
        picture = cv2.resize(picture, shape[::-1], interpolation=cv2.INTER_AREA)
    fx, fy = columns / shape[1], rows / shape[0]
    to_mm = work.to_mm @ np.array([[fx, 0, (fx - 1) / 2], [0, fy, (fy - 1) / 2], [0, 0, 1]])
    return Work(picture=np.ascontiguousarray(picture), to_mm=to_mm, samples_per_mm=s)


def seen_area(piece: Piece, work: Work) -> NDArray[np.bool_]:
    """Where the piece with its margin is seen."""
    valid = cv2.resize(piece.valid.astype(np.uint8), work.picture.shape[::-1], interpolation=cv2.INTER_NEAREST)
    reach = 2 * int(np.ceil(max(-piece.origin_mm[0], -piece.origin_mm[1], 0) * work.samples_per_mm)) + 1
    return cv2.dilate(valid, np.ones((reach, reach), np.uint8)) > 0


def frame_zone(piece, size) -> float:
    """Width of the frame's zone, piece units."""
    return min(FRAME_ZONE_MM, 0.06 * min(size)) if piece.scale_known else 0.05 * min(size)


def inside(size, work: Work, zone) -> NDArray[np.bool_]:
    """Inside the frame's line."""
    rows, columns = work.picture.shape
    x = work.to_mm[0, 0] * np.arange(columns) + work.to_mm[0, 2]
    y = work.to_mm[1, 1] * np.arange(rows) + work.to_mm[1, 2]
    return ((y > zone) & (y < size[1] - zone))[:, None] & ((x > zone) & (x < size[0] - zone))[None, :]


def onto(picture, first: Work, second: Work, to_after) -> NDArray[np.float32]:
    """AFTER's picture on BEFORE's working grid."""
    matrix = np.linalg.inv(second.to_mm) @ to_after @ first.to_mm
    return cv2.warpPerspective(picture, matrix, first.picture.shape[::-1],
                               flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
