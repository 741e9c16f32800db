"""Piece from a frame: found, marked, or given by its corners."""
from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.errors import PhotoError
from analysis.frame import ON_ITS_SIDE, SQUARE, Frame, uprightness
from analysis.frame_given import frame_at
from analysis.geometry import homography_of, lens_of_photo, plane_tilt_deg, undistort
from analysis.piece import Piece, in_rectangle, local_px_per_mm, make_piece, sample_photo, samples_per_mm
from analysis.scan_rows import find_scan_rows
from analysis.sides import moved_out, side_px_per_mm

__all__ = ["ROWS_ACROSS", "along_rows", "at_full_scale", "exchanged", "framed_piece", "given_corners"]

MARGIN_MM = 1.5               # kept around the frame, not valid, for alignment and for the eye
# How true a frame is engraved, 1 s.d. a side: its burnt edge only, since what the machine takes for a millimetre is the
# same for frame and stripe. With 0.05 mm the intervals of 82 simulated frames held all but one period (z of 0.6 r.m.s.)
ENGRAVED_SD_MM = 0.03         # common practice, no source
CLICKED_SD_PX = 2.0           # of a corner given by hand; common practice, no source
LEAST_EXCHANGED = 0.02        # scale doubt by unlike proportions above which the exchanged size is tried
A_GLANCE = 5                  # places where rows are looked for if the frame leaves nothing open
ROWS_ACROSS = ("Fine engraved lines run across the scan axis as it was stated. If they are the engraving's rows, the "
               "piece lies on its side in the photo and its frame's size was given the wrong way round: the length "
               "along the rows comes first.")
INSIDE, SURE_ROWS_DEG = 0.08, 10.0         # of the shorter side left out, where rows are looked for; their s.d.
SMALLEST_SIDE_PX = 40.0       # of a frame given by its corners


def framed_piece(photo, frame: Frame, frame_mm, method, scale_known, grid_scale, warnings) -> Piece:
    """Piece from a frame's corners and lens."""
    lens = lens_of_photo(photo.size_px, frame.k1, frame.k1_sd)
    to_photo = homography_of(undistort(frame.corners_px, lens), frame_mm)
    to_piece = np.linalg.inv(to_photo)
    to_piece /= to_piece[2, 2]
    px_per_mm = local_px_per_mm(to_piece, (frame_mm[0] / 2, frame_mm[1] / 2))
    margin = MARGIN_MM if scale_known else MARGIN_MM * px_per_mm * 8.0
    margin = min(margin, 0.05 * min(frame_mm))
    grid = _grid(frame_mm, margin, px_per_mm, scale_known, grid_scale)
    reflectance, inside = sample_photo(photo, to_piece, lens, grid, px_per_mm)
    seen = inside & in_rectangle(grid, frame_mm)
    if seen.sum() < 0.5 * in_rectangle(grid, frame_mm).sum():
        raise PhotoError("Less than half of the frame lies inside the photo. Give corners in this photo's own pixels, "
                         "or take a photo that shows the whole piece.")
    mm_sd = frame.corners_sd_px / px_per_mm
    engraved = ENGRAVED_SD_MM if scale_known else 0.0
    scale_sd = np.linalg.norm([mm_sd / frame_mm[0], engraved / frame_mm[0], frame.lens_scale_sd, frame.shape_scale_sd])
    axis_sd = float(np.degrees(np.hypot(mm_sd, engraved) / frame_mm[0]))
    return make_piece(photo, reflectance, seen, grid, to_piece, lens, px_per_mm, scale_known=scale_known,
                      scale_sd_fraction=float(scale_sd), axis_sd_deg=axis_sd, method=method,
                      frame_mm=tuple(map(float, frame_mm)) if scale_known else None, corners_px=frame.corners_px,
                      corners_sd_px=frame.corners_sd_px, residual_px=frame.residual_px,
                      tilt_deg=plane_tilt_deg(to_photo, photo.size_px, (frame_mm[0] / 2, frame_mm[1] / 2)),
                      warnings=tuple(warnings),
                      axis_from="frame" if {SQUARE, ON_ITS_SIDE, ROWS_ACROSS}.isdisjoint(warnings) else "assumed")


def at_full_scale(photo, piece: Piece) -> Piece:
    """Sample a framed piece of known scale as finely as its photo allows; its frame is not searched again."""
    grid = _grid(piece.frame_mm, -piece.origin_mm[0], piece.photo_px_per_mm, piece.scale_known)
    if grid[0] <= piece.samples_per_mm:
        return piece
    reflectance, inside = sample_photo(photo, piece.photo_to_piece, piece.lens, grid, piece.photo_px_per_mm)
    valid = inside & in_rectangle(grid, piece.frame_mm)
    for array in (reflectance, valid):
        array.setflags(write=False)
    return replace(piece, reflectance=reflectance, valid=valid, samples_per_mm=grid[0])


def _grid(frame_mm, margin, px_per_mm, scale_known, most=None):
    """Grid of a frame with a margin round it, of `most` samples a mm where the photo allows so many."""
    size = (frame_mm[0] + 2 * margin, frame_mm[1] + 2 * margin)
    scale = min(samples_per_mm(px_per_mm, size, scale_known), most or np.inf)
    return scale, (-margin, -margin), (int(round(size[1] * scale)) + 1, int(round(size[0] * scale)) + 1)


def given_corners(photo, corners_px, frame_mm, pixels_per_mm):
    """Frame from corners given by hand, its size in mm (or photo px), whether the scale is known, and warnings."""
    corners = np.asarray(corners_px, np.float64).reshape(-1, 2)
    if corners.shape != (4, 2) or not np.all(np.isfinite(corners)):
        raise PhotoError("Four corners are needed, each as x,y in photo pixels.")
    _check_corners(corners, photo.size_px)
    if frame_mm is not None:
        frame = frame_at(photo.luminance, corners, frame_mm, CLICKED_SD_PX, focal_share=photo.focal_share)
        if frame.shape_scale_sd > LEAST_EXCHANGED:
            other = frame_at(photo.luminance, corners, frame_mm[::-1], CLICKED_SD_PX,
                             focal_share=photo.focal_share)
            if other.shape_scale_sd < 0.2 * frame.shape_scale_sd:
                words = (*other.warnings, exchanged(frame_mm, "corners"))
                frame, frame_mm = replace(other, warnings=words), frame_mm[::-1]
        return frame, frame_mm, True, frame.warnings
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    size = (float(sides[0] + sides[2]) / 2.0, float(sides[1] + sides[3]) / 2.0)
    warnings = ["The corners came without the frame's size, so its proportions are taken from its sides in the photo; "
                "a tilted photo makes one direction look shorter. Give the size of the frame in mm."]
    if pixels_per_mm is not None:
        size = (size[0] / pixels_per_mm, size[1] / pixels_per_mm)
    frame = frame_at(photo.luminance, corners, size, CLICKED_SD_PX, sharpen=pixels_per_mm is not None)
    return frame, size, pixels_per_mm is not None, (*warnings, *frame.warnings)


def along_rows(photo, frame: Frame, frame_mm) -> tuple[Frame, tuple[float, float]]:
    """Frame and size with the first side along the engraved rows, where the frame leaves it open and they are seen.

    Where it leaves nothing open, rows across the first side are a warning alone: the dots of one row may stand in line
    with those of the next.
    """
    open_words = [words for words in (ON_ITS_SIDE, SQUARE) if words in frame.warnings]
    px_per_mm = side_px_per_mm(frame.corners_px, frame_mm).mean()
    rows = find_scan_rows(photo.luminance, moved_out(frame.corners_px, -INSIDE * np.ones(4) * min(frame_mm), frame_mm),
                          px_per_mm, *(() if open_words else (A_GLANCE,)))
    if rows is None or rows.axis_sd_deg > SURE_ROWS_DEG:
        return frame, frame_mm
    x, y = frame.corners_px[1] - frame.corners_px[0] + frame.corners_px[2] - frame.corners_px[3]
    off = abs((np.degrees(np.arctan2(-y, x)) - rows.axis_deg + 90.0) % 180.0 - 90.0)
    if off < 45.0:
        return replace(frame, warnings=tuple(w for w in frame.warnings if w not in open_words)), frame_mm
    if not open_words:
        return replace(frame, warnings=(*frame.warnings, ROWS_ACROSS)), frame_mm
    corners = max((np.roll(frame.corners_px, k, axis=0) for k in (1, 3)), key=uprightness)
    words = (*(w for w in frame.warnings if w not in open_words),
             *((exchanged(frame_mm, "engraved rows"),) if ON_ITS_SIDE in open_words else ()))
    return replace(frame, corners_px=corners, warnings=words), frame_mm[::-1]


def exchanged(size_mm, witness) -> str:
    """Say that the size was given the wrong way round, and by what that was seen."""
    return (f"The frame's size was given the wrong way round, as the {witness} show: it is taken as {size_mm[1]:g} x "
            f"{size_mm[0]:g} mm, {size_mm[1]:g} mm along the scan axis.")


def _check_corners(corners, size_px) -> None:
    """Corners must form a convex quadrilateral, clockwise as seen, of some size, about inside the photo."""
    edges = np.roll(corners, -1, axis=0) - corners
    following = np.roll(edges, -1, axis=0)
    turns = edges[:, 0] * following[:, 1] - edges[:, 1] * following[:, 0]
    if np.all(turns < 0):
        raise PhotoError("The corners run the wrong way round: give them clockwise, starting where the scan axis "
                         "starts and going along it first.")
    if not np.all(turns > 0):
        raise PhotoError("The four corners do not make a frame: give them clockwise around it, one after the other.")
    if np.linalg.norm(edges, axis=1).min() < SMALLEST_SIDE_PX:
        raise PhotoError(f"The corners lie less than {SMALLEST_SIDE_PX:.0f} pixels apart. Take the photo from nearer "
                         "so that the frame fills most of it.")
    w, h = size_px
    if np.any(corners < -0.5 * max(w, h)) or np.any(corners > np.array([w, h]) + 0.5 * max(w, h)):
        raise PhotoError(f"The corners lie far outside the photo, which is {w} x {h} pixels. "
                         "Give them in pixels of the full-size photo.")
