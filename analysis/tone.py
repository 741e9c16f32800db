"""Tone curves: coded values of a file to linear luminance, by table.

Each channel has a table of its own that already carries the channel's weight
in luminance, so a pixel costs three look-ups and two additions.
"""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Curves", "linear_luminance", "linear_to_srgb", "luminance_curves", "srgb_to_linear"]

Curves = tuple[NDArray[np.float32], ...]       # one table a channel, in the order of the array's channels

LUMINANCE_RGB = (0.2126, 0.7152, 0.0722)   # IEC 61966-2-1:1999, of linear sRGB (primaries of ITU-R BT.709)
STRIP_PX = 65536                           # worked on at a time: the strip stays in the processor's cache


def srgb_to_linear(coded: NDArray[np.floating]) -> NDArray[np.float64]:
    """Undo the sRGB tone curve.

    Parameters
    ----------
    coded : ndarray
        Coded values, 0 to 1.

    Returns
    -------
    ndarray of float64
        Linear light, 0 to 1.

    References
    ----------
    .. [1] IEC 61966-2-1:1999, clause 5.2.
    """
    coded = np.asarray(coded, np.float64)
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: NDArray[np.floating]) -> NDArray[np.float64]:
    """Apply the sRGB tone curve to linear light, 0 to 1 (IEC 61966-2-1:1999, clause 5.2)."""
    linear = np.asarray(linear, np.float64)
    return np.where(linear <= 0.0031308, 12.92 * linear,
                    1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)


def luminance_curves(levels: int, curves: tuple[NDArray[np.floating], ...] | None = None,
                     weights: tuple[float, ...] = LUMINANCE_RGB) -> Curves:
    """Tables from coded value to weighted linear light.

    Parameters
    ----------
    levels : int
        256 or 65536: the coded values that can occur.
    curves : tuple of ndarray, shape (levels,), optional
        Linear light of each channel; the sRGB curve where none is given.
    weights : tuple of float
        Luminance of each channel's linear light; one channel has weight 1.
    """
    if curves is None:
        curve = srgb_to_linear(np.linspace(0.0, 1.0, levels))
        curves = (curve,) * len(weights)
    return tuple((w * curve).astype(np.float32) for w, curve in zip(weights, curves, strict=True))


def linear_luminance(pixels: NDArray[np.uint8] | NDArray[np.uint16], curves: Curves) -> NDArray[np.float32]:
    """Linear luminance of coded pixels.

    Parameters
    ----------
    pixels : ndarray, shape (h, w) or (h, w, 3), uint8 or uint16
    curves : Curves
        One table a channel, in the channels' order.

    Returns
    -------
    ndarray, shape (h, w), float32
        Linear light, 0 to 1.
    """
    out = np.empty(pixels.shape[:2], np.float32)
    rows = max(1, STRIP_PX // max(1, pixels.shape[1]))
    if pixels.ndim == 3 and pixels.dtype == np.uint8:
        table = np.ascontiguousarray(np.stack(curves, axis=-1))[None]
        ones = np.ones((1, pixels.shape[2]), np.float32)
        for y in range(0, out.shape[0], rows):
            cv2.transform(cv2.LUT(pixels[y:y + rows], table), ones, dst=out[y:y + rows])
        if cv2.transform(table.max(axis=1, keepdims=True), ones).item() > 1.0:      # the weights' sum may round above 1
            np.minimum(out, np.float32(1.0), out=out)
        return out
    for y in range(0, out.shape[0], rows):
        strip = pixels[y:y + rows]
        if pixels.ndim == 2:
            np.take(curves[0], strip, out=out[y:y + rows])
        else:
            out[y:y + rows] = sum(curve[strip[..., k]] for k, curve in enumerate(curves))
    return np.minimum(out, np.float32(1.0), out=out)
