"""Photo to a piece on a millimetre grid, x along the scan axis.

Piece coordinates are mm: x along the scan axis (columns), y across it, down
(rows); (0, 0) is the frame's first outer corner, or with no frame the photo's
centre. Where no scale is known, the unit "mm" stands for one photo pixel and
`scale_known` is false. Photo pixels have their origin at the centre of the
top-left pixel; "undistorted" pixels have the lens taken out.
"""
from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PhotoError
from analysis.frame import find_frame
from analysis.frame_given import frame_at
from analysis.geometry import Lens, apply_homography, distort, lens_of_photo, lens_scale_sd, plane_tilt_deg, undistort
from analysis.marks import find_marks, fit_marks
from analysis.photo import Photo
from analysis.piece import Piece, local_px_per_mm, make_piece, middle_mm, rectangle, sample_photo
from analysis.piece_framed import along_rows, exchanged, framed_piece, given_corners
from analysis.piece_unframed import unframed_piece
from analysis.settings import Corners

__all__ = ["Lens", "Piece", "photo_to_piece", "piece_to_photo", "rectify", "rectify_through"]

LEAST_K1_SD = 0.0004       # one coefficient is not the whole lens; common practice, no source


def rectify(photo: Photo, *, frame_mm: tuple[float, float] | None = None, corners_px: Corners | None = None,
            pixels_per_mm: float | None = None, scan_angle_deg: float = 0.0,
            samples_per_mm: float | None = None, find_piece: bool = True) -> Piece:
    """Lay a photo on a millimetre grid.

    Parameters
    ----------
    photo : Photo
    frame_mm : (W, H), optional
        Outer size of the engraved frame, W along the scan axis. Without
        `corners_px` it is found by its corner marks or, where there are none,
        searched in the photo.
    corners_px : four (x, y), optional
        Outer corners (0, 0), (W, 0), (W, H), (0, H) of the frame in photo
        pixels; they override the search, and are moved onto the engraved line
        where it runs within a millimetre of them.
    pixels_per_mm : float, optional
        Scale where there is no frame: the photo is taken as square on.
    scan_angle_deg : float
        Direction of the scan axis, anticlockwise from the photo's +x; unused
        where a frame or corners give the axis. 0 leaves it to the engraved
        rows where the photo resolves them.
    samples_per_mm : float, optional
        Of the grid, at most; default is the photo's own resolution, at most 20 a
        mm and 3 million samples in all.
    find_piece : bool
        Where there is no frame, look for the piece in the photo; False judges
        the whole photo, for instance because a region is given.

    Returns
    -------
    Piece
        `valid` is false outside the photo and outside the frame's outer edge or
        the part that stands out as the piece.

    Raises
    ------
    PhotoError
        No credible frame, impossible corners, or a size that is no size.
    """
    _check(frame_mm, pixels_per_mm, samples_per_mm)
    if corners_px is not None:
        frame, frame_mm, scale_known, warnings = given_corners(photo, corners_px, frame_mm, pixels_per_mm)
        return framed_piece(photo, frame, frame_mm, "corners", scale_known, samples_per_mm, warnings)
    if frame_mm is None:
        return unframed_piece(photo, pixels_per_mm, scan_angle_deg, samples_per_mm, find_piece)
    found = find_marks(photo.luminance)
    marks, words = fit_marks(found, frame_mm, size_px=photo.size_px), ()
    if marks is None and found:
        marks = fit_marks(found, frame_mm[::-1], size_px=photo.size_px)
        if marks is not None:
            words, frame_mm = (exchanged(frame_mm, "corner marks"),), frame_mm[::-1]
    if marks is not None:
        frame = frame_at(photo.luminance, marks.corners_px, frame_mm, marks.corners_sd_px,
                         focal_share=photo.focal_share)
        if frame.k1_sd is not None and frame.k1 != 0.0:      # long sides show the lens best; the marks know their burn
            marks = fit_marks(found, frame_mm, size_px=photo.size_px, k1=frame.k1,
                              k1_sd=max(frame.k1_sd, LEAST_K1_SD))
        frame = replace(frame, corners_px=marks.corners_px, corners_sd_px=marks.corners_sd_px, k1=marks.k1,
                        k1_sd=marks.k1_sd, residual_px=marks.residual_px, lens_scale_sd=lens_scale_sd(
                            marks.corners_px, lens_of_photo(photo.size_px, marks.k1, marks.k1_sd)))
        return framed_piece(photo, frame, frame_mm, "marks", True, samples_per_mm, (*words, *frame.warnings))
    frame = find_frame(photo.luminance, frame_mm, photo.focal_share, photo.warnings)
    frame, frame_mm = along_rows(photo, frame, frame_mm)
    return framed_piece(photo, frame, frame_mm, "frame", True, samples_per_mm, frame.warnings)


def rectify_through(photo: Photo, reference: Piece, homography: NDArray[np.float64],
                    lens: Lens | None = None) -> Piece:
    """Lay the AFTER photo on BEFORE's grid.

    Parameters
    ----------
    photo : Photo
        AFTER.
    reference : Piece
        BEFORE, rectified; its grid is used.
    homography : ndarray, shape (3, 3)
        Maps AFTER's undistorted pixels to BEFORE's undistorted pixels.
    lens : Lens, optional
        AFTER's, where its own frame showed it; none by default.

    Returns
    -------
    Piece
        `valid` where both photos show the piece.
    """
    lens = lens or lens_of_photo(photo.size_px)
    to_piece = reference.photo_to_piece @ np.asarray(homography, np.float64)
    if not np.all(np.isfinite(to_piece)) or abs(np.linalg.det(to_piece)) < 1e-300:
        raise ValueError("homography must be finite and invertible")
    to_piece = to_piece / to_piece[2, 2] if to_piece[2, 2] else to_piece
    grid = (reference.samples_per_mm, reference.origin_mm, reference.reflectance.shape)
    middle = middle_mm(*grid)
    px_per_mm = local_px_per_mm(to_piece, middle)
    reflectance, inside = sample_photo(photo, to_piece, lens, grid, px_per_mm)
    corners = None
    if reference.frame_mm is not None:
        corners = distort(apply_homography(np.linalg.inv(to_piece), rectangle(reference.frame_mm)), lens)
    # Where BEFORE's own slant is not known, AFTER lies on a grid that leans with it
    tilt = None if reference.corners_px is None and reference.tilt_deg is None else plane_tilt_deg(
        np.linalg.inv(to_piece), photo.size_px, middle)
    return make_piece(photo, reflectance, inside & reference.valid, grid, to_piece, lens, px_per_mm,
                      scale_known=reference.scale_known, scale_sd_fraction=reference.scale_sd_fraction,
                      axis_sd_deg=reference.axis_sd_deg, method="registration", frame_mm=reference.frame_mm,
                      corners_px=corners, tilt_deg=tilt, axis_from=reference.axis_from,
                      row_interval_mm=reference.row_interval_mm)


def piece_to_photo(piece: Piece, points_mm) -> NDArray[np.float64]:
    """Map piece points, shape (..., 2) in mm, to photo pixels, lens included."""
    return distort(apply_homography(np.linalg.inv(piece.photo_to_piece), points_mm), piece.lens)


def photo_to_piece(piece: Piece, points_px) -> NDArray[np.float64]:
    """Map photo pixels, shape (..., 2), to piece mm, lens taken out."""
    return apply_homography(piece.photo_to_piece, undistort(points_px, piece.lens))


def _check(frame_mm, pixels_per_mm, samples_per_mm) -> None:
    """Sizes must be sizes."""
    if frame_mm is not None and not all(np.isfinite(v) and 1.0 <= v <= 5000.0 for v in frame_mm):
        raise PhotoError("The frame's size must be two lengths between 1 and 5000 mm, for instance 80x60.")
    if pixels_per_mm is not None and not (np.isfinite(pixels_per_mm) and 0.01 <= pixels_per_mm <= 10000.0):
        raise PhotoError("The scale must be a positive number of pixels per mm, for instance 12.5.")
    if samples_per_mm is not None and not (np.isfinite(samples_per_mm) and samples_per_mm > 0):
        raise ValueError(f"samples_per_mm must be positive, got {samples_per_mm}")
