"""Sides of the engraved ground as part of an alignment by artwork: they hold its corners where no artwork lies.

The machine burns the ground's edge together with the artwork, so that both
photos show it in one place against the strokes. A board's own outline is cut
and laid differently each time: it does not lie where the strokes put it.
"""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, lens_of_photo, undistort
from analysis.ground import KEPT_AWAY, find_ground
from analysis.photo import Photo
from analysis.piece import Piece
from analysis.register_tiles import MapFit, Tiles, fit_map, joined, map_points, map_sd, scale_of
from analysis.side_fit import fit_sides
from analysis.sides import edge_points, moved_out

__all__ = ["SHARED_STROKES", "outline_of", "with_ground"]

LEAST_PREVIEW = 64         # pixels: no outline is found in fewer
LEAST_FILLED = 0.95        # of the quadrilateral around an outline
FIRST_REACH_MM = 1.6       # of BEFORE's outline: it is known to a pixel of a coarse picture
REACH_MM = 0.5             # of a side that was found
BESIDE_MM = 1.0            # so far beyond the map's own s.d. may a side lie
LEAST_SHARE = 0.6          # of a side where its edge is seen
PARTS = 4                  # of a side, each a constraint
LEAST_IN_PART = 6          # edge positions in a part
EDGE_SD_MM = 0.05          # of a whole side: burns differ in width; common practice, no source
ALIKE_NEIGHBOURS = 4.0     # edge positions that share grain and blur
MOST_UNLIKE_MM = 0.15      # rms of the parts from the map fitted with them
SHARED_STROKES = 2.0       # neighbouring tiles share strokes: half of them count
MOST_DRAGGED = 1.15        # the strokes' rms misfit with the sides over that without


def outline_of(photo: Photo) -> NDArray[np.float64] | None:
    """Outline of the part of a photo that stands out as a piece, shape (n, 2), or None."""
    if min(photo.preview.shape[:2]) < LEAST_PREVIEW:
        return None
    ground = find_ground(photo.preview, photo.preview_scale)
    return None if ground is None else ground.outline_px


def with_ground(fit: MapFit, good: Tiles, before: Photo, after: Photo, piece: Piece, to_before: NDArray[np.float64],
                after_outline: NDArray[np.float64] | None = None) -> tuple[MapFit, NDArray[np.float64] | None]:
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
    after_outline : ndarray, shape (n, 2), or None
        `outline_of` AFTER.

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
    found = _sides(fit, before, after, piece, to_before, after_outline)
    if found is None:
        return fit, None
    sides, corners = found
    # What the tiles differ among themselves and the strokes they share is theirs alone, not the sides'
    distance = np.einsum("ni,nij,nj->n", fit.residual, good.precision, fit.residual)
    widen = max(float(np.median(distance / np.where(good.firm == 2, 1.386, 0.455))), 1.0)
    tiles = replace(good, move=fit.residual, precision=good.precision / (widen * SHARED_STROKES))
    both = fit_map(joined(tiles, sides), fit.map)
    count, per_mm = len(tiles.at), piece.photo_px_per_mm / scale_of(to_before, tiles.at.mean(axis=0))
    along = sides.move / np.maximum(np.hypot(*sides.move.T), 1e-9)[:, None]
    rest = (both.residual[count:] * along).sum(-1)
    if np.sqrt((rest ** 2).mean()) > MOST_UNLIKE_MM * per_mm:
        return fit, None
    if _misfit(tiles, both.residual[:count], fit.weight) > MOST_DRAGGED * _misfit(tiles, fit.residual, fit.weight):
        return fit, None
    return replace(both, residual=both.residual[:count], weight=both.weight[:count]), corners


def _misfit(tiles, residual, weight) -> float:
    """Root mean square of what is left, over its s.d."""
    distance = np.einsum("ni,nij,nj->n", residual, tiles.precision, residual)
    return float(np.sqrt(np.average(distance / tiles.firm, weights=weight + 1e-9)))


def _sides(fit, before, after, piece, to_before, after_outline):
    """Constraints across the four sides and BEFORE's corners, in the fit's samples; None where sides are missing."""
    for quad in _outlines(fit, piece, to_before, after_outline):
        size = _size_mm(quad, piece.photo_px_per_mm)
        first = _edges(before, quad, size, (FIRST_REACH_MM, REACH_MM))
        if first is None:
            continue
        here, seen, ideal = first
        start = apply_homography(np.linalg.inv(to_before), ideal)
        per_mm = piece.photo_px_per_mm / scale_of(to_before, start.mean(axis=0))
        sd_mm = float(map_sd(fit, start).max() / scale_of(fit.map.homography, start.mean(axis=0)) / per_mm)
        there = undistort(map_points(fit.map, start), lens_of_photo(after.size_px))
        second = _edges(after, there, size, (BESIDE_MM + sd_mm, REACH_MM))
        if second is None:
            continue
        here = apply_homography(np.linalg.inv(to_before), undistort(here, piece.lens))
        there = apply_homography(np.linalg.inv(fit.map.homography), undistort(second[0], fit.map.lens))
        tiles = _constraints(here, there, seen & second[1], per_mm)
        if tiles is not None:
            return tiles, start
    return None


def _outlines(fit, piece, to_before, after_outline):
    """Where the ground's corners may lie on BEFORE, undistorted px: by its own outline, then by AFTER's."""
    if piece.ground_px is not None:
        quad = _quad(piece.ground_px)
        if quad is not None:
            yield quad
    quad = None if after_outline is None else _quad(after_outline)
    if quad is not None:
        yield apply_homography(to_before @ np.linalg.inv(fit.map.homography), undistort(quad, fit.map.lens))


def _size_mm(quad, px_per_mm) -> tuple[float, float]:
    """Width and height, means of opposite sides."""
    length = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1) / px_per_mm
    return float(length[0] + length[2]) / 2, float(length[1] + length[3]) / 2


def _quad(outline_px):
    """An outline as four corners, clockwise, its rim put back; None where it is no quadrilateral."""
    hull = cv2.convexHull(outline_px.astype(np.float32).reshape(-1, 1, 2))
    if len(hull) < 4:
        return None
    quad = cv2.approxPolyN(hull, 4, ensure_convex=True).reshape(-1, 2).astype(np.float64)
    if len(quad) != 4 or cv2.contourArea(hull) < LEAST_FILLED * cv2.contourArea(quad.astype(np.float32)):
        return None
    quad = quad if cv2.contourArea(quad.astype(np.float32), oriented=True) > 0 else quad[::-1]
    w, h = _size_mm(quad, 1.0)
    rim = KEPT_AWAY * np.sqrt(w * h) / (1 - 2 * KEPT_AWAY)
    return moved_out(quad, (rim,) * 4, (w, h))


def _edges(photo, corners, size, reaches):
    """Edge positions (4, n, 2) photo px, which are seen, and the corners; None where a side is missing."""
    lens = lens_of_photo(photo.size_px)
    for reach in reaches:
        edges = edge_points(photo.luminance, corners, size, width_mm=0.0, dark=True, lens=lens, reach_mm=reach)
        if edges.share.min() < LEAST_SHARE:
            return None
        lines = fit_sides(edges, photo.size_px)
        if lines is None:
            return None
        lens, corners = lines.lens, undistort(lines.corners_px, lines.lens)
    return edges.points_px, edges.seen, undistort(lines.corners_px, lens_of_photo(photo.size_px))


def _constraints(here, there, seen, per_mm) -> Tiles | None:
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
    if len(at) < 3 * PARTS:
        return None
    return Tiles(at=np.array(at), move=np.array(move), precision=np.array(precision), agreement=np.ones(len(at)),
                 corners=np.zeros(len(at)), firm=np.ones(len(at), np.int64))
