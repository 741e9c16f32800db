"""Coherent stripes: lines in the spectrum across the scan axis."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Stripe", "StripeField"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stripe:
    """One regular artefact; intervals are 95 %."""

    period_mm: float                       # in photo px where no scale is known
    period_interval_mm: tuple[float, float]
    period_px: float                       # in the rectified image
    angle_deg: float                       # of the normal from the scan axis, anticlockwise as the upright piece is seen
    angle_interval_deg: tuple[float, float]
    contrast_percent: float                # peak to peak of the fundamental / mean reflectance
    contrast_interval_percent: tuple[float, float]
    phase_rad: float                       # of cos(2 pi (f . r) + phase) at piece coordinates (0, 0)
    phase_sd_rad: float
    coherence: float
    coverage: float
    false_alarm_probability: float         # whole search: more than noise?
    ring_probability: float                # probability that rings make so narrow a line
    periods_in_view: float
    drift_percent_per_100mm: float | None
    harmonics: tuple[tuple[int, float], ...]   # (order, contrast_percent) folded into this fundamental
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StripeField:
    """All that the stripe search found in one texture."""

    stripes: tuple[Stripe, ...]            # strongest first
    frequency_per_mm: NDArray[np.float32]  # (n,) of the spectrum below
    contrast_spectrum_percent: NDArray[np.float32]   # (n,) peak-to-peak contrast a line there would have
    threshold_percent: NDArray[np.float32]           # (n,) contrast that a line must exceed to be called
    profile_x_mm: NDArray[np.float32]      # (m,) along the scan axis
    profile_percent: NDArray[np.float32]   # (m,) mean over the cross axis, deviation from mean in %
    stripe_profile_percent: NDArray[np.float32]      # (m,) the fitted stripes in the same unit
    detection_limit_percent: float
    detection_limit_curve: tuple[tuple[float, float], ...]   # (period_mm, contrast_percent)
    map_percent: NDArray[np.float32]       # (r, c) coarse map of local stripe contrast, NaN where no data
    map_step_mm: float                     # size of a map cell; cell [0, 0] starts at the texture's origin
