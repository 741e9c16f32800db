"""Graininess, mottle and banding after the image-quality standards for printed matter, as far as a photo gives them.

The standards measure reflection density with a calibrated scanner; a photo has its own light, glare and
sharpness, and the ground's slow trend is taken out here. So these are approximations, to be set beside the
figures of another photo taken alike, not beside a laboratory's.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.flatten import Texture
from analysis.visibility import ARMS_LENGTH_MM, barten_sensitivity, cycles_per_degree

__all__ = ["PrintQuality", "print_quality"]

TILE_MM = 1.27             # ISO/IEC 13660:2001, 5.2: side of a tile (from memory)
FEWEST_TILES = 100         # the same: fewer say little (from memory)
FULL_TILE = 0.7            # share of a tile that must hold data
DENSITY = 1.0 / np.log(10.0)   # optical density per unit of log reflectance


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintQuality:
    """Unevenness of the ground in optical density, 1 s.d.; None where too few whole tiles are free of artwork."""

    graininess: float | None               # within tiles of 1.27 mm: ISO/IEC 13660:2001, 5.2.3 (from memory)
    mottle: float | None                   # between the means of the tiles: the same, 5.2.4 (from memory)
    # Of the mean profile along the scan, weighted by what an eye sees from arm's length: after the banding
    # attribute of ISO/IEC 24790:2017 (from memory; its own filter is another). Stripes across the scan raise it.
    banding: float | None
    banding_across: float | None           # the same of the profile along the cross axis
    tiles: int


def print_quality(texture: Texture) -> PrintQuality:
    """Compute the measures over all of a texture that is free of artwork; all None where the scale is not known.

    Notes
    -----
    The standard asks for 900 readings a tile, 42 micrometres apart; a photo has as many as its pixels (about 230 at
    12 pixels per mm), and what is finer than a pixel is not counted.
    """
    if not texture.scale_known:
        return PrintQuality(graininess=None, mottle=None, banding=None, banding_across=None, tiles=0)
    side = max(2, round(TILE_MM * texture.samples_per_mm))
    columns, rows = _sums(texture, side)
    count, total, squares = (_by_tile(part, side) for part in columns[:, : texture.weight.shape[0] // side])
    whole = count >= FULL_TILE * side * side
    tiles = int(whole.sum())
    graininess = mottle = None
    if tiles >= FEWEST_TILES:
        mean = total[whole] / count[whole]
        variance = np.maximum(squares[whole] / count[whole] - mean ** 2, 0.0) * count[whole] / (count[whole] - 1.0)
        graininess, mottle = float(np.sqrt(variance.mean())), float(mean.std(ddof=1))
    along, across = (_banding(*sums, texture.weight.shape[axis], texture.samples_per_mm)
                     for axis, sums in enumerate((columns[:2].sum(axis=1), rows)))
    return PrintQuality(graininess=graininess, mottle=mottle, banding=along, banding_across=across, tiles=tiles)


def _sums(texture, side) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Count, density and its square: down each column of every `side` rows, and count and density along each row.

    Shapes (3, bands, columns) and (2, rows). Band by band, so that what is made of one stays in the cache.
    """
    columns, rows = [], []
    for k in range(0, texture.weight.shape[0], side):
        there = (texture.weight[k: k + side] > 0).astype(np.float32)
        density = -DENSITY * texture.log_reflectance[k: k + side]      # 0 where nothing is there
        down = (there, density, density * density)
        columns.append([cv2.reduce(part, 0, cv2.REDUCE_SUM, dtype=cv2.CV_64F)[0] for part in down])
        rows.append([cv2.reduce(part, 1, cv2.REDUCE_SUM, dtype=cv2.CV_64F)[:, 0] for part in down[:2]])
    return np.stack(columns, axis=1), np.concatenate(rows, axis=1)


def _by_tile(bands, side) -> NDArray[np.float64]:
    """Sums over whole tiles."""
    return bands[:, : bands.shape[1] // side * side].reshape(len(bands), -1, side).sum(axis=2)


def _banding(count, total, length, samples_per_mm) -> float | None:
    """Root mean square of the mean profile, each spatial frequency weighted by the eye's relative sensitivity.

    `count` of the `length` samples across the profile hold data, and `total` is their sum.
    """
    used = np.flatnonzero(count > 0.25 * length)
    if used.size < 64:
        return None
    place = np.arange(used[0], used[-1] + 1)
    profile = np.interp(place, used, total[used] / count[used])
    profile -= profile.mean()
    frequency = np.fft.rfftfreq(profile.size, 1.0 / samples_per_mm)[1:]
    degree = cycles_per_degree(1.0, ARMS_LENGTH_MM) * frequency
    sensitivity = barten_sensitivity(degree)
    power = np.abs(np.fft.rfft(profile)[1:]) ** 2 * (sensitivity / sensitivity.max()) ** 2
    return float(np.sqrt(2.0 * power.sum()) / profile.size)
