"""Slow trend of a picture: a polynomial of low order, which has too few bends to follow a stripe."""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.ranks import median
from analysis.resample import block_means

__all__ = ["TREND_ORDER", "slow_trend"]

# Along the scan about two bends: periods up to a quarter of the width stay. Along the stripes it may bend more.
TREND_ORDER = (4, 6)


def slow_trend(level: NDArray[np.float32], usable: NDArray[np.bool_], cell: int,
               order: tuple[int, int] = TREND_ORDER, *, strict: bool = False) -> NDArray[np.float32]:
    """Robust (Huber) least-squares polynomial of the usable samples at full sampling.

    Parameters
    ----------
    level : ndarray, shape (rows, columns)
    usable : ndarray, shape (rows, columns)
    cell : int
        Samples a side of the cells to whose means it is fitted.
    order : (int, int)
        Along x and y; terms x^i y^j with i / order[0] + j / order[1] <= 1.
    strict : bool
        Cells far off count for nothing, so that up to half of them may be of something else.
    """
    share = block_means(usable.astype(np.float32), cell)
    mean = block_means(level * usable, cell) / np.maximum(share, 1e-6)
    rows, columns = mean.shape
    u, v = np.linspace(-1, 1, columns), np.linspace(-1, 1, rows)
    # Legendre terms keep the least-squares system well conditioned.
    terms = [(i, j) for i in range(order[0] + 1) for j in range(order[1] + 1)
             if i / order[0] + j / order[1] <= 1.0 + 1e-9]
    pu = np.polynomial.legendre.legvander(u, order[0])
    pv = np.polynomial.legendre.legvander(v, order[1])
    design = np.stack([np.outer(pv[:, j], pu[:, i]).ravel() for i, j in terms], axis=1)
    good = (share > 0.25).ravel()
    target, weight = mean.ravel()[good].astype(np.float64), share.ravel()[good].astype(np.float64)
    design = design[good]
    robust = np.ones_like(target)
    ridge = 1e-6 * good.sum() * np.eye(len(terms))
    for _ in range(20 if strict else 6):
        scaled = design * (weight * robust)[:, None]
        coefficient = np.linalg.solve(scaled.T @ design + ridge, scaled.T @ target)
        error = np.abs(target - design @ coefficient)
        limit = 2.0 * 1.4826 * median(error) + 1e-6
        robust = np.minimum(1.0, limit / np.maximum(error, 1e-12)) ** (3 if strict else 1)
    full_u = (np.arange(level.shape[1]) + 0.5) / cell - 0.5
    full_v = (np.arange(level.shape[0]) + 0.5) / cell - 0.5
    full_u = np.clip(full_u / max(columns - 1, 1) * 2 - 1, -1.05, 1.05)
    full_v = np.clip(full_v / max(rows - 1, 1) * 2 - 1, -1.05, 1.05)
    table = np.zeros((order[1] + 1, order[0] + 1))
    for (i, j), value in zip(terms, coefficient, strict=True):
        table[j, i] = value
    pu = np.polynomial.legendre.legvander(full_u, order[0]).astype(np.float32)
    pv = np.polynomial.legendre.legvander(full_v, order[1])
    return (pv @ table).astype(np.float32) @ pu.T
