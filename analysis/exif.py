"""What a photo's file states of how it was taken: which way up, and with what focal length.

With the focal length one view of a rectangle shows its true proportions. Two tags are read by hand: the general
readers warn about damaged fields that nobody asked for.
"""
from __future__ import annotations

import struct

import numpy as np

__all__ = ["ORIENTATION", "focal_share", "orientation_of"]

# Exif 2.32, tables 4 and 7
ORIENTATION, EXIF_POINTER, FOCAL_35MM, WIDTH, HEIGHT = 0x0112, 0x8769, 0xA405, 0xA002, 0xA003
DIAGONAL_35MM = float(np.hypot(36.0, 24.0))    # "equivalent" compares diagonals (CIPA DCG-001, from memory)
USUAL_MM = (8, 400)        # others are no focal length of a camera that photographs a workpiece
SHORT, LONG = 3, 4


def orientation_of(exif: bytes) -> int:
    """Orientation, a number from 1 to 8; 1 where there is none or it is damaged."""
    return _directory(exif).get(ORIENTATION, 1)


def focal_share(exif: bytes, size_px: tuple[int, int]) -> float | None:
    """Focal length over the photo's longer side.

    Parameters
    ----------
    exif : bytes
        The file's Exif block, with or without its leading name.
    size_px : (width, height)
        Of the picture, either way round.

    Returns
    -------
    float or None
        None where the file states none, or where the picture was cropped since.
    """
    tags = _directory(exif)
    tags |= _directory(exif, tags.get(EXIF_POINTER))
    equivalent_mm = tags.get(FOCAL_35MM, 0)
    short, longer = sorted(size_px)
    stated = sorted((tags.get(WIDTH, longer), tags.get(HEIGHT, short)))
    if min(stated) < 1 or abs(stated[0] * longer - stated[1] * short) > 0.01 * stated[1] * longer:
        return None
    if not USUAL_MM[0] <= equivalent_mm <= USUAL_MM[1]:
        return None
    return equivalent_mm / DIAGONAL_35MM * float(np.hypot(short, longer)) / longer


def _directory(exif: bytes, at: int | None = None) -> dict[int, int]:
    """Whole numbers by tag of the directory at a place, the first where none is given; as far as it can be read."""
    tiff = exif[6:] if exif[:6] == b"Exif\x00\x00" else exif
    order = {b"II": "<", b"MM": ">"}.get(tiff[:2])
    found: dict[int, int] = {}
    if order is None:
        return found
    try:
        at = struct.unpack_from(order + "I", tiff, 4)[0] if at is None else at
        for place in range(at + 2, at + 2 + 12 * struct.unpack_from(order + "H", tiff, at)[0], 12):
            tag, kind, values = struct.unpack_from(order + "HHI", tiff, place)
            if values == 1 and kind in (SHORT, LONG):
                found[tag], = struct.unpack_from(order + ("H" if kind == SHORT else "I"), tiff, place + 8)
    except struct.error:                   # it ends before its directory does
        pass
    return found
