"""Four mean profiles as one engraved line, seen by one camera.

Each side tells the line's place by itself, but a shaken camera spreads the
sides that lie across its way: there a dark line looks like a wide faint one,
and its outer edge lies elsewhere. The line's width and the camera's own blur
are then taken from the sharper sides.
"""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.line_profile import BLUR_PX, LineProfile, Shake, measure_line

__all__ = ["edge_shifts", "measure_sides"]

UNLIKE_MM = 0.06           # corrections of the sides differ by less, for one engraving and one camera
SHAKEN = 1.3               # ratio of blur or width to the sharpest side's that asks for a shake
LONGEST_PX = 16.0          # half the length of a shake; more is no photo to measure in
ALIKE = 1.5                # ratio of a shake's lengths across opposite sides; perspective and noise, no source
WORSE, CLEAN = 1.5, 0.03   # misfit of a shaken line over the still one's, or by itself, that is accepted


def measure_sides(profiles, width_mm: float, px_per_mm: NDArray[np.float64]) -> tuple[LineProfile | None, ...]:
    """Fit a blurred line to the mean profile of each side.

    Parameters
    ----------
    profiles : sequence of (u, level) or None
        mm across, outward, the edge near 0, and linear light, of each side.
    width_mm : float
        About.
    px_per_mm : ndarray, shape (4,)
    """
    lines = [None if one is None else measure_line(*one, width_mm, scale)
             for one, scale in zip(profiles, px_per_mm, strict=True)]
    known = [k for k, one in enumerate(lines) if one is not None]
    if len(known) < 2:
        return tuple(lines)
    sharpest = min(known, key=lambda k: lines[k].blur_mm * px_per_mm[k] * lines[k].width_mm)
    blur_px, width = lines[sharpest].blur_mm * px_per_mm[sharpest], lines[sharpest].width_mm
    sharp = [k for k in known if max(lines[k].blur_mm * px_per_mm[k] / blur_px, lines[k].width_mm / width) < SHAKEN]
    width = float(np.median([lines[k].width_mm for k in sharp]))
    camera = min(blur_px, BLUR_PX)
    for pair in ({0, 2} & set(known), {1, 3} & set(known)):
        again = {k: _shaken(profiles[k], lines[k], width, camera, px_per_mm[k]) for k in pair - set(sharp)}
        reach = [one.shake_mm * px_per_mm[k] for k, one in again.items() if one is not None]
        if len(reach) == len(pair) and reach and max(reach) < ALIKE * min(reach):    # both of them lie across its way
            for k, one in again.items():
                lines[k] = one
    return tuple(lines)


def _shaken(profile, line: LineProfile, width_mm, camera_px, px_per_mm) -> LineProfile | None:
    """A side as a line of known width, shaken across; the variances of width, camera and shake add up."""
    camera_mm = camera_px / px_per_mm
    spread = (line.width_mm ** 2 - width_mm ** 2) / 12 + line.blur_mm ** 2 - camera_mm ** 2
    half = np.sqrt(3 * max(spread, 0.0))
    if half * px_per_mm < 1.0 or half * px_per_mm > LONGEST_PX:
        return None
    again = measure_line(*profile, line.width_mm, px_per_mm,
                         Shake(width_mm=width_mm, camera_mm=float(camera_mm), half_mm=float(half)))
    return again if again is not None and again.misfit < max(WORSE * line.misfit, CLEAN) else None


def edge_shifts(lines) -> NDArray[np.float64]:
    """Corrections of the four sides' edges; a side whose profile is spoilt takes the middle one."""
    still = [one.edge_mm for one in lines if one is not None and not one.shake_mm]
    middle = float(np.median(still)) if still else 0.0
    return np.array([one.edge_mm if one is not None and (one.shake_mm or abs(one.edge_mm - middle) <= UNLIKE_MM)
                     else middle for one in lines])
