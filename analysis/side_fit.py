"""Lines and lens through the edge positions of a frame's four sides."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import Lens, distort, lens_of_photo
from analysis.line_profile import edge_sd_mm
from analysis.sides import FEWEST_POINTS, EdgePoints

__all__ = ["SHARPENED_PX", "LineFit", "SideFit", "corners_of", "fit_lines", "fit_sides"]

HUBER = 1.5                # residuals beyond this many robust s.d. count less
K1_PRIOR_SD = 0.02         # phones correct their lenses to about this; common practice, no source
# Of an edge: a phone sharpens the encoded light, which moves half amplitude in linear light towards the dark. 0 to 0.9
# of what a blur of 1.4 px takes, on lines of 0.4 and 0.8 mm at 8 to 25 px per mm: 0.11 px at most, 0.08 px r.m.s.
SHARPENED_PX = 0.08
K1_SIGMA = 3.5             # k1 is used where it differs from 0 by this many of its s.d.


@dataclass(frozen=True, slots=True, kw_only=True)
class SideFit:
    """Lines through the edge positions, lens included."""

    corners_px: NDArray[np.float64]    # (4, 2) photo pixels
    lens: Lens                         # k1 is 0 where the sides do not show it; k1_sd is the fit's
    corners_sd_px: float               # 1 s.d. of a coordinate, the worst corner
    residual_px: float                 # robust rms


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """Straight lines through edge positions of some sides, lens included."""

    base: list[tuple[NDArray[np.float64], ...]]      # middle, direction and normal of each side, photo pixels
    terms: NDArray[np.float64]         # offset and slope of each side against its base, then k1 where it is known
    covariance: NDArray[np.float64]    # of the terms
    residual_px: float                 # robust rms
    lens: Lens                         # k1 is 0 where the sides do not show it; k1_sd is the fit's

    def lines_px(self, terms: NDArray[np.float64] | None = None) -> list[tuple[NDArray, NDArray]]:
        """Point and direction of each side, undistorted pixels; with terms other than its own where given."""
        x = self.terms if terms is None else terms
        return [(middle + x[2 * k] * normal, along + x[2 * k + 1] * normal)
                for k, (middle, along, normal) in enumerate(self.base)]


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
    fit = fit_lines([p[seen] for p, seen in zip(edges.points_px, edges.seen, strict=True)], size_px)
    met = None if fit is None else corners_of(fit)
    if met is None:
        return None
    corners, sd = met
    return SideFit(corners_px=distort(corners, fit.lens), lens=fit.lens, residual_px=fit.residual_px,
                   corners_sd_px=float(np.hypot(sd, _edge_sd_px(edges))))


def corners_of(fit: LineFit) -> tuple[NDArray[np.float64], float] | None:
    """Where four lines meet (4, 2), undistorted px, and the fit's s.d. of the worst coordinate; None: nowhere."""
    corners = _corners(fit.lines_px())
    if not np.all(np.isfinite(corners)):
        return None
    jacobian = np.stack([(_corners(fit.lines_px(fit.terms + h)) - corners).ravel() / 1e-4
                         for h in 1e-4 * np.eye(len(fit.terms))], axis=1)
    return corners, float(np.sqrt(np.diag(jacobian @ fit.covariance @ jacobian.T)).max())


def fit_lines(points_px: list[NDArray[np.float64]], size_px: tuple[int, int]) -> LineFit | None:
    """A line for each side's edge positions (n, 2) and one radial coefficient for all; None: too few positions."""
    if min(len(p) for p in points_px) < FEWEST_POINTS:
        return None
    base = [_base(p) for p in points_px]
    terms, covariance, residual = _solve(points_px, base, size_px, True)
    k1, k1_sd = terms[-1], float(np.sqrt(covariance[-1, -1]))
    if abs(k1) <= K1_SIGMA * k1_sd:
        k1 = 0.0
        terms, covariance, residual = _solve(points_px, base, size_px, False)
    return LineFit(base=base, terms=terms, covariance=covariance, residual_px=float(residual),
                   lens=lens_of_photo(size_px, k1, k1_sd))


def _edge_sd_px(edges: EdgePoints) -> float:
    """1 s.d. of what the profile of the worst side leaves open; it is the same all along, so no position shows it."""
    px_per_mm = np.linalg.norm(edges.outward_px, axis=1)
    width = [edge_sd_mm(line) * one for line, one in zip(edges.lines, px_per_mm, strict=True) if line]
    return float(np.hypot(SHARPENED_PX, max(width, default=0.0)))


def _base(p):
    """Middle, direction and normal of a side's edge positions: the frame in which its line is a + b t."""
    middle = np.median(p, axis=0)
    along = p[-max(2, len(p) // 4):].mean(axis=0) - p[:max(2, len(p) // 4)].mean(axis=0)
    along /= max(np.linalg.norm(along), 1e-9)
    return middle, along, np.array([-along[1], along[0]])


def _solve(points_px, base, size_px, with_k1):
    """Offsets, slopes and k1 by reweighted least squares; their covariance and the robust rms."""
    lens = lens_of_photo(size_px)
    centre, radius = np.array(lens.centre_px), lens.radius_px
    blocks, unknowns = [], 2 * len(base) + with_k1
    for k, (p, (middle, along, normal)) in enumerate(zip(points_px, base, strict=True)):
        r = p - centre
        t, v = (p - middle) @ along, (p - middle) @ normal
        rows = np.zeros((len(p), unknowns))
        rows[:, 2 * k], rows[:, 2 * k + 1] = 1.0, t
        if with_k1:
            rows[:, -1] = -(r @ normal) * (r * r).sum(1) / radius ** 2
        blocks.append((rows, v))
    a, y = np.concatenate([b[0] for b in blocks]), np.concatenate([b[1] for b in blocks])
    weight = np.ones(len(y))
    sigma = 1.0
    for _ in range(12):
        sw = np.sqrt(weight)
        prior = np.zeros((1, unknowns))
        if with_k1:
            prior[0, -1] = sigma / K1_PRIOR_SD
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
        normal[-1, -1] += (rms / K1_PRIOR_SD) ** 2
    return x, np.linalg.pinv(normal) * rms ** 2 * wide, rms


def _corners(lines):
    """Where neighbouring lines meet, undistorted pixels."""
    corners = np.empty((4, 2))
    for k in range(4):
        (p, d), (q, e) = lines[k - 1], lines[k]
        cross = d[0] * e[1] - d[1] * e[0]
        corners[k] = p + d * (((q - p)[0] * e[1] - (q - p)[1] * e[0]) / cross) if cross else np.nan
    return corners
