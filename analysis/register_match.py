"""Outcome of an alignment, by whatever it was found."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import Lens

__all__ = ["Match"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Outcome of an alignment before it is put in photo pixels with lenses."""

    ok: bool
    homography: NDArray[np.float64] | None       # undistorted AFTER px -> undistorted BEFORE px
    residual_px: float | None
    before_px_per_mm: float | None               # None where no scale is known
    overlap_fraction: float
    reason: str | None
    method: str
    turned: bool = False
    misfits_px: NDArray[np.float64] | None = None
    # (n, 2) in AFTER photo px: where the result must be exact, if they are four, or nearest
    corners_px: NDArray[np.float64] | None = None
    after_lens: Lens | None = None                   # AFTER's, where its frame showed it
    warnings: tuple[str, ...] = ()
    agreement: float | None = None
    even: bool = False                               # refused: the artwork looks alike half a turn round
