"""Align AFTER to BEFORE: by the artwork that both share, never by the grain."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.photo import Photo
from analysis.rectify import Piece

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


def register(before: Photo, after: Photo, before_piece: Piece, after_piece: Piece | None) -> Alignment:
    raise NotImplementedError
