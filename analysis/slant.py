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

__all__ = ["camera_of", "cut_side", "levelled", "normal_of_rectangle", "normal_of_three", "off_square_deg",
           "plane_normal", "rectangle_of_three", "upright"]

MOST_TILT_DEG = 35.0       # by the usual focal length
MOST_OFF_SQUARE_DEG = 2.0  # of a coarse outline's corners, levelled with the focal length that suits them best
AT_BORDER = 0.02           # of the photo: corners so near its edge, or beyond, are where it cuts the piece
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


def cut_side(corners: NDArray[np.float64], size: tuple[int, int]) -> int | None:
    """Which side of corners (4, 2) runs along the edge of a photo (w, h), where just one does, else None."""
    border = AT_BORDER * max(size)
    w, h = np.array(size) - 1.0
    x, y = corners.T
    near = np.stack([x < border, x > w - border, y < border, y > h - border])
    cut = np.flatnonzero((near & np.roll(near, -1, axis=1)).any(axis=0))
    return int(cut[0]) if len(cut) == 1 else None


def normal_of_three(lines, camera: NDArray[np.float64], askew: float = 0.0) -> NDArray[np.float64]:
    """Unit normal of a plane by three neighbouring sides of a rectangle in it, pointing away from the camera.

    Parameters
    ----------
    lines : sequence of (point, direction)
        Undistorted pixels, shape (2,) each; the first and the third are parallel in the plane.
    camera : ndarray, shape (3, 3)
    askew : float
        The second's angle to the others less a right angle, rad.

    Notes
    -----
    A line in the picture and the camera's middle span a plane, and the side lies in it: parallel sides run along the
    cross of both their planes' normals, and the second side along what is square to them in its own.
    """
    first, second, third = _homogeneous(lines) @ camera
    parallel = np.cross(first, third)
    parallel /= np.linalg.norm(parallel)
    square = np.cross(parallel, second)
    square /= np.linalg.norm(square)
    if askew:
        beside = np.cross(second, square) / np.linalg.norm(second)
        slope = np.sin(askew) / (parallel @ beside)
        square = square * np.sqrt(max(0.0, 1 - slope ** 2)) + beside * slope
    normal = np.cross(parallel, square)
    return normal / np.linalg.norm(normal) * (1.0 if normal[2] > 0 else -1.0)


def rectangle_of_three(lines, near: NDArray[np.float64], camera: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Corners (4, 2), undistorted pixels, of the rectangle of three sides that reaches to about a place on the first.

    The first corner lies there, the second and third where the sides meet, clockwise if they come so. None: no such.
    """
    sides = _homogeneous(lines)
    met = [np.cross(sides[k], sides[k + 1]) for k in (0, 1)]
    if min(abs(one[2]) for one in met) < 1e-9:
        return None
    point, along = lines[0]
    place = point + along * ((near - point) @ along) / (along @ along)
    normal, inverse = normal_of_three(lines, camera), np.linalg.inv(camera)
    a, b, c = (ray / (ray @ normal) for ray in (inverse @ one for one in ([*place, 1.0], *met)))
    corners = np.array([a, b, c, c + a - b]) @ camera.T
    return corners[:, :2] / corners[:, 2:] if np.all(corners[:, 2] > 0) else None


def _homogeneous(lines) -> NDArray[np.float64]:
    """Lines (n, 3) of points and directions: those points p on which l p is 0."""
    return np.array([np.cross([*point, 1.0], [*(point + along), 1.0]) for point, along in lines])


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
