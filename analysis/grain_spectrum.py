"""Spectrum of a texture by direction: what stands out from what is the same in all directions.

Camera noise, dust and smoke mottle have no direction; grain has. At each
spatial frequency the quietest sector of 60 degrees is taken for what has no
direction, and only what rises above it is called oriented.

Angles are those of the grain LINES, anticlockwise from the scan axis as the
piece is seen: a line at angle a runs along (cos a, -sin a) since y is down, so
its wave vector is along (sin a, cos a).
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import gaussian_filter1d

__all__ = ["AngularSpectrum", "angular_spectrum", "directions", "edge_taper", "line_angle_deg"]

ANGLE_BINS = 72            # 2.5 degrees
SECTOR_BINS = 24           # 60 degrees: room for crossed plies and for the slow bend of lines between them
PER_OCTAVE = 4             # radial bins
LOWEST_CELLS = 1.25        # resolution cells from zero: slower changes are light, smoke and depth, not grain
DIRECTION_CELLS = 5.0      # and from here on it tells the angle well enough for a peak
TAPER = 0.2                # share of the size in the window's cosine ends
LEAST_SHARE = 0.12         # a second direction counts from this share of the oriented energy
LEAST_SIGMA = 6.0          # of the doubt about what has no direction; noise alone reaches 3, blotches 5
NEAR_DEG = 12.5            # the two strongest directions must hold, within this,
LEAST_NEAR = 0.5           # this much of what rises above the rest; without direction 0.28 lies there
APART_DEG = 20.0           # directions nearer than this are one direction that bends


@dataclass(frozen=True, slots=True, kw_only=True)
class AngularSpectrum:
    """Variance of a texture by radius and line angle, periods over half the piece left out."""

    frequency_per_mm: NDArray[np.float64]  # (r,) centre of each radial bin
    angle_deg: NDArray[np.float64]         # (a,) line angle, centre of each bin
    total: NDArray[np.float64]             # (r, a) variance
    isotropic: NDArray[np.float64]         # (r, a) variance of the quietest sector, spread over all angles
    isotropic_sd: NDArray[np.float64]      # (r,) s.d. of each radius' sum of `isotropic`
    noise: NDArray[np.float64]             # (r,) variance of white noise at the level of the finest octave
    cells: NDArray[np.float64]             # (r,) radius in resolution cells

    @property
    def variance(self) -> float:
        """Whole variance."""
        return float(self.total.sum())

    @property
    def oriented_variance(self) -> float:
        """Variance of what has a direction.

        What rises above the quietest sector counts fully. Even that sector holds a
        little of the fibres' own skirt: where most of a radius is oriented, most
        of what exceeds the white noise there is taken to be that skirt.
        """
        excess = np.maximum(self.total.sum(axis=1) - self.noise, 1e-30)
        above = np.clip((self.total - self.isotropic).sum(axis=1), 0.0, excess)
        return float((above * (2.0 - above / excess)).sum())

    @property
    def oriented_share(self) -> float:
        """Share of the variance above the white noise that has a direction."""
        return min(self.oriented_variance / max(self.variance - float(self.noise.sum()), 1e-30), 1.0)


def angular_spectrum(value: NDArray[np.float32], mask: NDArray[np.float32],
                     samples_per_mm: float) -> AngularSpectrum:
    """Windowed periodogram of a masked texture, gathered by radius and line angle.

    Parameters
    ----------
    value : ndarray, shape (rows, columns), float32
        Log reflectance, mean near 0.
    mask : ndarray, same shape
        1 where there is data, 0 elsewhere; nothing is filled in.
    samples_per_mm : float

    Returns
    -------
    AngularSpectrum

    Notes
    -----
    The window falls softly to zero at the rim and at each hole, or edges would
    write a cross at 0 and 90 degrees. By Parseval the sum is the variance
    weighted by the squared window, so no energy is lost to the holes.
    """
    rows, columns = value.shape
    window = edge_taper(mask, max(1.0, 0.008 * min(rows, columns)))
    window *= np.outer(_cosine_ends(rows), _cosine_ends(columns)).astype(np.float32)
    weight = window * window
    sum2 = float(weight.sum())
    mean = float((weight * value).sum()) / sum2
    shape = tuple(fft.next_fast_len(n, real=True) for n in (rows, columns))
    spectrum = fft.rfft2((value - np.float32(mean)) * window, s=shape, workers=2)
    power = (spectrum.real ** 2 + spectrum.imag ** 2) * np.float32(1.0 / (sum2 * shape[0] * shape[1]))
    power[:, 1:(shape[1] + 1) // 2] *= 2           # the other half of the plane
    radius_bin, angle_bin, frequency, cells = _polar_bins(shape, samples_per_mm)
    size = len(frequency) * ANGLE_BINS
    index = radius_bin * ANGLE_BINS + angle_bin
    total = np.bincount(index.ravel(), power.ravel(), minlength=size)[:size].reshape(-1, ANGLE_BINS)
    count = np.bincount(index.ravel(), minlength=size)[:size].reshape(-1, ANGLE_BINS).astype(float)
    # Neighbouring bins of a windowed periodogram are correlated: fewer count than there are.
    independent = sum2 ** 2 / float((weight * weight).sum()) / (shape[0] * shape[1])
    isotropic, sd = _isotropic(total, count, independent)
    level = isotropic.sum(axis=1) / np.maximum(count.sum(axis=1), 1)
    noise = np.minimum(level[-PER_OCTAVE:].min() * count.sum(axis=1), isotropic.sum(axis=1))
    return AngularSpectrum(frequency_per_mm=frequency, angle_deg=_angles(), total=total, isotropic=isotropic,
                           isotropic_sd=sd, noise=noise, cells=cells)


def directions(spectrum: AngularSpectrum) -> tuple[tuple[float, float], ...]:
    """Line angles of the peaks of oriented energy with their shares, strongest first."""
    excess = _excess(spectrum)
    doubt = np.sqrt(np.sum(spectrum.isotropic_sd[spectrum.cells >= DIRECTION_CELLS] ** 2))
    if not excess.sum() > LEAST_SIGMA * doubt:
        return ()
    smooth = gaussian_filter1d(excess, 2.0, mode="wrap")
    apart = round(APART_DEG / 180 * ANGLE_BINS)
    peaks: list[int] = []
    for i in np.argsort(smooth)[::-1]:
        near = smooth[(i + np.arange(-2, 3)) % ANGLE_BINS]
        gap = [min((i - p) % ANGLE_BINS, (p - i) % ANGLE_BINS) for p in peaks]
        if smooth[i] == near.max() and all(g >= apart for g in gap):
            peaks.append(int(i))
    bins = np.arange(ANGLE_BINS)
    owner = np.argmin([np.minimum((bins - p) % ANGLE_BINS, (p - bins) % ANGLE_BINS) for p in peaks], axis=0)
    found = []
    for k, peak in enumerate(peaks):
        share = float(excess[owner == k].sum() / excess.sum())
        # A peak must stand out from the saddle between the others, or it is their skirt.
        trough = min(smooth[(peak + np.arange(0, apart + 1)) % ANGLE_BINS].min(),
                     smooth[(peak - np.arange(0, apart + 1)) % ANGLE_BINS].min())
        if share >= LEAST_SHARE and smooth[peak] > 1.5 * trough:
            found.append((_refined(excess, peak), share))
    found.sort(key=lambda pair: -pair[1])
    away = np.full(ANGLE_BINS, 180.0)
    for angle, _ in found[:2]:
        away = np.minimum(away, np.abs(line_angle_deg(spectrum.angle_deg - angle)))
    return tuple(found) if excess[away <= NEAR_DEG].sum() >= LEAST_NEAR * excess.sum() else ()


def _excess(spectrum):
    """Oriented variance by angle, radii that tell the angle only."""
    fine = spectrum.cells >= DIRECTION_CELLS
    return np.maximum((spectrum.total - spectrum.isotropic)[fine].sum(axis=0), 0.0)


def edge_taper(mask: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Mask that falls softly to 0 at the rim and at every hole, inside the data only."""
    soft = np.ascontiguousarray(mask, np.float32)
    soft = cv2.GaussianBlur(soft, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    soft = np.clip(2.0 * soft - 1.0, 0.0, 1.0) * mask
    return soft if soft.sum() > 0.3 * mask.sum() else np.array(mask, np.float32)


def line_angle_deg(degrees):
    """Wrap to (-90, 90]."""
    return 90.0 - np.mod(90.0 - degrees, 180.0)


def _cosine_ends(n):
    """Tukey window, zero just outside its ends."""
    position = (np.arange(n) + 0.5) / n
    edge = np.minimum(position, 1 - position) / (TAPER / 2)
    return np.where(edge < 1, 0.5 - 0.5 * np.cos(np.pi * np.minimum(edge, 1)), 1.0)


def _angles():
    """Centres of the angle bins."""
    return line_angle_deg(np.arange(ANGLE_BINS) * 180.0 / ANGLE_BINS)


def _polar_bins(shape, samples_per_mm):
    """Radial and angular bin of each cell of a half-plane spectrum; what is too slow goes to a waste bin."""
    fx = (fft.rfftfreq(shape[1], 1 / samples_per_mm)).astype(np.float32)[None, :]
    fy = (fft.fftfreq(shape[0], 1 / samples_per_mm)).astype(np.float32)[:, None]
    cell = samples_per_mm / min(shape)
    lowest, highest = LOWEST_CELLS * cell, samples_per_mm / 2
    bins = max(1, int(np.floor(PER_OCTAVE * np.log2(highest / lowest))))
    radius2 = fx * fx + fy * fy
    radius2[0, 0] = (0.1 * cell) ** 2
    octave = (0.5 * PER_OCTAVE) * np.log2(radius2 * np.float32(1 / lowest ** 2))
    radius_bin = np.clip(np.floor(octave), -1, bins - 1).astype(np.int32)
    radius_bin[radius_bin < 0] = bins
    turn = np.mod(np.arctan2(fx, fy) * np.float32(1 / np.pi), np.float32(1))
    angle_bin = np.mod((turn * ANGLE_BINS + np.float32(0.5)).astype(np.int32), ANGLE_BINS)
    frequency = lowest * 2 ** ((np.arange(bins) + 0.5) / PER_OCTAVE)
    return radius_bin, angle_bin, frequency, frequency / cell


def _isotropic(total, count, independent):
    """Energy of the quietest 60 degree sector at each radius, spread over all angles by its count."""
    around = np.concatenate([np.arange(ANGLE_BINS), np.arange(SECTOR_BINS - 1)])

    def sector(array):
        sums = np.cumsum(array[:, around], axis=1)
        before = np.concatenate([np.zeros((len(array), 1)), sums[:, :ANGLE_BINS - 1]], axis=1)
        return sums[:, SECTOR_BINS - 1:] - before
    number = sector(count)
    density = np.where(number > 0, sector(total) / np.maximum(number, 1), np.inf)
    best = np.argmin(density, axis=1)
    rows = np.arange(len(total))
    free = np.maximum(number[rows, best] * independent, 0.5)
    # The least of about four independent sector means is below their mean: undo that.
    level = density[rows, best] * (1.0 + 1.03 / np.sqrt(free) + 1.0 / free)
    whole = total.sum(axis=1) / np.maximum(count.sum(axis=1), 1)
    level = np.minimum(np.where(np.isfinite(level), level, whole), whole)
    isotropic = level[:, None] * count
    return isotropic, level * count.sum(axis=1) / np.sqrt(free)


def _refined(excess, peak) -> float:
    """Peak angle as the circular mean of the excess within 12.5 degrees above the rim's level."""
    near = np.arange(-5, 6)
    values = excess[(peak + near) % ANGLE_BINS]
    values = np.maximum(values - values.min(), 0.0)
    shift = float((values * near).sum() / max(values.sum(), 1e-30))
    return float(line_angle_deg((peak + shift) * 180.0 / ANGLE_BINS))
