"""Grow a start into a fit: tiles of strokes, from coarse to fine, outward to where more of them agree."""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, lens_of_photo, undistort
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.register_fit import MapFit, fit_map
from analysis.register_map import Cameras, PlaneMap, map_points, moved_to, scale_of, warp
from analysis.register_place import whitened
from analysis.register_start import Start, credible, shrunk
from analysis.register_tiles import Tiles, joined, measure_tiles, select
from analysis.strokes import respond, stroke_depth

__all__ = ["Found", "LEAST_AGREEING", "grown"]

WORK_PX = 1.5e6            # and, at most, of a working picture
FILL = 2.4                 # widest fill over the widest stroke; asked where strokes say nothing
LEAST_AGREEING = 4         # tiles that a fit needs
FEW_TILES = 8              # of a coarse level: so few say nothing of a start
ROUNDS = 4                 # at most, of a level
FEATURE_SD = 0.15          # of a feature's place on another board, over the widest stroke
MOST_MOVE = 1.0            # of a tile that agrees, over the blur
FOLLOWS = 0.3              # weight of a tile that widens the region
WIDER = 1.03               # the region has grown
SETTLED = 0.05             # of the blur: so small a change ends a level


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
    """Responses to strokes of both photos at a level."""

    responses: tuple[NDArray[np.float32], ...]  # BEFORE, of strokes and at the last level of fills
    valid: NDArray[np.bool_]
    to_source: NDArray[np.float64]     # 3x3: its samples -> BEFORE's grid
    others: tuple[NDArray[np.float32], ...]     # AFTER's
    to_other: NDArray[np.float64]      # 3x3: AFTER photo px -> its samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A start that tiles confirmed, fitted on them."""

    map: PlaneMap                      # BEFORE's grid samples -> AFTER photo px
    fit: MapFit                        # the same from samples of the last level
    tiles: Tiles                       # of the last level
    agrees: NDArray[np.bool_]          # those that agree
    to_source: NDArray[np.float64]     # 3x3: samples of the last level -> BEFORE's grid
    widest: float                      # stroke, samples of the last level
    shades: tuple[bool, bool]          # BEFORE's and AFTER's artwork is light
    corners: NDArray[np.float64] | None = None     # (4, 2) of the ground that both photos show, samples

    @property
    def agreement(self) -> float:
        """Correlation of the strokes, tile by tile."""
        return float(np.average(self.tiles.agreement, weights=self.tiles.corners + 1e-9))


def grown(piece: Piece, after: Photo, start: Start, cameras: Cameras, widest: float,
          light: bool) -> Found | None:
    """Fit from coarse to fine on tiles that agree, widening to where more of them do.

    Parameters
    ----------
    piece : Piece
        BEFORE's.
    after : Photo
    start : Start
    cameras : Cameras
        They hold what little artwork leaves loose.
    widest : float
        Stroke, samples of BEFORE's grid.
    light : bool
        BEFORE's artwork is light on a darker ground.

    Returns
    -------
    Found or None
    """
    points, levelled, shades = start.points, cameras.to_level is not None, (light, light != start.negative)
    plane = PlaneMap(homography=start.homography, lens=lens_of_photo(after.size_px, cameras.k1), cameras=cameras)
    if levelled:
        plane = fit_map(_anchors(start, plane, np.eye(3), widest), plane, free="perspective").map
    for level in LEVELS:
        pair = _pair(piece, after, plane, points, widest, level, shades)
        if pair is None:
            return None
        shape, here = pair.valid.shape, widest / pair.to_source[0, 0]
        sigma, tile = level.sigma * here / level.across, max(8, round(level.tile * here / level.across))
        near = moved_to(plane, pair.to_source)
        points = apply_homography(np.linalg.inv(pair.to_source), points)
        for _ in range(ROUNDS):
            region = _outline(points, level.reach * here, shape) & pair.valid
            tiles = _tiles(pair, near, region, tile, sigma, level.alike)
            if tiles is None:
                return None
            agrees = (tiles.agreement > level.alike) & (np.hypot(*tiles.move.T) < MOST_MOVE * sigma)
            if agrees.sum() < LEAST_AGREEING:
                if level is LEVELS[-1] or len(tiles.at) > FEW_TILES:
                    return None
                break                      # small artwork: the start's features are asked at a finer level
            good = select(tiles, agrees)
            held = good if level is LEVELS[-1] else joined(good, _anchors(start, near, pair.to_source, here))
            fit = fit_map(held, near, free="perspective" if levelled and level.free == "affine" else level.free)
            near, rest, follows = fit.map, fit.residual[:len(good.at)], fit.weight[:len(good.at)] > FOLLOWS
            if not credible(near.homography, good.at):
                return None
            wider = np.concatenate([points, good.at[follows]])
            grown, points = _hull_area(wider) > WIDER * _hull_area(points), wider
            if not grown and np.abs(good.move - rest).max() < SETTLED * sigma:
                break
        plane = moved_to(near, np.linalg.inv(pair.to_source))
        points = apply_homography(pair.to_source, points)
    return Found(map=plane, fit=fit, tiles=tiles, agrees=agrees, to_source=pair.to_source, widest=here, shades=shades)


def _anchors(start: Start, plane: PlaneMap, to_source, widest) -> Tiles:
    """Features of the start, as tiles: they hold the map where few strokes do yet."""
    at, count = apply_homography(np.linalg.inv(to_source), start.points), len(start.points)
    there = apply_homography(np.linalg.inv(plane.homography), undistort(start.others, plane.lens))
    return Tiles(at=at, move=there - at, precision=np.broadcast_to(np.eye(2) / (FEATURE_SD * widest) ** 2,
                                                                   (count, 2, 2)),
                 agreement=np.ones(count), corners=np.zeros(count), firm=np.full(count, 2))


def _tiles(pair: _Pair, plane: PlaneMap, region, tile, sigma, alike) -> Tiles | None:
    """Tiles of strokes, and of fills where no stroke agrees."""
    found = None
    for response, other in zip(pair.responses, pair.others, strict=True):
        warped, seen = warp(other, pair.to_other, plane, region.shape)
        area = region & seen
        if area.sum() < LEAST_AGREEING * tile ** 2:
            return None
        tiles = measure_tiles(response * area, warped * area, area, tile, sigma)
        if found is None:
            found = tiles
            continue
        told = {tuple(at) for at in found.at[found.agreement > alike]}
        new = np.array([tuple(at) not in told for at in tiles.at], bool) & (tiles.agreement > alike)
        told = {tuple(at) for at in tiles.at[new]}
        found = joined(select(found, np.array([tuple(at) not in told for at in found.at], bool)), select(tiles, new))
    return found


def _around(points, border, shape):
    """Box around points with a border, inside the picture, or None."""
    (x0, y0), (x1, y1) = points.min(axis=0) - border, points.max(axis=0) + border
    rows, columns = shape
    x0, y0, x1, y1 = (int(np.clip(v, 0, most)) for v, most in ((x0, columns), (y0, rows), (x1 + 1, columns),
                                                               (y1 + 1, rows)))
    return (x0, y0, x1, y1) if min(x1 - x0, y1 - y0) > 16 else None


def _pair(piece: Piece, after: Photo, plane, points, widest, level, shades) -> _Pair | None:
    """What stands out of both photos' texture around some points, AFTER laid on BEFORE's grid by its slope there."""
    box = _around(points, 2 * level.reach * widest, piece.reflectance.shape)
    if box is None:
        return None
    factor = max(1.0, widest / level.across, np.sqrt((box[2] - box[0]) * (box[3] - box[1]) / WORK_PX))
    view = shrunk(piece.reflectance, factor, box)
    valid = cv2.resize(piece.valid[box[1]:box[3], box[0]:box[2]].astype(np.uint8), view.picture.shape[::-1],
                       interpolation=cv2.INTER_NEAREST) > 0
    near = moved_to(plane, view.to_source)
    to_after = _affine(near, apply_homography(np.linalg.inv(view.to_source), points).mean(axis=0))
    there = _around(apply_homography(to_after, _corners(valid.shape)), 0.0, after.luminance.shape)
    if there is None:
        return None
    other = shrunk(after.luminance, max(1.0, scale_of(to_after, (0.0, 0.0))), there)
    flat = PlaneMap(homography=to_after, lens=lens_of_photo(after.size_px))
    second, seen = warp(other.picture, np.linalg.inv(other.to_source), flat, valid.shape)
    here, use = widest / view.to_source[0, 0], valid & seen
    if use.sum() < here ** 2:
        return None
    pairs = []
    for k in (1.0, FILL) if level is LEVELS[-1] else (1.0,):
        white = whitened(*(stroke_depth(one, k * here, light=light) for one, light in
                           zip((view.picture, second), shades, strict=True)), use, here)
        pairs.append([respond(one, use, least=0.0).response for one in white.pictures])
    responses, others = zip(*pairs, strict=True)
    return _Pair(responses=responses, valid=valid, others=others, to_source=view.to_source,
                 to_other=np.linalg.inv(to_after))


def _affine(plane: PlaneMap, at) -> NDArray[np.float64]:
    """A map to AFTER's photo px near one place, 3x3."""
    p = map_points(plane, at + np.array([[0, 0], [1.0, 0], [0, 1.0]]))
    slopes = np.stack([p[1] - p[0], p[2] - p[0]], axis=1)
    return np.vstack([np.column_stack([slopes, p[0] - slopes @ at]), [0, 0, 1]])


def _corners(shape) -> NDArray[np.float64]:
    """Of a picture, samples."""
    return np.array([[x, y] for x in (0.0, shape[1]) for y in (0.0, shape[0])])


def _hull_area(points) -> float:
    """Area of the hull."""
    return cv2.contourArea(cv2.convexHull(points.astype(np.float32).reshape(-1, 1, 2)))


def _outline(points, border, shape) -> NDArray[np.bool_]:
    """Hull of points with a border."""
    mask = np.zeros(shape, np.uint8)
    hull = cv2.convexHull(points.astype(np.float32).reshape(-1, 1, 2)).reshape(-1, 1, 2)
    cv2.fillConvexPoly(mask, np.round(hull).astype(np.int32), 1)
    return cv2.distanceTransform(1 - mask, cv2.DIST_L2, 3) <= border
