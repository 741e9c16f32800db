"""Starts of an alignment from looking everywhere, where both photos are levelled.

Seen from straight above, one piece's artwork is the other's, moved, turned by
quarters as its sides lie, and scaled; so every scale and turn is tried at every
place. Artwork that is too faint among a board's own pattern for any feature of
it to be found again still agrees as a whole.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np
from scipy import fft

from analysis.geometry import Lens, apply_homography, lens_of_photo, undistort
from analysis.ground import Ground, sides_direction
from analysis.photo import Photo
from analysis.piece import Piece
from analysis.register_map import Cameras, PlaneMap, scale_of, warp
from analysis.register_outline import start_on
from analysis.register_place import REACH, white_spectrum
from analysis.register_start import Start, View, inside, shrunk
from analysis.sides import mean_sides
from analysis.strokes import stroke_depth

__all__ = ["starts_everywhere"]

ACROSS = 6.0               # samples across the widest stroke
SCALES = np.exp(np.linspace(-0.5, 0.5, 21))    # of one outline's size to the other's: a board's, or its ground's
LEAST_SCORE = 7.0          # r.m.s. of the correlation; chance among 3e7 places: 5.6
MOST_STARTS = 2


def starts_everywhere(piece: Piece, after: Photo, ground: Ground | None, cameras: Cameras,
                      widest: float) -> Iterator[Start]:
    """Yield starts, the likeliest first.

    Parameters
    ----------
    piece : Piece
        BEFORE's, levelled.
    after : Photo
    ground : Ground or None
        AFTER's piece in its photo.
    cameras : Cameras
        None come where they do not know both levels.
    widest : float
        Stroke, samples of BEFORE's grid.

    Yields
    ------
    Start
    """
    if cameras.to_level is None or cameras.before_level is not None or ground is None or ground.corners_px is None:
        return
    first, lens = shrunk(piece.reflectance, widest / ACROSS), lens_of_photo(after.size_px, cameras.k1)
    here = widest / first.to_source[0, 0]
    mine = apply_homography(np.linalg.inv(cameras.to_before @ first.to_source),
                            undistort(piece.outlines_px[0], piece.lens))
    theirs = apply_homography(cameras.to_level, undistort(ground.corners_px, lens))
    area = cv2.resize(piece.valid.astype(np.uint8), first.picture.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    shape = [fft.next_fast_len(int(n + REACH * here), real=True) for n in area.shape]
    depths = [stroke_depth(first.picture, here, light=light) for light in (False, True)]
    ours, found = [white_spectrum(depth, area, shape, here) for depth in depths], []
    maps, middle = list(_laid(mine, theirs, cameras, lens)), np.array(area.shape[::-1]) / 2
    finest = shrunk(after.luminance, max(1.0, scale_of(maps[0].homography, middle)))
    for plane in maps:
        others, seen = _seen_through(plane, finest, ground, area.shape, here)
        for light in (False, True) if seen.sum() > here ** 2 else ():
            other = white_spectrum(others[light], seen, shape, here)
            for own in (False, True):
                surface = fft.irfft2(np.conj(ours[own]) * other, shape)
                at = np.unravel_index(surface.argmax(), shape)
                found.append((float(surface[at] / surface.std()), at, plane, own, light))
    for score, at, plane, own, light in sorted(found, key=lambda one: -one[0])[:MOST_STARTS]:
        if score > LEAST_SCORE:
            y, x = (k if k <= n // 2 else k - n for k, n in zip(at, shape, strict=True))
            there = replace(plane, homography=plane.homography @ np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]]))
            others, seen = _seen_through(there, finest, ground, area.shape, here)
            together = np.maximum(depths[own], 0) * np.maximum(others[light], 0) * (area & seen)
            yield start_on(there, first.to_source, together.astype(np.float32), here, (own, light))


def _laid(mine, theirs, cameras: Cameras, lens: Lens) -> Iterator[PlaneMap]:
    """Maps of BEFORE's samples to AFTER's photo, middle on middle, by scale, the smallest first, and turn."""
    size = np.sqrt(np.prod(mean_sides(theirs)) / np.prod(mean_sides(mine)))
    turn = np.radians(sides_direction(mine) - sides_direction(theirs))
    back = np.linalg.inv(cameras.to_level)
    for scale in size * SCALES:
        for angle in turn + np.arange(4) * np.pi / 2:
            c, s = np.cos(angle), np.sin(angle)
            matrix = np.eye(3)
            matrix[:2, :2] = scale * np.array([[c, -s], [s, c]])
            matrix[:2, 2] = theirs.mean(axis=0) - matrix[:2, :2] @ mine.mean(axis=0)
            yield PlaneMap(homography=back @ matrix, lens=lens)


def _seen_through(plane: PlaneMap, after: View, ground: Ground, shape, widest):
    """Depths of AFTER's dark and light strokes on BEFORE's samples, and where its piece lies there."""
    coarser = scale_of(plane.homography, np.array(shape[::-1]) / 2) / after.to_source[0, 0]
    second = shrunk(after.picture, max(1.0, coarser))
    warped, seen = warp(second.picture, np.linalg.inv(after.to_source @ second.to_source), plane, shape)
    piece = inside(View(picture=warped, to_source=plane.homography), undistort(ground.outline_px, plane.lens))
    return [stroke_depth(warped, widest, light=light) for light in (False, True)], seen & (piece > 0)
