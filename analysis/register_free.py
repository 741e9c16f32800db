"""Align two photos by their artwork, where AFTER's frame is not known.

Features only give a start. Tiles of strokes carry the fit, outward from where
the start is sure to where more tiles agree, and only what many tiles confirm
is believed: grain and stripes are no strokes, so they can neither make nor move
an alignment.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc

from analysis.geometry import apply_homography, lens_of_photo, undistort
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.register_framed import Match
from analysis.register_ground import SHARED_STROKES, outline_of, with_ground
from analysis.register_same import refined_on_same_board
from analysis.register_start import STROKE_SHARE, Start, credible, shrunk, starts
from analysis.register_tiles import (
    MapFit,
    PlaneMap,
    Tiles,
    fit_map,
    joined,
    map_points,
    map_sd,
    measure_tiles,
    scale_of,
    select,
    warp,
)
from analysis.streaks import without_streaks
from analysis.strokes import respond, stroke_depth, stroke_response

__all__ = ["align_free"]

WORK_PX = 1.5e6            # and, at most, of a working picture
WIDEST_STROKE_MM = 3.2
FILL = 2.4                 # widest fill over the widest stroke; asked where strokes say nothing
EITHER_SHADE = 0.4         # of dark artwork, that light marks must amount to, so that they may be the artwork
LIGHT_SIGMAS = 4.0         # of the grain's depth, that light artwork stands above its ground
LEAST_AGREEING = 4         # tiles that a fit needs
ROUNDS = 4                 # at most, of a level
FEATURE_SD = 0.15          # of a feature's place on another board, over the widest stroke
MOST_MOVE = 1.0            # of a tile that agrees, over the blur
FOLLOWS = 0.3              # weight of a tile that widens the region
WIDER = 1.03               # the region has grown
SETTLED = 0.05             # of the blur: so small a change ends a level
LEAST_TILES = 18           # a single word or figure in common has about 13 and fixes no perspective
LEAST_WITH_SIDES = 12      # the same where the sides of the ground agree as well
LEAST_SHARE = 0.45         # of the artwork's corners inside their outline; 18 unrelated pairs of some breadth: 0.31
LEAST_BREADTH, LEAST_LENGTH = 4.0, 7.0     # of the box around the tiles that agree, over the widest stroke
MOST_OFF = 0.06            # of a held-out tile, over the widest stroke: 0.2 mm
MOST_FALSE = 1e-6          # probability that so many held-out tiles agree by chance
MOST_SD_WIDTHS = 0.14      # of the place of the corners, over the widest stroke: 0.45 mm
BEYOND = 1.06              # the piece reaches so far beyond its artwork, both from the photo's middle
NOT_ALIGNED = ("No artwork that both photos share was found, so which part of one lies on which part of the other "
               "cannot be told. Choose two pieces with the same artwork seen whole, engrave a frame of known size, "
               "or give the corners of both pieces.")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Level:
    """How finely one level looks."""

    across: float                      # samples across the widest stroke
    sigma: float                       # blur, samples
    tile: float                        # side of a tile, samples
    alike: float                       # correlation of a tile that agrees
    free: str                          # what the fit may change
    reach: float                       # how far beyond the tiles that agree others are asked, over the widest stroke


LEVELS = (_Level(across=10.0, sigma=3.5, tile=20.0, alike=0.5, free="affine", reach=8.0),
          _Level(across=16.0, sigma=2.4, tile=20.0, alike=0.6, free="perspective", reach=3.0),
          _Level(across=26.0, sigma=1.8, tile=32.0, alike=0.75, free="radial", reach=3.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """Depth of strokes of both photos at a level."""

    depths: tuple[NDArray[np.float32], ...]     # BEFORE, of strokes and at the last level of fills
    valid: NDArray[np.bool_]
    to_source: NDArray[np.float64]     # 3x3: its samples -> BEFORE's grid
    others: tuple[NDArray[np.float32], ...]     # AFTER's depths
    to_other: NDArray[np.float64]      # 3x3: AFTER photo px -> its samples


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """A start that tiles confirmed, fitted on them."""

    map: PlaneMap                      # BEFORE's grid samples -> AFTER photo px
    fit: MapFit                        # the same from samples of the last level
    tiles: Tiles                       # of the last level
    agrees: NDArray[np.bool_]          # those that agree
    to_source: NDArray[np.float64]     # 3x3: samples of the last level -> BEFORE's grid
    widest: float                      # stroke, samples of the last level
    chance: float                      # share of tiles that agree where AFTER is laid elsewhere
    corners: NDArray[np.float64] | None = None     # (4, 2) of the ground that both photos show, samples

    @property
    def agreement(self) -> float:
        """Correlation of the strokes, tile by tile."""
        return float(np.average(self.tiles.agreement, weights=self.tiles.corners + 1e-9))


def align_free(before: Photo, after: Photo, before_piece: Piece) -> Match:
    """Align by artwork alone, or by the grain of one board photographed twice.

    Parameters
    ----------
    before, after : Photo
    before_piece : Piece
        Gives the part of BEFORE that counts, and its scale.

    Returns
    -------
    Match
        Refused where too few tiles of artwork agree, and the grain does not either.
    """
    best, tried = _refusal(), []
    outline = outline_of(after)
    widest = _widest(before_piece)
    shades = _shades(before_piece, widest)
    for start in starts(before_piece, after, outline):
        tried.append(start)
        for light in shades:
            found = _grown(before_piece, after, start, widest, light)
            match = _refusal() if found is None else _result(
                before_piece, after, _with_ground(before, after, before_piece, found))
            if match.ok:
                return refined_on_same_board(match, before_piece, after)
            best = max(best, match, key=lambda m: m.agreement or 0.0)
    for start in tried:
        match = refined_on_same_board(_unproven(before_piece, after, start), before_piece, after)
        if match.ok:
            return match
    return best


def _unproven(piece: Piece, after: Photo, start: Start) -> Match:
    """A start as it is."""
    plane = PlaneMap(homography=start.homography, lens=lens_of_photo(after.size_px))
    return replace(_refusal(), homography=_to_photo(piece) @ np.linalg.inv(start.homography),
                   before_px_per_mm=piece.photo_px_per_mm if piece.scale_known else None,
                   overlap_fraction=_overlap(piece, after, plane))


def _shades(piece: Piece, widest) -> tuple[bool, ...]:
    """Whether BEFORE's artwork is taken as light on a darker ground: no; and where it may be, yes as well."""
    factor = max(1.0, widest / LEVELS[0].across)
    shape = tuple(max(8, round(n / factor)) for n in piece.reflectance.shape[::-1])
    picture = cv2.resize(piece.reflectance, shape, interpolation=cv2.INTER_AREA)
    valid = cv2.resize(piece.valid.astype(np.uint8), shape, interpolation=cv2.INTER_NEAREST) > 0
    dark, light = (stroke_response(picture, valid, widest / factor, light=light) for light in (False, True))
    clear = light.depth > LIGHT_SIGMAS * light.grain_depth
    return (False, True) if clear and light.cover * light.depth > EITHER_SHADE * dark.cover * dark.depth else (False,)


def _with_ground(before: Photo, after: Photo, piece: Piece, found: _Found) -> _Found:
    """The same held by the sides of the engraved ground as well, where both photos show them."""
    fit, corners = with_ground(found.fit, select(found.tiles, found.agrees), before, after, piece,
                              _to_photo(piece) @ found.to_source)
    if corners is None:
        fit = replace(fit, covariance=SHARED_STROKES * fit.covariance)
    whole = fit.map.homography @ np.linalg.inv(found.to_source)
    return replace(found, fit=fit, map=replace(fit.map, homography=whole), corners=corners)


def _to_photo(piece: Piece) -> NDArray[np.float64]:
    """Grid samples to undistorted BEFORE px, 3x3."""
    step = 1 / piece.samples_per_mm
    return np.linalg.inv(piece.photo_to_piece) @ np.array([[step, 0, piece.origin_mm[0]],
                                                           [0, step, piece.origin_mm[1]], [0, 0, 1]])


def _refusal() -> Match:
    """No alignment."""
    return Match(ok=False, homography=None, residual_px=None, before_px_per_mm=None, overlap_fraction=0.0,
                 reason=NOT_ALIGNED, method="artwork")


def _widest(piece: Piece) -> float:
    """Widest stroke, grid samples."""
    return WIDEST_STROKE_MM * piece.samples_per_mm if piece.scale_known \
        else max(piece.reflectance.shape) * STROKE_SHARE


def _around(points, border, shape):
    """Box around points with a border, inside the picture, or None."""
    (x0, y0), (x1, y1) = points.min(axis=0) - border, points.max(axis=0) + border
    rows, columns = shape
    x0, y0, x1, y1 = (int(np.clip(v, 0, most)) for v, most in ((x0, columns), (y0, rows), (x1 + 1, columns),
                                                               (y1 + 1, rows)))
    return (x0, y0, x1, y1) if min(x1 - x0, y1 - y0) > 16 else None


def _grown(piece: Piece, after: Photo, start: Start, widest, light) -> _Found | None:
    """Fit from coarse to fine on tiles that agree, widening to where more of them do."""
    k1, points = piece.lens.k1, start.points
    plane = PlaneMap(homography=start.homography, lens=lens_of_photo(after.size_px, k1), expected_k1=k1)
    for level in LEVELS:
        pair = _pair(piece, after, plane, points, widest, level, (light, light != start.negative))
        if pair is None:
            return None
        shape, here = pair.valid.shape, widest / pair.to_source[0, 0]
        sigma, tile = level.sigma * here / level.across, max(8, round(level.tile * here / level.across))
        near = replace(plane, homography=plane.homography @ pair.to_source)
        points = apply_homography(np.linalg.inv(pair.to_source), points)
        for _ in range(ROUNDS):
            region = _outline(points, level.reach * here, shape) & pair.valid
            tiles = _tiles(pair, near, region, tile, sigma, level.alike)
            if tiles is None:
                return None
            agrees = (tiles.agreement > level.alike) & (np.hypot(*tiles.move.T) < MOST_MOVE * sigma)
            if agrees.sum() < LEAST_AGREEING:
                return None
            good = select(tiles, agrees)
            held = good if level is LEVELS[-1] else joined(good, _anchors(start, near, pair.to_source, here))
            fit = fit_map(held, near, free=level.free)
            near, rest, follows = fit.map, fit.residual[:len(good.at)], fit.weight[:len(good.at)] > FOLLOWS
            if not credible(near.homography, good.at):
                return None
            wider = np.concatenate([points, good.at[follows]])
            grown, points = _hull_area(wider) > WIDER * _hull_area(points), wider
            if not grown and np.abs(good.move - rest).max() < SETTLED * sigma:
                break
        plane = replace(near, homography=near.homography @ np.linalg.inv(pair.to_source))
        points = apply_homography(pair.to_source, points)
    return _Found(map=plane, fit=fit, tiles=tiles, agrees=agrees, to_source=pair.to_source, widest=here,
                  chance=_chance(pair, near, region, tile, sigma, level.alike))


def _anchors(start: Start, plane: PlaneMap, to_source, widest) -> Tiles:
    """Features of the start, as tiles: they hold the map where few strokes do yet."""
    at, count = apply_homography(np.linalg.inv(to_source), start.points), len(start.points)
    there = apply_homography(np.linalg.inv(plane.homography), undistort(start.others, plane.lens))
    return Tiles(at=at, move=there - at, precision=np.broadcast_to(np.eye(2) / (FEATURE_SD * widest) ** 2,
                                                                   (count, 2, 2)),
                 agreement=np.ones(count), corners=np.zeros(count), firm=np.full(count, 2))


def _chance(pair: _Pair, plane: PlaneMap, region, tile, sigma, alike) -> float:
    """Share of tiles that agree by chance: AFTER laid a tile and a half off, two ways."""
    agree = total = 1
    for step in 1.5 * tile * np.array([[1, 0.3], [-0.3, 1]]):
        moved = np.array([[1, 0, step[0]], [0, 1, step[1]], [0, 0, 1]])
        tiles = _tiles(replace(pair, depths=pair.depths[:1], others=pair.others[:1]),
                       replace(plane, homography=plane.homography @ moved), region, tile, sigma, alike)
        if tiles is not None:
            agree += int(((tiles.agreement > alike) & (np.hypot(*tiles.move.T) < MOST_MOVE * sigma)).sum())
            total += len(tiles.at)
    return min(agree / total, 0.5)


def _tiles(pair: _Pair, plane: PlaneMap, region, tile, sigma, alike) -> Tiles | None:
    """Tiles of strokes, and of fills where no stroke agrees."""
    found = None
    for depth, other in zip(pair.depths, pair.others, strict=True):
        warped, seen = warp(other, pair.to_other, plane, region.shape)
        area = region & seen
        if area.sum() < LEAST_AGREEING * tile ** 2:
            return None
        tiles = measure_tiles(respond(depth, area).response, respond(warped, area).response, area, tile, sigma)
        if found is None:
            found = tiles
            continue
        told = {tuple(at) for at in found.at[found.agreement > alike]}
        new = np.array([tuple(at) not in told for at in tiles.at], bool) & (tiles.agreement > alike)
        told = {tuple(at) for at in tiles.at[new]}
        found = joined(select(found, np.array([tuple(at) not in told for at in found.at], bool)), select(tiles, new))
    return found


def _pair(piece: Piece, after: Photo, plane, points, widest, level, shades) -> _Pair | None:
    """Depth of strokes of both photos around some points."""
    box = _around(points, 2 * level.reach * widest, piece.reflectance.shape)
    if box is None:
        return None
    factor = max(1.0, widest / level.across, np.sqrt((box[2] - box[0]) * (box[3] - box[1]) / WORK_PX))
    view = shrunk(piece.reflectance, factor, box)
    valid = cv2.resize(piece.valid[box[1]:box[3], box[0]:box[2]].astype(np.uint8), view.picture.shape[::-1],
                       interpolation=cv2.INTER_NEAREST) > 0
    corners = np.array([[box[i], box[j]] for i in (0, 2) for j in (1, 3)], float)
    scale = scale_of(plane.homography, points.mean(axis=0)) * view.to_source[0, 0]      # AFTER px in a sample
    there = _around(map_points(plane, corners), 0.0, after.luminance.shape)
    if there is None:
        return None
    other = shrunk(after.luminance, max(1.0, scale), there)
    here, zoom = widest / view.to_source[0, 0], scale / other.to_source[0, 0]
    fills = (1.0, FILL) if level is LEVELS[-1] else (1.0,)
    first, second = without_streaks(view.picture, here, valid), without_streaks(other.picture, here * zoom)
    return _Pair(depths=tuple(stroke_depth(first, k * here, light=shades[0]) for k in fills), valid=valid,
                 others=tuple(stroke_depth(second, k * here * zoom, light=shades[1]) for k in fills),
                 to_source=view.to_source, to_other=np.linalg.inv(other.to_source))


def _hull_area(points) -> float:
    """Area of the hull."""
    return cv2.contourArea(cv2.convexHull(points.astype(np.float32).reshape(-1, 1, 2)))


def _outline(points, border, shape) -> NDArray[np.bool_]:
    """Hull of points with a border."""
    mask = np.zeros(shape, np.uint8)
    hull = cv2.convexHull(points.astype(np.float32).reshape(-1, 1, 2)).reshape(-1, 1, 2)
    cv2.fillConvexPoly(mask, np.round(hull).astype(np.int32), 1)
    return cv2.distanceTransform(1 - mask, cv2.DIST_L2, 3) <= border


def _result(piece: Piece, after: Photo, found: _Found) -> Match:
    """Decide and put in photo pixels."""
    tiles, agrees = found.tiles, found.agrees
    breadth, length = np.sort(cv2.minAreaRect(tiles.at[agrees].astype(np.float32).reshape(-1, 1, 2))[1]) / found.widest
    to_photo = _to_photo(piece)
    to_before = to_photo @ np.linalg.inv(found.map.homography)
    near = to_photo @ found.to_source
    corners = found.corners
    if corners is None:
        around = _likely_corners(apply_homography(near, tiles.at[agrees]), piece)
        corners = apply_homography(np.linalg.inv(near), around)
    middle = corners.mean(axis=0)
    px = scale_of(near, middle)
    sd = float(map_sd(found.fit, corners).max() / scale_of(found.fit.map.homography, middle))      # samples
    share = float(tiles.corners[agrees].sum() / max(tiles.corners.sum(), 1e-9))
    held_out = _held_out(found)
    # Neighbouring tiles share strokes: half of them count
    false = float(bdtrc(held_out // 2 - 1, len(tiles.at) // 2, found.chance))
    # Sides of the ground lie where the strokes put them: what strokes alone must span, the ground spans
    wide = found.corners is not None or (held_out >= LEAST_TILES and breadth >= LEAST_BREADTH
                                         and length >= LEAST_LENGTH)
    ok = (wide and held_out >= LEAST_WITH_SIDES and false < MOST_FALSE and share >= LEAST_SHARE
          and sd < MOST_SD_WIDTHS * found.widest)
    here = apply_homography(near, tiles.at[agrees])
    there = apply_homography(near, tiles.at[agrees] + found.fit.residual)
    return Match(ok=bool(ok), homography=to_before / to_before[2, 2], residual_px=sd * px,
                 before_px_per_mm=piece.photo_px_per_mm if piece.scale_known else None,
                 overlap_fraction=_overlap(piece, after, found.map), reason=None if ok else NOT_ALIGNED,
                 method="artwork", agreement=found.agreement,
                 misfits_px=np.concatenate([here, there - here], axis=1), after_lens=found.map.lens,
                 corners_px=map_points(found.fit.map, corners),
                 details={"held_out": held_out, "false": false, "chance": found.chance, "share": share,
                          "breadth": float(breadth), "length": float(length), "sides": found.corners is not None})


def _held_out(found: _Found) -> int:
    """Tiles that lie where the fit of the other half of the tiles puts them."""
    plane = found.fit.map
    good = replace(select(found.tiles, found.agrees), move=found.fit.residual)
    half, lie = np.round(good.at / found.widest).astype(int).sum(axis=1) % 2 == 0, 0
    for part in (half, ~half):
        if min(part.sum(), (~part).sum()) < LEAST_AGREEING:
            return 0
        other = fit_map(select(good, part), plane).map
        there = undistort(map_points(other, good.at[~part]), plane.lens)
        moved = apply_homography(np.linalg.inv(plane.homography), there) - good.at[~part]
        lie += int((np.hypot(*(good.move[~part] - moved).T) < MOST_OFF * found.widest).sum())
    return lie


def _likely_corners(points, piece: Piece) -> NDArray[np.float64]:
    """Corners of BEFORE's piece, photo px: those it has, else around the artwork and about the photo's middle.

    Who photographs a piece puts it in the middle, and its artwork fills most of it.
    """
    if piece.corners_px is not None:
        return undistort(piece.corners_px, piece.lens)
    turn = piece.photo_to_piece[:2, :2] / np.sqrt(np.linalg.det(piece.photo_to_piece[:2, :2]))
    middle = np.asarray(piece.lens.centre_px)
    reach = BEYOND * np.abs((points - middle) @ turn.T).max(axis=0)
    corners = middle + (np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * reach) @ turn
    return np.clip(corners, 0, 2 * middle)


def _overlap(piece: Piece, after: Photo, plane) -> float:
    """Share of BEFORE's piece, or photo, that lies inside AFTER."""
    rows, columns = np.nonzero(piece.valid[::16, ::16])
    points = map_points(plane, np.stack([columns, rows], axis=1) * 16.0)
    w, h = after.size_px
    return float(((points >= 0) & (points <= [w - 1, h - 1])).all(axis=1).mean())
