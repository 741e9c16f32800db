"""Two photos on one grid over the rectangles that they show, and the strokes on it."""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, undistort
from analysis.photo import Photo
from analysis.rectangles import Rectangle
from analysis.register_map import PlaneMap, moved_to, scale_of, warp
from analysis.register_start import View, shrunk
from analysis.streaks import without_streaks
from analysis.strokes import stroke_response

__all__ = ["WIDEST_MM", "Grid", "Pair", "Seen", "seen_on", "shrunk_to", "strokes_of", "within"]

WIDEST_MM = 3.2            # of a stroke; lengths in mm are shares of it where no scale is known
MOST_WORK = 0.6e6          # samples
RIM_MM = WIDEST_MM         # beside an edge no stroke is believed
LIGHT_RIM_MM = 6.0         # a bare strip between two edges looks like a light stroke on every board


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Work grid on BEFORE's plane."""

    to_source: NDArray[np.float64]     # 3x3: its samples -> BEFORE's grid
    shape: tuple[int, int]
    per_mm: float                      # samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two photos and their rectangles."""

    before: Photo
    after: Photo
    own: PlaneMap                      # BEFORE's grid -> BEFORE's photo
    mine: list[Rectangle]
    theirs: list[Rectangle]
    per_mm: float                      # samples of BEFORE's grid

    def grid(self, per_mm: float) -> Grid:
        """Work grid over all of BEFORE's rectangles, so many samples a mm at most."""
        corners = np.concatenate([self.to_grid(one.corners_px) for one in self.mine])
        low, size = corners.min(axis=0), np.ptp(corners, axis=0)
        step = max(self.per_mm / per_mm, np.sqrt(size.prod() / MOST_WORK))
        columns, rows = np.ceil(size / step).astype(int)
        return Grid(to_source=np.array([[step, 0, low[0]], [0, step, low[1]], [0, 0, 1]]),
                    shape=(int(rows), int(columns)), per_mm=self.per_mm / step)

    def to_grid(self, points_px) -> NDArray[np.float64]:
        """BEFORE's photo px to samples of its grid."""
        return apply_homography(np.linalg.inv(self.own.homography), undistort(points_px, self.own.lens))


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A photo on a work grid."""

    picture: NDArray[np.float32]
    area: NDArray[np.bool_]            # within its rectangles, no rim
    deep: NDArray[np.bool_]            # the same where strokes are light on both photos


def shrunk_to(photo: Photo, plane: PlaneMap, grid: Grid) -> View:
    """A photo about as coarse as a grid that `plane` lays on it."""
    rows, columns = grid.shape
    return shrunk(photo.luminance, max(1.0, scale_of(plane.homography @ grid.to_source, (columns / 2, rows / 2))))


def seen_on(grid: Grid, small: View, plane: PlaneMap, rectangles, own: Rectangle | None = None) -> Seen:
    """A photo on the grid, the long streaks of its grain taken out.

    Parameters
    ----------
    grid : Grid
    small : View
        Of the photo.
    plane : PlaneMap
        BEFORE's grid to the photo.
    rectangles : list of Rectangle
        Of the photo: what lies in none of them does not count.
    own : Rectangle, optional
        Beside its sides nothing counts.
    """
    near = moved_to(plane, grid.to_source)
    picture, seen = warp(small.picture, np.linalg.inv(small.to_source), near, grid.shape)
    quads = [np.round(16 * apply_homography(np.linalg.inv(near.homography), undistort(one.corners_px, near.lens))
                      ).astype(np.int32) for one in ([own] if own else []) + list(rectangles)]
    whole = np.zeros(grid.shape, np.uint8)
    for quad in quads:
        cv2.fillConvexPoly(whole, quad, 1, cv2.LINE_8, 4)
    if own:
        cv2.polylines(whole, quads[:1], True, 0, 1, cv2.LINE_8, 4)
    away = cv2.distanceTransform(np.pad(whole, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    area, deep = ((away > rim * grid.per_mm) & seen for rim in (RIM_MM, LIGHT_RIM_MM))
    return Seen(picture=without_streaks(picture, WIDEST_MM * grid.per_mm, area), area=area, deep=deep)


def strokes_of(seen: Seen, area, grid: Grid, light: bool) -> NDArray[np.float32]:
    """Response to strokes of a shade."""
    return stroke_response(seen.picture, area, WIDEST_MM * grid.per_mm, light=light).response


def within(first: Seen, second: Seen, shades: tuple[bool, bool]) -> NDArray[np.bool_]:
    """Where strokes of two shades, light on BEFORE and on AFTER, count."""
    return first.deep & second.deep if all(shades) else first.area & second.area
