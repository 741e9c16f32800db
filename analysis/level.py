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
from analysis.side_fit import SHARPENED_PX, LineFit, corners_of, fit_lines
from analysis.sides import mean_sides
from analysis.slant import (
    camera_of,
    cut_side,
    levelled,
    normal_of_three,
    off_square_deg,
    plane_normal,
    rectangle_of_three,
    upright,
)
from analysis.steep_lines import steep_lines

__all__ = ["Level", "level_by"]

UNITS = 330.0              # of the photo's longer side: what a mm is to a frame of usual size that fills the photo
REACH = 1.6                # units: a coarse outline is known to a pixel of the picture that was searched
LEAST_SHARE = 0.5          # of a side where its edge is seen
MOST_TILT_DEG = 30.0       # a larger one is none of a photo meant to be square on
MOST_TILT_SD_DEG = 2.0     # by three sides: worse is hardly better than a photo held square on
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
        None where there is no rectangle with four clear, straight sides, or three where the photo's edge cuts it.

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
    level, cut = _level(photo, corners_px, most_tilt_deg), cut_side(corners_px, photo.size_px)
    if level is None and cut is not None:
        return _level_of_three(photo, np.roll(corners_px, -cut, axis=0), most_tilt_deg)
    if level is None:                      # one of the outline's sides may be that of a shadow, or of a plank beyond
        to_preview = photo.preview_scale
        near = straight_sides(photo.preview, (corners_px + 0.5) * to_preview - 0.5, 0.0)
        level = None if near is None else _level(photo, (near + 0.5) / to_preview - 0.5, most_tilt_deg)
    return level


def _level(photo: Photo, corners_px, most_tilt_deg) -> Level | None:
    """Level by sides that pass close to the corners."""
    fit = _lines(photo, corners_px, range(4))
    met = None if fit is None else corners_of(fit)
    if met is None:
        return None
    corners, sd_px = met[0], float(np.hypot(met[1], SHARPENED_PX))
    focal_sd = _focal_sd(photo)
    camera = _camera(corners, photo.size_px[::-1], photo.focal_share or USUAL_FOCAL, focal_sd)
    return _seen_from_above(photo, corners, fit.lens, camera, _tilt_sd_deg(corners, camera, sd_px), most_tilt_deg)


def _level_of_three(photo: Photo, corners_px, most_tilt_deg) -> Level | None:
    """Level by three sides of a piece whose first side is cut off by the photo's edge."""
    fit = _lines(photo, corners_px, (1, 2, 3))
    if fit is None:
        return None
    camera = camera_of(photo.size_px[::-1], photo.focal_share or USUAL_FOCAL)
    corners = rectangle_of_three(fit.lines_px(), undistort(corners_px[1:2], fit.lens)[0], camera)
    tilt_sd = _three_tilt_sd_deg(fit, camera)
    if corners is None or tilt_sd > MOST_TILT_SD_DEG:
        return None
    return _seen_from_above(photo, corners, fit.lens, camera, tilt_sd, most_tilt_deg)


def _focal_sd(photo: Photo) -> float:
    """Relative s.d. of the focal length."""
    return USUAL_FOCAL_SD if photo.focal_share is None else STATED_FOCAL_SD


def _seen_from_above(photo: Photo, corners, lens: Lens, camera, tilt_sd, most_tilt_deg) -> Level | None:
    """The level that a rectangle's undistorted corners tell; None where it is none, or too far from square on."""
    normal = plane_normal(corners, camera)
    tilt, focal_sd = float(np.degrees(np.arccos(normal[2]))), _focal_sd(photo)
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


def _lines(photo: Photo, corners_px, sides) -> LineFit | None:
    """Lines along the edges of some sides; None where one is not seen, or not straight."""
    reach, unit = round(REACH / UNITS * max(photo.preview.shape)), max(photo.size_px) / UNITS
    corners = (corners_px + 0.5) * photo.preview_scale - 0.5
    found = [steep_lines(photo.preview, corners[k], corners[(k + 1) % 4], reach) for k in sides]
    if not all(found) or min(one[0].seen.mean() for one in found) <= LEAST_SHARE:
        return None
    points = [(one[0].points_px + 0.5) / photo.preview_scale - 0.5 for one in found]
    seen = [one[0].seen for one in found]
    fit = fit_lines([at[there] for at, there in zip(points, seen, strict=True)], photo.size_px)
    if fit is None or fit.residual_px > MOST_RESIDUAL * unit:
        return None
    for at, there, (start, along) in zip(points, seen, fit.lines_px(), strict=True):
        apart = undistort(at, fit.lens) - start
        off = np.abs(apart[:, 0] * along[1] - apart[:, 1] * along[0]) / np.linalg.norm(along)
        if np.mean(there & (off < ON_LINE * unit)) < LEAST_SHARE:
            return None                    # half of a side may lie on the board's edge and half on a tool's
    return fit


def _tilt_sd_deg(corners, camera, sd_px) -> float:
    """S.d. of the tilt that the corners' own leaves."""
    normal, total = plane_normal(corners, camera), 0.0
    for k in range(8):
        moved = corners.copy()
        moved[k // 2, k % 2] += 0.5
        total += (2.0 * sd_px * np.linalg.norm(plane_normal(moved, camera) - normal)) ** 2
    return float(np.degrees(np.sqrt(total)))


def _three_tilt_sd_deg(fit: LineFit, camera) -> float:
    """The same of three sides, whose corners are as square as boards are cut."""
    lines = fit.lines_px()
    normal = normal_of_three(lines, camera)
    slopes = np.stack([(normal_of_three(fit.lines_px(fit.terms + step), camera) - normal) / 1e-5
                       for step in 1e-5 * np.eye(len(fit.terms))], axis=1)
    total = np.trace(slopes @ fit.covariance @ slopes.T)
    askew = normal_of_three(lines, camera, np.radians(CUT_SQUARE_DEG))
    return float(np.degrees(np.sqrt(total + np.sum((askew - normal) ** 2))))


def _left_over(focal_px, tilt, tilt_sd, side_px, askew, focal_sd) -> tuple[float, float]:
    """S.d. of the fan per px and of the stretch that levelling leaves; angles in rad.

    Sides that are askew by an angle look like a fan of that angle over their distance. The stretch is 1 - cos(tilt)
    to first order in both s.d.; a focal length off by a factor takes the tilt's tangent with it.
    """
    fan_sd = float(np.hypot(tilt_sd / focal_px, askew / side_px))
    return fan_sd, float(max(0.5 * np.hypot(np.tan(tilt) * fan_sd * focal_px, np.sin(tilt) ** 2 * focal_sd),
                             LEAST_STRETCH_SD))
