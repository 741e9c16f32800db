"""Piece without a frame: a scale alone, the piece looked for in the photo, and levelled by its own sides."""
from __future__ import annotations

import numpy as np

from analysis.geometry import (
    STATED_FOCAL_SD,
    USUAL_FOCAL,
    USUAL_FOCAL_SD,
    apply_homography,
    lens_of_photo,
    undistort,
)
from analysis.ground import Ground, find_ground
from analysis.level import Level, level_by
from analysis.piece import Piece, in_outline, make_piece, sample_photo, samples_per_mm
from analysis.ruler import Ruler, read_ruler
from analysis.scan_rows import ScanRows, edge_direction, find_scan_rows

__all__ = ["unframed_piece"]

GIVEN_SCALE_SD = 0.01         # relative, of a scale given by hand for a photo taken about square on; no source
GIVEN_AXIS_SD_DEG = 0.5       # of a scan angle given by hand; no source
EDGES_AXIS_SD_DEG = 0.7       # of straight edges in the photo: tilt skews them; no source
LEVEL_AXIS_SD_DEG = 0.3       # of the levelled sides: a ground's corners are as square as the machine; no source
ASSUMED_AXIS_SD_DEG = 3.0     # of a hand-held photo against level; no source
HAND_HELD_DEG = 15.0          # a photo held level, or turned by quarters, stays within this; common practice, no source
UNKNOWN_SLANT_DEG = 5.0       # 1 s.d. of a hand-held photo against square on; no source
UNLIKE_ROWS_DEG = 1.0         # between a given scan angle and the engraved rows, worth a word


def unframed_piece(photo, pixels_per_mm, scan_angle_deg, grid_scale, find_piece) -> Piece:
    """Piece from a scale alone: x along the scan axis, the piece's own part of the photo where one stands out.

    Parameters
    ----------
    photo : Photo
    pixels_per_mm : float or None
        None: a ruler's, else pixels of the photo serve as unit.
    scan_angle_deg : float
        0 leaves it to the engraved rows.
    grid_scale : float or None
        Samples per mm.
    find_piece : bool
        False takes the whole photo: the person says which part counts.
    """
    w, h = photo.size_px
    whole = np.array([[0.0, 0.0], [w - 1.0, 0.0], [w - 1.0, h - 1.0], [0.0, h - 1.0]])
    ground = _ground(photo)
    level = None
    if ground is not None and ground.corners_px is not None:
        level = level_by(photo, ground.corners_px)
    lens, outlines = lens_of_photo(photo.size_px) if level is None else level.lens, ground and ground.outlines_px
    ground = ground if find_piece else None
    outline = whole if ground is None else ground.outline_px
    ruler = _ruler(photo, level) if pixels_per_mm is None else None
    scale = pixels_per_mm if ruler is None else ruler.pixels_per_mm
    known, scale_sd = scale is not None, GIVEN_SCALE_SD if ruler is None else _ruler_sd(ruler, photo, outline, level)
    scale = float(scale) if known else 1.0
    rows = find_scan_rows(photo.luminance, outline, scale) if known else None
    edges, edges_sd = _edges(photo, ground, level) if rows is None else (None, None)
    axis, axis_sd, axis_from, axis_words = _axis(rows, edges, edges_sd, scan_angle_deg)
    to_piece = _turned(axis, scale, photo.size_px)
    if level is not None:
        turn = axis if axis_from == "edges" else _levelled_deg(level, axis)
        to_piece = _turned(turn, scale, photo.size_px) @ level.to_level
    corners = apply_homography(to_piece, outline)
    low, size = corners.min(axis=0), np.ptp(corners, axis=0)
    fine = min(samples_per_mm(scale, size, known), grid_scale or np.inf)
    grid = (fine, (float(low[0]), float(low[1])),
            (int(np.floor(size[1] * fine + 1e-6)) + 1, int(np.floor(size[0] * fine + 1e-6)) + 1))
    reflectance, inside = sample_photo(photo, to_piece, lens, grid, scale)
    if ground is not None:
        inside &= in_outline(grid, outline, to_piece, lens)
    warnings = [_ruler_words(ruler)] if ruler is not None else []
    warnings += [_square_on_words() if level is None else _level_words(level, photo.focal_share), axis_words]
    if find_piece:
        warnings.append(_ground_words(ground, size, known))
    if not known:
        warnings.append("No scale is known, so every length is in pixels of the photo. "
                        "Give the size of the frame, or pixels per mm (--pixels-per-mm).")
    return make_piece(photo, reflectance, inside, grid, to_piece, lens, scale, scale_known=known,
                      scale_sd_fraction=scale_sd, axis_sd_deg=axis_sd, method="scale" if known else "pixels",
                      frame_mm=None, corners_px=None, tilt_deg=level and level.tilt_deg,
                      level_sd=level and (level.fan_sd_per_px, level.stretch_sd), warnings=tuple(warnings),
                      axis_from=axis_from, row_interval_mm=None if rows is None else rows.interval_mm,
                      ground_px=None if ground is None else outline, outlines_px=outlines)


def _ground(photo) -> Ground | None:
    """Part of the photo that stands out as a piece; None where the preview is not this photo's."""
    h, w = photo.preview.shape[:2]
    fits = np.allclose(np.array([w, h]) / photo.preview_scale, photo.size_px, rtol=0.02)
    return find_ground(photo.preview, photo.preview_scale) if fits and min(h, w) >= 64 else None


def _ruler(photo, level: Level | None) -> Ruler | None:
    """Ruler in the photo, its ticks as seen from straight above where the photo is levelled."""
    if level is None:
        return read_ruler(photo.luminance)
    return read_ruler(photo.luminance, lambda points: apply_homography(level.to_level, undistort(points, level.lens)))


def _ruler_sd(ruler: Ruler, photo, outline, level: Level | None) -> float:
    """S.d. of the scale at the piece's middle, relative: scale changes from there to the ruler by the slant not known.

    Lengths across the slant change by its tangent times the distance over the focal length.
    """
    fan = np.tan(np.radians(UNKNOWN_SLANT_DEG)) / ((photo.focal_share or USUAL_FOCAL) * max(photo.size_px)) \
        if level is None else level.fan_sd_per_px
    away = np.linalg.norm(np.mean(ruler.ends_px, axis=0) - outline.mean(axis=0))
    return float(max(GIVEN_SCALE_SD, np.hypot(ruler.sd_fraction, fan * away)))


def _edges(photo, ground: Ground | None, level: Level | None):
    """Direction of the straight edges in the photo and its s.d., or None twice."""
    if level is not None:
        return level.axis_deg, LEVEL_AXIS_SD_DEG
    if ground is None:
        return None, None
    axis = edge_direction(photo.luminance, ground.outline_px) if ground.axis_deg is None else ground.axis_deg
    return axis, EDGES_AXIS_SD_DEG


def _levelled_deg(level: Level, angle_deg) -> float:
    """A direction in the photo, at the piece's middle, as it is once levelled."""
    a = np.radians(angle_deg)
    ends = apply_homography(level.to_level, level.middle_px + np.array([[-0.5], [0.5]]) * [np.cos(a), -np.sin(a)])
    dx, dy = ends[1] - ends[0]
    return float(np.degrees(np.arctan2(-dy, dx)))


def _turned(angle_deg, scale, size_px):
    """Photo pixels to mm from the photo's middle, turned so that the scan axis is x."""
    a = np.radians(angle_deg)
    to_piece = np.eye(3)
    to_piece[:2, :2] = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) / scale
    to_piece[:2, 2] = -to_piece[:2, :2] @ ((np.asarray(size_px, np.float64) - 1.0) / 2.0)
    return to_piece


def _axis(rows: ScanRows | None, edges: float | None, edges_sd: float | None, given_deg):
    """Scan axis, its s.d., where it comes from, and words that say so.

    A given multiple of 90 degrees says which way round the photo was held, not how straight: rows and edges near it
    tell that.
    """
    seen, turn = (edges, 90.0) if rows is None else (rows.axis_deg, 180.0)
    off = None if seen is None else _apart(seen, given_deg, turn)
    held = given_deg != 0.0 and given_deg % 90.0 == 0.0 and off is not None and abs(off) <= HAND_HELD_DEG
    if given_deg != 0.0 and not held:
        words = f"The scan axis is taken as given, {given_deg:g} degrees."
        if rows is not None and abs(off) > max(UNLIKE_ROWS_DEG, 3.0 * np.hypot(rows.axis_sd_deg, GIVEN_AXIS_SD_DEG)):
            words += f" The engraved rows run at {rows.axis_deg:.1f} degrees: check it."
        return given_deg, GIVEN_AXIS_SD_DEG, "given", words
    if seen is None:
        return 0.0, ASSUMED_AXIS_SD_DEG, "assumed", ("The scan axis is assumed to run level in the photo. "
                                                   "Give its angle (--scan-angle) if it does not.")
    axis = given_deg + off if held else seen
    if rows is None:
        nearest = f", the nearest to the {given_deg:g} given" if held else ""
        return axis, edges_sd, "edges", (
            f"The scan axis is assumed to run along the straight edges that the photo shows, at {axis:.1f} degrees"
            f"{nearest}. Give its angle (--scan-angle) {'to a tenth of a degree ' if held else ''}if it does not.")
    apart = "" if rows.interval_mm is None else f", which lie {rows.interval_mm:.3f} mm apart"
    return axis, rows.axis_sd_deg, "rows", (
        f"The scan axis was read from the engraved rows{apart}: {axis:.2f} degrees, 1 s.d. "
        f"{rows.axis_sd_deg:.2f}. Give its angle (--scan-angle) if it is wrong.")


def _apart(one, other, turn) -> float:
    """Difference of two directions, degrees, that are the same after `turn`, nearest to 0."""
    return float((one - other + turn / 2.0) % turn - turn / 2.0)


def _square_on_words() -> str:
    """What taking a photo as square on may cost."""
    short, change = 100 * (1 - np.cos(np.radians(10))), 100 * np.tan(np.radians(10)) * 0.35
    return ("The photo is taken as square on. A tilt of 10 degrees would make lengths along it "
            f"{short:.1f} % too short and let the scale change by some {change:.0f} % from the middle to the edge. "
            "Engrave a frame of known size, or give its corners.")


def _level_words(level: Level, focal_share) -> str:
    """How the photo was levelled."""
    sd = np.hypot(level.tilt_sd_deg, (STATED_FOCAL_SD if focal_share else USUAL_FOCAL_SD) * level.tilt_deg)
    return (f"The photo's slant of {level.tilt_deg:.1f} \u00b1 {1.96 * sd:.1f} degrees was read from the sides of the "
            "part that stands out, opposite ones taken as parallel, and taken out. "
            "Engrave a frame of known size, or give its corners, for a surer scale.")


def _ground_words(ground: Ground | None, size, known) -> str:
    """Which part of the photo was taken as the piece."""
    if ground is None:
        return ("No piece stands out from what lies around it, so the whole photo was judged, bench and all. "
                "Give the part to look at (--region), or fill the photo with the engraved ground.")
    (x0, y0), (x1, y1) = ground.outline_px.min(axis=0), ground.outline_px.max(axis=0)
    unit = "mm" if known else "px"
    return (f"The part that stands out was taken as the piece: {size[0]:.0f} x {size[1]:.0f} {unit}, "
            f"{100 * ground.share:.0f} % of the photo, between ({x0:.0f}, {y0:.0f}) and ({x1:.0f}, {y1:.0f}). "
            "Check it, and give the part to look at (--region) if another is meant.")


def _ruler_words(ruler: Ruler) -> str:
    """Say that a ruler was read, where, and how well."""
    (x0, y0), (x1, y1) = ruler.ends_px
    return (f"The scale was read from a ruler in the photo: {ruler.pixels_per_mm:.2f} pixels per mm, alike within "
            f"{100 * ruler.sd_fraction:.1f} % in {ruler.windows} stretches between ({x0:.0f}, {y0:.0f}) and "
            f"({x1:.0f}, {y1:.0f}). Check it, and give pixels per mm (--pixels-per-mm) if it is wrong; a ruler that "
            "lies higher or lower than the piece has another scale.")
