"""Align AFTER to BEFORE: by the artwork that both share, never by the grain.

Where both pieces have a frame, the frames give the start, the artwork tells
which way round AFTER lies, and strokes and frame together give the last
hundredths of a millimetre. Without a frame the strokes' own features give the
start. A result is believed only when tiles that took no part in a fit agree
with it.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, distort, homography_of, undistort
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.register_framed import align_framed
from analysis.register_free import align_free

__all__ = ["Alignment", "register"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """How AFTER lies on BEFORE, or why that could not be told."""

    ok: bool
    homography: NDArray[np.float64] | None   # 3x3: AFTER photo px -> BEFORE photo px (after EXIF orientation)
    residual_px: float | None                # robust rms misfit, BEFORE photo px
    residual_mm: float | None                # None with no scale
    overlap_fraction: float                  # share of BEFORE's piece that AFTER shows
    reason: str | None                       # why not, in words, where ok is false
    method: str                              # "marks", "frame and artwork", "artwork", "same board"
    turned: bool = False                     # AFTER's piece lay half a turn round against BEFORE's
    misfits_px: NDArray[np.float64] | None = None   # (n, 4) x, y in BEFORE px and dx, dy of the check points
    warnings: tuple[str, ...] = ()
    # Undistorted AFTER px -> undistorted BEFORE px, each by its own piece's lens; equals `homography` where
    # no lens was estimated
    homography_undistorted: NDArray[np.float64] | None = None
    agreement: float | None = None           # correlation of the artwork's strokes, 1 for the same artwork


def register(before: Photo, after: Photo, before_piece: Piece, after_piece: Piece | None) -> Alignment:
    """Align AFTER to BEFORE.

    Parameters
    ----------
    before, after : Photo
    before_piece : Piece
        BEFORE on its grid.
    after_piece : Piece or None
        AFTER on its grid; with a frame in both, the frames give the start.

    Returns
    -------
    Alignment
        `ok` is false, with the reason in words, where nothing shared was found
        or the check did not agree.

    Notes
    -----
    `homography` is for photo pixels as they are. Where a lens was estimated no
    homography can be right everywhere: this one is exact at the frame's corners.
    `homography_undistorted` is for pixels with each piece's lens taken out.
    """
    if after_piece is not None and _has_frame(before_piece) and _has_frame(after_piece):
        return _alignment(align_framed(before_piece, after_piece), before_piece, after_piece)
    return _alignment(align_free(before, after, before_piece), before_piece, None)


def _has_frame(piece: Piece) -> bool:
    """Whether corners on the piece are known."""
    return piece.corners_px is not None


def _alignment(found, before_piece: Piece, after_piece: Piece | None) -> Alignment:
    """Photo-pixel result of a match."""
    scale = found.before_px_per_mm
    raw = None
    if found.homography is not None:
        raw = _raw_homography(found, before_piece, after_piece)
    residual_px = found.residual_px
    misfits = None
    if found.misfits_px is not None:
        misfits = found.misfits_px
    for array in (raw, misfits, found.homography):
        if array is not None:
            array.setflags(write=False)
    return Alignment(ok=found.ok, homography=raw, residual_px=residual_px,
                     residual_mm=None if residual_px is None or scale is None else residual_px / scale,
                     overlap_fraction=found.overlap_fraction, reason=found.reason, method=found.method,
                     turned=found.turned, misfits_px=misfits, warnings=found.warnings,
                     homography_undistorted=found.homography, agreement=found.agreement)


def _raw_homography(found, before_piece, after_piece) -> NDArray[np.float64]:
    """Homography between photo pixels, lenses included, exact at four corners of the piece."""
    after_lens = before_piece.lens if after_piece is None else after_piece.lens
    if before_piece.lens.k1 == 0.0 and (after_piece is None or after_lens.k1 == 0.0):
        return found.homography.copy()
    corners = found.corners_px                       # (4, 2) raw AFTER px
    ideal = undistort(corners, after_lens) if after_piece is not None else corners
    target = distort(apply_homography(found.homography, ideal), before_piece.lens)
    unit = (1.0, 1.0)
    matrix = homography_of(target, unit) @ np.linalg.inv(homography_of(corners, unit))
    return matrix / matrix[2, 2]
