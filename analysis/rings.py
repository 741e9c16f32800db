"""Could growth rings make this line? Their covariance, and the likelihood of a line against them."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["RingModel", "line_over_rings", "ring_model"]

RING_VARIATIONS = np.array([0.07, 0.10, 0.14, 0.20, 0.30])   # CV of the ring spacing that "rings" stands for
RING_POWERS = np.concatenate([[0.0], np.geomspace(0.03, 3e4, 25)])   # ring power / noise power in a segment
RING_OFFSETS = np.array([-3.0, -1.5, -0.7, 0.0, 0.7, 1.5, 3.0])      # centre of the hill, resolution cells
NOISE_PRIOR = 8.0          # how many segments' worth the continuum counts for when the noise scale is fitted


@dataclass(frozen=True, slots=True)
class RingModel:
    """Covariances of ring segments in their own axes: they depend on where the data lies, not on its values."""

    gain: NDArray[np.float64]              # (n,) weight over noise s.d. of each segment, r.m.s. 1
    scale: NDArray[np.float64]             # (n,) 1 / noise s.d. of each segment's sum
    used: NDArray[np.bool_]                # (segments,)
    axes: tuple[NDArray[np.complex128], ...]     # per variation: (offsets, n, n) turned eigenvectors
    modes: tuple[NDArray[np.complex128], ...]    # per variation: (offsets, n) the gain in those axes
    inverses: tuple[NDArray[np.float64], ...]    # per variation: (powers, n) 1 / variance


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
    axes, modes, inverses = [], [], []
    for variation in RING_VARIATIONS:
        values, vectors = np.linalg.eigh(np.exp(-2 * np.pi ** 2 * variation ** 2 * lag) * np.outer(gain, gain))
        axes.append(turn[:, :, None] * vectors[None])
        modes.append((gain * turn) @ vectors)
        inverses.append(1.0 / (1.0 + RING_POWERS[:, None] * np.maximum(values, 0.0)[None, :]))
    return RingModel(gain, scale, used, tuple(axes), tuple(modes), tuple(inverses))


def line_over_rings(sums, model: RingModel) -> tuple[float, float]:
    """Log likelihood ratio of (line + rings + noise) against (rings + noise), over segments along the scan.

    Ring power, variation, the hill's centre and the noise scale are all fitted on both sides. The second
    value is the expectation for a line of the same strength with nothing but the noise floor around it.
    """
    s, g = sums[model.used] * model.scale, model.gain
    steady = g * abs(np.sum(g * s)) / np.sum(g ** 2)
    free = s.size + NOISE_PRIOR
    best = np.full((2, 2), np.inf)         # (measured, ideal) x (rings, line on rings)
    for axes, mode, inverse in zip(model.axes, model.modes, model.inverses, strict=True):
        det = -np.log(inverse).sum(axis=1)
        gg = np.abs(mode) ** 2 @ inverse.T                                     # (offsets, powers)
        for k, (data, noise) in enumerate(((s @ axes, 0.0), (steady @ axes, 1.0))):
            ss = np.abs(data) ** 2 @ inverse.T + noise * inverse.sum(axis=1)
            sg = np.abs((np.conj(mode) * data) @ inverse.T) ** 2 / gg
            for h, rest in enumerate((ss, ss - sg)):
                best[k, h] = min(best[k, h], np.min(det + free * np.log((rest + NOISE_PRIOR) / free)))
    measured, ideal = best[:, 0] - best[:, 1]
    return float(max(measured, 0.0)), float(max(ideal, 0.0))
