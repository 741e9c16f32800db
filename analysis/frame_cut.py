"""Whether a frame that was not found runs out of the photo."""
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.frame_candidates import GOES_ON, LEAST_BAR, line_beyond, side_medians, straight_edges, widest_bars
from analysis.quads import bends
from analysis.sides import side_px_per_mm

__all__ = ["runs_out"]

MOST_BENDS = 60            # looked at, each way round
LEAST_OUT = 0.05           # of a side that must lie outside: less is the perspective that is not taken into account
MOST_UNLIKE = 3.0          # ratio of the contrasts of the line along the three sides
UP_TO, LAST_MM = (0.4, 0.6, 0.8), 4.0      # of the way to the photo's border, and before it: the line must go on
LEAST_IN = 0.2             # of it that must lie inside: there its line shows


def runs_out(picture: NDArray[np.float32], size_mm: tuple[float, float]) -> bool:
    """Whether a dark line turns at both ends of one side, and the frame that it begins would leave the photo.

    Parameters
    ----------
    picture : ndarray, shape (h, w), float32
        Linear light, of the size that is searched.
    size_mm : (W, H)
    """
    h, w = picture.shape
    lines = straight_edges(picture)
    for dark_inside in (True, False) if len(lines.point) >= 3 else ():
        corners, back, on = (one[:MOST_BENDS] for one in bends(lines, (w, h), dark_inside))
        for size in (size_mm, size_mm[::-1]) if len(corners) else ():
            far = np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1)[:, None] / size[0] * size[1]
            # The side is the first of the frame, (0, 0) to (W, 0), so its neighbours lead to (W, H) and (0, H).
            arms = np.stack([back, on], axis=1) * far[:, None]
            seen = _share_inside(corners, corners + arms, (w, h)).min(axis=1)
            for k in np.flatnonzero((seen < 1.0 - LEAST_OUT) & (seen > LEAST_IN)):
                ends = corners[k] + 0.98 * seen[k] * arms[k]
                part = np.array([*corners[k], ends[1], ends[0]])
                if _a_line_shows(picture, part, (size[0], 0.98 * seen[k] * size[1])):
                    return True
    return False


def _share_inside(start, stop, size_px) -> NDArray[np.float64]:
    """Share of straight lines, from (..., 2) to (..., 2), that lies in the photo."""
    at = start[..., None, :] + (stop - start)[..., None, :] * np.linspace(0.0, 1.0, 101)[:, None]
    return ((at > 0) & (at < np.array(size_px) - 1.0)).all(axis=-1).mean(axis=-1)


def _a_line_shows(picture, part, size_mm) -> bool:
    """Whether one dark line runs along three sides of a part of a frame, ends at two corners, and not at the others."""
    medians = side_medians(picture, part[None], size_mm)
    medians[:, 2] = medians[:, 0]                            # the photo's border, about: no line is asked of it
    _, bar, _, width = widest_bars(medians, 1.0 / side_px_per_mm(part, size_mm).mean(keepdims=True))
    if bar.min() < max(0.4 * LEAST_BAR, bar.max() / MOST_UNLIKE) or bar.mean() < LEAST_BAR:
        return False
    for share in (*UP_TO, 1.0 - LAST_MM / size_mm[1]):
        nearer = np.array([part[0], part[1], *(part[:2] + share * (part[:1:-1] - part[:2]))[::-1]])
        past, _ = line_beyond(picture, nearer[None], (size_mm[0], share * size_mm[1]), width[0], True)[0]
        bent = (past[0] < GOES_ON).all() and past[1, 0] < GOES_ON and past[3, 1] < GOES_ON
        if not (bent and (past[2] > GOES_ON).all()):
            return False
    return True
