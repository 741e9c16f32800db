"""Where the edge of an engraved area may be the frame: its line does not show where the ground is as dark."""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.frame_candidates import (
    LEAST_AREA,
    MOST,
    SHAPE_COST,
    U_MM,
    Candidate,
    brightest,
    distinct,
    shapes_seen,
    side_medians,
)
from analysis.geometry import apply_homography, homography_of
from analysis.sides import OUTWARD, side_profiles, side_px_per_mm

__all__ = ["edge_candidates"]

LEAST_STEP = 0.25          # log contrast of an engraved area against the board
LEAST_ALIKE = 0.6          # of the faintest side over the middle one: beyond a tool's edge lies no board
LEAST_RIM_MM, MOST_RIM_MM = 1.5, 60.0      # of board around an engraved area
RIM_SHARE, RIM_SLOPE = 0.5, 0.07           # of a side that the board's edge runs along, and how far from parallel
SAME_MM, BEYOND_MM = 0.7, 3.0              # an edge on a side, and one that goes on past its corner
SLOW = 9                   # positions along a side over which the light's own changes are taken out
SURE_GRAIN = 3.0           # s.d. of chance by which the grain must go on across an edge; 50 pasted areas: 2.0 at most


def edge_candidates(picture: NDArray[np.float32], size_mm: tuple[float, float]) -> list[Candidate]:
    """Quadrilaterals that are darker, or lighter, than a board that shows all round them, best first.

    The board's edges a rim away, or the grain that goes on across an edge, tell an engraved area from the board.
    """
    corners, misfits, supports, lines = shapes_seen(picture, size_mm)
    order = np.argsort(-(supports - 2.0 * misfits))[:MOST]
    if not len(order):
        return []
    found = []
    medians = side_medians(picture, corners[order], size_mm)
    for corners_one, misfit, median in zip(corners[order], misfits[order], medians, strict=True):
        near, far = (_step(median, *band) for band in ((0.35, 1.25), (1.4, 3.0)))
        step = near if np.abs(near.sum()) < np.abs(far.sum()) else far       # a thin line beside has only one of them
        alike = max(np.abs(one).min() / np.median(np.abs(one)) for one in (near, far))
        if np.abs(step).min() < LEAST_STEP or alike < LEAST_ALIKE or abs(np.sign([near, far]).sum()) < 8:
            continue
        if cv2.contourArea(corners_one.astype(np.float32)) < LEAST_AREA * picture.size:
            continue
        rims, going_on = _edges_beside(corners_one, lines, size_mm)
        if going_on < 2 and (rims >= 2 or _grain_goes_on(picture, corners_one, size_mm)):
            strength = float(np.minimum(np.abs(step), 1.2).mean())
            found.append(Candidate(corners=corners_one, misfit=float(misfit), edge_mm=np.zeros(4), width_mm=0.0,
                                   dark=bool(step[0] > 0), strength=strength,
                                   score=float(strength - SHAPE_COST * misfit)))
    return distinct(sorted(found, key=lambda c: -c.score), size_mm)


def _step(median, low, high) -> NDArray[np.float64]:
    """Log light of the band from `low` to `high` mm outside over that as far inside, each side."""
    return (median[:, (U_MM > low) & (U_MM < high)].mean(axis=1)
            - median[:, (U_MM < -low) & (U_MM > -high)].mean(axis=1))


def _edges_beside(corners, lines, size_mm) -> tuple[int, int]:
    """On how many sides the board ends a rim away, long edges with the board on one side of all; how many sides go on.

    An engraved area's sides end at its corners, those of a grid's field do not.
    """
    to_mm = np.linalg.inv(homography_of(corners, size_mm))
    ends = [apply_homography(to_mm, lines.point + lines.direction * at[:, None]) for at in (lines.start, lines.stop)]
    (w, h), rims, going_on = size_mm, np.zeros(2, int), 0
    for length, outward, offset, begin in zip((w, h, w, h), OUTWARD, (0.0, w, h, 0.0), (0.0, 0.0, w, h), strict=True):
        away = np.stack([end @ outward for end in ends]) - offset
        run = np.stack([end @ np.array([-outward[1], outward[0]]) for end in ends]) + begin
        shared = np.clip(run.max(axis=0), 0, length) - np.clip(run.min(axis=0), 0, length)
        along = (shared > RIM_SHARE * length) & (np.abs(away[1] - away[0]) < RIM_SLOPE * np.abs(run[1] - run[0]))
        rim = along & (away.min(axis=0) > LEAST_RIM_MM) & (away.max(axis=0) < MOST_RIM_MM)
        rims += [bool((rim & (run[1] > run[0])).any()), bool((rim & (run[1] < run[0])).any())]
        beyond = np.maximum(run.max(axis=0) - length, -run.min(axis=0)) > BEYOND_MM
        going_on += bool((along & beyond & (np.abs(away).min(axis=0) < SAME_MM)).any())
    return int(rims.max()), going_on


def _grain_goes_on(picture, corners, size_mm) -> bool:
    """Whether what lies along the sides, outside and inside, varies alike: one board's grain, on both sides.

    Correlation along each side of the two bands without their slow part, its Fisher transform over all four.
    """
    scale = side_px_per_mm(corners, size_mm).mean()
    near = max(0.5, 4.0 / scale)                              # beyond the reach of blur and sharpening
    u = np.concatenate([np.linspace(-near - 2.0, -near, 12), np.linspace(near, near + 1.0, 8)])
    count = int(np.clip(scale * min(size_mm) * 0.5, 24, 150))
    floor = np.float32(1e-3 * brightest(picture) + 1e-6)
    bands = side_profiles(np.log(np.maximum(picture, floor)), corners[None], size_mm, np.linspace(0.08, 0.92, count), u,
                          lines=3)[0][0]
    inside, outside = (np.nan_to_num(part.mean(axis=-1)) for part in (bands[..., :12], bands[..., 12:]))
    inside, outside = (part - cv2.blur(part, (SLOW, 1)) for part in (inside, outside))
    spread = np.sqrt((inside ** 2).sum(axis=1) * (outside ** 2).sum(axis=1))
    alike = np.arctanh(np.clip((inside * outside).sum(axis=1) / np.maximum(spread, 1e-9), -0.99, 0.99))
    return bool(alike.sum() * np.sqrt(count / 2) > 2.0 * SURE_GRAIN)      # neighbouring positions are not independent
