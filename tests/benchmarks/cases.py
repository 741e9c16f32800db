"""Photos for the benchmark from end to end: single pieces and before/after pairs with their truth.

The mixture is drawn apart from `analysis.simulate.random_case`, which serves
calibration: other ranges, real woods as boards, heavy compression, low light,
unframed pairs and the same board photographed twice.
"""
from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analysis.simulate import (
    CameraSpec,
    GrainSpec,
    PieceSpec,
    Shot,
    StripeSpec,
    encode,
    photograph,
    random_camera,
    random_grains,
)

sys.path.insert(0, str(Path(__file__).parents[1]))
import real_textures  # noqa: E402  (a module of the tests, which are no package)

__all__ = ["CHANGES", "PAIR_KINDS", "PairCase", "SINGLE_KINDS", "SingleCase", "pair_case", "single_case"]

SINGLE_KINDS = ("stripe", "stripe", "stripe over rings", "stripe on real wood", "weak stripe", "plain",
                "rings", "crossed", "real wood", "clean", "comb text", "ruler", "rows", "planer", "blocks",
                "stripe, hard photo", "plain, hard photo")
PAIR_KINDS = ("removed", "reduced", "unchanged", "worse", "appeared", "nothing to compare", "same board",
              "no frame")
CHANGES = {"removed": 0.0, "reduced": 0.3, "unchanged": 1.0, "worse": 1.5}
PERIODS_MM = (2.032, 2.0, 3.0, 5.0, 1.016, 0.8, 1.5, 2.54, 3.175)
FRAMES_MM = ((80.0, 60.0), (100.0, 70.0), (120.0, 50.0), (90.0, 60.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleCase:
    """One photo with its truth."""

    seed: int
    kind: str
    photo: bytes
    shot: Shot
    wood: str                              # what the board is made of

    @property
    def frame_mm(self) -> tuple[float, float]:
        """Width and height of the frame."""
        return self.shot.piece.width_mm, self.shot.piece.height_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class PairCase:
    """A pair with its truth; `change` is the verdict that is right."""

    seed: int
    kind: str
    before: SingleCase
    after: SingleCase
    change: str
    ratio: float | None


def single_case(seed: int, kind: str | None = None, size_px: tuple[int, int] | None = None) -> SingleCase:
    """One framed photo; without a kind, kinds follow the seed in turn."""
    kind = SINGLE_KINDS[seed % len(SINGLE_KINDS)] if kind is None else kind
    rng = np.random.default_rng([seed, 101])
    piece, wood = _piece(rng, kind, seed)
    camera = _camera(rng, piece, size_px)
    if "hard photo" in kind:
        piece = replace(piece, frame_gaps=int(rng.integers(0, 5)), soot_spots=int(rng.integers(0, 5)))
        camera = replace(camera, tilt_deg=float(rng.uniform(12, 28)), shadow=float(rng.uniform(0, 0.5)),
                         shadow_deg=float(rng.uniform(0, 360)), glare=float(rng.uniform(0, 0.5)),
                         px_per_mm=camera.px_per_mm * 0.72, k1=float(rng.normal(0, 0.01)))
    if kind == "blocks":
        camera = replace(camera, jpeg_quality=int(rng.integers(25, 50)), tilt_deg=float(rng.uniform(0, 2)),
                         turn_deg=float(rng.choice([0, 90, 180])))
    return _shoot(seed, kind, piece, camera, wood)


def pair_case(seed: int, kind: str | None = None, size_px: tuple[int, int] | None = None) -> PairCase:
    """A framed pair on two boards with the same artwork (one board for "same board")."""
    kind = PAIR_KINDS[seed % len(PAIR_KINDS)] if kind is None else kind
    rng = np.random.default_rng([seed, 102])
    quiet = kind == "nothing to compare" or (kind == "same board" and rng.random() < 0.3)
    piece, wood = _piece(rng, str(rng.choice(["plain", "rings", "crossed", "real wood"])), seed)
    stripe = None if quiet else _stripe(rng, 3.5, 12.0)
    if kind == "no frame":                 # a line of text more, for the frame that is not there
        piece = replace(piece, artwork=("text", "shapes", "steps"))
    other = piece if kind == "same board" else replace(
        piece, board_seed=int(rng.integers(1 << 30)),
        margin_mm=tuple(float(m) for m in rng.uniform(5, 14, 4)),
        smoke=float(rng.uniform(0, 0.35)), depth_ramp=float(rng.normal(0, 0.12)),
        ground_reflectance=piece.ground_reflectance * float(rng.uniform(0.8, 1.2)))
    first = () if kind == "appeared" or stripe is None else (stripe,)
    if kind == "appeared":
        second, ratio, change = (stripe,), None, "appeared"
    elif stripe is None:
        second, ratio, change = (), None, "nothing to compare"
    elif kind == "same board":
        second, ratio, change = first, 1.0, "unchanged"
    else:
        change = "reduced" if kind == "no frame" else kind
        ratio = CHANGES[change]
        # The same machine lays the stripe at nearly the same place again.
        again = replace(stripe, contrast_percent=stripe.contrast_percent * ratio,
                        phase_rad=stripe.phase_rad + float(rng.normal(0, 0.1)))
        second = () if ratio == 0 else (again,)
    shots = []
    for k, (board, stripes) in enumerate(((piece, first), (other, second))):
        board = replace(board, stripes=stripes)
        camera = _camera(rng, board, size_px)
        if kind == "no frame":
            camera = replace(camera, tilt_deg=float(rng.uniform(0, 5)), turn_deg=float(rng.normal(0, 6)))
        elif k == 1 and rng.random() < 0.1:
            camera = replace(camera, turn_deg=camera.turn_deg + 180.0)
        wood_seed = seed if kind == "same board" else seed + 7919 * k
        shots.append(_shoot(seed + k, kind, board, camera, wood, wood_seed))
    return PairCase(seed=seed, kind=kind, before=shots[0], after=shots[1], change=change, ratio=ratio)


def _shoot(seed, kind, piece, camera, wood, wood_seed=None) -> SingleCase:
    """Photograph and encode."""
    texture = None
    if wood == "real":
        rng = np.random.default_rng([seed if wood_seed is None else wood_seed, 103])
        near = 90.0 if rng.random() < 0.5 else None
        wood, texture = real_textures.board_texture(seed if wood_seed is None else wood_seed, lines_deg=near)
        texture = texture ** np.float32(rng.uniform(0.35, 1.0))     # char evens out the wood's own contrast
    shot = photograph(piece, camera, seed, texture)
    return SingleCase(seed=seed, kind=kind, photo=encode(shot), shot=shot, wood=wood)


def _stripe(rng, low, high) -> StripeSpec:
    """A drive's stripe, half of them at a common pitch."""
    common = rng.random() < 0.5
    period = float(rng.choice(PERIODS_MM)) if common else float(np.exp(rng.uniform(np.log(0.6), np.log(6.0))))
    contrast = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    return StripeSpec(period_mm=period, contrast_percent=contrast,
                      angle_deg=float(rng.normal(0, 0.2)), phase_rad=float(rng.uniform(-np.pi, np.pi)),
                      drift_percent_per_100mm=float(rng.choice([0, 0, 0, 0, rng.normal(0, 0.4)])),
                      harmonics=((2, float(rng.uniform(0, 0.35))),))


def _piece(rng, kind, seed) -> tuple[PieceSpec, str]:
    """A board of one kind and the name of its wood."""
    stripes, extra, wood = (), {}, "plain"
    artwork = ["frame", "text", "shapes"]
    if kind.startswith("stripe"):          # "stripe", "stripe over rings", "stripe on real wood", ...
        stripes = (_stripe(rng, 4.0, 12.0),)
    if kind == "weak stripe":
        stripes = (_stripe(rng, 0.5, 4.0),)
    if "rings" in kind:
        wood = "rings"
    elif kind == "crossed" or (kind in ("stripe", "comb text", "ruler", "planer") and rng.random() < 0.4):
        wood = "crossed"
    grains = random_grains(rng, wood)
    if "real wood" in kind:
        grains, wood = (GrainSpec(contrast_percent=2.0, spacing_mm=0.4),), "real"
    if kind == "clean":
        grains, wood = (GrainSpec(contrast_percent=float(rng.uniform(0.4, 1.2)), unevenness=0.1),), "clean"
    if kind in ("comb text", "ruler"):
        artwork.append(kind.replace(" ", "_"))
    if kind == "rows":
        extra = {"row_interval_mm": float(rng.uniform(0.06, 0.16)),
                 "row_contrast_percent": float(rng.uniform(15, 40))}
    if kind == "planer":
        extra = {"planer_period_mm": float(rng.uniform(0.8, 3.0)),
                 "planer_contrast_percent": float(rng.uniform(2, 6)),
                 "planer_angle_deg": float(rng.uniform(10, 80) * rng.choice([-1, 1]))}
    width, height = FRAMES_MM[int(rng.integers(len(FRAMES_MM)))]
    raw = float(rng.uniform(0.35, 0.6))
    ground = float(rng.uniform(0.11, 0.28)) if rng.random() < 0.6 else raw
    piece = PieceSpec(width_mm=width, height_mm=height, stripes=stripes, grains=grains,
                      artwork=tuple(artwork), artwork_seed=seed + 500, board_seed=int(rng.integers(1 << 30)),
                      frame_width_mm=float(rng.uniform(0.55, 1.1)),
                      frame_reflectance=float(rng.uniform(0.03, 0.07)),
                      margin_mm=tuple(float(m) for m in rng.uniform(5, 14, 4)),
                      ground_reflectance=ground, raw_reflectance=raw, depth_ramp=float(rng.normal(0, 0.12)),
                      smoke=float(rng.uniform(0, 0.3)), **extra)
    return piece, wood


def _camera(rng, piece, size_px) -> CameraSpec:
    """A phone: mostly 3 to 5 megapixels here for speed, one in eight at 12."""
    sizes = ((2000, 1500), (2400, 1800), (2592, 1944), (1500, 2000))
    if size_px is None:
        size_px = (4032, 3024) if rng.random() < 0.125 else sizes[int(rng.integers(4))]
    return random_camera(rng, piece, size_px)
