"""Piece to texture: log reflectance with slow trends and artwork taken out.

Light that falls unevenly, vignetting, smoke and a ramp of depth multiply the
reflectance by something smooth, so in log reflectance they add a smooth trend.
A polynomial of low order takes it out: it has too few bends to follow a stripe
of a quarter of the piece or shorter. What is artwork (frame, lettering, ruler,
knots, glare) gets weight zero, and the estimators that follow use weights:
nothing is ever filled in.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.artwork import ARTWORK_SIGMA, find_artwork
from analysis.errors import PhotoError
from analysis.ranks import median
from analysis.rectify import Piece
from analysis.resample import block_means
from analysis.slow_trend import slow_trend

__all__ = ["Texture", "flatten", "glare_share", "lost_to_artwork", "strength_of", "turned_a_quarter"]

CELL_MM = 1.0              # cells of the trend fit and of the local spread
FRAME_MARGIN_MM = 1.0      # beyond the frame's own line: charred edge and blur
FRAME_SEARCH_MM = 3.0      # a frame line is never wider than this; common practice, no source
FEWEST_CELLS = 60
# What lies less than so many s.d. above the plane through the darker ground belongs to it: with it the spots of 14
# simulated photos, known exactly, come out at 0.7 to 1 of what they hide; and log reflectance that counts as even
DARKER_SD, EVEN = 0.7, 0.01
FLOOR = 1.0 / 4096.0       # linear light below this is the camera's noise, not the piece


@dataclass(frozen=True, slots=True, kw_only=True)
class Texture:
    """Log reflectance on the piece's grid, trend taken out; missing data has weight 0."""

    name: str
    log_reflectance: NDArray[np.float32]   # (rows, columns), 0 where weight is 0
    weight: NDArray[np.float32]            # (rows, columns), 0 to 1
    trend: NDArray[np.float32]             # coarse log trend, for display, one value a cell of 1 mm
    samples_per_mm: float
    origin_mm: tuple[float, float]
    scale_known: bool
    longest_period_mm: float               # periods above this are eaten by the trend removal
    artwork_fraction: float                # share of the piece masked as artwork, frame, knots, glare
    scale_sd_fraction: float = 0.0         # carried on from the piece: flows into every period's interval
    transfer_sd_fraction: float = 0.0      # 1 s.d. of what the photo does to contrast, relative
    axis_sd_deg: float = 0.0               # carried on from the piece: flows into every angle's interval
    warnings: tuple[str, ...] = ()


def flatten(piece: Piece, *, region_mm: tuple[float, float, float, float] | None = None,
            stripes: NDArray[np.float32] | None = None) -> Texture:
    """Take trend and artwork out of a piece.

    Parameters
    ----------
    piece : Piece
    region_mm : (x, y, w, h), optional
        Part to keep, mm on the piece; everything else gets weight 0.
    stripes : ndarray, shape of the piece, optional
        Log reflectance of stripes found in an earlier texture of this piece: artwork is looked for without them, so
        that it takes as much from their dark phases as from their bright ones.

    Returns
    -------
    Texture
        `log_reflectance` has weighted mean near 0 everywhere.

    Raises
    ------
    PhotoError
        Nothing is left to analyse: the region misses the piece, or artwork covers it.

    Notes
    -----
    The trend is a robust (Huber) least-squares polynomial with terms x^i y^j,
    i/4 + j/6 <= 1, fitted to means of 1 mm cells. A cosine of a quarter of the
    width loses about a tenth of its amplitude to it, one of an eighth nothing.
    """
    keep = piece.valid & _region(piece, region_mm) & _inside_frame(piece)
    level = np.log(np.maximum(piece.reflectance, np.float32(FLOOR)))
    if keep.sum() < 400:
        raise PhotoError("The part to analyse holds no part of the piece. "
                         "Set a region inside the frame, or leave it empty for the whole piece.")
    columns = np.flatnonzero(keep.any(axis=0))
    length_mm = (columns[-1] - columns[0] + 1) / piece.samples_per_mm
    cell = max(2, round(CELL_MM * piece.samples_per_mm)) if piece.scale_known else max(2, keep.shape[1] // 80)
    spread_cells = _cells(keep, cell)
    if spread_cells < FEWEST_CELLS:
        raise PhotoError("The part to analyse is too small to tell anything. "
                         "Take a region of at least 8 x 8 mm, or a photo that shows more of the piece.")
    before = keep.sum()
    usable = keep & ~find_artwork(level if stripes is None else level - stripes, keep, cell, piece.samples_per_mm)
    if _cells(usable, cell) < FEWEST_CELLS:
        raise PhotoError("Artwork, knots or glare cover nearly all of the piece. "
                         "Photograph a piece with plain engraved background, or set a region that has some.")
    trend = slow_trend(level, usable, cell)
    rest = np.subtract(level, trend, out=level)                      # in place: fresh memory costs more than the sum
    rest[~usable] = 0.0
    weight = _evenness(rest, usable, cell)
    weight *= usable
    np.clip(rest, -1.0, 1.0, out=rest)
    np.subtract(rest, np.float32(np.average(rest, weights=weight)), out=rest, where=usable)
    for array in (rest, weight):
        array.setflags(write=False)
    return Texture(name=piece.name, log_reflectance=rest, weight=weight,
                   trend=np.ascontiguousarray(trend[::cell, ::cell]), samples_per_mm=piece.samples_per_mm,
                   origin_mm=piece.origin_mm, scale_known=piece.scale_known,
                   longest_period_mm=length_mm / 4.0,
                   artwork_fraction=float(1.0 - usable.sum() / before),
                   scale_sd_fraction=piece.scale_sd_fraction, axis_sd_deg=piece.axis_sd_deg)


def lost_to_artwork(texture: Texture, stripes: NDArray[np.float32]) -> float:
    """Largest share of the contrast of stripes that the search for artwork may have eaten by following their phase.

    Parameters
    ----------
    stripes : ndarray, shape (rows, columns)
        Their log reflectance.

    Notes
    -----
    What was masked lay at least `ARTWORK_SIGMA` s.d. of the texture from its middle; so much, times the mean of the
    stripes where it lay, is missing from their correlation with the texture.
    """
    few = np.s_[::3, ::3]
    used, wave = texture.weight[few] > 0, stripes[few]
    energy = float(np.sum(wave[used] ** 2))
    depth = ARTWORK_SIGMA * float(np.std(texture.log_reflectance[few][used]))
    return depth * abs(float(np.sum(wave[~used]))) / energy if energy > 0 else 0.0


def strength_of(texture: Texture, stripes: NDArray[np.float32]) -> float:
    """Stripes in the texture over the given ones of shape (rows, columns), by least squares."""
    weighted = texture.weight * stripes
    return float(np.vdot(weighted, texture.log_reflectance)) / max(float(np.vdot(weighted, stripes)), 1e-12)


def turned_a_quarter(texture: Texture) -> Texture:
    """The texture with its two axes exchanged: what it would be if the piece lay on its side."""
    x, y = texture.origin_mm
    rows = np.flatnonzero(texture.weight.any(axis=1))
    length_mm = (rows[-1] - rows[0] + 1) / texture.samples_per_mm if rows.size else 0.0
    log, weight, trend = (np.ascontiguousarray(a.T) for a in (texture.log_reflectance, texture.weight, texture.trend))
    return replace(texture, log_reflectance=log, weight=weight, trend=trend, origin_mm=(y, x),
                   longest_period_mm=length_mm / 4.0)


def glare_share(texture: Texture) -> float:
    """Share of a stripe's contrast that a bright spot on the ground may hide.

    Light that is added, not reflected, lowers contrast by its share of what is seen. What lies above a plane (light
    that falls off, a ramp of depth) through the darker part of the ground may be such light: through all of it the
    spot itself would lift the plane.
    """
    cell = -(-texture.weight.shape[1] // texture.trend.shape[1])
    weight = texture.weight[::cell, ::cell].astype(np.float64)
    y, x = np.meshgrid(*(np.linspace(-1, 1, n) for n in texture.trend.shape), indexing="ij")
    used = weight > 0
    table = np.stack([np.ones(used.sum()), x[used], y[used]], axis=1)
    level = texture.trend[used].astype(np.float64)
    dark = np.ones(level.size, bool)
    for _ in range(6):
        above = level - table @ np.linalg.lstsq(table[dark], level[dark], rcond=None)[0]
        dark = above < max(DARKER_SD * 1.4826 * float(np.median(np.abs(above[dark]))), EVEN)
    return float(np.average(np.maximum(1.0 - np.exp(-above), 0.0), weights=weight[used]))


def _region(piece: Piece, region_mm) -> NDArray[np.bool_]:
    """Samples inside the region, or all."""
    if region_mm is None:
        return np.ones(piece.valid.shape, bool)
    x, y, w, h = region_mm
    rows, columns = piece.valid.shape
    xs = piece.origin_mm[0] + np.arange(columns) / piece.samples_per_mm
    ys = piece.origin_mm[1] + np.arange(rows) / piece.samples_per_mm
    return ((ys >= y) & (ys <= y + h))[:, None] & ((xs >= x) & (xs <= x + w))[None, :]


def _inside_frame(piece: Piece) -> NDArray[np.bool_]:
    """Samples inside the frame's inner edge, which the mean profile of each side shows."""
    inside = np.ones(piece.valid.shape, bool)
    if piece.frame_mm is None:
        return inside
    rows, columns = piece.valid.shape
    s = piece.samples_per_mm
    xs = piece.origin_mm[0] + np.arange(columns) / s
    ys = piece.origin_mm[1] + np.arange(rows) / s
    width, height = piece.frame_mm
    thin = max(1, int(s / 2))              # a row every half millimetre tells the sides as well as all of them
    across_x, across_y = (median(np.where(piece.valid[part], piece.reflectance[part], np.nan), axis=axis)
                          for axis, part in enumerate((np.s_[rows // 5: rows - rows // 5: thin],
                                                       np.s_[:, columns // 5: columns - columns // 5: thin])))
    left = _line_width(across_x, xs, 0.0, 1)
    right = _line_width(across_x, xs, width, -1)
    top = _line_width(across_y, ys, 0.0, 1)
    bottom = _line_width(across_y, ys, height, -1)
    inside &= ((xs > left) & (xs < width - right))[None, :]
    inside &= ((ys > top) & (ys < height - bottom))[:, None]
    return inside


def _line_width(profile, position, edge, inward) -> float:
    """Margin from the frame's outer edge to where its line has ended, mm."""
    depth = (position - edge) * inward
    near = (depth >= 0) & (depth <= FRAME_SEARCH_MM) & np.isfinite(profile)
    beyond = (depth > FRAME_SEARCH_MM) & (depth <= 3 * FRAME_SEARCH_MM) & np.isfinite(profile)
    if near.sum() < 3 or beyond.sum() < 3:
        return 2.0
    level = np.median(profile[beyond])
    spread = 1.4826 * np.median(np.abs(profile[beyond] - level))
    odd = near & (np.abs(profile - level) > np.maximum(5 * spread, 0.25 * level))
    return float(depth[odd].max()) + FRAME_MARGIN_MM if odd.any() else FRAME_MARGIN_MM


def _cells(mask, cell) -> int:
    """How many cells of the trend fit are at least half covered."""
    return int((block_means(mask.astype(np.float32), cell) > 0.5).sum())


def _evenness(rest, usable, cell) -> NDArray[np.float32]:
    """Weight against patches rougher than the rest: inverse of the local variance, bounded to 1/8 .. 1."""
    share = block_means(usable.astype(np.float32), cell)
    power = cv2.GaussianBlur(block_means(rest * rest, cell), (0, 0), 3.0)
    local = power / np.maximum(cv2.GaussianBlur(share, (0, 0), 3.0), 1e-3)
    typical = np.median(local[share > 0.5]) + 1e-12
    weight = np.clip(typical / np.maximum(local, 1e-12), 0.125, 1.0).astype(np.float32)
    return cv2.resize(weight, rest.shape[::-1], interpolation=cv2.INTER_LINEAR)
