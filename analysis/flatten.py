"""Piece to texture: log reflectance with slow trends and artwork taken out."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.rectify import Piece

__all__ = ["Texture", "flatten"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Texture:
    """Log reflectance on the piece's grid, trend taken out; missing data has weight 0."""

    name: str
    log_reflectance: NDArray[np.float32]   # (rows, columns), 0 where weight is 0
    weight: NDArray[np.float32]            # (rows, columns), 0 to 1
    trend: NDArray[np.float32]             # coarse log trend, for display (rows, columns) / trend_step
    samples_per_mm: float
    origin_mm: tuple[float, float]
    scale_known: bool
    longest_period_mm: float               # periods above this are eaten by the trend removal
    artwork_fraction: float                # share of the piece masked as artwork, frame, knots, glare
    warnings: tuple[str, ...] = ()


def flatten(piece: Piece, *, region_mm: tuple[float, float, float, float] | None = None,
            shared_artwork: NDArray[np.bool_] | None = None) -> Texture:
    raise NotImplementedError
