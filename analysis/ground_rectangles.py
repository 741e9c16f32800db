"""Large rectangles of straight edges that step alike all round: a board against the bench, or a ground on its board."""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.outlines import quads_of_shades
from analysis.quads import EdgeLines
from analysis.slant import normal_of_rectangle

__all__ = ["MOST_OFF", "rectangles"]

LEAST_SHARE, MOST_SHARE = 0.05, 0.9    # of the photo
MOST_OFF = 0.25            # of its middle from the photo's, over the photo's size: clutter lies farther
LEAST_SUPPORT = 0.75       # of the weakest side of a rectangle that lies on edges
MOST_SKEW = 0.4            # of the difference of its opposite sides: a slant of 35 degrees
LEAST_STEP = 2.0           # of lightness L* across its sides
LEAST_STEP_SPREADS = 1.0   # of that step over its spread along the sides: streaks of the wood step less evenly
LEAST_EVEN = 0.3           # of the step across its weakest side over that of all
LEAST_ALIKE = 0.9          # of the places along the sides that step the same way: not the ground's side and the board's
BESIDE = 5                 # pixels searched, from the side to where each level is read


def rectangles(lines: EdgeLines, shape: tuple[int, int], lightness: NDArray[np.float32]) -> list[tuple]:
    """Rectangles and how evenly lightness steps across their sides.

    Parameters
    ----------
    lines : EdgeLines
    shape : (h, w)
        Of the picture in which the lines lie.
    lightness : ndarray, shape (h', w'), float32
        Smooth L* of the same picture, reduced.

    Returns
    -------
    list of (corners, contrast)
        Corners (4, 2) clockwise, in pixels of `lightness`; the step over its spread.
    """
    if len(lines.point) < 4:
        return []
    corners, support = quads_of_shades(lines, shape)
    side = np.roll(corners, -1, axis=1) - corners
    length = np.linalg.norm(side[:, :2], axis=2).clip(1.0)
    skew = np.linalg.norm(side[:, :2] + side[:, 2:], axis=2) / length
    area = np.abs(side[:, 0, 0] * side[:, 1, 1] - side[:, 0, 1] * side[:, 1, 0])
    square = np.abs(np.sum(side[:, 0] * side[:, 1], axis=1)) / length.prod(axis=1)
    good = ((support.min(axis=1) > LEAST_SUPPORT) & (skew.max(axis=1) < MOST_SKEW) & (square < MOST_SKEW)
            & (area > LEAST_SHARE * shape[0] * shape[1]) & (area < MOST_SHARE * shape[0] * shape[1]))
    h, w = lightness.shape
    good[good] = [normal_of_rectangle(one, shape) is not None for one in corners[good]]
    found = [(one, _even_step(one, lightness))
             for one in (corners[good] + 0.5) * np.array([w / shape[1], h / shape[0]]) - 0.5
             if np.hypot(*(one.mean(axis=0) / (w, h) - 0.5)) < MOST_OFF]
    return [(one, step) for one, step in found if step is not None]


def _even_step(corners, lightness) -> float | None:
    """Step of lightness across the sides of a rectangle (clockwise), over its spread; None where it is not even."""
    along = np.linspace(0.08, 0.92, 12)[:, None, None]
    side = np.roll(corners, -1, axis=0) - corners
    inward = np.stack([-side[:, 1], side[:, 0]], axis=1) / np.linalg.norm(side, axis=1, keepdims=True)
    level = [cv2.remap(lightness, *np.moveaxis((corners + along * side + off * inward).astype(np.float32), 2, 0),
                       cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for off in (-BESIDE, BESIDE)]
    step = level[0] - level[1]
    middle = float(np.median(step))
    if (abs(middle) < LEAST_STEP or np.mean(step * middle > 0) < LEAST_ALIKE
            or (np.median(step, axis=0) / middle).min() < LEAST_EVEN):
        return None
    contrast = abs(middle) / (1.4826 * float(np.median(np.abs(step - middle))) + 1.0)
    return contrast if contrast > LEAST_STEP_SPREADS else None
