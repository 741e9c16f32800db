"""How a line's amplitude changes over the piece: a stripe that is deeper at one end is one stripe.

Without it such a stripe leaves side lines behind, which are stripes to the search.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.legendre import legvander
from numpy.typing import NDArray
from scipy.special import chdtrc

from analysis.places import Places

__all__ = ["Envelope", "envelope_terms", "fit_envelope"]

ORDER_X, ORDER_Y = 3, 2    # side lines within about two resolution cells
SHAPED = 1e-6              # chance that noise alone bends the envelope so far

Edges = tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """Complex amplitude over the line's own, a smooth surface."""

    coefficients: NDArray[np.complex128]   # (ORDER_Y + 1, ORDER_X + 1) of Legendre polynomials
    edges_mm: Edges                        # x and y that count as -1 and 1; beyond them the edge's own value holds


def envelope_terms(edges_mm: Edges, x_mm, y_mm) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Legendre polynomials of the positions: (columns, ORDER_X + 1) and (rows, ORDER_Y + 1)."""
    u, v = (np.clip((2.0 * at - low - high) / (high - low), -1.0, 1.0)
            for at, (low, high) in zip((x_mm, y_mm), edges_mm, strict=True))
    return legvander(u, ORDER_X), legvander(v, ORDER_Y)


def fit_envelope(amplitude: float, cells, cells_sd, places: Places) -> Envelope | None:
    """Fit a smooth envelope to a line's places, where noise alone would hardly bend so far.

    Parameters
    ----------
    amplitude : float
        Of the line as a whole.
    cells, cells_sd : ndarray, shape (groups, segments)
        Complex amplitude at each place, its phase against the common one, and its s.d., infinite where no data.
    places : Places
        Where these lie.

    Returns
    -------
    Envelope or None
        None where an even amplitude explains the places as well.
    """
    good = np.isfinite(cells_sd)
    if amplitude <= 0 or good.sum() < 4 * (ORDER_X + 1) * (ORDER_Y + 1):
        return None
    edges = tuple((float(ends[0]), float(ends[-1])) for ends in (places.edges_x_mm, places.edges_y_mm))
    by_x, by_y = envelope_terms(edges, places.x_mm, places.y_mm)
    terms = [(j, i) for j in range(ORDER_Y + 1) for i in range(ORDER_X + 1) if i + j <= ORDER_X]
    table = np.stack([np.outer(by_y[:, j], by_x[:, i])[good] for j, i in terms], axis=1)
    weight = 1.0 / cells_sd[good]
    scaled, target = table * weight[:, None], cells[good] * weight
    found = np.linalg.lstsq(scaled, target, rcond=None)[0]
    even = weight @ target / (weight @ weight)
    gain = np.sum(np.abs(target - even * weight) ** 2) - np.sum(np.abs(target - scaled @ found) ** 2)
    if chdtrc(2 * (len(terms) - 1), max(gain, 0.0)) > SHAPED:
        return None
    coefficients = np.zeros((ORDER_Y + 1, ORDER_X + 1), complex)
    for (j, i), value in zip(terms, found, strict=True):
        coefficients[j, i] = value / amplitude
    return Envelope(coefficients=coefficients, edges_mm=edges)
