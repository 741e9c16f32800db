"""Wood as a random field in log reflectance, on a millimetre grid.

Fibres are coloured noise drawn out along the grain; growth rings are a renewal
process with log-normal, autoregressive widths (Matalas 1962 finds both in tree
rings) and a sharp latewood edge; a crossed pattern is a lower ply that shows
through where the upper one is burnt away.
"""
from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.simulate.spec import GrainSpec

__all__ = ["coloured_noise", "grain_field", "ring_widths", "smooth_noise"]

CONTRAST_TO_RMS = 1.0 / (100.0 * 2.0 * np.sqrt(2.0))   # peak to peak of the cosine with the same rms


def grain_field(grain: GrainSpec, shape: tuple[int, int], samples_per_mm: float,
                rng: np.random.Generator) -> NDArray[np.float32]:
    """Log-reflectance deviation of one grain component.

    Parameters
    ----------
    grain : GrainSpec
    shape : (rows, columns)
    samples_per_mm : float
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (rows, columns), float32
        Mean 0; for "plain", "rings", "crossed" and "pores" the rms is
        `contrast_percent` / (100 x 2 sqrt 2). Knots and rays take
        `contrast_percent` as the darkening of their middle, in %.

    Raises
    ------
    ValueError
        Unknown kind.
    """
    makers = {"plain": _plain, "rings": _rings, "crossed": _crossed, "knots": _knots, "rays": _rays,
              "pores": _pores}
    if grain.kind not in makers:
        raise ValueError(f"unknown grain kind {grain.kind!r}; known: {', '.join(makers)}")
    field = makers[grain.kind](grain, shape, samples_per_mm, rng)
    if grain.kind in ("knots", "rays"):
        return field
    if grain.unevenness > 0:
        field = field * np.exp(grain.unevenness * smooth_noise(shape, 12.0 * samples_per_mm, rng))
    field -= np.float32(field.mean())
    return field * np.float32(grain.contrast_percent * CONTRAST_TO_RMS / max(float(field.std()), 1e-9))


def coloured_noise(shape: tuple[int, int], samples_per_mm: float, rng: np.random.Generator, *, slope: float,
                   longest_mm: float, elongation: float = 1.0, angle_deg: float = 0.0) -> NDArray[np.float32]:
    """Unit-variance noise whose power density falls as k ** -(slope + 1) above 1 / `longest_mm`.

    k is the elliptical wavenumber: the component along the grain counts
    `elongation` times. A cut across the grain has a density falling as
    about k ** -slope.
    """
    rows, columns = (int(n) for n in shape)
    height, width = fft.next_fast_len(rows, real=True), fft.next_fast_len(columns, real=True)
    gain = _gain(height, width, float(samples_per_mm), float(slope), float(longest_mm), float(elongation),
                 float(angle_deg))
    spectrum = fft.rfft2(rng.standard_normal((height, width), dtype=np.float32), workers=2)
    spectrum *= gain
    field = fft.irfft2(spectrum, s=(height, width), workers=2)[:rows, :columns]
    return (field / max(float(field.std()), 1e-12)).astype(np.float32, copy=False)


@lru_cache(maxsize=6)
def _gain(height, width, samples_per_mm, slope, longest_mm, elongation, angle_deg) -> NDArray[np.float32]:
    """Amplitude filter of `coloured_noise`; thousands of texture cases share a few of them."""
    fx = fft.rfftfreq(width, 1 / samples_per_mm).astype(np.float32)[None, :]
    fy = fft.fftfreq(height, 1 / samples_per_mm).astype(np.float32)[:, None]
    a = np.deg2rad(angle_deg)
    along = fx * np.float32(np.cos(a)) - fy * np.float32(np.sin(a))      # y is down
    across = fx * np.float32(np.sin(a)) + fy * np.float32(np.cos(a))
    k2 = across * across + (np.float32(elongation) * along) ** 2
    gain = (k2 + np.float32(longest_mm) ** -2) ** np.float32(-(slope + 1) / 4)
    gain[0, 0] = 0
    gain.setflags(write=False)
    return gain


def smooth_noise(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Unit-variance noise with features of about `scale` samples."""
    rows, columns = shape
    step = max(scale / 3.0, 1.0)
    small = rng.standard_normal((int(rows / step) + 14, int(columns / step) + 14), dtype=np.float32)
    small = cv2.GaussianBlur(small, (0, 0), 1.5)[4:-4, 4:-4]
    small = (small - small.mean()) / max(float(small.std()), 1e-9)
    if step <= 1.0:
        return np.ascontiguousarray(small[2:2 + rows, 2:2 + columns])
    matrix = np.array([[1 / step, 0, 2], [0, 1 / step, 2]])
    return cv2.warpAffine(small, matrix, (columns, rows), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
                          borderMode=cv2.BORDER_REFLECT)


def ring_widths(mean_mm: float, variation: float, total_mm: float, rng: np.random.Generator,
                autoregression: float = 0.0) -> NDArray[np.float64]:
    """Widths of growth rings that cover at least `total_mm`: log-normal with AR(1) in the logarithm.

    Returns
    -------
    ndarray, shape (n,)
        Mean `mean_mm`, coefficient of variation `variation` (of the process).
    """
    if mean_mm <= 0 or variation < 0 or not -1 < autoregression < 1:
        raise ValueError("ring widths need a positive mean, a variation of 0 or more, |autoregression| < 1")
    sigma = np.sqrt(np.log1p(variation ** 2))
    n = int(total_mm / mean_mm * (1 + 2 * variation)) + 12
    widths: list[float] = []
    log = sigma * rng.standard_normal()
    innovation = sigma * np.sqrt(1 - autoregression ** 2)
    while True:
        for step in rng.standard_normal(n):
            widths.append(mean_mm * float(np.exp(log - sigma ** 2 / 2)))
            log = autoregression * log + innovation * step
        if sum(widths) >= total_mm:
            return np.array(widths)


def _coordinates(shape, samples_per_mm, angle_deg):
    """Distance across the lines, mm, from the middle of the field (rows, columns)."""
    rows, columns = shape
    a = np.deg2rad(angle_deg)
    x = ((np.arange(columns) - columns / 2) / samples_per_mm).astype(np.float32)
    y = ((np.arange(rows) - rows / 2) / samples_per_mm).astype(np.float32)
    # The lines run along (cos a, -sin a); the normal is (sin a, cos a).
    return x[None, :] * np.float32(np.sin(a)) + y[:, None] * np.float32(np.cos(a))


def _plain(grain, shape, s, rng):
    """Fine fibres."""
    return coloured_noise(shape, s, rng, slope=grain.slope, longest_mm=max(grain.spacing_mm, 0.3),
                          elongation=grain.elongation, angle_deg=grain.angle_deg)


def _pores(grain, shape, s, rng):
    """Short dark dashes along the grain: the upper tail of drawn-out noise."""
    field = coloured_noise(shape, s, rng, slope=0.4, longest_mm=0.3, elongation=grain.elongation,
                           angle_deg=grain.angle_deg)
    return -np.maximum(field - np.float32(1.2), 0)


def _rings(grain, shape, s, rng):
    """Growth rings: a table of the ring profile looked up by the distance across the (slowly wavy) lines."""
    u = _coordinates(shape, s, grain.angle_deg)
    if grain.waviness_mm > 0:
        # Lines bend slowly along themselves and hardly at all against each other.
        coarse = (max(8, shape[0] // 8), max(8, shape[1] // 8))
        bend = coloured_noise(coarse, s / 8, rng, slope=4.5, longest_mm=80.0, elongation=0.6,
                              angle_deg=grain.angle_deg)
        u = u + np.float32(grain.waviness_mm) * cv2.resize(bend, shape[::-1], interpolation=cv2.INTER_CUBIC)
    low, high = float(u.min()) - 2.0, float(u.max()) + 2.0
    table, step = _ring_profile(grain, high - low, rng)
    index = (u - np.float32(low)) * np.float32(1 / step)
    return _look_up(table, index)


def _ring_profile(grain, total_mm, rng):
    """Profile across rings on a fine grid: earlywood, latewood ramp, sharp edge; each ring its own depth."""
    step = max(min(grain.sharpness_mm / 4, 0.02), 0.005)
    widths = ring_widths(grain.spacing_mm, grain.spacing_variation, total_mm + 3 * grain.spacing_mm, rng,
                         grain.autoregression)
    edges = np.concatenate([[0.0], np.cumsum(widths)]) - rng.uniform(0, grain.spacing_mm)
    position = np.arange(int(total_mm / step) + 2) * step
    ring = np.clip(np.searchsorted(edges, position, side="right") - 1, 0, len(widths) - 1)
    share = (position - edges[ring]) / widths[ring]
    late = np.clip((share - (1 - grain.latewood_fraction)) / grain.latewood_fraction, 0, 1)
    depth = np.exp(0.25 * rng.standard_normal(len(widths)))[ring]
    table = (-late ** 1.5 * depth).astype(np.float32)
    table = cv2.GaussianBlur(table.reshape(1, -1), (0, 0), max(grain.sharpness_mm / step, 0.5)).ravel()
    return table, step


def _look_up(table, index):
    """Linear interpolation in a table; NumPy's own `interp` works in double precision and is slower."""
    index = np.clip(index, 0, len(table) - 1.001)
    whole = index.astype(np.int32)
    part = index - whole
    return table[whole] * (1 - part) + table[whole + 1] * part


def _crossed(grain, shape, s, rng):
    """Upper fibres, patches broken through to a lower ply with grain square to it, resin, missing slivers."""
    a = grain.angle_deg
    upper = coloured_noise(shape, s, rng, slope=grain.slope, longest_mm=max(grain.spacing_mm, 0.3),
                           elongation=grain.elongation, angle_deg=a)
    lower = coloured_noise(shape, s, rng, slope=grain.slope, longest_mm=max(grain.spacing_mm, 0.3),
                           elongation=grain.elongation, angle_deg=a + 90.0)
    # Checks of the peeling lathe: dark lines along the lower grain, unequal distances.
    checks = coloured_noise(shape, s, rng, slope=0.8, longest_mm=1.5, elongation=25.0, angle_deg=a + 90.0)
    lower = lower + 1.2 * np.minimum(checks + 1.0, 0)
    coarse = (max(8, shape[0] // 4), max(8, shape[1] // 4))
    patches = coloured_noise(coarse, s / 4, rng, slope=2.2, longest_mm=9.0, elongation=2.5, angle_deg=a)
    bar = np.quantile(patches, 1 - grain.coverage)
    patches = cv2.resize(patches, shape[::-1], interpolation=cv2.INTER_CUBIC)
    ragged = patches + 0.18 * upper
    through = 1 / (1 + np.exp(-np.clip((ragged - np.float32(bar)) * 14, -30, 30)))
    field = upper * (1 - through) + (1.3 * lower + np.float32(0.5)) * through
    # Slivers of the upper ply stay or go at the rim.
    rim = through * (1 - through) * 4
    field = field + rim * np.where(upper > 0.3, np.float32(1.2), np.float32(-0.6))
    for _ in range(grain.count):
        field = field - _blotch(shape, s, rng, rng.uniform(1.5, 6.0))
    return field.astype(np.float32, copy=False)


def _blotch(shape, s, rng, size_mm):
    """One resin blotch: a soft dark ellipse."""
    rows, columns = shape
    cy, cx = rng.uniform(0, rows), rng.uniform(0, columns)
    stretch = rng.uniform(1.2, 3.0)
    y = ((np.arange(rows) - cy) / (s * size_mm)).astype(np.float32)[:, None]
    x = ((np.arange(columns) - cx) / (s * size_mm * stretch)).astype(np.float32)[None, :]
    return np.float32(rng.uniform(0.5, 1.5)) * np.exp(-0.5 * (x * x + y * y) ** 2)


def _knots(grain, shape, s, rng):
    """Knots: dark ellipses with rings of their own."""
    rows, columns = shape
    field = np.zeros(shape, np.float32)
    for _ in range(grain.count):
        radius = rng.uniform(1.5, 5.0)
        y0, x0 = int(rng.uniform(0, rows)), int(rng.uniform(0, columns))
        reach = int(3 * radius * s)
        ys, ye = max(0, y0 - reach), min(rows, y0 + reach)
        xs, xe = max(0, x0 - reach), min(columns, x0 + reach)
        y = ((np.arange(ys, ye) - y0) / s).astype(np.float32)[:, None]
        x = ((np.arange(xs, xe) - x0) / s).astype(np.float32)[None, :] / np.float32(rng.uniform(1.0, 1.8))
        r = np.hypot(x, y) * (1 + 0.08 * np.sin(3 * np.arctan2(y, x) + rng.uniform(0, 6)))
        body = 1 / (1 + np.exp(np.clip((r - radius) * 5, -30, 30)))
        rings = 1 + 0.25 * np.sin(2 * np.pi * r / rng.uniform(0.4, 0.8))
        field[ys:ye, xs:xe] -= np.float32(grain.contrast_percent / 100) * body * rings
    return field


def _rays(grain, shape, s, rng):
    """Ray flecks: short pale dashes square to the grain."""
    field = coloured_noise(shape, s, rng, slope=0.5, longest_mm=0.6, elongation=grain.elongation,
                           angle_deg=grain.angle_deg + 90.0)
    return np.float32(grain.contrast_percent / 100) * np.maximum(field - np.float32(1.8), 0)
