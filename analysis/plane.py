"""Bands along the scan axis, their wavenumber plane, and its continuum.

A stripe square to the scan axis is a point in the plane of spatial frequency
along (fx) and across (fy) the scan. Rows are averaged to bands about 1 mm high
first: nothing that stands within 1.5 degrees of the scan normal is lost by it.

Axes: bands are rows, k = 0 at the top; x runs along the scan. Frequencies are
in cycles per mm; fy is positive downwards, as y is.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import uniform_filter1d

from analysis.flatten import Texture
from analysis.ranks import median

__all__ = ["Bands", "Plane", "make_bands", "make_plane", "remove_line", "STEEPEST_DEG"]

STEEPEST_DEG = 1.5         # the frame gives the scan axis within this, with room for the frame's own squareness
BAND_MM = 1.0
MOST_BANDS = 96
FIT_TAPER = 0.1            # lighter than the search's: the refined estimate loses less to the ends
TAPER = 0.3                # share of the length in the Tukey window's cosine ends
PAD_X, PAD_Y = 2, 2        # zero padding: the search grid is half a resolution cell
LINE_CELLS = 1.75          # half width of the window's main lobe, resolution cells
NEAR_CELLS, WIDE_CELLS = 7.0, 24.0
WIDE_PRIOR = 24.0          # cells that the wide window counts for beside the near one's 16
FIRST = 2                  # the lowest bins hold what the trend left
ON_HILL, BESIDE_HILL, BESIDE_COLUMN = 1.4, 2.0, 2.0   # ratios of two estimates beyond which the narrower one is taken
RING_SHARE = 0.08          # a hill of rings of 10 to 15 % variation is about this wide, as a share of its frequency


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Row-averaged texture."""

    value: NDArray[np.float64]             # (K, n) weighted mean log reflectance, 0 where weight is 0
    weight: NDArray[np.float64]            # (K, n) mean weight of the band's samples, 0 to 1
    x_mm: NDArray[np.float64]              # (n,)
    y_mm: NDArray[np.float64]              # (K,) centre of the band
    step_mm: float                         # sample spacing along x
    band_mm: float
    fit_weight: NDArray[np.float64]        # (K, n) weight with light tapers at the ends: for fits, not for the search

    @property
    def length_mm(self) -> float:
        """Length along the scan that holds data, mm."""
        used = np.flatnonzero(self.weight.any(axis=0))
        return float((used[-1] - used[0] + 1) * self.step_mm) if used.size else 0.0

    @property
    def height_mm(self) -> float:
        """Height across the scan that holds data, mm."""
        used = np.flatnonzero(self.weight.any(axis=1))
        return float((used[-1] - used[0] + 1) * self.band_mm) if used.size else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """Tapered periodogram of the bands near the fx axis, as |sum|^2, with its continuum."""

    power: NDArray[np.float64]             # (nx, ny)
    noise: NDArray[np.float64]             # (nx, ny) mean power of the surroundings, line left out
    local: NDArray[np.float64]             # (nx, ny) mean of the near flanks at the same fy: unbiased, for intervals
    floor: NDArray[np.float64]             # (nx, ny) level under hills and lines, from a running median
    ring: NDArray[np.float64]              # (nx, ny) the same over a window that widens with frequency
    noise_count: NDArray[np.float64]       # (nx, ny) independent cells that `noise` rests on
    ring_count: NDArray[np.float64]        # (nx, 1)
    fx_per_mm: NDArray[np.float64]         # (nx,)
    fy_per_mm: NDArray[np.float64]         # (ny,)
    cell_x_per_mm: float                   # resolution cell 1 / length
    cell_y_per_mm: float
    gain: float                            # sum of taper times weight: |line| = amplitude / 2 * gain
    square_sum: float                      # sum of (taper times weight)^2: noise power = variance * square_sum


def make_bands(texture: Texture, *, band_mm: float = BAND_MM) -> Bands:
    """Average the rows of a texture to bands.

    Raises
    ------
    ValueError
        `band_mm` is not positive.
    """
    if not band_mm > 0:
        raise ValueError(f"band_mm must be positive, got {band_mm}")
    rows = texture.log_reflectance.shape[0]
    if not texture.scale_known:
        band_mm = rows / 60.0 / texture.samples_per_mm
    height = max(1, round(band_mm * texture.samples_per_mm), rows // MOST_BANDS)
    starts = np.arange(0, rows, height)
    weight, value = (np.stack([part[k: k + height].sum(axis=0) for k in starts]).astype(np.float64)
                     for part in (texture.weight, texture.weight * texture.log_reflectance))
    value = np.divide(value, weight, out=np.zeros_like(value), where=weight > 0)
    step = 1.0 / texture.samples_per_mm
    sizes = np.diff(np.append(starts, rows))
    y = texture.origin_mm[1] + (starts + (sizes - 1) / 2.0) * step
    x = texture.origin_mm[0] + np.arange(value.shape[1]) * step
    weight /= height
    return Bands(value=value, weight=weight, x_mm=x, y_mm=y, step_mm=step, band_mm=height * step,
                 fit_weight=tapered(weight, FIT_TAPER))


def remove_line(bands: Bands, line: NDArray[np.float64]) -> Bands:
    """Bands less a fitted line of shape (K, n), where there is data."""
    return replace(bands, value=np.where(bands.weight > 0, bands.value - line, 0.0))


def tapered(weight: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    """Weight times a Tukey taper over the part that holds data, shape (K, n)."""
    taper = []
    for axis, ends in ((0, share), (1, share / 2)):
        used = np.flatnonzero(weight.any(axis=axis))
        one = np.zeros(weight.shape[1 - axis])
        one[used[0]: used[-1] + 1] = _tukey(used[-1] - used[0] + 1, ends)
        taper.append(one)
    return weight * taper[1][:, None] * taper[0][None, :]


def _tukey(n: int, share: float) -> NDArray[np.float64]:
    """Tukey window without its two zero ends: `share` of the length in cosine flanks (Harris 1978, eq. 38).

    Closed form, since scipy.signal takes a third of a second to load.
    """
    from_end = np.minimum(np.arange(1, n + 1), np.arange(n, 0, -1)) / ((n + 1) * share / 2.0)
    return 0.5 * (1.0 - np.cos(np.pi * np.minimum(from_end, 1.0)))


def make_plane(bands: Bands, *, highest_per_mm: float) -> Plane:
    """Periodogram of the bands for fx up to `highest_per_mm` and |fy| a little beyond the search wedge.

    Notes
    -----
    The band means are taken about zero (weighted) before the transform, so that
    periodic gaps in the weight (masked letters) do not print a line.
    """
    w = tapered(bands.weight, TAPER)
    centred = bands.value - (w * bands.value).sum(axis=1, keepdims=True) / np.maximum(
        w.sum(axis=1, keepdims=True), 1e-12)
    cell_x, cell_y = 1.0 / bands.length_mm, 1.0 / max(bands.height_mm, bands.band_mm)
    n_x = fft.next_fast_len(int(PAD_X * bands.length_mm / bands.step_mm) + 1, real=True)
    n_y = fft.next_fast_len(int(PAD_Y * max(bands.height_mm, bands.band_mm) / bands.band_mm) + 1)
    fx = fft.rfftfreq(n_x, bands.step_mm)
    top = min(np.searchsorted(fx, highest_per_mm) + 1, len(fx))
    steepest = np.tan(np.radians(STEEPEST_DEG)) * fx[top - 1] + 6 * cell_y
    # Rows beyond the data are zero; rolling them away keeps phases relative only, and power has none.
    used_x = np.flatnonzero(w.any(axis=0))
    used_y = np.flatnonzero(w.any(axis=1))
    block = (w * centred)[used_y[0]: used_y[-1] + 1, used_x[0]: used_x[-1] + 1]
    along = fft.rfft(block, n_x, axis=1)[:, :top]
    both = fft.fftshift(fft.fft(along, n_y, axis=0), axes=0)
    fy = fft.fftshift(fft.fftfreq(n_y, bands.band_mm))
    near = np.abs(fy) <= steepest
    power = (both[near].real ** 2 + both[near].imag ** 2).T
    noise, local, ring, noise_count, ring_count = _continuum(power, fx[:top], cell_x, fx[1] - fx[0])
    floor = np.minimum(_floor(power, (fx[1] - fx[0]) / cell_x), noise)
    return Plane(power=power, floor=floor, noise=noise, local=local, ring=ring, noise_count=noise_count,
                 ring_count=ring_count, fx_per_mm=fx[:top], fy_per_mm=fy[near],
                 cell_x_per_mm=cell_x, cell_y_per_mm=cell_y,
                 gain=float(w.sum()), square_sum=float((w * w).sum()))


def _continuum(power, fx, cell_x, bin_x):
    """Mean power around each bin along fx, with the number of independent cells that it rests on.

    Three estimates, from the widest that agrees with the narrower ones: a near window and a wide one with the
    neighbours in fy, joined as if the wide one were a prior of `WIDE_PRIOR` cells, and the near window of the
    very column. Beside or on a hill of rings they disagree, and the narrower one is taken with its own few cells.
    With this the false-alarm probability of noise alone holds (tests/test_plane.py).
    Strong lines elsewhere are clipped first, so that one stripe does not hide another.
    """
    trend = _trend(power, fx)[:, None]
    power = power / trend
    smooth = uniform_filter1d(power, 3, axis=1, mode="nearest")     # one resolution cell across the scan
    wide, _ = _flank_mean(_summed(smooth), WIDE_CELLS, cell_x, bin_x)
    clipped = _summed(np.minimum(smooth, 6.0 * wide))
    near, near_count = _flank_mean(clipped, NEAR_CELLS, cell_x, bin_x)
    wide, _ = _flank_mean(clipped, WIDE_CELLS, cell_x, bin_x)
    local, _ = _flank_mean(_summed(np.minimum(power, 8.0 * wide)), NEAR_CELLS, cell_x, bin_x)
    count = 1.5 * near_count
    even = (near < ON_HILL * wide) & (wide < BESIDE_HILL * near)
    noise = np.where(even, (WIDE_PRIOR * wide + count * near) / (WIDE_PRIOR + count), near)
    count = np.where(even, count + WIDE_PRIOR, count)
    alone = near > BESIDE_COLUMN * local
    noise, count = np.where(alone, local, noise), np.where(alone, near_count, count)
    half = np.maximum(NEAR_CELLS * 0.6, RING_SHARE * fx / cell_x)
    ring, ring_count = _flank_mean(_summed(np.minimum(power, 12.0 * wide)), half, cell_x, bin_x)
    return trend * noise, trend * local, trend * np.maximum(ring, np.maximum(noise, near)), count, ring_count


def _trend(power, fx):
    """Smooth fall of the power with frequency, shape (nx,): a parabola in logarithms through medians of third octaves.

    Taken out before the means over windows, since a mean over a falling spectrum lies above its middle.
    """
    at, level = np.log(fx[FIRST:]), np.log(np.maximum(power[FIRST:].mean(axis=1), 1e-30))
    starts = np.unique(np.searchsorted(at, np.arange(at[0], at[-1], np.log(2.0) / 3.0)))
    starts = starts[starts < at.size]                               # `arange` may go a rounding error too far
    if starts.size < 5:
        return np.ones(fx.size)
    parts = [(median(x), median(y), np.sqrt(x.size))
             for x, y in zip(np.split(at, starts[1:]), np.split(level, starts[1:]), strict=True)]
    middle, height, weight = np.array(parts).T
    fall = np.polynomial.Polynomial.fit(middle, height, 2, w=weight)
    return np.exp(fall(np.log(np.maximum(fx, fx[FIRST]))))


def _summed(power):
    """Running sums along fx from 0, shape (nx + 1, ny)."""
    total = np.zeros((power.shape[0] + 1, power.shape[1]))
    np.cumsum(power, axis=0, out=total[1:])
    return total


def _flank_mean(total, outer, cell_x, bin_x):
    """Mean over bins from beside the line to `outer` cells on either side, from running sums; cut at the ends."""
    n = total.shape[0] - 1
    i = np.arange(n)
    gap = max(1, round(LINE_CELLS * cell_x / bin_x))
    reach = np.maximum(np.round(np.broadcast_to(outer, n) * cell_x / bin_x).astype(int), gap + 1)
    low_a, low_b = np.clip(i - reach, FIRST, n), np.clip(i - gap + 1, FIRST, n)
    high_a, high_b = np.clip(i + gap, 0, n), np.clip(i + reach + 1, 0, n)
    count = (low_b - low_a) + (high_b - high_a)
    sums = total[low_b] - total[low_a] + total[high_b] - total[high_a]
    mean = sums / np.maximum(count, 1)[:, None]
    cells = np.maximum(count * bin_x / cell_x, 1.0)[:, None]
    return np.maximum(mean, 1e-30), cells


def _floor(power, cells_a_bin):
    """Running median along fx over its value for an exponential law: hills narrower than half the window fall out."""
    n = power.shape[0]
    at = np.unique(np.concatenate([np.arange(0, n, 8), [n - 1]]))
    reach = np.clip(0.6 * at, 6 / cells_a_bin, WIDE_CELLS / cells_a_bin).astype(int)
    first, last = np.maximum(at - reach, 2), np.minimum(at + reach + 1, n)
    columns = np.ascontiguousarray(power.T)
    level = np.empty((at.size, power.shape[1]))
    sizes = (last - first + 1) // 2        # every other bin: with zero padding its neighbour says little more
    for size in np.unique(sizes):          # all windows of one size at once; a full sort is faster than a median
        mine = np.flatnonzero(sizes == size)
        ranked = np.sort(columns[:, first[mine][:, None] + 2 * np.arange(size)[None, :]], axis=2)
        level[mine] = 0.5 * (ranked[:, :, (size - 1) // 2] + ranked[:, :, size // 2]).T
    level = uniform_filter1d(level / np.log(2.0), 5, axis=1, mode="nearest")
    place = np.interp(np.arange(n), at, np.arange(at.size))
    low = np.minimum(place.astype(int), at.size - 2)
    share = (place - low)[:, None]
    return np.maximum((1 - share) * level[low] + share * level[low + 1], 1e-30)
