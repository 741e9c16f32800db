"""Bytes of a photo file to upright pixels, every limit checked before decoding.

The kind of file is judged by its first bytes, never by its name. Pillow reads
the header; OpenCV decodes where that is faster (JPEG) or keeps more than eight
bits (PNG, TIFF), Pillow the rest.
"""
from __future__ import annotations

import io
import os
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from PIL.BmpImagePlugin import BmpImageFile
from PIL.GifImagePlugin import GifImageFile
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import TiffImageFile
from PIL.WebPImagePlugin import WebPImageFile

from analysis.errors import PhotoError
from analysis.exif import ORIENTATION, focal_share, orientation_of
from analysis.file_kind import file_kind
from analysis.intact import damage_of_jpeg, damage_of_png, damage_of_tiff
from analysis.quiet import quietly

__all__ = ["MAX_BYTES", "MAX_PIXELS", "Decoded", "decode"]

MAX_PIXELS = 120_000_000       # the largest phone sensors that are read out in full have 108 megapixels
MAX_BYTES = 500_000_000        # 120 megapixels of 16 bits in three channels are 720 MB before compression
MAX_SIDE = 30_000              # OpenCV's own warps take sides below 32768

# What each EXIF orientation asks for: a rotation, then a mirror (Exif 2.32, table of tag 0x0112)
TURNS = {2: (None, 1), 3: (cv2.ROTATE_180, None), 4: (None, 0), 5: (cv2.ROTATE_90_CLOCKWISE, 1),
         6: (cv2.ROTATE_90_CLOCKWISE, None), 7: (cv2.ROTATE_90_COUNTERCLOCKWISE, 1),
         8: (cv2.ROTATE_90_COUNTERCLOCKWISE, None)}

PRINT_COLOURS = ("The file is in print colours (CMYK), so contrasts are only about right. "
                 "Use the phone's own JPEG.")
STRONG_COMPRESSION_PERCENT = 2.0       # phones' own files lie below 1 %; common practice, no source
COMPRESSED = ("The file is strongly compressed: stripes of less than about {lost:.0f} % may be lost in it. "
              "Use the phone's own file, not one that went through a messenger or was saved again.")
DAMAGED = ("The file is damaged inside, so a part of the picture may be wrong. "
           "Look at it, and copy it from the phone again.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """Upright pixels as the file codes them."""

    pixels: NDArray            # (h, w) grey or (h, w, 3) BLUE, GREEN, RED; uint8, uint16, float32 (linear)
    bits: int                  # bits per sample in the file
    block_px: int              # compression block, 0 where there is none
    icc: bytes | None          # embedded colour profile that still applies to `pixels`
    focal_share: float | None = None   # focal length over the longer side, where the file states it
    warnings: tuple[str, ...] = ()


def decode(data: bytes) -> Decoded:
    """Decode a photo and turn it upright.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    Decoded

    Raises
    ------
    PhotoError
        Not a photo, truncated, too large, or of a kind that cannot be read.
    """
    kind = file_kind(data)
    try:
        with quietly() as heard:
            image = _open(kind, data)
            _check_size(image.size)
            _check_intact(kind, data, image)
            pixels, icc, notes = _pixels(kind, data, image)
        orientation = _orientation(kind, image)
        frames = getattr(image, "n_frames", 1) if kind != "JPEG" else 1
    except PhotoError:
        raise
    except MemoryError as problem:
        raise PhotoError("This photo needs more memory than this computer has free. "
                         "Save it at half its size.") from problem
    except Exception as problem:               # the decoders raise whatever they like on damaged files
        raise PhotoError(f"This {kind} file is damaged and cannot be read. "
                         "Copy it from the phone again, or save it anew as JPEG.") from problem
    if kind == "JPEG" and "Corrupt" in heard.text and _is_corrupt(data, heard.shared):
        notes = (*notes, DAMAGED)
    if kind == "JPEG" and (lost := lost_to_compression_percent(image.quantization)) >= STRONG_COMPRESSION_PERCENT:
        notes = (*notes, COMPRESSED.format(lost=lost))
    if frames > 1:
        notes = (*notes, f"The file holds {frames} pictures; only the first was used.")
    return Decoded(pixels=_upright(pixels, orientation), bits=_bits(kind, data, image), icc=icc,
                   focal_share=focal_share(image.info.get("exif") or b"", image.size),
                   block_px=_block_px(kind, data, image), warnings=notes)


def lost_to_compression_percent(tables: dict[int, list[int]]) -> float:
    """Contrast of a stripe that the quantization of a JPEG can swallow whole, at mid grey.

    Parameters
    ----------
    tables : dict of list of int
        Quantization tables in rows of eight; table 0 is that of the luminance.

    Notes
    -----
    A cosine of amplitude A along one of the block's own frequencies has the
    coefficient 4 sqrt(2) A (ISO/IEC 10918-1, A.3.3), which is rounded to zero
    below half a step. At code 128 one code is 1.69 % of linear light (the
    derivative of the sRGB curve), so a step of D codes swallows 0.30 D percent,
    peak to peak. Steps are those of 16 and 8 px; noise in the photo helps a weaker
    stripe through.
    """
    step = float(np.mean([tables[0][place] for place in (1, 2, 8, 16)]))
    return 100.0 * 2.0 * (step / 2.0 / (4.0 * np.sqrt(2.0))) * 2.4 / (128.0 + 0.055 * 255.0)


def _open(kind: str, data: bytes) -> Image.Image:
    """Read the header. The plugins are called by name: no format beyond ours is ever tried."""
    stream = io.BytesIO(data)
    if kind == "HEIF":
        try:
            from pillow_heif.as_plugin import HeifImageFile
        except ImportError as problem:
            raise PhotoError("HEIC photos need the optional extra `heic` of this program "
                             "(pip install 'stripe-or-grain[heic]'); or save the photo as JPEG.") from problem
        return HeifImageFile(stream, "")
    plugin = {"JPEG": JpegImageFile, "PNG": PngImageFile, "TIFF": TiffImageFile, "WebP": WebPImageFile,
              "GIF": GifImageFile, "BMP": BmpImageFile}[kind]
    return plugin(stream, "")


def _check_size(size: tuple[int, int]) -> None:
    """Refuse by the header, before a pixel is decoded."""
    width, height = size
    if width * height > MAX_PIXELS or max(width, height) > MAX_SIDE:
        raise PhotoError(f"This photo says it has {width} x {height} pixels, "
                         f"{width * height / 1e6:.0f} megapixels. "
                         f"The limit is {MAX_PIXELS // 1_000_000} megapixels and {MAX_SIDE} pixels a side. "
                         "Save it smaller, or cut out the piece.")


def _check_intact(kind: str, data: bytes, image: Image.Image) -> None:
    """Refuse a damaged file by its structure, and raw files that only look like TIFF."""
    damage = None
    if kind == "PNG":
        damage = damage_of_png(data)
    elif kind == "JPEG":
        damage = damage_of_jpeg(data)
    elif kind == "TIFF":
        tags = image.tag_v2
        if 50706 in tags or (330 in tags and tags.get(254) == 1):
            raise PhotoError("This is a raw photo (DNG or alike), which the program does not read. "
                             "Develop it with a plain tone curve and save it as JPEG or 16-bit TIFF.")
        damage = damage_of_tiff(tags, len(data))
    if damage:
        raise PhotoError(f"This {kind} file {damage}. Copy it from the phone again.")


def _pixels(kind: str, data: bytes, image: Image.Image) -> tuple[NDArray, bytes | None, tuple[str, ...]]:
    """Decode to pixels, the profile that still applies to them, and what to tell."""
    icc = image.info.get("icc_profile") or None
    if kind == "JPEG" and image.mode in ("RGB", "L"):
        return _by_opencv(data, cv2.IMREAD_COLOR if image.mode == "RGB" else cv2.IMREAD_GRAYSCALE), icc, ()
    if kind in ("PNG", "TIFF") and _bits(kind, data, image) > 8:
        return _deep(data, image, icc)
    if image.mode == "CMYK":
        return _rgb_from_cmyk(image, icc), None, (PRINT_COLOURS,)
    if image.mode in ("1", "L"):
        return np.asarray(image.convert("L")), icc, ()
    if image.mode in ("RGB", "YCbCr", "LAB", "HSV"):
        return np.asarray(image.convert("RGB"))[..., ::-1].copy(), icc if image.mode == "RGB" else None, ()
    rgba = image.convert("RGBA")
    alpha = np.asarray(rgba.getchannel("A"))
    if alpha.min() == 255:
        return np.asarray(rgba)[..., 2::-1].copy(), icc, ()
    paper = Image.new("RGBA", rgba.size, "white")
    paper.alpha_composite(rgba)
    return (np.asarray(paper)[..., 2::-1].copy(), icc,
            ("Parts of the picture are transparent and were taken as white. Use the photo itself.",))


def _by_opencv(data: bytes, flags: int) -> NDArray:
    """Decode with OpenCV, which gives None instead of an error."""
    flags |= cv2.IMREAD_IGNORE_ORIENTATION
    pixels = _by_opencv_in_place(data, flags)
    if pixels is None:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if pixels is None:
        raise ValueError("the decoder gave no picture")
    return pixels


def _by_opencv_in_place(data: bytes, flags: int) -> NDArray | None:
    """The same by way of a file in memory, or None where the system has no such files.

    From a file OpenCV decodes into an array of NumPy's; from bytes it makes a copy, which takes a fifth of the time.
    """
    try:
        with open(os.memfd_create("photo"), "wb") as file:
            file.write(data)
            file.flush()
            return cv2.imread(f"/proc/self/fd/{file.fileno()}", None, flags)
    except (AttributeError, OSError):
        return None


def _is_corrupt(data: bytes, shared: bool) -> bool:
    """Whether the decoder's complaint was about this file: where two were at work, it is asked again alone."""
    if not shared:
        return True
    with quietly(alone=True) as heard:
        _by_opencv(data, cv2.IMREAD_GRAYSCALE)
    return "Corrupt" in heard.text


def _deep(data: bytes, image: Image.Image,
          icc: bytes | None) -> tuple[NDArray, bytes | None, tuple[str, ...]]:
    """More than eight bits a sample: kept."""
    pixels = _by_opencv(data, cv2.IMREAD_UNCHANGED)
    if pixels.shape[:2] != image.size[::-1]:           # IMREAD_UNCHANGED never turns the picture
        raise ValueError("the decoders disagree about the size")
    notes: tuple[str, ...] = ()
    if pixels.ndim == 3 and pixels.shape[2] == 4:
        pixels, notes = pixels[..., :3], ("The picture's transparency was ignored.",)
    if pixels.ndim == 3 and pixels.shape[2] == 2:
        pixels = pixels[..., 0]
    if pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[..., 0]
    if pixels.dtype == np.uint16:
        return np.ascontiguousarray(pixels), icc, notes
    if pixels.dtype not in (np.float32, np.float64):
        raise PhotoError("This file has whole numbers of 32 bits. Save it with 8 or 16 bits a channel.")
    return _linear(pixels), None, notes


def _linear(pixels: NDArray[np.floating]) -> NDArray[np.float32]:
    """Take floating-point samples as linear light, the largest as 1 where any exceeds it."""
    if not np.isfinite(pixels).all():
        raise PhotoError("This file holds samples that are not numbers (NaN or infinity). "
                         "Save it with 8 or 16 bits a channel.")
    out = np.maximum(pixels, 0.0).astype(np.float32)
    top = float(out.max())
    return np.ascontiguousarray(out / top if top > 1.0 else out)


def _rgb_from_cmyk(image: Image.Image, icc: bytes | None) -> NDArray[np.uint8]:
    """Print colours to sRGB, by the file's own profile where it has one."""
    if icc:
        from PIL import ImageCms
        try:
            image = ImageCms.profileToProfile(image, io.BytesIO(icc), ImageCms.createProfile("sRGB"),
                                              outputMode="RGB")
        except (ImageCms.PyCMSError, OSError, ValueError):
            pass                                       # a broken profile: the plain rule below
    return np.asarray(image.convert("RGB"))[..., ::-1].copy()


def _orientation(kind: str, image: Image.Image) -> int:
    """EXIF orientation as the file states it; pillow-heif has turned its pictures already."""
    if kind == "HEIF":
        return 1
    return image.tag_v2.get(ORIENTATION, 1) if kind == "TIFF" else orientation_of(image.info.get("exif") or b"")


def _upright(pixels: NDArray, orientation: int) -> NDArray:
    """Apply an EXIF orientation; one that is none, as damaged files state, turns nothing."""
    turn, mirror = TURNS.get(orientation, (None, None))
    if turn is not None:
        pixels = cv2.rotate(pixels, turn)
    return pixels if mirror is None else cv2.flip(pixels, mirror)


def _bits(kind: str, data: bytes, image: Image.Image) -> int:
    """Bits per sample in the file."""
    if kind == "PNG":
        return max(8, data[24])
    if kind == "TIFF":
        value = image.tag_v2.get(258, 1)
        return max(8, max(value) if isinstance(value, tuple) else int(value))
    return 8


def _block_px(kind: str, data: bytes, image: Image.Image) -> int:
    """Spacing of the compression blocks: 16 px where colour is stored at half size."""
    if kind == "JPEG":
        return 16 if max(max(layer[1], layer[2]) for layer in image.layer) > 1 and len(image.layer) > 1 else 8
    return 16 if kind == "WebP" and b"VP8 " in data[12:64] else 0
