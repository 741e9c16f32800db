"""How alike two stroke responses are where they lie, and how far that stands above every other place."""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

__all__ = ["correlation", "peak_ratio"]


def peak_ratio(a: NDArray[np.float32], b: NDArray[np.float32], mask: NDArray[np.bool_], sigma: float,
               apart: float) -> float:
    """How far the correlation in place stands above the best of all others, shifted by more than `apart` samples.

    Chance gives about 1 and less; regular letters come near 1 too.
    """
    a, b = (cv2.GaussianBlur(f * mask, (0, 0), sigma) for f in (a, b))
    a, b = ((f - f[mask].mean()) * mask for f in (a, b))
    shape = [fft.next_fast_len(2 * n, real=True) for n in a.shape]
    surface = fft.irfft2(fft.rfft2(a, shape, workers=2) * np.conj(fft.rfft2(b, shape, workers=2)), shape, workers=2)
    near = int(max(1, round(0.25 * apart)))
    window = np.ix_(range(-near, near + 1), range(-near, near + 1))
    here = float(surface[window].max())
    apart = int(round(apart))
    surface[np.ix_(range(-apart, apart + 1), range(-apart, apart + 1))] = 0
    return here / max(float(surface.max()), 1e-9)


def correlation(a: NDArray[np.float32], b: NDArray[np.float32], mask: NDArray[np.bool_], sigma: float) -> float:
    """Correlation coefficient of two blurred responses inside a mask."""
    a, b = (cv2.GaussianBlur(f * mask, (0, 0), sigma)[mask].astype(np.float64) for f in (a, b))
    a, b = a - a.mean(), b - b.mean()
    spread = np.sqrt((a @ a) * (b @ b))
    return float(a @ b / spread) if spread > 1e-9 * len(a) else 0.0
