"""Planned pieces as they come out of the machine, and plain photos of them, with known truth."""
from __future__ import annotations

import cv2
import numpy as np

from analysis.simulate import GrainSpec, grain_field

__all__ = ["engraved", "photographed"]


def engraved(plan, seed, *, period_mm, contrast_percent, s=12.0, margin=8.0, grain_percent=4.0,
             lines_deg=40.0):
    """Reflectance of a planned piece on its board, s samples per mm."""
    rng = np.random.default_rng(seed)
    w, h = plan.settings.width_mm + 2 * margin, plan.settings.height_mm + 2 * margin
    shape = (int(h * s), int(w * s))
    grain = grain_field(GrainSpec(angle_deg=lines_deg, contrast_percent=grain_percent), shape, s, rng)
    board = 0.5 * np.exp(0.5 * grain)
    xs, ys = ((np.arange(n) + 0.5) / s - margin for n in shape[::-1])
    for patch in plan.patches:
        x, y, pw, ph = patch.outline_mm
        c, r = slice(*np.searchsorted(xs, [x, x + pw])), slice(*np.searchsorted(ys, [y, y + ph]))
        along = ys[r][:, None] if patch.turned else xs[c][None, :]
        wave = 1 + contrast_percent / 200 * np.cos(2 * np.pi * along / period_mm)
        board[r, c] = 0.5 * np.exp(-patch.power_percent / 40) * np.exp(grain[r, c]) * wave
    dark = np.zeros(shape, np.uint8)
    for layer in ("FRAME", "MARKS", "TEXT"):
        outlines = [np.round((np.array(q.points_mm) + margin) * s * 16 - 8).astype(np.int32).reshape(-1, 1, 2)
                    for q in plan.shapes if q.layer == layer]
        if layer == "TEXT":
            cv2.polylines(dark, outlines, False, 255, 3, cv2.LINE_AA, 4)
        elif layer == "FRAME":
            cv2.fillPoly(dark, outlines, 255, cv2.LINE_AA, 4)
        else:
            for outline in outlines:
                cv2.fillPoly(dark, [outline], 255, cv2.LINE_8, 4)
    cover = dark.astype(np.float32) / 255
    return (board * (1 - cover) + 0.05 * cover).astype(np.float32), s, margin


def photographed(board, s, margin, plan, *, turn_deg, size=(1600, 1200), seed=3):
    """JPEG of the board, tilted and turned, and the true homography from mm to photo pixels."""
    rng = np.random.default_rng(seed)
    st = plan.settings
    w, h = st.width_mm + 2 * margin, st.height_mm + 2 * margin
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]])
    a = np.radians(turn_deg)
    fit = 0.93 * min(size[0] / (w * abs(np.cos(a)) + h * abs(np.sin(a))),
                     size[1] / (h * abs(np.cos(a)) + w * abs(np.sin(a))))
    flat = (corners - [w / 2, h / 2]) * fit @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    seen = flat / (1 + 0.06 * (flat[:, :1] / size[0] + 0.5 * flat[:, 1:] / size[1])) + np.array(size) / 2
    matrix = cv2.getPerspectiveTransform((corners * s - 0.5).astype(np.float32), seen.astype(np.float32))
    light = cv2.warpPerspective(board, matrix, size, flags=cv2.INTER_CUBIC, borderValue=0.2)
    light = cv2.GaussianBlur(light, (0, 0), 0.7) * 1.2 + 0.005 * rng.standard_normal(size[::-1])
    light = np.clip(light, 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    data = cv2.imencode(".jpg", np.round(255 * coded).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 93])[1]
    to_mm = np.array([[s, 0, margin * s - 0.5], [0, s, margin * s - 0.5], [0, 0, 1.0]])
    return data.tobytes(), matrix @ to_mm
