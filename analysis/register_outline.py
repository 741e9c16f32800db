"""Starts of an alignment from outlines: one piece laid on the other each way round, and moved to where strokes agree.

Where artwork is small, faint, or light on one board and dark on the other, no
feature of it is found again. All of it together still agrees in one place only,
and the outlines tell scale and turn, so that place is quickly searched.
"""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, homography_between, lens_of_photo, undistort
from analysis.ground import Ground, quadrilateral
from analysis.photo import Photo
from analysis.piece import Piece
from analysis.register_map import PlaneMap, map_points, scale_of, warp
from analysis.register_place import whitened
from analysis.register_start import Start, credible, shrunk
from analysis.sides import mean_sides
from analysis.strokes import stroke_depth

__all__ = ["start_on", "starts_by_outline"]

ACROSS = 10.0              # samples across the widest stroke
MOST_UNLIKE = 0.08         # log of the sides' proportions: outlines of unlike shape are not of one piece
MOST_MOVE = 4.0            # over the widest stroke: so far apart lies the artwork on two boards
POINTS = 12                # places that a start rests on
APART = 0.7                # of two of them, over the widest stroke
LEAST_SCORE = 6.0          # r.m.s. of the correlation: unlike artwork reaches it in places, and tiles decide
MOST_STARTS = 2


def starts_by_outline(piece: Piece, after: Photo, ground: Ground | None, to_before: NDArray[np.float64],
                      widest: float):
    """Yield starts, the likeliest first.

    Parameters
    ----------
    piece : Piece
        BEFORE's.
    after : Photo
    ground : Ground or None
        AFTER's piece in its photo.
    to_before : ndarray, shape (3, 3)
        Samples of BEFORE's grid to its undistorted photo px.
    widest : float
        Stroke, samples of BEFORE's grid.

    Yields
    ------
    Start
    """
    maps = _laid(piece, after, ground, to_before)
    if not maps:
        return
    first = shrunk(piece.reflectance, widest / ACROSS)
    here = widest / first.to_source[0, 0]
    area = cv2.resize(piece.valid.astype(np.uint8), first.picture.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    second = shrunk(after.luminance, max(1.0, scale_of(maps[0].homography @ first.to_source, (0.0, 0.0))))
    to_second = np.linalg.inv(second.to_source)
    mine = [stroke_depth(first.picture, here, light=light) for light in (False, True)]
    found = []
    for plane in maps:
        near = PlaneMap(homography=plane.homography @ first.to_source, lens=plane.lens)
        warped, seen = warp(second.picture, to_second, near, area.shape)
        for light in (False, True):
            theirs = stroke_depth(warped, here, light=light)
            found += [(*_best_move(mine[ours], theirs, area & seen, here), near, ours == 1, light) for ours in (0, 1)]
    for score, (x, y), together, near, ours, light in sorted(found, key=lambda one: -one[0])[:MOST_STARTS]:
        if score > LEAST_SCORE:
            plane = replace(near, homography=near.homography @ np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]]))
            yield start_on(plane, first.to_source, together, here, (ours, light))


def start_on(plane: PlaneMap, to_source: NDArray[np.float64], together: NDArray[np.float32], widest: float,
             shades: tuple[bool, bool]) -> Start:
    """The start that a map is, resting on the places where most agrees.

    Parameters
    ----------
    plane : PlaneMap
        From samples that `to_source` (3x3) takes to BEFORE's grid.
    together : ndarray, shape (rows, columns)
        How much agrees at each sample.
    widest : float
        Stroke, samples.
    shades : tuple of bool
        Whether BEFORE's and AFTER's strokes are light.
    """
    points, (ours, theirs) = _peaks(together, APART * widest), shades
    return Start(homography=plane.homography @ np.linalg.inv(to_source), negative=ours != theirs, light=ours,
                 points=apply_homography(to_source, points), others=map_points(plane, points))


def _laid(piece: Piece, after: Photo, ground: Ground | None, to_before) -> list[PlaneMap]:
    """Maps that lay BEFORE's outline on AFTER's, each way round that their proportions allow."""
    mine = None if piece.ground_px is None else quadrilateral(piece.ground_px)
    if mine is None or ground is None or ground.corners_px is None:
        return []
    lens = lens_of_photo(after.size_px)
    mine = apply_homography(np.linalg.inv(to_before), undistort(mine, piece.lens))
    maps = []
    for turn in range(4):
        theirs = np.roll(ground.corners_px, turn, axis=0)
        (a, b), (c, d) = mean_sides(mine), mean_sides(theirs)
        matrix = homography_between(mine, theirs)
        if abs(np.log(a * d / (b * c))) < MOST_UNLIKE and credible(matrix, mine):
            maps.append(PlaneMap(homography=matrix, lens=lens))
    return maps


def _best_move(before, after, use, widest):
    """Highest correlation over its r.m.s., the move (x, y) of the second's places that gives it, and what agrees."""
    if use.sum() < widest ** 2:
        return 0.0, (0, 0), np.zeros(use.shape, np.float32)
    white = whitened(before, after, use, widest)
    most = int(MOST_MOVE * widest)
    reach = np.arange(-most, most + 1)
    near = white.surface[np.ix_(reach % white.surface.shape[0], reach % white.surface.shape[1])]
    row, column = np.unravel_index(near.argmax(), near.shape)
    move = int(reach[column]), int(reach[row])
    second = np.roll(white.pictures[1], (-move[1], -move[0]), axis=(0, 1))
    together = np.maximum(white.pictures[0], 0) * np.maximum(second, 0) * use
    return float(near[row, column] / white.surface.std()), move, together.astype(np.float32)


def _peaks(field, apart) -> NDArray[np.float64]:
    """Places (n, 2) of the strongest peaks that lie apart."""
    field, points = field.copy(), []
    for _ in range(POINTS):
        _, most, _, at = cv2.minMaxLoc(field)
        if most <= 0:
            break
        points.append(at)
        cv2.circle(field, at, round(apart), 0.0, -1)
    return np.array(points, np.float64).reshape(-1, 2)
