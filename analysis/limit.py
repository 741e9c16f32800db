"""How small a stripe would still have been found: injection into the very photo.

A line of unit amplitude is demodulated once at each period; since every step up
to the test is linear in the bands, a weaker or stronger injection costs only
the test itself.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.line import measure_line, surroundings
from analysis.odds import directed_false_alarm, line_odds, search_false_alarm
from analysis.places import demodulate_each
from analysis.plane import STEEPEST_DEG, Bands, Plane

__all__ = ["detection_limit", "limit_near", "listed_limits"]

Share = Callable[[NDArray[np.float64]], NDArray[np.float64]]      # of the contrast, at each of some periods

PERIODS_TRIED = 7
# At each period two stripes are laid on, each with an angle and a phase of its own, spread evenly over the whole
# curve: what noise lies there, and what stands aslant, differ from angle to angle. A machine's axes are no further out
# of square
STRIPES_TRIED = 2
STEEPEST_TRIED_DEG = 1.0   # common practice, no source
GOLDEN, PLASTIC = 0.6180339887, 0.7548776662     # multiples of these, modulo 1, lie evenly however many there are
SPAN_MM = (0.5, 10.0)      # the periods that a small gantry's drive makes; common practice, no source
SHARE_FOUND = 0.95
HIGHEST_PERCENT, LOWEST_PERCENT = 60.0, 0.02
FIRST_SD = 6.5             # times the s.d. of the contrast, from which half of the stripes on 60 textures were called
LEAST_SD, MOST_SD = 2.5, 250.0    # the crossing lies between these times the s.d.
# The odds rise smoothly, by about 10 nats for each unit of the contrast's logarithm, and the crossing lies within a
# fifth of its first guess half of the time: four evaluations find it within 2 % on average (140 crossings)
STEPS, FIRST_STEP, STEP_GROWS, SLOPE, STEEP = 4, 0.3, 4.0, 7.0, 4.0
# Of a line's power, what its own side lobes add to the level around it in the search, times the square of its periods
# in view (98 stripes laid on 14 textures)
SIDE_LOBES = 0.3
# Spread of the logarithm of the contrast from which a stripe at one period is called, over angles, phases and noise:
# what 60 textures showed, counted as if it were known from so many stripes on top of this photo's own
SPREAD, SPREAD_COUNT, SHARED_COUNT = 0.22, 6.0, 4.0


def detection_limit(bands: Bands, plane: Plane, call: float, lowest_per_mm: float, least_percent: float = 0.0,
                    let_through: Share = np.ones_like) -> tuple[float, tuple[tuple[float, float], ...]]:
    """Smallest contrast that would have been called with 95 % probability.

    Parameters
    ----------
    bands, plane : Bands, Plane
        Of the texture with the stripes that were found taken out.
    call : float
        Probability from which a stripe is called.
    lowest_per_mm : float
        Lowest frequency searched.
    least_percent : float
        Measured contrast below which nothing is called.
    let_through : callable
        Share of the piece's contrast that the photo shows at each period: the limit is the piece's.

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
    found = _found_at(bands, plane, periods, _odds(plane, lowest_per_mm), call, least_percent, let_through)
    curve = tuple((float(p), float(limit)) for p, limit in zip(periods, _least(found, PERIODS_TRIED), strict=True))
    return float(_least(lambda contrast: found(contrast).mean(keepdims=True), 1)[0]), curve


def listed_limits(bands: Bands, plane: Plane, call: float, lowest_per_mm: float,
                  listed_mm: tuple[tuple[float, float], ...], scale_sd_fraction: float, least_percent: float = 0.0,
                  let_through: Share = np.ones_like) -> tuple[tuple[float, float], ...]:
    """The limit at each listed period, (period_mm, contrast_percent): there a stripe is looked for by itself.

    `listed_mm` holds periods and their s.d., `scale_sd_fraction` is the photo's; the rest is as for `detection_limit`.
    """
    periods = np.array([p for p, _ in listed_mm if lowest_per_mm <= 1.0 / p <= plane.fx_per_mm[-1] / 1.05])
    if not periods.size:
        return ()
    odds = _odds(plane, lowest_per_mm, listed_mm, scale_sd_fraction)
    limits = _least(_found_at(bands, plane, periods, odds, call, least_percent, let_through), periods.size)
    return tuple((float(p), float(limit)) for p, limit in zip(periods, limits, strict=True))


def _odds(plane, lowest_per_mm, listed_mm=(), scale_sd_fraction=0.0):
    """The odds of a line as the search finds them: a function of the line."""
    def odds(line):
        # Of a line's power, what its own side lobes add to the level around it in the search.
        line = replace(line, snr=line.snr / (1.0 + SIDE_LOBES / line.periods ** 2 * line.snr))
        searched = search_false_alarm(line, plane, lowest_per_mm=lowest_per_mm, steepest_deg=STEEPEST_DEG)
        directed = directed_false_alarm(line, plane, listed_mm=listed_mm, steepest_deg=STEEPEST_DEG,
                                        scale_sd_fraction=scale_sd_fraction)
        return line_odds(line, min(searched, directed), listed=directed < searched)[0]
    return odds


def _found_at(bands, plane, periods, odds, call, least_percent, let_through):
    """Share found at each period of stripes of one contrast, percent: a function of that contrast."""
    shown = let_through(periods)
    each = np.repeat(periods, STRIPES_TRIED)
    slopes = np.tan(np.radians(STEEPEST_TRIED_DEG * (2.0 * (GOLDEN * np.arange(each.size) % 1.0) - 1.0)))
    # What stands at these very frequencies is left in: it is the noise that an injected stripe meets.
    places = demodulate_each(bands, [(1.0 / p, t / p) for p, t in zip(each, slopes, strict=True)])
    around = [surroundings(here, plane) for here in places[::STRIPES_TRIED]]
    halves = [_called_from(here, plane, around[i // STRIPES_TRIED], 2.0 * np.pi * (PLASTIC * i % 1.0), odds, call)
              for i, here in enumerate(places)]
    middle, spread = _middle_and_spread(np.log(halves).reshape(periods.size, STRIPES_TRIED))
    sd = 200.0 * np.array([a.amplitude_sd for a in around])

    def found(contrast):
        contrast = contrast * shown
        return ndtr((np.log(contrast) - middle) / spread) * ndtr((contrast - least_percent) / sd)
    return found


def limit_near(curve: tuple[tuple[float, float], ...], period_mm: float) -> float:
    """Limit at a period: the higher of the curve's two points around it, or its end's; infinite without a curve."""
    if not curve:
        return np.inf
    periods, limits = np.array(curve).T
    k = int(np.searchsorted(periods, period_mm))
    return float(limits[max(k - 1, 0): k + 1].max())


def _least(share_found, count) -> NDArray[np.float64]:
    """Contrasts, percent, from which the wanted share is found: as many as `share_found` takes and gives."""
    low, high = np.full(count, np.log(LOWEST_PERCENT)), np.full(count, np.log(2 * HIGHEST_PERCENT))
    for _ in range(24):
        middle = 0.5 * (low + high)
        enough = share_found(np.exp(middle)) > SHARE_FOUND
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.exp(high)


def _middle_and_spread(logs) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Middle of each row, and the spread of one more value about it: the rows' own, drawn to what they share."""
    tried = logs.shape[1]
    middle = logs.mean(axis=1)
    squares = np.sum((logs - middle[:, None]) ** 2, axis=1)
    shared = (squares.sum() + SPREAD_COUNT * SPREAD ** 2) / (squares.size * (tried - 1) + SPREAD_COUNT)
    own = (squares + SHARED_COUNT * shared) / (tried - 1 + SHARED_COUNT)
    return middle, np.sqrt(own * (1.0 + 1.0 / tried))


def _called_from(places, plane, around, phase, odds, call) -> float:
    """Contrast from which a stripe of this phase is called at these places, percent."""
    wave = 0.5 * (np.exp(1j * phase) * places.weights + np.exp(-1j * phase) * places.mirror)

    def excess(log_contrast):
        sums = places.sums + np.exp(log_contrast) / 200.0 * wave
        line = measure_line(replace(places, sums=sums), plane, around=around, drifting=False)
        p = odds(line)
        return np.log(p / (1.0 - p)) - np.log(call / (1.0 - call))
    ends = np.log(200.0 * around.amplitude_sd * np.array([LEAST_SD, FIRST_SD, MOST_SD]))
    return min(float(np.exp(_crossing(excess, *ends))), HIGHEST_PERCENT)


def _crossing(excess, low, first, high) -> float:
    """Where a rising function crosses zero: growing steps until there is a value on each side, then straight lines."""
    ends, at, step = [(low, None), (high, None)], first, FIRST_STEP
    for _ in range(STEPS):
        value = float(np.clip(excess(at), -STEEP, STEEP))
        ends[int(value >= 0.0)] = (at, value)
        (left, below), (right, above) = ends
        if below is None or above is None:
            at = min(max(at - np.sign(value) * max(abs(value) / SLOPE, step), low), high)
            step *= STEP_GROWS
        else:
            at = left + (right - left) * min(max(-below / (above - below), 0.1), 0.9)
    return at
