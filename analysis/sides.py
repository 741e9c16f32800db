"""The four sides of a frame: profiles across them, edge positions along them, and lines through those.

Corners are (4, 2) in photo pixels, clockwise as seen; side k runs from corner k
to corner k + 1. Across a side, u is in mm and grows outward; 0 is the line
between the corners, and the engraved line lies at [edge - width, edge].
"""
from __future__ import annotations

import warnings
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import Lens, distort, lens_of_photo

__all__ = ["EdgePoints", "SideFit", "edge_points", "fit_sides", "side_profiles", "side_px_per_mm"]

HUBER = 1.5                # residuals beyond this many robust s.d. count less
K1_PRIOR_SD = 0.02         # phones correct their lenses to about this; common practice, no source
K1_SIGMA = 3.5             # k1 is used where it differs from 0 by this many of its s.d.
FEWEST_POINTS = 8          # edge positions a side needs
LEAST_STEP = 0.12          # log contrast at the line's outer edge


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgePoints:
    """Positions of the outer edge along the four sides."""

    points_px: NDArray[np.float64]     # (4, n, 2) photo pixels
    seen: NDArray[np.bool_]            # (4, n): a line with two edges is there
    share: NDArray[np.float64]         # (4,) of the side's length where it is


@dataclass(frozen=True, slots=True, kw_only=True)
class SideFit:
    """Lines through the edge positions, lens included."""

    corners_px: NDArray[np.float64]    # (4, 2) photo pixels
    lens: Lens                         # k1 0 where the sides do not show it; k1_sd is the fit's
    corners_sd_px: float               # 1 s.d. of a coordinate, the worst corner
    residual_px: float                 # robust rms


def side_px_per_mm(corners, size_mm) -> NDArray[np.float64]:
    """Photo pixels per mm along each side, shape (..., 4)."""
    corners = np.asarray(corners, np.float64)
    length = np.linalg.norm(np.roll(corners, -1, axis=-2) - corners, axis=-1)
    w, h = size_mm
    return length / np.array([w, h, w, h], np.float64)


def side_profiles(image: NDArray[np.float32], corners, size_mm, positions, u_mm, *, lines: int = 1,
                  lens: Lens | None = None) -> NDArray[np.float32]:
    """Profiles across the sides of quadrilaterals.

    Parameters
    ----------
    image : ndarray, float32
    corners : ndarray, shape (n, 4, 2)
        Undistorted pixels.
    size_mm : (W, H)
    positions : ndarray, shape (p,)
        Along each side, 0 to 1.
    u_mm : ndarray, shape (m,)
        Across, outward.
    lines : int
        Profiles averaged for each position, spread over the gap to the next.
    lens : Lens, optional

    Returns
    -------
    ndarray, shape (n, 4, p, m), float32
        NaN outside the image.
    """
    corners = np.asarray(corners, np.float64)
    following = np.roll(corners, -1, axis=1)
    along = following - corners
    scale = side_px_per_mm(corners, size_mm)
    outward = np.stack([along[..., 1], -along[..., 0]], axis=-1) / np.linalg.norm(along, axis=-1, keepdims=True)
    step = outward * np.stack([(np.roll(scale, 1, -1) + np.roll(scale, -1, -1)) / 2] * 2, axis=-1)
    gap = (positions[1] - positions[0]) if len(positions) > 1 else 0.0
    total = None
    for shift in (np.arange(lines) - (lines - 1) / 2) / max(lines, 1) * gap * 0.9:
        on = corners[:, :, None] + along[:, :, None] * (positions + shift)[:, None]
        at = on[:, :, :, None] + step[:, :, None, None] * u_mm[:, None]
        if lens is not None and lens.k1:
            at = distort(at, lens)
        at = at.astype(np.float32).reshape(-1, len(u_mm), 2)
        value = cv2.remap(image, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
                          borderValue=float("nan"))
        total = value if total is None else total + value
    return (total / np.float32(lines)).reshape(*corners.shape[:2], len(positions), len(u_mm))


def edge_points(luminance, corners, size_mm, *, width_mm: float, edge_mm, dark: bool, lens: Lens,
                reach_mm: float = 0.8, n: int = 96) -> EdgePoints:
    """Outer edge positions at half amplitude in linear light.

    Parameters
    ----------
    luminance : ndarray, float32
    corners : ndarray, shape (4, 2)
        About right, undistorted pixels.
    size_mm : (W, H)
    width_mm : float
        Of the engraved line, about; 0 for the edge of a filled rectangle.
    edge_mm : (4,)
        Where the outer edge is expected across each side.
    dark : bool
        Line darker than what lies outside.
    lens : Lens
    reach_mm : float
        How far from there the edge may be.
    n : int
        Positions a side.
    """
    core = width_mm if width_mm > 0 else 0.8
    u = np.linspace(-core - reach_mm - 0.7, reach_mm + 1.1, 129)
    margin = np.clip((core + 0.6) / min(size_mm), 0.02, 0.2)
    positions = np.linspace(margin, 1.0 - margin, n)
    points, seen, line = np.empty((4, n, 2)), np.zeros((4, n), bool), np.zeros((4, n), bool)
    scale = side_px_per_mm(corners, size_mm)
    across = (np.roll(scale, 1) + np.roll(scale, -1)) / 2
    along = np.roll(corners, -1, axis=0) - corners
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1) / np.linalg.norm(along, axis=1, keepdims=True)
    for k in range(4):
        expected = float(edge_mm[k])
        profile = side_profiles(luminance, corners[None], size_mm, positions, u + expected, lines=5, lens=lens)[0, k]
        sigma = max(0.03, 0.6 / across[k]) / (u[1] - u[0])
        smooth = cv2.GaussianBlur(profile, (0, 0), sigmaX=sigma, sigmaY=1e-3)
        where, seen[k], line[k] = _half_crossing(smooth, profile, u, core, reach_mm, dark)
        points[k] = corners[k] + along[k] * positions[:, None] + outward[k] * ((where + expected) * across[k])[:, None]
    share = (line if width_mm > 0 else seen).mean(axis=1)
    return EdgePoints(points_px=distort(points, lens), seen=seen, share=share)


def _half_crossing(smooth, profile, u, core, reach, dark):
    """Place of the outer edge in each profile, whether an edge is there, and whether a line is.

    Levels are compared in log light, where a dark line shows against a dark
    ground too; the edge is put at half amplitude in linear light.
    """
    rows, window = np.arange(len(profile)), u[1] - u[0]
    shifts = np.linspace(-reach, reach, 33)
    log = np.log(np.maximum(profile, 1e-3)) * (1.0 if dark else -1.0)
    line, outside = _band(log, u, shifts - 0.75 * core, shifts - 0.25 * core), _band(log, u, shifts + 0.25, shifts + 0.75)
    inside = _band(log, u, shifts - core - 0.65, shifts - core - 0.25)
    step = outside - line
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)      # sides outside the photo are all NaN
        common = np.nan_to_num(np.nanmedian(step, axis=0), nan=0.0)
        # Where dirt hides the line a profile alone would jump to the nearest mark, so the side's own place counts.
        best = np.argmax(np.nan_to_num(step, nan=-9.0) + 2.0 * common, axis=1)
        rise = step[rows, best]
        edge = np.isfinite(rise) & (rise > max(LEAST_STEP, 0.3 * np.nanmedian(rise)))
    is_line = edge & (inside[rows, best] - line[rows, best] > LEAST_STEP / 2)
    high = _band(profile, u, shifts + 0.25, shifts + 0.75)[rows, best]
    low = _band(profile, u, shifts - 0.75 * core, shifts - 0.25 * core)[rows, best]
    over = (smooth - ((high + low) / 2)[:, None]) * (1.0 if dark else -1.0)
    crossing = (over[:, :-1] < 0) & (over[:, 1:] >= 0)
    away = np.where(crossing, np.abs((u[:-1] + u[1:])[None] / 2 - shifts[best][:, None]), np.inf)
    first = away.argmin(axis=1)
    edge &= away[rows, first] < max(0.3, 0.4 * core)
    a, b = over[rows, first], over[rows, first + 1]
    where = np.where(edge, u[first] - window * a / np.where(edge, b - a, 1.0), 0.0)
    return where, edge, is_line & edge


def _band(profile, u, low, high):
    """Means over bands [low, high] of u, shape (profiles, bands)."""
    summed = np.concatenate([np.zeros((len(profile), 1)), np.cumsum(profile, axis=1, dtype=np.float64)], axis=1)
    i = np.clip(np.round((low - u[0]) / (u[1] - u[0])).astype(int), 0, len(u) - 1)
    j = np.clip(np.round((high - u[0]) / (u[1] - u[0])).astype(int) + 1, i + 1, len(u))
    return (summed[:, j] - summed[:, i]) / (j - i)


def fit_sides(edges: EdgePoints, size_px: tuple[int, int]) -> SideFit | None:
    """Four lines and one radial coefficient through the edge positions, robustly.

    Returns
    -------
    SideFit or None
        None where a side has too few positions or no four corners come out.

    Notes
    -----
    In undistorted pixels each side is straight, so with fixed normals the
    offsets, slopes and k1 solve one linear least-squares problem; Huber
    weights, and variances widened for the correlation of neighbours.
    """
    if edges.seen.sum(axis=1).min() < FEWEST_POINTS:
        return None
    k1, k1_sd, used = 0.0, K1_PRIOR_SD, True
    lines, covariance, residual = _solve(edges, size_px, True)
    k1, k1_sd = lines[8], float(np.sqrt(covariance[8, 8]))
    used = abs(k1) > K1_SIGMA * k1_sd
    if not used:
        lines, covariance, residual = _solve(edges, size_px, False)
        k1 = 0.0
    lens = lens_of_photo(size_px, k1 if used else 0.0, k1_sd)
    base = _base(edges)
    corners = _corners(lines, base)
    if not np.all(np.isfinite(corners)):
        return None
    jacobian = np.stack([(_corners(lines + h, base) - corners).ravel() / 1e-4
                         for h in 1e-4 * np.eye(len(lines))], axis=1)
    spread = np.sqrt(np.diag(jacobian @ covariance @ jacobian.T)).reshape(4, 2)
    return SideFit(corners_px=distort(corners, lens), lens=lens, corners_sd_px=float(spread.max()),
                   residual_px=float(residual))


def _base(edges):
    """Middle, direction and normal of each side: the frame in which its line is a + b t."""
    rows = []
    for k in range(4):
        p = edges.points_px[k][edges.seen[k]]
        middle = np.median(p, axis=0)
        along = p[-max(2, len(p) // 4):].mean(axis=0) - p[:max(2, len(p) // 4)].mean(axis=0)
        along /= max(np.linalg.norm(along), 1e-9)
        rows.append((middle, along, np.array([-along[1], along[0]])))
    return rows


def _solve(edges, size_px, with_k1):
    """Offsets, slopes and k1 by reweighted least squares; their covariance and the robust rms."""
    lens = lens_of_photo(size_px)
    centre, radius = np.array(lens.centre_px), lens.radius_px
    base, blocks = _base(edges), []
    unknowns = 9 if with_k1 else 8
    for k, (middle, along, normal) in enumerate(base):
        p = edges.points_px[k][edges.seen[k]]
        r = p - centre
        t, v = (p - middle) @ along, (p - middle) @ normal
        rows = np.zeros((len(p), unknowns))
        rows[:, 2 * k], rows[:, 2 * k + 1] = 1.0, t
        if with_k1:
            rows[:, 8] = -(r @ normal) * (r * r).sum(1) / radius ** 2
        blocks.append((rows, v))
    a, y = np.concatenate([b[0] for b in blocks]), np.concatenate([b[1] for b in blocks])
    weight = np.ones(len(y))
    for _ in range(12):
        sw = np.sqrt(weight)
        prior = np.zeros((1, unknowns))
        sigma = 1.4826 * np.median(np.abs(y - a @ x)) + 1e-3 if _ else 1.0
        if with_k1:
            prior[0, 8] = sigma / K1_PRIOR_SD
        x = np.linalg.lstsq(np.concatenate([a * sw[:, None], prior]), np.append(y * sw, 0.0), rcond=None)[0]
        rest = np.abs(y - a @ x)
        sigma = 1.4826 * np.median(rest) + 1e-3
        weight = np.where(rest > 6 * sigma, 0.0, np.minimum(1.0, HUBER * sigma / np.maximum(rest, 1e-12)))
    good = weight > 0
    rest = (y - a @ x)
    rms = np.sqrt(np.average(rest[good] ** 2, weights=weight[good]))
    wide = 1.0
    pairs = good[1:] & good[:-1]
    if pairs.sum() > 20:
        lag = float(np.clip((rest[1:] * rest[:-1])[pairs].mean() / max((rest[good] ** 2).mean(), 1e-12), 0.0, 0.95))
        wide = (1 + lag) / (1 - lag)
    normal = (a * weight[:, None]).T @ a
    if with_k1:
        normal[8, 8] += (rms / K1_PRIOR_SD) ** 2
    return x, np.linalg.pinv(normal) * rms ** 2 * wide, rms


def _corners(x, base):
    """Where neighbouring lines meet, undistorted pixels."""
    lines = []
    for k, (middle, along, normal) in enumerate(base):
        point = middle + x[2 * k] * normal
        if len(x) == 9:
            pass
        lines.append((point, along + x[2 * k + 1] * normal))
    corners = np.empty((4, 2))
    for k in range(4):
        (p, d), (q, e) = lines[k - 1], lines[k]
        cross = d[0] * e[1] - d[1] * e[0]
        corners[k] = p + d * (((q - p)[0] * e[1] - (q - p)[1] * e[0]) / cross) if cross else np.nan
    return corners
