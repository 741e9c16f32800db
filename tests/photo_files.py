"""Photo files made on the spot for the tests of the loader, sound ones and damaged ones."""
from __future__ import annotations

import io
import struct
import zlib

import cv2
import numpy as np
from PIL import Image

SIZE = (320, 240)                          # width, height
PRIMARIES = (b"rXYZ", b"gXYZ", b"bXYZ")


def picture(seed: int = 7, size: tuple[int, int] = SIZE) -> np.ndarray:
    """Smooth texture in a sharp dark frame, (h, w, 3) uint8, far from black and white."""
    rng = np.random.default_rng(seed)
    rough = rng.uniform(60, 200, (size[1] // 8 + 2, size[0] // 8 + 2, 3)).astype(np.float32)
    smooth = cv2.resize(rough, size, interpolation=cv2.INTER_CUBIC).clip(20, 235).astype(np.uint8)
    return cv2.rectangle(smooth, (12, 12), (size[0] - 13, size[1] - 13), (40, 30, 25), 6)


def grey_picture(size: tuple[int, int] = SIZE) -> np.ndarray:
    """The same in one channel."""
    return np.ascontiguousarray(picture(size=size)[..., 1])


def encode(array, kind: str = "PNG", *, mode: str | None = None, **options) -> bytes:
    """Bytes of a picture in a format."""
    image = Image.fromarray(np.asarray(array)) if not isinstance(array, Image.Image) else array
    out = io.BytesIO()
    (image.convert(mode) if mode else image).save(out, kind, **options)
    return out.getvalue()


def with_orientation(array: np.ndarray, orientation: int, kind: str = "JPEG", **options) -> bytes:
    """A file whose EXIF data asks for an orientation."""
    image = Image.fromarray(array)
    exif = image.getexif()
    exif[0x0112] = orientation
    return encode(image, kind, exif=exif, **options)


def by_opencv(array: np.ndarray, suffix: str) -> bytes:
    """PNG or TIFF of more than eight bits; channels in OpenCV's order."""
    ok, data = cv2.imencode(suffix, array)
    assert ok
    return data.tobytes()


def png_header(width: int, height: int) -> bytes:
    """A small PNG that declares any size."""
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(1000)))
            + chunk(b"IEND", b""))


def profile(columns, curve: bytes, space: bytes = b"RGB ") -> bytes:
    """A colour profile (ICC.1, version 2) of three primaries and one tone curve, or of grey."""
    tags = [(b"desc", b"desc" + bytes(4) + struct.pack(">I", 5) + b"test\0" + bytes(78)),
            (b"cprt", b"text" + bytes(4) + b"none\0"), (b"wtpt", _xyz((0.9642, 1.0, 0.8249)))]
    if space == b"GRAY":
        tags.append((b"kTRC", curve))
    else:
        tags += [(name, _xyz(column)) for name, column in zip(PRIMARIES, columns, strict=True)]
        tags += [(name, curve) for name in (b"rTRC", b"gTRC", b"bTRC")]
    table, body, start = b"", b"", 132 + 12 * len(tags)
    for name, content in tags:
        body += bytes(-len(body) % 4)
        table += struct.pack(">4sII", name, start + len(body), len(content))
        body += content
    head = bytearray(128)
    head[8:12], head[12:24], head[36:40] = b"\x02\x40\0\0", b"mntr" + space + b"XYZ ", b"acsp"
    head[68:80] = b"".join(_s15(v) for v in (0.9642, 1.0, 0.8249))
    data = bytes(head) + struct.pack(">I", len(tags)) + table + body
    return struct.pack(">I", len(data)) + data[4:]


def srgb_like_curve() -> bytes:
    """The sRGB curve as parametricCurveType, function 3 (ICC.1:2022, 10.18)."""
    return (b"para" + bytes(4) + struct.pack(">HH", 3, 0)
            + b"".join(_s15(v) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)))


def gamma_curve(gamma: float) -> bytes:
    """A pure power as curveType with one entry (u8Fixed8)."""
    return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256))


def _s15(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def _xyz(values) -> bytes:
    return b"XYZ " + bytes(4) + b"".join(_s15(v) for v in values)
