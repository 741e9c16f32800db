"""Could growth rings make this line? Their covariance, and the likelihood of a line against them."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["RingModel", "line_over_rings", "ring_model"]

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
    axes: NDArray[np.complex128]           # (variations, n, offsets n) turned eigenvectors
    modes: NDArray[np.complex128]          # (variations, offsets, n) the gain in those axes
    inverses: NDArray[np.float64]          # (variations, n, powers) 1 / variance
    volume: NDArray[np.float64]            # (variations, 1, powers) sum of the log variances
    square: NDArray[np.float64]            # (variations, offsets, powers) the gain's own energy over the variance


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
    used = variances > 0
    scale = 1.0 / np.sqrt(variances[used])
    gain = weights[used] * scale
    gain = gain / np.sqrt(np.mean(gain ** 2))
    xs = xs[used]
    lag = np.abs(xs[:, None] - xs[None, :]) * fx
    turn = np.exp(-2j * np.pi * np.outer(RING_OFFSETS * cell_x, xs))
    spread = np.exp(-2 * np.pi ** 2 * RING_VARIATIONS[:, None, None] ** 2 * lag) * np.outer(gain, gain)
    values, vectors = np.linalg.eigh(spread)
    axes = turn[None, :, :, None] * vectors[:, None]                       # (variations, offsets, n, n)
    modes = (gain * turn)[None] @ vectors
    inverses = 1.0 / (1.0 + np.maximum(values, 0.0)[:, :, None] * RING_POWERS)
    return RingModel(gain, scale, used, axes.transpose(0, 2, 1, 3).reshape(len(values), gain.size, -1), modes, inverses,
                     -np.log(inverses).sum(axis=1, keepdims=True), np.abs(modes) ** 2 @ inverses)


def line_over_rings(sums, model: RingModel) -> tuple[float, float]:
    """Log likelihood ratio of (line + rings + noise) against (rings + noise), over segments along the scan.

    Ring power, variation, the hill's centre and the noise scale are all fitted on both sides. The second
    value is the expectation for a line of the same strength with nothing but the noise floor around it.
    """
    s, g = sums[model.used] * model.scale, model.gain
    free = s.size + NOISE_PRIOR

    def least(left):
        return np.min(model.volume + free * np.log((left + NOISE_PRIOR) / free))

    turned = (s @ model.axes).reshape(-1, RING_OFFSETS.size, s.size)
    rest = np.abs(turned) ** 2 @ model.inverses
    line = np.abs((np.conj(model.modes) * turned) @ model.inverses) ** 2 / model.square
    # The steady line is the gain itself times its amplitude, whose energy over the variance is `square`.
    noise = model.inverses.sum(axis=1, keepdims=True)
    steady = (abs(np.sum(g * s)) / np.sum(g ** 2)) ** 2 * model.square
    ratio, ideal = least(rest) - least(rest - line), least(steady + noise) - least(noise)
    return float(max(ratio, 0.0)), float(max(ideal, 0.0))
