"""Textures with known truth for fitting and checking the odds: no camera, a few tenths of a second each."""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from analysis.flatten import Texture, flatten
from analysis.rectify import Lens, Piece
from analysis.simulate.spec import GrainSpec
from analysis.simulate.texture import grain_field
from tests.real_textures import real_patches

PITCHES_MM = (0.8, 1.0, 1.6, 2.0, 2.032, 2.5, 3.0, 3.175, 4.0, 5.0, 5.08, 8.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TextureCase:
    """A texture and what is in it."""

    seed: int
    kind: str                              # what the ground is made of
    texture: Texture
    # (fx, fy in cycles per mm at the middle, contrast percent, drift percent per 100 mm)
    stripes: tuple[tuple[float, float, float, float], ...]


def ground(rng: np.random.Generator, kind: str, shape: tuple[int, int], s: float) -> np.ndarray:
    """Log reflectance of a ground without machine marks."""
    def rings(angle, contrast):
        return grain_field(GrainSpec(
            kind="rings", angle_deg=angle, contrast_percent=contrast, spacing_mm=float(np.exp(rng.uniform(-0.7, 1.8))),
            spacing_variation=rng.uniform(0.09, 0.35), autoregression=rng.uniform(0.0, 0.6),
            latewood_fraction=rng.uniform(0.15, 0.5), sharpness_mm=rng.uniform(0.05, 0.5),
            waviness_mm=float(rng.choice([0.0, rng.uniform(0, 1.0)])), unevenness=rng.uniform(0, 0.5)), shape, s, rng)

    def plain(contrast):
        return grain_field(GrainSpec(kind="plain", angle_deg=rng.uniform(-90, 90), contrast_percent=contrast,
                                     spacing_mm=rng.uniform(0.5, 6), slope=rng.uniform(0.6, 1.8),
                                     elongation=rng.uniform(2, 20), unevenness=rng.uniform(0, 0.6)), shape, s, rng)
    field = plain(np.exp(rng.uniform(np.log(0.5), np.log(12))))
    if kind == "parallel" and rng.random() < 0.5:                   # clean: one cosine a ring, straight, no fibre
        x, y = np.meshgrid(np.arange(shape[1]) / s, np.arange(shape[0]) / s)
        field = 0.3 * field + cosine_rings(x, y, rng, spacing_mm=float(np.exp(rng.uniform(-0.5, 1.6))),
                                           variation=rng.uniform(0.09, 0.35), lean_deg=rng.uniform(-5, 5),
                                           contrast_percent=rng.uniform(1, 15))
    elif kind == "parallel":
        field = field * 0.5 + rings(90 + rng.uniform(-5, 5), np.exp(rng.uniform(np.log(2), np.log(20))))
        if rng.random() < 0.3:
            field = field + rings(90 + rng.uniform(-6, 6), np.exp(rng.uniform(np.log(1), np.log(8))))
    elif kind == "rings":
        field = field * 0.5 + rings(rng.uniform(-90, 90), np.exp(rng.uniform(np.log(2), np.log(25))))
    elif kind == "crossed":
        field = field + grain_field(GrainSpec(
            kind="crossed", angle_deg=rng.choice([0, 90]) + rng.normal(0, 4), contrast_percent=rng.uniform(3, 25),
            spacing_mm=rng.uniform(0.6, 4), coverage=rng.uniform(0.15, 0.7)), shape, s, rng)
    return field


def cosine_rings(x, y, rng, *, spacing_mm, variation, lean_deg, contrast_percent) -> np.ndarray:
    """Rings nearly square to the scan axis as a renewal process with one cosine a ring."""
    count = int(3 * x.max() / spacing_mm) + 40
    widths = np.maximum(spacing_mm * (1 + variation * rng.standard_normal(count)), 0.2 * spacing_mm)
    edges = np.cumsum(widths) - 20 * spacing_mm
    a = np.radians(lean_deg)
    turns = np.interp(x * np.cos(a) - y * np.sin(a), edges, np.arange(count))
    return (contrast_percent / 200.0 * np.cos(2 * np.pi * turns)).astype(np.float32)


def make_case(seed: int, *, striped: bool | None = None, kind: str | None = None, s: float = 12.0) -> TextureCase:
    """One case by its seed; half of them striped."""
    rng = np.random.default_rng([seed, 4711])
    width, height = rng.choice([60.0, 80.0, 80.0, 100.0, 120.0]), rng.choice([40.0, 60.0, 60.0, 80.0])
    shape = (int((height - 2) * s), int((width - 2) * s))
    kind = kind or str(rng.choice(["plain", "parallel", "rings", "crossed", "real"], p=[0.18, 0.45, 0.1, 0.12, 0.15]))
    if kind == "real":                     # a real photograph, turned and scaled at random
        _, patch, s = next(real_patches(seed, 1))
        field, shape = np.log(np.maximum(patch, 0.02)).astype(np.float32), patch.shape
        width, height = shape[1] / s + 2, shape[0] / s + 2
    else:
        field = ground(rng, kind, shape, s)
    ys, xs = (np.arange(shape[0]) / s, np.arange(shape[1]) / s)
    stripes = []
    striped = bool(rng.random() < 0.5) if striped is None else striped
    for _ in range(0 if not striped else (1 if rng.random() < 0.85 else 2)):
        longest = min(12.0, (width - 2) / 5)
        period = float(rng.choice(PITCHES_MM)) if rng.random() < 0.4 else float(np.exp(rng.uniform(
            np.log(0.35), np.log(longest))))
        contrast = float(np.exp(rng.uniform(np.log(0.2), np.log(12))))
        angle = np.radians(np.clip(rng.normal(0, 0.4), -1.2, 1.2))
        fx, fy = np.cos(angle) / period, -np.sin(angle) / period
        drift = rng.normal(0, 1.5) if rng.random() < 0.15 else 0.0
        bend = -fx * drift * 0.5e-4 * (xs - xs.mean()) ** 2
        order2, order3 = (rng.choice([0.0, rng.uniform(0, top)]) for top in (0.5, 0.25))
        phase = rng.uniform(0, 2 * np.pi)
        theta = (2 * np.pi * (fx * xs + bend))[None, :] + (2 * np.pi * fy * ys + phase)[:, None]
        wave = np.cos(theta) + order2 * np.cos(2 * theta + rng.uniform(0, 6)) + order3 * np.cos(3 * theta
                                                                                              + rng.uniform(0, 6))
        field = field + np.log1p(contrast / 200.0 * np.clip(wave, -8, 8)).astype(np.float32)
        stripes.append((float(fx), float(fy), contrast, float(drift)))
    grainy = 0.004 if kind == "real" else rng.uniform(0.004, 0.08)
    field = field + grainy * rng.standard_normal(shape, dtype=np.float32)
    u, v = np.linspace(-1, 1, shape[1])[None, :], np.linspace(-1, 1, shape[0])[:, None]
    field = field + (rng.normal(0, 0.15) * u + rng.normal(0, 0.15) * v + rng.normal(0, 0.1) * u * u
                     + rng.normal(0, 0.1) * v * v)
    reflectance = (0.2 * np.exp(field)).astype(np.float32)
    _letter(reflectance, rng, s)
    texture = flatten(plain_piece(reflectance, s))
    return TextureCase(seed=seed, kind=kind, texture=texture, stripes=tuple(stripes))


def with_stripe(texture: Texture, period: float, contrast: float, rng) -> Texture:
    """The same texture with one more stripe of a random phase, nearly square."""
    rows, columns = texture.log_reflectance.shape
    x, y = np.arange(columns) / texture.samples_per_mm, np.arange(rows) / texture.samples_per_mm
    angle = np.radians(rng.uniform(-0.5, 0.5))
    phase = (2 * np.pi / period) * (np.cos(angle) * x[None, :] - np.sin(angle) * y[:, None]) + rng.uniform(0, 6.28)
    added = texture.log_reflectance + np.log1p(contrast / 200.0 * np.cos(phase)) * (texture.weight > 0)
    return replace(texture, log_reflectance=added.astype(np.float32))


def plain_piece(reflectance: np.ndarray, s: float) -> Piece:
    """A piece from a reflectance array, as if rectified without a frame."""
    return Piece(name="case", reflectance=reflectance, valid=np.ones(reflectance.shape, bool), samples_per_mm=s,
                 origin_mm=(0.0, 0.0), scale_known=True, photo_to_piece=np.diag([1 / s, 1 / s, 1.0]), lens=Lens(),
                 photo_px_per_mm=s, scale_sd_fraction=0.0, axis_sd_deg=0.0, method="scale", frame_mm=None,
                 corners_px=None, corners_sd_px=None, residual_px=None, tilt_deg=None)


def _letter(reflectance, rng, s) -> None:
    """A line or two of evenly spaced letters, dark or light, as artwork that must not be taken for a stripe."""
    if rng.random() < 0.4:
        return
    rows, columns = reflectance.shape
    for _ in range(rng.integers(1, 4)):
        ink = reflectance.mean() * rng.choice([0.3, 0.5, 1.8, 2.5])
        size = rng.uniform(0.08, 0.25) * s
        text = "".join(rng.choice(list("IHEL8N1ABOX"), rng.integers(6, 30)))
        layer = np.zeros(reflectance.shape, np.uint8)
        cv2.putText(layer, text, (int(rng.uniform(0, 0.2) * columns), int(rng.uniform(0.1, 0.95) * rows)),
                    cv2.FONT_HERSHEY_SIMPLEX, float(size), 255, max(1, int(size * 2.5)), cv2.LINE_AA)
        soft = cv2.GaussianBlur(layer, (0, 0), 0.1 * s).astype(np.float32) / 255.0
        reflectance *= 1 - soft
        reflectance += soft * np.float32(ink)
