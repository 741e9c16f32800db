"""Grain of the material: orientation, spacing and how unequal the spacing is.

The angle is that of the grain lines, anticlockwise from the scan axis as the
piece is seen (y is down). Lines square to the scan axis have 90 degrees: those
are the ones that look like a machine's stripes.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.flatten import Texture
from analysis.grain_lines import ring_spacing
from analysis.grain_spectrum import AngularSpectrum, angular_spectrum, directions, line_angle_deg
from analysis.resample import block_means

__all__ = ["GrainField", "measure_grain"]

MAP_MM = 2.0
BLOCK_MM = 6.0             # cells of the bootstrap: local contrast is alike over this distance
FINEST_PER_MM = 12.0       # more samples than this show no grain that a phone photo resolves
SHAPE_PER_MM = 10.0        # sampling at which angles and spacing are measured
MOST_SAMPLES = 1.6e6
RESAMPLES = 300
SEED = 20                  # of the bootstrap
TO_PERCENT = 200.0 * np.sqrt(2.0)      # rms of log reflectance to peak to peak of the cosine with that rms
LEAST_PERCENT = 0.3        # below this a phone's processing shapes the texture; common practice, no source
EVEN_SPACING = 0.06        # growth rings are never this even: planer or sanding marks, or a drive


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainField:
    """Grain of one texture after the stripes are taken out; intervals are 95 %."""

    angle_deg: float | None                # of the grain lines from the scan axis, anticlockwise, (-90, 90]
    angle_spread_deg: float | None         # circular s.d. of local angles about the nearest of `directions`
    contrast_percent: float                # 2 sqrt 2 rms of the oriented texture / mean reflectance
    contrast_interval_percent: tuple[float, float]
    spacing_mm: float | None
    spacing_variation: float | None        # coefficient of variation of the spacing
    directions: tuple[tuple[float, float], ...]      # (angle_deg, share of oriented energy), strongest first
    map_percent: NDArray[np.float32]       # (r, c) local grain contrast, NaN where no data
    map_angle_deg: NDArray[np.float32]     # (r, c) local line direction
    map_step_mm: float
    notes: tuple[str, ...] = ()


def measure_grain(texture: Texture, *, stripe_model: NDArray[np.float32] | None = None,
                  map_step_mm: float | None = None) -> GrainField:
    """Measure the oriented texture that is left when the stripes are taken out.

    Parameters
    ----------
    texture : Texture
    stripe_model : ndarray, shape (rows, columns), optional
        The fitted stripes in log reflectance, subtracted first.
    map_step_mm : float, optional
        Cell of the maps; cell [0, 0] begins at the texture's origin. 2 mm by
        default, or an eightieth of the longer side where no scale is known.

    Returns
    -------
    GrainField
        What cannot be told is None, with the reason in `notes`.

    Raises
    ------
    ValueError
        `stripe_model` of another shape, or a `map_step_mm` that is not positive.

    Notes
    -----
    The contrast counts what rises above the quietest 60 degree sector at each
    spatial frequency, so camera noise and mottle without a direction do not
    enter; its interval is a bootstrap over cells of 6 mm. The local angle is
    that of the structure tensor, in which noise without a direction cancels.

    References
    ----------
    .. [1] J. Bigun, G. H. Granlund, "Optimal orientation detection of linear
           symmetry", Proc. First ICCV, 433-438 (1987).
    """
    if stripe_model is not None and stripe_model.shape != texture.log_reflectance.shape:
        raise ValueError(f"stripe_model has shape {stripe_model.shape}, "
                         f"texture {texture.log_reflectance.shape}")
    if map_step_mm is not None and not map_step_mm > 0:
        raise ValueError(f"map_step_mm must be positive, got {map_step_mm}")
    s = texture.samples_per_mm
    unit = 1.0 if texture.scale_known else max(texture.weight.shape) / s / 80.0    # stands for 1 mm
    step = map_step_mm or MAP_MM * unit
    mask = (texture.weight > 0).astype(np.float32)
    value = texture.log_reflectance                                  # 0 where the mask is
    if stripe_model is not None:
        value = value - stripe_model
        value *= mask
    most = min(FINEST_PER_MM / unit, np.sqrt(MOST_SAMPLES / mask.size) * s)
    value, mask, s = _shrunk(value, mask, s, most)
    spectrum = angular_spectrum(value, mask, s)
    contrast = TO_PERCENT * np.sqrt(spectrum.oriented_variance)
    interval = _interval(value, mask, max(2, round(BLOCK_MM * unit * s)), spectrum)
    map_percent = _contrast_map(value, mask, step * s, spectrum)
    value, mask, s = _shrunk(value, mask, s, SHAPE_PER_MM / unit)
    map_angle, pull = _angle_map(value, mask, step * s, map_percent.shape)
    found = directions(spectrum)
    notes: list[str] = []
    angle = spread = spacing = variation = None
    if not found or contrast < LEAST_PERCENT:
        found = ()
        notes.append("The grain is too faint, or has no direction, so neither its angle nor its spacing "
                     "is stated.")
    else:
        angle = found[0][0]
        spread = _spread(map_angle, pull, found)
        spacing, variation, why = ring_spacing(value, mask, s, angle, unit_mm=unit)
        notes += [why] if why else []
        if variation is not None and variation < EVEN_SPACING:
            notes.append("The lines stand at nearly equal distances, which growth rings do not: planer or "
                         "sanding marks, or a machine. A photo of the bare board would tell.")
    for array in (map_percent, map_angle):
        array.setflags(write=False)
    return GrainField(angle_deg=angle, angle_spread_deg=spread, contrast_percent=float(contrast),
                      contrast_interval_percent=interval, spacing_mm=spacing, spacing_variation=variation,
                      directions=found, map_percent=map_percent, map_angle_deg=map_angle,
                      map_step_mm=float(step), notes=tuple(notes))


def _shrunk(value, mask, s, most_per_mm):
    """Area average to about `most_per_mm`; masked samples count nothing."""
    factor = int(np.floor(s / most_per_mm + 0.5))
    if factor < 2:
        return value, mask, s
    share, mean = block_means(mask, factor), block_means(value, factor)
    good = share > 0.5
    return np.where(good, mean / np.maximum(share, 0.5), np.float32(0)), good.astype(np.float32), s / factor


def _block_sums(array, cell, shape=None):
    """Add up square cells with a side of `cell` samples, which need not be whole; shape (r, c)."""
    rows, columns = array.shape
    r, c = shape or (max(1, int(rows / cell)), max(1, int(columns / cell)))
    at_r = np.minimum(np.round(np.arange(r) * cell).astype(int), rows - 1)
    at_c = np.minimum(np.round(np.arange(c) * cell).astype(int), columns - 1)
    return np.add.reduceat(np.add.reduceat(array, at_c, axis=1), at_r, axis=0)


def _interval(value, mask, cell, spectrum: AngularSpectrum) -> tuple[float, float]:
    """Bootstrap over cells of the local variance, with the doubt about what has no direction."""
    count = _block_sums(mask, cell).ravel()
    square = _block_sums(value * value, cell).ravel()
    keep = count > 0.1 * cell * cell
    count, square = count[keep], square[keep]
    whole = square.sum() / max(count.sum(), 1e-9)
    if keep.sum() < 4 or whole <= 0:
        return 0.0, float(TO_PERCENT * np.sqrt(max(whole, 0.0)))
    rng = np.random.default_rng(SEED)
    cells = int(keep.sum())
    drawn = rng.multinomial(cells, np.full(cells, 1.0 / cells), size=RESAMPLES)
    ratio = (drawn @ square) / np.maximum(drawn @ count, 1e-9) / whole
    doubt = float(np.sqrt(np.sum(spectrum.isotropic_sd ** 2)))
    noise = spectrum.noise.sum() + doubt * rng.standard_normal(RESAMPLES)
    variance = np.maximum(ratio * spectrum.variance - noise, 0.0) * spectrum.oriented_share
    low, high = TO_PERCENT * np.sqrt(np.percentile(variance, [2.5, 97.5]))
    middle = TO_PERCENT * np.sqrt(spectrum.oriented_variance)
    return float(min(low, middle)), float(max(high, middle))


def _contrast_map(value, mask, cell, spectrum: AngularSpectrum) -> NDArray[np.float32]:
    """Local contrast of the oriented texture, smoothed over about three cells; NaN where no data."""
    count, square = _block_sums(mask, cell), _block_sums(value * value, cell)
    whole = square.sum() / max(count.sum(), 1e-9)
    # Camera noise is the same all over the piece; what else has no direction goes with the grain.
    noise = whole * spectrum.noise.sum() / max(spectrum.variance, 1e-30)
    smooth_count = cv2.GaussianBlur(count, (0, 0), 1.0)
    variance = cv2.GaussianBlur(square, (0, 0), 1.0) / np.maximum(smooth_count, 1e-6) - np.float32(noise)
    percent = TO_PERCENT * np.sqrt(np.maximum(variance, 0.0) * spectrum.oriented_share)
    return np.where(count > 0.15 * cell * cell, percent, np.nan).astype(np.float32)


def _angle_map(value, mask, cell, shape) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Local line angle by the structure tensor, and its directed part; NaN and 0 where no data."""
    smooth = cv2.GaussianBlur(value, (0, 0), 1.0)
    # A gradient counts where its whole neighbourhood has data, so that the rim of a hole is no line.
    inside = cv2.erode(mask, np.ones((7, 7), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0) * inside
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1) * inside
    tensor = [cv2.GaussianBlur(_block_sums(part, cell, shape), (0, 0), 1.0)
              for part in (gx * gx - gy * gy, 2 * gx * gy, inside)]
    count = np.maximum(tensor[2], 1e-6)
    normal = 0.5 * np.degrees(np.arctan2(tensor[1], tensor[0]))
    # The gradient points along (cos n, sin n) with y down; the line with that normal is at 90 - n.
    angle = line_angle_deg(90.0 - normal)
    good = tensor[2] > 0.1 * cell * cell
    pull = np.where(good, np.hypot(tensor[0], tensor[1]) / count, 0.0)
    return np.where(good, angle, np.nan).astype(np.float32), pull.astype(np.float32)


def _spread(map_angle, pull, found) -> float | None:
    """Circular s.d. of the local directions, each from the nearest of the found directions."""
    good = np.isfinite(map_angle) & (pull > 0)
    if good.sum() < 4:
        return None
    away = np.array([line_angle_deg(map_angle[good] - angle) for angle, _ in found])
    away = np.take_along_axis(away, np.argmin(np.abs(away), axis=0)[None], axis=0)[0]
    length = np.abs(np.average(np.exp(2j * np.radians(away)), weights=pull[good]))
    return float(0.5 * np.degrees(np.sqrt(-2.0 * np.log(min(max(length, 1e-12), 1.0)))))
