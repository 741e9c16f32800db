"""Stroke response: how much a place looks like engraved artwork, and how little like grain.

Artwork is made of strokes and fills that are far darker (or lighter) than the
ground beside them. A wide median gives the ground that a stroke lies on; the
depth below it in log light, cut at a level that most of the grain does not
reach and at one that most artwork exceeds, is the same on two boards whose
grain has nothing in common.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.ranks import median, percentile

__all__ = ["Strokes", "respond", "shades", "stroke_depth", "stroke_response"]

START_SIGMAS = 1.5         # artwork begins this many robust s.d. of the ground below it
ARTWORK_SIGMAS = 2.5       # so deep is no grain, mostly
LEAST_DEPTH = 0.10         # log; fainter marks are left to the grain
ARTWORK_QUANTILE = 0.60    # of the depth where it is artwork: what counts as fully dark
SMOOTH_SHARE = 0.035       # blur against fibres, of the widest stroke
SHADE_ACROSS = 10.0        # samples across the widest stroke, enough to tell its shade
EITHER_SHADE = 0.4         # of dark artwork, that light marks must amount to, so that they may be the artwork
LIGHT_SIGMAS = 4.0         # of the grain's depth, that light artwork stands above its ground


@dataclass(frozen=True, slots=True, kw_only=True)
class Strokes:
    """Stroke response of one picture."""

    response: NDArray[np.float32]      # (rows, columns), 0 grain and ground to 1 artwork
    depth: float                       # of the artwork below (or above) its ground, log light
    grain_depth: float                 # robust s.d. of the ground's own texture, log light
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
    The median over a square of twice `widest_px` follows the ground wherever
    artwork covers less than half of it. A closing with a square of `widest_px`
    (Serra, "Image Analysis and Mathematical Morphology", 1982) is dark on the
    dark side of a step, so that a board's edge on a dark bench is no stroke.
    """
    return respond(stroke_depth(reflectance, widest_px, light=light), valid)


def shades(reflectance: NDArray[np.float32], valid: NDArray[np.bool_], widest_px: float) -> tuple[bool, ...]:
    """Shades that artwork may have: dark (False), and light (True) as well where enough stands out light."""
    factor = max(1.0, widest_px / SHADE_ACROSS)
    size = tuple(max(8, round(n / factor)) for n in reflectance.shape[::-1])
    picture = cv2.resize(reflectance, size, interpolation=cv2.INTER_AREA)
    inside = cv2.resize(valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    dark, light = (stroke_response(picture, inside, widest_px / factor, light=light) for light in (False, True))
    clear = light.depth > LIGHT_SIGMAS * light.grain_depth
    return (False, True) if clear and light.cover * light.depth > EITHER_SHADE * dark.cover * dark.depth else (False,)


def stroke_depth(reflectance: NDArray[np.float32], widest_px: float, *, light: bool = False) -> NDArray[np.float32]:
    """Log depth below (with `light`, height above) the ground beside, of what is narrower than `widest_px`."""
    bright = float(percentile(reflectance[::7, ::7], 99))
    smooth = cv2.GaussianBlur(reflectance, (0, 0), max(SMOOTH_SHARE * widest_px, 0.3))
    log = np.log(np.maximum(reflectance, np.float32(max(bright * 3e-3, 1e-6))))
    if light:
        return smooth * np.exp(np.minimum(_ground(-log, widest_px), _closed(-log, widest_px))) - 1
    return 1 - smooth * np.exp(-np.minimum(_ground(log, widest_px), _closed(log, widest_px)))


def respond(depth: NDArray[np.float32], valid: NDArray[np.bool_], least: float = LEAST_DEPTH) -> Strokes:
    """Cut a depth at levels taken where it is valid: 0 for grain to 1 for artwork, none of it below `least`."""
    seen = depth[::3, ::3][valid[::3, ::3]]
    if seen.size < 64:
        return Strokes(response=np.zeros_like(depth), depth=0.0, grain_depth=1.0, cover=0.0)
    grain = 1.4826 * float(median(np.abs(seen)))
    marks = seen[seen > max(ARTWORK_SIGMAS * grain, 1.5 * least)]
    artwork = float(percentile(marks, 100 * ARTWORK_QUANTILE)) if marks.size > 8 else 10.0
    start = min(max(START_SIGMAS * grain, least), 0.35 * artwork)
    full = artwork - start             # levels about one half: blur moves the edge of a stroke by nothing there
    response = np.clip((depth - np.float32(start)) * np.float32(1 / (full - start)), 0, 1)
    response[~valid] = 0
    return Strokes(response=response, depth=artwork, grain_depth=grain,
                   cover=float((seen > 0.5 * (start + full)).mean()))


def _ground(log, widest_px) -> NDArray[np.float32]:
    """Wide median of a picture, by 8-bit levels on a coarse grid."""
    factor = max(1, int(widest_px / 8))
    rows, columns = log.shape
    small = cv2.resize(log, (max(1, columns // factor), max(1, rows // factor)), interpolation=cv2.INTER_AREA)
    low, high = float(small.min()), float(small.max())
    step = max(high - low, 1e-6) / 255
    side = 2 * int(round(widest_px / factor)) + 1
    levels = cv2.medianBlur(np.round((small - low) / step).astype(np.uint8), side)
    ground = cv2.GaussianBlur(levels.astype(np.float32), (0, 0), 1.0) * np.float32(step) + np.float32(low)
    return cv2.resize(ground, (columns, rows), interpolation=cv2.INTER_LINEAR)


def _closed(log, widest_px) -> NDArray[np.float32]:
    """Closing with a square as wide as the widest stroke."""
    side = 2 * int(round(widest_px / 2)) + 1
    return cv2.morphologyEx(log, cv2.MORPH_CLOSE, np.ones((side, side), np.uint8), borderType=cv2.BORDER_REPLICATE)
