"""From what a person typed or clicked to `Settings`."""

from __future__ import annotations

import hashlib
import math
from typing import Any

from analysis.errors import PhotoError
from analysis.settings import Settings

__all__ = [
    "answer_key",
    "axis_of_points",
    "inset_corners",
    "inset_points",
    "pixels_per_mm_of_points",
    "points_tag",
    "region_of_points",
    "settings_of",
    "settings_words",
    "turned",
]

LEAST_SPAN_PX = 20.0  # two points nearer than this make no scale


def settings_of(
    *,
    by: str,
    frame_mm=None,
    before_corners=None,
    after_corners=None,
    points=None,
    distance_mm=None,
    along_scan: bool = False,
    pixels_per_mm=None,
    scan_angle_deg: float = 0.0,
    region_mm=None,
    shortest_period_mm: float | None = None,
) -> Settings:
    """Settings by one of the ways to give a scale.

    Parameters
    ----------
    by : {"frame", "points", "scale", "none"}
        The way; what belongs to another way is left out.
    points : two (x, y), optional
        Photo pixels of two points `distance_mm` apart.
    along_scan : bool
        The two points lie along the scan axis.

    Raises
    ------
    PhotoError
        A length or a point cannot be used.
    """
    extra: dict[str, Any] = {"region_mm": region_mm}
    if shortest_period_mm is not None:
        extra["shortest_period_mm"] = shortest_period_mm
    if by == "frame":
        return Settings(
            frame_mm=frame_mm,
            before_corners_px=_corners(before_corners),
            after_corners_px=_corners(after_corners),
            **extra,
        )
    if by == "points":
        angle = axis_of_points(points) if along_scan else scan_angle_deg
        return Settings(pixels_per_mm=pixels_per_mm_of_points(points, distance_mm), scan_angle_deg=angle, **extra)
    if by == "scale":
        return Settings(pixels_per_mm=pixels_per_mm, scan_angle_deg=scan_angle_deg, **extra)
    return Settings(scan_angle_deg=scan_angle_deg, **extra)


def settings_words(settings: Settings) -> str:
    """The settings in a line, in the words of their fields."""
    if settings.frame_mm:
        by_hand = settings.before_corners_px or settings.after_corners_px
        told = "Engraved frame, {:g} by {:g} mm".format(*settings.frame_mm) + (", corners by hand" if by_hand else "")
    elif settings.pixels_per_mm:
        told = f"{settings.pixels_per_mm:.4g} pixels per mm, scan axis at {settings.scan_angle_deg:.3g} degrees"
    else:
        told = f"Scale not known, scan axis at {settings.scan_angle_deg:.3g} degrees"
    if settings.region_mm:
        told += "; part of {2:g} by {3:g} mm at {0:g}, {1:g}".format(*settings.region_mm)
    return told + f"; spacings from {settings.shortest_period_mm:g} mm."


def pixels_per_mm_of_points(points, distance_mm: float) -> float:
    """Scale from two points a known distance apart."""
    (x0, y0), (x1, y1) = points
    span = math.hypot(x1 - x0, y1 - y0)
    if span < LEAST_SPAN_PX:
        raise PhotoError(
            "The two points lie almost on each other. Put them far apart, on marks whose distance you know."
        )
    if not distance_mm > 0:
        raise PhotoError("The distance between the two points must be more than 0 mm. Measure it and type it in.")
    return span / distance_mm


def axis_of_points(points) -> float:
    """Direction from the first point to the second, degrees anticlockwise from the photo's +x, in (-90, 90]."""
    (x0, y0), (x1, y1) = points
    angle = math.degrees(math.atan2(-(y1 - y0), x1 - x0))
    return angle - 180.0 if angle > 90.0 else angle + 180.0 if angle <= -90.0 else angle


def region_of_points(points) -> tuple[float, float, float, float]:
    """Rectangle (x, y, w, h) between two opposite corners."""
    (x0, y0), (x1, y1) = points
    return min(x0, x1), min(y0, y1), abs(x1 - x0), abs(y1 - y0)


def inset_corners(size_px: tuple[int, int], share: float = 0.2) -> list[list[float]]:
    """Four corners to start from where none were found."""
    w, h = size_px
    x0, x1, y0, y1 = share * w, (1 - share) * w, share * h, (1 - share) * h
    return [[round(x), round(y)] for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]


def inset_points(size_px: tuple[int, int]) -> list[list[float]]:
    """Two points to start from."""
    w, h = size_px
    return [[round(0.25 * w), round(0.5 * h)], [round(0.75 * w), round(0.5 * h)]]


def turned(corners) -> list[list[float]]:
    """Same corners, starting with the next one: the scan axis turns by a right angle."""
    return [*corners[1:], corners[0]]


def points_tag(points) -> str:
    """Short name of a set of points."""
    return hashlib.sha256(repr([[float(x), float(y)] for x, y in points]).encode()).hexdigest()[:10]


def answer_key(photos, settings: Settings, machine_text: str) -> str:
    """Key of an answer: the photos' content and all that shapes it."""
    digest = hashlib.sha256()
    for name, data in photos:
        digest.update(hashlib.sha256(data).digest() + name.encode("utf-8", "replace") + b"\0")
    digest.update(repr(settings).encode() + b"\0" + machine_text.encode())
    return digest.hexdigest()


def _corners(points):
    return None if points is None else tuple((float(x), float(y)) for x, y in points)
