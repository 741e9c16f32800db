"""A photo of a planned piece: found by its corner marks, each patch judged by itself."""
from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from os import PathLike

import numpy as np
from numpy.typing import NDArray

from analysis.decide import Decision
from analysis.errors import PhotoError
from analysis.grain import GrainField
from analysis.judge import judge
from analysis.marks import FEWEST, MarkFit, find_marks, fit_marks
from analysis.photo import Photo, load_photo
from analysis.plan import Patch, Plan
from analysis.rectify import Piece, rectify
from analysis.settings import Settings
from analysis.stripes import Stripe

__all__ = ["PatchResult", "PlanResult", "judge_plan", "place_marks", "turned_piece"]

LOCAL_SCALE_SD = 0.0006    # by which the scale of one place may differ where one coefficient stands for the lens: a
                           # phone's second one is some 0.003 of the half diagonal; common practice, no source
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
    size = (plan.settings.width_mm, plan.settings.height_mm)
    fit = place_marks(find_marks(photo.luminance), size)
    piece = rectify(photo, frame_mm=size)          # it goes by the marks too
    turned = turned_piece(piece)
    tell = progress or _silent
    results = []
    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(_judge_patch, photo, turned if p.turned else piece, p, size[0])
                for p in plan.patches]
        for k, (patch, job) in enumerate(zip(plan.patches, jobs, strict=True)):
            tell(k / len(jobs), f"Judging patch {patch.name}")
            results.append(job.result())
    tell(1.0, "Done")
    return PlanResult(plan=plan, piece=piece, marks_found=fit.numbers, patches=tuple(results),
                      warnings=tuple(dict.fromkeys(photo.warnings + piece.warnings)))


def place_marks(marks: dict[int, NDArray[np.float64]], size_mm: tuple[float, float]) -> MarkFit:
    """Place the frame by its marks, or say why not.

    Raises
    ------
    PhotoError
        Fewer than two marks, or marks that do not lie as on the plan.
    """
    fit = fit_marks(marks, size_mm)
    if fit is not None:
        return fit
    if len(marks) < FEWEST:
        raise PhotoError(f"Only {len(marks)} of the 4 corner marks can be seen. Photograph the whole piece, "
                         "sharp, without glare or shadow on the marks.")
    raise PhotoError("The corner marks do not lie as on this plan. Give the plan that this piece was "
                     "engraved from, and photograph it flat.")


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


def _judge_patch(photo, piece: Piece, patch: Patch, width_mm: float) -> PatchResult:
    """All steps of one patch on its own part of the piece."""
    x, y, w, h = patch.region_mm
    region = (y, width_mm - x - w, h, w) if patch.turned else (x, y, w, h)
    part = _cropped(piece, region)
    inside = part.reflectance[part.valid]
    shade = float(np.median(inside)) if inside.size else float("nan")
    try:
        judged = judge(photo, part, Settings(), None, region=region)
    except PhotoError as problem:
        return PatchResult(patch=patch, decision=None, stripes=(), grain=None, detection_limit_percent=None,
                           reflectance=shade, why_not=str(problem))
    return PatchResult(patch=patch, decision=judged.decision, stripes=judged.stripes.stripes, grain=judged.grain,
                       detection_limit_percent=judged.stripes.detection_limit_percent, reflectance=shade)


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
                   scale_sd_fraction=float(np.hypot(piece.scale_sd_fraction, LOCAL_SCALE_SD)),
                   origin_mm=(piece.origin_mm[0] + c0 / s, piece.origin_mm[1] + r0 / s))
