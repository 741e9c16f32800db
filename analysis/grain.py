"""Grain of the material: orientation, spacing and how unequal the spacing is."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.flatten import Texture

__all__ = ["GrainField", "measure_grain"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainField:
    """Grain of one texture after the stripes are taken out; intervals are 95 %."""

    angle_deg: float | None                # direction of the grain lines from the scan axis, anticlockwise, (-90, 90]
    angle_spread_deg: float | None         # circular s.d. of local directions
    contrast_percent: float                # peak to peak equivalent (2 sqrt 2 rms) of the oriented texture / mean reflectance
    contrast_interval_percent: tuple[float, float]
    spacing_mm: float | None
    spacing_variation: float | None        # coefficient of variation of the spacing
    directions: tuple[tuple[float, float], ...]      # (angle_deg of lines, share of oriented energy), strongest first
    map_percent: NDArray[np.float32]       # (r, c) local grain contrast, NaN where no data
    map_angle_deg: NDArray[np.float32]     # (r, c) local line direction
    map_step_mm: float
    notes: tuple[str, ...] = ()


def measure_grain(texture: Texture, *, stripe_model: NDArray[np.float32] | None = None,
                  map_step_mm: float | None = None) -> GrainField:
    """`stripe_model` (rows, columns) is the fitted stripes in log reflectance, subtracted first."""
    raise NotImplementedError
