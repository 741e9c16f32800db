"""Did the change help: stripe contrast after against before at the same period.

AFTER is measured at BEFORE's frequency and angle, with no new search: the
largest of many noisy peaks would say that something is left when nothing is.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ive

from analysis.change_words import new_ones, phase_reason, reasons, sentence
from analysis.limit import limit_near
from analysis.line import UNDER_LINE, Line
from analysis.phase_lock import phase_lock
from analysis.places import demodulate
from analysis.stripes import Candidate, StripeField, called_candidates

__all__ = ["Change", "CHANGES", "compare_stripes", "measure_at"]

CHANGES = ("removed", "reduced", "unchanged", "worse", "appeared", "nothing to compare", "undecided")
GONE = 0.35                # "removed" needs no called stripe and less than this left
STILL_THERE = 0.1          # a remainder surely above this, and above its noise, is a stripe that is left
# A change smaller than this is within what two engravings of one piece differ; common practice, no source
LESS, MORE = 0.85, 1.18
MOST_BEFORE = 0.5          # a stripe is new where BEFORE holds less of it; common practice, no source
# BEFORE's own line at AFTER's spacing is that stripe from these odds on. Before AFTER is known, one sure stripe in
# two photos of one machine makes the other photo's odds rise about threefold; common practice, no source
LEAST_ODDS = 0.3
LEFT_SD = 4.0              # a remainder of the stripe this far above its noise has a phase worth reading
DRAWS = 20000


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """AFTER against BEFORE, at BEFORE's strongest stripe."""

    verdict: str
    sentence: str
    ratio: float | None
    ratio_interval: tuple[float, float] | None   # 95 %
    phase_locked: bool | None
    phase_difference_rad: float | None
    before_contrast_percent: float | None
    after_contrast_percent: float | None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Complex amplitude at a given frequency, no search; phase about `centre_mm`."""

    amplitude: complex                     # of log reflectance
    sd: float                              # 1 s.d. of its real and of its imaginary part
    noise_count: float                     # independent cells that `sd` rests on
    centre_mm: tuple[float, float]


def measure_at(field: StripeField, fx_per_mm: float, fy_per_mm: float,
               drift: float | None = None, centre_mm: tuple[float, float] | None = None) -> Reading:
    """Read the amplitude of a texture at a given frequency.

    Parameters
    ----------
    field : StripeField
        Its bands are read; its plane, own stripes taken out, gives the continuum.
    fx_per_mm, fy_per_mm : float
    drift : float, optional
        Drift of the period in percent per 100 mm about `centre_mm`.
    """
    places, plane = demodulate(field.bands, fx_per_mm, fy_per_mm), field.plane
    i = int(np.argmin(np.abs(plane.fx_per_mm - fx_per_mm)))
    j = int(np.argmin(np.abs(plane.fy_per_mm - fy_per_mm)))
    # On a hill of rings the wide surroundings lie below what a line there gathers.
    level = max(plane.noise[i, j], UNDER_LINE * plane.local[i, j])
    variance = level / plane.square_sum * places.squares.sum()
    sums = places.sums
    if drift is not None and centre_mm is not None:
        bend = -fx_per_mm * drift * 0.5e-4 * (places.x_mm - centre_mm[0]) ** 2
        sums = sums * np.exp(-2j * np.pi * bend)[None, :]
    gain = places.weights.sum()
    centre = (float(np.average(places.x_mm, weights=places.weights.sum(axis=0))),
              float(np.average(places.y_mm, weights=places.weights.sum(axis=1))))
    return Reading(amplitude=complex(2.0 * sums.sum() / gain), sd=float(np.sqrt(2.0 * variance) / gain),
                   noise_count=float(plane.noise_count[i, j]), centre_mm=centre)


def compare_stripes(before: StripeField, after: StripeField, *, before_called: bool,
                    after_called: bool, aligned: bool, same_place_sd_mm: float | None, unit: str = "mm",
                    blind: bool = False, doubtful: bool = False,
                    transfer_log: tuple[float, float] = (0.0, 0.0)) -> Change:
    """Compare AFTER with BEFORE at BEFORE's strongest stripe.

    Parameters
    ----------
    before, after : StripeField
        On the same grid where `aligned`.
    before_called, after_called : bool
        Whether each photo's verdict names a regular artefact.
    aligned : bool
        False: the photos could not be aligned, and nothing is compared.
    same_place_sd_mm : float or None
        1 s.d. of the registration along the scan axis; None where unknown.
    blind : bool, default False
        True where one of the photos cannot clear a machine: then finding nothing says nothing.
    doubtful : bool, default False
        True where one of the photos is undecided: two photos of which one may hide a stripe are not "nothing".
    transfer_log : (float, float), default (0, 0)
        Log of AFTER's over BEFORE's share of contrast that the photos let through, and its s.d.: the first is taken
        off the ratio, the second widens its interval.

    Notes
    -----
    The ratio's interval is that of the posterior of two Rice-distributed
    amplitudes with a flat prior on each amplitude, which holds near zero, where
    a plain quotient's does not.
    """
    if not aligned:
        return _plain("undecided", "The photos could not be aligned, so each was judged alone and nothing is compared.")
    if blind and not (before_called and after_called):
        return _plain("undecided", "One of the photos cannot tell by itself, so what changed cannot be told either.")
    if doubtful and not before_called and not after_called:
        return _plain("undecided", "One of the photos is undecided, so there may be a stripe that changed: "
                      "see what that photo needs.")
    if not before_called and after_called:
        base, refusal = _line_before(before, after, transfer_log, unit)
        if refusal is not None:
            return refusal
    elif not before_called:
        if before.candidates and before.candidates[0].probability > 0.5:
            return _plain("undecided", "BEFORE's stripe is too doubtful to compare with.")
        return _plain("nothing to compare", "Neither photo shows a regular stripe, so there is nothing to compare: "
                      f"a stripe above {before.detection_limit_percent:.1f} % before and "
                      f"{after.detection_limit_percent:.1f} % after would have been found.")
    else:
        base = before.candidates[0]
    line = base.line
    twin = _twin(base, after) if after_called else None
    reading = _after_reading(twin.line if twin else line, line, after)
    ratio, interval = _ratio(line.amplitude, line.amplitude_sd, abs(reading.amplitude), reading.sd,
                             transfer_log, reading.noise_count)
    lock = None
    if same_place_sd_mm is not None and (twin is not None or abs(reading.amplitude) > LEFT_SD * reading.sd):
        lock = phase_lock(line, twin.line if twin else line, reading.amplitude, reading.sd, reading.centre_mm,
                          same_place_sd_mm)
    # Over the fit's own mean, as BEFORE's contrast is told
    by_area = base.stripe.contrast_percent / max(200.0 * line.amplitude, 1e-9)
    contrast_after = 200.0 * by_area * float(np.sqrt(max(abs(reading.amplitude) ** 2 - 2 * reading.sd ** 2, 0.0)))
    left = abs(reading.amplitude) > LEFT_SD * reading.sd and interval[0] > STILL_THERE
    verdict = _verdict(ratio, interval, twin is not None or left)
    return Change(verdict=verdict, ratio=ratio,
                  sentence=sentence(verdict, base, ratio, interval, unit) + new_ones(base, before, after, unit),
                  ratio_interval=interval, phase_locked=lock and lock.locked,
                  phase_difference_rad=lock and lock.difference_rad,
                  before_contrast_percent=base.stripe.contrast_percent, after_contrast_percent=contrast_after,
                  reasons=reasons(base, after, twin, reading, transfer_log, unit, sure=before_called)
                  + phase_reason(lock, before, after, unit))


def _plain(verdict, sentence) -> Change:
    """A change without a ratio."""
    return Change(verdict=verdict, sentence=sentence, ratio=None, ratio_interval=None, phase_locked=None,
                  phase_difference_rad=None, before_contrast_percent=None, after_contrast_percent=None)


def _line_before(before, after, transfer_log, unit) -> tuple[Candidate | None, Change | None]:
    """BEFORE is not called striped, AFTER is: BEFORE's own line at AFTER's spacing to compare with, or the answer.

    The photo that shows the stripe for sure says where to look in the other one. A stripe is new where BEFORE, read
    there, holds at most half of it. More than that, in a line that BEFORE's own search found there and that its
    evidence leaves open, is that stripe: grain seldom meets so narrow a place by chance.
    """
    found = after.candidates[0]
    stripe, line = found.stripe, found.line
    reading = _after_reading(line, line, before)
    _, share = _ratio(line.amplitude, line.amplitude_sd, abs(reading.amplitude), reading.sd,
                      (-transfer_log[0], transfer_log[1]), reading.noise_count)
    own = _same_line(found, before.candidates)
    if own is not None and own.probability >= LEAST_ODDS and share[1] >= MOST_BEFORE:
        return own, None
    limit = limit_near(before.detection_limit_curve, stripe.period_mm)    # there alone: rings elsewhere hide nothing
    if share[1] >= MOST_BEFORE or not limit <= 1.5 * stripe.contrast_percent:
        return None, _plain("undecided", (
            f"AFTER shows a stripe of {stripe.contrast_percent:.1f} % every {stripe.period_mm:.3f} {unit}; on BEFORE's "
            f"photo up to {share[1] * stripe.contrast_percent:.1f} % may hide at that spacing, where only one above "
            f"{limit:.1f} % is sure to be found, so it cannot be told whether the stripe is new."))
    return None, Change(
        verdict="appeared", ratio=None, ratio_interval=None, phase_locked=None, phase_difference_rad=None,
        before_contrast_percent=None, after_contrast_percent=stripe.contrast_percent,
        sentence=f"A stripe every {stripe.period_mm:.3f} {unit} appeared with the change "
                 f"({stripe.contrast_percent:.1f} % contrast).",
        reasons=(f"BEFORE, read at the same spacing and angle, holds less than {100 * share[1]:.0f} % of it "
                 "(95 % sure).",))


def _twin(base: Candidate, after: StripeField) -> Candidate | None:
    """AFTER's called stripe at the same period, or None."""
    return _same_line(base, called_candidates(after))


def _same_line(base: Candidate, others) -> Candidate | None:
    """The first of the others at the same spatial frequency, or None."""
    for other in others:
        gap = abs(other.line.fx_per_mm - base.line.fx_per_mm)
        sd = np.hypot(other.line.fx_sd_per_mm, base.line.fx_sd_per_mm)
        if gap < max(4 * sd, 0.006 * base.line.fx_per_mm):
            return other
    return None


def _after_reading(at: Line, base: Line, after) -> Reading:
    """AFTER read at BEFORE's frequency, or at its own called stripe's, which is the same within the scale's error."""
    return measure_at(after, at.fx_per_mm, at.fy_per_mm, at.drift_percent_per_100mm,
                      at.centre_mm if at.drift_percent_per_100mm is not None else base.centre_mm)


def _ratio(a, a_sd, b, b_sd, transfer_log=(0.0, 0.0), count=np.inf) -> tuple[float, tuple[float, float]]:
    """Estimate and 95 % interval of after / before from two noisy amplitudes.

    The interval starts at 0 unless noise alone, whose level rests on `count` cells, makes so much in under 2.5 % of
    photos: an exponential law over a mean of so many has the tail (1 + u / count)^-count.
    """
    rng = np.random.default_rng(20260101)
    first = np.abs(rng.normal(a, a_sd, DRAWS))
    grid = np.linspace(0.0, b + 8 * b_sd, 2000)
    z = grid * b / b_sd ** 2
    density = ive(0, z) * np.exp(-(grid - b) ** 2 / (2 * b_sd ** 2))
    cumulative = np.cumsum(density)
    second = np.interp(rng.random(DRAWS), cumulative / cumulative[-1], grid)
    ratios = second / np.maximum(first, 1e-12) * np.exp(transfer_log[1] * rng.standard_normal(DRAWS) - transfer_log[0])
    low, high = np.percentile(ratios, [2.5, 97.5])
    estimate = float(np.sqrt(max(b ** 2 - 2 * b_sd ** 2, 0.0)) / max(a, 1e-12) * np.exp(-transfer_log[0]))
    excess = 0.5 * (b / b_sd) ** 2
    if (count * np.log1p(excess / count) if np.isfinite(count) else excess) < -np.log(0.025):
        low = 0.0
        high = np.percentile(ratios, 95.0)
    return estimate, (float(min(low, estimate)), float(max(high, estimate)))


def _verdict(ratio, interval, found) -> str:
    """Change verdict from the ratio's interval."""
    low, high = interval
    if not found and high < GONE:
        return "removed"
    if found and high < STILL_THERE:
        return "removed"
    if high < 1.0 and ratio < LESS:
        return "reduced"
    if low > 1.0 and ratio > MORE:
        return "worse"
    if high < 1.6 and low > 0.6:
        return "unchanged"
    return "undecided"
