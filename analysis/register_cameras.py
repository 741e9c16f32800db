"""What two photos of pieces tell of their cameras, each by itself: slant by the piece's sides, and the lens."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import Lens, apply_homography, distort, undistort
from analysis.ground import Ground
from analysis.ground_sides import straight_sides
from analysis.level import level_by
from analysis.photo import Photo
from analysis.piece import Piece
from analysis.register_map import K1_SD, Cameras, PlaneMap, map_points

__all__ = ["cameras_of", "with_lens", "with_level", "with_sides_found"]

MOST_TILT_DEG = 30.0       # of AFTER: only its alignment needs it square on
UNSEEN_K1_SD = K1_SD / 2 ** 0.5       # of each photo's lens, where nothing shows it
BOWED_K1_SD = 0.002        # sides bowed by 0.05 mm in 100 look like so much of a lens; no source
MOST_AWAY = 1.0            # of an outline's corners from the photo's middle, over its size
UNSURE = 2.0               # a k1 too small to be told from 0 is set to 0: what that is off by, over the fit's s.d.


def cameras_of(piece: Piece, after: Photo, ground: Ground | None, to_before: NDArray[np.float64]) -> Cameras:
    """Slant and lens of both photos, as far as each shows them.

    Parameters
    ----------
    piece : Piece
        BEFORE's.
    after : Photo
    ground : Ground or None
        AFTER's piece in its photo.
    to_before : ndarray, shape (3, 3)
        Samples of BEFORE's grid to its undistorted photo px.

    Returns
    -------
    Cameras
    """
    cameras = Cameras(to_before=to_before, before_lens=piece.lens, before_k1_sd=_k1_sd(piece.lens), k1=piece.lens.k1,
                      k1_sd=K1_SD, k1_follows=1.0, to_level=None)
    return cameras if ground is None else with_level(cameras, piece, after, ground.corners_px)


def with_level(cameras: Cameras, piece: Piece, after: Photo, corners_px: NDArray[np.float64] | None) -> Cameras:
    """The same with AFTER's slant and lens as a rectangle in it shows them; the slant only where BEFORE's is known."""
    level = None if corners_px is None else level_by(after, corners_px, most_tilt_deg=MOST_TILT_DEG)
    if level is None:
        return cameras
    if piece.level_sd is not None:
        cameras = replace(cameras, to_level=level.to_level, fan_sd_per_px=(piece.level_sd[0], level.fan_sd_per_px),
                          stretch_sd=float(np.hypot(piece.level_sd[1], level.stretch_sd)))
    return with_lens(cameras, level.lens)


def with_sides_found(cameras: Cameras, before: Photo, after: Photo, piece: Piece, ground: Ground | None,
                     plane: PlaneMap) -> Cameras | None:
    """The same with the level of the photo in which no piece stood out, looked for where the other's outline lies.

    Boards are cut a little differently, so that sides are looked for near where a first map puts them. None where both
    levels are known, where neither is, or where no sides are found.
    """
    if cameras.to_level is not None:
        return None
    if piece.level_sd is not None:
        outline = undistort(piece.outlines_px[0], piece.lens)
        there = map_points(plane, apply_homography(np.linalg.inv(cameras.to_before), outline))
        seen = with_level(cameras, piece, after, _sides_near(after, there))
        return None if seen.to_level is None else seen
    if ground is None or ground.corners_px is None or (theirs := level_by(after, ground.corners_px)) is None:
        return None
    to_before = cameras.to_before @ np.linalg.inv(plane.homography)
    corners = _sides_near(before, distort(apply_homography(to_before, undistort(ground.corners_px, plane.lens)),
                                          piece.lens))
    mine = None if corners is None else level_by(before, corners)
    if mine is None:
        return None
    return replace(with_lens(cameras, theirs.lens), before_level=mine.to_level, to_level=theirs.to_level,
                   fan_sd_per_px=(mine.fan_sd_per_px, theirs.fan_sd_per_px),
                   stretch_sd=float(np.hypot(mine.stretch_sd, theirs.stretch_sd)))


def _sides_near(photo: Photo, outline_px) -> NDArray[np.float64] | None:
    """Corners of straight edges near an outline (4, 2), photo px; None where a side has none, or it lies far off."""
    away = np.abs(outline_px / photo.size_px - 0.5)
    if not np.all(away < MOST_AWAY):
        return None
    sides = straight_sides(photo.preview, (outline_px + 0.5) * photo.preview_scale - 0.5, 0.0)
    return None if sides is None else (sides + 0.5) / photo.preview_scale - 0.5


def with_lens(cameras: Cameras, seen: Lens) -> Cameras:
    """The same with AFTER's lens as its own photo shows it, where that is surer than what is known.

    Where BEFORE's lens is taken as none at all, a map needs the difference of both, not AFTER's own.
    """
    own = 0.0 if cameras.before_lens.k1_sd is None else _k1_sd(seen) ** -2
    k1_sd = (own + K1_SD ** -2) ** -0.5
    if k1_sd >= cameras.k1_sd:             # the sides of a small rectangle do not outvote those of the whole piece
        return cameras
    return replace(cameras, k1=k1_sd ** 2 * (cameras.before_lens.k1 * K1_SD ** -2 + seen.k1 * own), k1_sd=k1_sd,
                   k1_follows=(k1_sd / K1_SD) ** 2)


def _k1_sd(lens) -> float:
    """S.d. of a lens's coefficient, whatever bends the sides that it was read from."""
    seen = UNSEEN_K1_SD if lens.k1_sd is None else np.hypot(UNSURE * lens.k1_sd, BOWED_K1_SD)
    return float(min(seen, UNSEEN_K1_SD))
