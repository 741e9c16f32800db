"""Hard photos of frames with known corners, independent of the simulator's camera.

Boards come from the simulator, but view, background, dirt, shadows, glare,
decoys and compression are made here: photographs that ship with scikit-image
serve as the bench.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from skimage import data

from analysis.geometry import apply_homography
from analysis.photo import Photo
from analysis.simulate import PieceSpec, random_piece, render_piece

KINDS = ("plain", "thin", "wide", "light", "dirty", "shadow", "glare", "decoy", "double", "far", "dim", "paper")
NO_FRAME = ("blank", "wrong size", "no board", "paper blank", "mat")
FILLED = ("filled", "board only")      # an engraved area without a line; a plain dark board of the stated size
BACKGROUNDS = ("coffee", "astronaut", "chelsea", "rocket", "brick", "gravel", "grass", "text", "page", "cat")
GRID = np.arange(256) / 255.0
LINEAR = np.where(GRID <= 0.04045, GRID / 12.92, ((GRID + 0.055) / 1.055) ** 2.4).astype(np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class HardCase:
    """A photo, the size that is asked for, and the true corners (None: nothing to find)."""

    photo: Photo
    size_mm: tuple[float, float]
    corners_px: np.ndarray | None
    px_per_mm: float
    kind: str
    seed: int


def hard_case(seed: int, kind: str, size_px: tuple[int, int] = (1600, 1200), quality: int = 85) -> HardCase:
    """One seeded photo; kinds in `KINDS` hold the frame, those in `NO_FRAME` do not."""
    rng = np.random.default_rng([seed, (KINDS + NO_FRAME + FILLED).index(kind), 123])
    piece = _piece(rng, kind)
    scale = 10.0
    board = render_piece(piece, scale)
    if kind == "double":
        board = _inner_frame(board, piece, scale)
    to_photo, px_per_mm = _view(rng, piece, size_px, far=kind == "far")
    canvas = _background(rng, kind, size_px)
    if kind == "decoy":
        canvas = _decoy(canvas, rng, piece, size_px)
    if kind != "no board" and kind != "mat":
        canvas = _lay(canvas, board, piece, to_photo, scale, rng)
    rectangle = np.array([[0, 0], [piece.width_mm, 0], [piece.width_mm, piece.height_mm], [0, piece.height_mm]])
    corners = apply_homography(to_photo, rectangle)
    canvas = _spoil(canvas, rng, kind, corners, px_per_mm)
    canvas = cv2.GaussianBlur(canvas, (0, 0), rng.uniform(0.5, 1.1))
    canvas = canvas + rng.standard_normal(canvas.shape, np.float32) * np.sqrt(np.maximum(canvas, 0) / 4000 + 1e-6)
    coded = np.interp(np.clip(canvas, 0, 1), LINEAR, np.arange(256)).astype(np.uint8)
    coded = cv2.imdecode(cv2.imencode(".jpg", coded, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_GRAYSCALE)
    luminance = LINEAR[coded]
    photo = Photo(name=f"{kind} {seed}", luminance=luminance, preview=np.repeat(coded[..., None], 3, axis=2),
                  preview_scale=1.0, size_px=size_px, clipped=coded > 254, block_px=8, bits=8)
    size = (piece.width_mm, piece.height_mm)
    if kind == "wrong size":
        size = (size[0], size[1] * (1.12 if rng.random() < 0.5 else 0.88))
    return HardCase(photo=photo, size_mm=size, corners_px=corners if kind in (*KINDS, "filled") else None,
                    px_per_mm=px_per_mm, kind=kind, seed=seed)


def _piece(rng, kind) -> PieceSpec:
    piece = random_piece(rng, str(rng.choice(["grain", "rings", "stripe", "trap"])))
    w, h = [(80.0, 60.0), (100.0, 60.0), (70.0, 50.0), (60.0, 60.0), (120.0, 80.0), (50.0, 90.0)][int(rng.integers(6))]
    piece = replace(piece, width_mm=w, height_mm=h)
    if kind == "thin":
        return replace(piece, frame_width_mm=float(rng.uniform(0.3, 0.45)))
    if kind == "wide":
        return replace(piece, frame_width_mm=float(rng.uniform(1.1, 1.5)))
    if kind == "light":
        return replace(piece, raw_reflectance=0.10, ground_reflectance=float(rng.uniform(0.07, 0.1)),
                       frame_reflectance=0.4, artwork_reflectance=0.4, smoke=0.0)
    if kind == "filled":
        return replace(piece, artwork=tuple(a for a in piece.artwork if a != "frame"), smoke=0.0,
                       ground_reflectance=float(rng.uniform(0.1, 0.16)))
    if kind == "board only":
        return replace(piece, artwork=(), margin_mm=(0.01,) * 4, ground_reflectance=0.2, smoke=0.0)
    if kind in ("blank", "paper blank"):
        return replace(piece, artwork=tuple(a for a in piece.artwork if a != "frame"),
                       ground_reflectance=piece.raw_reflectance)
    return piece


def _view(rng, piece, size_px, far=False):
    """Piece mm to photo pixels: pinhole camera, tilt to 25 deg, any turn."""
    w, h = size_px
    tilt, azimuth, turn = np.radians([rng.uniform(0, 25), rng.uniform(0, 360), rng.uniform(0, 360)])
    focal = rng.uniform(0.65, 1.0) * max(w, h)

    def about_z(a):
        return np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    rotation = about_z(azimuth) @ lean @ about_z(turn - azimuth)
    middle = np.array([piece.width_mm / 2, piece.height_mm / 2])
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (middle + 6.0)
    spread = np.abs(corners @ rotation[:2, :2].T).max(axis=0) / (np.array(size_px) / 2)
    fill = rng.uniform(0.35, 0.45) if far else rng.uniform(0.6, 0.85)
    px_per_mm = fill / spread.max()
    shift = np.array(size_px) * rng.uniform(-0.05, 0.05, 2)
    intrinsic = np.array([[focal, 0, (w - 1) / 2 + shift[0]], [0, focal, (h - 1) / 2 + shift[1]], [0, 0, 1]])
    intrinsic[:2, 2] -= shift
    pose = np.column_stack([rotation[:, 0], rotation[:, 1], [0, 0, focal / px_per_mm]])
    pose[:2, 2] = shift / focal * pose[2, 2]
    centre = np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1]])
    matrix = intrinsic @ pose @ centre
    return matrix / matrix[2, 2], px_per_mm


def _background(rng, kind, size_px):
    """A photograph as the bench, or paper, or a mat with a light grid of 10 mm."""
    w, h = size_px
    if kind.startswith("paper"):
        return np.full((h, w), 0.75, np.float32) * np.linspace(1, rng.uniform(0.6, 0.9), w, dtype=np.float32)
    if kind == "mat":
        canvas = np.full((h, w), 0.08, np.float32)
        pitch = int(rng.uniform(60, 110))
        canvas[::pitch] = canvas[1::pitch] = 0.3
        canvas[:, ::pitch] = canvas[:, 1::pitch] = 0.3
        matrix = cv2.getRotationMatrix2D((w / 2, h / 2), rng.uniform(0, 90), 1.2)
        return cv2.warpAffine(canvas, matrix, size_px, borderMode=cv2.BORDER_REFLECT)
    picture = getattr(data, str(rng.choice(BACKGROUNDS)))()
    grey = picture if picture.ndim == 2 else cv2.cvtColor(picture[..., :3], cv2.COLOR_RGB2GRAY)
    grey = cv2.resize(grey.astype(np.uint8), size_px, interpolation=cv2.INTER_CUBIC)
    return LINEAR[grey]


def _lay(canvas, board, piece, to_photo, scale, rng):
    """Board with a soft contact shadow on the canvas; sampled at four times the pixels and averaged."""
    left, top = piece.margin_mm[0], piece.margin_mm[1]
    raster = np.array([[1 / scale, 0, 0.5 / scale - left], [0, 1 / scale, 0.5 / scale - top], [0, 0, 1]])
    fine = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    h, w = canvas.shape
    matrix = fine @ to_photo @ raster
    laid = cv2.warpPerspective(board, matrix, (2 * w, 2 * h), flags=cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.ones_like(board), matrix, (2 * w, 2 * h), flags=cv2.INTER_LINEAR)
    laid, cover = (cv2.resize(a, (w, h), interpolation=cv2.INTER_AREA) for a in (laid, cover))
    shadow = cv2.GaussianBlur(np.roll(cover, rng.integers(-6, 7, 2), axis=(0, 1)), (0, 0), 5)
    return canvas * (1 - cover) * (1 - np.float32(0.6) * shadow * (1 - cover)) + laid


def _decoy(canvas, rng, piece, size_px):
    """Another board with a frame of other proportions, partly under the piece."""
    other = replace(random_piece(rng, "clean"), width_mm=45.0, height_mm=45.0 if piece.width_mm != 60 else 75.0)
    board = render_piece(other, 8.0)
    scale = rng.uniform(0.5, 0.8) * min(size_px) / max(board.shape)
    matrix = cv2.getRotationMatrix2D((board.shape[1] / 2, board.shape[0] / 2), rng.uniform(0, 360), scale)
    matrix[:, 2] += np.array(size_px) * rng.choice([0.15, 0.85], 2) - np.array(board.shape[::-1]) / 2
    cover = cv2.warpAffine(np.ones_like(board), matrix, size_px)
    return canvas * (1 - cover) + cv2.warpAffine(board, matrix, size_px)


def _inner_frame(board, piece, scale):
    """A second line 3 mm inside the frame."""
    left, top = piece.margin_mm[0], piece.margin_mm[1]
    a = np.round((np.array([left, top]) + 3.0) * scale).astype(int)
    b = np.round((np.array([left + piece.width_mm, top + piece.height_mm]) - 3.0) * scale).astype(int)
    board = board.copy()
    cv2.rectangle(board, tuple(map(int, a)), tuple(map(int, b)), 0.05, max(1, int(0.6 * scale)))
    return board


def _spoil(canvas, rng, kind, corners, px_per_mm):
    """Dirt on the frame, a hard shadow across it, glare, or little light."""
    h, w = canvas.shape
    if kind == "dirty":
        for _ in range(int(rng.integers(8, 16))):
            k, t = int(rng.integers(4)), rng.uniform(0, 1)
            at = corners[k] * (1 - t) + corners[(k + 1) % 4] * t + rng.normal(0, 6, 2)
            axes = tuple(int(v) for v in rng.uniform(0.8, 4.0, 2) * px_per_mm)
            cv2.ellipse(canvas, tuple(int(v) for v in at), axes, rng.uniform(0, 180), 0, 360,
                        float(rng.choice([0.04, 0.2, 0.5])), -1, cv2.LINE_AA)
    if kind in ("shadow", "paper"):
        a = rng.uniform(0, 2 * np.pi)
        y, x = np.mgrid[:h, :w].astype(np.float32)
        away = (x - w * rng.uniform(0.3, 0.7)) * np.cos(a) + (y - h * rng.uniform(0.3, 0.7)) * np.sin(a)
        canvas = canvas * (1 - np.float32(0.55) / (1 + np.exp(-away / rng.uniform(1.5, 8)))).astype(np.float32)
    if kind == "glare":
        y, x = np.mgrid[:h, :w].astype(np.float32)
        at = corners[int(rng.integers(4))] * 0.7 + corners.mean(axis=0) * 0.3
        canvas = canvas + 0.8 * np.exp(-(((x - at[0]) / (0.14 * w)) ** 2 + ((y - at[1]) / (0.1 * w)) ** 2))
    return (canvas * (0.08 if kind == "dim" else 1.0)).astype(np.float32)
