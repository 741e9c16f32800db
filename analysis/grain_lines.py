"""Distances between grain lines, from many transects across them.

The texture is turned so that its lines stand upright, averaged along them over
a short length, and each transect's dark lines are found at the scale at which
their number hardly depends on the scale: that is what tells rings from fibres,
whose number of lines at each scale is as good as at any other.
"""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["ring_spacing"]

BANDS_MM = (0.8, 2.5)      # lengths along the grain that are averaged: short for lines that bend, long for
                           # straight ones under coarse fibres; the clearer spacing of the two counts
SCALES_PER_OCTAVE = 4
FINEST_SCALE = 0.8         # samples, s.d. of the smoothing
MOST_SCALES = 22
WIDEST = 40.0              # transect length over the widest smoothing: a spacing is at least three times that
PLATEAU_SLOPE = 0.5        # |d ln count / d ln scale| below this is a spacing; fibres have 0.7 to 1
LEAST_PLATEAU = 0.5        # sum of what the slopes of a run stay above that, scales a quarter octave apart
MOST_REACH = 6.5           # spacing over the run's widest scale: a run from blur alone ends at 8 or more
MOST_VARIATION = 0.55      # rings have up to 0.4; beyond this a mean distance says nothing
FEWEST_LINES = 5.0         # a transect
LEAST_DEPTH = 0.3          # a line's depth against the middle depth of all, or it is a wrinkle


def ring_spacing(value: NDArray[np.float32], mask: NDArray[np.float32], samples_per_mm: float,
                 angle_deg: float, *, unit_mm: float = 1.0) -> tuple[float | None, float | None, str | None]:
    """Mean distance between neighbouring grain lines and its coefficient of variation.

    Parameters
    ----------
    value, mask : ndarray, shape (rows, columns), float32
        Log reflectance and 1 where there is data.
    samples_per_mm : float
    angle_deg : float
        Direction of the lines, anticlockwise from +x with y down.
    unit_mm : float
        What stands for a millimetre where no scale is known.

    Returns
    -------
    spacing_mm, variation : float or None
    why : str or None
        Why they are None.
    """
    found, turned = [], _turned(value, mask, angle_deg)
    for band_mm in BANDS_MM:
        across, weight = _averaged(*turned, max(1, round(band_mm * unit_mm * samples_per_mm)))
        if across.shape[0] < 2 or (weight > 0).sum() < 64:
            continue
        scales, counts = _counts(across, weight)
        enough = counts >= FEWEST_LINES * (weight > 0).any(axis=1).sum()
        scale, clearness = _plateau(scales[enough], counts[enough], float((weight > 0).sum()))
        found.append((clearness, scale, across, weight))
    if not found:
        return None, None, "Too little of the texture is free of artwork to measure the spacing of the grain."
    clearness, scale, across, weight = max(found, key=lambda one: one[0])
    if clearness < LEAST_PLATEAU:
        return None, None, "The grain has lines of every width and no spacing of its own."
    intervals = _intervals(across, weight, scale)
    if intervals.size < 8:
        return None, None, "Too few grain lines are in view to state their spacing."
    mean, variation = intervals.mean(), intervals.std() / intervals.mean()
    if variation > MOST_VARIATION:
        return None, None, "The grain's lines stand too unequally for a spacing of their own."
    return float(mean / samples_per_mm), float(variation), None


def _turned(value, mask, angle_deg) -> list[NDArray[np.float32]]:
    """Masked texture and mask with the lines upright."""
    rows, columns = value.shape
    a = np.radians(angle_deg)
    # New axes: u across the lines along (sin a, cos a), v along them.
    u, v = np.array([np.sin(a), np.cos(a)]), np.array([np.cos(a), -np.sin(a)])
    corners = np.array([[0, 0], [columns, 0], [0, rows], [columns, rows]], float) - [columns / 2, rows / 2]
    width = int(np.ceil(2 * np.abs(corners @ u).max()))
    height = int(np.ceil(2 * np.abs(corners @ v).max()))
    matrix = np.array([[u[0], v[0], 0.0], [u[1], v[1], 0.0]])
    matrix[:, 2] = [columns / 2, rows / 2] - matrix[:, :2] @ [width / 2, height / 2]
    return [cv2.warpAffine(array, matrix, (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
            for array in (value * mask, mask)]


def _averaged(value, mask, band) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Profiles across the lines, means of `band` rows, 0 where under half of them have data; and the share that has."""
    height, width = value.shape
    bands = max(1, height // band)
    sums, share = (cv2.resize(array[: bands * band], (width, bands), interpolation=cv2.INTER_AREA)
                   if height >= band else array.mean(axis=0, keepdims=True) for array in (value, mask))
    good = share > 0.5
    return np.where(good, sums / np.maximum(share, 0.5), np.float32(0)), np.where(good, share, np.float32(0))


def _smoothed(across, weight, scale):
    """Smoothing along a transect by normalised convolution."""
    size = (2 * round(3 * scale) + 1, 1)
    top, bottom = (cv2.GaussianBlur(array, size, scale, borderType=cv2.BORDER_CONSTANT)
                   for array in (across * weight, weight))
    return np.where(bottom > 0.6, top / np.maximum(bottom, 0.6), np.nan)


def _minima(smooth):
    """Where dark lines are: [band, sample - 1]."""
    with np.errstate(invalid="ignore"):
        return (smooth[:, 1:-1] < smooth[:, :-2]) & (smooth[:, 1:-1] <= smooth[:, 2:])


def _counts(across, weight):
    """Count the minima at each scale of smoothing."""
    longest = across.shape[1] / WIDEST
    scales = FINEST_SCALE * 2.0 ** (np.arange(MOST_SCALES) / SCALES_PER_OCTAVE)
    scales = scales[scales < longest]
    return scales, np.array([np.count_nonzero(_minima(_smoothed(across, weight, s))) for s in scales], float)


def _plateau(scales, counts, samples) -> tuple[float, float]:
    """Scale in the clearest run over which the count hardly falls, and how clear it is; 0 without one."""
    if len(scales) < 4:
        return 0.0, 0.0
    log = np.log(np.maximum(counts, 0.5))
    slope = np.full(len(scales), -9.0)
    slope[1:-1] = (log[2:] - log[:-2]) / (np.log(scales[2:]) - np.log(scales[:-2]))
    slope[0] = (log[1] - log[0]) / np.log(scales[1] / scales[0])
    over = np.append(np.maximum(slope + PLATEAU_SLOPE, 0.0), 0.0)
    best, run = (0.0, 0.0), []
    for i, value in enumerate(over):
        if value > 0:
            run.append(i)
            continue
        total = float(over[run].sum()) if run else 0.0
        if total > best[1] and samples / counts[run[-1]] <= MOST_REACH * scales[run[-1]]:
            best = float(scales[max(run, key=lambda k: slope[k])]), total
        run = []
    return best


def _intervals(across, weight, scale) -> NDArray[np.float64]:
    """Distances between neighbouring lines of one transect without a gap between, in samples."""
    smooth = _smoothed(across, weight, scale)
    band, at = np.nonzero(_minima(smooth))
    at = at + 1
    a, b, c = smooth[band, at - 1], smooth[band, at], smooth[band, at + 1]
    place = at + 0.5 * (a - c) / np.maximum(a - 2 * b + c, 1e-12)
    same = band[1:] == band[:-1]
    holes = np.cumsum(~np.isfinite(smooth), axis=1)
    same &= holes[band[1:], at[1:]] == holes[band[:-1], at[:-1]]
    return np.diff(place)[same]
