"""A photo of a planned piece: found by its corner marks, each patch judged by itself."""
from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from os import PathLike

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.camera import camera_cause
from analysis.decide import Decision, decide
from analysis.errors import PhotoError
from analysis.flatten import flatten
from analysis.grain import GrainField, measure_grain
from analysis.photo import Photo, load_photo
from analysis.plan import MARK_DICTIONARY, Patch, Plan, mark_corners_mm, rectangle
from analysis.rectify import Piece, rectify
from analysis.stripes import Stripe, find_stripes

__all__ = ["PatchResult", "PlanResult", "find_marks", "frame_corners_px", "judge_plan", "turned_piece"]

SEARCH_SIDE_PX = 2200.0    # a mark of 8 mm has 70 px and more here when the piece fills the photo
FEWEST_MARKS = 2           # on a diagonal or a side they still fix a plane's eight numbers
COARSE_PX_PER_MM = 6.0     # below this a photo cannot clear a machine of a 0.5 mm stripe
RIM_MM = 1.0               # of the piece that is kept around a patch, not analysed


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchResult:
    """One patch, as if it were a photo of its own; positions and angles are from its own scan axis."""

    patch: Patch
    decision: Decision | None              # None: could not be judged, see `why_not`
    stripes: tuple[Stripe, ...]
    grain: GrainField | None
    detection_limit_percent: float | None
    reflectance: float                     # middle linear reflectance of the patch: how deep it was engraved
    why_not: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanResult:
    """All patches of one photo."""

    plan: Plan
    piece: Piece
    corners_px: tuple[tuple[float, float], ...]      # the frame's outer corners in the photo
    marks_found: tuple[int, ...]
    patches: tuple[PatchResult, ...]
    warnings: tuple[str, ...]


def judge_plan(photo: Photo | bytes | str | PathLike[str], plan: Plan, *, name: str | None = None,
               progress: Callable[[float, str], None] | None = None) -> PlanResult:
    """Find a planned piece in a photo by its marks and judge each patch by itself.

    Parameters
    ----------
    photo : Photo, bytes or path
    plan : Plan
        What was engraved: `read_plan` reads it from its SVG or JSON.
    name : str, optional
        File name to show where bytes are given.
    progress : callable, optional
        Called with (fraction from 0 to 1, words).

    Returns
    -------
    PlanResult
        A patch too dark, too small or covered by glare carries the reason instead of a verdict.

    Raises
    ------
    PhotoError
        The marks are not found, or the photo cannot be read.
    """
    photo = photo if isinstance(photo, Photo) else load_photo(photo, name)
    settings = plan.settings
    marks = find_marks(photo.luminance)
    corners = frame_corners_px(marks, settings.width_mm, settings.height_mm)
    given = tuple((float(x), float(y)) for x, y in corners)
    piece = replace(rectify(photo, frame_mm=(settings.width_mm, settings.height_mm), corners_px=given),
                    method="marks")
    turned = turned_piece(piece)
    tell = progress or _silent
    results = []
    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(_judge_patch, photo, turned if p.turned else piece, p, settings.width_mm)
                for p in plan.patches]
        for k, (patch, job) in enumerate(zip(plan.patches, jobs, strict=True)):
            tell(k / len(jobs), f"Judging patch {patch.name}")
            results.append(job.result())
    tell(1.0, "Done")
    return PlanResult(plan=plan, piece=piece, corners_px=given, marks_found=tuple(sorted(marks)),
                      patches=tuple(results), warnings=tuple(dict.fromkeys(photo.warnings + piece.warnings)))


def find_marks(luminance: NDArray[np.float32]) -> dict[int, NDArray[np.float32]]:
    """Find the corner marks of a planned piece.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
        Linear light.

    Returns
    -------
    dict
        For each mark number its corners, shape (4, 2), photo pixels, clockwise
        from the mark's own top left. Marks of other numbers are left out.
    """
    scale = min(1.0, SEARCH_SIDE_PX / max(luminance.shape))
    bright = max(float(np.percentile(luminance[::16, ::16], 99)), 1e-6)
    coded = np.clip(np.sqrt(luminance / np.float32(bright)) * 240, 0, 255).astype(np.uint8)
    small = coded
    if scale < 1.0:
        small = cv2.resize(coded, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY), options)
    corners, numbers, _ = detector.detectMarkers(small)
    wanted = mark_corners_mm(100.0, 100.0)
    found: dict[int, NDArray[np.float32]] = {}
    for number, four in zip(np.reshape(numbers, -1) if numbers is not None else (), corners, strict=True):
        if int(number) in wanted and int(number) not in found:
            # The centre of the top-left pixel is the origin at both sizes.
            points = (np.reshape(four, (4, 2)) + 0.5) / scale - 0.5
            found[int(number)] = _sharpened(coded, points.astype(np.float32))
    return found


def frame_corners_px(marks: dict[int, NDArray[np.float32]], width_mm: float,
                     height_mm: float) -> NDArray[np.float64]:
    """Place the frame's outer corners, (0, 0), (W, 0), (W, H), (0, H) of the piece, in the photo.

    Raises
    ------
    PhotoError
        Fewer than two marks, or marks that do not lie as on the plan.
    """
    places = mark_corners_mm(width_mm, height_mm)
    known = [number for number in places if number in marks]
    if len(known) < FEWEST_MARKS:
        raise PhotoError(f"Only {len(known)} of the 4 corner marks can be seen. Photograph the whole piece, "
                         "sharp, without glare or shadow on the marks.")
    mm = np.array([places[n] for n in known], np.float64).reshape(-1, 1, 2)
    px = np.array([marks[n] for n in known], np.float64).reshape(-1, 1, 2)
    homography, _ = cv2.findHomography(mm, px, 0)
    if homography is None:
        raise PhotoError("The corner marks lie too close together in the photo. "
                         "Photograph the piece from nearer.")
    miss = np.linalg.norm(cv2.perspectiveTransform(mm, homography) - px, axis=2)
    side = np.linalg.norm(np.diff(px.reshape(-1, 4, 2), axis=1), axis=2).mean()
    if np.sqrt(np.mean(miss ** 2)) > 0.06 * side:
        raise PhotoError("The corner marks do not lie as on this plan. Give the plan that this piece was "
                         "engraved from, and photograph it flat.")
    rim = np.array(rectangle(0.0, 0.0, width_mm, height_mm), np.float64).reshape(-1, 1, 2)
    return cv2.perspectiveTransform(rim, homography).reshape(4, 2)


def turned_piece(piece: Piece) -> Piece:
    """Read the same piece with its second side as scan axis: x' = y, y' = W - x, W the frame's width.

    Notes
    -----
    A quarter turn, no mirror image, no resampling: the samples are the same.
    """
    width = piece.frame_mm[0] if piece.frame_mm else 0.0
    rows, columns = piece.reflectance.shape
    last_x = piece.origin_mm[0] + (columns - 1) / piece.samples_per_mm
    quarter = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, width], [0.0, 0.0, 1.0]])
    return replace(
        piece, reflectance=np.ascontiguousarray(np.rot90(piece.reflectance)),
        valid=np.ascontiguousarray(np.rot90(piece.valid)), origin_mm=(piece.origin_mm[1], width - last_x),
        photo_to_piece=quarter @ piece.photo_to_piece,
        frame_mm=piece.frame_mm[::-1] if piece.frame_mm else None,
        corners_px=None if piece.corners_px is None else np.roll(piece.corners_px, -1, axis=0))


def _silent(_fraction: float, _words: str) -> None:
    """Progress that nobody watches."""


def _sharpened(coded, points) -> NDArray[np.float32]:
    """Corners at full size, within a seventh of a field's side."""
    field = np.linalg.norm(points[1] - points[0]) / 8.0
    reach = int(np.clip(round(0.4 * field), 2, 12))
    rough = points.reshape(-1, 1, 2).copy()
    fine = cv2.cornerSubPix(coded, rough, (reach, reach), (-1, -1),
                            (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.01)).reshape(4, 2)
    return np.where(np.linalg.norm(fine - points, axis=1, keepdims=True) <= reach, fine, points)


def _judge_patch(photo, piece: Piece, patch: Patch, width_mm: float) -> PatchResult:
    """All steps of one patch on its own part of the piece."""
    x, y, w, h = patch.region_mm
    region = (y, width_mm - x - w, h, w) if patch.turned else (x, y, w, h)
    part = _cropped(piece, region)
    inside = part.reflectance[part.valid]
    shade = float(np.median(inside)) if inside.size else float("nan")
    try:
        texture = flatten(part, region_mm=region)
    except PhotoError as problem:
        return PatchResult(patch=patch, decision=None, stripes=(), grain=None, detection_limit_percent=None,
                           reflectance=shade, why_not=str(problem))
    field = find_stripes(texture)
    grain = measure_grain(texture, stripe_model=field.model if field.stripes else None)
    camera = camera_cause(field.candidates[0].stripe, part, photo) if field.candidates else None
    decision = decide(field, grain, camera=camera, sharp=piece.photo_px_per_mm >= COARSE_PX_PER_MM)
    return PatchResult(patch=patch, decision=decision, stripes=field.stripes, grain=grain,
                       detection_limit_percent=field.detection_limit_percent, reflectance=shade)


def _cropped(piece: Piece, region) -> Piece:
    """Keep the samples of a region with a little around it; the frame is out of it."""
    s = piece.samples_per_mm
    x, y, w, h = region
    rows, columns = piece.valid.shape
    c0, c1 = (int(round((v - piece.origin_mm[0]) * s)) for v in (x - RIM_MM, x + w + RIM_MM))
    r0, r1 = (int(round((v - piece.origin_mm[1]) * s)) for v in (y - RIM_MM, y + h + RIM_MM))
    c0, r0, c1, r1 = max(c0, 0), max(r0, 0), min(c1, columns), min(r1, rows)
    here = np.s_[r0:r1, c0:c1]
    return replace(piece, reflectance=piece.reflectance[here], valid=piece.valid[here], frame_mm=None,
                   origin_mm=(piece.origin_mm[0] + c0 / s, piece.origin_mm[1] + r0 / s))
