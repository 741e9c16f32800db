"""Stroke response: how much a place looks like engraved artwork, and how little like grain.

Artwork is made of strokes and fills that are far darker (or lighter) than the
ground beside them. A morphological closing gives the ground that a stroke lies
on; the relative depth below it, cut at a level that the grain does not reach
and at one that all artwork exceeds, is the same on two boards whose grain has
nothing in common.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Strokes", "stroke_response"]

GRAIN_QUANTILE = 0.80      # of the depth: artwork covers less than a fifth of a piece
GRAIN_FACTOR = 1.8         # artwork begins this far above the grain's quantile
LEAST_DEPTH = 0.10         # relative; fainter marks are left to the grain
ARTWORK_QUANTILE = 0.60    # of the depth where it is artwork: what counts as fully dark
FULL_SHARE = 0.8           # of that depth is full response


@dataclass(frozen=True, slots=True, kw_only=True)
class Strokes:
    """Stroke response of one picture."""

    response: NDArray[np.float32]      # (rows, columns), 0 grain and ground to 1 artwork
    depth: float                       # relative depth of the artwork below (or above) its ground
    grain_depth: float                 # relative depth that the grain reaches
    cover: float                       # share of the valid area with response above one half


def stroke_response(reflectance: NDArray[np.float32], valid: NDArray[np.bool_], widest_px: float,
                    *, light: bool = False) -> Strokes:
    """Respond to strokes narrower than `widest_px`, dark on light or, with `light`, light on dark.

    Parameters
    ----------
    reflectance : ndarray, shape (rows, columns), float32
        Linear light, positive.
    valid : ndarray of bool, same shape
        Response is 0 elsewhere, and levels are taken from here alone.
    widest_px : float
        Widest stroke that still counts, in samples.
    light : bool
        Light artwork on a darker ground.

    Returns
    -------
    Strokes

    Notes
    -----
    Closing with a square: Serra, "Image Analysis and Mathematical Morphology"
    (1982), chapter 2; the difference to the picture is the black top hat.
    """
    side = max(3, 2 * int(round(widest_px / 2)) + 1)
    floor = np.float32(max(float(np.percentile(reflectance[::7, ::7], 50)) * 0.02, 1e-5))
    level = np.maximum(reflectance, floor)
    kernel = np.ones((side, side), np.uint8)
    if light:
        ground = cv2.morphologyEx(level, cv2.MORPH_OPEN, kernel, borderType=cv2.BORDER_REPLICATE)
        depth = 1 - ground / level
    else:
        ground = cv2.morphologyEx(level, cv2.MORPH_CLOSE, kernel, borderType=cv2.BORDER_REPLICATE)
        depth = 1 - level / ground
    seen = depth[::3, ::3][valid[::3, ::3]]
    if seen.size < 64:
        return Strokes(response=np.zeros_like(depth), depth=0.0, grain_depth=1.0, cover=0.0)
    grain = float(np.quantile(seen, GRAIN_QUANTILE))
    start = max(GRAIN_FACTOR * grain, LEAST_DEPTH)
    marks = seen[seen > start]
    artwork = float(np.quantile(marks, ARTWORK_QUANTILE)) if marks.size > 8 else 1.0
    full = max(FULL_SHARE * artwork, 1.25 * start)
    response = np.clip((depth - np.float32(start)) * np.float32(1 / (full - start)), 0, 1)
    response[~valid] = 0
    return Strokes(response=response, depth=artwork, grain_depth=grain,
                   cover=float((seen > 0.5 * (start + full)).mean()))
