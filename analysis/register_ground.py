"""Sides of the engraved ground as part of an alignment by artwork: they hold its corners where no artwork lies.

The machine burns the ground's edge together with the artwork, so that both
photos show it in one place against the strokes. A board's own outline is cut
and laid differently each time: it does not lie where the strokes put it.
"""
from __future__ import annotations

import itertools
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, distort, lens_of_photo, undistort
from analysis.ground import Ground, find_ground, quadrilateral
from analysis.outlines import LINES_PX, lines_of_preview
from analysis.photo import Photo
from analysis.piece import Piece
from analysis.register_fit import MapFit, fit_map, map_sd
from analysis.register_map import map_points, scale_of
from analysis.register_tiles import SHARED_STROKES, Tiles, joined
from analysis.sides import edge_points, mean_sides

__all__ = ["constraints", "ground_of", "with_ground"]

LEAST_PREVIEW = 64         # pixels: no outline is found in fewer
LINE_OFF = 1.5             # its pixels, that one edge may lie off another: neither is known better
LINE_SDS = 2.5             # and so many s.d. of where the strokes put it
LEAST_LINE = 0.1           # of the photo's longer side: along so much both photos show an edge
MOST_ASKEW = 0.2           # quarter turns, of a side against its neighbours: slant and a lens
MOST_OUTSIDE = 0.2         # of the tiles: the rim of a board is taken for strokes
MOST = 4                   # edges of a kind that may be a side, the longest
MOST_TRIED = 4             # quadrilaterals
FIRST_REACH_MM = 1.6       # of BEFORE's outline: it is known to a pixel of a coarse picture
REACH_MM = 0.5             # of a side that was found
BESIDE_MM = 1.0            # so far beyond the map's own s.d. may a side lie
LEAST_SHARE = 0.4          # of a side where its edge is seen
PARTS = 8                  # of a side, each a constraint
LEAST_IN_PART = 6          # edge positions in a part
EDGE_SD_MM = 0.03          # of a whole side: burns differ in width; common practice, no source
ALIKE_NEIGHBOURS = 4.0     # edge positions that share grain and blur
MOST_UNLIKE_MM = 0.15      # rms of the parts from the map fitted with them
MOST_DRAGGED = 1.15        # the strokes' rms misfit with the sides over that without
USUAL_MISFIT = 0.9         # over the strokes' stated s.d.: less is luck, and no bar


def ground_of(photo: Photo) -> Ground | None:
    """Part of a photo that stands out as a piece, or None."""
    if min(photo.preview.shape[:2]) < LEAST_PREVIEW:
        return None
    return find_ground(photo.preview, photo.preview_scale, anywhere=True)


def with_ground(fit: MapFit, good: Tiles, before: Photo, after: Photo, piece: Piece,
                to_before: NDArray[np.float64]) -> tuple[MapFit, NDArray[np.float64] | None]:
    """Refit a map on its tiles and on the sides of the engraved ground.

    Parameters
    ----------
    fit : MapFit
        Fitted on `good`.
    good : Tiles
        That agree; their moves are from before the fit.
    before, after : Photo
    piece : Piece
        BEFORE's, with a known scale.
    to_before : ndarray, shape (3, 3)
        The fit's samples to undistorted BEFORE px.

    Returns
    -------
    fit : MapFit
        Unchanged where not all four sides are seen in both photos, about where
        the strokes put them, or where the strokes contradict them.
    corners : ndarray, shape (4, 2), or None
        Of the ground, in the fit's samples.
    """
    if not piece.scale_known or piece.corners_px is not None:
        return fit, None
    # What the tiles differ among themselves and the strokes they share is theirs alone, not the sides'
    distance = np.einsum("ni,nij,nj->n", fit.residual, good.precision, fit.residual)
    widen = max(float(np.median(distance / np.where(good.firm == 2, 1.386, 0.455))), 1.0)
    tiles = replace(good, move=fit.residual, precision=good.precision / (widen * SHARED_STROKES))
    count, per_mm = len(tiles.at), piece.photo_px_per_mm / scale_of(to_before, tiles.at.mean(axis=0))
    usual = max(_misfit(good, fit.residual, fit.weight), USUAL_MISFIT)
    # The sides tell the slant themselves: a level read from them must not tell it again
    unheld = replace(fit.map, cameras=fit.map.cameras and replace(fit.map.cameras, to_level=None))
    for sides, corners in _sides(fit, good, before, after, piece, to_before):
        both = fit_map(joined(tiles, sides), unheld)
        along = sides.move / np.maximum(np.hypot(*sides.move.T), 1e-9)[:, None]
        rest = (both.residual[count:] * along).sum(-1)
        if (np.sqrt((rest ** 2).mean()) < MOST_UNLIKE_MM * per_mm
                and _misfit(good, both.residual[:count], fit.weight) < MOST_DRAGGED * usual):
            return replace(both, residual=both.residual[:count], weight=both.weight[:count]), corners
    return fit, None


def _misfit(tiles, residual, weight) -> float:
    """Root mean square of what is left, over its s.d."""
    distance = np.maximum(np.einsum("ni,nij,nj->n", residual, tiles.precision, residual), 0)   # rounding: -1e-18
    return float(np.sqrt(np.average(distance / tiles.firm, weights=weight + 1e-9)))


def _sides(fit, good, before, after, piece, to_before):
    """Yield constraints across the sides of a rectangle that both photos show and its corners, in the fit's samples."""
    for quad in _quads(fit, good, before, after, piece, to_before):
        size = tuple(side / piece.photo_px_per_mm for side in mean_sides(quad))
        first = _edges(before, quad, size, (FIRST_REACH_MM, REACH_MM))
        if first is None:
            continue
        here, seen, corners = first
        start = apply_homography(np.linalg.inv(to_before), undistort(corners, piece.lens))
        per_mm = piece.photo_px_per_mm / scale_of(to_before, start.mean(axis=0))
        sd_mm = float(map_sd(fit, start).max() / scale_of(fit.map.homography, start.mean(axis=0)) / per_mm)
        second = _edges(after, map_points(fit.map, start), size, (BESIDE_MM + sd_mm, REACH_MM))
        if second is None:
            continue
        here = apply_homography(np.linalg.inv(to_before), undistort(here, piece.lens))
        there = apply_homography(np.linalg.inv(fit.map.homography), undistort(second[0], fit.map.lens))
        tiles = constraints(here, there, seen & second[1], per_mm)
        if tiles is not None:
            yield tiles, start


def _quads(fit, good, before, after, piece, to_before):
    """Quadrilaterals (4, 2) around the artwork, dark inside, of straight edges, likeliest first; BEFORE's photo px.

    Two sides at least are edges that both photos show where the strokes put them.
    """
    mine = undistort(_edge_lines(before), piece.lens)
    theirs = undistort(_edge_lines(after), fit.map.lens)
    theirs = apply_homography(to_before @ np.linalg.inv(fit.map.homography), theirs)
    ends = apply_homography(np.linalg.inv(to_before), mine)
    per_px = scale_of(to_before, good.at.mean(axis=0)) / scale_of(fit.map.homography, good.at.mean(axis=0))
    sd = per_px * map_sd(fit, ends.reshape(-1, 2)).reshape(-1, 2).max(axis=1)
    least = LEAST_LINE * max(before.size_px)
    shared = _beside_another(mine, theirs, LINE_SDS * sd + LINE_OFF * max(before.size_px) / LINES_PX, least)
    alone = np.concatenate([_outline_sides(piece), theirs, mine[~shared]])
    alone = alone[(np.linalg.norm(alone[:, 1] - alone[:, 0], axis=1) > 2 * least)
                  & ((alone > 0) & (alone < before.size_px)).all(axis=(1, 2))]
    quads = [distort(quad, piece.lens) for quad in _around(mine[shared], alone, apply_homography(to_before, good.at))]
    return [quad for quad in quads if ((quad > 0) & (quad < before.size_px)).all()][:MOST_TRIED]


def _outline_sides(piece: Piece) -> NDArray[np.float64]:
    """Sides of what was taken as BEFORE's piece, its rim put back, undistorted px, shape (4, 2, 2), or none."""
    quad = None if piece.ground_px is None else quadrilateral(piece.ground_px)
    if quad is None:
        return np.zeros((0, 2, 2))
    quad = undistort(quad, piece.lens)
    return np.stack([quad, np.roll(quad, -1, axis=0)], axis=1)


def _edge_lines(photo: Photo) -> NDArray[np.float64]:
    """Both ends of the straight edges in a photo, dark on their right, photo px, shape (n, 2, 2)."""
    lines, _, scale = lines_of_preview(photo.preview)
    reach = np.stack([lines.start, lines.stop], axis=1)
    ends = lines.point[:, None] + reach[..., None] * lines.direction[:, None]
    return (ends + 0.5) / (scale * photo.preview_scale) - 0.5


def _beside_another(mine, theirs, away, least) -> NDArray[np.bool_]:
    """Which lines (n, 2, 2) have one of the others beside them, `away` at most, along `least` of them."""
    along = mine[:, 1] - mine[:, 0]
    length = np.linalg.norm(along, axis=1)
    along /= length[:, None]
    gap = theirs[None] - mine[:, None, :1]
    t = np.einsum("nmkc,nc->nmk", gap, along)
    across = np.abs(gap[..., 1] * along[:, None, None, 0] - gap[..., 0] * along[:, None, None, 1]).max(axis=-1)
    overlap = np.minimum(t[..., 1], length[:, None]) - np.maximum(t[..., 0], 0.0)
    return ((t[..., 1] > t[..., 0]) & (overlap > least) & (across < away[:, None])).any(axis=1)


def _around(shared, alone, inside) -> NDArray[np.float64]:
    """Corners (n, 4, 2) of lines that have most of some points on their right, two alone at most, likeliest first.

    A ground's sides run from corner to corner; a board's outline lies outside its ground's.
    """
    ends = np.concatenate([shared, alone])
    along = ends[:, 1] - ends[:, 0]
    length = np.linalg.norm(along, axis=1)
    along = along / length[:, None]
    right = np.stack([-along[:, 1], along[:, 0]], axis=1)
    line = np.column_stack([right, -(right * ends[:, 0]).sum(axis=1)])
    off = np.quantile(inside @ right.T + line[:, 2], MOST_OUTSIDE, axis=0)
    only = np.arange(len(ends)) >= len(shared)
    normal = right @ [1, 1j]
    axis = np.sum((length * normal ** 4)[~only & (off > 0)]) ** 0.25
    quarters = np.angle(normal / (axis or 1.0)) / (np.pi / 2)
    usable = (off > 0) & (np.abs(quarters - np.round(quarters)) < MOST_ASKEW)
    usable = [usable & (np.round(quarters) % 4 == n) for n in range(4)]
    sides = [[k for group in (only, ~only) for k in np.flatnonzero(one & group)[:MOST]] for one in usable]
    fours = np.array(list(itertools.product(*sides)), int).reshape(-1, 4)
    fours = fours[only[fours].sum(axis=1) <= 2]
    corners = np.cross(line[np.roll(fours, 1, axis=1)], line[fours])
    corners = corners[..., :2] / corners[..., 2:]
    start, stop = (((c - ends[fours, 0]) * along[fours]).sum(axis=-1) for c in (corners, np.roll(corners, -1, axis=1)))
    cover = np.clip((np.minimum(stop, length[fours]) - np.maximum(start, 0)) / np.maximum(stop - start, 1e-6), 0, 1)
    worth = np.where(only[fours], 0.5, 1.0) * cover
    area = np.array([cv2.contourArea(quad.astype(np.float32)) for quad in corners])
    good = np.flatnonzero((stop > start).all(axis=1))
    return corners[sorted(good, key=lambda k: (-round(4 * worth[k].min()), -round(4 * worth[k].mean()), area[k]))]


def _edges(photo, corners, size, reaches):
    """Edge positions (4, n, 2) and corners, photo px, and which are seen; None where two sides are missing."""
    lens = lens_of_photo(photo.size_px)
    for reach in reaches:
        edges = edge_points(photo.luminance, corners, size, width_mm=0.0, dark=True, lens=lens, reach_mm=reach)
        there = edges.share > LEAST_SHARE
        if there.sum() < 3:
            return None
        corners = _through(edges.points_px, edges.seen, there, corners)
    return edges.points_px, edges.seen & there[:, None], corners


def _through(points, seen, there, corners) -> NDArray[np.float64]:
    """Corners (4, 2) of straight lines through the edge positions of the sides that are there."""
    lines = []
    for k in range(4):
        start, along = corners[k], corners[(k + 1) % 4] - corners[k]
        if there[k]:
            *along, x, y = cv2.fitLine(points[k][seen[k]].astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
            start = np.array([x, y])
        lines.append(np.cross([*start, 1.0], [*(start + along), 1.0]))
    meet = np.array([np.cross(lines[k - 1], lines[k]) for k in range(4)])
    return meet[:, :2] / meet[:, 2:]


def constraints(here, there, seen, per_mm) -> Tiles | None:
    """Movement across each part of each side, as tiles that tell one direction."""
    at, move, precision = [], [], []
    for p, q, use in zip(here, there, seen, strict=True):
        along = p[-1] - p[0]
        normal = np.array([-along[1], along[0]]) / np.linalg.norm(along)
        for part in np.array_split(np.arange(len(p)), PARTS):
            part = part[use[part]]
            if len(part) < LEAST_IN_PART:
                continue
            apart = (q[part] - p[part]) @ normal
            middle = float(np.median(apart))
            noise = 1.4826 * float(np.median(np.abs(apart - middle))) * 1.2533
            variance = PARTS * (EDGE_SD_MM * per_mm) ** 2 + ALIKE_NEIGHBOURS * noise ** 2 / len(part)
            at.append(p[part].mean(axis=0))
            move.append(middle * normal)
            precision.append(np.outer(normal, normal) / variance)
    if len(at) < 2 * PARTS:
        return None
    return Tiles(at=np.array(at), move=np.array(move), precision=np.array(precision), agreement=np.ones(len(at)),
                 corners=np.zeros(len(at)), firm=np.ones(len(at), np.int64))
