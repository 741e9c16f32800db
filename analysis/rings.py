"""Could growth rings make this line? Their covariance, and the likelihood of a line against them."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["RingModel", "line_over_rings", "ring_model", "segment_gain"]

RING_VARIATIONS = np.array([0.07, 0.10, 0.14, 0.20, 0.30])   # CV of the ring spacing that "rings" stands for
RING_POWERS = np.concatenate([[0.0], np.geomspace(0.03, 3e4, 25)])   # ring power / noise power in a segment
# Centre of the hill, resolution cells: as far as the segments reach, since a strong hill further off is folded in.
RING_OFFSETS = np.array([-10.0, -7.5, -5.0, -3.0, -1.5, -0.7, 0.0, 0.7, 1.5, 3.0, 5.0, 7.5, 10.0])
NOISE_PRIOR = 8.0          # how many segments' worth the continuum counts for when the noise scale is fitted


@dataclass(frozen=True, slots=True)
class RingModel:
    """Covariances of ring segments in their own axes: they depend on where the data lies, not on its values."""

    gain: NDArray[np.float64]              # (n,) weight over noise s.d. of each segment, r.m.s. 1
    scale: NDArray[np.float64]             # (n,) 1 / noise s.d. of each segment's sum
    used: NDArray[np.bool_]                # (segments,)
    turn: NDArray[np.complex128]           # (offsets, n) that brings each hill's centre to rest
    axes: NDArray[np.float64]              # (variations, n, n) eigenvectors
    modes: NDArray[np.complex128]          # (variations, offsets, n) the gain in those axes
    inverses: NDArray[np.float64]          # (variations, n, powers) 1 / variance
    volume: NDArray[np.float64]            # (variations, 1, powers) sum of the log variances
    square: NDArray[np.float64]            # (variations, offsets, powers) the gain's own energy over the variance
    noise: NDArray[np.float64]             # (variations, 1, powers) the same of noise alone, on average
    noise_least: float                     # how well rings fit that noise


def ring_model(weights, variances, xs, fx: float, cell_x: float) -> RingModel:
    """Prepare the comparison with rings for data of given weights and noise.

    Parameters
    ----------
    weights, variances, xs : ndarray, shape (segments,)
        Sum of weights, noise variance of the demodulated sum, and middle of each segment, mm.
    fx, cell_x : float
        Frequency and resolution cell, cycles per mm.

    Notes
    -----
    Rings of spacing variation c lose phase as exp(-2 pi^2 c^2 n) over n rings: a random walk of
    the ring edges, a renewal process.
    """
    used, scale, gain = segment_gain(weights, variances)
    xs = xs[used]
    lag = np.abs(xs[:, None] - xs[None, :]) * fx
    turn = np.exp(-2j * np.pi * np.outer(RING_OFFSETS * cell_x, xs))
    spread = np.exp(-2 * np.pi ** 2 * RING_VARIATIONS[:, None, None] ** 2 * lag) * np.outer(gain, gain)
    values, vectors = np.linalg.eigh(spread)
    modes = _in_axes(gain * turn, vectors)
    inverses = 1.0 / (1.0 + np.maximum(values, 0.0)[:, :, None] * RING_POWERS)
    volume, noise = (part.sum(axis=1, keepdims=True) for part in (-np.log(inverses), inverses))
    return RingModel(gain, scale, used, turn, vectors, modes, inverses, volume, np.abs(modes) ** 2 @ inverses, noise,
                     _least(volume, noise, gain.size))


def segment_gain(weights, variances) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64]]:
    """Which segments hold data, and of those 1 / noise s.d. and weight over noise s.d. (r.m.s. 1)."""
    used = variances > 0
    scale = 1.0 / np.sqrt(variances[used])
    gain = weights[used] * scale
    return used, scale, gain / np.sqrt(np.mean(gain ** 2))


def _in_axes(turned, vectors) -> NDArray[np.complex128]:
    """Turned segments (offsets, n) along the eigenvectors, which are real: (variations, offsets, n)."""
    along = np.concatenate([turned.real, turned.imag]) @ vectors
    return along[:, : len(turned)] + 1j * along[:, len(turned):]


def line_over_rings(sums, model: RingModel) -> tuple[float, float]:
    """Log likelihood ratio of (line + rings + noise) against (rings + noise), over segments along the scan.

    Ring power, variation, the hill's centre and the noise scale are all fitted on both sides. The second
    value is the expectation for a line of the same strength with nothing but the noise floor around it.
    """
    s, g = sums[model.used] * model.scale, model.gain
    turned = _in_axes(s * model.turn, model.axes)
    rest = np.abs(turned) ** 2 @ model.inverses
    line = np.abs((np.conj(model.modes) * turned) @ model.inverses) ** 2 / model.square
    # The steady line is the gain itself times its amplitude, whose energy over the variance is `square`.
    steady = (abs(np.sum(g * s)) / np.sum(g ** 2)) ** 2 * model.square
    ratio = _least(model.volume, rest, s.size) - _least(model.volume, rest - line, s.size)
    ideal = _least(model.volume, steady + model.noise, s.size) - model.noise_least
    return max(ratio, 0.0), max(ideal, 0.0)


def _least(volume, left, count) -> float:
    """Least cost of `count` segments of which so much is left, over ring power, variation and the hill's centre."""
    free = count + NOISE_PRIOR
    return float(np.min(volume + free * np.log((left + NOISE_PRIOR) / free)))
