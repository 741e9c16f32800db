"""What a patch can prove before it is engraved: which periods, at which contrast, from how sharp a photo.

Boards with typical grain are simulated at the patch's size and the photo's
resolution, and the very search and odds that judge photos say what they would
have found. The closed forms beside it are the best that physics allows for
plain white noise: they bound, they do not promise.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.errors import PhotoError
from analysis.flatten import Texture
from analysis.simulate import GrainSpec, grain_field
from analysis.stripes import find_stripes

__all__ = ["Provable", "ideal_contrast_percent", "ideal_period_sd_mm", "provable"]

NONCENTRALITY = 20.650     # of a chi-square with 2 degrees, found 95 % of the time at 1 % false alarms
PX_PER_PERIOD = 6.0        # finer stripes lose their contrast in the photo; common practice, no source
SURE_PERIODS = 8.0         # with fewer in view, stripes and rings of 10 % variation look alike
MOST_PER_MM = 12.0
BLUR_PX = 0.7              # s.d. of a sharp phone photo; common practice, no source
SHADE_NOISE = 0.01         # of one pixel, relative, in good light; common practice, no source
SHORTEST_MM = 0.15
GRAINS = {
    "fibres along the scan": (GrainSpec(kind="plain", angle_deg=0.0),),
    "fibres square to the scan": (GrainSpec(kind="plain", angle_deg=90.0),),
    "growth rings almost in line with the stripes": (
        GrainSpec(kind="plain", angle_deg=87.0, contrast_percent=3.0),
        GrainSpec(kind="rings", angle_deg=87.0, spacing_mm=1.8, spacing_variation=0.25)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Provable:
    """What one patch can prove, for each kind of grain and the worst of them."""

    shortest_mm: float                     # the photo keeps the contrast down to this period
    longest_mm: float                      # the patch holds enough periods up to this one
    curve: tuple[tuple[float, float], ...]           # (period_mm, contrast_percent), middle kind of grain
    worst_curve: tuple[tuple[float, float], ...]     # the same in the kind that hides it best
    by_grain: tuple[tuple[str, tuple[tuple[float, float], ...]], ...]
    px_per_mm: float
    grain_percent: float
    seed: int


def provable(width_mm: float, height_mm: float, px_per_mm: float, *, grain_percent: float = 5.0,
             boards: int = 2, seed: int = 7) -> Provable:
    """Smallest contrast that a patch proves, found nine times in ten by the search that judges photos.

    Parameters
    ----------
    width_mm, height_mm : float
        Of the analysed part; width along the scan axis.
    px_per_mm : float
        Photo pixels for each mm of the piece.
    grain_percent : float, default 5
        Contrast of the board's grain; deeper engraving brings out more of it.
    boards : int, default 2
        Simulated boards for each kind of grain; the one that hides most counts, since boards differ.
    seed : int
        Of the boards.

    Returns
    -------
    Provable

    Raises
    ------
    PhotoError
        The patch is too small, or the photo too coarse, to prove any period.
    ValueError
        A number that is not positive.

    Notes
    -----
    Of 72 other simulated boards with a stripe of the stated contrast, 65 were found: each board's own
    limit is right 95 % of the time, but boards differ.
    """
    if not all(np.isfinite(v) and v > 0 for v in (width_mm, height_mm, px_per_mm, grain_percent, boards)):
        raise ValueError("sizes, resolution, grain and boards must be positive numbers")
    shortest = max(SHORTEST_MM, PX_PER_PERIOD / px_per_mm)
    longest = width_mm / SURE_PERIODS
    if shortest >= longest or height_mm < 4.0:
        raise PhotoError(f"A patch of {width_mm:g} x {height_mm:g} mm at {px_per_mm:.3g} pixels per mm "
                         "proves nothing. Make it longer, or photograph from nearer.")
    found = []
    for name, parts in GRAINS.items():
        runs = [_limits(parts, width_mm, height_mm, px_per_mm, grain_percent, [seed, k])
                for k in range(boards)]
        periods = runs[0][0]
        found.append((name, periods, np.max([limit for _, limit in runs], axis=0)))
    periods = found[0][1]
    keep = (periods >= 0.999 * shortest) & (periods <= 1.001 * longest)
    table = np.array([limit for _, _, limit in found])

    def curve(limits):
        return tuple((float(p), float(c)) for p, c in zip(periods[keep], limits[keep], strict=True))
    return Provable(shortest_mm=shortest, longest_mm=longest, curve=curve(np.median(table, axis=0)),
                    worst_curve=curve(table.max(axis=0)),
                    by_grain=tuple((name, curve(limit)) for name, _, limit in found),
                    px_per_mm=float(px_per_mm), grain_percent=float(grain_percent), seed=seed)


def ideal_contrast_percent(noise_sd: float, samples: float) -> float:
    """Contrast that a filter which knows period, angle and noise finds 95 % of the time at 1 % false alarms.

    Parameters
    ----------
    noise_sd : float
        White, relative, of one sample.
    samples : float
        Independent samples of the region.

    Notes
    -----
    a^2 N / (2 s^2) is the noncentrality of a chi-square with 2 degrees of
    freedom; 20.650 gives 95 %. Peak to peak is twice the amplitude.
    """
    return 200.0 * noise_sd * float(np.sqrt(2.0 * NONCENTRALITY / samples))


def ideal_period_sd_mm(period_mm: float, contrast_percent: float, noise_sd: float, columns: int, rows: int,
                       samples_per_mm: float) -> float:
    """Cramer-Rao bound of a period in white noise.

    References
    ----------
    .. [1] D. C. Rife, R. R. Boorstyn, "Single-tone parameter estimation from discrete-time observations",
           IEEE Trans. Inf. Theory 20(5), 591-598 (1974). doi:10.1109/TIT.1974.1055282
    """
    amplitude = contrast_percent / 200.0
    variance = 24.0 * noise_sd ** 2 / (amplitude ** 2 * columns * rows * (columns ** 2 - 1.0))
    return float(period_mm ** 2 * samples_per_mm * np.sqrt(variance) / (2.0 * np.pi))


def _limits(parts, width, height, px_per_mm, grain_percent, seed) -> tuple[NDArray, NDArray]:
    """Periods and contrasts found on one simulated board, the photo's blur put back in."""
    s = float(min(px_per_mm, MOST_PER_MM))
    shape = (max(16, round(height * s)), max(16, round(width * s)))
    rng = np.random.default_rng(seed)
    field = sum(grain_field(part, shape, s, rng) for part in parts)
    field *= np.float32(grain_percent / (100.0 * np.sqrt(8.0) * max(float(field.std()), 1e-9)))
    blur = BLUR_PX * s / px_per_mm
    field = cv2.GaussianBlur(field, (0, 0), blur) if blur > 0.3 else field
    # Averaging photo pixels to samples averages their noise down.
    field += np.float32(SHADE_NOISE * s / px_per_mm) * rng.standard_normal(shape, dtype=np.float32)
    field -= np.float32(field.mean())
    texture = Texture(name="board", log_reflectance=field, weight=np.ones(shape, np.float32),
                      trend=np.zeros((2, 2), np.float32), samples_per_mm=s,
                      origin_mm=(0.0, 0.0), scale_known=True, longest_period_mm=width / 4.0,
                      artwork_fraction=0.0)
    periods, limits = np.array(find_stripes(texture).detection_limit_curve).T
    return periods, limits / np.exp(-2.0 * (np.pi * blur / (s * periods)) ** 2)
