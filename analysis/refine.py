"""Below the search grid: the frequency, and the drift of it, at which a line's places add up highest."""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["bend", "drift_of", "refine", "turn"]

DRIFTS = np.linspace(-8.0, 8.0, 33)            # % of the period per 100 mm
DRIFT_GAIN = 9.0           # a drift must add this many times the noise power: three parameters' worth at 1e-4


def refine(sums, xs, ys, cell_x: float, cell_y: float, reach: float = 0.6,
           reach_x: float | None = None) -> tuple[float, float, float]:
    """Offset in fx and fy, cycles per mm, that maximises the coherent sum of places, and the power there.

    Parameters
    ----------
    sums : ndarray, shape (groups, segments), complex
    xs, ys : ndarray
        Places' distance from the middle, mm.
    cell_x, cell_y : float
        Resolution cells; the search grid is half a cell, and further off stands another line.
    reach, reach_x : float
        How far the first step may go, resolution cells; along the scan as far, where nothing else is said.
    """
    gx = gy = best = 0.0
    step_x, step_y = (reach if reach_x is None else reach_x) * cell_x / 6.0, reach * cell_y / 6.0
    for _ in range(2):
        tx, ty = gx + step_x * np.arange(-6, 7), gy + step_y * np.arange(-6, 7)
        power = np.abs(np.exp(-2j * np.pi * np.outer(ty, ys)) @ sums @ np.exp(-2j * np.pi * np.outer(xs, tx))) ** 2
        j, i = np.unravel_index(np.argmax(power), power.shape)
        gx, gy, best = tx[i], ty[j], power[j, i]
        if 0 < i < 12 and 0 < j < 12:
            gx += step_x * _summit(power[j, i - 1: i + 2])
            gy += step_y * _summit(power[j - 1: j + 2, i])
        step_x, step_y = step_x / 5.0, step_y / 5.0
    return gx, gy, best


def drift_of(sums, xs, ys, fx: float, offset, cell_x: float, least: float) -> tuple[float, float | None]:
    """Offset in fx and drift, in % of the period per 100 mm, where a drift lifts the power above `least`."""
    gx, gy = offset
    along = (sums * np.exp(-2j * np.pi * gy * ys)[:, None]).sum(axis=0)
    tx = gx + cell_x * np.linspace(-1.5, 1.5, 61)
    bends = np.exp(-2j * np.pi * np.stack([bend(d, fx + gx, xs) for d in DRIFTS]))
    power = np.abs((bends * along) @ np.exp(-2j * np.pi * np.outer(xs, tx))) ** 2
    j, i = np.unravel_index(np.argmax(power), power.shape)
    if power[j, i] < least:
        return gx, None
    drift, at = DRIFTS[j], tx[i]
    step_d, step_x = DRIFTS[1] - DRIFTS[0], tx[1] - tx[0]
    for _ in range(3):
        ds, tx = drift + step_d * np.linspace(-1, 1, 9), at + step_x * np.linspace(-1, 1, 9)
        bends = np.exp(-2j * np.pi * np.stack([bend(d, fx + at, xs) for d in ds]))
        power = np.abs((bends * along) @ np.exp(-2j * np.pi * np.outer(xs, tx))) ** 2
        j, i = np.unravel_index(np.argmax(power), power.shape)
        drift, at, step_d, step_x = ds[j], tx[i], step_d / 4.0, step_x / 4.0
    return at, float(drift)


def turn(gx: float, gy: float, xs, ys, bent=0.0) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Factors along and across that make a line at offset (gx, gy) steady: their outer product turns the places."""
    return np.exp(-2j * np.pi * (gx * xs + bent)), np.exp(-2j * np.pi * gy * ys)


def bend(drift: float | None, fx: float, x) -> NDArray[np.float64]:
    """Phase, in periods, that a drift of the period adds at distance x from the middle."""
    return np.zeros_like(x) if drift is None else -fx * drift * 1e-4 / 2.0 * x ** 2


def _summit(three):
    """Where the parabola through three neighbours has its summit, in steps from the middle one."""
    under = three[0] - 2.0 * three[1] + three[2]
    return 0.5 * (three[0] - three[2]) / under if under < 0 else 0.0
