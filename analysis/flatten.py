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

from analysis.errors import PhotoError
from analysis.ranks import median, percentile
from analysis.rectify import Piece
from analysis.resample import block_means
from analysis.streaks import between_streaks

__all__ = ["Texture", "flatten", "glare_share", "lost_to_artwork", "strength_of",
           "turned_a_quarter"]

TREND_ORDER_X = 4          # about two bends: leaves periods up to a quarter of the width alone
TREND_ORDER_Y = 6          # along the stripes a trend may bend more: no stripe is lost by it
CELL_MM = 1.0              # cells of the trend fit and of the local spread
FRAME_MARGIN_MM = 1.0      # beyond the frame's own line: charred edge and blur
FRAME_SEARCH_MM = 3.0      # a frame line is never wider than this; common practice, no source
GROW_MM = 0.35             # artwork is widened by this: blur and scorched rims; common practice, no source
ARTWORK_SIGMA = 5.0        # robust s.d. of the texture beyond which a mark may be artwork
FEWEST_CELLS = 60
ARTWORK_PER_MM = 10.0      # strokes are found at this sampling: finer shows nothing of them
WIDEST_STROKE_MM = 2.5     # of artwork among grain: the grain runs on four times as far; common practice, no source
LEAST_MARK_MM2 = 1.0       # of artwork among grain: vessels and specks are smaller, a stroke of 0.3 mm longer
ROUGH = 0.1                # log reflectance, s.d.: rougher than this, artwork or a second ply may have set the spread
CALMER = 0.6               # of that s.d.: what the strict look must leave less than, on more than half the piece
LADDER = ((1, 1), (2, 3), (TREND_ORDER_X, TREND_ORDER_Y))      # trend orders of the strict look
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
    usable = keep & ~_artwork(level if stripes is None else level - stripes, keep, cell, piece)
    if _cells(usable, cell) < FEWEST_CELLS:
        raise PhotoError("Artwork, knots or glare cover nearly all of the piece. "
                         "Photograph a piece with plain engraved background, or set a region that has some.")
    trend = _trend(level, usable, cell)
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

    Light that is added, not reflected, lowers contrast by its share of what is seen. What the ground's
    level has above a plane (light that falls off, a ramp of depth) and above its own median may be such light.
    """
    cell = -(-texture.weight.shape[1] // texture.trend.shape[1])
    weight = texture.weight[::cell, ::cell].astype(np.float64)
    y, x = np.meshgrid(*(np.linspace(-1, 1, n) for n in texture.trend.shape), indexing="ij")
    used = weight > 0
    table = np.stack([np.ones(used.sum()), x[used], y[used]], axis=1)
    level = texture.trend[used].astype(np.float64)
    root = np.sqrt(weight[used])
    rest = level - table @ np.linalg.lstsq(table * root[:, None], level * root, rcond=None)[0]
    return float(np.average(np.maximum(1.0 - np.exp(np.median(rest) - rest), 0.0), weights=weight[used]))


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


def _trend(level, usable, cell, order=(TREND_ORDER_X, TREND_ORDER_Y), strict=False) -> NDArray[np.float32]:
    """Robust polynomial trend of the log reflectance at full sampling; `strict` lets far cells count for nothing."""
    share = block_means(usable.astype(np.float32), cell)
    mean = block_means(level * usable, cell) / np.maximum(share, 1e-6)
    rows, columns = mean.shape
    u, v = np.linspace(-1, 1, columns), np.linspace(-1, 1, rows)
    # Legendre terms keep the least-squares system well conditioned.
    terms = [(i, j) for i in range(order[0] + 1) for j in range(order[1] + 1)
             if i / order[0] + j / order[1] <= 1.0 + 1e-9]
    pu = np.polynomial.legendre.legvander(u, order[0])
    pv = np.polynomial.legendre.legvander(v, order[1])
    design = np.stack([np.outer(pv[:, j], pu[:, i]).ravel() for i, j in terms], axis=1)
    good = (share > 0.25).ravel()
    target, weight = mean.ravel()[good].astype(np.float64), share.ravel()[good].astype(np.float64)
    design = design[good]
    robust = np.ones_like(target)
    ridge = 1e-6 * good.sum() * np.eye(len(terms))
    for _ in range(20 if strict else 6):
        scaled = design * (weight * robust)[:, None]
        coefficient = np.linalg.solve(scaled.T @ design + ridge, scaled.T @ target)
        error = np.abs(target - design @ coefficient)
        limit = 2.0 * 1.4826 * median(error) + 1e-6
        robust = np.minimum(1.0, limit / np.maximum(error, 1e-12)) ** (3 if strict else 1)
    full_u = (np.arange(level.shape[1]) + 0.5) / cell - 0.5
    full_v = (np.arange(level.shape[0]) + 0.5) / cell - 0.5
    full_u = np.clip(full_u / max(columns - 1, 1) * 2 - 1, -1.05, 1.05)
    full_v = np.clip(full_v / max(rows - 1, 1) * 2 - 1, -1.05, 1.05)
    table = np.zeros((order[1] + 1, order[0] + 1))
    for (i, j), value in zip(terms, coefficient, strict=True):
        table[j, i] = value
    pu = np.polynomial.legendre.legvander(full_u, order[0]).astype(np.float32)
    pv = np.polynomial.legendre.legvander(full_v, order[1])
    return (pv @ table).astype(np.float32) @ pu.T


def _artwork(level, keep, cell, piece) -> NDArray[np.bool_]:
    """Strokes, fills, knots and glare; artwork bends the first trend a little, so it is looked for twice."""
    factor = max(1, int(piece.samples_per_mm / ARTWORK_PER_MM))
    coarse = block_means(level, factor)
    inside = cv2.resize(keep.astype(np.uint8), coarse.shape[::-1], interpolation=cv2.INTER_NEAREST).astype(bool)
    cell = max(2, round(cell / factor))
    sampling = piece.samples_per_mm / factor
    marks = np.zeros_like(inside)
    for _ in range(2):
        usable = inside & ~marks
        rest = coarse - _trend(coarse, usable, cell)
        marks = _marks(rest, inside, usable, sampling, _spread)
    roughness = float(np.std(rest[inside & ~marks]))
    if roughness > ROUGH:
        strict = np.zeros_like(inside)
        for order in LADDER:
            usable = inside & ~strict
            rest = coarse - _trend(coarse, usable, cell, order, strict=True)
            strict = _marks(rest, inside, usable, sampling, _shortest_half)
        left = inside & ~strict
        if left.sum() > 0.5 * inside.sum() and np.std(rest[left]) < CALMER * roughness:
            marks = strict
    marks |= _under_grain(coarse, inside & ~marks, cell, sampling)
    if factor == 1:
        return marks
    full = cv2.resize(marks.astype(np.uint8), None, fx=factor, fy=factor, interpolation=cv2.INTER_NEAREST)
    below, beside = (n - m for n, m in zip(level.shape, full.shape, strict=True))
    return cv2.copyMakeBorder(full, 0, below, 0, beside, cv2.BORDER_REPLICATE).astype(bool)


def _under_grain(level, usable, cell, samples_per_mm) -> NDArray[np.bool_]:
    """Artwork that strong rings and fibres hide from a bar of their own spread, as plain as it is to the eye."""
    rest = np.where(usable, level - _trend(level, usable, cell), np.float32(0))
    plain = between_streaks(rest, usable, WIDEST_STROKE_MM * samples_per_mm)
    return _marks(plain, usable, usable, samples_per_mm, _spread, LEAST_MARK_MM2)


def _spread(values) -> tuple[float, float, float]:
    """Middle of the values, and one robust s.d. below and above it."""
    return tuple(percentile(values, [16, 50, 84]))


def _shortest_half(values) -> tuple[float, float, float]:
    """The same from the shortest half, which up to half of foreign values cannot move.

    P. J. Rousseeuw, "Least median of squares regression", J. Am. Stat. Assoc. 79, 871-880 (1984).
    """
    ordered = np.sort(values)
    half = len(ordered) // 2
    start = int(np.argmin(ordered[half:] - ordered[: len(ordered) - half]))
    centre = 0.5 * (ordered[start] + ordered[start + half])
    sd = 0.5 * (ordered[start + half] - ordered[start]) / 0.6745
    return centre - sd, centre, centre + sd


def _marks(rest, keep, usable, samples_per_mm, spread, least_mm2=0.0) -> NDArray[np.bool_]:
    """What lies far outside the texture's own spread.

    Looked for wherever `keep` is true; the spread is that of the `usable` part of the
    whole piece, so that a line of letters cannot raise the bar for itself; a stroke counts
    where it is both beyond the bar and wider than a speck.
    """
    smooth = cv2.GaussianBlur(np.where(keep, rest, np.float32(0)), (0, 0), max(0.08 * samples_per_mm, 0.8))
    low, centre, high = spread(smooth[usable][::7])
    bar_low = centre - ARTWORK_SIGMA * max(centre - low, 0.02)
    bar_high = centre + ARTWORK_SIGMA * max(high - centre, 0.02)
    odd = ((smooth < bar_low) | (smooth > bar_high)) & keep
    # A mark that passes the bar is followed down to half of it, so that its soft rim goes too.
    soft = (smooth < centre + 0.5 * (bar_low - centre)) | (smooth > centre + 0.5 * (bar_high - centre))
    soft &= keep
    count, labels = cv2.connectedComponents(soft.astype(np.uint8), connectivity=8)
    hit = np.zeros(count, bool)
    hit[np.unique(labels[odd])] = True
    hit[0] = False
    if least_mm2:
        hit &= np.bincount(labels.ravel(), minlength=count) >= least_mm2 * samples_per_mm ** 2
        odd &= hit[labels]
    size = 2 * max(1, round(GROW_MM * samples_per_mm)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return cv2.dilate((hit[labels] | odd).astype(np.uint8), kernel).astype(bool)


def _evenness(rest, usable, cell) -> NDArray[np.float32]:
    """Weight against patches rougher than the rest: inverse of the local variance, bounded to 1/8 .. 1."""
    share = block_means(usable.astype(np.float32), cell)
    power = cv2.GaussianBlur(block_means(rest * rest, cell), (0, 0), 3.0)
    local = power / np.maximum(cv2.GaussianBlur(share, (0, 0), 3.0), 1e-3)
    typical = np.median(local[share > 0.5]) + 1e-12
    weight = np.clip(typical / np.maximum(local, 1e-12), 0.125, 1.0).astype(np.float32)
    return cv2.resize(weight, rest.shape[::-1], interpolation=cv2.INTER_LINEAR)
