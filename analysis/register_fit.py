"""Fit a homography between two stroke responses, and check it by tiles that did not take part.

Gauss-Newton on the difference of the two responses: efficient second-order
minimisation (Benhimane and Malis, "Real-time image-based tracking of planes",
IROS 2004), with a gain and an offset of AFTER's response as further unknowns and
weights of the Cauchy kind, so that a stain or a missing stroke pulls little.

Points are (x, y) in samples of BEFORE's working grid. AFTER's picture has been
laid on that grid by a start, so a fit is a homography near the identity.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.resample import block_means

__all__ = ["Fit", "TileCheck", "check_tiles", "fit_homography", "folds"]

ROBUST = 0.18              # residual of responses (0 to 1) at which a sample counts half
STEPS = 14                 # at most, per level
SETTLED = 0.004            # samples: the largest movement of a corner in the last step
LEAST_SLOPE = 0.02         # response per sample: flatter places tell nothing
MOST_SAMPLES = 60_000      # of one fit; more add time and no accuracy
TILE_ENERGY = 40.0         # sum of squared slopes a tile needs along its best direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Homography from BEFORE's grid to AFTER's picture on that grid."""

    homography: NDArray[np.float64]
    converged: bool
    residual: float                    # weighted rms difference of the responses
    gain: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TileCheck:
    """What held-out tiles say of a homography."""

    at: NDArray[np.float64]            # (n, 2) middles of the tiles, samples
    move: NDArray[np.float64]          # (n, 2) movement that a tile still asks for, along what it can tell
    agreement: NDArray[np.float64]     # (n,) correlation of the tile's responses, -1 to 1
    weight: NDArray[np.float64]        # (n,) stroke energy
    firm: NDArray[np.int64]            # (n,) 1: tells one direction (a side of the frame), 2: both


def fit_homography(before: NDArray[np.float32], after: NDArray[np.float32], use: NDArray[np.float32],
                   sigmas: tuple[float, ...], start: NDArray[np.float64] | None = None,
                   affine_first: bool = False) -> Fit:
    """Fit from coarse to fine.

    Parameters
    ----------
    before, after : ndarray, shape (rows, columns), float32
        Stroke responses, 0 to 1.
    use : ndarray, same shape, float32
        Weight of each sample of BEFORE, 0 to leave it out.
    sigmas : tuple of float
        Blur of both responses, samples, one level after the other; the first
        sets how far off the start may be (about two of it).
    start : ndarray, shape (3, 3), optional
        Identity by default.
    affine_first : bool
        Keep the two perspective terms until the last level.

    Returns
    -------
    Fit
    """
    matrix = np.eye(3) if start is None else np.asarray(start, np.float64)
    converged, residual, gain = False, np.inf, 1.0
    for level, sigma in enumerate(sigmas):
        free = 6 if affine_first and level < len(sigmas) - 1 else 8
        smooth = [cv2.GaussianBlur(r, (0, 0), sigma) for r in (before, after)]
        matrix, converged, residual, gain = _level(*smooth, use, matrix, free)
        if not np.all(np.isfinite(matrix)):
            return Fit(homography=np.eye(3), converged=False, residual=np.inf, gain=0.0)
    return Fit(homography=matrix, converged=converged, residual=residual, gain=gain)


def _level(before, after, use, matrix, free):
    """Iterate at one blur."""
    rows, columns = before.shape
    scale = max(rows, columns) / 2
    norm = np.array([[1 / scale, 0, -(columns - 1) / 2 / scale], [0, 1 / scale, -(rows - 1) / 2 / scale], [0, 0, 1]])
    back = np.linalg.inv(norm)
    corners = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], float).reshape(-1, 1, 2)
    sx, sy = _slopes(before)
    residual, gain, converged = np.inf, 1.0, False
    for _ in range(STEPS):
        warped = _warp(after, matrix, before.shape)
        wx, wy = _slopes(warped)
        gx, gy = 0.5 * (sx + wx), 0.5 * (sy + wy)
        strong = (gx * gx + gy * gy) * (use > 0) > LEAST_SLOPE ** 2 / 4
        places = np.flatnonzero(strong)
        if places.size < 200:
            return matrix, False, np.inf, gain
        if places.size > MOST_SAMPLES:
            places = places[::places.size // MOST_SAMPLES + 1]
        y, x = np.divmod(places, columns)
        x, y = x / scale + norm[0, 2], y / scale + norm[1, 2]
        a, b, r0, r1 = (np.asarray(f, np.float64).ravel()[places] for f in (gx, gy, before, warped))
        a, b = a * scale, b * scale
        along = a * x + b * y
        columns_of = [a * x, a * y, a, b * x, b * y, b, -along * x, -along * y][:free]
        jacobian = np.stack([*columns_of, r1, np.ones_like(r1)], axis=1)
        miss = r0 - r1
        weight = use.ravel()[places] / (1 + ((miss - np.median(miss)) / ROBUST) ** 2)
        weighted = jacobian * weight[:, None]
        normal = weighted.T @ jacobian
        normal[np.diag_indices_from(normal)] += 1e-9 * np.trace(normal) / len(normal)
        step = np.linalg.solve(normal, weighted.T @ miss)
        move = np.eye(3)
        move.ravel()[:free] += step[:free]
        previous = cv2.perspectiveTransform(corners, matrix)
        matrix = matrix @ (back @ move @ norm)
        matrix /= matrix[2, 2]
        residual = float(np.sqrt((weight * miss * miss).sum() / weight.sum()))
        gain = 1.0 + float(step[free])
        moved = float(np.abs(cv2.perspectiveTransform(corners, matrix) - previous).max())
        if not np.isfinite(moved) or moved > 0.5 * scale:
            return np.full((3, 3), np.nan), False, np.inf, gain
        if moved < SETTLED:
            converged = True
            break
    return matrix, converged or moved < 10 * SETTLED, residual, gain


def _slopes(picture):
    """Central differences, per sample."""
    kernel = np.array([[-0.5, 0, 0.5]], np.float32)
    return (cv2.filter2D(picture, -1, kernel, borderType=cv2.BORDER_REPLICATE),
            cv2.filter2D(picture, -1, kernel.T, borderType=cv2.BORDER_REPLICATE))


def _warp(picture, matrix, shape):
    """Picture at the mapped places."""
    return cv2.warpPerspective(picture, matrix, shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                               borderMode=cv2.BORDER_REPLICATE)


def folds(shape: tuple[int, int], tile_px: int) -> NDArray[np.bool_]:
    """Checkerboard of tiles, shape (rows, columns): true and false are the two halves of a cross-check."""
    rows, columns = (np.arange(n) // tile_px for n in shape)
    return (rows[:, None] + columns[None, :]) % 2 == 0


def check_tiles(before: NDArray[np.float32], after: NDArray[np.float32], homography: NDArray[np.float64],
                use: NDArray[np.float32], tile_px: int, sigma: float = 1.5) -> TileCheck:
    """Ask every tile with strokes how far it still has to move.

    Parameters
    ----------
    before, after : ndarray, shape (rows, columns), float32
        Stroke responses.
    homography : ndarray, shape (3, 3)
        To be checked.
    use : ndarray, same shape
        Only tiles where this is positive answer.
    tile_px : int
        Side of a tile, samples.
    sigma : float
        Blur of both responses, samples.

    Returns
    -------
    TileCheck

    Notes
    -----
    The movement is one step of Lucas and Kanade's (1981) least squares for each
    tile, good to a fraction of `sigma`; along a straight stroke it has no say, so there only the component
    across counts.
    """
    first = cv2.GaussianBlur(before, (0, 0), sigma)
    second = _warp(cv2.GaussianBlur(after, (0, 0), sigma), homography, before.shape)
    sx, sy = _slopes(first)
    wx, wy = _slopes(second)
    gx, gy = 0.5 * (sx + wx), 0.5 * (sy + wy)
    miss = first - second
    on = (use > 0).astype(np.float32)
    sums = [_tile_sums(f * on, tile_px) for f in
            (gx * gx, gx * gy, gy * gy, gx * miss, gy * miss, first, second, first * first, second * second,
             first * second, on)]
    xx, xy, yy, xm, ym, f, s, ff, ss, fs, n = sums
    moves, firm = _solve_tiles(xx, xy, yy, xm, ym)
    count = np.maximum(n, 1)
    spread = np.sqrt(np.maximum(ff - f * f / count, 0) * np.maximum(ss - s * s / count, 0))
    agreement = (fs - f * s / count) / np.maximum(spread, 1e-6)
    keep = (firm > 0) & (n > 0.3 * tile_px * tile_px)
    rows, columns = np.nonzero(keep)
    at = np.stack([columns, rows], axis=1) * float(tile_px) + (tile_px - 1) / 2
    return TileCheck(at=at, move=moves[keep], agreement=agreement[keep], weight=(xx + yy)[keep],
                     firm=firm[keep])


def _tile_sums(field, tile_px):
    """Sum over square tiles; a rest at the right and below is dropped."""
    return block_means(field, tile_px).astype(np.float64) * tile_px ** 2


def _solve_tiles(xx, xy, yy, xm, ym):
    """Least-squares movement of each tile along its firm directions."""
    tensor = np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2)
    values, vectors = np.linalg.eigh(tensor)
    enough = values > np.maximum(TILE_ENERGY / 25.0, 0.04 * values[..., 1:])
    target = np.stack([xm, ym], -1)
    along = np.einsum("...ji,...j->...i", vectors, target) / np.maximum(values, 1e-9)
    along = np.where(enough, along, 0.0)
    return np.einsum("...ij,...j->...i", vectors, along), enough.sum(-1)
