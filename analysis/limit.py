"""How small a stripe would still have been found: injection into the very photo.

A line of unit amplitude is demodulated once at each period; since every step up
to the test is linear in the bands, a weaker or stronger injection costs only
the test itself.
"""
from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from analysis.line import measure_line, surroundings
from analysis.odds import line_odds, search_false_alarm
from analysis.places import demodulate_each, demodulated_waves
from analysis.plane import STEEPEST_DEG, Bands, Plane

__all__ = ["detection_limit", "limit_near"]

PERIODS_TRIED = 7
PHASES = (0.4, 3.5)        # of the injected stripe against what noise is there already
SPAN_MM = (0.5, 10.0)      # the periods that a small gantry's drive makes; common practice, no source
SHARE_FOUND = 0.95
HIGHEST_PERCENT, LOWEST_PERCENT = 60.0, 0.02
LEAST_SD, MOST_SD = 2.5, 250.0    # the bisection starts between these times the s.d. of the contrast
STEPS = 5                  # evaluations a crossing: within a few percent, since the odds rise smoothly


def detection_limit(bands: Bands, plane: Plane, call: float, lowest_per_mm: float
                    ) -> tuple[float, tuple[tuple[float, float], ...]]:
    """Smallest contrast that would have been called with 95 % probability.

    Parameters
    ----------
    bands, plane : Bands, Plane
        Of the texture with the stripes that were found taken out.
    call : float
        Probability from which a stripe is called.
    lowest_per_mm : float
        Lowest frequency searched.

    Returns
    -------
    limit_percent : float
        Over periods spread evenly in their logarithm: a stripe of this contrast
        and any such period is found 95 % of the time.
    curve : tuple of (period_mm, contrast_percent)
        The limit at each period.
    """
    longest = min(SPAN_MM[1], 1.0 / lowest_per_mm)
    shortest = max(SPAN_MM[0], 1.05 / plane.fx_per_mm[-1])
    if shortest >= longest:                # a small piece, or no scale: the whole range that was searched
        longest, shortest = 1.0 / lowest_per_mm, 1.05 / plane.fx_per_mm[-1]
    periods = np.geomspace(shortest, longest, PERIODS_TRIED)
    # What stands at these very frequencies is left in: it is the noise that an injected stripe meets.
    places = demodulate_each(bands, [(1.0 / p, 0.0) for p in periods])
    halves, sds = np.array([_at_period(bands, here, plane, call, lowest_per_mm) for here in places]).T
    curve = tuple((float(p), float(h + 1.645 * s)) for p, h, s in zip(periods, halves, sds, strict=True))
    low, high = np.log(LOWEST_PERCENT), np.log(2 * HIGHEST_PERCENT)
    for _ in range(24):
        middle = 0.5 * (low + high)
        found = np.mean(ndtr((np.exp(middle) - halves) / sds))
        low, high = (low, middle) if found > SHARE_FOUND else (middle, high)
    return float(np.exp(high)), curve


def limit_near(curve: tuple[tuple[float, float], ...], period_mm: float) -> float:
    """Limit at a period: the higher of the curve's two points around it, or its end's; infinite without a curve."""
    if not curve:
        return np.inf
    periods, limits = np.array(curve).T
    k = int(np.searchsorted(periods, period_mm))
    return float(limits[max(k - 1, 0): k + 1].max())


def _at_period(bands, places, plane, call, lowest_per_mm):
    """Contrast that is called half of the time, percent, and the spread of its estimate."""
    around = surroundings(places, plane)
    sd = 200.0 * measure_line(places, plane, around=around).amplitude_sd
    halves = []
    for wave in demodulated_waves(bands, places.fx_per_mm, PHASES):
        def excess(log_contrast, wave=wave):
            sums = places.sums + np.exp(log_contrast) / 200.0 * wave
            line = measure_line(replace(places, sums=sums), plane, around=around, drifting=False)
            false_alarm = search_false_alarm(line, plane, lowest_per_mm=lowest_per_mm, steepest_deg=STEEPEST_DEG)
            p = line_odds(line, false_alarm)[0]
            return np.log(p / (1.0 - p)) - np.log(call / (1.0 - call))
        halves.append(min(np.exp(_crossing(excess, np.log(LEAST_SD * sd), np.log(MOST_SD * sd))), HIGHEST_PERCENT))
    return float(np.mean(halves)), max(sd, float(np.std(halves)))


def _crossing(excess, low, high) -> float:
    """Where a rising function crosses zero: halving, then a straight line through the last two values."""
    at_low, at_high = None, None
    for step in range(STEPS):
        if at_low is None or at_high is None or step < 3:
            middle = 0.5 * (low + high)
        else:
            middle = low + (high - low) * np.clip(-at_low / (at_high - at_low), 0.1, 0.9)
        value = excess(middle)
        if value < 0:
            low, at_low = middle, value
        else:
            high, at_high = middle, value
    if at_low is None or at_high is None:
        return high
    return low + (high - low) * -at_low / (at_high - at_low)
