"""Photo file to upright linear reflectance.

Linear light comes first: stripe contrast is a ratio of reflectances, and a
phone's tone curve would change it by a factor near two. Of what else the file
says only the focal length is kept: no place, no time, no camera.
"""
from __future__ import annotations

import io
import os
import stat
from dataclasses import dataclass
from os import PathLike
from pathlib import Path, PureWindowsPath

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.decode import MAX_BYTES, MAX_PIXELS, Decoded, decode
from analysis.errors import PhotoError
from analysis.icc import profile_curves, read_profile
from analysis.sharpness import blur_px, half_contrast_period_px
from analysis.tone import LUMINANCE_RGB, Curves, linear_luminance, linear_to_srgb, luminance_curves

__all__ = ["MAX_BYTES", "MAX_PIXELS", "Photo", "load_photo"]

PREVIEW_SIDE_PX = 2000
LEAST_SIDE_PX = 128            # fewer cannot hold eight periods of anything; common practice, no source
FULL_SCALE = 254               # of a preview pixel's mean, 8 bits: all its photo pixels are at full scale
NO_PROFILE = ("The file's colour profile cannot be read, so sRGB was assumed; contrasts may be off. "
              "Save the photo as sRGB JPEG.")
GLARE_FRACTION = 0.02          # of the photo at full scale, worth a warning; common practice, no source
BLURRED_PERIOD_PX = 12.0       # 1 mm at the 12 px per mm that we ask for
BLACK, DARK, DIM = 6, 64, 28   # coded values, 8 bits: nothing seen; brightest parts dark; middle dark


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """One photo, upright, in linear light.

    `luminance` has shape (height, width): row = y, column = x.
    """

    name: str                          # file name only, never a path
    luminance: NDArray[np.float32]     # (h, w) linear light, 0 to 1 (read-only)
    preview: NDArray[np.uint8]         # (h', w', 3) upright sRGB for people, longest side <= 2000 px
    preview_scale: float               # preview pixels per photo pixel
    size_px: tuple[int, int]           # (width, height) after orientation, full resolution
    clipped: NDArray[np.bool_]         # (h', w') of the preview: any channel at full scale (glare)
    block_px: int                      # compression block: 8 or 16 px for JPEG, 0 where there is none
    bits: int                          # bits per sample in the file
    blur_px: float | None = None       # s.d. of the blur as a Gaussian; None: too few edges to tell
    focal_share: float | None = None   # focal length over the longer side, where the file states it
    warnings: tuple[str, ...] = ()


def load_photo(source: bytes | str | PathLike[str], name: str | None = None) -> Photo:
    """Load a photo: JPEG, PNG, TIFF (8, 16 bits, float), WebP, GIF, BMP, or HEIC with the extra `heic`.

    Parameters
    ----------
    source : bytes or path
        The file's content, or where it is.
    name : str, optional
        File name to show; by default the last part of the path.

    Returns
    -------
    Photo

    Raises
    ------
    PhotoError
        No such file, not a photo, damaged, too large or too small, or blank.

    Notes
    -----
    The sRGB curve is undone unless the file carries a colour profile; samples
    of a floating-point file are taken as linear light.
    """
    if isinstance(source, (bytes, bytearray, memoryview)):
        data = bytes(source)
    else:
        data, name = _read(source), name or Path(source).name
    shown = PureWindowsPath(Path(name or "photo").name).name or "photo"        # a path of either kind stays out
    try:
        return _loaded(data, shown)
    except PhotoError as problem:
        if name is None:
            raise
        raise PhotoError(f"{shown}: {problem}") from problem


def _loaded(data: bytes, name: str) -> Photo:
    """Load from bytes; the caller puts the name before a complaint."""
    if len(data) > MAX_BYTES:
        raise _too_many_bytes(len(data))
    decoded = decode(data)
    height, width = decoded.pixels.shape[:2]
    if min(height, width) < LEAST_SIDE_PX:
        raise PhotoError(f"This photo is only {width} x {height} pixels. Take it again at full size.")
    pixels, curves, convert, notes = _colours(decoded)
    preview = _preview(pixels)
    if convert:
        preview = _to_srgb(preview, decoded.icc)
    levels = _levels(preview)
    _check_not_blank(levels)
    luminance = _luminance(pixels, curves)
    clipped = cv2.inRange(preview, (0, 0, 0), (FULL_SCALE - 1,) * 3) == 0
    blur = blur_px(luminance)
    warnings = decoded.warnings + notes + _light_warnings(levels, clipped) + _blur_warnings(blur)
    for array in (luminance, preview, clipped):
        array.setflags(write=False)
    return Photo(name=name, luminance=luminance, preview=preview,
                 preview_scale=preview.shape[1] / width, size_px=(width, height), clipped=clipped,
                 block_px=decoded.block_px, bits=decoded.bits, blur_px=blur, focal_share=decoded.focal_share,
                 warnings=warnings)


def _read(path: str | PathLike[str]) -> bytes:
    """Read a regular file of bearable size; a pipe or device would hang."""
    shown = Path(path).name or str(path)
    try:
        found = os.stat(path)
        if stat.S_ISDIR(found.st_mode):
            raise PhotoError(f"{shown} is a folder. Give the photo's own file name.")
        if not stat.S_ISREG(found.st_mode):
            raise PhotoError(f"{shown} is not an ordinary file. Give a photo's file name.")
        if found.st_size > MAX_BYTES:
            raise _too_many_bytes(found.st_size)
        return Path(path).read_bytes()
    except FileNotFoundError as problem:
        raise PhotoError(f"There is no file {shown}. Check the name and the folder.") from problem
    except PermissionError as problem:
        raise PhotoError(f"{shown} may not be read. Change its permissions, or copy it.") from problem
    except (OSError, ValueError) as problem:
        raise PhotoError(f"{shown} cannot be read. Copy the photo to this computer again.") from problem


def _too_many_bytes(count: int) -> PhotoError:
    return PhotoError(f"This file has {count / 1e6:.0f} MB; the limit is {MAX_BYTES // 1_000_000} MB. "
                      "Save the photo as JPEG.")


def _preview(pixels: NDArray) -> NDArray[np.uint8]:
    """Small upright sRGB picture, red first."""
    height, width = pixels.shape[:2]
    scale = min(1.0, PREVIEW_SIDE_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA) if scale < 1 else pixels
    if small.dtype == np.uint16:
        small = cv2.convertScaleAbs(small, alpha=1 / 257)
    elif small.dtype == np.float32:
        small = np.round(255 * linear_to_srgb(small)).astype(np.uint8)
    return cv2.cvtColor(small, cv2.COLOR_GRAY2RGB if small.ndim == 2 else cv2.COLOR_BGR2RGB)


def _levels(preview: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Cumulative share of pixels by coded value of green, shape (256,)."""
    green = np.ascontiguousarray(preview[::2, ::2, 1])
    count = cv2.calcHist([green], [0], None, [256], [0, 256]).ravel().astype(np.int64)
    return np.cumsum(count) / count.sum()


def _check_not_blank(levels: NDArray[np.float64]) -> None:
    """Refuse a photo on which nothing can be seen."""
    low, high = np.searchsorted(levels, [0.001, 0.999])
    if high < BLACK:
        raise PhotoError("This photo is black. Take it again with more light.")
    if low >= FULL_SCALE:
        raise PhotoError("This photo is white all over. Take it again with less light or a shorter exposure.")
    if high - low <= 1:
        raise PhotoError("This picture has one even tone and shows nothing. Choose a photo of the piece.")


def _colours(decoded: Decoded) -> tuple[NDArray, Curves | None, bool, tuple[str, ...]]:
    """Pixels, their curves in channel order (None: linear), whether the preview needs converting, notes."""
    pixels, channels = decoded.pixels, 1 if decoded.pixels.ndim == 2 else 3
    if pixels.dtype == np.float32:
        return pixels, None, False, ()
    levels = 256 if pixels.dtype == np.uint8 else 65536
    srgb = luminance_curves(levels, weights=LUMINANCE_RGB[::-1] if channels == 3 else (1.0,))
    if decoded.icc is None:
        return pixels, srgb, False, ()
    profile = read_profile(decoded.icc)
    if profile is not None:
        return pixels, profile_curves(profile, levels, channels), channels == 3 and not profile.is_srgb, ()
    if channels == 3 and levels == 256:
        converted = _to_srgb(pixels, decoded.icc, order=-1)
        if converted is not pixels:
            return converted, srgb, False, ()
    return pixels, srgb, False, (NO_PROFILE,)


def _to_srgb(picture: NDArray[np.uint8], icc: bytes, order: int = 1) -> NDArray[np.uint8]:
    """Convert a colour picture to sRGB by its profile; the same picture where that fails."""
    from PIL import Image, ImageCms
    try:
        image = Image.fromarray(np.ascontiguousarray(picture[..., ::order]))
        srgb = ImageCms.createProfile("sRGB")
        done = ImageCms.profileToProfile(image, io.BytesIO(icc), srgb, outputMode="RGB")
    except (ImageCms.PyCMSError, OSError, ValueError):
        return picture
    return np.array(np.asarray(done)[..., ::order])


def _luminance(pixels: NDArray, curves: Curves | None) -> NDArray[np.float32]:
    """Linear luminance at full resolution."""
    if curves is not None:
        return linear_luminance(pixels, curves)
    if pixels.ndim == 2:
        return pixels.copy()
    return cv2.transform(pixels, np.array([LUMINANCE_RGB[::-1]], np.float32))


def _light_warnings(levels: NDArray[np.float64], clipped: NDArray[np.bool_]) -> tuple[str, ...]:
    """Say what is wrong with the light, with its mend."""
    found = []
    share = float(clipped.mean())
    if share > GLARE_FRACTION:
        found.append(f"{100 * share:.0f} % of the photo is so bright that it is at full scale (glare). "
                     "Photograph with soft light from the side, or a shorter exposure.")
    middle, bright = np.searchsorted(levels, [0.5, 0.99])
    if bright < DARK or middle < DIM:
        found.append("The photo is dark, so fine contrast drowns in the camera's noise. "
                     "Photograph with more light or a longer exposure.")
    return tuple(found)


def _blur_warnings(blur: float | None) -> tuple[str, ...]:
    """Say which stripes the blur eats."""
    if blur is None or half_contrast_period_px(blur) <= BLURRED_PERIOD_PX:
        return ()
    return (f"The photo is blurred: stripes closer than {half_contrast_period_px(blur):.0f} pixels lose half "
            "of their contrast or more. Wipe the lens, rest the phone on something, and tap on the piece to "
            "focus.",)
