"""Gabor filters as small matrices: along y and along x, for one block of samples with its surroundings."""
from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["BLOCK", "DIRECTIONS", "ENVELOPE", "HALO", "OUTPUTS", "REACH", "STRIDE", "WAVELENGTH",
           "filter_matrices"]

DIRECTIONS = 12
WAVELENGTH = 4.0           # samples, at each scale's own level
ENVELOPE = 0.56 * WAVELENGTH           # s.d. of the Gaussian envelope: one octave at half amplitude
STRIDE = 2                 # outputs are taken twice per wavelength: squared they are twice as broad
BLOCK = 16                 # samples of a block; the level is cut into these along both axes
OUTPUTS = BLOCK // STRIDE  # of a block along one axis
HALO = 12                  # samples beyond a block that its outputs may reach
REACH = 10.0               # the envelope is cut here, 4.5 s.d.: a nearer cut would let slow shades through
HALVING_TAPS = 24
# Half of the equal-ripple low-pass flat to 0.2 and closed from 0.3 cycles a sample, ripple 3 to 1 (Parks, McClellan
# 1972): scipy.signal.remez gives these, and takes a third of a second to load
HALVING_HALF = (-0.005999741843071642, -0.0038732912631608447, 0.010587258656589986, 0.009155028250151359,
                -0.018990887153898944, -0.018147120603427925, 0.033794290287787895, 0.03633810027051103,
                -0.06117644695090548, -0.0795824284865171, 0.15230845250293612, 0.4455867863330055)


@lru_cache(maxsize=16)
def filter_matrices(scale: int) -> tuple[NDArray[np.float32], tuple[NDArray[np.float32], ...]]:
    """Matrices that filter one block along y, shape (filters, 40), and along x, one for each group.

    A group is a direction from 0 to 90 degrees with its mirror image; along y it has OUTPUTS even and OUTPUTS
    odd rows, along x likewise. The last eight rows, and the last matrix, halve the picture.

    From the second scale on the filters also undo what the halvings took off.
    """
    halving = _strided(_halving_taps(), np.arange(-HALVING_TAPS / 2 + 0.5, HALVING_TAPS / 2),
                       np.arange(BLOCK // 2) * 2 + 0.5)
    groups = [np.radians(j * 180.0 / DIRECTIONS) for j in range(DIRECTIONS // 2 + 1)]
    place = np.arange(BLOCK // STRIDE) * STRIDE + (STRIDE - 1) / 2
    along_y, along_x = [], []
    for angle in groups:
        turn = np.exp(1j * angle) / WAVELENGTH
        for store, k, gain in ((along_y, turn.imag, 2.0), (along_x, turn.real, 1.0)):
            rows = [gain * _tuned(k, scale, np.arange(-HALO, BLOCK + HALO) - p) for p in place]
            store.append(np.concatenate([np.real(rows), np.imag(rows)]))
    y = np.concatenate([*along_y, halving]).astype(np.float32)
    return y, tuple(a.astype(np.float32) for a in (*along_x, halving))


def _tuned(k, scale, t):
    """Complex filter of frequency `k` at offsets `t`: a Gaussian in the spectrum, over the transfer."""
    if scale == 0:
        taps = np.exp(-0.5 * (t / ENVELOPE) ** 2) * np.exp(2j * np.pi * k * t)
        return np.where(np.abs(t) <= REACH, taps, 0) / (ENVELOPE * np.sqrt(2 * np.pi))
    f = np.linspace(-0.5, 0.5, 512, endpoint=False)
    spectrum = np.exp(-2 * (np.pi * ENVELOPE * (f - k)) ** 2) / np.maximum(_transfer(f, scale), 0.5)
    taps = (spectrum[None, :] * np.exp(2j * np.pi * f[None, :] * t[:, None])).mean(axis=1)
    return np.where(np.abs(t) <= REACH, taps, 0)


def _transfer(f, scale):
    """Return what `scale` halvings left of a frequency, cycles a sample at the last level."""
    taps = _halving_taps()
    t = np.arange(-HALVING_TAPS / 2 + 0.5, HALVING_TAPS / 2)
    left = np.ones_like(f)
    for level in range(1, scale + 1):
        left *= np.cos(2 * np.pi * np.outer(f / 2 ** level, t)) @ taps
    return left


def _halving_taps():
    """Low-pass before every second sample is dropped: flat to 0.2, closed from 0.3 cycles a sample."""
    return np.array(HALVING_HALF + HALVING_HALF[::-1])


def _strided(taps, offsets, places):
    """Matrix (places, 40) that applies `taps` at `offsets` about each place of a block."""
    matrix = np.zeros((len(places), BLOCK + 2 * HALO))
    for row, place in enumerate(places):
        matrix[row, np.round(place + offsets + HALO).astype(int)] = taps
    return matrix
