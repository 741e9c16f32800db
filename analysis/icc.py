"""Embedded colour profiles: what a coded value of this file is in linear sRGB light.

A profile of three primaries and tone curves (the kind that cameras and phones
embed) is read here, and its luminance computed in float: no rounding to eight
bits, no clipping of colours outside sRGB. Numbers are big-endian, s15Fixed16
where not said otherwise.

References
----------
.. [1] ICC.1:2022 (ISO 15076-1), sections 7.2, 10.6 (curveType), 10.18 (parametricCurveType), 10.31 (XYZType).
"""
from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.tone import LUMINANCE_RGB, Curves, luminance_curves, srgb_to_linear

__all__ = ["Profile", "profile_curves", "read_profile"]

# Linear sRGB to XYZ adapted to D50 (rows X, Y, Z): IEC 61966-2-1 primaries through the Bradford transform,
# as in the profile that the ICC publishes
SRGB_TO_D50 = np.array([[0.4360747, 0.3850649, 0.1430804],
                        [0.2225045, 0.7168786, 0.0606169],
                        [0.0139322, 0.0971045, 0.7141733]])
LARGEST_BYTES = 4_000_000
CURVE_SAMPLES = 4097


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """A profile of primaries and curves, or of grey."""

    curves: tuple[NDArray[np.float64], ...]    # linear light at CURVE_SAMPLES coded values, red first
    weights: tuple[float, ...]                 # luminance of each channel's linear light
    is_srgb: bool                              # so close to sRGB that a picture needs no conversion


def profile_curves(profile: Profile, levels: int, channels: int) -> Curves:
    """Tables from coded value to weighted linear light, in the order grey, or BLUE, GREEN, RED.

    Parameters
    ----------
    profile : Profile
    levels : int
        Coded values that can occur.
    channels : {1, 3}
        Of the picture; a grey picture under a colour profile takes green's curve.
    """
    coded = np.linspace(0.0, 1.0, levels)
    at = np.linspace(0.0, 1.0, CURVE_SAMPLES)
    curves = [np.interp(coded, at, curve) for curve in profile.curves]
    if channels == 1:
        return luminance_curves(levels, (curves[len(curves) // 2],), (1.0,))
    if len(curves) == 1:
        return luminance_curves(levels, tuple(curves * 3))[::-1]
    return luminance_curves(levels, tuple(curves), profile.weights)[::-1]


def read_profile(data: bytes) -> Profile | None:
    """Read a profile.

    Returns
    -------
    Profile or None
        None where it is of another kind (tables, print) or damaged.
    """
    try:
        return _read(data)
    except (struct.error, ValueError, IndexError, OverflowError, np.linalg.LinAlgError):
        return None


def _read(data: bytes) -> Profile | None:
    if not 132 <= len(data) <= LARGEST_BYTES or data[36:40] != b"acsp":
        return None
    space, connection = data[16:20], data[20:24]
    tags = {}
    for i in range(min(200, struct.unpack_from(">I", data, 128)[0])):
        name, at, size = struct.unpack_from(">4sII", data, 132 + 12 * i)
        tags[name] = data[at:at + size]
    if b"A2B0" in tags or connection != b"XYZ ":
        return None
    if space == b"GRAY" and b"kTRC" in tags:
        return _profile((_curve(tags[b"kTRC"]),), (1.0,), (1.0,))
    if space != b"RGB " or not {b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC"} <= tags.keys():
        return None
    columns = [_xyz(tags[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
    weights = np.array(LUMINANCE_RGB) @ np.linalg.inv(SRGB_TO_D50) @ np.stack(columns, axis=1)
    if not 0.97 < float(weights.sum()) < 1.03:         # white must stay white
        return None
    return _profile(tuple(_curve(tags[name]) for name in (b"rTRC", b"gTRC", b"bTRC")),
                    tuple(weights / weights.sum()), LUMINANCE_RGB)


def _profile(curves, weights, srgb_weights) -> Profile:
    srgb = srgb_to_linear(np.linspace(0.0, 1.0, CURVE_SAMPLES))
    near = max(abs(a - b) for a, b in zip(weights, srgb_weights, strict=True))
    return Profile(curves=curves, weights=tuple(map(float, weights)),
                   is_srgb=near < 2e-3 and all(np.abs(curve - srgb).max() < 2e-3 for curve in curves))


def _xyz(tag: bytes) -> NDArray[np.float64]:
    if tag[:4] != b"XYZ ":
        raise ValueError("no XYZType")
    return np.array(struct.unpack_from(">3i", tag, 8)) / 65536.0


def _curve(tag: bytes) -> NDArray[np.float64]:
    """Linear light, 0 to 1, at evenly spaced coded values."""
    x = np.linspace(0.0, 1.0, CURVE_SAMPLES)
    if tag[:4] == b"curv":
        count, = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return x
        if count == 1:
            return x ** (struct.unpack_from(">H", tag, 12)[0] / 256.0)
        table = np.frombuffer(tag, ">u2", count, 12) / 65535.0
        return np.interp(x, np.linspace(0.0, 1.0, count), table)
    if tag[:4] != b"para":
        raise ValueError("no curve")
    kind, = struct.unpack_from(">H", tag, 8)
    g, *rest = np.array(struct.unpack_from(f">{(1, 3, 4, 5, 7)[kind]}i", tag, 12)) / 65536.0
    with np.errstate(all="ignore"):                    # a damaged profile may ask for any power of any number
        curve = _parametric(kind, x, g, *rest)
    if not np.isfinite(curve).all():
        raise ValueError("a curve without values")
    return np.clip(curve, 0.0, 1.0)


def _parametric(kind, x, g, a=1.0, b=0.0, c=0.0, d=0.0, e=0.0, f=0.0) -> NDArray[np.float64]:
    """Table 68 of ICC.1:2022."""
    power = np.maximum(a * x + b, 0.0) ** g
    if kind == 0:
        return x ** g
    if kind in (1, 2):
        return np.where(x >= -b / a, power, 0.0) + (c if kind == 2 else 0.0)
    return np.where(x >= d, power + e, c * x + f)
