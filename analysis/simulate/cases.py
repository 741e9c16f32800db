"""Cases with known truth for calibration: framed photos, and bare texture patches by the thousand."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.simulate.camera import Shot, photograph
from analysis.simulate.piece import stripe_modulation
from analysis.simulate.spec import CameraSpec, GrainSpec, PieceSpec, StripeSpec
from analysis.simulate.texture import grain_field

__all__ = ["CASE_KINDS", "TextureCase", "random_camera", "random_case", "random_grains", "random_piece",
           "random_stripe", "texture_case"]

CASE_KINDS = ("grain", "rings", "stripe", "mixed", "clean", "trap")
DRIVE_PERIODS_MM = (2.032, 2.0, 3.0, 5.0, 3.175, 5.08, 0.8, 0.65024, 1.25, 4.0, 0.4)   # pitches, steps, leads
FRAMES_MM = ((80.0, 60.0), (80.0, 60.0), (100.0, 60.0), (60.0, 60.0), (120.0, 80.0))
WOOD_OF_KIND = {"grain": "any", "rings": "rings", "stripe": "plain", "mixed": "rings", "trap": "any"}


@dataclass(frozen=True, slots=True, kw_only=True)
class TextureCase:
    """A rectified patch of reflectance with its truth; no camera."""

    reflectance: NDArray[np.float32]       # (rows, columns), mean near 1
    samples_per_mm: float                  # sample [row, column] is at x = column / s, y = row / s
    stripes: tuple[StripeSpec, ...]
    grains: tuple[GrainSpec, ...]
    noise_sd: float                        # white, relative to the mean
    kind: str
    seed: int


def random_stripe(rng: np.random.Generator, *, contrast_percent=(0.5, 12.0), period_mm=(0.4, 8.0),
                  drive_share: float = 0.5) -> StripeSpec:
    """Draw a stripe as a drive might leave it: often a common pitch, always near-square to the scan axis."""
    if rng.random() < drive_share:
        period = float(rng.choice([p for p in DRIVE_PERIODS_MM if period_mm[0] <= p <= period_mm[1]]))
    else:
        period = _log_between(rng, *period_mm)
    return StripeSpec(period_mm=period, contrast_percent=_log_between(rng, *contrast_percent),
                      angle_deg=float(rng.normal(0, 0.25)), phase_rad=_between(rng, -np.pi, np.pi),
                      drift_percent_per_100mm=float(rng.normal(0, 0.5)) if rng.random() < 0.15 else 0.0,
                      harmonics=((2, _between(rng, 0, 0.4)), (3, _between(rng, 0, 0.15))))


def random_grains(rng: np.random.Generator, kind: str = "any") -> tuple[GrainSpec, ...]:
    """Grain of a random wood; `kind` "plain", "rings" (near-parallel to the stripes), "crossed" or "any"."""
    if kind == "any":
        kind = str(rng.choice(["plain", "plain", "rings", "crossed"]))
    square = rng.random() < 0.7            # boards are mostly laid along an axis
    lines = float(rng.choice([0.0, 90.0]) + rng.normal(0, 6)) if square else _between(rng, -90, 90)
    if kind == "crossed":
        parts = [GrainSpec(kind="crossed", contrast_percent=_between(rng, 8, 22), angle_deg=lines,
                           spacing_mm=_between(rng, 0.6, 2.5), slope=_between(rng, 0.8, 1.6),
                           elongation=_between(rng, 6, 20), coverage=_between(rng, 0.15, 0.55),
                           count=int(rng.integers(0, 4)))]
    else:
        parts = [GrainSpec(kind="plain", contrast_percent=_between(rng, 2, 9), angle_deg=lines,
                           spacing_mm=_between(rng, 0.4, 3), slope=_between(rng, 0.7, 1.8),
                           elongation=_between(rng, 4, 25), unevenness=_between(rng, 0.1, 0.5))]
    if kind == "rings":
        parts.append(GrainSpec(kind="rings", contrast_percent=_between(rng, 4, 18),
                               angle_deg=float(90 + rng.normal(0, 3)), spacing_mm=_log_between(rng, 0.7, 4),
                               spacing_variation=_between(rng, 0.1, 0.3),
                               autoregression=_between(rng, 0, 0.6),
                               latewood_fraction=_between(rng, 0.2, 0.5),
                               sharpness_mm=_between(rng, 0.05, 0.2), waviness_mm=_between(rng, 0.1, 1)))
    if kind == "plain" and rng.random() < 0.3:
        parts.append(GrainSpec(kind="pores", contrast_percent=_between(rng, 2, 6), angle_deg=lines))
    if rng.random() < 0.15:
        parts.append(GrainSpec(kind="rays", contrast_percent=_between(rng, 3, 10), angle_deg=lines,
                               elongation=6.0))
    if rng.random() < 0.12:
        parts.append(GrainSpec(kind="knots", contrast_percent=_between(rng, 30, 70), count=1))
    return tuple(parts)


def random_piece(rng: np.random.Generator, kind: str = "grain") -> PieceSpec:
    """Draw a framed piece of one of `CASE_KINDS`."""
    stripes: tuple[StripeSpec, ...] = ()
    artwork = ["frame", "text"] + ["shapes"] * (rng.random() < 0.7) + ["steps"] * (rng.random() < 0.4)
    if kind in ("stripe", "mixed"):
        stripes = (random_stripe(rng),)
        if rng.random() < 0.15:
            stripes += (random_stripe(rng),)
    grains = random_grains(rng, WOOD_OF_KIND.get(kind, "plain"))
    extra = {}
    if kind == "clean":
        grains = (GrainSpec(contrast_percent=_between(rng, 0.5, 1.5), unevenness=0.1),)
    if kind == "trap":
        part, extra = _trap(rng)
        artwork += part
    engraved = rng.random() < 0.7
    raw = _between(rng, 0.4, 0.62)
    width, height = FRAMES_MM[int(rng.integers(len(FRAMES_MM)))]
    return PieceSpec(width_mm=width, height_mm=height, stripes=stripes, grains=grains, artwork=tuple(artwork),
                     artwork_seed=int(rng.integers(1 << 30)), board_seed=int(rng.integers(1 << 30)),
                     frame_width_mm=_between(rng, 0.6, 1.0), frame_reflectance=_between(rng, 0.03, 0.07),
                     margin_mm=tuple(float(m) for m in rng.uniform(4, 16, 4)),
                     ground_reflectance=_between(rng, 0.10, 0.3) if engraved else raw * 0.97,
                     raw_reflectance=raw, depth_ramp=float(rng.normal(0, 0.15)), smoke=_between(rng, 0, 0.35),
                     artwork_reflectance=_between(rng, 0.03, 0.07), **extra)


def random_camera(rng: np.random.Generator, piece: PieceSpec,
                  size_px: tuple[int, int] = (2000, 1500)) -> CameraSpec:
    """Draw a phone position that keeps the whole board in view."""
    w, h = size_px
    left, top, right, bottom = piece.margin_mm
    board = np.array([piece.width_mm + left + right, piece.height_mm + top + bottom])
    turn = float(rng.normal(0, 8)) if rng.random() < 0.7 else _between(rng, -180, 180)
    if piece.width_mm == piece.height_mm:  # a square frame shows its scan axis by lying nearly upright only
        turn = float(np.clip(turn, -12, 12))
    c, s = abs(np.cos(np.deg2rad(turn))), abs(np.sin(np.deg2rad(turn)))
    fit = min(w / (board @ [c, s]), h / (board @ [s, c]))
    tilt = float(min(abs(rng.normal(0, 8)), 25))
    glare_at = (_between(rng, 0.2, 0.8), _between(rng, 0.2, 0.8))
    return CameraSpec(size_px=size_px, px_per_mm=float(fit * rng.uniform(0.7, 0.92) * (1 - tilt / 90)),
                      tilt_deg=tilt, tilt_azimuth_deg=_between(rng, 0, 360), turn_deg=turn,
                      offset_px=(float(rng.normal(0, 0.012 * w)), float(rng.normal(0, 0.012 * h))),
                      focal_fraction=_between(rng, 0.68, 0.85), k1=float(rng.normal(0, 0.006)),
                      blur_px=_between(rng, 0.5, 1.2), exposure=_between(rng, 1.1, 1.6),
                      full_well_electrons=_log_between(rng, 1500, 9000), read_electrons=_between(rng, 2, 8),
                      sharpen=float(rng.choice([0, 0, 0.4, 0.8])), vignetting=_between(rng, 0.05, 0.4),
                      light_gradient=_between(rng, 0, 0.6), light_azimuth_deg=_between(rng, 0, 360),
                      glare=_between(rng, 0.1, 0.6) if rng.random() < 0.15 else 0.0, glare_at=glare_at,
                      flicker=_between(rng, 0, 0.04) if rng.random() < 0.2 else 0.0,
                      flicker_rows=_between(rng, 200, 900), warmth=float(rng.normal(0, 0.06)),
                      bench=str(rng.choice(["dark", "bright", "wood", "mat"])),
                      clutter_seed=int(rng.integers(1 << 30)) if rng.random() < 0.85 else None,
                      jpeg_quality=int(rng.integers(75, 97)), bayer=bool(rng.random() < 0.5))


def random_case(seed: int, kind: str = "grain", size_px: tuple[int, int] = (2000, 1500)) -> Shot:
    """Draw a framed photo of one of `CASE_KINDS`.

    "grain" is any wood without a stripe, "rings" near-parallel growth rings
    without a stripe, "mixed" a stripe over such rings, "clean" almost no
    texture, "trap" no stripe but something regular that is not the drive's.
    """
    if kind not in CASE_KINDS:
        raise ValueError(f"unknown kind {kind!r}; known: {', '.join(CASE_KINDS)}")
    rng = np.random.default_rng([seed, CASE_KINDS.index(kind), 9])
    piece = random_piece(rng, kind)
    return photograph(piece, random_camera(rng, piece, size_px), seed)


def texture_case(seed: int, kind: str = "grain", *, shape_mm: tuple[float, float] = (76.0, 56.0),
                 samples_per_mm: float = 8.0, stripes: tuple[StripeSpec, ...] | None = None,
                 grains: tuple[GrainSpec, ...] | None = None, noise_sd: float | None = None) -> TextureCase:
    """Draw a rectified reflectance patch with its truth, without camera, for calibration by the thousand.

    Parameters
    ----------
    seed : int
    kind : str
        As in `random_case`; "trap" gives planer marks. Overridden by `stripes`, `grains`.
    shape_mm : (width, height)
    samples_per_mm : float
        Stripes are point samples: keep at least 4 samples a period of what matters.
    stripes, grains : tuples, optional
        Instead of random ones; () for none.
    noise_sd : float, optional
        White noise relative to the mean, per sample; random from 0.5 to 3 % by default.
    """
    if kind not in CASE_KINDS:
        raise ValueError(f"unknown kind {kind!r}; known: {', '.join(CASE_KINDS)}")
    rng = np.random.default_rng([seed, CASE_KINDS.index(kind), 10])
    if stripes is None:
        stripes = (random_stripe(rng),) if kind in ("stripe", "mixed") else ()
    if grains is None and kind == "clean":
        grains = (GrainSpec(contrast_percent=_between(rng, 0.3, 1.5), unevenness=0.1),)
    elif grains is None:
        grains = random_grains(rng, WOOD_OF_KIND[kind])
    noise_sd = _log_between(rng, 0.005, 0.03) if noise_sd is None else float(noise_sd)
    shape = (int(round(shape_mm[1] * samples_per_mm)), int(round(shape_mm[0] * samples_per_mm)))
    x = (np.arange(shape[1]) / samples_per_mm).astype(np.float32)[None, :]
    y = (np.arange(shape[0]) / samples_per_mm).astype(np.float32)[:, None]
    log = np.zeros(shape, np.float32)
    for grain in grains:
        log += grain_field(grain, shape, samples_per_mm, rng)
    if kind == "trap":
        planer = StripeSpec(period_mm=_between(rng, 0.8, 3), contrast_percent=_between(rng, 2, 6),
                            angle_deg=_planer_angle(rng))
        log += stripe_modulation(planer, x, y)
    reflectance = np.exp(log)
    for stripe in stripes:
        reflectance *= 1 + stripe_modulation(stripe, x, y, (shape_mm[0] / 2, shape_mm[1] / 2))
    reflectance += np.float32(noise_sd) * rng.standard_normal(shape, dtype=np.float32)
    return TextureCase(reflectance=np.maximum(reflectance, np.float32(1e-3)),
                       samples_per_mm=float(samples_per_mm), stripes=tuple(stripes), grains=tuple(grains),
                       noise_sd=noise_sd, kind=kind, seed=seed)


def _between(rng, low, high) -> float:
    """Uniform."""
    return float(rng.uniform(low, high))


def _log_between(rng, low, high) -> float:
    """Uniform in the logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _planer_angle(rng) -> float:
    """Planer knives cross the board at a slant to the scan axis: 15 to 75 deg either way."""
    return float(rng.uniform(15, 75) * rng.choice([-1, 1]))


def _trap(rng) -> tuple[list[str], dict]:
    """Artwork and settings of something regular that is not the drive's."""
    trap = str(rng.choice(["comb_text", "ruler", "rows", "planer"]))
    if trap == "rows":
        return [], {"row_interval_mm": float(rng.choice([0.08, 0.1, 0.127])),
                    "row_contrast_percent": _between(rng, 10, 40)}
    if trap == "planer":
        return [], {"planer_period_mm": _between(rng, 0.8, 3), "planer_contrast_percent": _between(rng, 2, 6),
                    "planer_angle_deg": _planer_angle(rng)}
    return [trap], {}
