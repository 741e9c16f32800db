"""Large quadrilaterals of straight edges in a photo: boards, sheets, engraved grounds, whatever their slant."""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.quads import EdgeLines, edge_lines, quadrilaterals

__all__ = ["LINES_PX", "SAME", "alike", "apart", "lines_of_preview", "quads_of_lines", "quads_of_shades",
           "straight_outlines"]

LINES_PX = 640             # longer side of the picture whose straight edges are looked at
LEAST_SUPPORT = 0.7        # of the weakest side that lies on edges
LEAST_AREA = 0.02          # of the photo
MOST = 3                   # best covered first
SAME = 0.02                # of the picture's longer side, that corners of the same lie apart at most


def straight_outlines(preview: NDArray[np.uint8], preview_scale: float) -> NDArray[np.float64]:
    """Quadrilaterals (n, 4, 2) of straight edges in a photo, photo px, best covered first.

    `preview` is sRGB of so many pixels per photo pixel.
    """
    lines, grey, scale = lines_of_preview(preview)
    return (quads_of_lines(lines, grey.shape) + 0.5) / (preview_scale * scale) - 0.5


def lines_of_preview(preview: NDArray[np.uint8]) -> tuple[EdgeLines, NDArray[np.uint8], float]:
    """Straight edges of a preview, the grey picture in which they lie, and its pixels per preview pixel."""
    scale = min(1.0, LINES_PX / max(preview.shape[:2]))
    grey = cv2.cvtColor(cv2.resize(preview, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA),
                        cv2.COLOR_RGB2GRAY)
    return edge_lines(grey), grey, scale


def quads_of_lines(lines: EdgeLines, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Large quadrilaterals (n, 4, 2) of lines in a picture of so many rows and columns, each once, best first."""
    if len(lines.point) < 4:
        return np.zeros((0, 4, 2))
    corners, support = quads_of_shades(lines, shape)
    weakest = support.min(axis=1, initial=1.0)
    area = np.array([cv2.contourArea(quad.astype(np.float32)) for quad in corners])
    good = np.flatnonzero((weakest > LEAST_SUPPORT) & (area > LEAST_AREA * shape[0] * shape[1]))
    return apart(corners[good[np.argsort(-weakest[good], kind="stable")]], SAME * max(shape))[:MOST]


def quads_of_shades(lines: EdgeLines, shape: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Quadrilaterals (n, 4, 2), those dark inside first, and the share (n, 4) of their sides that lies on edges."""
    return tuple(np.concatenate(part) for part in zip(
        *(quadrilaterals(lines, shape[::-1], dark) for dark in (True, False)), strict=True))


def apart(quads, least_px: float) -> NDArray[np.float64]:
    """Quadrilaterals (n, 4, 2) without those that lie on one before them."""
    kept = []
    for quad in quads:
        if not any(alike(quad, other, least_px) for other in kept):
            kept.append(quad)
    return np.array(kept).reshape(-1, 4, 2)


def alike(quad, other, most_px: float) -> bool:
    """Whether two quadrilaterals (4, 2) lie on each other, whichever corner comes first."""
    return min(np.abs(np.roll(quad, turn, axis=0) - other).max() for turn in range(4)) < most_px
