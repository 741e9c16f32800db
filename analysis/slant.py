"""How a camera stands over a plane of which it sees a rectangle: normal, levelling rotation, squareness.

Opposite sides of a rectangle are parallel, so where they meet in the picture is
the plane's horizon l, and the plane's normal is K' l, K being the camera's
matrix (R. Hartley, A. Zisserman, "Multiple View Geometry in Computer Vision",
2nd ed. (2004), section 8.6).
"""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import USUAL_FOCAL, USUAL_FOCAL_SD, apply_homography

__all__ = ["camera_of", "levelled", "normal_of_rectangle", "off_square_deg", "plane_normal", "upright"]

MOST_TILT_DEG = 35.0       # by the usual focal length
MOST_OFF_SQUARE_DEG = 2.0  # of a coarse outline's corners, levelled with the focal length that suits them best
FOCALS = np.exp([0.0, -2 * USUAL_FOCAL_SD, 2 * USUAL_FOCAL_SD])      # over the usual one: as phones may have


def camera_of(shape: tuple[int, int], focal_share: float) -> NDArray[np.float64]:
    """Matrix of a camera that looks along the middle of a picture (h, w); `focal_share` is over the longer side."""
    h, w = shape
    focal = focal_share * max(w, h)
    return np.array([[focal, 0.0, (w - 1) / 2.0], [0.0, focal, (h - 1) / 2.0], [0.0, 0.0, 1.0]])


def plane_normal(corners: NDArray[np.float64], camera: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit normal of a rectangle's plane as the camera sees it, pointing away from it; corners (4, 2) undistorted."""
    rays = np.column_stack([corners, np.ones(4)]) @ np.linalg.inv(camera).T
    side = [np.cross(rays[k], rays[(k + 1) % 4]) for k in range(4)]
    normal = np.cross(np.cross(side[0], side[2]), np.cross(side[1], side[3]))
    return normal / np.linalg.norm(normal) * (1.0 if normal[2] > 0 else -1.0)


def normal_of_rectangle(corners: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64] | None:
    """Unit normal of a quadrilateral (4, 2) in a picture (h, w) that may be a rectangle about square on, or None."""
    normal = plane_normal(corners, camera_of(shape, USUAL_FOCAL))
    if np.degrees(np.arccos(min(normal[2], 1.0))) > MOST_TILT_DEG:
        return None
    for focal in USUAL_FOCAL * FOCALS:
        camera = camera_of(shape, focal)
        if off_square_deg(levelled(corners, plane_normal(corners, camera), camera)) < MOST_OFF_SQUARE_DEG:
            return normal
    return None


def upright(normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """The smallest rotation that brings a unit vector onto the camera's axis."""
    axis = np.cross(normal, [0.0, 0.0, 1.0])
    far = np.linalg.norm(axis)
    return cv2.Rodrigues(axis * (np.arcsin(min(far, 1.0)) / far if far > 1e-12 else 0.0))[0]


def levelled(points: NDArray[np.float64], normal: NDArray[np.float64], camera: NDArray[np.float64]):
    """Points (n, 2) as a camera sees them that looks straight down on the plane."""
    return apply_homography(camera @ upright(normal) @ np.linalg.inv(camera), points)


def off_square_deg(corners: NDArray[np.float64]) -> float:
    """How far the second corner is from a right angle: once levelled, all of them are alike."""
    along, next_one = corners[1] - corners[0], corners[2] - corners[1]
    cross = along[0] * next_one[1] - along[1] * next_one[0]
    return float(abs(np.degrees(np.arctan2(along @ next_one, abs(cross)))))
