"""Bands demodulated at a frequency and summed to a coarse array of places.

A place is a group of bands by a segment along the scan. The sums are linear in
the bands, and everything that is asked of a candidate line is asked of this
small complex array.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.plane import Bands

__all__ = ["Places", "demodulate", "demodulate_each"]

SEGMENTS = 24
GROUPS = 12
PERIODS_A_SEGMENT = 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Bands demodulated at (fx, fy) and summed to groups x segments; linear in the bands."""

    sums: NDArray[np.complex128]           # (groups, segments)
    weights: NDArray[np.float64]           # (groups, segments) sum of weights
    squares: NDArray[np.float64]           # (groups, segments) sum of squared weights
    # (groups, segments) of the weights at twice the frequency: over a segment of few periods the mirror image of a
    # real wave does not add up to nothing
    mirror: NDArray[np.complex128]
    x_mm: NDArray[np.float64]              # (segments,) centre of the data in each
    y_mm: NDArray[np.float64]              # (groups,)
    edges_x_mm: NDArray[np.float64]        # (segments + 1,)
    edges_y_mm: NDArray[np.float64]        # (groups + 1,)
    fx_per_mm: float
    fy_per_mm: float
    length_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """Where the places lie: the same for all frequencies with as many segments."""

    columns: NDArray[np.intp]              # (segments, longest) columns of each segment; n where it is shorter
    cut_x: NDArray[np.intp]                # (segments + 1,) first column of each, and the end
    cut_y: NDArray[np.intp]                # (groups + 1,) first band of each, and the end
    length_mm: float


def demodulate(bands: Bands, fx: float, fy: float) -> Places:
    """Demodulate bands at (fx, fy), cycles per mm, and sum them to places."""
    return demodulate_each(bands, [(fx, fy)])[0]


def demodulate_each(bands: Bands, frequencies: list[tuple[float, float]]) -> list[Places]:
    """The same for many frequencies at once: the bands are cut to segments once for all of them."""
    w = bands.fit_weight
    mean = (w * bands.value).sum(axis=1, keepdims=True) / np.maximum(w.sum(axis=1, keepdims=True), 1e-12)
    signal = w * (bands.value - mean)
    by_segments: dict[int, list[int]] = {}
    for index, (fx, _) in enumerate(frequencies):
        by_segments.setdefault(_segments(bands, fx), []).append(index)
    found: list[Places | None] = [None] * len(frequencies)
    for count, indices in by_segments.items():
        grid = _grid(bands, count)
        weights, squares = (_by_groups(np.add.reduceat(a, grid.cut_x[:-1], axis=1), grid) for a in (w, w * w))
        rows, columns = w.sum(axis=1), w.sum(axis=0)
        xs = _centres(columns, bands.x_mm, grid.cut_x[:-1])
        ys = _centres(rows, bands.y_mm, grid.cut_y[:-1])
        edges = (bands.x_mm[0] + (grid.cut_x - 0.5) * bands.step_mm, bands.y_mm[0] + (grid.cut_y - 0.5) * bands.band_mm)
        at = np.array([frequencies[i][0] for i in indices])
        along, twice = _along(signal, bands.x_mm, at, grid), _along(_by_groups(w, grid), bands.x_mm, 2.0 * at, grid)
        for index, one, mirror in zip(indices, along, twice, strict=True):
            fx, fy = frequencies[index]
            sums = _by_groups(one * np.exp(-2j * np.pi * fy * bands.y_mm)[:, None], grid)
            mirror = mirror * np.exp(-4j * np.pi * fy * ys)[:, None]
            found[index] = Places(sums=sums, weights=weights, squares=squares, mirror=mirror, x_mm=xs, y_mm=ys,
                                  edges_x_mm=edges[0], edges_y_mm=edges[1], fx_per_mm=fx, fy_per_mm=fy,
                                  length_mm=grid.length_mm)
    return found


def _segments(bands, fx) -> int:
    """Number of segments: none shorter than a period and a quarter."""
    return int(np.clip(fx * bands.length_mm / PERIODS_A_SEGMENT, 2, SEGMENTS))


def _grid(bands, count) -> _Grid:
    """Cut the part that holds data to segments and groups."""
    w = bands.fit_weight
    used_x, used_y = np.flatnonzero(w.any(axis=0)), np.flatnonzero(w.any(axis=1))
    groups = int(min(GROUPS, used_y.size))
    cut_x = np.linspace(used_x[0], used_x[-1] + 1, count + 1).round().astype(int)
    cut_y = np.linspace(used_y[0], used_y[-1] + 1, groups + 1).round().astype(int)
    columns = cut_x[:-1, None] + np.arange(np.diff(cut_x).max())[None, :]
    columns = np.where(columns < cut_x[1:, None], columns, w.shape[1])
    return _Grid(columns=columns, cut_x=cut_x, cut_y=cut_y,
                 length_mm=float((used_x[-1] - used_x[0] + 1) * bands.step_mm))


def _along(signal, x, frequencies, grid) -> NDArray[np.complex128]:
    """Sum of signal times exp(-2 pi i f x) over each segment: (frequencies, bands, segments)."""
    cut = np.concatenate([signal, np.zeros((signal.shape[0], 1))], axis=1)[:, grid.columns].transpose(1, 0, 2)
    angle = -2.0 * np.pi * frequencies[None, None, :] * np.append(x, 0.0)[grid.columns][:, :, None]
    sums = cut @ np.concatenate([np.cos(angle), np.sin(angle)], axis=2)            # (segments, bands, 2 f)
    half = frequencies.size
    return (sums[:, :, :half] + 1j * sums[:, :, half:]).transpose(2, 1, 0)


def _by_groups(array, grid):
    """Sum bands to groups."""
    return np.add.reduceat(array, grid.cut_y[:-1], axis=0)


def _centres(weight, position, cut):
    """Weighted middle of each part."""
    return np.add.reduceat(weight * position, cut) / np.maximum(np.add.reduceat(weight, cut), 1e-12)
