"""Contrast of one stripe stretch by stretch: along the scan, across it, by tile, and against the ground's depth.

Depth is not seen in a photo. Deeper engraving is darker, so the ground's own
reflectance (the trend that `flatten` takes out) stands for it; light that falls
unevenly looks the same, and the words must say so.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.special import chdtrc

from analysis.flatten import CELL_MM, Texture
from analysis.line import UNDER_LINE, Line, line_wave
from analysis.places import Places, demodulate
from analysis.plane import Bands, Plane

__all__ = ["ContrastByPlace", "Stretch", "contrast_by_place"]

STRIPS = 8                 # along and across; fewer where the stripe has fewer places
TILES = (4, 6)             # rows, columns
LEVELS = 5                 # of the ground, of equal area
LEAST_SPREAD = 0.04        # of the ground's log reflectance, lightest level over darkest: less says nothing of depth
LEAST_SHARE = 0.02         # of the data: a smaller stretch is left out
LEAST_GAIN = 0.3           # of the middle place's; what holds less data counts less
REACH_CELLS = 24           # resolution cells about the line over which a stretch gathers noise


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Contrast of the stripe on one part of the piece, in phase with the stripe as a whole."""

    start: float                           # mm along the axis in question; for a level its lowest relative reflectance
    end: float
    contrast_percent: float                # peak to peak, never below 0
    interval_percent: tuple[float, float]  # 95 %, from the photo's own noise alone
    share: float                           # of the analysed area


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastByPlace:
    """Where a stripe is strong and where weak."""

    along: tuple[Stretch, ...]             # mm along the scan axis, from the left
    across: tuple[Stretch, ...]            # mm along the cross axis, from the top
    tiles_percent: NDArray[np.float32]     # (rows, columns) contrast, NaN where there is no data
    tiles_sd_percent: NDArray[np.float32]  # (rows, columns) 1 s.d.
    tile_edges_x_mm: tuple[float, ...]     # (columns + 1,)
    tile_edges_y_mm: tuple[float, ...]     # (rows + 1,)
    by_level: tuple[Stretch, ...]          # against the ground's relative reflectance (mean 1), darkest first; or ()
    dark_minus_light_percent: float | None # contrast on the darkest level less that on the lightest
    dark_minus_light_interval_percent: tuple[float, float] | None
    uneven_probability: float              # that noise alone makes the tiles differ as much as they do
    # Mean over the area less that over the fit's weights, and its s.d.: what an uneven stripe's contrast is off by
    area_shift_percent: tuple[float, float] = (0.0, 0.0)


def contrast_by_place(texture: Texture, bands: Bands, plane: Plane, line: Line) -> ContrastByPlace:
    """Measure a called line stretch by stretch.

    Parameters
    ----------
    texture : Texture
        Gives the ground's level.
    bands : Bands
        With the line in them, other lines taken out.
    plane : Plane
        With all called lines taken out: gives the noise.
    line : Line

    Notes
    -----
    A stretch with weights m gathers the noise power S(k) |M(k - k0)|^2, with M the Fourier
    transform of m and k0 the line: short stretches take in a wider piece of the spectrum, and grain
    that runs along the stripes stays coherent over the whole height. That sum is made on the plane's
    own continuum, so the intervals of long, short and odd-shaped stretches all follow from one formula.
    """
    places = demodulate(bands, line.fx_per_mm, line.fy_per_mm)
    whole = replace(bands, value=line_wave(replace(line, envelope=None), bands.x_mm, bands.y_mm))
    expected = demodulate(whole, line.fx_per_mm, line.fy_per_mm).sums
    # Against what the line itself would give there: a place of one or two periods is no pure average.
    in_phase = np.real(places.sums * np.conj(expected)) / np.maximum(np.abs(expected), 1e-30)
    measure = _Measure(in_phase=in_phase, gain=np.abs(expected) / line.amplitude, places=places,
                       noise=_Noise.near(plane, places))
    x_edges, y_edges = places.edges_x_mm, places.edges_y_mm
    groups, segments = in_phase.shape
    by_x, by_y = _parts(segments, STRIPS), _parts(groups, STRIPS)
    tile_x, tile_y = _parts(segments, TILES[1]), _parts(groups, TILES[0])
    tiles = np.array([[measure(_mask(in_phase.shape, ys, xs)) for xs in tile_x] for ys in tile_y])
    value, sd, share = tiles[..., 0], tiles[..., 1], tiles[..., 2]
    good = share > LEAST_SHARE / 4
    levels, gap, gap_interval = _levels(measure, _ground(texture, bands, places))
    mean = np.sum(value[good] / sd[good] ** 2) / np.sum(1 / sd[good] ** 2)
    return ContrastByPlace(
        along=_stretches(measure, [(_mask(in_phase.shape, slice(None), s), x_edges[s.start], x_edges[s.stop])
                                   for s in by_x]),
        across=_stretches(measure, [(_mask(in_phase.shape, s, slice(None)), y_edges[s.start], y_edges[s.stop])
                                    for s in by_y]),
        tiles_percent=np.where(good, np.maximum(value, 0.0), np.nan).astype(np.float32),
        tiles_sd_percent=np.where(good, sd, np.nan).astype(np.float32),
        tile_edges_x_mm=tuple(float(x_edges[i]) for i in [s.start for s in tile_x] + [segments]),
        tile_edges_y_mm=tuple(float(y_edges[i]) for i in [s.start for s in tile_y] + [groups]),
        by_level=levels, dark_minus_light_percent=gap, dark_minus_light_interval_percent=gap_interval,
        uneven_probability=float(chdtrc(max(good.sum() - 1, 1), np.sum(((value[good] - mean) / sd[good]) ** 2))),
        area_shift_percent=_area_shift(value[good], sd[good], share[good]))


def _area_shift(value, sd, share) -> tuple[float, float]:
    """How far the tiles' mean by area lies above the fit's, percent, and 1 s.d. of that.

    The line is fitted with the weights that find it best (`share` of them in each tile), and these are small where the
    ground is rough, which a strong stripe makes it. Each tile's contrast is drawn to the common one by as much as its
    noise asks for [1]_, so a stripe whose tiles differ by no more than noise is left as it is.

    References
    ----------
    .. [1] R. DerSimonian, N. Laird, "Meta-analysis in clinical trials", Control. Clin. Trials 7, 177-188 (1986).
    """
    if value.size < 3:
        return 0.0, 0.0
    precision = 1.0 / sd ** 2
    mean = np.average(value, weights=precision)
    excess = np.sum(precision * (value - mean) ** 2) - (value.size - 1)
    between = max(0.0, excess / (precision.sum() - np.sum(precision ** 2) / precision.sum()))
    own = between / (between + sd ** 2)                             # share of a tile's deviation that is the stripe's
    more = 1.0 / value.size - share / share.sum()
    return float(np.sum(more * own * (value - mean))), float(np.sqrt(np.sum(more ** 2 * own * sd ** 2)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Noise:
    """Noise power about the line, per unit of squared weight, with the waves that weigh it for a stretch."""

    power: NDArray[np.float64]             # (offsets in y, offsets in x)
    wave_x: NDArray[np.complex128]         # (segments, offsets in x)
    wave_y: NDArray[np.complex128]         # (offsets in y, groups)

    @classmethod
    def near(cls, plane: Plane, places: Places) -> _Noise:
        """Take the continuum within some resolution cells of the line, as far as the plane goes."""
        i = int(np.argmin(np.abs(plane.fx_per_mm - places.fx_per_mm)))
        j = int(np.argmin(np.abs(plane.fy_per_mm - places.fy_per_mm)))
        rows = np.arange(max(i - 2 * REACH_CELLS, 3), min(i + 2 * REACH_CELLS + 1, plane.fx_per_mm.size))
        columns = np.arange(max(j - 2 * REACH_CELLS, 0), min(j + 2 * REACH_CELLS + 1, plane.fy_per_mm.size))
        power = UNDER_LINE * plane.local[np.ix_(rows, columns)].T / plane.square_sum
        off_x, off_y = plane.fx_per_mm[rows] - plane.fx_per_mm[i], plane.fy_per_mm[columns] - plane.fy_per_mm[j]
        own_x, own_y = (np.sinc(off * size / count) for off, size, count in (   # of one place by itself
            (off_x, places.length_mm, places.x_mm.size), (off_y, 1.0 / plane.cell_y_per_mm, places.y_mm.size)))
        return cls(power=power, wave_x=own_x * np.exp(-2j * np.pi * np.outer(places.x_mm, off_x)),
                   wave_y=own_y[:, None] * np.exp(-2j * np.pi * np.outer(off_y, places.y_mm)))

    def level(self, weights) -> float:
        """Mean power that a stretch of these weights gathers."""
        kernel = np.abs(self.wave_y @ weights @ self.wave_x) ** 2
        return float(np.sum(kernel * self.power) / np.sum(kernel))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    """Contrast, its s.d. and the share of the area under a mask over the places."""

    in_phase: NDArray[np.float64]          # (groups, segments) in phase with the line
    gain: NDArray[np.float64]              # (groups, segments) the same for a line of amplitude 1
    places: Places
    noise: _Noise

    def __call__(self, mask) -> tuple[float, float, float]:
        share = float((mask * self.places.weights).sum() / self.places.weights.sum())
        # Area counts, not weight: rough places weigh less in the fit of the line as a whole, and stripes are rough.
        mask = mask / np.maximum(self.gain, LEAST_GAIN * np.median(self.gain))
        gain = float((mask * self.gain).sum())
        if gain <= 0:
            return 0.0, np.inf, 0.0
        variance = self.noise.level(mask * self.places.weights) * (mask ** 2 * self.places.squares).sum()
        return (200.0 * float((mask * self.in_phase).sum()) / gain, 200.0 * float(np.sqrt(variance / 2.0)) / gain,
                share)


def _stretches(measure, parts) -> tuple[Stretch, ...]:
    """Contrast of each part that holds enough data."""
    found = []
    for mask, start, end in parts:
        value, sd, share = measure(mask)
        if share >= LEAST_SHARE:
            found.append(Stretch(start=float(start), end=float(end), contrast_percent=max(value, 0.0),
                                 interval_percent=(max(value - 1.96 * sd, 0.0), max(value + 1.96 * sd, 0.0)),
                                 share=share))
    return tuple(found)


def _levels(measure, ground):
    """Contrast by level of the ground, and the darkest level's less the lightest's, with 95 % intervals."""
    weights = measure.places.weights
    order = np.argsort(ground, axis=None)
    rank = np.empty(ground.size)
    rank[order] = (np.cumsum(weights.flat[order]) - 0.5 * weights.flat[order]) / weights.sum()
    level = np.minimum((rank * LEVELS).astype(int), LEVELS - 1).reshape(ground.shape)
    held = [ground[(level == k) & (weights > 0)] for k in range(LEVELS)]
    if min(h.size for h in held) == 0 or np.mean(held[-1]) - np.mean(held[0]) < LEAST_SPREAD:
        return (), None, None
    parts = [((level == k).astype(float), np.exp(h.min()), np.exp(h.max())) for k, h in enumerate(held)]
    dark, light = measure(parts[0][0]), measure(parts[-1][0])
    gap, half = dark[0] - light[0], 1.96 * float(np.hypot(dark[1], light[1]))
    return _stretches(measure, parts), gap, (gap - half, gap + half)


def _ground(texture: Texture, bands: Bands, places: Places) -> NDArray[np.float64]:
    """Log of the ground's reflectance over its mean, at each place."""
    rows, columns = texture.log_reflectance.shape
    cell = max(2, round(CELL_MM * texture.samples_per_mm)) if texture.scale_known else max(2, columns // 80)
    y, x = ((at - origin) * texture.samples_per_mm / cell for at, origin in (
        (places.y_mm, texture.origin_mm[1]), (places.x_mm, texture.origin_mm[0])))
    ground = map_coordinates(np.asarray(texture.trend, float), np.meshgrid(y, x, indexing="ij"), order=1,
                             mode="nearest")
    return ground - np.average(ground, weights=places.weights)


def _parts(size: int, most: int) -> list[slice]:
    """At most `most` runs of places, as even as they come."""
    cuts = np.linspace(0, size, min(size, most) + 1).round().astype(int)
    return [slice(int(a), int(b)) for a, b in zip(cuts[:-1], cuts[1:], strict=True)]


def _mask(shape, rows, columns) -> NDArray[np.float64]:
    """1 inside, 0 outside."""
    mask = np.zeros(shape)
    mask[rows, columns] = 1.0
    return mask
