"""Focal length that a photo's file states: with it, one view of a rectangle shows its true proportions."""
from __future__ import annotations

import struct

import numpy as np

__all__ = ["focal_share"]

EXIF_POINTER, FOCAL_35MM, WIDTH, HEIGHT = 0x8769, 0xA405, 0xA002, 0xA003      # Exif 2.32, tables 4 and 7
DIAGONAL_35MM = float(np.hypot(36.0, 24.0))    # "equivalent" compares diagonals (CIPA DCG-001, from memory)
USUAL_MM = (8, 400)        # others are no focal length of a camera that photographs a workpiece
SHORT, LONG = 3, 4


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
    tiff = exif[6:] if exif[:6] == b"Exif\x00\x00" else exif
    try:
        order = {b"II": "<", b"MM": ">"}[tiff[:2]]
        tags = _tags(tiff, order, struct.unpack_from(order + "I", tiff, 4)[0])
        tags |= _tags(tiff, order, tags[EXIF_POINTER])
        equivalent_mm = tags[FOCAL_35MM]
    except (KeyError, struct.error):
        return None
    short, longer = sorted(size_px)
    stated = sorted((tags.get(WIDTH, longer), tags.get(HEIGHT, short)))
    if min(stated) < 1 or abs(stated[0] * longer - stated[1] * short) > 0.01 * stated[1] * longer:
        return None
    if not USUAL_MM[0] <= equivalent_mm <= USUAL_MM[1]:
        return None
    return equivalent_mm / DIAGONAL_35MM * float(np.hypot(short, longer)) / longer


def _tags(tiff, order, at) -> dict[int, int]:
    """Whole numbers of one directory by tag: the general readers warn about damaged fields that nobody asked for."""
    count, = struct.unpack_from(order + "H", tiff, at)
    found = {}
    for place in range(at + 2, at + 2 + 12 * count, 12):
        tag, kind, values = struct.unpack_from(order + "HHI", tiff, place)
        if values == 1 and kind in (SHORT, LONG):
            found[tag], = struct.unpack_from(order + ("H" if kind == SHORT else "I"), tiff, place + 8)
    return found
