"""Align two pieces whose frames are known: frames for the start, artwork for the way round and the last bit."""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, lens_of_photo
from analysis.piece import rectangle
from analysis.rectify import Piece, piece_to_photo
from analysis.register_alike import correlation
from analysis.register_fit import MapFit, fit_map, map_sd
from analysis.register_map import PlaneMap, warp
from analysis.register_match import Match
from analysis.register_tiles import SHARED_STROKES, Tiles, joined, measure_tiles, select
from analysis.register_way import (
    LEAST_START,
    SHADES,
    WIDEST_STROKE_MM,
    Way,
    Works,
    likely_way,
    proven_ways,
    turned,
    works_of,
)
from analysis.register_work import Work, frame_zone, inside, onto, seen_area, size_of, work_scale
from analysis.streaks import without_streaks
from analysis.strokes import Strokes, stroke_response

__all__ = ["align_framed"]

FIT_SIGMAS_MM = (0.8, 0.35, 0.18)
TILE_MM = 6.0
LEAST_TILES = 6            # of each half of them: a homography takes four
SURE_AGREEMENT = 0.70      # correlation of fine artwork, where not proven; 197 unrelated pairs: 0.48 at most
MOST_RESIDUAL_MM = 0.35
TRUSTED_FRAME_MM = 0.12    # artwork that lies nearer than this to where the frames put it leaves them alone, ...
TRUSTED_FRAME_SD_MM = 0.06 # ... where both frames' corners are known to this
BARE_SIGMAS, BARE_COVER = 3.3, 0.10        # marks no deeper and no more than these are grain, not artwork
WIDEST_FIGURE = 0.35       # of the frame's shorter side; the ground beside a wider one cannot be told; no source
FRAME_ALONE = ("Nothing is engraved inside the frames that both photos share, so the photos are laid on each other by "
               "the given corners alone; if one piece lay half a turn round, that cannot be told.")
FIGURES_UNUSED = ("Filled figures stand inside the frames, but no lines, so the photos are laid on each other by the "
                  "given corners alone. Make sure that both pieces bear the same figures, the same way round.")
UNLIKE = ("What is engraved inside the two frames does not agree any way round, so which part of one piece lies on "
          "which part of the other cannot be told. Choose two pieces with the same artwork, engrave a word or a mark "
          "inside the frame, or give the corners of both frames in the order of the piece.")

EVEN = ("What is engraved inside the two frames looks alike half a turn round, so which end of one piece lies on which "
        "end of the other cannot be told. Engrave a word or a mark near one end, or give the corners of both frames "
        "in the order of the piece.")


def align_framed(before: Piece, after: Piece) -> Match:
    """Align by frame and artwork.

    Parameters
    ----------
    before, after : Piece
        Both with corners.

    Returns
    -------
    Match
        Refused where the artwork inside the frames does not agree any way round.
    """
    works = works_of(before, after, work_scale(before, after, size_of(before)))
    likely = likely_way(works)
    found = _refined(works, likely, False) if likely.sure >= LEAST_START else None
    if found is not None and found.ok:
        return found
    bare = None
    for of_shades in ((likely.shades,), SHADES):
        ways, even = proven_ways(bare or works, of_shades)
        for way in ways:
            again = _refined(bare or works, way, True)
            if again.ok:
                return again
        if even:
            return _refused(EVEN, even=True)
        bare = _without_streaks(works)     # strong grain may hide the artwork
    return found or _unlike(bare)


def _without_streaks(works: Works) -> Works:
    """The same pieces without the long streaks of their grain."""
    widest = WIDEST_STROKE_MM * works.first.samples_per_mm
    first, second = (replace(work, picture=without_streaks(work.picture, widest, area))
                     for work, area in ((works.first, works.area), (works.second, works.area_after)))
    return replace(works, first=first, second=second)


def _unlike(works: Works) -> Match:
    """Refuse; frames alone count only where their corners were given in the piece's own order."""
    (before, after), first, second = works.pieces, works.first, works.second
    s, whole = first.samples_per_mm, turned(size_of(before), size_of(after), 0)
    ours, theirs = (seen & inside(size_of(piece), work, frame_zone(piece, size_of(piece)))
                    for piece, work, seen in ((before, first, works.area), (after, second, works.area_after)))
    bare = all(_grain_alone(stroke_response(work.picture, within, WIDEST_STROKE_MM * s))
               for work, within in ((first, ours), (second, theirs)))
    # Filled figures are no strokes; blurred by half a stroke, grain hides them no longer
    figures = [stroke_response(cv2.GaussianBlur(work.picture, (0, 0), 0.5 * WIDEST_STROKE_MM * s), within,
                               WIDEST_FIGURE * min(size_of(before)) * s)
               for work, within in ((first, ours), (second, theirs))] if bare else []
    solid = [not _grain_alone(one) for one in figures]
    if before.method == after.method == "corners" and bare and not (all(solid) and correlation(
            figures[0].response, onto(figures[1].response, first, second, whole), ours, 0.5 * s) < LEAST_START):
        return Match(ok=True, homography=_whole(before, after, whole), residual_px=before.corners_sd_px,
                     before_px_per_mm=before.photo_px_per_mm if before.scale_known else None, overlap_fraction=1.0,
                     reason=None, method="frame", after_lens=after.lens,
                     corners_px=piece_to_photo(after, rectangle(size_of(after))),
                     warnings=(FIGURES_UNUSED if any(solid) else FRAME_ALONE,))
    return _refused(UNLIKE)


def _refused(reason: str, even: bool = False) -> Match:
    """No alignment."""
    return Match(ok=False, homography=None, residual_px=None, before_px_per_mm=None, overlap_fraction=0.0,
                 reason=reason, method="frame and artwork", even=even)


def _grain_alone(marks: Strokes) -> bool:
    """Whether marks are no deeper and no more than grain makes them."""
    return marks.cover < BARE_COVER and (marks.cover == 0.0 or marks.depth < BARE_SIGMAS * marks.grain_depth)


def _refined(works: Works, way: Way, proven: bool) -> Match:
    """Fit, cross-check and decide; `proven` artwork need not agree closely."""
    (before, after), first, second, area = works.pieces, works.first, works.second, works.area
    s = first.samples_per_mm
    ours, moved = (stroke_response(picture, area, WIDEST_STROKE_MM * s, light=light).response
                   for picture, light in zip((first.picture, onto(second.picture, first, second, way.to_after)),
                                             way.shades, strict=True))
    # The frames' start owes nothing to the artwork, so all of the artwork is a check of it
    fitted = np.eye(3)
    check = measure_tiles(ours, moved, way.within, _tile(s), FIT_SIGMAS_MM[-1] * s)
    misfit, given = _rms_move(check), "corners" in (before.method, after.method)
    agreement = correlation(ours, moved, way.within, 0.2 * s)
    frames = _corners(before, after, first)
    vague = frames.precision[0, 0, 0] < (TRUSTED_FRAME_SD_MM * s) ** -2
    if given or vague or misfit > TRUSTED_FRAME_MM * s:
        fit, crossed = _fitted(ours, moved, area, s, frames)
        warped = moved if fit is None else warp(moved, np.eye(3), fit.map, area.shape)[0]
        better = correlation(ours, warped, way.within, 0.2 * s)
        if _rms_move(crossed) < misfit and better > agreement:
            fitted, check, misfit, agreement = fit.map.homography, crossed, _rms_move(crossed), better
            # Corners far from the artwork are known worse than its tiles
            misfit = max(misfit, float(map_sd(fit, frames.at).max()))
    to_after = way.to_after @ first.to_mm @ fitted @ np.linalg.inv(first.to_mm)
    scale, residual_mm = before.photo_px_per_mm, misfit / s
    ok = (proven or agreement >= SURE_AGREEMENT) and residual_mm * (
        1.0 if before.scale_known else 1 / scale) < MOST_RESIDUAL_MM
    return Match(ok=bool(ok), homography=_whole(before, after, to_after), residual_px=residual_mm * scale,
                 before_px_per_mm=scale if before.scale_known else None,
                 overlap_fraction=_overlap(after, first, second, to_after, area), reason=None if ok else UNLIKE,
                 method="frame and artwork", turned=way.turn == 2, agreement=agreement,
                 misfits_px=_misfits(before, first, check), after_lens=after.lens,
                 corners_px=piece_to_photo(after, apply_homography(to_after, rectangle(size_of(before)))))


def _fitted(ours, theirs, area, s, frames: Tiles) -> tuple[MapFit | None, Tiles]:
    """AFTER's artwork laid on BEFORE's, and what the tiles of each half still ask for after a fit of the other half.

    The frames' corners hold the map as well as they are known.
    """
    fit, plane = None, PlaneMap(homography=np.eye(3), lens=lens_of_photo(area.shape[::-1]))
    for sigma_mm in FIT_SIGMAS_MM:
        moved, seen = warp(theirs, np.eye(3), plane, area.shape)
        tiles = measure_tiles(ours, moved, area & seen, _tile(s), sigma_mm * s)
        half = np.round(tiles.at / _tile(s)).astype(int).sum(axis=1) % 2 == 0
        if min(half.sum(), (~half).sum()) < LEAST_TILES:
            return fit, select(tiles, slice(0, 0))
        back = np.linalg.inv(plane.homography)
        held = replace(frames, move=apply_homography(back, frames.at) - frames.at)
        tiles = replace(tiles, precision=tiles.precision / SHARED_STROKES)
        fit, *others = (fit_map(joined(select(tiles, part), held), plane, free="perspective")
                        for part in (slice(None), half, ~half))
        left = tiles.move.copy()
        for part, other in zip((half, ~half), others, strict=True):
            left[~part] -= apply_homography(back @ other.map.homography, tiles.at[~part]) - tiles.at[~part]
        plane = fit.map
    return fit, replace(tiles, move=left)


def _corners(before, after, first: Work) -> Tiles:
    """The frames' corners, which the start lays on each other, as tiles: as well known as both frames are together."""
    known = [piece.corners_sd_px / piece.photo_px_per_mm * first.samples_per_mm for piece in (before, after)]
    at = apply_homography(np.linalg.inv(first.to_mm), rectangle(size_of(before)))
    return Tiles(at=at, move=np.zeros((4, 2)), precision=np.tile(np.eye(2) / np.sum(np.square(known)), (4, 1, 1)),
                 agreement=np.ones(4), corners=np.zeros(4), firm=np.full(4, 2))


def _tile(s) -> int:
    """Side of a tile, samples."""
    return max(12, int(round(TILE_MM * s)))


def _whole(before, after, to_after) -> NDArray[np.float64]:
    """Undistorted AFTER px to undistorted BEFORE px."""
    whole = np.linalg.inv(before.photo_to_piece) @ np.linalg.inv(to_after) @ after.photo_to_piece
    return whole / whole[2, 2]


def _overlap(after, first, second, to_after, area) -> float:
    """Share of BEFORE's piece that AFTER shows."""
    seen = onto(seen_area(after, second).astype(np.float32), first, second, to_after) > 0.5
    return float((seen & area).sum() / max(area.sum(), 1))


def _misfits(before, first, check: Tiles) -> NDArray[np.float64]:
    """Check points and their movement in BEFORE photo px, shape (n, 4)."""
    here = piece_to_photo(before, apply_homography(first.to_mm, check.at))
    there = piece_to_photo(before, apply_homography(first.to_mm, check.at + check.move))
    return np.concatenate([here, there - here], axis=1)


def _rms_move(tiles: Tiles) -> float:
    """Robust rms of what the tiles ask for, samples."""
    if len(tiles.move) == 0:
        return float("inf")
    square = (tiles.move ** 2).sum(axis=1) * 2.0 / tiles.firm      # both components, from one where only that is told
    # Median of a sum of two squares is 2 ln 2 variances
    return float(np.sqrt(np.median(square) / np.log(2.0)))
