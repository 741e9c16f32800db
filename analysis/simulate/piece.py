"""An engraved board as reflectance on a millimetre grid; stripes stay a formula until they are sampled."""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.simulate.artwork import artwork_cover, mark_clearing, step_scale
from analysis.simulate.spec import PieceSpec, StripeSpec
from analysis.simulate.texture import grain_field, smooth_noise

__all__ = ["board_origin_mm", "board_size_mm", "board_without_stripes", "engraved_factor", "render_piece",
           "stripe_modulation"]


def stripe_modulation(stripe: StripeSpec, x_mm: NDArray[np.float32], y_mm: NDArray[np.float32],
                      centre_mm: tuple[float, float] = (0.0, 0.0)) -> NDArray[np.float32]:
    """Deviation from 1 that a stripe multiplies the reflectance by, at points in mm.

    Parameters
    ----------
    stripe : StripeSpec
    x_mm, y_mm : ndarray, float32
        Points that broadcast together; y is down.
    centre_mm : (x, y)
        Where the period is the stated one, if it drifts.

    Returns
    -------
    ndarray, float32
        contrast/200 times the sum of a_k cos(k (2 pi f.r + phase)), a_1 = 1.

    Notes
    -----
    With a drift of d % per 100 mm the period is p (1 + d (u - c) / 10^4) at
    distance u along the normal, so the phase is 2 pi (u - d (u - c)^2 / 2 x 10^4) / p
    to first order in d.
    """
    a = np.deg2rad(stripe.angle_deg)
    cosine, sine = np.float32(np.cos(a)), np.float32(np.sin(a))
    u = x_mm * cosine - y_mm * sine
    if stripe.drift_percent_per_100mm:
        away = u - (np.float32(centre_mm[0]) * cosine - np.float32(centre_mm[1]) * sine)
        u = u - np.float32(stripe.drift_percent_per_100mm / 2e4) * away * away
    phase = u * np.float32(2 * np.pi / stripe.period_mm) + np.float32(stripe.phase_rad)
    result = np.cos(phase)
    for order, share in stripe.harmonics:
        result += np.float32(share) * np.cos(np.float32(order) * phase)
    result *= np.float32(stripe.contrast_percent / 200)
    return result


def engraved_factor(spec: PieceSpec, x_mm: NDArray[np.float32],
                    y_mm: NDArray[np.float32]) -> NDArray[np.float32]:
    """Product of all stripes and engraved rows at points in mm; 1 outside the frame."""
    centre = (spec.width_mm / 2, spec.height_mm / 2)
    factor = None
    for stripe in spec.stripes:
        one = stripe_modulation(stripe, x_mm, y_mm, centre)
        one += np.float32(1)
        factor = one if factor is None else factor * one
    if spec.row_contrast_percent > 0:
        rows = np.cos(y_mm * np.float32(2 * np.pi / spec.row_interval_mm))
        rows = 1 + rows * np.float32(spec.row_contrast_percent / 200)
        factor = rows if factor is None else factor * rows
    if factor is None:
        return np.ones(np.broadcast_shapes(np.shape(x_mm), np.shape(y_mm)), np.float32)
    inside = (x_mm >= 0) & (x_mm <= spec.width_mm) & (y_mm >= 0) & (y_mm <= spec.height_mm)
    return np.where(inside, factor, np.float32(1))


def board_size_mm(spec: PieceSpec) -> tuple[float, float]:
    """Width and height of the whole board."""
    left, top, right, bottom = spec.margin_mm
    return spec.width_mm + left + right, spec.height_mm + top + bottom


def board_origin_mm(spec: PieceSpec) -> tuple[float, float]:
    """Piece coordinates of the middle of the raster's sample [0, 0] are this plus half a sample."""
    return -spec.margin_mm[0], -spec.margin_mm[1]


def board_without_stripes(spec: PieceSpec, samples_per_mm: float,
                          texture: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
    """Reflectance of the whole board with grain, artwork, smoke and depth, without stripes and engraved rows.

    `texture` (rows, columns) is the reflectance of a real material, mean 1, stretched over
    the board's width and mirrored below where it ends; its logarithm joins the grain.
    Sample [row, column] is at x = -left + (column + 0.5) / samples_per_mm, y likewise.
    """
    s = float(samples_per_mm)
    width, height = board_size_mm(spec)
    shape = (int(round(height * s)), int(round(width * s)))
    rng = np.random.default_rng([spec.board_seed, 11])
    left, top = board_origin_mm(spec)
    origin = (left + 0.5 / s, top + 0.5 / s)
    grain, raw_grain = _grain(spec, shape, s, rng)
    if texture is not None:
        real = _stretched(texture, shape)
        grain += real
        raw_grain += real
    x = (origin[0] + np.arange(shape[1], dtype=np.float32) / np.float32(s)).astype(np.float32)[None, :]
    y = (origin[1] + np.arange(shape[0], dtype=np.float32) / np.float32(s)).astype(np.float32)[:, None]
    depth = np.minimum(np.minimum(x, spec.width_mm - x), np.minimum(y, spec.height_mm - y))
    inside = np.clip(depth * s + 0.5, 0, 1).astype(np.float32)
    clearing = mark_clearing(spec, shape, s, origin)
    if clearing is not None:
        inside = inside * (1 - clearing)
    cover = _ragged(artwork_cover(spec, shape, s, origin), spec.ragged_mm, s, rng)
    ground = np.float32(np.log(spec.ground_reflectance)) + grain
    ground += np.float32(spec.depth_ramp) * (x / np.float32(spec.width_mm) - np.float32(0.5))
    steps = step_scale(spec, shape, s, origin)
    if steps is not None:
        ground += steps
    raw = np.float32(np.log(spec.raw_reflectance)) + np.float32(spec.grain_scale_raw) * raw_grain
    if spec.planer_contrast_percent > 0:
        a = np.deg2rad(spec.planer_angle_deg)
        across = x * np.float32(np.cos(a)) - y * np.float32(np.sin(a))
        ripple = np.cos(across * np.float32(2 * np.pi / spec.planer_period_mm))
        ripple *= np.float32(spec.planer_contrast_percent / 200)
        raw += ripple
        ground += ripple
    light = np.exp(ground) * inside + np.exp(raw) * (1 - inside)
    if spec.scorch > 0:
        halo = cv2.resize(cover, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        halo = cv2.GaussianBlur(halo, (0, 0), 0.45 * s / 4)
        halo = cv2.resize(halo, shape[::-1], interpolation=cv2.INTER_LINEAR)
        light *= np.exp(np.float32(-2 * spec.scorch) * halo)
    # Char differs a little along a stroke: part of the grain shows in it.
    dark = np.exp(np.float32(0.6) * grain)
    level = np.float32(spec.artwork_reflectance)
    if "frame" in spec.artwork and spec.frame_reflectance != spec.artwork_reflectance:
        frame = artwork_cover(replace(spec, artwork=("frame",)), shape, s, origin)
        level = level + (np.float32(spec.frame_reflectance) - level) * frame
    board = light * (1 - cover) + level * dark * cover
    if spec.smoke > 0:
        board *= _smoke(spec, shape, s, rng, inside)
    for _ in range(spec.soot_spots):
        _stain(board, s, rng)
    return np.minimum(board, np.float32(0.95))


def _stain(board, s, rng):
    """Lay a dark stain of soot or a finger."""
    rows, columns = board.shape
    cx, cy, size = rng.uniform(0, columns), rng.uniform(0, rows), rng.uniform(1.5, 7.0) * s
    x = ((np.arange(columns) - cx) / (size * rng.uniform(1.0, 2.5))).astype(np.float32)[None, :]
    y = ((np.arange(rows) - cy) / size).astype(np.float32)[:, None]
    board *= np.exp(np.float32(-rng.uniform(0.3, 1.2)) * np.exp(-(x * x + y * y) ** 2))


def _grain(spec, shape, s, rng):
    """Texture of the engraved ground, and of the raw face, where the upper ply is whole."""
    ground, raw = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for one in spec.grains:
        field = grain_field(one, shape, s, rng)
        ground += field
        if one.kind == "crossed":
            whole = replace(one, kind="plain", contrast_percent=one.contrast_percent / 2)
            field = grain_field(whole, shape, s, rng)
        raw += field
    return ground, raw


def _stretched(texture, shape):
    """Log of a real texture at the board's sampling."""
    size = (shape[1], max(8, round(texture.shape[0] * shape[1] / texture.shape[1])))
    shrinking = size[0] < texture.shape[1]
    real = cv2.resize(texture, size, interpolation=cv2.INTER_AREA if shrinking else cv2.INTER_CUBIC)
    below = max(0, shape[0] - size[1])
    while below > 0:
        step = min(below, real.shape[0])
        real = cv2.copyMakeBorder(real, 0, step, 0, 0, cv2.BORDER_REFLECT)
        below -= step
    return np.log(np.clip(real[:shape[0]], 0.1, 4.0))


def _ragged(cover, ragged_mm, s, rng):
    """Strokes with edges that wander by `ragged_mm`; the mean place of a straight edge stays."""
    if ragged_mm <= 0:
        return cover
    width = 3 * ragged_mm * s
    if width < 0.5:                        # finer than the raster
        return cover
    noise = np.clip(smooth_noise(cover.shape, max(0.25 * s, 1.0), rng), -2.5, 2.5)
    soft = cv2.GaussianBlur(cover, (0, 0), width)
    # On a straight edge the blurred cover falls by 1 / (width sqrt(2 pi)) a sample.
    slope = 1 / (width * np.sqrt(2 * np.pi))
    noise *= np.minimum(8 * soft * (1 - soft), 1)                   # at edges only, or specks appear
    moved = (soft - np.float32(0.5)) * np.float32(1 / slope) + np.float32(ragged_mm * s) * noise
    return np.clip(moved + np.float32(0.5), 0, 1)


def _smoke(spec, shape, s, rng, inside) -> NDArray[np.float32]:
    """Smoke: a slow gradient over the ground and a darker rim of soot on the raw wood around it."""
    drift = smooth_noise(shape, 40.0 * s, rng)
    small = cv2.resize(inside, (max(4, shape[1] // 8), max(4, shape[0] // 8)), interpolation=cv2.INTER_AREA)
    rim = cv2.GaussianBlur(small, (0, 0), 1.5 * s / 8)
    rim = cv2.resize(rim, shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.exp(np.float32(-0.5 * spec.smoke) * (np.float32(1) + np.float32(0.5) * drift)
                  - np.float32(1.5 * spec.smoke) * rim * (1 - inside))


def render_piece(spec: PieceSpec, samples_per_mm: float) -> NDArray[np.float32]:
    """Reflectance of the whole board, stripes included, as point samples of the stripes.

    Parameters
    ----------
    spec : PieceSpec
    samples_per_mm : float
        At least twice the highest harmonic's frequency, or it folds.

    Returns
    -------
    ndarray, shape (rows, columns), float32
        Sample [row, column] is at x = -left + (column + 0.5) / samples_per_mm,
        y likewise with the top margin.
    """
    board = board_without_stripes(spec, samples_per_mm)
    left, top = board_origin_mm(spec)
    x = (left + (np.arange(board.shape[1]) + 0.5) / samples_per_mm).astype(np.float32)[None, :]
    y = (top + (np.arange(board.shape[0]) + 0.5) / samples_per_mm).astype(np.float32)[:, None]
    return board * engraved_factor(spec, x, y)
