"""Scan axis from the engraved rows, where the photo resolves them.

An engraver lays one row beside the other, 0.05 to 0.2 mm apart, so the ground
holds a very fine line grid along the scan axis: one narrow peak in the
spectrum, on the cross axis. Rows finer than the pixels fold to another place
and direction; so the rows must run along the straight edges that the artwork
and the board show as well, and what folding leaves open widens the
uncertainty. Angles are anticlockwise as the photo is seen.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.ranks import median

__all__ = ["ScanRows", "edge_direction", "find_scan_rows"]

INTERVALS_MM = (0.05, 0.2)             # between rows; common practice, no source
HIGHEST = 0.42                         # cycles per pixel; nearer to 0.5 a finer grid could have folded
LOWEST = 0.05
TILE_PX = 256
MOST_TILES, FEWEST_TILES = 36, 4
LEAST_PEAK = 8.0                       # of the mean spectrum over the median at its frequency
LEAST_ALONE = 3.0                      # of the peak over the highest of the power some bins away: edges make ridges
AGREE = 0.02                           # of the frequency, between tiles: more is tilt, or no one grid
LEAST_AGREEING = 0.6                   # share of the tiles
SAME_DEG = 1.5                         # between rows and straight edges, engraved by one machine
LEAST_EDGES = 3.0                      # of the edges' main direction over the mean of all directions
LEAST_SD_DEG = 0.05                    # row after row, an engraver is no truer; no source


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanRows:
    """Engraved rows in a photo."""

    axis_deg: float                    # direction of the rows, (-90, 90]
    axis_sd_deg: float
    interval_mm: float | None          # None where folding leaves it open
    tiles: int                         # places that agree


def find_scan_rows(luminance: NDArray[np.float32], outline_px: NDArray[np.float64], pixels_per_mm: float,
                   most_tiles: int = MOST_TILES) -> ScanRows | None:
    """Find the direction and the interval of engraved rows.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
        Linear light.
    outline_px : ndarray, shape (n, 2)
        Convex part of the photo that is looked at.
    pixels_per_mm : float
    most_tiles : int
        Places looked at; a few find clear rows at a fraction of the time.

    Returns
    -------
    ScanRows or None
        None where no rows are resolved: below some 12 pixels per mm they never are.

    Notes
    -----
    Welch's averaged periodogram in two directions (IEEE Trans. Audio
    Electroacoust. 15(2), 70-73 (1967)). A frequency f looks like f + k for
    whole k in both directions (sampling theorem).
    """
    low, high = (1.0 / (mm * pixels_per_mm) for mm in INTERVALS_MM[::-1])
    low, high = max(low, LOWEST), min(high, HIGHEST)
    tiles = _tiles(luminance, outline_px, most_tiles) if low < high else ()
    if len(tiles) < FEWEST_TILES:
        return None
    window = np.outer(np.hanning(TILE_PX), np.hanning(TILE_PX)).astype(np.float32)
    half = np.abs(fft.rfft2((tiles - tiles.mean(axis=(1, 2), keepdims=True)) * window)) ** 2
    half /= median(half.reshape(len(half), -1), axis=1)[:, None, None] + np.float32(1e-30)
    fy, fx = fft.fftfreq(TILE_PX)[:, None], fft.rfftfreq(TILE_PX)[None]
    radius = np.hypot(fx, fy)
    mean = half.mean(axis=0)
    # JPEG's blocks put lines at multiples of 1/8 on the axes; so do the sensor's columns
    on_axis = (np.minimum(np.abs(fx), np.abs(fy)) < 1.5 / TILE_PX) & (_off_eighth(radius) < 2.5 / TILE_PX)
    asked = (radius > low) & (radius < high) & ~on_axis & ((fx > 0) | (fy > 0))
    over = np.where(asked, mean / _around(mean, radius), 0.0)
    j, i = np.unravel_index(over.argmax(), over.shape)
    if over[j, i] < LEAST_PEAK:
        return None
    power = _both_halves(half)
    if mean[j, i] < LEAST_ALONE * _beside(power.mean(axis=0), j, i):
        return None
    peaks = np.array([_peak(one, j, i) for one in power])
    middle = np.median(peaks, axis=0)
    near = np.linalg.norm(peaks - middle, axis=1) < max(AGREE * np.linalg.norm(middle), 0.6 / TILE_PX)
    if near.sum() < max(FEWEST_TILES, LEAST_AGREEING * len(peaks)):
        return None
    fx0, fy0 = peaks[near].mean(axis=0)
    axis, interval = _axis_and_interval(fx0, fy0, pixels_per_mm)
    edges = edge_direction(luminance, outline_px)
    if edges is None or abs(_between(axis, edges, 90.0)) > SAME_DEG:
        return None
    spread = np.std([_between(_axis_and_interval(x, y, 1.0)[0], axis, 180.0) for x, y in peaks[near]], ddof=1)
    doubt = [_between(other, axis, 180.0) for other, mm in
             (_axis_and_interval(fx0 + m, fy0 + n, pixels_per_mm) for m in (-1, 0, 1) for n in (-1, 0, 1) if m or n)
             if INTERVALS_MM[0] < mm < INTERVALS_MM[1] and abs(_between(other, edges, 90.0)) < SAME_DEG]
    sd = np.hypot(max(spread / np.sqrt(near.sum()), LEAST_SD_DEG), max(np.abs(doubt), default=0.0))
    return ScanRows(axis_deg=axis, axis_sd_deg=float(sd), tiles=int(near.sum()),
                    interval_mm=None if doubt else interval)


def edge_direction(luminance, outline_px) -> float | None:
    """Main direction of straight edges, from -45 up to 45 degrees (mod 90), or None where there is none."""
    x0, y0 = np.maximum(outline_px.min(axis=0), 0).astype(int)
    x1, y1 = outline_px.max(axis=0).astype(int) + 1
    shrink = max(1, max(x1 - x0, y1 - y0) // 700)
    part = cv2.resize(luminance[y0:y1, x0:x1], None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    log = cv2.GaussianBlur(np.log(np.maximum(part, 0.05 * float(part.mean()) + 1e-6)), (0, 0), 1.5)
    gx, gy = cv2.Sobel(log, cv2.CV_32F, 1, 0), cv2.Sobel(log, cv2.CV_32F, 0, 1)
    strength = np.hypot(gx, gy)
    strong = strength > np.percentile(strength, 90)
    angle = np.degrees(np.arctan2(-gy[strong], gx[strong])) % 90.0
    count = np.histogram(angle, bins=180, range=(0.0, 90.0), weights=strength[strong])[0]
    smooth = sum(np.roll(count, k) * w for k, w in ((-2, 1), (-1, 2), (0, 3), (1, 2), (2, 1)))
    best = int(smooth.argmax())
    if smooth[best] < LEAST_EDGES * smooth.mean():
        return None
    near = _between(angle, 0.5 * best + 0.25, 90.0)
    close = np.abs(near) < 2.0
    return float(_between(0.5 * best + 0.25 + np.average(near[close], weights=strength[strong][close]), 0.0, 90.0))


def _axis_and_interval(fx, fy, pixels_per_mm) -> tuple[float, float]:
    """Direction of rows of a spatial frequency, (-90, 90], and their interval in mm."""
    axis = float(np.degrees(np.arctan2(-fx, -fy)))
    return 90.0 - (90.0 - axis) % 180.0, float(1.0 / np.hypot(fx, fy) / pixels_per_mm)


def _between(one, other, turn) -> float:
    """Difference of two directions that are the same after `turn` degrees."""
    return (one - other + turn / 2) % turn - turn / 2


def _tiles(luminance, outline_px, most) -> NDArray[np.float32]:
    """Log light of tiles inside an outline, evenly chosen, shape (n, tile, tile)."""
    x0, y0 = np.maximum(np.ceil(outline_px.min(axis=0)), 0).astype(int)
    x1, y1 = np.minimum(np.floor(outline_px.max(axis=0)) + 1, luminance.shape[::-1]).astype(int)
    hull, half = outline_px.astype(np.float32), TILE_PX / 2
    corners = [(x, y) for y in range(y0, y1 - TILE_PX + 1, TILE_PX // 2)
               for x in range(x0, x1 - TILE_PX + 1, TILE_PX // 2)
               if cv2.pointPolygonTest(hull, (x + half, y + half), True) > half]
    keep = np.unique(np.linspace(0, len(corners) - 1, min(len(corners), most)).round().astype(int))
    parts = [luminance[y:y + TILE_PX, x:x + TILE_PX] for x, y in (corners[k] for k in keep)]
    logs = [np.log(np.maximum(part, 0.05 * float(part.mean()) + 1e-6)) for part in parts]
    return np.array([one - cv2.GaussianBlur(one, (0, 0), 6.0) for one in logs]).reshape(-1, TILE_PX, TILE_PX)


def _off_eighth(radius) -> NDArray[np.float64]:
    """Distance to the nearest multiple of 1/8."""
    return np.abs(radius - np.round(radius * 8) / 8)


def _around(mean, radius) -> NDArray[np.float64]:
    """Median power at about the same spatial frequency."""
    ring = np.round(radius * 64).astype(int)
    order = np.argsort(ring, axis=None, kind="stable")
    rings = np.split(mean.ravel()[order], np.cumsum(np.bincount(ring.ravel()))[:-1])
    medians = np.array([np.median(one) if one.size else np.inf for one in rings])
    return medians[ring] / np.log(2.0) + 1e-30            # the median of an exponential law is log 2 of its mean


def _both_halves(power) -> NDArray[np.float32]:
    """Power at all frequencies from that at none below 0 in x: a real picture's is the same at the opposite ones."""
    opposite = np.roll(power[:, ::-1, TILE_PX // 2 - 1:0:-1], 1, axis=1)
    return np.concatenate([power, opposite], axis=2)


def _beside(mean, j, i) -> float:
    """Highest power in a square ring around a bin."""
    away = np.arange(-8, 9)
    ring = np.maximum(np.abs(away)[:, None], np.abs(away)[None]) >= 5
    return float(mean[np.ix_((j + away) % TILE_PX, (i + away) % TILE_PX)][ring].max())


def _peak(power, j, i) -> tuple[float, float]:
    """Place (fx, fy) of a tile's highest bin near a bin, by parabolas through the log of its neighbours."""
    rows, columns = np.arange(j - 2, j + 3) % TILE_PX, np.arange(i - 2, i + 3) % TILE_PX
    a, b = np.unravel_index(power[np.ix_(rows, columns)].argmax(), (5, 5))
    row, column = rows[a], columns[b]

    def at(down, right):
        return power[(row + down) % TILE_PX, (column + right) % TILE_PX]
    x = column + _vertex(at(0, -1), at(0, 0), at(0, 1))
    y = row + _vertex(at(-1, 0), at(0, 0), at(1, 0))
    return tuple(((v + TILE_PX / 2) % TILE_PX - TILE_PX / 2) / TILE_PX for v in (x, y))


def _vertex(before, top, after) -> float:
    """Vertex of the parabola through the logs of three neighbours, from the middle one."""
    a, b, c = np.log(np.maximum([before, top, after], 1e-30))
    bend = a - 2 * b + c
    return float(np.clip(0.5 * (a - c) / bend, -0.7, 0.7)) if bend < 0 else 0.0
