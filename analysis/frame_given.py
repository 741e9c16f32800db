"""A frame from corners that are known already, moved onto the line that runs beside them."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.frame import (
    LEAST_PX_PER_MM,
    LEAST_UNLIKE,
    UNLIKE_SHAPE,
    WITHIN_SD,
    Frame,
    frame_of,
    looks_like,
)
from analysis.frame_candidates import lines_along
from analysis.frame_check import check_frame
from analysis.geometry import lens_of_photo, lens_scale_sd, seen_proportions, undistort
from analysis.sides import side_px_per_mm

__all__ = ["frame_at"]

MOST_MOVED_MM = 1.0        # of given corners


def frame_at(luminance: NDArray[np.float32], corners_px: NDArray[np.float64], size_mm: tuple[float, float],
             given_sd_px: float, *, sharpen: bool = True, focal_share: float | None = None) -> Frame:
    """Frame from corners that are known already.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
    corners_px : ndarray, shape (4, 2)
        In the order of the piece.
    size_mm : (W, H)
    given_sd_px : float
        1 s.d. of a corner's coordinate, kept where the line does not show.
    sharpen : bool
        Move the corners onto the outer edge of an engraved line that runs within
        a millimetre of them; else, and where there is none, they stay.
    focal_share : float, optional
        As in `find_frame`; a frame of other proportions is warned about.
    """
    h, w = luminance.shape
    corners_px = np.asarray(corners_px, np.float64)
    found = _sharpened(luminance, corners_px, size_mm) if sharpen else None
    if found is None:
        found = Frame(corners_px=corners_px, corners_sd_px=given_sd_px, k1=0.0, k1_sd=None, residual_px=None,
                      support=0.0, lens_scale_sd=lens_scale_sd(corners_px, lens_of_photo((w, h))))
    words, moved = [], np.linalg.norm(found.corners_px - corners_px, axis=1).max()
    if moved > 3.0 * given_sd_px:
        words.append(f"The corners were moved by up to {moved:.0f} pixels onto the outer edge of the engraved line "
                     "that runs beside them.")
    ideal = undistort(found.corners_px, lens_of_photo((w, h), found.k1))
    unlike, sd = seen_proportions(ideal, size_mm, (w, h), found.corners_sd_px, focal_share)
    found = replace(found, shape_scale_sd=max(abs(unlike) - WITHIN_SD * sd, 0.0) / 2)
    if abs(unlike) > max(UNLIKE_SHAPE * sd, LEAST_UNLIKE):
        words.append(f"The corners do not fit a rectangle of {size_mm[0]:g} x {size_mm[1]:g} mm seen by an ordinary "
                     f"camera: they look like {looks_like(size_mm, unlike)}. Check the size and the order of the "
                     "corners.")
        found = replace(found, shape_scale_sd=abs(unlike) / 2)
    return replace(found, warnings=tuple(words))


def _sharpened(luminance, corners, size_mm) -> Frame | None:
    """Frame line beside given corners, or None."""
    scale = side_px_per_mm(corners, size_mm)
    if scale.min() < LEAST_PX_PER_MM or min(size_mm) < 10.0:
        return None
    found = lines_along(luminance, corners[None], np.zeros(1), size_mm)
    if not found:
        return None
    refined = check_frame(luminance, found[0], size_mm, shape_known=False)
    if refined is None:
        return None
    # Given corners say which way round the piece lies.
    turned = (np.roll(refined.fit.corners_px, k, axis=0) for k in range(4))
    fit = min(turned, key=lambda one: np.abs(one - corners).max())
    if np.linalg.norm(fit - corners, axis=1).max() > MOST_MOVED_MM * scale.mean():
        return None
    return replace(frame_of(refined, size_mm), corners_px=fit)
