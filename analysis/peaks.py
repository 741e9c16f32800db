"""Where in the wavenumber plane a line may be: the summits that stand out most, and the listed spacings."""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.plane import STEEPEST_DEG, Plane

__all__ = ["FEWEST_PERIODS", "find_peaks", "listed_peaks", "listed_reach", "lowest_per_mm", "near_square",
           "search_wedge"]

FEWEST_PERIODS = 4.0       # a quarter of the piece is the longest period searched
PEAKS_TRIED = 8
SIDE_LOBE = 0.12           # of a line's power: the Tukey window's side lobes lie below


def lowest_per_mm(plane: Plane) -> float:
    """Lowest frequency searched, cycles per mm."""
    return FEWEST_PERIODS * plane.cell_x_per_mm


def near_square(plane: Plane) -> NDArray[np.bool_]:
    """Cells of the plane whose waves run within `STEEPEST_DEG` of the scan axis."""
    fx, fy = plane.fx_per_mm[:, None], plane.fy_per_mm[None, :]
    return np.abs(fy) <= fx * np.tan(np.radians(STEEPEST_DEG)) + 0.25 * plane.cell_y_per_mm


def search_wedge(plane: Plane) -> NDArray[np.bool_]:
    """Cells of the plane that are searched: those from the lowest frequency on."""
    return near_square(plane) & (plane.fx_per_mm[:, None] >= lowest_per_mm(plane))


def find_peaks(plane: Plane) -> list[tuple[float, float]]:
    """Highest peaks of the plane within the wedge, by both statistics, as (fx, fy)."""
    wedge = search_wedge(plane)

    # Only summits of the power or of it over its own column's flanks (a ridge of rings one column further must not
    # hide a line), and none so low over those flanks that it may be a side lobe of a strong line beside it.
    def highest_within(cells, field):
        size = [max(3, 2 * round(cells * cell / (f[1] - f[0])) + 1) for cell, f in (
            (plane.cell_x_per_mm, plane.fx_per_mm), (plane.cell_y_per_mm, plane.fy_per_mm))]
        return cv2.dilate(field, np.ones(size, np.uint8))

    over_flanks = plane.power / plane.local
    wedge &= (plane.power >= highest_within(1.0, plane.power)) | (over_flanks >= highest_within(1.0, over_flanks))
    wedge &= over_flanks >= SIDE_LOBE * highest_within(2.0, over_flanks)
    over_noise = np.where(wedge, plane.noise_count * np.log1p(plane.power / plane.noise / plane.noise_count), 0.0)
    over_rings = np.where(wedge, plane.power / plane.ring, 0.0)
    taken: list[tuple[float, float]] = []
    for score, share in ((over_rings, PEAKS_TRIED // 2), (over_noise, PEAKS_TRIED)):
        high = np.flatnonzero(score >= 2.0)
        for flat in high[np.argsort(score.flat[high])[::-1]][:PEAKS_TRIED]:
            i, j = np.unravel_index(flat, score.shape)
            peak = (float(plane.fx_per_mm[i]), float(plane.fy_per_mm[j]))
            if len(taken) < share and peak not in taken:
                taken.append(peak)
    return taken


def listed_peaks(plane: Plane, listed_mm, scale_sd_fraction: float = 0.0) -> list[tuple[float, float, float]]:
    """The highest point across the scan at each listed period: (fx, fy, how far fx may lie from there)."""
    peaks = []
    for period, sd in listed_mm:
        f = 1.0 / period
        row = int(np.argmin(np.abs(plane.fx_per_mm - f)))
        columns = np.flatnonzero(np.abs(plane.fy_per_mm) <= f * np.tan(np.radians(STEEPEST_DEG))
                                 + 0.25 * plane.cell_y_per_mm)
        if lowest_per_mm(plane) <= f <= plane.fx_per_mm[-1] and columns.size:
            fy = float(plane.fy_per_mm[columns[np.argmax(plane.power[row, columns])]])
            peaks.append((f, fy, listed_reach(f, sd, scale_sd_fraction)))
    return peaks


def listed_reach(frequency: float, sd_mm: float, scale_sd_fraction: float) -> float:
    """Two s.d. of a listed frequency: its own and that of the photo's scale, cycles per mm."""
    return 2.0 * frequency * float(np.hypot(sd_mm * frequency, scale_sd_fraction))
