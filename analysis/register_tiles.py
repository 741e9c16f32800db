"""What many small tiles say of the map between two photos of a plane.

Each tile of BEFORE is asked how far it still has to move to agree with AFTER,
and how surely. Tiles are few, so that fits of halves and the map's own
uncertainty cost nothing beside the pictures.

Points are (x, y). A tile's place is in samples of BEFORE's working grid.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.resample import block_means

__all__ = ["SHARED_STROKES", "Tiles", "figures_of", "joined", "measure_tiles", "select"]

LEAST_NOISE = 0.03         # of a response: what little ever differs
WIDTH_SD = 0.15            # of the blur: how much more the strokes of one tile may be wider than those of all
SAME_STROKES = 0.5         # correlation of a tile that both photos show
MOST_GAIN = 2.0            # between the two photos' responses
SURE = 0.25                # of the blur: a direction in which a tile knows its move worse is left out
FIRM_SHARE = 0.01          # of the best direction's: a direction that tells less is left out
LEAST_COVER = 0.3          # of a tile that both photos show
FLOOR_SAMPLES = 0.15       # no tile is believed better than this: engraving is not repeated better (0.02 mm)
FIGURE_CELLS = 5           # across the distance that parts two figures
SHARED_STROKES = 2.0       # neighbouring tiles share strokes: half of them count


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiles:
    """What tiles of BEFORE say of a map."""

    at: NDArray[np.float64]            # (n, 2) middles, samples
    move: NDArray[np.float64]          # (n, 2) movement that a tile still asks for, along what it can tell
    precision: NDArray[np.float64]     # (n, 2, 2) inverse covariance of `move`, 0 along what it cannot tell
    agreement: NDArray[np.float64]     # (n,) correlation of the tile's responses, -1 to 1
    corners: NDArray[np.float64]       # (n,) sum of squared slopes in the lesser direction: no grain, no stripes
    firm: NDArray[np.int64]            # (n,) 1: tells one direction (a straight stroke), 2: both


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
    count = np.maximum(n, 1)
    spread = np.sqrt(np.maximum(ff - f * f / count, 0) * np.maximum(ss - s * s / count, 0))
    agreement = (fs - f * s / count) / np.maximum(spread, 1e-6)
    # Grain and what one photo alone shows are wider by anything: they must not tell
    wider = _weighted_median(_ratio(sm - (side * plain).sum(-1), bulk - (across * side).sum(-1)),
                             told * (agreement > SAME_STROKES))
    wider = float(np.clip(wider, -sigma, sigma))
    share = 1 / (bulk + noise / (WIDTH_SD * sigma) ** 2)
    right = right - wider * side - side * (share * (sm - wider * bulk))[..., None]
    values, vectors = np.linalg.eigh(normal - share[..., None, None] * side[..., :, None] * side[..., None, :])
    enough = values > np.maximum(LEAST_NOISE ** 2 * area / (SURE * sigma) ** 2, FIRM_SHARE * values[..., 1:])
    along = np.einsum("...ji,...j->...i", vectors, right)
    along = np.where(enough, along / np.maximum(values, 1e-9), 0.0)
    sd2 = noise[..., None] / np.maximum(values, 1e-9) + FLOOR_SAMPLES ** 2
    precision = np.einsum("...ik,...k,...jk->...ij", vectors, enough / sd2, vectors)
    keep = enough.any(-1) & (n > LEAST_COVER * tile_px * tile_px)
    rows, columns = np.nonzero(keep)
    return Tiles(at=np.stack([columns, rows], axis=1) * float(tile_px) + (tile_px - 1) / 2 + [left, top],
                 move=np.einsum("...ij,...j->...i", vectors, along)[keep], precision=precision[keep],
                 agreement=agreement[keep], corners=values[..., 0][keep],
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


def figures_of(tiles: Tiles, apart: float) -> NDArray[np.int64]:
    """Number, from 0, of the figure that each tile lies on: tiles less than `apart` samples apart are of one."""
    cells = np.round((tiles.at - tiles.at.min(axis=0)) * (FIGURE_CELLS / apart)).astype(int) + FIGURE_CELLS
    there = np.zeros(cells.max(axis=0)[::-1] + FIGURE_CELLS + 1, np.uint8)
    there[cells[:, 1], cells[:, 0]] = 1
    _, figures = cv2.connectedComponents(cv2.dilate(there, np.ones((FIGURE_CELLS, FIGURE_CELLS), np.uint8)))
    return np.unique(figures[cells[:, 1], cells[:, 0]], return_inverse=True)[1].ravel()


def joined(tiles: Tiles, others: Tiles) -> Tiles:
    """Both."""
    return Tiles(**{name: np.concatenate([getattr(tiles, name), getattr(others, name)])
                    for name in Tiles.__dataclass_fields__})


def _weighted_median(values, weights) -> float:
    """Value with half of the weight below it; 0 where nothing has any."""
    order = np.argsort(values, axis=None)
    below = np.cumsum(weights.ravel()[order])
    return float(values.ravel()[order][np.searchsorted(below, below[-1] / 2)]) if below[-1] > 0 else 0.0


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
