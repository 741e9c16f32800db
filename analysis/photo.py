"""Photo file to upright linear reflectance."""
from __future__ import annotations

from dataclasses import dataclass
from os import PathLike

import numpy as np
from numpy.typing import NDArray

__all__ = ["Photo", "load_photo"]


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
    warnings: tuple[str, ...] = ()


def load_photo(source: bytes | str | PathLike[str], name: str | None = None) -> Photo:
    raise NotImplementedError
