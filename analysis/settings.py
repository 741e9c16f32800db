"""What the user may set, checked once at the door.

Lengths are mm on the piece, photo points are pixels with the origin at the
centre of the top-left pixel, x right and y down; angles are degrees
anticlockwise as the upright picture is seen.
"""
from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from analysis.errors import PhotoError

__all__ = ["Corners", "Point", "Settings"]

Point = tuple[float, float]
Corners = tuple[Point, Point, Point, Point]

SHORTEST_PERIOD_MM = 0.15   # finer marks need a closer photo than a phone takes of a whole piece

# Smallest and largest value that can be meant; beyond them a unit was mistaken
FRAME_MM = (5.0, 2000.0)
CORNER_PX = (-30_000.0, 60_000.0)
SCALE_PX_PER_MM = (0.5, 1000.0)
ANGLE_DEG = (-360.0, 360.0)
REGION_MM = (-2000.0, 2000.0)
PERIOD_MM = (0.02, 50.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings of one comparison or inspection; hashable, so answers can be cached.

    Parameters
    ----------
    frame_mm : (float, float), optional
        Outer width (along the scan axis) and height of the engraved frame, mm.
    before_corners_px, after_corners_px : four (x, y), optional
        Outer corners of the frame in photo pixels, in the order (0, 0), (W, 0),
        (W, H), (0, H) of the piece. `before_corners_px` serves `inspect` too.
    pixels_per_mm : float, optional
        Scale of the BEFORE photo where there is no frame.
    scan_angle_deg : float
        Direction of the scan axis in the BEFORE photo, degrees anticlockwise
        from the photo's +x. Unused where a frame or corners give the axis.
    region_mm : (x, y, w, h), optional
        Part to analyse, mm in the rectified BEFORE piece.
    shortest_period_mm : float
        Shortest stripe period that is searched.

    Raises
    ------
    PhotoError
        A value that is no number or cannot be meant; the sentence names it and the mend.
    """

    frame_mm: tuple[float, float] | None = None
    before_corners_px: Corners | None = None
    after_corners_px: Corners | None = None
    pixels_per_mm: float | None = None
    scan_angle_deg: float = 0.0
    region_mm: tuple[float, float, float, float] | None = None
    shortest_period_mm: float = SHORTEST_PERIOD_MM

    def __post_init__(self) -> None:
        """Check every value and bring it to plain floats and tuples."""
        for name, check in _CHECKS.items():
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, check(value))


def _numbers(values: Any, count: int, limits: tuple[float, float], what: str,
             example: str) -> tuple[float, ...]:
    """`count` finite floats within limits."""
    asked = f"{what} must be {'a number' if count == 1 else f'{count} numbers'}, for instance {example}"
    values = _listed(values) or [values]
    try:
        found = tuple(float(value) for value in values)
    except (TypeError, ValueError, OverflowError) as problem:
        raise PhotoError(f"{asked}.") from problem
    if len(found) != count or not all(math.isfinite(value) for value in found):
        raise PhotoError(f"{asked}.")
    low, high = limits
    for value in found:
        if not low <= value <= high:
            raise PhotoError(f"{what}: {value:g} cannot be right. Give {low:g} to {high:g}, "
                             f"for instance {example}.")
    return found


def _listed(values: Any) -> list[Any]:
    """Items of a sequence; none of anything else."""
    return list(values) if isinstance(values, Iterable) and not isinstance(values, (str, bytes)) else []


def _frame(value: Any) -> tuple[float, ...]:
    return _numbers(value, 2, FRAME_MM, "The frame's size in mm", "80x60")


def _corners(value: Any) -> Corners:
    """Four different points that go round a convex shape, clockwise as seen."""
    example = "four corners such as 102,98 1890,110 1880,1450 95,1440"
    points = _listed(value)
    if len(points) != 4:
        raise PhotoError(f"The frame needs {example}, in photo pixels.")
    corners = tuple(_numbers(point, 2, CORNER_PX, "A corner", "102,98 in photo pixels") for point in points)
    turns = []
    for i in range(4):
        (ax, ay), (bx, by), (cx, cy) = (corners[(i + k) % 4] for k in range(3))
        longest = max(math.hypot(bx - ax, by - ay), math.hypot(cx - bx, cy - by), 1e-9)
        turns.append(((bx - ax) * (cy - by) - (by - ay) * (cx - bx)) / longest)
    if all(turn < 0 for turn in turns):
        raise PhotoError("The corners run the wrong way round: give them clockwise as seen in the photo, "
                         "starting where the scan axis starts and going along it first.")
    if not all(turn > 1.0 for turn in turns):          # px: how far each corner stands out
        raise PhotoError("The four corners do not make a frame: two are the same, three lie in a line, "
                         "or the sides cross. Give them clockwise, one after the other.")
    return corners


def _scale(value: Any) -> float:
    return _numbers(value, 1, SCALE_PX_PER_MM, "The scale in pixels per mm", "12.5")[0]


def _angle(value: Any) -> float:
    return _numbers(value, 1, ANGLE_DEG, "The scan angle in degrees", "90")[0]


def _region(value: Any) -> tuple[float, ...]:
    region = _numbers(value, 4, REGION_MM, "The region (x, y, width, height in mm)", "10,10,40,30")
    if min(region[2:]) <= 0:
        raise PhotoError("The region's width and height must be above 0 mm, for instance 10,10,40,30.")
    return region


def _period(value: Any) -> float:
    return _numbers(value, 1, PERIOD_MM, "The shortest period in mm", "0.5")[0]


_CHECKS = {"frame_mm": _frame, "before_corners_px": _corners, "after_corners_px": _corners,
           "pixels_per_mm": _scale, "scan_angle_deg": _angle, "region_mm": _region,
           "shortest_period_mm": _period}
