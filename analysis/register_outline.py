"""Starts of an alignment from outlines: one piece laid on the other each way round, and moved to where strokes agree.

Where artwork is small, faint, or light on one board and dark on the other, no
feature of it is found again. All of it together still agrees in one place only,
and the outlines tell scale and turn, so that place is quickly searched.
"""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.geometry import apply_homography, homography_of, lens_of_photo, undistort
from analysis.ground import Ground, quadrilateral
from analysis.photo import Photo
from analysis.piece import Piece
from analysis.register_map import PlaneMap, map_points, scale_of, warp
from analysis.register_start import Start, credible, shrunk
from analysis.sides import mean_sides
from analysis.streaks import without_streaks
from analysis.strokes import stroke_response

__all__ = ["starts_by_outline"]

ACROSS = 10.0              # samples across the widest stroke
BLUR = 0.15                # of the responses, over the widest stroke: boards lie a degree askew on the bed
MOST_UNLIKE = 0.08         # log of the sides' proportions: outlines of unlike shape are not of one piece
MOST_MOVE = 4.0            # over the widest stroke: so far apart lies the artwork on two boards
POINTS = 12                # places that a start rests on
APART = 0.7                # of two of them, over the widest stroke
LEAST_SCORE = 0.15         # correlation: unlike artwork reaches it in places, and tiles decide
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
    mine = [_strokes(first.picture, area, here, light) for light in (False, True)]
    found = []
    for plane in maps:
        near = PlaneMap(homography=plane.homography @ first.to_source, lens=plane.lens)
        warped, seen = warp(second.picture, to_second, near, area.shape)
        both = area & seen
        for light in (False, True):
            theirs = _strokes(warped, both, here, light)
            found += [(*_best_move(mine[k] * both, theirs, MOST_MOVE * here), near, bool(k), light, theirs)
                      for k in range(2)]
    for score, move, near, ours, light, theirs in sorted(found, key=lambda one: -one[0])[:MOST_STARTS]:
        if score > LEAST_SCORE:
            moved = np.array([[1, 0, move[0]], [0, 1, move[1]], [0, 0, 1.0]])
            plane = PlaneMap(homography=near.homography @ moved, lens=near.lens)
            together = mine[int(ours)] * cv2.warpAffine(theirs, moved[:2], theirs.shape[::-1],
                                                        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
            points = _peaks(together, APART * here)
            yield Start(homography=plane.homography @ np.linalg.inv(first.to_source), negative=ours != light,
                        points=apply_homography(first.to_source, points), others=map_points(plane, points), light=ours)


def _laid(piece: Piece, after: Photo, ground: Ground | None, to_before) -> list[PlaneMap]:
    """Maps that lay BEFORE's outline on AFTER's, each way round that their proportions allow."""
    mine = None if piece.ground_px is None else quadrilateral(piece.ground_px)
    if mine is None or ground is None or ground.corners_px is None:
        return []
    lens = lens_of_photo(after.size_px)
    mine = apply_homography(np.linalg.inv(to_before), undistort(mine, piece.lens))
    back, maps = np.linalg.inv(homography_of(mine, (1.0, 1.0))), []
    for turn in range(4):
        theirs = np.roll(ground.corners_px, turn, axis=0)
        (a, b), (c, d) = mean_sides(mine), mean_sides(theirs)
        matrix = homography_of(theirs, (1.0, 1.0)) @ back
        if abs(np.log(a * d / (b * c))) < MOST_UNLIKE and credible(matrix, mine):
            maps.append(PlaneMap(homography=matrix, lens=lens))
    return maps


def _strokes(picture, area, widest, light) -> NDArray[np.float32]:
    """Blurred response to strokes."""
    response = stroke_response(without_streaks(picture, widest, area), area, widest, light=light).response
    return cv2.GaussianBlur(response, (0, 0), BLUR * widest)


def _best_move(first, second, most) -> tuple[float, tuple[int, int]]:
    """Highest correlation of two pictures and the move (x, y) of the second's places that gives it."""
    shape = [fft.next_fast_len(n + int(most) + 1, real=True) for n in first.shape]
    product = fft.irfft2(np.conj(fft.rfft2(first, shape)) * fft.rfft2(second, shape), shape)
    reach = [np.arange(-int(most), int(most) + 1)] * 2
    near = product[np.ix_(reach[0] % shape[0], reach[1] % shape[1])]
    row, column = np.unravel_index(near.argmax(), near.shape)
    size = np.sqrt(float((first * first).sum()) * float((second * second).sum()))
    return float(near[row, column]) / max(size, 1e-9), (int(reach[1][column]), int(reach[0][row]))


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
