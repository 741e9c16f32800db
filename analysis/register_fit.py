"""Fit a map between two photos of a plane to what tiles say of it.

A homography with one radial coefficient of AFTER's lens is fitted to all the
tiles at once, those that do not follow the rest counting little.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography
from analysis.register_map import K1_SD, Cameras, PlaneMap, map_points, scale_of
from analysis.register_tiles import Tiles

__all__ = ["MapFit", "fit_map", "levels_sd", "map_sd"]

OUTLYING = 3.0             # Geman and McClure (1985): at so many s.d. a tile counts a quarter
ROUNDS = 8                 # of reweighting
FIGURE_SD_SAMPLES = 0.15   # one figure against the others: engraving is not repeated better (0.02 mm); common practice


@dataclass(frozen=True, slots=True, kw_only=True)
class MapFit:
    """A map fitted to tiles."""

    map: PlaneMap
    residual: NDArray[np.float64]      # (n, 2) what is left of the tiles' moves, samples
    weight: NDArray[np.float64]        # (n,) 1: follows the rest, 0: does not
    covariance: NDArray[np.float64]    # (9, 9) of the normalised parameters
    frames: tuple[NDArray[np.float64], NDArray[np.float64]]    # 3x3 each: they normalise BEFORE and AFTER
    drag: NDArray[np.float64]          # (9,) of the parameters by BEFORE's k1, which no fit changes


def fit_map(tiles: Tiles, plane: PlaneMap, *, free: str = "radial",
            figures: NDArray[np.int64] | None = None) -> MapFit:
    """Fit a map to where the tiles want to go.

    Parameters
    ----------
    tiles : Tiles
        Measured with `plane`.
    plane : PlaneMap
        Its cameras, where known, hold slant and lens as well as the photos tell them.
    free : str
        "affine" changes six terms of the homography, "perspective" all eight,
        "radial" AFTER's lens as well.
    figures : ndarray, shape (n,), or None
        Number, from 0, of the figure that each tile lies on: its tiles share an error of `FIGURE_SD_SAMPLES`.

    Returns
    -------
    MapFit

    Notes
    -----
    Gauss-Newton on target - map with the tiles' precisions and weights of
    Geman and McClure; the covariance is widened by the residuals' own size
    (Birge ratio). The error that a figure's tiles share is a random effect (Laird
    and Ware, "Random-effects models for longitudinal data", Biometrics 38 (1982)):
    many tiles of one figure do not outvote few of another. BEFORE's lens is no
    unknown: what its uncertainty does to the fitted map is kept apart (consider
    covariance: Tapley, Schutz and Born, "Statistical Orbit Determination" (2004),
    section 6.2).
    """
    size = max(np.ptp(tiles.at, axis=0).max() / 2, 1.0)
    middle = tiles.at.mean(axis=0)
    here = np.array([[1 / size, 0, -middle[0] / size], [0, 1 / size, -middle[1] / size], [0, 0, 1]])
    lens, count = plane.lens, {"affine": 6, "perspective": 8, "radial": 9}[free]
    there = np.array([[1 / lens.radius_px, 0, -lens.centre_px[0] / lens.radius_px],
                      [0, 1 / lens.radius_px, -lens.centre_px[1] / lens.radius_px], [0, 0, 1]])
    x = apply_homography(here, tiles.at)
    raw = apply_homography(there, map_points(plane, tiles.at + tiles.move))
    h = there @ plane.homography @ np.linalg.inv(here)
    h, k1 = h / h[2, 2], lens.k1
    # Precision of a target in normalised AFTER units: the map's local slopes carry it over
    local = _local_slopes(h, x) / size
    inverse = np.linalg.inv(local)
    precision = np.einsum("nji,njk,nkl->nil", inverse, tiles.precision, inverse)
    bend = raw * (raw * raw).sum(-1, keepdims=True)
    for _ in range(ROUNDS):
        value = apply_homography(h, x)
        miss = raw + k1 * bend - value
        distance = np.einsum("ni,nij,nj->n", miss, precision, miss)
        # The typical tile sets the scale: median of chi square with as many degrees as it tells directions
        widen = max(float(np.median(distance / np.where(tiles.firm == 2, 1.386, 0.455))), 1.0)
        weight = 1 / (1 + distance / (widen * tiles.firm * OUTLYING ** 2)) ** 2
        slopes = _slopes_of_map(x, value, x @ h[2, :2] + 1, bend)[..., :count]
        weighted = _weighted(precision * (weight / widen)[:, None, None], slopes, local, figures)
        held, pull, follows = _held_by_cameras(h, k1, plane.cameras, here, there, count)
        normal = np.einsum("nji,njk->ik", slopes, weighted) + held
        normal[np.diag_indices(count)] *= 1 + 1e-9
        step = np.linalg.lstsq(normal, np.einsum("nji,nj->i", weighted, miss) + pull, rcond=1e-13)[0]
        h.ravel()[:min(count, 8)] += step[:8]
        k1 += step[8] if count == 9 else 0.0
        if np.abs(step).max() < 1e-8:
            break
    known = max(float(tiles.firm.sum()) - count, 1.0)
    covariance, drag = np.zeros((9, 9)), np.zeros(9)
    covariance[:count, :count] = np.linalg.pinv(normal) * max(1.0, tiles.firm.sum() / known)
    if plane.cameras is not None:
        dragged = np.einsum("nji,nj->i", weighted, _moved_by_before_lens(h, x, plane.cameras, here)) - follows
        drag[:count] = np.linalg.pinv(normal) @ dragged
    miss = raw + k1 * bend - apply_homography(h, x)
    matrix = np.linalg.inv(there) @ h @ here
    return MapFit(map=replace(plane, homography=matrix / matrix[2, 2], lens=replace(lens, k1=float(k1))),
                  residual=np.einsum("nij,nj->ni", inverse, miss), weight=weight, covariance=covariance,
                  frames=(here, there), drag=drag)


def _weighted(precision, slopes, local, figures) -> NDArray[np.float64]:
    """Inverse covariance of all targets times slopes, shape (n, 2, k): what the tiles of a figure share counts once."""
    weighted = np.einsum("nij,njk->nik", precision, slopes)
    if figures is None:
        return weighted
    moved = np.einsum("nij,njk->nik", precision, local)           # by a movement of the figure, samples
    count = figures.max() + 1
    firm = np.zeros((count, 2, 2)) + np.eye(2) / FIGURE_SD_SAMPLES ** 2
    np.add.at(firm, figures, np.einsum("nji,njk->nik", local, moved))
    pull = np.zeros((count, 2, slopes.shape[-1]))
    np.add.at(pull, figures, np.einsum("nji,njk->nik", local, weighted))
    return weighted - np.einsum("nij,njk->nik", moved, np.linalg.solve(firm, pull)[figures])


def _held_by_cameras(h, k1, cameras: Cameras | None, here, there, count):
    """What the photos tell of slant and lens as normal matrix, right side and what BEFORE's k1 adds to that."""
    normal, right, follows = np.zeros((count, count)), np.zeros(count), np.zeros(count)
    if count == 9:
        expected, sd, share = (0.0, K1_SD, 0.0) if cameras is None else (cameras.k1, cameras.k1_sd,
                                                                         cameras.k1_follows)
        normal[8, 8], right[8], follows[8] = sd ** -2, (expected - k1) * sd ** -2, share * sd ** -2
    if cameras is not None and cameras.to_level is not None:
        off, slopes = _unlevel(h, cameras, here, there), np.zeros((4, count))
        slopes[:, :8] = _slopes_of_unlevel(h, off, cameras, here, there)[:, :count]
        normal += slopes.T @ slopes
        right -= slopes.T @ off
    return normal, right, follows


def _unlevel(h, cameras: Cameras, here, there) -> NDArray[np.float64]:
    """How far a map (normalised, 3x3) is from shift, turn and scale between two levelled photos, in s.d., shape (4,).

    Two terms of perspective, two of unlike scales.
    """
    back = cameras.to_before @ np.linalg.inv(here)
    whole = cameras.to_level @ np.linalg.inv(there) @ h
    if cameras.before_level is not None:
        whole = whole @ np.linalg.inv(cameras.before_level @ back) @ back
    whole = whole / whole[2, 2]
    local = whole[:2, :2] - np.outer(whole[:2, 2], whole[2, :2])
    scale = np.sqrt(abs(np.linalg.det(local)))
    fan_sd = np.hypot(scale_of(back, (0.0, 0.0)) * cameras.fan_sd_per_px[0], scale * cameras.fan_sd_per_px[1])
    stretch = np.array([local[0, 0] - local[1, 1], local[0, 1] + local[1, 0]]) / (2 * scale)
    return np.concatenate([whole[2, :2] / fan_sd, stretch / cameras.stretch_sd])


def _slopes_of_unlevel(h, off, cameras: Cameras, here, there) -> NDArray[np.float64]:
    """Derivatives of `_unlevel` by the eight terms of the homography, shape (4, 8)."""
    steps = 1e-5 * np.eye(9)[:8].reshape(8, 3, 3)
    return np.stack([(_unlevel(h + step, cameras, here, there) - off) / 1e-5 for step in steps], axis=1)


def levels_sd(fit: MapFit, cameras: Cameras) -> float:
    """How far a map fitted without the cameras' level is from that level, in s.d. of both, four terms together."""
    here, there = fit.frames
    h = there @ fit.map.homography @ np.linalg.inv(here)
    h = h / h[2, 2]
    off = _unlevel(h, cameras, here, there)
    slopes = _slopes_of_unlevel(h, off, cameras, here, there)
    return float(np.sqrt(off @ np.linalg.solve(np.eye(4) + slopes @ fit.covariance[:8, :8] @ slopes.T, off)))


def _local_slopes(h, x) -> NDArray[np.float64]:
    """Derivatives of a homography's value by place, shape (n, 2, 2)."""
    return np.stack([apply_homography(h, x + d) - apply_homography(h, x - d) for d in 1e-4 * np.eye(2)],
                    axis=-1) / 2e-4


def _moved_by_before_lens(h, x, cameras: Cameras, here) -> NDArray[np.float64]:
    """How far places on AFTER move by BEFORE's k1, normalised, shape (n, 2)."""
    back, lens = cameras.to_before @ np.linalg.inv(here), cameras.before_lens
    there = apply_homography(back, x)
    away = there - np.asarray(lens.centre_px)
    moved = there + 1e-3 * away * (away * away).sum(-1, keepdims=True) / lens.radius_px ** 2
    return np.einsum("nij,nj->ni", _local_slopes(h, x), apply_homography(np.linalg.inv(back), moved) - x) / 1e-3


def _slopes_of_map(x, value, depth, bend) -> NDArray[np.float64]:
    """Derivatives of map minus bend by the eight terms of the homography and k1, shape (n, 2, 9)."""
    one, zero = np.ones(len(x)), np.zeros(len(x))
    u, v = value.T
    rows = [[x[:, 0], x[:, 1], one, zero, zero, zero, -u * x[:, 0], -u * x[:, 1]],
            [zero, zero, zero, x[:, 0], x[:, 1], one, -v * x[:, 0], -v * x[:, 1]]]
    slopes = np.stack([np.stack(row, -1) / depth[:, None] for row in rows], axis=1)
    return np.concatenate([slopes, -bend[..., None]], axis=-1)


def map_sd(fit: MapFit, points) -> NDArray[np.float64]:
    """1 s.d. of each point's place on AFTER, both components together, photo pixels, shape (n,)."""
    here, there = fit.frames
    x = apply_homography(here, points)
    h = there @ fit.map.homography @ np.linalg.inv(here)
    h = h / h[2, 2]
    value = apply_homography(h, x)
    raw = apply_homography(there, map_points(fit.map, points))
    slopes = _slopes_of_map(x, value, x @ h[2, :2] + 1, raw * (raw * raw).sum(-1, keepdims=True))
    variance = np.einsum("nij,jk,nik->n", slopes, fit.covariance, slopes)
    if fit.map.cameras is not None:
        lens = slopes @ fit.drag - _moved_by_before_lens(h, x, fit.map.cameras, here)
        variance += fit.map.cameras.before_k1_sd ** 2 * (lens ** 2).sum(axis=-1)
    return np.sqrt(variance) / there[0, 0]
