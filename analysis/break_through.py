"""Where the cut breaks through to the lower layer: grain contrast against power, depth or dose.

The logarithm of the grain contrast rises from the level of the top layer to
that of the lower one along a logistic curve. Position and width are searched on
a grid, the two levels follow in closed form. Whether there is a rise at all is
asked by permutation, since a search always finds a best place.
"""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, fdtri

__all__ = ["BreakThrough", "find_break_through"]

FEWEST = 6                  # four unknowns, and something left to judge the scatter by
POSITIONS, WIDTHS = 121, 7
NARROWEST, WIDEST = 0.02, 0.25     # width of the rise as a share of the range: one step to a slow change
PERMUTATIONS = 999
GIVE = np.linspace(-3.0, 3.0, 13)  # standard deviations by which the stripes' line may give way
SIGNIFICANT = 0.05
LEAST_RISE = math.log(1.3)  # a smaller rise of the grain is no break-through, however sure


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakThrough:
    """Where grain begins to dominate; intervals are 95 %, and None reaches beyond the series."""

    found: bool
    middle: float | None                   # half way up the rise, in the unit of x
    middle_interval: tuple[float | None, float | None] | None
    dominates_from: float | None           # where the grain's curve passes the stripes'
    dominates_interval: tuple[float | None, float | None] | None
    below_percent: float | None            # grain contrast before the rise
    above_percent: float | None            # and after it
    p_value: float | None                  # of so clear a rise by chance
    words: str
    curve: tuple[tuple[float, float], ...] = ()    # (x, grain contrast percent) of the fit
    seed: int = 0


def find_break_through(x: ArrayLike, grain_percent: ArrayLike, stripe_percent: ArrayLike | None = None, *,
                       unit: str = "% power", seed: int = 0) -> BreakThrough:
    """Estimate where the grain of the lower layer sets in.

    Parameters
    ----------
    x : array_like, shape (n,)
        Power, depth or dose of each patch.
    grain_percent : array_like, shape (n,)
        Grain contrast, positive; NaN where it was not measured.
    stripe_percent : array_like, shape (n,), optional
        Stripe contrast (NaN where none was found), to say from where the grain is stronger.
    unit : str
        Of x, for the words.
    seed : int
        Of the permutations.

    Returns
    -------
    BreakThrough
        `found` is false, with the reason in words, where the series is too short or shows no rise.

    Notes
    -----
    Each interval holds every place whose best fit has a sum of squares below
    (1 + F(1, n - 4; 95 %) / (n - 4)) times the least one. The scatter of the logarithm is taken as the
    same for all patches.

    References
    ----------
    .. [1] D. M. Bates, D. G. Watts, "Nonlinear Regression Analysis and Its Applications" (Wiley 1988), profile
           likelihood; chapter 6 from memory.
    """
    x, grain = np.asarray(x, float), np.asarray(grain_percent, float)
    if x.shape != grain.shape or x.ndim != 1:
        raise ValueError(f"x and grain_percent must be equally long lists, got {x.shape} and {grain.shape}")
    keep = np.isfinite(x) & np.isfinite(grain) & (grain > 0)
    if keep.sum() < FEWEST or np.unique(x[keep]).size < FEWEST - 1:
        return _none(f"Too few patches to find a break-through: at least {FEWEST} at {FEWEST - 1} different settings "
                     "are needed.", seed)
    x, y = x[keep], np.log(grain[keep])
    shapes = _shapes(x)
    rng = np.random.default_rng(seed)
    p_value = _permutation_p(shapes.waves, y, rng)
    best, squares = _fit(shapes.waves, y)
    low, rise = _levels(shapes.waves[best], y)
    if p_value > SIGNIFICANT or rise < LEAST_RISE:
        return _none(f"The grain does not rise clearly along this series (p {p_value:.2f}): either the cut stays "
                     "in one layer, or it was through from the start. Widen the range.", seed, p_value)
    interval = _profile_interval(squares, x)
    stripe = None if stripe_percent is None else np.asarray(stripe_percent, float)[keep]
    crossing, crossing_interval = _crossing(shapes, x, y, best, squares, stripe)
    middle = float(shapes.position[best])
    curve = _curve(x, shapes, best, low, rise)
    return BreakThrough(
        found=True, middle=middle, middle_interval=interval, dominates_from=crossing,
        dominates_interval=crossing_interval, below_percent=math.exp(low), above_percent=math.exp(low + rise),
        p_value=p_value, words=_words(middle, interval, crossing, stripe, low, rise, unit), curve=curve, seed=seed)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shapes:
    """Every curve of the grid at the patches' places."""

    position: NDArray[np.float64]          # (g,)
    width: NDArray[np.float64]             # (g,)
    waves: NDArray[np.float64]             # (g, n), 0 to 1


def _shapes(x: NDArray[np.float64]) -> _Shapes:
    span = np.ptp(x)
    position, width = (grid.ravel() for grid in np.meshgrid(
        np.linspace(x.min(), x.max(), POSITIONS), span * np.geomspace(NARROWEST, WIDEST, WIDTHS), indexing="ij"))
    return _Shapes(position=position, width=width, waves=expit((x - position[:, None]) / width[:, None]))


def _sums_of_squares(waves: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Residual sum of squares of every curve, shape (g,) or (g, k) for y of (n,) or (n, k); no curve falls."""
    z = waves - waves.mean(axis=1, keepdims=True)
    deviation = y - y.mean(axis=0)
    power = np.maximum((z ** 2).sum(axis=1), 1e-12)
    fit = np.maximum(z @ deviation, 0.0)
    return (deviation ** 2).sum(axis=0) - (fit.T ** 2 / power).T


def _fit(waves: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[int, NDArray[np.float64]]:
    squares = _sums_of_squares(waves, y)
    return int(np.argmin(squares)), squares


def _levels(wave: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Least-squares level and rise of one curve."""
    z = wave - wave.mean()
    rise = max(float(z @ (y - y.mean()) / max(z @ z, 1e-12)), 0.0)
    return float(y.mean() - rise * wave.mean()), rise


def _permutation_p(waves: NDArray[np.float64], y: NDArray[np.float64], rng: np.random.Generator) -> float:
    """Share of shuffled series that a curve fits as well."""
    shuffled = np.column_stack([y, *(rng.permutation(y) for _ in range(PERMUTATIONS))])
    least = _sums_of_squares(waves, shuffled).min(axis=0)
    return float(np.mean(least <= least[0] * (1 + 1e-9) + 1e-12))


def _profile_interval(squares: NDArray[np.float64],
                      x: NDArray[np.float64]) -> tuple[float | None, float | None]:
    by_position = squares.reshape(POSITIONS, WIDTHS).min(axis=1)
    left = x.size - 4
    limit = max(by_position.min(), 1e-12) * (1 + fdtri(1, left, 0.95) / left)
    places = np.linspace(x.min(), x.max(), POSITIONS)
    inside = np.flatnonzero(by_position <= limit)
    return _edges(places, inside[0], inside[-1])


def _crossing(shapes: _Shapes, x, y, best: int, squares, stripe):
    """Where the grain's curve passes a straight line through the stripes' log contrast, with its interval.

    At each place the curves that pass the line just there are fitted; the line itself may give way within its
    own error, at the price of its likelihood.
    """
    seen = np.zeros(x.size, bool) if stripe is None else np.isfinite(stripe) & (stripe > 0)
    if seen.sum() < 3 or np.ptp(x[seen]) == 0:
        return None, None
    places = np.linspace(x.min(), x.max(), POSITIONS)
    level, sd = _straight_line(x[seen], np.log(stripe[seen]), places)
    low, rise = _levels(shapes.waves[best], y)
    gap = low + rise * expit((places - shapes.position[best]) / shapes.width[best]) - level
    above = np.flatnonzero(gap >= 0)
    if gap[0] >= 0 or not above.size:
        return None, None
    left = x.size - 4
    least = max(squares.min(), 1e-12)
    best_here = np.empty(POSITIONS)
    for k, place in enumerate(places):
        z = shapes.waves - expit((place - shapes.position) / shapes.width)[:, None]
        rest = y[:, None] - level[k] - GIVE * sd[k]
        fit = np.maximum(z @ rest, 0.0) ** 2 / np.maximum((z ** 2).sum(axis=1), 1e-12)[:, None]
        best_here[k] = ((rest ** 2).sum(axis=0) - fit + GIVE ** 2 * least / left).min()
    inside = np.flatnonzero(best_here <= least * (1 + fdtri(1, left, 0.95) / left))
    first, last = (inside[0], inside[-1]) if inside.size else (above[0], above[0])
    return float(places[above[0]]), _edges(places, first, last)


def _straight_line(x, y, places) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least-squares line at the places, with its standard deviation there."""
    base = np.column_stack([np.ones(x.size), x])
    line, *_ = np.linalg.lstsq(base, y, rcond=None)
    scatter = ((y - base @ line) ** 2).sum() / max(x.size - 2, 1)
    at = np.column_stack([np.ones(places.size), places])
    spread = np.einsum("ki,ij,kj->k", at, np.linalg.inv(base.T @ base), at)
    return at @ line, np.sqrt(scatter * spread)


def _edges(places: NDArray[np.float64], first: int, last: int) -> tuple[float | None, float | None]:
    """Interval from the first and last place inside, one grid step wider; None where it reaches the end."""
    return (None if first == 0 else float(places[first - 1]),
            None if last == places.size - 1 else float(places[last + 1]))


def _curve(x, shapes: _Shapes, best: int, low: float, rise: float) -> tuple[tuple[float, float], ...]:
    places = np.linspace(x.min(), x.max(), 61)
    grain = np.exp(low + rise * expit((places - shapes.position[best]) / shapes.width[best]))
    return tuple(zip(places.tolist(), grain.tolist(), strict=True))


def _words(middle, interval, crossing, stripe, low, rise, unit) -> str:
    between = _between(interval, unit)
    text = (f"The lower layer's grain comes through at about {middle:.3g} {unit} ({between}): grain contrast rises "
            f"from {math.exp(low):.1f} to {math.exp(low + rise):.1f} %. Stay below it for a stripe test.")
    if stripe is not None and crossing is not None:
        text += f" From {crossing:.3g} {unit} on the grain is stronger than the stripes."
    return text


def _between(interval: tuple[float | None, float | None], unit: str) -> str:
    low, high = interval
    if low is None and high is None:
        return "the series does not bound it"
    if low is None:
        return f"below {high:.3g} {unit}, 95 %"
    if high is None:
        return f"above {low:.3g} {unit}, 95 %"
    return f"{low:.3g} to {high:.3g}, 95 %"


def _none(words: str, seed: int, p_value: float | None = None) -> BreakThrough:
    return BreakThrough(found=False, middle=None, middle_interval=None, dominates_from=None,
                        dominates_interval=None, below_percent=None, above_percent=None, p_value=p_value,
                        words=words, seed=seed)
