"""Align AFTER to BEFORE: by the artwork that both share, never by the grain.

Where both pieces have a frame, the frames give the start, the artwork tells
which way round AFTER lies, and strokes and frame together give the last
hundredths of a millimetre. Without a frame the strokes' own features give the
start, and where both photos show one board its grain refines the end. A result
is believed only where tiles that took no part in a fit agree with it, or where
all the artwork at once agrees in that place and in no other.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import Lens, apply_homography, distort, homography_between, lens_of_photo, undistort
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.register_framed import align_framed
from analysis.register_free import align_free
from analysis.register_match import Match
from analysis.register_sides import with_frame_of_after

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
    after_lens: Lens | None = None           # AFTER's, for `homography_undistorted`; None: no distortion
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
    homography can be right everywhere: this one is exact at the piece's corners, or
    as near as one can be over what AFTER shows where these lie outside.
    `homography_undistorted` is for pixels with each piece's lens taken out.
    """
    match = None
    if after_piece is not None and _has_frame(before_piece) and _has_frame(after_piece):
        match = align_framed(before_piece, after_piece)
    if match is None or not match.ok:
        # One of the frames may be a wrong one, or given badly: the artwork alone may still tell
        free = align_free(before, after, before_piece)
        if match is None or free.ok and (free.method == "same board" or not match.even):
            match = with_frame_of_after(free, before_piece, after)
    return _alignment(match, before_piece, after)


def _has_frame(piece: Piece) -> bool:
    """Whether corners on the piece are known."""
    return piece.corners_px is not None


def _alignment(match: Match, before_piece: Piece, after: Photo) -> Alignment:
    """Match in photo pixels, arrays closed."""
    raw = None if match.homography is None else _raw_homography(match, before_piece, after)
    for array in (raw, match.misfits_px, match.homography):
        if array is not None:
            array.setflags(write=False)
    scale, residual = match.before_px_per_mm, match.residual_px
    return Alignment(ok=match.ok, homography=raw, residual_px=residual,
                     residual_mm=None if residual is None or scale is None else residual / scale,
                     overlap_fraction=match.overlap_fraction, reason=match.reason, method=match.method,
                     turned=match.turned, misfits_px=match.misfits_px, warnings=match.warnings,
                     homography_undistorted=match.homography, after_lens=match.after_lens,
                     agreement=match.agreement)


def _raw_homography(match: Match, before_piece: Piece, after: Photo) -> NDArray[np.float64]:
    """Homography between photo pixels, lenses included: exact at the piece's corners, or nearest over a part."""
    after_lens = match.after_lens or lens_of_photo(after.size_px)
    if before_piece.lens.k1 == 0.0 and after_lens.k1 == 0.0:
        return match.homography.copy()
    corners = match.corners_px         # AFTER's, of the piece
    target = distort(apply_homography(match.homography, undistort(corners, after_lens)), before_piece.lens)
    if len(corners) > 4:
        return cv2.findHomography(corners, target)[0]         # least squares
    matrix = homography_between(corners, target)
    return matrix / matrix[2, 2]
