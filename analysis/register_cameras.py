"""What two photos of pieces tell of their cameras, each by itself: slant by the piece's sides, and the lens."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import Lens
from analysis.ground import Ground
from analysis.level import level_by
from analysis.photo import Photo
from analysis.piece import Piece
from analysis.register_map import K1_SD, Cameras

__all__ = ["cameras_of", "with_lens", "with_level"]

MOST_TILT_DEG = 30.0       # of AFTER: only its alignment needs it square on
UNSEEN_K1_SD = K1_SD / 2 ** 0.5       # of each photo's lens, where nothing shows it
BOWED_K1_SD = 0.002        # sides bowed by 0.05 mm in 100 look like so much of a lens; no source
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
