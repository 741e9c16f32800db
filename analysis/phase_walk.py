"""A phase that stands still along the scan against one that walks as that of growth rings.

Each ring's own width moves all that follow, so the phase of rings walks: by 2 pi CV sqrt(n) after n rings [1]_. What
else is there (noise, other rings, unevenness) disturbs the amplitude as much as the phase. So the part of a line's
course in quadrature is compared with a walk beside that disturbance, and the part in phase tells how large the latter
is. Frequency and phase are free on both sides, the walk's size follows from the line's own amplitude, and nothing is
fitted that one side has and the other not: the likelihood ratio is a Bayes factor, which rings lift above ln b in
about 1 of b views.

References
----------
.. [1] D. R. Cox, "Renewal Theory" (1962), chapter 3: the number of renewals in a length has a variance of CV^2 times
       its mean (from memory).
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.rings import segment_gain

__all__ = ["WalkModel", "steady_over_walk", "walk_model"]

VARIATIONS = np.array([0.03, 0.05, 0.08, 0.13, 0.20])        # CV of the ring spacing; no rings are more even
# What so even a spacing loses against one of 20 %, nats: log-normal about it, s.d. 0.7; common practice, no source.
RARE_NATS = 0.5 * (np.log(VARIATIONS / 0.2) / 0.7) ** 2
DISTURBED = np.array([0.0, 0.3, 1.0, 3.0, 10.0, 100.0, 1e3, 1e4])    # of the slowest course, over the noise
NOISE_PRIOR = 8.0          # segments' worth that the continuum counts for when the noise scale is fitted
DRIFT_NATS = 3.0           # that a period which drifts loses against a steady one
FEWEST_SEGMENTS = 4        # phase and frequency take two, and a drift a third


@dataclass(frozen=True, slots=True)
class WalkModel:
    """Courses along the scan in order of how much a walk moves them: they depend on where the data lies."""

    gain: NDArray[np.float64]              # (n,) weight over noise s.d. of each segment, r.m.s. 1
    scale: NDArray[np.float64]             # (n,) 1 / noise s.d. of each segment's sum
    used: NDArray[np.bool_]                # (segments,)
    courses: NDArray[np.float64]           # (n, k) orthonormal, square to phase and frequency
    walked: NDArray[np.float64]            # (k,) variance that a walk of CV 1 gives each, for a line of amplitude 1
    drift: NDArray[np.float64]             # (k,) course of a drift, of length 1


def walk_model(weights, variances, xs, fx: float) -> WalkModel:
    """Prepare the test for data of given weights and noise.

    Parameters
    ----------
    weights, variances, xs : ndarray, shape (segments,)
        Sum of weights, noise variance of the demodulated sum, and middle of each segment, mm.
    fx : float
        Frequency, cycles per mm.
    """
    used, scale, gain = segment_gain(weights, variances)
    x = xs[used]
    u = (x - x.mean()) / max(np.ptp(x), 1e-9)
    free = np.linalg.qr(np.stack([gain, gain * u], axis=1), mode="complete")[0][:, 2:]
    # Square to phase and frequency the walk's covariance is that of -|x - x'| / 2, wherever it starts.
    walk = -2.0 * np.pi ** 2 * fx * np.abs(x[:, None] - x[None, :]) * np.outer(gain, gain)
    walked, turn = np.linalg.eigh(free.T @ walk @ free)
    courses = free @ turn
    drift = (gain * u * u) @ courses
    return WalkModel(gain, scale, used, courses, np.maximum(walked, 0.0),
                     drift / max(np.sqrt(np.sum(drift ** 2)), 1e-12))


def steady_over_walk(sums, model: WalkModel) -> float:
    """Log Bayes factor of a steady phase, or a drifting one, against one that walks.

    Parameters
    ----------
    sums : ndarray, shape (segments,), complex
        Beam along the scan in which the line stands still.
    """
    modes = model.walked.size
    if modes < FEWEST_SEGMENTS - 2:
        return 0.0
    s, g = sums[model.used] * model.scale, model.gain
    total, energy = np.sum(g * s), np.sum(g ** 2)
    course = (s * np.exp(-1j * np.angle(total))) @ model.courses
    power = max(abs(total) ** 2 / energy - 1.0, 0.0) / energy        # of the line in a segment, noise's share taken off
    beside = 1.0 + DISTURBED[:, None] * model.walked / model.walked[-1]            # (disturbances, modes)
    walks = np.concatenate([[0.0], 2.0 * power * VARIATIONS ** 2])
    level = beside + walks[:, None, None] * model.walked                           # (1 + variations, ...)
    in_phase = np.sum(course.real ** 2 / beside, axis=1)
    whitened = course.imag / level
    left = in_phase + whitened @ course.imag
    volume = 0.5 * (np.log(np.prod(beside, axis=1)) + np.log(np.prod(level, axis=2)))
    along = (model.drift / level) @ model.drift
    drifting = left - (whitened @ model.drift) ** 2 / along

    def over(left, volume, free):
        minus_log = np.min(volume + free * np.log((left + NOISE_PRIOR) / free), axis=1)
        return float(np.min(minus_log[1:] + RARE_NATS) - minus_log[0])
    steady = over(left, volume, modes + NOISE_PRIOR)
    return max(steady, over(drifting, volume + 0.5 * np.log(along), modes - 0.5 + NOISE_PRIOR) - DRIFT_NATS)
