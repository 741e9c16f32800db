"""The bench around a board: its surface, other boards with straight edges, ruler, tools, their shadows."""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.simulate.spec import CameraSpec, PieceSpec
from analysis.simulate.texture import coloured_noise, smooth_noise

__all__ = ["bench_picture"]

SCALE = 6.0                                # raster samples per mm; the bench is out of the measured area
REACH = 1.15                               # raster over the photo's field


def bench_picture(piece: PieceSpec, camera: CameraSpec,
                  homography: NDArray[np.float64]) -> NDArray[np.float32]:
    """Linear colour of the bench as the photo sees it, shape (h, w, 3), before light and noise."""
    w, h = camera.size_px
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], float).reshape(-1, 1, 2)
    field = cv2.perspectiveTransform(corners, np.linalg.inv(homography)).reshape(-1, 2)
    low, high = field.min(0), field.max(0)
    middle, half = (low + high) / 2, (high - low) / 2 * REACH
    low, size = middle - half, 2 * half
    scale = min(SCALE, 2400 / max(size), camera.px_per_mm)
    shape = (int(size[1] * scale) + 2, int(size[0] * scale) + 2)
    seed = 0 if camera.clutter_seed is None else camera.clutter_seed
    rng = np.random.default_rng([seed, 31])
    surface = _surface(camera.bench, shape, scale, rng)
    if camera.clutter_seed is not None:
        _clutter(surface, scale, low, piece, rng)
    surface = cv2.GaussianBlur(surface, (0, 0), 0.9)                # no stairs at slanted edges
    to_raster = np.array([[scale, 0, -low[0] * scale], [0, scale, -low[1] * scale], [0, 0, 1]])
    return cv2.warpPerspective(surface, homography @ np.linalg.inv(to_raster), (w, h), flags=cv2.INTER_LINEAR,
                               borderMode=cv2.BORDER_REPLICATE)


def _surface(kind, shape, s, rng):
    """Bench top."""
    if kind == "wood":
        grain = coloured_noise(shape, s, rng, slope=1.4, longest_mm=6.0, elongation=25.0,
                               angle_deg=rng.uniform(-20, 20))
        stain = smooth_noise(shape, 45 * s, rng)
        level = 0.16 * np.exp(0.16 * grain + 0.12 * stain)
        return level[..., None] * np.array([1.35, 0.97, 0.6], np.float32)
    if kind == "bright":
        paper, stain = smooth_noise(shape, 2 * s, rng), smooth_noise(shape, 60 * s, rng)
        level = 0.62 * np.exp(0.02 * paper + 0.04 * stain)
        return level[..., None] * np.array([1.0, 1.0, 0.97], np.float32)
    if kind == "mat":
        level = np.full(shape, 0.10, np.float32) * np.exp(0.05 * smooth_noise(shape, 1.5 * s, rng))
        surface = level[..., None] * np.array([0.45, 1.15, 0.85], np.float32)
        for k in range(0, max(shape), max(4, int(10 * s))):
            surface[:, k:k + 1] *= 1.7
            surface[k:k + 1] *= 1.7
        return np.ascontiguousarray(surface)
    level = 0.05 * np.exp(0.10 * smooth_noise(shape, 1.5 * s, rng) + 0.15 * smooth_noise(shape, 50 * s, rng))
    return level[..., None] * np.array([1.02, 1.0, 0.98], np.float32)


def _clutter(surface, s, low, piece, rng):
    """Boards, a steel ruler, a pencil, offcuts: placed around the piece, some partly under its edge."""
    makers = [_other_board, _steel_rule, _pencil, _offcut, _other_board, _clamp]
    order = rng.permutation(len(makers))[:int(rng.integers(3, 6))]
    centre = np.array([piece.width_mm / 2, piece.height_mm / 2])
    reach = np.hypot(piece.width_mm, piece.height_mm) / 2
    start = rng.uniform(0, 2 * np.pi)
    for k, index in enumerate(order):
        a = start + 2 * np.pi * (k + rng.uniform(-0.25, 0.25)) / len(order)
        at = centre + (reach + rng.uniform(12, 34)) * np.array([np.cos(a), np.sin(a)])
        makers[index](surface, s, (at - low) * s, rng)


def _box(at, size, angle):
    """Four corners in raster px."""
    return cv2.boxPoints((tuple(map(float, at)), tuple(map(float, size)), float(angle))).astype(np.float32)


def _shade(surface, box, s):
    """Soft shadow under a thing."""
    x, y, w, h = cv2.boundingRect(box.astype(np.int32))
    pad = int(6 * s)
    rows, columns = surface.shape[:2]
    x0, y0, x1, y1 = max(0, x - pad), max(0, y - pad), min(columns, x + w + pad), min(rows, y + h + pad)
    if x1 <= x0 or y1 <= y0:
        return
    mask = np.zeros((y1 - y0, x1 - x0), np.float32)
    cv2.fillConvexPoly(mask, (box - [x0, y0] + [1.2 * s, 1.4 * s]).astype(np.int32), 1.0)
    mask = cv2.GaussianBlur(mask, (0, 0), 1.2 * s)
    surface[y0:y1, x0:x1] *= (1 - np.float32(0.55) * mask)[..., None]


def _paint(surface, box, patch):
    """Lay a patch (h, w, 3) on a box."""
    h, w = patch.shape[:2]
    corners = np.float32([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]])
    matrix = cv2.getPerspectiveTransform(corners, box)
    size = surface.shape[1::-1]
    cover = np.zeros(surface.shape[:2], np.uint8)
    cv2.fillConvexPoly(cover, np.round(box * 16).astype(np.int32), 255, cv2.LINE_AA, 4)
    cover = (cover.astype(np.float32) / 255)[..., None]
    laid = cv2.warpPerspective(np.ascontiguousarray(patch, np.float32), matrix, size, flags=cv2.INTER_LINEAR,
                               borderMode=cv2.BORDER_REPLICATE)
    surface *= 1 - cover
    surface += laid * cover


def _wood_patch(size, s, rng, level):
    grain = coloured_noise((size[1], size[0]), s, rng, slope=1.3, longest_mm=4.0, elongation=20.0,
                           angle_deg=rng.choice([0.0, 90.0]))
    return (level * np.exp(0.13 * grain))[..., None] * np.array([1.22, 0.98, 0.6], np.float32)


def _other_board(surface, s, at, rng):
    size = (int(rng.uniform(40, 90) * s), int(rng.uniform(30, 60) * s))
    box = _box(at, size, rng.uniform(0, 180))
    patch = _wood_patch(size, s, rng, rng.uniform(0.3, 0.55))
    if rng.random() < 0.6:                                          # an engraved field with a straight edge
        m = int(5 * s)
        patch[m:-m, m:-m] *= np.float32(rng.uniform(0.35, 0.7))
    _shade(surface, box, s)
    _paint(surface, box, patch)


def _steel_rule(surface, s, at, rng):
    size = (int(rng.uniform(120, 200) * s), int(18 * s))
    patch = np.full((size[1], size[0], 3), 0.42, np.float32) * rng.uniform(0.8, 1.3)
    patch *= np.exp(0.03 * rng.standard_normal((size[1], 1, 1))).astype(np.float32)
    for k in range(int(size[0] / s)):
        tall = 7.0 if k % 10 == 0 else 5.0 if k % 5 == 0 else 3.2
        patch[:int(tall * s), int(k * s):int(k * s) + max(1, int(0.15 * s))] = 0.05
    box = _box(at, size, rng.uniform(0, 180))
    _shade(surface, box, s)
    _paint(surface, box, patch)


def _pencil(surface, s, at, rng):
    size = (int(150 * s), int(7 * s))
    colours = np.array([[0.5, 0.06, 0.04], [0.05, 0.12, 0.4], [0.6, 0.42, 0.05], [0.04, 0.25, 0.1]])
    colour = rng.choice(colours)
    across = np.interp(np.arange(size[1]), [0, size[1] * 0.3, size[1] - 1], [0.5, 1.5, 0.4])
    patch = (across[:, None, None] * colour[None, None, :] * np.ones((1, size[0], 1))).astype(np.float32)
    patch[:, -int(14 * s):] = (across[:, None, None] * np.array([0.5, 0.36, 0.2])).astype(np.float32)
    patch[:, -int(4 * s):] = 0.03
    box = _box(at, size, rng.uniform(0, 180))
    _shade(surface, box, s)
    _paint(surface, box, patch)


def _offcut(surface, s, at, rng):
    size = (int(rng.uniform(10, 25) * s), int(rng.uniform(60, 120) * s))
    box = _box(at, size, rng.uniform(0, 180))
    _shade(surface, box, s)
    _paint(surface, box, _wood_patch(size, s, rng, rng.uniform(0.2, 0.6)))


def _clamp(surface, s, at, rng):
    """Lay a dark steel bar with a bright edge."""
    size = (int(rng.uniform(80, 130) * s), int(12 * s))
    patch = np.full((size[1], size[0], 3), 0.035, np.float32)
    patch[:max(1, int(0.8 * s))] = 0.35
    box = _box(at, size, rng.uniform(0, 180))
    _shade(surface, box, s)
    _paint(surface, box, patch)
