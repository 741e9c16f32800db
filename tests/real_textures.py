"""Real photographs with no machine stripe, from packages that are installed or named in the `test` extra.

Nothing is downloaded and nothing is copied into the project. What is there, and
the licence as the package states it:

============  ====================================  ======================================
package       photographs                           licence
============  ====================================  ======================================
scikit-image  grass, gravel, moon, fur, tissue      public domain or CC0 (data/README.txt)
matplotlib    two relief maps                       package licence; public survey data
scikit-learn  flower.jpg                            CC BY (images/README.txt)
metaworld     seven woods, granite, plaster         MIT; it names no other source
robosuite     green wood                            MIT; used only where it is installed
vpython       two woods, granite                    MIT; used only where it is installed
============  ====================================  ======================================

Bricks, tiles, planks, bamboo slats and brushed steel are truly regular or
man-made, and one wood was coded so hard that the edges of its blocks of 8
pixels are stripes of 3 % (at 8/3 and 8/4 pixels 70 and 120 times the power
beside them, in one phase from top to bottom), so they are no "no stripe" truth:
`PERIODIC` lists them and `real_patches` leaves them out. A folder of one's own photographs can be named
in the environment variable STRIPE_OR_GRAIN_TEXTURES.
"""
from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import cv2
import numpy as np

from analysis.simulate import StripeSpec, stripe_modulation

__all__ = ["PERIODIC", "RealTexture", "available", "board_texture", "engrave_on", "load", "real_patches"]


@dataclass(frozen=True, slots=True)
class RealTexture:
    """Where a photograph lies and what it shows; `lines_deg` is the direction of its grain, if it has one."""

    name: str
    kind: str                              # "wood" or "other"
    package: str
    path: str
    lines_deg: float | None = None
    crop: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 1.0)   # left, top, right, bottom as shares


TEXTURES = (
    RealTexture("oak veneer", "wood", "metaworld", "assets/scene/textures/wood2.png", 0.0),
    RealTexture("pale line wood", "wood", "metaworld", "assets/textures/light_wood.png", 0.0),
    RealTexture("pale flat wood", "wood", "metaworld", "assets/textures/light_wood_v2.png", 0.0),
    RealTexture("pale ash", "wood", "metaworld", "assets/textures/light_wood_v3.png", 90.0),
    RealTexture("beech", "wood", "metaworld", "assets/textures/real_door.png", 0.0,
                (0.0, 0.0, 1.0, 0.45)),
    RealTexture("stained wood", "wood", "metaworld", "assets/textures/wood3.png", 90.0),
    RealTexture("larch board", "wood", "metaworld", "assets/scene/textures/wood.png", 0.0,
                (0.0, 0.02, 1.0, 0.24)),
    RealTexture("granite", "other", "metaworld", "assets/textures/granite.png"),
    RealTexture("plaster", "other", "metaworld", "assets/textures/plaster1.png"),
    RealTexture("green wood", "wood", "robosuite", "models/assets/textures/green-wood.png", 0.0),
    RealTexture("walnut", "wood", "vpython", "vpython_data/wood_texture.jpg", 0.0),
    RealTexture("old wood", "wood", "vpython", "vpython_data/wood_old_texture.jpg", 0.0),
    RealTexture("coarse granite", "other", "vpython", "vpython_data/granite_texture.jpg"),
    RealTexture("grass", "other", "skimage", "data/grass.png"),
    RealTexture("gravel", "other", "skimage", "data/gravel.png"),
    RealTexture("moon", "other", "skimage", "data/moon.png"),
    RealTexture("tissue", "other", "skimage", "data/ihc.png"),
    RealTexture("fur", "other", "skimage", "data/chelsea.png", None, (0.0, 0.55, 0.5, 1.0)),
    RealTexture("petals", "other", "sklearn", "datasets/images/flower.jpg", None, (0.3, 0.1, 0.8, 0.9)),
    RealTexture("relief", "other", "matplotlib", "mpl-data/sample_data/jacksboro_fault_dem.npz"),
    RealTexture("sea floor", "other", "matplotlib", "mpl-data/sample_data/topobathy.npz"),
)
PERIODIC = ("skimage: brick", "metaworld: floors, tiles, planks, bamboo (wood1)",
            "robosuite: wood-tiles, wood-varnished-panels, steel-brushed, light-wood; blue-wood (blocks)")


def available(kind: str | None = None) -> tuple[RealTexture, ...]:
    """Photographs that are installed here, of one kind or of all."""
    found = [t for t in TEXTURES if kind in (None, t.kind) and _path(t) is not None]
    folder = os.environ.get("STRIPE_OR_GRAIN_TEXTURES")
    if folder and kind in (None, "wood"):
        found += [RealTexture(p.stem, "wood", "", str(p)) for p in sorted(Path(folder).iterdir())
                  if p.suffix.lower() in (".jpg", ".jpeg", ".png", ".tif")]
    return tuple(found)


@lru_cache(maxsize=32)
def load(texture: RealTexture) -> np.ndarray:
    """Linear luminance of a photograph, float32, mean 1, (rows, columns)."""
    path = _path(texture)
    if path is None:
        raise FileNotFoundError(f"{texture.name}: package {texture.package} is not installed")
    if path.suffix == ".npz":
        picture = _relief(path)
    else:
        coded = cv2.imread(str(path), cv2.IMREAD_COLOR).astype(np.float32) / 255      # blue, green, red
        linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)   # IEC 61966-2-1
        picture = linear @ np.array([0.0722, 0.7152, 0.2126], np.float32)
    rows, columns = picture.shape
    left, top, right, bottom = texture.crop
    picture = picture[int(top * rows):int(bottom * rows), int(left * columns):int(right * columns)]
    picture = np.ascontiguousarray(picture / picture.mean(), np.float32)
    picture.setflags(write=False)
    return picture


def real_patches(seed: int, count: int | None = None, *, kind: str | None = None,
                 size_mm: tuple[float, float] = (70.0, 50.0)) -> Iterator[tuple[str, np.ndarray, float]]:
    """Random crops of the installed photographs: turned, mirrored and scaled.

    Parameters
    ----------
    seed : int
    count : int, optional
        Stop after so many; without it the iterator never ends.
    kind : {"wood", "other"}, optional
    size_mm : (width, height)
        Largest patch; a small photograph gives a smaller one, never below 60 % of it.

    Yields
    ------
    name : str
    reflectance : ndarray, float32, (rows, columns)
        Linear, mean near 1. Half of the woods have their lines near-square to the
        scan axis (x), the hard case.
    samples_per_mm : float
    """
    textures = available(kind)
    if not textures:
        return
    rng = np.random.default_rng([seed, 41])
    made = 0
    while count is None or made < count:
        texture = textures[int(rng.integers(len(textures)))]
        patch = _patch(texture, size_mm, rng)
        if patch is not None:
            made += 1
            yield texture.name, *patch


def board_texture(seed: int, *, lines_deg: float | None = None) -> tuple[str, np.ndarray]:
    """A piece of real wood for `analysis.simulate.photograph(..., texture=...)`: name and reflectance.

    `lines_deg` 0 or 90 lays the grain along or square to the scan axis; without it, by chance.
    """
    rng = np.random.default_rng([seed, 43])
    woods = [t for t in available("wood") if t.lines_deg is not None]
    if not woods:
        raise FileNotFoundError("no wood photographs here: install the `test` extra")
    texture = woods[int(rng.integers(len(woods)))]
    picture = load(texture)
    wanted = float(rng.choice([0.0, 90.0])) if lines_deg is None else lines_deg
    if wanted != texture.lines_deg:
        picture = np.rot90(picture)
    rows, columns = picture.shape
    share = rng.uniform(0.6, 1.0)
    top, left = int(rng.uniform(0, 1 - share) * rows), int(rng.uniform(0, 1 - share) * columns)
    picture = picture[top:top + int(share * rows), left:left + int(share * columns)]
    if rng.random() < 0.5:
        picture = picture[:, ::-1]
    if rng.random() < 0.5:
        picture = picture[::-1]
    return texture.name, np.ascontiguousarray(picture / picture.mean())


def engrave_on(reflectance: np.ndarray, samples_per_mm: float, stripes: tuple[StripeSpec, ...]) -> np.ndarray:
    """Lay stripes on a real texture: reflectance times each stripe's exact modulation."""
    rows, columns = reflectance.shape
    centre = (columns / samples_per_mm / 2, rows / samples_per_mm / 2)
    x = (np.arange(columns) / samples_per_mm).astype(np.float32)[None, :]
    y = (np.arange(rows) / samples_per_mm).astype(np.float32)[:, None]
    result = reflectance.astype(np.float32, copy=True)
    for stripe in stripes:
        result *= 1 + stripe_modulation(stripe, x, y, centre)
    return result


def _path(texture: RealTexture) -> Path | None:
    """File of a photograph, without importing its package."""
    if not texture.package:
        return Path(texture.path)
    spec = find_spec(texture.package)
    if spec is None or not spec.submodule_search_locations:
        return None
    path = Path(next(iter(spec.submodule_search_locations))) / texture.path
    return path if path.exists() else None


def _relief(path: Path) -> np.ndarray:
    """A relief map under slanting light: a natural surface as a camera would see it."""
    data = np.load(path)
    height = np.asarray(data["elevation" if "elevation" in data else "topo"], np.float32)
    slope = np.gradient(height)[1]
    return (1 + 0.15 * np.clip(slope / slope.std(), -4, 4)).astype(np.float32)


def _patch(texture, size_mm, rng):
    """One crop, or None where the photograph is too small for the turn and scale drawn."""
    picture = load(texture)
    s = float(rng.uniform(6.0, 10.0))
    if texture.lines_deg is not None and rng.random() < 0.5:
        angle = 90.0 - texture.lines_deg + rng.normal(0, 3)
    else:
        angle = rng.uniform(-90, 90)
    size = np.array(size_mm) * s
    for shrink in (1.0, 0.85, 0.72, 0.6):
        columns, rows = (int(v * shrink) for v in size)
        zoom = _largest_zoom(picture.shape, (columns, rows), angle)        # photo px a sample
        if zoom >= 0.8:
            return _cut(picture, (columns, rows), angle, rng.uniform(0.8, min(zoom, 2.5)), rng), s
    return None


def _largest_zoom(shape, size, angle):
    """Photo pixels per sample at which the turned patch just fits."""
    c, s = abs(np.cos(np.deg2rad(angle))), abs(np.sin(np.deg2rad(angle)))
    return min((shape[1] - 8) / (size[0] * c + size[1] * s), (shape[0] - 8) / (size[0] * s + size[1] * c))


def _cut(picture, size, angle, zoom, rng):
    """Turn, scale and cut; low-pass first where the photo is finer than the patch."""
    rows, columns = picture.shape
    c, s = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
    half_x = zoom * (size[0] * abs(c) + size[1] * abs(s)) / 2
    half_y = zoom * (size[0] * abs(s) + size[1] * abs(c)) / 2
    centre = np.array([rng.uniform(half_x + 2, columns - half_x - 2),
                       rng.uniform(half_y + 2, rows - half_y - 2)])
    if zoom > 1.05:
        picture = cv2.GaussianBlur(picture, (0, 0), 0.45 * zoom)
    turn = zoom * np.array([[c, -s], [s, c]])
    matrix = np.column_stack([turn, centre - turn @ (np.array(size) / 2)])
    patch = cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP,
                           borderMode=cv2.BORDER_REFLECT)
    if rng.random() < 0.5:
        patch = patch[:, ::-1]
    if rng.random() < 0.5:
        patch = patch[::-1]
    return np.ascontiguousarray(np.maximum(patch, np.float32(0.02)))
