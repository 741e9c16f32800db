"""A photo's slant from the piece's own outline, where no frame of known size tells it.

Opposite sides of an engraved ground, or of a board, are parallel, so where they
meet in the picture is the plane's horizon. With the focal length that tells how
the camera was tilted, whatever the sides' lengths and the corner's angle.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import (
    STATED_FOCAL_SD,
    USUAL_FOCAL,
    USUAL_FOCAL_SD,
    Lens,
    apply_homography,
    lens_of_photo,
    undistort,
)
from analysis.ground import sides_direction
from analysis.piece import local_px_per_mm
from analysis.side_fit import fit_sides
from analysis.sides import EdgePoints, edge_points, mean_sides

__all__ = ["Level", "level_by"]

UNITS = 330.0              # of the photo's longer side: what a mm is to a frame of usual size that fills the photo
REACHES = (3.0, 1.0, 0.5)  # units: a coarse outline is known to two pixels of the picture that was searched
LEAST_SHARE = 0.4          # of a side where its edge is seen
MOST_TILT_DEG = 20.0       # without a frame a photo is taken about square on
MOST_OFF_SQUARE_DEG = 0.7  # of the levelled corners: what is cut no better has no parallel sides either
ASKEW_DEG = 0.05           # of opposite sides: boards are cut no better, 0.1 mm in 100; common practice, no source
LEAST_STRETCH_SD = 3e-4    # pixels are square to so much; no source
MOST_RESIDUAL = 0.15       # units, of the edge positions from straight sides


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """How to see a photo's piece as from straight above."""

    to_level: NDArray[np.float64]      # 3x3: undistorted photo px to px of the same scale at the piece's middle
    lens: Lens                         # as far as the sides show it
    tilt_deg: float                    # of the camera against the piece's normal
    tilt_sd_deg: float
    fan_sd_per_px: float               # of the change of scale across the levelled picture
    stretch_sd: float                  # of half the difference between the scales along and across the slant
    axis_deg: float                    # mean direction of the levelled sides, from -45 up to 45, anticlockwise
    middle_px: NDArray[np.float64]     # (2,) of the piece, undistorted photo px


def level_by(luminance: NDArray[np.float32], corners_px: NDArray[np.float64],
             focal_share: float | None = None, *, most_tilt_deg: float = MOST_TILT_DEG) -> Level | None:
    """Level a photo by the sides of the piece in it.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
        Linear light.
    corners_px : ndarray, shape (4, 2)
        Of the piece, clockwise, within some 5 pixels of 1000, as `find_ground` gives them.
    focal_share : float, optional
        Focal length over the photo's longer side, where the file states it.
    most_tilt_deg : float
        A larger one is none of a photo meant to be square on.

    Returns
    -------
    Level or None
        None where there is no rectangle with four clear, straight sides.

    Notes
    -----
    The horizon l is the line through the two points where opposite sides meet,
    and the plane's normal is K' l, K being the camera's matrix [1]_. A wrong
    focal length changes the tilt, and what it shortens, but hardly the change of
    scale across the piece, which the sides themselves show.

    References
    ----------
    .. [1] R. Hartley, A. Zisserman, "Multiple View Geometry in Computer Vision", 2nd ed. (2004), section 8.6.
    """
    traced = _traced(luminance, corners_px)
    if traced is None:
        return None
    h, w = luminance.shape
    corners, lens, sd_px = traced
    camera = np.eye(3)
    camera[:2, 2] = (w - 1) / 2.0, (h - 1) / 2.0
    camera[0, 0] = camera[1, 1] = (focal_share or USUAL_FOCAL) * max(w, h)
    normal = _normal(corners, camera)
    tilt = float(np.degrees(np.arccos(normal[2])))
    if tilt > most_tilt_deg:
        return None
    turned = camera @ _upright(normal) @ np.linalg.inv(camera)
    middle = corners.mean(axis=0)
    seen = apply_homography(turned, middle)
    grow = local_px_per_mm(turned, seen)           # photo px per levelled px at the middle
    to_level = np.array([[grow, 0, middle[0] - grow * seen[0]], [0, grow, middle[1] - grow * seen[1]],
                         [0, 0, 1.0]]) @ turned
    levelled = apply_homography(to_level, corners)
    off_square = _off_square_deg(levelled)
    if off_square > MOST_OFF_SQUARE_DEG:
        return None
    tilt_sd = _tilt_sd_deg(corners, camera, sd_px)
    fan_sd, stretch_sd = _left_over(camera[0, 0], np.radians(tilt), np.radians(tilt_sd), min(mean_sides(corners)),
                                    np.radians(np.hypot(ASKEW_DEG, off_square)),
                                    USUAL_FOCAL_SD if focal_share is None else STATED_FOCAL_SD)
    return Level(to_level=to_level, lens=lens, tilt_deg=tilt, tilt_sd_deg=tilt_sd, fan_sd_per_px=fan_sd,
                 stretch_sd=stretch_sd,
                 axis_deg=sides_direction(levelled), middle_px=middle)


def _traced(luminance, quad):
    """Corners (4, 2) by the sides' edges, undistorted px, the lens, and their s.d.; None where a side is missing.

    The ground may be darker or lighter than what lies around it.
    """
    unit = max(luminance.shape) / UNITS
    size = tuple(side / unit for side in mean_sides(quad))
    corners, lens = quad, lens_of_photo(luminance.shape[::-1])
    for reach in REACHES:
        edges = _either(*(edge_points(luminance, corners, size, width_mm=0.0, dark=dark, lens=lens, reach_mm=reach)
                          for dark in (True, False)))
        fit = fit_sides(edges, luminance.shape[::-1]) if edges.share.min() > LEAST_SHARE else None
        if fit is None:
            return None
        lens, corners = fit.lens, undistort(fit.corners_px, fit.lens)
    return (corners, lens, fit.corners_sd_px) if fit.residual_px < MOST_RESIDUAL * unit else None


def _either(one: EdgePoints, other: EdgePoints) -> EdgePoints:
    """Edges of either shade: a bench with tools and shadows is darker along one stretch of a side and lighter beyond.

    Where both are seen that one counts which more of its side shows.
    """
    first = one.seen & ((one.share >= other.share)[:, None] | ~other.seen)
    seen = one.seen | other.seen
    return replace(one, points_px=np.where(first[..., None], one.points_px, other.points_px), seen=seen,
                   share=seen.mean(axis=1))


def _normal(corners, camera) -> NDArray[np.float64]:
    """The plane's normal as the camera sees it, pointing away from it."""
    rays = np.column_stack([corners, np.ones(4)]) @ np.linalg.inv(camera).T
    side = [np.cross(rays[k], rays[(k + 1) % 4]) for k in range(4)]
    normal = np.cross(np.cross(side[0], side[2]), np.cross(side[1], side[3]))
    return normal / np.linalg.norm(normal) * (1.0 if normal[2] > 0 else -1.0)


def _upright(normal) -> NDArray[np.float64]:
    """The smallest rotation that brings a unit vector onto the camera's axis."""
    axis = np.cross(normal, [0.0, 0.0, 1.0])
    far = np.linalg.norm(axis)
    return cv2.Rodrigues(axis * (np.arcsin(min(far, 1.0)) / far if far > 1e-12 else 0.0))[0]


def _tilt_sd_deg(corners, camera, sd_px) -> float:
    """S.d. of the tilt that the corners' own leaves."""
    normal, total = _normal(corners, camera), 0.0
    for k in range(8):
        moved = corners.copy()
        moved[k // 2, k % 2] += 0.5
        total += (2.0 * sd_px * np.linalg.norm(_normal(moved, camera) - normal)) ** 2
    return float(np.degrees(np.sqrt(total)))


def _left_over(focal_px, tilt, tilt_sd, side_px, askew, focal_sd) -> tuple[float, float]:
    """S.d. of the fan per px and of the stretch that levelling leaves; angles in rad.

    Sides that are askew by an angle look like a fan of that angle over their distance. The stretch is 1 - cos(tilt)
    to first order in both s.d.; a focal length off by a factor takes the tilt's tangent with it.
    """
    fan_sd = float(np.hypot(tilt_sd / focal_px, askew / side_px))
    return fan_sd, float(max(0.5 * np.hypot(np.tan(tilt) * fan_sd * focal_px, np.sin(tilt) ** 2 * focal_sd),
                             LEAST_STRETCH_SD))


def _off_square_deg(corners) -> float:
    """How far the second levelled corner is from a right angle."""
    along, next_one = corners[1] - corners[0], corners[2] - corners[1]
    cross = along[0] * next_one[1] - along[1] * next_one[0]
    return float(abs(np.degrees(np.arctan2(along @ next_one, abs(cross)))))
