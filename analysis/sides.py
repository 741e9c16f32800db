"""The four sides of a frame: profiles across them and edge positions along them.

Corners are (4, 2) in pixels, clockwise as seen; side k runs from corner k to
corner k + 1. Across a side, u is in mm of the piece, perspective included, and
grows outward; 0 is the line between the corners, and the engraved line lies at
[-width, 0] once they are right.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import Lens, apply_homography, distort, homography_of
from analysis.line_profile import LineProfile
from analysis.one_line import edge_shifts, measure_sides

__all__ = ["EdgePoints", "edge_points", "mean_sides", "moved_out", "nan_median", "side_profiles", "side_px_per_mm"]

FEWEST_POINTS = 8          # edge positions a side needs
LEAST_LINE = 0.25          # of a side's positions that show the line: then its place is taken from these alone
LEAST_STEP = 0.12          # log contrast at the line's outer edge
CLIPPED = 0.97             # linear light that the camera may have cut off
LINES = 5                  # profiles averaged for one edge position
DEPTH_MM = 2.4             # looked at inside the edge: the widest line and some ground; common practice, no source
OUTWARD = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])     # of the four sides, on the piece


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgePoints:
    """Positions of the outer edge along the four sides."""

    points_px: NDArray[np.float64]     # (4, n, 2) photo pixels
    seen: NDArray[np.bool_]            # (4, n): the line's outer edge is there, or an edge on a side without a line
    share: NDArray[np.float64]         # (4,) of the side's length where the line is, or the edge if there is no line
    lines: tuple[LineProfile | None, ...]      # mean profile of each side's line, levels over that outside
    outward_px: NDArray[np.float64]    # (4, 2) photo pixels of a mm outward, square to each side


def side_px_per_mm(corners, size_mm) -> NDArray[np.float64]:
    """Photo pixels per mm along each side, shape (..., 4)."""
    corners = np.asarray(corners, np.float64)
    length = np.linalg.norm(np.roll(corners, -1, axis=-2) - corners, axis=-1)
    w, h = size_mm
    return length / np.array([w, h, w, h], np.float64)


def mean_sides(corners) -> tuple[float, float]:
    """Width and height of corners (4, 2) in their own unit, means of opposite sides."""
    length = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    return float(length[0] + length[2]) / 2, float(length[1] + length[3]) / 2


def nan_median(values, axis: int) -> NDArray:
    """Lower median without the NaNs, NaN where there is nothing else; sorts once, warns never."""
    ordered = np.sort(values, axis=axis)                     # NaNs come last
    count = np.sum(~np.isnan(values), axis=axis, keepdims=True)
    return np.take_along_axis(ordered, np.maximum(count - 1, 0) // 2, axis=axis).squeeze(axis)


def moved_out(corners, shift_mm, size_mm) -> NDArray[np.float64]:
    """Corners (4, 2) with each side moved outward by `shift_mm` (4,)."""
    (w, h), (top, right, bottom, left) = size_mm, shift_mm
    moved = np.array([[-left, -top], [w + right, -top], [w + right, h + bottom], [-left, h + bottom]])
    return apply_homography(homography_of(corners, size_mm), moved)


def side_profiles(image: NDArray[np.float32], corners, size_mm, positions, u_mm, *, lines: int = 1,
                  lens: Lens | None = None) -> tuple[NDArray[np.float32], NDArray[np.float64], NDArray[np.float64]]:
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
    profiles : ndarray, shape (n, 4, p, m), float32
        NaN outside the image.
    on : ndarray, shape (n, 4, p, 2)
        Where u is 0, in image pixels.
    step : ndarray, shape (n, 4, p, 2)
        Image pixels for a mm outward.
    """
    to_image = homography_of(corners, size_mm)
    on, step = _across(to_image, size_mm, positions, lens)
    gap = (positions[1] - positions[0]) * 0.9
    total = 0.0
    for share in (np.arange(lines) - (lines - 1) / 2) / lines:
        near = on + share * gap * np.gradient(on, positions, axis=2)
        x, y = ((near[..., k, None] + step[..., k, None] * u_mm).astype(np.float32).reshape(-1, len(u_mm))
                for k in (0, 1))
        total = total + cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
                                  borderValue=float("nan"))
    return (total / np.float32(lines)).reshape(*on.shape[:3], len(u_mm)), on, step


def _across(to_image, size_mm, positions, lens):
    """Points on the sides in image pixels, and the pixels of a mm outward there; shapes (n, 4, p, 2)."""
    w, h = size_mm
    start = np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])
    on = start[:, None] + (np.roll(start, -1, axis=0) - start)[:, None] * np.asarray(positions)[:, None]
    ends = []
    for far in (0.0, 0.5, -0.5):
        points = (on + far * OUTWARD[:, None]).reshape(-1, 2)
        seen = points @ np.swapaxes(to_image[..., :2], -1, -2) + to_image[..., None, :, 2]
        ends.append((seen[..., :2] / seen[..., 2:]).reshape(*to_image.shape[:-2], *on.shape))
    return ends[0] if lens is None else distort(ends[0], lens), ends[1] - ends[2]


def edge_points(luminance, corners, size_mm, *, width_mm: float, dark: bool, lens: Lens, reach_mm: float = 0.8,
                n: int = 96, span: NDArray[np.float64] | None = None) -> EdgePoints:
    """Outer edge positions, at half amplitude in linear light, corrected by a model of the blurred line.

    Parameters
    ----------
    luminance : ndarray, float32
    corners : ndarray, shape (4, 2)
        About right, undistorted pixels.
    size_mm : (W, H)
    width_mm : float
        Of the engraved line, about; 0 for the edge of a filled rectangle.
    dark : bool
        Line darker than what lies outside.
    lens : Lens
    reach_mm : float
        How far from the corners' lines the edge may be.
    n : int
        Positions a side.
    span : ndarray, shape (4, 2), optional
        From where to where each side's line is seen, 0 to 1: elsewhere something may lie on it.
    """
    core = width_mm if width_mm > 0 else 0.8
    u = np.linspace(-DEPTH_MM - reach_mm, reach_mm + 1.1, 145)
    margin = np.clip((core + 0.6) / min(size_mm), 0.02, 0.2)
    positions = np.linspace(margin, 1.0 - margin, n)
    profiles, on, step = side_profiles(luminance, np.asarray(corners)[None], size_mm, positions, u, lines=LINES,
                                       lens=lens)
    outward = _square_to(on[0, :, -1] - on[0, :, 0], step[0].mean(axis=1))
    across = np.linalg.norm(outward, axis=1)
    where, seen, line = np.empty((4, n)), np.zeros((4, n), bool), np.zeros((4, n), bool)
    means = []
    for k in range(4):
        profile = profiles[0, k]
        sigma = max(0.03, 0.6 / across[k]) / (u[1] - u[0])
        smooth = cv2.GaussianBlur(profile, (0, 0), sigmaX=sigma, sigmaY=1e-3)
        beyond = max(0.15, 2.2 / across[k])
        free = np.full(n, True) if span is None else (positions > span[k, 0]) & (positions < span[k, 1])
        where[k], seen[k], line[k] = _half_crossing(smooth, profile, u, core, reach_mm, beyond, dark,
                                                    free if free.sum() >= FEWEST_POINTS else np.full(n, True))
        if width_mm > 0 and (seen[k] & line[k]).sum() >= LEAST_LINE * n:
            seen[k] &= line[k]             # the edge of something that lies on the side is no place of the line
        means.append(_mean_profile(profile, u, where[k], seen[k]) if width_mm > 0 else None)
    lines = measure_sides(means, core, across)
    where = where + edge_shifts(lines)[:, None]
    points = on[0] + step[0] * where[..., None]
    share = (line if width_mm > 0 else seen).mean(axis=1)
    return EdgePoints(points_px=points, seen=seen, share=share, lines=lines, outward_px=outward)


def _square_to(along, step) -> NDArray[np.float64]:
    """Parts of steps (4, 2) square to some directions (4, 2)."""
    return step - along * ((step * along).sum(axis=1) / (along * along).sum(axis=1))[:, None]


def _mean_profile(profile, u, where, seen) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Mean profile of a side about its edge, mm and levels over that outside."""
    if seen.sum() < FEWEST_POINTS:
        return None
    v = np.arange(-DEPTH_MM + 0.1, 0.7, max(0.02, u[1] - u[0]))
    rows = np.stack([np.interp(v + at, u, one) for at, one in zip(where[seen], profile[seen], strict=True)])
    rows /= np.median(rows[:, v > 0.4], axis=1, keepdims=True)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if len(rows) < FEWEST_POINTS:
        return None
    cut = int(0.35 * len(rows))            # mean of the middle of each column: dirt and letters fall out
    return v, np.sort(rows, axis=0)[cut: len(rows) - cut].mean(axis=0)


def _half_crossing(smooth, profile, u, core, reach, beyond, dark, free):
    """Place of the outer edge in each profile, whether an edge is there, and whether a line is.

    Levels are compared in log light, where a dark line shows against a dark
    ground too; the edge is put at half amplitude in linear light.
    """
    rows, window = np.arange(len(profile)), u[1] - u[0]
    shifts = np.linspace(-reach, reach, 33)
    floor = 2e-3 * nan_median(profile.ravel(), axis=0) + 1e-6
    log = _summed(np.log(np.maximum(profile, floor)) * (1.0 if dark else -1.0))
    line = _band(log, u, shifts - 0.75 * core, shifts - 0.25 * core)
    outside = _band(log, u, shifts + 0.25, shifts + 0.75)
    inside = _band(log, u, shifts - core - 0.65, shifts - core - 0.25)
    step = outside - line
    common = np.nan_to_num(nan_median(step[free], axis=0), nan=0.0)
    # Where dirt hides the line a profile alone would jump to the nearest mark, so the side's own place counts.
    best = np.argmax(np.nan_to_num(step, nan=-9.0) + 2.0 * common, axis=1)
    rise = np.nan_to_num(step[rows, best], nan=-9.0)
    edge = rise > max(LEAST_STEP, 0.3 * float(np.median(rise)))
    is_line = edge & (inside[rows, best] - line[rows, best] > LEAST_STEP / 2)
    where, light = shifts[best], _summed(profile)
    for near, far in ((0.25, 0.75), (beyond, beyond + 0.3), (beyond, beyond + 0.3)):
        high = _band(light, u, (where + near)[:, None], (where + far)[:, None])[:, 0]
        low = _band(light, u, (where - 0.7 * core)[:, None], (where - 0.3 * core)[:, None])[:, 0]
        over = (smooth - ((high + low) / 2)[:, None]) * (1.0 if dark else -1.0)
        crossing = (over[:, :-1] < 0) & (over[:, 1:] >= 0)
        away = np.where(crossing, np.abs((u[:-1] + u[1:])[None] / 2 - where[:, None]), np.inf)
        first = away.argmin(axis=1)
        edge &= away[rows, first] < max(0.3, 0.4 * core)
        a, b = over[rows, first], over[rows, first + 1]
        where = np.where(edge, u[first] - window * a / np.where(edge, b - a, 1.0), 0.0)
    clear = edge & (np.maximum(high, low) < CLIPPED)
    # Glare that reaches full scale moves half amplitude; where the whole side is so, it must do.
    return where, clear if clear.sum() > 0.4 * edge.sum() else edge, is_line & edge


def _summed(profile):
    """Running sums of profiles from 0, shape (profiles, m + 1)."""
    return np.concatenate([np.zeros((len(profile), 1)), np.cumsum(profile, axis=1, dtype=np.float64)], axis=1)


def _band(summed, u, low, high):
    """Means over bands [low, high] of u from running sums, shape (profiles, bands); bands may differ by profile."""
    i = np.clip(np.round((low - u[0]) / (u[1] - u[0])).astype(int), 0, len(u) - 1)
    j = np.clip(np.round((high - u[0]) / (u[1] - u[0])).astype(int) + 1, i + 1, len(u))
    rows = np.arange(len(summed))[:, None]
    return (summed[rows, j] - summed[rows, i]) / (j - i)
