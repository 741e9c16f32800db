"""Is a photo file whole? Asked of its structure, before a decoder sees it.

A decoder that meets a damaged file may ask for gigabytes, fill the rest with
grey, or write to standard error; the structure tells in a millisecond.
"""
from __future__ import annotations

import struct
import zlib

__all__ = ["damage_of_jpeg", "damage_of_png", "damage_of_tiff"]

CUT, BROKEN = "is cut short: its end is missing", "is damaged and cannot be read"


def damage_of_png(data: bytes) -> str | None:
    """Walk the chunks: lengths within the file, check sums of those that carry the picture (ISO/IEC 15948, 5.3)."""
    at = 8
    while at + 12 <= len(data):
        length, name = struct.unpack_from(">I4s", data, at)
        end = at + 12 + length
        if end > len(data):
            return CUT if length < 2**31 else BROKEN
        if not name.isalpha():
            return BROKEN
        if name[:1].isupper():
            found, = struct.unpack_from(">I", data, end - 4)
            if found != zlib.crc32(memoryview(data)[at + 4:end - 4]):
                return BROKEN
        if name == b"IEND":
            return None
        at = end
    return CUT


def damage_of_jpeg(data: bytes) -> str | None:
    """Look for the end mark after the start of a scan (ISO/IEC 10918-1, B.1.1): inside a scan it cannot occur."""
    scan = data.find(b"\xff\xda")
    return None if 0 < scan < data.rfind(b"\xff\xd9") else CUT          # from the end, where it stands


def damage_of_tiff(tags, size: int) -> str | None:
    """Strips or tiles must lie within the file (TIFF 6.0, section 3).

    Parameters
    ----------
    tags : mapping of int to value
    size : int
        Bytes of the file.
    """
    starts, lengths = (tags.get(273) or tags.get(324) or ()), (tags.get(279) or tags.get(325) or ())
    starts, lengths = ((v,) if isinstance(v, int) else v for v in (starts, lengths))
    if not starts or len(starts) != len(lengths):
        return CUT
    return None if all(a + n <= size for a, n in zip(starts, lengths, strict=True)) else CUT
