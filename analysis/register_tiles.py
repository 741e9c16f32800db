"""A map between two photos of a plane from what many small tiles say of it.

Each tile of BEFORE is asked how far it still has to move to agree with AFTER,
and how surely; a homography with one radial coefficient of AFTER's lens is then
fitted to all the tiles at once, those that do not follow the rest counting
little. Tiles are few, so that fits of halves and the map's own uncertainty cost
nothing beside the pictures.

Points are (x, y). A tile's place is in samples of BEFORE's working grid.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import Lens, apply_homography, distort
from analysis.resample import block_means

__all__ = ["SHARED_STROKES", "MapFit", "PlaneMap", "Tiles", "fit_map", "joined", "map_points", "map_sd",
           "measure_tiles", "scale_of", "select", "warp"]

LEAST_NOISE = 0.03         # of a response: what little ever differs
WIDTH_SD = 0.15            # of the blur: how much more the strokes of one tile may be wider than those of all
MOST_GAIN = 2.0            # between the two photos' responses
SURE = 0.25                # of the blur: a direction in which a tile knows its move worse is left out
FIRM_SHARE = 0.01          # of the best direction's: a direction that tells less is left out
LEAST_COVER = 0.3          # of a tile that both photos show
FLOOR_SAMPLES = 0.15       # no tile is believed better than this: engraving is not repeated better (0.02 mm)
OUTLYING = 3.0             # Geman and McClure (1985): at so many s.d. a tile counts a quarter
K1_SD = 0.008              # of phones' own corrected lenses, relative between two; shared sources give 0.2 to 1 %
ROUNDS = 8                 # of reweighting
SHARED_STROKES = 2.0       # neighbouring tiles share strokes: half of them count
GRID_STEP = 8              # samples between exactly mapped points


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneMap:
    """BEFORE's samples to AFTER's photo pixels: a homography, then AFTER's lens."""

    homography: NDArray[np.float64]    # 3x3: BEFORE sample -> undistorted AFTER px
    lens: Lens                         # AFTER's
    expected_k1: float = 0.0           # of it: mostly BEFORE's, since one phone takes both photos


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiles:
    """What tiles of BEFORE say of a map."""

    at: NDArray[np.float64]            # (n, 2) middles, samples
    move: NDArray[np.float64]          # (n, 2) movement that a tile still asks for, along what it can tell
    precision: NDArray[np.float64]     # (n, 2, 2) inverse covariance of `move`, 0 along what it cannot tell
    agreement: NDArray[np.float64]     # (n,) correlation of the tile's responses, -1 to 1
    corners: NDArray[np.float64]       # (n,) sum of squared slopes in the lesser direction: no grain, no stripes
    firm: NDArray[np.int64]            # (n,) 1: tells one direction (a straight stroke), 2: both


@dataclass(frozen=True, slots=True, kw_only=True)
class MapFit:
    """A map fitted to tiles."""

    map: PlaneMap
    residual: NDArray[np.float64]      # (n, 2) what is left of the tiles' moves, samples
    weight: NDArray[np.float64]        # (n,) 1: follows the rest, 0: does not
    covariance: NDArray[np.float64]    # (9, 9) of the normalised parameters
    frames: tuple[NDArray[np.float64], NDArray[np.float64]]    # 3x3 each: they normalise BEFORE and AFTER


def map_points(plane: PlaneMap, points) -> NDArray[np.float64]:
    """BEFORE samples to AFTER photo pixels, shape (..., 2)."""
    return distort(apply_homography(plane.homography, points), plane.lens)


def scale_of(matrix, at) -> float:
    """Length there over length here, at a place."""
    p = apply_homography(matrix, np.asarray(at) + np.array([[0, 0], [1.0, 0], [0, 1.0]]))
    return float(np.sqrt(abs(np.linalg.det(np.stack([p[1] - p[0], p[2] - p[0]])))))


def warp(picture: NDArray[np.float32], to_picture: NDArray[np.float64], plane: PlaneMap, shape):
    """AFTER's picture on BEFORE's grid, and where AFTER shows it.

    `to_picture` (3x3) takes AFTER's photo pixels to the picture's samples.
    """
    rows, columns = shape
    u, v = (np.arange(0, n + GRID_STEP, GRID_STEP, dtype=np.float64) for n in (columns, rows))
    coarse = apply_homography(to_picture, map_points(plane, np.stack(np.meshgrid(u, v), axis=-1))).astype(np.float32)
    matrix = np.array([[1.0 / GRID_STEP, 0, 0], [0, 1.0 / GRID_STEP, 0]])
    x, y = (cv2.warpAffine(np.ascontiguousarray(coarse[..., k]), matrix, (columns, rows),
                           flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
            for k in range(2))
    seen = (x >= 0) & (x <= picture.shape[1] - 1) & (y >= 0) & (y <= picture.shape[0] - 1)
    return cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), seen


def measure_tiles(before: NDArray[np.float32], after: NDArray[np.float32], use: NDArray[np.bool_], tile_px: int,
                  sigma: float) -> Tiles:
    """Ask every tile with strokes how far it has to move.

    Parameters
    ----------
    before, after : ndarray, shape (rows, columns), float32
        Responses on one grid.
    use : ndarray of bool, same shape
    tile_px : int
        Side of a tile, samples.
    sigma : float
        Blur of both, samples: moves are found up to about twice of it.

    Returns
    -------
    Tiles

    Notes
    -----
    One step of least squares for each tile (Lucas and Kanade, 1981) with the
    mean of both slopes, which makes it second order (Benhimane and Malis, IROS
    2004). The slopes of a stroke's two sides have opposite signs, so that a
    stroke burnt wider on one board moves nothing. Covariance: the difference
    that is left, correlated over the blur's area.
    """
    top, left, box = _box(use, tile_px)
    first, second = (cv2.GaussianBlur(f[box], (0, 0), sigma) for f in (before, after))
    on = use[box].astype(np.float32)
    first, second = _levelled(first, second, on, tile_px)
    gx, gy = (0.5 * (a + b) for a, b in zip(_slopes(first), _slopes(second), strict=True))
    miss = first - second
    gx, gy, first, second, miss = gx * on, gy * on, first * on, second * on, miss * on
    steep = np.sqrt(gx * gx + gy * gy)
    xx, xy, yy, xm, ym, xs, ys, sm, mm, f, s, ff, ss, fs, n = (_tile_sums(a, tile_px) for a in (
        gx * gx, gx * gy, gy * gy, gx * miss, gy * miss, gx * steep, gy * steep, steep * miss, miss * miss, first,
        second, first * first, second * second, first * second, on))
    normal, side = np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2), np.stack([xs, ys], -1)
    right, bulk = np.stack([xm, ym], -1), xx + yy
    # Strokes may be wider on one board: by as much everywhere, but for a little
    plain = np.einsum("...ij,...j->...i", np.linalg.pinv(normal, rcond=FIRM_SHARE, hermitian=True),
                      np.stack([right, side], -2)[..., 0, :])
    rest = np.maximum(mm - (plain * right).sum(-1), 0) / np.maximum(n, 1)
    area = 4 * np.pi * sigma ** 2
    noise = (rest + LEAST_NOISE ** 2) * area
    across = np.einsum("...ij,...j->...i", np.linalg.pinv(normal, rcond=FIRM_SHARE, hermitian=True), side)
    told = np.maximum(bulk - (across * side).sum(-1), 0) / noise
    wider = float((told * _ratio(sm - (side * plain).sum(-1), bulk - (across * side).sum(-1))).sum()
                  / max(told.sum(), 1e-9))
    wider = float(np.clip(wider, -sigma, sigma))
    share = 1 / (bulk + noise / (WIDTH_SD * sigma) ** 2)
    right = right - wider * side - side * (share * (sm - wider * bulk))[..., None]
    values, vectors = np.linalg.eigh(normal - share[..., None, None] * side[..., :, None] * side[..., None, :])
    enough = values > np.maximum(LEAST_NOISE ** 2 * area / (SURE * sigma) ** 2, FIRM_SHARE * values[..., 1:])
    along = np.einsum("...ji,...j->...i", vectors, right)
    along = np.where(enough, along / np.maximum(values, 1e-9), 0.0)
    sd2 = noise[..., None] / np.maximum(values, 1e-9) + FLOOR_SAMPLES ** 2
    precision = np.einsum("...ik,...k,...jk->...ij", vectors, enough / sd2, vectors)
    count = np.maximum(n, 1)
    spread = np.sqrt(np.maximum(ff - f * f / count, 0) * np.maximum(ss - s * s / count, 0))
    keep = enough.any(-1) & (n > LEAST_COVER * tile_px * tile_px)
    rows, columns = np.nonzero(keep)
    return Tiles(at=np.stack([columns, rows], axis=1) * float(tile_px) + (tile_px - 1) / 2 + [left, top],
                 move=np.einsum("...ij,...j->...i", vectors, along)[keep], precision=precision[keep],
                 agreement=((fs - f * s / count) / np.maximum(spread, 1e-6))[keep], corners=values[..., 0][keep],
                 firm=enough.sum(-1)[keep])


def select(tiles: Tiles, which) -> Tiles:
    """Some of the tiles."""
    return replace(tiles, **{name: getattr(tiles, name)[which] for name in Tiles.__dataclass_fields__})


def _levelled(first, second, on, tile_px):
    """The second with the first's mean and spread around every place: glare and shade differ from photo to photo."""
    size = max(1, first.shape[1] // 4), max(1, first.shape[0] // 4)      # means change slowly

    def mean(field):
        return cv2.blur(cv2.resize(field, size, interpolation=cv2.INTER_AREA), (tile_px // 4 + 1, tile_px // 4 + 1))

    a, b = first * on, second * on
    count = np.maximum(mean(on), 1e-3)
    f, s = mean(a) / count, mean(b) / count
    spreads = [np.maximum(mean(x * x) / count - m * m, 1e-4) for x, m in ((a, f), (b, s))]
    gain = np.clip(np.sqrt(spreads[0] / spreads[1]), 1 / MOST_GAIN, MOST_GAIN)
    gain, shift = (cv2.resize(x, first.shape[::-1], interpolation=cv2.INTER_LINEAR) for x in (gain, f - gain * s))
    return first, gain * second + shift


def joined(tiles: Tiles, others: Tiles) -> Tiles:
    """Both."""
    return Tiles(**{name: np.concatenate([getattr(tiles, name), getattr(others, name)])
                    for name in Tiles.__dataclass_fields__})


def _ratio(a, b):
    """Quotient, 0 where there is nothing to divide by."""
    return np.where(b > 1e-9, a / np.maximum(b, 1e-9), 0.0)


def _box(use, tile_px):
    """First row and column of the whole tiles around what is used, and the slices."""
    rows, columns = np.nonzero(use.any(axis=1))[0], np.nonzero(use.any(axis=0))[0]
    if not rows.size:
        rows = columns = np.zeros(1, int)
    (top, low), (left, right) = ((n[0] // tile_px * tile_px, n[-1] // tile_px * tile_px + tile_px)
                                 for n in (rows, columns))
    return top, left, (slice(top, low), slice(left, right))


def _slopes(picture):
    """Central differences, per sample."""
    kernel = np.array([[-0.5, 0, 0.5]], np.float32)
    return (cv2.filter2D(picture, -1, kernel, borderType=cv2.BORDER_REPLICATE),
            cv2.filter2D(picture, -1, kernel.T, borderType=cv2.BORDER_REPLICATE))


def _tile_sums(field, tile_px):
    """Sum over square tiles; a rest at the right and below is dropped."""
    return block_means(field, tile_px).astype(np.float64) * tile_px ** 2


def fit_map(tiles: Tiles, plane: PlaneMap, *, free: str = "radial") -> MapFit:
    """Fit a map to where the tiles want to go.

    Parameters
    ----------
    tiles : Tiles
        Measured with `plane`.
    plane : PlaneMap
    free : str
        "affine" changes six terms of the homography, "perspective" all eight,
        "radial" AFTER's lens as well, held near the expected one by `K1_SD`.

    Returns
    -------
    MapFit

    Notes
    -----
    Gauss-Newton on target - map with the tiles' precisions and weights of
    Geman and McClure; the covariance is widened by the residuals' own size
    (Birge ratio).
    """
    size = max(np.ptp(tiles.at, axis=0).max() / 2, 1.0)
    middle = tiles.at.mean(axis=0)
    here = np.array([[1 / size, 0, -middle[0] / size], [0, 1 / size, -middle[1] / size], [0, 0, 1]])
    lens = plane.lens
    there = np.array([[1 / lens.radius_px, 0, -lens.centre_px[0] / lens.radius_px],
                      [0, 1 / lens.radius_px, -lens.centre_px[1] / lens.radius_px], [0, 0, 1]])
    x = apply_homography(here, tiles.at)
    raw = apply_homography(there, map_points(plane, tiles.at + tiles.move))
    h = there @ plane.homography @ np.linalg.inv(here)
    h, k1 = h / h[2, 2], lens.k1
    # Precision of a target in normalised AFTER units: the map's local slopes carry it over
    jacobian = np.stack([apply_homography(h, x + d) - apply_homography(h, x - d)
                         for d in 1e-4 * np.eye(2)], axis=-1) / 2e-4 * size ** -1
    inverse = np.linalg.inv(jacobian)
    precision = np.einsum("nji,njk,nkl->nil", inverse, tiles.precision, inverse)
    bend = raw * (raw * raw).sum(-1, keepdims=True)
    count = {"affine": 6, "perspective": 8, "radial": 9}[free]
    known = max(float(tiles.firm.sum()) - count, 1.0)
    for _ in range(ROUNDS):
        value = apply_homography(h, x)
        miss = raw + k1 * bend - value
        distance = np.einsum("ni,nij,nj->n", miss, precision, miss)
        # The typical tile sets the scale: median of chi square with as many degrees as it tells directions
        widen = max(float(np.median(distance / np.where(tiles.firm == 2, 1.386, 0.455))), 1.0)
        weight = 1 / (1 + distance / (widen * tiles.firm * OUTLYING ** 2)) ** 2
        slopes = _slopes_of_map(x, value, x @ h[2, :2] + 1, bend)[..., :count]
        weighted = np.einsum("nij,njk->nik", precision * (weight / widen)[:, None, None], slopes)
        normal = np.einsum("nji,njk->ik", slopes, weighted)
        right = np.einsum("nji,nj->i", weighted, miss)
        if count == 9:
            normal[8, 8] += K1_SD ** -2
            right[8] -= (k1 - plane.expected_k1) * K1_SD ** -2
        normal[np.diag_indices(count)] *= 1 + 1e-9
        step = np.linalg.lstsq(normal, right, rcond=1e-13)[0]
        h.ravel()[:min(count, 8)] += step[:8]
        k1 += step[8] if count == 9 else 0.0
        if np.abs(step).max() < 1e-8:
            break
    covariance = np.zeros((9, 9))
    covariance[:count, :count] = np.linalg.pinv(normal) * max(1.0, tiles.firm.sum() / known)
    miss = raw + k1 * bend - apply_homography(h, x)
    matrix = np.linalg.inv(there) @ h @ here
    return MapFit(map=replace(plane, homography=matrix / matrix[2, 2], lens=replace(lens, k1=float(k1))),
                  residual=np.einsum("nij,nj->ni", inverse, miss), weight=weight, covariance=covariance,
                  frames=(here, there))


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
    return np.sqrt(variance) / there[0, 0]
