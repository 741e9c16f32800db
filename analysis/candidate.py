"""A line as a person is told of it: its stripe in mm, degrees and percent with intervals, and the odds that it is one.

Angles are anticlockwise as the upright piece is seen.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from analysis.by_place import ContrastByPlace
from analysis.flatten import Texture
from analysis.line import Line
from analysis.odds import Term, directed_false_alarm, line_odds, search_false_alarm
from analysis.peaks import FEWEST_PERIODS, lowest_per_mm
from analysis.plane import STEEPEST_DEG, Plane
from analysis.visibility import visible

__all__ = ["Candidate", "Stripe", "by_area", "candidate_of", "stripe_of"]

# Percent of drift per 100 mm for each unit of doubt in the scale: a photo without frame, whose scale is known to 1 %,
# may be slanted by 5 degrees, which at a distance of 15 cm changes the scale by 6 % along 100 mm (central projection)
SLANT_DRIFT = 600.0
LEAST_FALSE_ALARM = 1e-30  # smaller numbers mean nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Stripe:
    """One regular artefact; intervals are 95 %."""

    period_mm: float                       # in photo px where no scale is known
    period_interval_mm: tuple[float, float]
    period_px: float                       # in the rectified image
    angle_deg: float                       # of the normal from the scan axis, anticlockwise as seen upright
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
class Candidate:
    """A line that was looked at, called or not, with the terms that speak for and against."""

    stripe: Stripe
    line: Line
    probability: float                     # that a machine stripe makes this line
    terms: tuple[Term, ...]


def candidate_of(line: Line, plane: Plane, texture: Texture, listed_mm=()) -> Candidate:
    """Odds and intervals of a fitted line."""
    false_alarm = search_false_alarm(line, plane, lowest_per_mm=lowest_per_mm(plane), steepest_deg=STEEPEST_DEG)
    directed = directed_false_alarm(line, plane, listed_mm=listed_mm, steepest_deg=STEEPEST_DEG,
                                    scale_sd_fraction=texture.scale_sd_fraction)
    listed, false_alarm = directed < false_alarm, min(false_alarm, directed)
    probability, terms = line_odds(line, false_alarm, listed=listed,
                                   drift_allowed=SLANT_DRIFT * texture.scale_sd_fraction)
    if line.periods < FEWEST_PERIODS - 0.5:
        probability = min(probability, 0.5)
    return Candidate(stripe=stripe_of(line, texture, false_alarm), line=line, probability=probability, terms=terms)


def by_area(found: Candidate, place: ContrastByPlace, texture: Texture) -> Candidate:
    """The candidate with the mean contrast over its area, which is what a person means by it."""
    stripe = stripe_of(found.line, texture, found.stripe.false_alarm_probability, place.area_shift_percent)
    return replace(found, stripe=replace(stripe, harmonics=found.stripe.harmonics))


def stripe_of(line: Line, texture: Texture, false_alarm: float, area_shift_percent=(0.0, 0.0)) -> Stripe:
    """The line in the person's units, with 95 % intervals."""
    f = np.hypot(line.fx_per_mm, line.fy_per_mm)
    # Student's t for the photo's own noise, whose level rests on the few cells beside the line.
    reach = float(stdtrit(2.0 * max(line.noise_count / 1.5, 2.0), 0.975))
    period = 1.0 / f
    period_half = period * np.hypot(reach * line.fx_sd_per_mm / f, 1.96 * texture.scale_sd_fraction)
    angle = -np.degrees(np.arctan2(line.fy_per_mm, line.fx_per_mm))
    angle_half = np.hypot(reach * np.degrees(line.fy_sd_per_mm / f), 1.96 * texture.axis_sd_deg)
    contrast = max(200.0 * line.amplitude + area_shift_percent[0], 0.0)
    contrast_half = np.linalg.norm([reach * 200.0 * line.amplitude_sd, 1.96 * area_shift_percent[1],
                                    1.96 * texture.transfer_sd_fraction * contrast])
    ring_tail = -line.ring_count * np.log1p(line.ring_snr / line.ring_count)
    return Stripe(
        period_mm=period, period_interval_mm=(period - period_half, period + period_half),
        period_px=period * texture.samples_per_mm, angle_deg=angle,
        angle_interval_deg=(angle - angle_half, angle + angle_half),
        contrast_percent=contrast,
        contrast_interval_percent=(max(contrast - contrast_half, 0.0), contrast + contrast_half),
        phase_rad=line.phase_rad, phase_sd_rad=line.phase_sd_rad,
        coherence=float(np.sqrt(line.coherence_along * line.coherence_across)), coverage=line.coverage,
        false_alarm_probability=max(false_alarm, LEAST_FALSE_ALARM),
        ring_probability=float(max(np.exp(ring_tail), LEAST_FALSE_ALARM)), periods_in_view=line.periods,
        drift_percent_per_100mm=line.drift_percent_per_100mm, harmonics=(),
        notes=(visible(period, contrast).words,) if texture.scale_known and contrast > 0 else ())
