"""Where on the piece a stripe is, and how strong it is there."""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from analysis.line import Line
from analysis.plane import Bands

__all__ = ["local_contrast"]

MAP_MM = 2.0
SMOOTH_MM = 3.0            # s.d. of the smoothing across the scan, and its least along it
SMOOTH_PERIODS = 0.9       # and along the scan in periods: fewer would print the stripe itself on the map


def local_contrast(bands: Bands, lines: list[Line], *, own: int | None = None) -> tuple[NDArray[np.float32], float]:
    """Local peak-to-peak contrast of the given lines, in phase with each line as a whole.

    Parameters
    ----------
    bands : Bands
    lines : list of Line
        An empty list: the map is 0 wherever there is data.
    own : int, optional
        The first `own` lines were fitted to these bands and have their phase; the others come from
        another photo, and are taken in the phase that these bands show as a whole. All, by default.

    Returns
    -------
    map_percent : ndarray, shape (r, c)
        Root of the summed squares over the lines, NaN where there is no data.
    step_mm : float

    Notes
    -----
    Demodulated and smoothed by normalised convolution, so masked places spread
    nothing. The part in phase is taken, since magnitude alone would show noise
    as stripe everywhere.
    """
    total = np.zeros(bands.value.shape)
    step = max(MAP_MM, bands.band_mm)
    for index, line in enumerate(lines):
        along = max(SMOOTH_MM, SMOOTH_PERIODS / line.fx_per_mm) / bands.step_mm
        across = SMOOTH_MM / bands.band_mm
        skip = max(1, int(along / 6))
        bend = 0.0
        if line.drift_percent_per_100mm is not None:
            bend = -line.fx_per_mm * line.drift_percent_per_100mm * 0.5e-4 * (bands.x_mm - line.centre_mm[0]) ** 2
        wave = np.exp(-2j * np.pi * (line.fx_per_mm * bands.x_mm + bend))[None, :] * np.exp(
            -1j * (2 * np.pi * line.fy_per_mm * bands.y_mm + line.phase_rad))[:, None]
        product = 2.0 * bands.weight * bands.value * wave
        part = product.real
        if own is not None and index >= own:
            part = (product * np.exp(-1j * np.angle(product.sum()))).real
        smooth = [_smooth(array, across, along, skip) for array in (part, bands.weight)]
        local = np.divide(smooth[0], smooth[1], out=np.zeros_like(smooth[0]), where=smooth[1] > 1e-3)
        total += np.repeat(np.maximum(local, 0.0), skip, axis=1)[:, : total.shape[1]] ** 2
    contrast = np.where(bands.weight > 0, 200.0 * np.sqrt(total), np.nan)
    return _coarse(contrast, bands, step), step


def _smooth(array, across, along, skip):
    """Gaussian smoothing of bands, sampled every `skip` columns (block means first)."""
    pad = -array.shape[1] % skip
    blocks = np.pad(array, ((0, 0), (0, pad))).reshape(array.shape[0], -1, skip).mean(axis=2)
    return gaussian_filter1d(gaussian_filter1d(blocks, across, axis=0, mode="constant"), along / skip, axis=1,
                             mode="constant")


def _coarse(contrast, bands, step):
    """Means of cells of `step` mm; NaN where less than a fifth of a cell has data."""
    rows = np.floor((bands.y_mm - bands.y_mm[0] + bands.band_mm / 2) / step).astype(int)
    columns = np.floor((bands.x_mm - bands.x_mm[0] + bands.step_mm / 2) / step).astype(int)
    first_r = np.searchsorted(rows, np.arange(rows[-1] + 1))
    first_c = np.searchsorted(columns, np.arange(columns[-1] + 1))
    good = np.isfinite(contrast)

    def gather(array):
        return np.add.reduceat(np.add.reduceat(array, first_c, axis=1), first_r, axis=0)
    count, sums = gather(good.astype(float)), gather(np.where(good, contrast, 0.0))
    cells = gather(np.ones_like(contrast))
    return np.where(count > 0.2 * cells, sums / np.maximum(count, 1e-9), np.nan).astype(np.float32)
