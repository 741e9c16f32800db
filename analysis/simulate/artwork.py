"""Artwork of our own on a test piece: frame, text, pictograms, step scale, ruler ticks, and traps."""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.marks import FAMILY, mark_corners_mm
from analysis.simulate.spec import PieceSpec

__all__ = ["artwork_cover", "mark_clearing", "step_scale"]

WORDS = ("SEED BOX 4", "NORTH BED", "DILL  2 g", "PANEL C7", "RYE + OATS", "COASTER 12", "SHELF B", "JUNIPER",
         "MINT  3 g", "TRAY 21", "HAZEL", "LOT 0416", "BEANS  40", "OAK LEAF", "TEST 5 mm", "CHIVES")
TINY = ("beam on 45", "row 0.1", "cut 2 of 3", "birch 4 mm", "dry first", "side A", "keep flat", "speed 400")
FONT = cv2.FONT_HERSHEY_DUPLEX
TEXT_PER_MM = 48.0                         # sampling at which words are drawn
QUIET_MM = 1.0                             # raw rim around a corner mark: one field of it


class _Canvas:
    """Anti-aliased strokes and fills in mm on a raster; 8-bit cover, 255 = artwork."""

    def __init__(self, shape, samples_per_mm, origin_mm):
        self.cover = np.zeros(shape, np.uint8)
        self.scale, self.origin = samples_per_mm, np.array(origin_mm)

    def _px(self, points):
        shift = (np.asarray(points, float).reshape(-1, 2) - self.origin) * self.scale
        return np.round(shift * 16).astype(np.int32)                # 4 fractional bits

    def fill(self, points, value=255):
        cv2.fillPoly(self.cover, [self._px(points).reshape(-1, 1, 2)], int(value), cv2.LINE_AA, 4)

    def stroke(self, points, width_mm, closed=False):
        cv2.polylines(self.cover, [self._px(points).reshape(-1, 1, 2)], closed, 255,
                      max(1, round(width_mm * self.scale)), cv2.LINE_AA, 4)

    def rectangle(self, x, y, w, h, value=255):
        self.fill([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], value)

    def text(self, words, x, y, height_mm, width_mm=0.5):
        # OpenCV rounds letters' advances to whole pixels, so words are always drawn at one sampling and then
        # laid on the raster: two boards carry the same word whatever their rasters
        size = height_mm * TEXT_PER_MM / 22.0              # capitals are about 22 px high at scale 1
        stroke = max(1, round(width_mm * TEXT_PER_MM))
        (wide, tall), below = cv2.getTextSize(words, FONT, size, stroke)
        rim = stroke + 8
        word = np.zeros((tall + below + 2 * rim, wide + 2 * rim), np.uint8)
        cv2.putText(word, words, (rim, rim + tall), FONT, size, 255, stroke, cv2.LINE_AA)
        ratio = self.scale / TEXT_PER_MM
        word = cv2.GaussianBlur(word, (0, 0), 0.3 * max(1 / ratio, 1.0))
        start = (np.array([x, y + height_mm]) - self.origin) * self.scale - ratio * np.array([rim, rim + tall])
        matrix = np.array([[ratio, 0, start[0]], [0, ratio, start[1]]])
        laid = cv2.warpAffine(word, matrix, self.cover.shape[::-1], flags=cv2.INTER_LINEAR)
        np.maximum(self.cover, laid, out=self.cover)


def artwork_cover(spec: PieceSpec, shape: tuple[int, int], samples_per_mm: float,
                  origin_mm: tuple[float, float]) -> NDArray[np.float32]:
    """Cover of dark artwork, 0 to 1, on the raster.

    The frame's OUTER edge is the stated size of the piece. What is drawn, and
    where, depends on `artwork` and `artwork_seed` alone, so two boards with the
    same seed carry the same artwork; only gaps of the frame belong to the board.
    """
    canvas = _Canvas(shape, samples_per_mm, origin_mm)
    rng = np.random.default_rng([spec.artwork_seed, 77])
    w, h = spec.width_mm, spec.height_mm
    inset = spec.frame_width_mm + 2.5
    start = inset + (9.0 if "marks" in spec.artwork else 0.0)       # text begins beside a corner mark
    if "text" in spec.artwork:
        size = rng.uniform(3.0, 5.5)
        canvas.text(str(rng.choice(WORDS)), start + rng.uniform(0, w * 0.15), inset + rng.uniform(0, 3), size,
                    size * 0.12)
        x, y = start + rng.uniform(0, w * 0.3), h - inset - rng.uniform(2.5, 5)
        canvas.text(str(rng.choice(TINY)), x, y, 1.8, 0.25)
    if "shapes" in spec.artwork:
        for side in range(2):
            x = w * (0.68 if side else 0.12) + rng.uniform(0, w * 0.1)
            y = h * (0.12 if side else 0.58) + rng.uniform(0, h * 0.08)
            _pictogram(canvas, rng, x, y, rng.uniform(0.16, 0.24) * min(w, h))
    if "comb_text" in spec.artwork:
        _comb_text(canvas, rng, w, h)
    if "ruler" in spec.artwork:
        _ruler(canvas, rng.uniform(8, 14), h - inset - 3.0, min(50.0, w - 30))
    if "marks" in spec.artwork:
        for number, corners in mark_corners_mm((w, h)).items():
            _corner_mark(canvas, number, corners)
    cover = canvas.cover
    if "frame" in spec.artwork:
        cover = np.maximum(cover, _frame_cover(spec, shape, samples_per_mm, origin_mm))
    return cover.astype(np.float32) * np.float32(1 / 255)


def step_scale(spec: PieceSpec, shape: tuple[int, int], samples_per_mm: float,
               origin_mm: tuple[float, float]) -> NDArray[np.float32] | None:
    """Log darkening of a row of patches of rising dose, or None."""
    if "steps" not in spec.artwork:
        return None
    rng = np.random.default_rng([spec.artwork_seed, 78])
    canvas = _Canvas(shape, samples_per_mm, origin_mm)
    size = min(6.0, spec.height_mm / 8)
    x0, y0 = spec.width_mm * rng.uniform(0.42, 0.52), spec.height_mm * rng.uniform(0.6, 0.74)
    for k in range(5):
        canvas.rectangle(x0 + k * (size + 1.0), y0, size, size, 40 + 45 * k)
    return canvas.cover.astype(np.float32) * np.float32(-0.6 / 255)


def mark_clearing(spec: PieceSpec, shape: tuple[int, int], samples_per_mm: float,
                  origin_mm: tuple[float, float]) -> NDArray[np.float32] | None:
    """Cover of the places around the corner marks that stay raw, so that the marks can be read, or None."""
    if "marks" not in spec.artwork:
        return None
    canvas = _Canvas(shape, samples_per_mm, origin_mm)
    for corners in mark_corners_mm((spec.width_mm, spec.height_mm)).values():
        side = corners[1, 0] - corners[0, 0] + 2 * QUIET_MM
        canvas.rectangle(*(corners[0] - QUIET_MM), side, side)
    return canvas.cover.astype(np.float32) * np.float32(1 / 255)


def _frame_cover(spec, shape, s, origin):
    """Exact area cover of the frame's line on the raster: the outer edge is where the truth says."""
    rows, columns = shape
    x = origin[0] + np.arange(columns) / s
    y = origin[1] + np.arange(rows) / s

    def inside(x0, x1, y0, y1):
        across = np.clip(np.minimum(x - x0, x1 - x) * s + 0.5, 0, 1)
        down = np.clip(np.minimum(y - y0, y1 - y) * s + 0.5, 0, 1)
        return (down[:, None] * across[None, :]).astype(np.float32)

    t = spec.frame_width_mm
    w, h = spec.width_mm, spec.height_mm
    ring = inside(0, w, 0, h) - inside(t, w - t, t, h - t)
    rng = np.random.default_rng([spec.board_seed, 79])
    for _ in range(spec.frame_gaps):                                # never at a corner
        length, along = rng.uniform(2.0, 7.0), rng.uniform(0.12, 0.82)
        side, keep = int(rng.integers(4)), np.float32(rng.uniform(0.0, 0.5))
        reach = (h if side < 2 else w) * (side % 2)                 # where the side lies
        span = along * (w if side < 2 else h)
        across, lengthways = (reach - 2 * t, reach + 2 * t), (span, span + length)
        hole = inside(*lengthways, *across) if side < 2 else inside(*across, *lengthways)
        ring *= 1 - (1 - keep) * hole
    return np.round(ring * 255).astype(np.uint8)


def _pictogram(canvas, rng, x, y, size):
    """Draw a leaf, a jar, a sun, a bird house or a flask: our own simple shapes in a unit square."""
    kind = int(rng.integers(5))
    t = np.linspace(0, 1, 40)
    line = max(0.5, size * 0.06)

    def at(*points):
        return np.array([x, y]) + size * np.asarray(points, float).reshape(-1, 2)

    def disc(cx, cy, radius):
        return at(np.c_[cx + radius * np.cos(2 * np.pi * t), cy + radius * np.sin(2 * np.pi * t)])

    if kind == 0:                                                   # leaf with its stalk
        half = 0.32 * np.sin(np.pi * t) * (1 - 0.3 * t)
        canvas.fill(at(np.concatenate([np.c_[t, -half], np.c_[t, half][::-1]])))
        canvas.stroke(at((-0.3, 0.05), (0, 0)), line)
    elif kind == 1:                                                 # jar, half full
        canvas.stroke(at((0, 0), (0.7, 0), (0.8, 0.2), (0.8, 1), (-0.1, 1), (-0.1, 0.2)), line, True)
        canvas.fill(at((-0.1, 0.55), (0.8, 0.55), (0.8, 1), (-0.1, 1)))
    elif kind == 2:                                                 # sun
        for k in range(9):
            ray = np.array([np.cos(2 * np.pi * k / 9 + 0.2), np.sin(2 * np.pi * k / 9 + 0.2)])
            canvas.stroke(at(0.35 * ray, 0.55 * ray), line)
        canvas.fill(disc(0, 0, 0.25))
    elif kind == 3:                                                 # bird house
        canvas.stroke(at((0, 0.4), (0.4, 0), (0.8, 0.4)), line * 1.4)
        canvas.stroke(at((0.1, 0.4), (0.1, 1), (0.7, 1), (0.7, 0.4)), line)
        canvas.fill(disc(0.4, 0.55, 0.12))
    else:                                                           # flask
        canvas.stroke(at((0.3, 0), (0.3, 0.4), (0, 1), (0.8, 1), (0.5, 0.4), (0.5, 0)), line)
        canvas.fill(at((0.15, 0.7), (0.65, 0.7), (0.8, 1), (0, 1)))


def _comb_text(canvas, rng, w, h):
    """Lay a trap: regularly spaced strokes and equal letters in rows, as on a scale or a word repeated."""
    pitch = rng.uniform(1.6, 3.2)
    word = str(rng.choice(["ILILILILILILIL", "HHHHHHHHHHHHHH", "NNNNNNNNNNNN", "|||||||||||||||"]))
    x0, y0 = w * 0.1, h * rng.uniform(0.3, 0.4)
    for row in range(int(rng.integers(2, 5))):
        for k, letter in enumerate(word * 3):
            if x0 + k * pitch > w - 8:
                break
            canvas.text(letter, x0 + k * pitch, y0 + 5.0 * row, 2.6, 0.3)


def _ruler(canvas, x, y, length):
    """Millimetre ticks, longer every fifth and tenth."""
    for k in range(int(length) + 1):
        tall = 3.0 if k % 10 == 0 else 2.2 if k % 5 == 0 else 1.4
        canvas.rectangle(x + k - 0.09, y, 0.18, tall)


def _corner_mark(canvas, number, corners):
    """Draw the dark fields of one corner mark."""
    fields = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(FAMILY), number, 8)
    step = (corners[1, 0] - corners[0, 0]) / 8
    for row, column in zip(*np.nonzero(fields == 0), strict=True):
        canvas.rectangle(corners[0, 0] + column * step, corners[0, 1] + row * step, step, step)
