"""Camera geometry: lens, projective maps, and what a rectangle's picture tells about the camera.

Points are (x, y). Photo points are pixels with the origin at the centre of the
top-left pixel, x right, y down.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Lens", "STATED_FOCAL_SD", "UNSEEN_K1_SD", "USUAL_FOCAL", "USUAL_FOCAL_SD", "apply_homography", "distort",
           "homography_between", "homography_of", "lens_of_photo", "lens_scale_sd", "plane_tilt_deg",
           "seen_proportions", "shape_misfit", "undistort"]

UNSEEN_K1_SD = 0.01        # lens of a phone where nothing shows it; common practice, no source
LENS_SHARE = 0.3           # of the distortion at the corners that is left as scale error in the middle
FIXED_POINT_STEPS = 30     # at most; the error shrinks by about 3 |k1| a step
FOCAL_LENGTHS = np.geomspace(0.5, 2.4, 33)  # over the photo's longer side, wide to tele; common practice, no source
USUAL_FOCAL_SD = 0.15      # of its logarithm: 23 to 31 mm equivalent; common practice, no source
STATED_FOCAL_SD = 0.06     # the same of a stated one: rounding, two ways to compare, focus near by; no source
USUAL_FOCAL = 0.75         # a 27 mm equivalent lens, the main camera of most phones; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """One-coefficient radial distortion: undistorted = centre + r (1 + k1 |r|^2 / radius^2)."""

    k1: float = 0.0
    centre_px: tuple[float, float] = (0.0, 0.0)
    radius_px: float = 1.0             # half the photo's diagonal
    k1_sd: float | None = None


def lens_of_photo(size_px: tuple[int, int], k1: float = 0.0, k1_sd: float | None = None) -> Lens:
    """Lens centred on a photo of `size_px` (width, height); a cropped photo breaks that assumption."""
    w, h = size_px
    return Lens(k1=float(k1), centre_px=((w - 1) / 2.0, (h - 1) / 2.0), radius_px=float(np.hypot(w, h) / 2.0),
                k1_sd=k1_sd)


def undistort(points, lens: Lens) -> NDArray[np.float64]:
    """Photo pixels to the pixels of a lens without distortion, shape (..., 2)."""
    points = np.asarray(points, np.float64)
    if lens.k1 == 0.0:
        return points.copy()
    r = points - np.asarray(lens.centre_px)
    return np.asarray(lens.centre_px) + r * (1.0 + lens.k1 / lens.radius_px ** 2 * (r * r).sum(-1, keepdims=True))


def distort(points, lens: Lens) -> NDArray[np.float64]:
    """Inverse of `undistort` by fixed-point iteration, shape (..., 2)."""
    points = np.asarray(points, np.float64)
    if lens.k1 == 0.0:
        return points.copy()
    target = points - np.asarray(lens.centre_px)
    bend = lens.k1 / lens.radius_px ** 2 * (target[..., :1] ** 2 + target[..., 1:] ** 2)
    shrink, error = 1.0, lens.radius_px                  # points move along their radius only
    for _ in range(FIXED_POINT_STEPS):
        error *= 3.0 * abs(lens.k1)
        shrink = 1.0 / (1.0 + bend * shrink * shrink)
        if error < 1e-9:
            break
    return np.asarray(lens.centre_px) + target * shrink


def lens_scale_sd(corners_px, lens: Lens) -> float:
    """Relative scale error inside four corners, shape (4, 2), that the doubt about the lens may leave."""
    k1_sd = UNSEEN_K1_SD if lens.k1_sd is None else min(lens.k1_sd, UNSEEN_K1_SD)
    reach2 = float(((np.asarray(corners_px) - np.asarray(lens.centre_px)) ** 2).sum(1).mean())
    return LENS_SHARE * k1_sd * reach2 / lens.radius_px ** 2


def apply_homography(matrix, points) -> NDArray[np.float64]:
    """Map points of shape (..., 2) by a 3x3 matrix; a point at infinity comes back as inf or nan."""
    matrix, points = np.asarray(matrix, np.float64), np.asarray(points, np.float64)
    mapped = points @ matrix[:, :2].T + matrix[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        return mapped[..., :2] / mapped[..., 2:]


def homography_of(corners, size) -> NDArray[np.float64]:
    """Map the rectangle (0, 0) to `size` to four corners, in the order (0,0), (w,0), (w,h), (0,h).

    Parameters
    ----------
    corners : ndarray, shape (..., 4, 2)
    size : (w, h)

    Returns
    -------
    ndarray, shape (..., 3, 3)
        Lower right element 1.

    Notes
    -----
    Closed form for the unit square: Heckbert, "Fundamentals of Texture Mapping
    and Image Warping" (1989), section 2.2.3 (from memory).
    """
    p = np.asarray(corners, np.float64)
    p0, p1, p2, p3 = (p[..., k, :] for k in range(4))
    d1, d2, s = p1 - p2, p3 - p2, p0 - p1 + p2 - p3
    det = d1[..., 0] * d2[..., 1] - d2[..., 0] * d1[..., 1]
    with np.errstate(divide="ignore", invalid="ignore"):     # three corners on a line: inf or nan, as the maths has it
        g = (s[..., 0] * d2[..., 1] - d2[..., 0] * s[..., 1]) / det
        h = (d1[..., 0] * s[..., 1] - s[..., 0] * d1[..., 1]) / det
    with np.errstate(invalid="ignore"):
        first = p1 - p0 + g[..., None] * p1
        second = p3 - p0 + h[..., None] * p3
    w, t = size
    result = np.empty((*p.shape[:-2], 3, 3))
    result[..., :2, 0], result[..., :2, 1], result[..., :2, 2] = first / w, second / t, p0
    result[..., 2, 0], result[..., 2, 1], result[..., 2, 2] = g / w, h / t, 1.0
    return result


def homography_between(source, target) -> NDArray[np.float64]:
    """Map four points (4, 2) to four others, in the same order."""
    return homography_of(target, (1.0, 1.0)) @ np.linalg.inv(homography_of(source, (1.0, 1.0)))


def shape_misfit(corners, size, size_px, usual=USUAL_FOCAL) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How badly four corners fit a rectangle of known proportions seen by an ordinary camera.

    Parameters
    ----------
    corners : ndarray, shape (n, 4, 2)
        Undistorted photo pixels.
    size : (w, h)
        Only the proportions count.
    size_px : (width, height)
        Of the photo, whose middle is taken as the principal point.
    usual : float
        Focal length over the photo's longer side that is expected.

    Returns
    -------
    misfit : ndarray, shape (n,)
        Root sum of squares of the angle error (rad) and of the log error of
        the proportions, at the focal length that suits best.
    focal_px : ndarray, shape (n,)

    Notes
    -----
    For a plane at right angles the first two columns of the calibrated
    homography are orthogonal and of equal length (Zhang, IEEE TPAMI 22(11),
    1330-1334 (2000)).
    """
    f = FOCAL_LENGTHS * max(size_px)
    skew, stretch = _skew_and_stretch(corners, size, size_px, f)
    with np.errstate(invalid="ignore"):
        misfit = np.sqrt(skew ** 2 + stretch ** 2) + 0.02 * np.log(FOCAL_LENGTHS / usual) ** 2
    misfit = np.where(np.isfinite(misfit), misfit, np.inf)
    best = misfit.argmin(axis=1)
    return misfit[np.arange(len(best)), best], f[best]


def _skew_and_stretch(corners, size, size_px, f):
    """Sine by which a rectangle's angle is off 90 deg and log of its proportions over `size`'s, shapes (n, focals)."""
    h = homography_of(np.asarray(corners, np.float64) - (np.asarray(size_px, np.float64) - 1.0) / 2.0, size)
    a, b = h[:, :, 0], h[:, :, 1]

    def product(u, v):
        return ((u[:, :2] * v[:, :2]).sum(1)[:, None] / f ** 2) + (u[:, 2] * v[:, 2])[:, None]
    with np.errstate(all="ignore"):
        aa, bb, ab = product(a, a), product(b, b), product(a, b)
        return ab / np.sqrt(aa * bb), 0.5 * np.log(aa / bb)


def seen_proportions(corners, size, size_px, corners_sd_px: float,
                     focal_share: float | None = None) -> tuple[float, float]:
    """Proportions of a rectangle from one view of it.

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
        Undistorted photo pixels.
    size : (w, h)
        As stated.
    size_px : (width, height)
        Of the photo; the lens' axis meets its middle within 2 % of the longer side.
    corners_sd_px : float
    focal_share : float, optional
        Focal length over the photo's longer side, where the file states it;
        else that of a phone's main camera is expected, with room.

    Returns
    -------
    log_ratio, sd : float
        Logarithm of the seen w / h over the stated one, and 1 s.d.

    Notes
    -----
    Where both pairs of sides converge, their right angle gives the focal
    length; where one pair is parallel the focal length must be known. Both
    are weighed: each focal length by how well it suits what is expected and
    the right angle (Zhang, He, "Whiteboard scanning and image enhancement",
    Digital Signal Processing 17(2), 414-432 (2007), section 3.2).
    """
    shares = np.geomspace(0.25, 6.0, 400)
    expected, sd = (USUAL_FOCAL, USUAL_FOCAL_SD) if focal_share is None else (focal_share, STATED_FOCAL_SD)
    off = 0.02 * max(size_px)
    moved = np.asarray(corners, np.float64) - np.array([[0.0, 0.0], [off, 0.0], [0.0, off]])[:, None]
    skew, stretch = _skew_and_stretch(moved, size, size_px, shares * max(size_px))
    along = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).min()
    # Perspective is read from differences of sides, so it magnifies what the corners are off.
    traced = (2.0 * corners_sd_px / along) ** 2 * (1.0 + (shares * max(size_px) / along) ** 2)
    skew_var = traced + ((skew[1:] - skew[0]) ** 2).sum(axis=0)
    cost = (np.log(shares / expected) / sd) ** 2 + skew[0] ** 2 / skew_var + np.log(skew_var)
    weight = np.exp(-0.5 * (cost - np.nanmin(cost)))
    weight = np.where(np.isfinite(stretch[0]) & np.isfinite(weight), weight, 0.0)
    weight /= weight.sum()
    values = np.nan_to_num(stretch)
    mean = float(weight @ values[0])
    spread = float(weight @ ((values[0] - mean) ** 2 + ((values[1:] - values[0]) ** 2).sum(axis=0)))
    return mean, float(np.sqrt(spread + 2.0 * (corners_sd_px / along) ** 2))


def plane_tilt_deg(to_photo, size_px, middle) -> float:
    """Angle between the camera's axis and the piece's normal, for the focal length that suits best."""
    x, y = middle
    rectangle = np.array([[0.0, 0.0], [2 * x, 0.0], [2 * x, 2 * y], [0.0, 2 * y]]) if x > 0 and y > 0 \
        else np.array([[x - 1, y - 1], [x + 1, y - 1], [x + 1, y + 1], [x - 1, y + 1]])
    size = tuple(rectangle[2] - rectangle[0])
    corners = apply_homography(to_photo, rectangle)
    _, focal = shape_misfit(corners[None], size, size_px)
    h = homography_of(corners - (np.asarray(size_px, np.float64) - 1.0) / 2.0, size)
    h = h / np.array([focal[0], focal[0], 1.0])[:, None]
    normal = np.cross(h[:, 0], h[:, 1])
    return float(np.degrees(np.arccos(np.clip(abs(normal[2]) / np.linalg.norm(normal), 0.0, 1.0))))
