"""Photo to a piece on a millimetre grid, x along the scan axis.

Piece coordinates are mm: x along the scan axis (columns), y across it, down
(rows); (0, 0) is the frame's first outer corner, or with no frame the photo's
centre. Where no scale is known, the unit "mm" stands for one photo pixel and
`scale_known` is false. Photo pixels have their origin at the centre of the
top-left pixel; "undistorted" pixels have the lens taken out.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PhotoError
from analysis.frame import Frame, find_frame, frame_at
from analysis.geometry import (
    Lens,
    apply_homography,
    distort,
    homography_of,
    lens_of_photo,
    plane_tilt_deg,
    undistort,
)
from analysis.marks import find_marks, fit_marks
from analysis.photo import Photo
from analysis.resample import sample_grid
from analysis.ruler import Ruler, read_ruler
from analysis.settings import Corners

__all__ = ["Lens", "Piece", "photo_to_piece", "piece_to_photo", "rectify", "rectify_through"]

MOST_SAMPLES_PER_MM = 20.0    # 3 samples a period of the shortest stripe that is searched
MOST_SAMPLES = 3.0e6          # of a grid
MARGIN_MM = 1.5               # kept around the frame, not valid, for alignment and for the eye
ENGRAVED_SD_MM = 0.05         # how true a frame is engraved, 1 s.d. a side; common practice, no source
CLICKED_SD_PX = 2.0           # of a corner given by hand; common practice, no source
GIVEN_SCALE_SD = 0.01         # relative, of a scale given by hand for a photo taken about square on; no source
GIVEN_AXIS_SD_DEG = 0.5       # of a scan angle given by hand; no source
SMALLEST_SIDE_PX = 40.0       # of a frame given by its corners


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Reflectance on a regular grid in mm.

    Sample [row, column] lies at x = origin_mm[0] + column / samples_per_mm,
    y = origin_mm[1] + row / samples_per_mm.
    """

    name: str
    reflectance: NDArray[np.float32]      # (rows, columns), linear light
    valid: NDArray[np.bool_]              # (rows, columns): inside the photo and inside the frame (margin kept)
    samples_per_mm: float
    origin_mm: tuple[float, float]
    scale_known: bool
    photo_to_piece: NDArray[np.float64]   # 3x3: undistorted photo px -> mm
    lens: Lens
    photo_px_per_mm: float                # photo pixels per mm at the centre of the piece
    scale_sd_fraction: float              # 1 s.d. of the scale, relative
    axis_sd_deg: float                    # 1 s.d. of the scan axis' direction
    method: str                           # "frame", "corners", "marks", "scale", "pixels", "registration"
    frame_mm: tuple[float, float] | None
    corners_px: NDArray[np.float64] | None      # (4, 2) outer corners in photo px
    corners_sd_px: float | None
    residual_px: float | None             # rms straightness residual of the frame's sides
    tilt_deg: float | None                # estimated camera tilt from the normal of the piece
    warnings: tuple[str, ...] = ()


def rectify(photo: Photo, *, frame_mm: tuple[float, float] | None = None, corners_px: Corners | None = None,
            pixels_per_mm: float | None = None, scan_angle_deg: float = 0.0,
            samples_per_mm: float | None = None) -> Piece:
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
        where a frame or corners give the axis.
    samples_per_mm : float, optional
        Of the grid; default is the photo's own resolution, at most 20 a mm and
        3 million samples in all.

    Returns
    -------
    Piece
        `valid` is false outside the photo and outside the frame's outer edge.

    Raises
    ------
    PhotoError
        No credible frame, impossible corners, or a size that is no size.
    """
    _check(frame_mm, pixels_per_mm, samples_per_mm)
    if corners_px is not None:
        frame, frame_mm, scale_known, warnings = _given_corners(photo, corners_px, frame_mm, pixels_per_mm)
        return _framed(photo, frame, frame_mm, "corners", scale_known, samples_per_mm, warnings)
    if frame_mm is not None:
        marks = fit_marks(find_marks(photo.luminance), frame_mm)
        if marks is not None:
            frame = frame_at(photo.luminance, marks.corners_px, frame_mm, marks.corners_sd_px,
                             focal_share=photo.focal_share)
            return _framed(photo, frame, frame_mm, "marks", True, samples_per_mm, frame.warnings)
        frame = find_frame(photo.luminance, frame_mm, photo.focal_share)
        return _framed(photo, frame, frame_mm, "frame", True, samples_per_mm, frame.warnings)
    ruler = read_ruler(photo.luminance) if pixels_per_mm is None else None
    if ruler is not None:
        piece = _square_on(photo, ruler.pixels_per_mm, scan_angle_deg, samples_per_mm)
        return replace(piece, scale_sd_fraction=max(GIVEN_SCALE_SD, ruler.sd_fraction),
                       warnings=(_ruler_words(ruler), *piece.warnings))
    return _square_on(photo, pixels_per_mm, scan_angle_deg, samples_per_mm)


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
    middle = _middle_mm(*grid)
    px_per_mm = _local_px_per_mm(to_piece, middle)
    reflectance, inside = _sample(photo, to_piece, lens, grid, px_per_mm)
    corners = None
    if reference.frame_mm is not None:
        corners = distort(apply_homography(np.linalg.inv(to_piece), _rectangle(reference.frame_mm)), lens)
    return _piece(photo, reflectance, inside & reference.valid, grid, to_piece, lens, px_per_mm,
                  scale_known=reference.scale_known, scale_sd_fraction=reference.scale_sd_fraction,
                  axis_sd_deg=reference.axis_sd_deg, method="registration", frame_mm=reference.frame_mm,
                  corners_px=corners, tilt_deg=plane_tilt_deg(np.linalg.inv(to_piece), photo.size_px, middle))


def piece_to_photo(piece: Piece, points_mm) -> NDArray[np.float64]:
    """Map piece points, shape (..., 2) in mm, to photo pixels, lens included."""
    return distort(apply_homography(np.linalg.inv(piece.photo_to_piece), points_mm), piece.lens)


def photo_to_piece(piece: Piece, points_px) -> NDArray[np.float64]:
    """Map photo pixels, shape (..., 2), to piece mm, lens taken out."""
    return apply_homography(piece.photo_to_piece, undistort(points_px, piece.lens))


def _ruler_words(ruler: Ruler) -> str:
    """Say that a ruler was read, where, and how well."""
    (x0, y0), (x1, y1) = ruler.ends_px
    return (f"The scale was read from a ruler in the photo: {ruler.pixels_per_mm:.2f} pixels per mm, alike within "
            f"{100 * ruler.sd_fraction:.1f} % in {ruler.windows} stretches between ({x0:.0f}, {y0:.0f}) and "
            f"({x1:.0f}, {y1:.0f}). Check it, and give --pixels-per-mm if it is wrong; a ruler that lies higher or "
            "lower than the piece has another scale.")


def _check(frame_mm, pixels_per_mm, samples_per_mm) -> None:
    """Sizes must be sizes."""
    if frame_mm is not None and not all(np.isfinite(v) and 1.0 <= v <= 5000.0 for v in frame_mm):
        raise PhotoError("The frame's size must be two lengths between 1 and 5000 mm, for instance 80x60.")
    if pixels_per_mm is not None and not (np.isfinite(pixels_per_mm) and 0.01 <= pixels_per_mm <= 10000.0):
        raise PhotoError("The scale must be a positive number of pixels per mm, for instance 12.5.")
    if samples_per_mm is not None and not (np.isfinite(samples_per_mm) and samples_per_mm > 0):
        raise ValueError(f"samples_per_mm must be positive, got {samples_per_mm}")


def _rectangle(size) -> NDArray[np.float64]:
    """Corners of a rectangle in the order of the piece."""
    w, h = size
    return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])


def _given_corners(photo, corners_px, frame_mm, pixels_per_mm):
    """Frame from corners given by hand, its size in mm (or photo px), whether the scale is known, and warnings."""
    corners = np.asarray(corners_px, np.float64).reshape(-1, 2)
    if corners.shape != (4, 2) or not np.all(np.isfinite(corners)):
        raise PhotoError("Four corners are needed, each as x,y in photo pixels.")
    _check_corners(corners, photo.size_px)
    if frame_mm is not None:
        frame = frame_at(photo.luminance, corners, frame_mm, CLICKED_SD_PX, focal_share=photo.focal_share)
        return frame, frame_mm, True, frame.warnings
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    size = (float(sides[0] + sides[2]) / 2.0, float(sides[1] + sides[3]) / 2.0)
    warnings = ["The corners came without the frame's size, so its proportions are taken from its sides in the photo; "
                "a tilted photo makes one direction look shorter. Give the size of the frame in mm."]
    if pixels_per_mm is not None:
        size = (size[0] / pixels_per_mm, size[1] / pixels_per_mm)
    frame = frame_at(photo.luminance, corners, size, CLICKED_SD_PX, sharpen=pixels_per_mm is not None)
    return frame, size, pixels_per_mm is not None, (*warnings, *frame.warnings)


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


def _framed(photo, frame: Frame, frame_mm, method, scale_known, samples_per_mm, warnings) -> Piece:
    """Piece from a frame's corners and lens."""
    lens = lens_of_photo(photo.size_px, frame.k1, frame.k1_sd)
    to_photo = homography_of(undistort(frame.corners_px, lens), frame_mm)
    to_piece = np.linalg.inv(to_photo)
    to_piece /= to_piece[2, 2]
    px_per_mm = _local_px_per_mm(to_piece, (frame_mm[0] / 2, frame_mm[1] / 2))
    margin = MARGIN_MM if scale_known else MARGIN_MM * px_per_mm * 8.0
    margin = min(margin, 0.05 * min(frame_mm))
    size = (frame_mm[0] + 2 * margin, frame_mm[1] + 2 * margin)
    scale = _samples_per_mm(px_per_mm, size, scale_known) if samples_per_mm is None else float(samples_per_mm)
    grid = (scale, (-margin, -margin), (int(round(size[1] * scale)) + 1, int(round(size[0] * scale)) + 1))
    reflectance, inside = _sample(photo, to_piece, lens, grid, px_per_mm)
    seen = inside & _in_rectangle(grid, frame_mm)
    if seen.sum() < 0.5 * _in_rectangle(grid, frame_mm).sum():
        raise PhotoError("Less than half of the frame lies inside the photo. Give corners in this photo's own pixels, "
                         "or take a photo that shows the whole piece.")
    mm_sd = frame.corners_sd_px / px_per_mm
    engraved = ENGRAVED_SD_MM if scale_known else 0.0
    scale_sd = np.hypot(np.hypot(mm_sd, engraved) / frame_mm[0], frame.lens_scale_sd)
    axis_sd = float(np.degrees(np.hypot(mm_sd, engraved) / frame_mm[0]))
    return _piece(photo, reflectance, seen, grid, to_piece, lens, px_per_mm, scale_known=scale_known,
                  scale_sd_fraction=float(scale_sd), axis_sd_deg=axis_sd, method=method,
                  frame_mm=tuple(map(float, frame_mm)) if scale_known else None, corners_px=frame.corners_px,
                  corners_sd_px=frame.corners_sd_px, residual_px=frame.residual_px,
                  tilt_deg=plane_tilt_deg(to_photo, photo.size_px, (frame_mm[0] / 2, frame_mm[1] / 2)),
                  warnings=tuple(warnings))


def _square_on(photo, pixels_per_mm, scan_angle_deg, samples_per_mm) -> Piece:
    """Piece from a scale alone: the whole photo, turned so that the scan axis is x."""
    w, h = photo.size_px
    known = pixels_per_mm is not None
    scale = float(pixels_per_mm) if known else 1.0
    a = np.radians(scan_angle_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) / scale
    centre = np.array([(w - 1) / 2.0, (h - 1) / 2.0])
    to_piece = np.eye(3)
    to_piece[:2, :2], to_piece[:2, 2] = turn, -turn @ centre
    reach = np.abs(turn) @ np.array([(w - 1) / 2.0, (h - 1) / 2.0])
    fine = _samples_per_mm(scale, 2 * reach, known) if samples_per_mm is None else float(samples_per_mm)
    grid = (fine, (-float(reach[0]), -float(reach[1])),
            (int(np.floor(2 * reach[1] * fine + 1e-6)) + 1, int(np.floor(2 * reach[0] * fine + 1e-6)) + 1))
    lens = lens_of_photo(photo.size_px)
    reflectance, inside = _sample(photo, to_piece, lens, grid, scale)
    short, change = 100 * (1 - np.cos(np.radians(10))), 100 * np.tan(np.radians(10)) * 0.35
    warnings = ["The photo is taken as square on. A tilt of 10 degrees would make lengths along it "
                f"{short:.1f} % too short and let the scale change by some {change:.0f} % from the middle to the edge. "
                "Engrave a frame of known size, or give its corners."]
    if not known:
        warnings.append("No scale is known, so every length is in pixels of the photo. "
                        "Give the size of the frame, or --pixels-per-mm.")
    return _piece(photo, reflectance, inside, grid, to_piece, lens, scale, scale_known=known,
                  scale_sd_fraction=GIVEN_SCALE_SD, axis_sd_deg=GIVEN_AXIS_SD_DEG,
                  method="scale" if known else "pixels", frame_mm=None, corners_px=None, tilt_deg=None,
                  warnings=tuple(warnings))


def _samples_per_mm(px_per_mm, size_mm, scale_known) -> float:
    """Grid scale: the photo's own, at most 20 a mm and 3 million samples."""
    most = MOST_SAMPLES_PER_MM if scale_known else px_per_mm
    return float(min(px_per_mm, most, np.sqrt(MOST_SAMPLES / (size_mm[0] * size_mm[1]))))


def _in_rectangle(grid, frame_mm) -> NDArray[np.bool_]:
    """Grid samples inside the frame's outer edge."""
    scale, origin, (rows, columns) = grid
    x = origin[0] + np.arange(columns) / scale
    y = origin[1] + np.arange(rows) / scale
    return ((y >= 0) & (y <= frame_mm[1]))[:, None] & ((x >= 0) & (x <= frame_mm[0]))[None, :]


def _middle_mm(scale, origin, shape) -> tuple[float, float]:
    """Middle of a grid in mm."""
    return origin[0] + (shape[1] - 1) / 2 / scale, origin[1] + (shape[0] - 1) / 2 / scale


def _local_px_per_mm(to_piece, at_mm) -> float:
    """Photo pixels per mm at a point: root of the area scale."""
    to_photo = np.linalg.inv(to_piece)
    at = np.asarray(at_mm, np.float64)
    ends = apply_homography(to_photo, at + np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
    jacobian = np.stack([ends[0] - ends[1], ends[2] - ends[3]])
    return float(np.sqrt(abs(np.linalg.det(jacobian))))


def _sample(photo, to_piece, lens, grid, px_per_mm):
    """Reflectance on the grid and where it lies inside the photo."""
    scale, origin, shape = grid
    to_photo = np.linalg.inv(to_piece)

    def mapped(samples):
        return distort(apply_homography(to_photo, samples / scale + np.asarray(origin)), lens)
    return sample_grid(photo.luminance, mapped, shape, px_per_mm / scale)


def _piece(photo, reflectance, valid, grid, to_piece, lens, px_per_mm, *, corners_sd_px=None, residual_px=None,
           **rest) -> Piece:
    """Close the arrays and build the result."""
    for array in (reflectance, valid, to_piece):
        array.setflags(write=False)
    return Piece(name=photo.name, reflectance=reflectance, valid=valid, samples_per_mm=grid[0], origin_mm=grid[1],
                 photo_to_piece=to_piece, lens=lens, photo_px_per_mm=px_per_mm, corners_sd_px=corners_sd_px,
                 residual_px=residual_px, **rest)
