"""A side of a frame laid on a shadow: the edge of a tool that lies along the line throws one as straight as a line."""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from analysis.frame_candidates import U_MM, side_medians
from analysis.geometry import Lens, apply_homography, homography_of
from analysis.piece import rectangle
from analysis.sides import OUTWARD

__all__ = ["off_shadow"]

# Of the other sides' line: a second one within the side, none within theirs; and the side's own is so unlike theirs
SECOND_LINE, NO_LINE, UNLIKE = 0.5, 0.25, 1.4
BESIDE_MM = 0.7            # to either side of a line, where the ground shows
PARTS = np.array([[0.0, 0.25], [0.25, 0.5], [0.5, 0.75], [0.75, 1.0]])      # of a side, where the line within is read


def off_shadow(luminance: NDArray[np.float32], corners: NDArray[np.float64], size_mm: tuple[float, float],
               width_mm: float, dark: bool, lens: Lens) -> NDArray[np.float64] | None:
    """Corners with the side that lies on a shadow moved inward onto the line; None where none does.

    Parameters
    ----------
    luminance : ndarray, float32
    corners : ndarray, shape (4, 2)
        Undistorted pixels, on the outer edge of what was traced.
    size_mm : (W, H)
    width_mm : float
        Of the line.
    dark : bool
        The line is darker than its ground.
    lens : Lens

    Notes
    -----
    What is traced on that side is unlike the other sides' line, and within it runs one that is like theirs, as none
    runs within theirs. A double frame has a second line within all four.
    """
    def bars(span=None):
        found = side_medians(luminance, corners[None], size_mm, span, lens)[0]
        return _bars(found if dark else -found, width_mm)
    bar = bars()
    line, within = np.abs(U_MM + width_mm / 2) <= 0.5 * width_mm + 0.2, U_MM < -1.5 * width_mm - 0.2
    own, second = bar[:, line].max(axis=1), bar[:, within].max(axis=1, initial=0.0)
    side = int(second.argmax())
    others = np.delete(np.arange(4), side)
    usual = float(np.median(own[others]))
    if (usual <= 0 or second[side] < SECOND_LINE * usual or second[others].max() > NO_LINE * usual
            or max(own[side] / usual, usual / max(own[side], 1e-6)) < UNLIKE):
        return None
    parts = np.stack([bars(np.broadcast_to(part, (1, 4, 2)))[side] for part in PARTS]) * within
    clear = parts.max(axis=1) > SECOND_LINE * usual                # at one end the two may touch
    if clear.sum() < 2:
        return None
    at = U_MM[parts.argmax(axis=1)] + width_mm / 2
    moved = np.polyval(np.polyfit(PARTS.mean(axis=1)[clear], at[clear], 1), [0.0, 1.0])    # outward, at both ends
    place = rectangle(size_mm)
    place[[side, (side + 1) % 4]] += moved[:, None] * OUTWARD[side]
    return apply_homography(homography_of(corners, size_mm), place)


def _bars(profiles, width_mm) -> NDArray[np.float64]:
    """How much darker a bar of a line's width is than the ground on both of its sides, over `U_MM`, shape (4, m)."""
    step = U_MM[1] - U_MM[0]
    wide, beside = max(2, round(0.7 * width_mm / step)), round(BESIDE_MM / step)
    level = uniform_filter1d(profiles, wide, axis=1, mode="nearest")
    ground = maximum_filter1d(uniform_filter1d(profiles, 3, axis=1), beside, axis=1)
    away = round(0.5 * width_mm / step) + beside // 2 + 1
    bar = np.minimum(np.roll(ground, -away, axis=1), np.roll(ground, away, axis=1)) - level
    bar[:, : away + beside // 2] = 0.0                             # the roll brings the other end there
    bar[:, len(U_MM) - away - beside // 2:] = 0.0
    return bar
