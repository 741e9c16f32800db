"""A photo's slant from the piece's own outline, where no frame of known size tells it.

Opposite sides of an engraved ground, or of a board, are parallel, so where they
meet in the picture is the plane's horizon. With the focal length that tells how
the camera was tilted, whatever the sides' lengths and the corner's angle.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import (
    STATED_FOCAL_SD,
    USUAL_FOCAL,
    USUAL_FOCAL_SD,
    Lens,
    apply_homography,
    undistort,
)
from analysis.ground import sides_direction
from analysis.ground_sides import straight_sides
from analysis.photo import Photo
from analysis.piece import local_px_per_mm
from analysis.side_fit import fit_sides
from analysis.sides import EdgePoints, mean_sides
from analysis.slant import camera_of, levelled, off_square_deg, plane_normal, upright
from analysis.steep_lines import steep_lines

__all__ = ["Level", "level_by"]

UNITS = 330.0              # of the photo's longer side: what a mm is to a frame of usual size that fills the photo
REACH = 1.6                # units: a coarse outline is known to a pixel of the picture that was searched
LEAST_SHARE = 0.5          # of a side where its edge is seen
MOST_TILT_DEG = 30.0       # a larger one is none of a photo meant to be square on
MOST_OFF_SQUARE_DEG = 0.7  # of the levelled corners: what is cut no better has no parallel sides either
ASKEW_DEG = 0.05           # of opposite sides: boards are cut no better, 0.1 mm in 100; common practice, no source
LEAST_STRETCH_SD = 3e-4    # pixels are square to so much; no source
CUT_SQUARE_DEG = 0.3       # 1 s.d. of a board's corners; common practice, no source
ON_LINE = 0.3              # units, of an edge position that counts from the fitted sides
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


def level_by(photo: Photo, corners_px: NDArray[np.float64], *, most_tilt_deg: float = MOST_TILT_DEG) -> Level | None:
    """Level a photo by the sides of the piece in it.

    Parameters
    ----------
    photo : Photo
    corners_px : ndarray, shape (4, 2)
        Of the piece, clockwise, within some 5 pixels of 1000, as `find_ground` gives them.
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
    level = _level(photo, corners_px, most_tilt_deg)
    if level is None:                      # one of the outline's sides may be that of a shadow, or of a plank beyond
        to_preview = photo.preview_scale
        near = straight_sides(photo.preview, (corners_px + 0.5) * to_preview - 0.5, 0.0)
        level = None if near is None else _level(photo, (near + 0.5) / to_preview - 0.5, most_tilt_deg)
    return level


def _level(photo: Photo, corners_px, most_tilt_deg) -> Level | None:
    """Level by sides that pass close to the corners."""
    traced = _traced(photo, corners_px)
    if traced is None:
        return None
    corners, lens, sd_px = traced
    focal_sd = USUAL_FOCAL_SD if photo.focal_share is None else STATED_FOCAL_SD
    camera = _camera(corners, photo.size_px[::-1], photo.focal_share or USUAL_FOCAL, focal_sd)
    normal = plane_normal(corners, camera)
    tilt = float(np.degrees(np.arccos(normal[2])))
    if tilt > most_tilt_deg:
        return None
    turned = camera @ upright(normal) @ np.linalg.inv(camera)
    middle = corners.mean(axis=0)
    seen = apply_homography(turned, middle)
    grow = local_px_per_mm(turned, seen)           # photo px per levelled px at the middle
    to_level = np.array([[grow, 0, middle[0] - grow * seen[0]], [0, grow, middle[1] - grow * seen[1]],
                         [0, 0, 1.0]]) @ turned
    above = apply_homography(to_level, corners)
    off_square = off_square_deg(above)
    if off_square > MOST_OFF_SQUARE_DEG:
        return None
    tilt_sd = _tilt_sd_deg(corners, camera, sd_px)
    fan_sd, stretch_sd = _left_over(camera[0, 0], np.radians(tilt), np.radians(tilt_sd), min(mean_sides(corners)),
                                    np.radians(np.hypot(ASKEW_DEG, off_square)), focal_sd)
    return Level(to_level=to_level, lens=lens, tilt_deg=tilt, tilt_sd_deg=tilt_sd, fan_sd_per_px=fan_sd,
                 stretch_sd=stretch_sd,
                 axis_deg=sides_direction(above), middle_px=middle)


def _camera(corners, shape, usual, usual_sd) -> NDArray[np.float64]:
    """Camera of the focal length that makes corners most nearly square, as far from the usual one as they are worth.

    At small slants they hardly tell it, and the usual one stays.
    """
    def misfit(camera, away):
        off = off_square_deg(levelled(corners, plane_normal(corners, camera), camera))
        return (off / CUT_SQUARE_DEG) ** 2 + away ** 2
    cameras = [(camera_of(shape, usual * np.exp(away * usual_sd)), away) for away in np.linspace(-2.5, 2.5, 21)]
    return min(cameras, key=lambda one: misfit(*one))[0]


def _traced(photo: Photo, corners_px):
    """Corners (4, 2) by the sides' edges, undistorted px, the lens, and their s.d.; None where a side is missing."""
    reach = round(REACH / UNITS * max(photo.preview.shape))
    corners = (corners_px + 0.5) * photo.preview_scale - 0.5
    lines = [steep_lines(photo.preview, corners[k], corners[(k + 1) % 4], reach) for k in range(4)]
    if not all(lines):
        return None
    points = (np.stack([line[0].points_px for line in lines]) + 0.5) / photo.preview_scale - 0.5
    seen = np.stack([line[0].seen for line in lines])
    edges = EdgePoints(points_px=points, seen=seen, share=seen.mean(axis=1), lines=(None,) * 4,
                       outward_px=np.zeros((4, 2)))
    fit = fit_sides(edges, photo.size_px) if edges.share.min() > LEAST_SHARE else None
    if fit is None or fit.residual_px > MOST_RESIDUAL / UNITS * max(photo.size_px):
        return None
    corners = undistort(fit.corners_px, fit.lens)
    side = np.roll(corners, -1, axis=0) - corners
    apart = undistort(points.reshape(-1, 2), fit.lens).reshape(points.shape) - corners[:, None]
    off = np.abs(apart[..., 0] * side[:, None, 1] - apart[..., 1] * side[:, None, 0])
    off /= np.linalg.norm(side, axis=1)[:, None]
    if np.mean(seen & (off < ON_LINE / UNITS * max(photo.size_px)), axis=1).min() < LEAST_SHARE:
        return None                        # half of a side may lie on the board's edge and half on a tool's
    return corners, fit.lens, fit.corners_sd_px


def _tilt_sd_deg(corners, camera, sd_px) -> float:
    """S.d. of the tilt that the corners' own leaves."""
    normal, total = plane_normal(corners, camera), 0.0
    for k in range(8):
        moved = corners.copy()
        moved[k // 2, k % 2] += 0.5
        total += (2.0 * sd_px * np.linalg.norm(plane_normal(moved, camera) - normal)) ** 2
    return float(np.degrees(np.sqrt(total)))


def _left_over(focal_px, tilt, tilt_sd, side_px, askew, focal_sd) -> tuple[float, float]:
    """S.d. of the fan per px and of the stretch that levelling leaves; angles in rad.

    Sides that are askew by an angle look like a fan of that angle over their distance. The stretch is 1 - cos(tilt)
    to first order in both s.d.; a focal length off by a factor takes the tilt's tangent with it.
    """
    fan_sd = float(np.hypot(tilt_sd / focal_px, askew / side_px))
    return fan_sd, float(max(0.5 * np.hypot(np.tan(tilt) * fan_sd * focal_px, np.sin(tilt) ** 2 * focal_sd),
                             LEAST_STRETCH_SD))
