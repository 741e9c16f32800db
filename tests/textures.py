"""Small textures with exact truth for the tests of the steps after the piece."""
from __future__ import annotations

import numpy as np

from analysis.flatten import Texture
from analysis.rectify import Lens, Piece

S = 12.0                                   # samples per mm


def grid(width_mm=70.0, height_mm=50.0, s=S):
    """x along the scan and y down, mm, of every sample."""
    rows, columns = int(height_mm * s), int(width_mm * s)
    return np.meshgrid(np.arange(columns) / s, np.arange(rows) / s)


def cosine(x, y, *, period_mm, contrast_percent, angle_deg=0.0, phase_rad=0.0):
    """Log reflectance of a stripe; angle anticlockwise as seen, y down."""
    a = np.radians(angle_deg)
    wave = np.cos(2 * np.pi / period_mm * (np.cos(a) * x - np.sin(a) * y) + phase_rad)
    return np.log1p(contrast_percent / 200.0 * wave).astype(np.float32)


def texture(log_reflectance, *, weight=None, s=S, **more):
    """Texture from an array; weight 1 where none is given."""
    weight = np.ones(log_reflectance.shape, np.float32) if weight is None else weight.astype(np.float32)
    return Texture(name="t", log_reflectance=(log_reflectance * (weight > 0)).astype(np.float32), weight=weight,
                   trend=np.zeros((1, 1), np.float32), samples_per_mm=s, origin_mm=(0.0, 0.0), scale_known=True,
                   longest_period_mm=20.0, artwork_fraction=0.0, **more)


def piece(reflectance, *, s=S, **more):
    """Piece from a reflectance array, as if rectified without a frame."""
    given = dict(name="t", reflectance=np.asarray(reflectance, np.float32), valid=np.ones(reflectance.shape, bool),
                 samples_per_mm=s, origin_mm=(0.0, 0.0), scale_known=True,
                 photo_to_piece=np.diag([1 / s, 1 / s, 1.0]), lens=Lens(), photo_px_per_mm=s, scale_sd_fraction=0.0,
                 axis_sd_deg=0.0, method="scale", frame_mm=None, corners_px=None, corners_sd_px=None,
                 residual_px=None, tilt_deg=None)
    return Piece(**(given | more))


def rings(x, y, rng, *, spacing_mm=2.0, variation=0.15, lean_deg=0.0, contrast_percent=8.0):
    """Growth rings nearly square to the scan axis: a renewal process, one cosine a ring."""
    count = int(3 * x.max() / spacing_mm) + 40
    widths = np.maximum(spacing_mm * (1 + variation * rng.standard_normal(count)), 0.2 * spacing_mm)
    edges = np.cumsum(widths) - 20 * spacing_mm
    a = np.radians(lean_deg)
    across = x * np.cos(a) - y * np.sin(a)
    turns = np.interp(across, edges, np.arange(count))
    return (contrast_percent / 200.0 * np.cos(2 * np.pi * turns)).astype(np.float32)
