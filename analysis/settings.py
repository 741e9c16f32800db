"""What the user may set, checked once at the door.

Lengths are mm on the piece, photo points are pixels with the origin at the
centre of the top-left pixel, x right and y down; angles are degrees
anticlockwise as the upright picture is seen.
"""
from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Settings"]

Point = tuple[float, float]
Corners = tuple[Point, Point, Point, Point]

SHORTEST_PERIOD_MM = 0.15   # finer marks need a closer photo than a phone takes of a whole piece


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
    """

    frame_mm: tuple[float, float] | None = None
    before_corners_px: Corners | None = None
    after_corners_px: Corners | None = None
    pixels_per_mm: float | None = None
    scan_angle_deg: float = 0.0
    region_mm: tuple[float, float, float, float] | None = None
    shortest_period_mm: float = SHORTEST_PERIOD_MM
