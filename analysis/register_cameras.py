"""What two photos of pieces tell of their cameras, each by itself: slant by the piece's sides, and the lens."""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.ground import Ground
from analysis.level import level_by
from analysis.photo import Photo
from analysis.piece import Piece
from analysis.register_map import K1_SD, Cameras

__all__ = ["cameras_of"]

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
    level = None if ground is None or ground.corners_px is None else level_by(
        after.luminance, ground.corners_px, after.focal_share, most_tilt_deg=MOST_TILT_DEG)
    # Where BEFORE's lens is taken as none at all, a map needs the difference of both, not AFTER's own
    own = 0.0 if level is None or piece.lens.k1_sd is None else _k1_sd(level.lens) ** -2
    k1_sd = (own + K1_SD ** -2) ** -0.5
    k1 = k1_sd ** 2 * (piece.lens.k1 * K1_SD ** -2 + (0.0 if level is None else level.lens.k1 * own))
    both = level is not None and piece.level_sd is not None
    return Cameras(to_before=to_before, before_lens=piece.lens, before_k1_sd=_k1_sd(piece.lens), k1=k1, k1_sd=k1_sd,
                   k1_follows=(k1_sd / K1_SD) ** 2, to_level=level.to_level if both else None,
                   fan_sd_per_px=(piece.level_sd[0], level.fan_sd_per_px) if both else (0.0, 0.0),
                   stretch_sd=float(np.hypot(piece.level_sd[1], level.stretch_sd)) if both else 0.0)


def _k1_sd(lens) -> float:
    """S.d. of a lens's coefficient, whatever bends the sides that it was read from."""
    seen = UNSEEN_K1_SD if lens.k1_sd is None else np.hypot(UNSURE * lens.k1_sd, BOWED_K1_SD)
    return float(min(seen, UNSEEN_K1_SD))
