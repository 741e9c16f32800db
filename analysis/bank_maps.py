"""Energies of the filter bank on a coarse grid of places, and what can be read from them."""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["BankMaps", "direction_share", "pool_energy"]

LEAST_SUPPORT = 0.25       # of the window that must hold data, or the place has no answer


@dataclass(frozen=True, slots=True, kw_only=True)
class BankMaps:
    """Energy by scale, direction and place."""

    frequency_per_mm: NDArray[np.float64]  # (scales,) finest first
    angle_deg: NDArray[np.float64]         # (directions,) of the lines, (-90, 90]
    energy: NDArray[np.float32]            # (scale, direction, r, c) squared amplitude, NaN where no data
    step_mm: float                         # cell [0, 0] begins at the picture's corner


def direction_share(maps: BankMaps, *, period_mm: float, line_deg: float = 90.0) -> NDArray[np.float32]:
    """Share of the local energy at a period that lies in lines of one direction.

    Parameters
    ----------
    maps : BankMaps
    period_mm : float
        Read between the two nearest scales; beyond the outermost, at the outermost.
    line_deg : float, default 90
        90 is square to the scan axis, where a machine's stripes lie.

    Returns
    -------
    ndarray, shape (r, c)
        About 1/12 where nothing has a direction, about 1/2 for lines of one direction,
        since neighbouring filters answer too; NaN where no data.

    Raises
    ------
    ValueError
        A period that is not positive.
    """
    if not period_mm > 0:
        raise ValueError(f"period_mm must be positive, got {period_mm}")
    away = np.abs(90.0 - np.mod(90.0 - (maps.angle_deg - line_deg), 180.0))
    at = np.clip(-np.log2(maps.frequency_per_mm[0] ** -1 / period_mm), 0, len(maps.frequency_per_mm) - 1)
    low = min(int(at), max(len(maps.frequency_per_mm) - 2, 0))
    part = float(at) - low
    energy = maps.energy[low]
    if part > 0:
        energy = (1 - part) * energy + part * maps.energy[low + 1]
    return (energy[np.argmin(away)] / np.maximum(energy.sum(axis=0), 1e-30)).astype(np.float32)


def pool_energy(energy: NDArray[np.float32], support: NDArray[np.float32] | None, cell: float,
                wavelength: float, step: float, shape: tuple[int, int], *,
                pitch: float = 1.0) -> NDArray[np.float32]:
    """Smooth energies given on cells of `cell` samples and read them at the centres of cells of `step`.

    Parameters
    ----------
    energy : ndarray, shape (n, r, c), float32
        Mean energy of each cell, times its support where `support` is given.
    support : ndarray, shape (r, c), or None
        Energy that white texture with the data's holes would have, relative to one without holes.
    cell, wavelength, step : float
        In samples of the picture.
    shape : (rows, columns)
        Of the result.
    pitch : float, default 1
        Distance of the samples that were averaged to a cell, so that coarse and fine sampling end alike.
    """
    sigma = np.sqrt(max((0.5 * max(step, 1.5 * wavelength)) ** 2 - (cell ** 2 - pitch ** 2) / 12, 0.0)) / cell
    at = [(((np.arange(n) + 0.5) * step) / cell - 0.5).astype(np.float32) for n in shape]
    rows, columns = np.meshgrid(*at, indexing="ij")

    def read(plane):
        if sigma > 0.1:
            plane = cv2.GaussianBlur(plane, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
        return cv2.remap(plane, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    pooled = np.stack([read(plane) for plane in energy])
    if support is None:
        return pooled
    there = read(support)
    pooled = np.where(there > LEAST_SUPPORT, pooled / np.maximum(there, LEAST_SUPPORT), np.nan)
    return pooled.astype(np.float32)
