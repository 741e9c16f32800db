"""Align two pieces whose frames are known: frames for the start, artwork for the way round and the last bit."""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.geometry import apply_homography, lens_of_photo
from analysis.rectify import Piece, piece_to_photo
from analysis.register_fit import MapFit, fit_map, map_sd
from analysis.register_map import PlaneMap, warp
from analysis.register_match import Match
from analysis.register_tiles import SHARED_STROKES, Tiles, joined, measure_tiles, select
from analysis.register_work import (
    FRAME_ZONE_MM,
    Work,
    at_work,
    frame_zone,
    inside,
    onto,
    rectangle,
    seen_area,
    size_of,
    work_scale,
)
from analysis.streaks import without_streaks
from analysis.strokes import Strokes, stroke_response

__all__ = ["align_framed", "correlation", "peak_ratio"]

WIDEST_STROKE_MM = 3.2
STRIP_MM = 6.0             # from the outer edge: the widest line, then a bare strip as wide as the widest stroke
FIT_SIGMAS_MM = (0.8, 0.35, 0.18)
TILE_MM = 6.0
LEAST_TILES = 6            # of each half of them: a homography takes four
LEAST_START = 0.30         # correlation of blurred artwork the right way round, and of what half a turn changes in it
SURE_START = 0.60          # above it, artwork of the other shade need not be tried; no source
SURE_AGREEMENT = 0.70      # correlation of fine artwork in the end; 197 unrelated pairs: 0.48 at most
LEAST_AGREEMENT = 0.25     # will do where the place stands out: grain, and figures wider than a stroke, hide much
LEAST_RATIO = 1.4          # so far above every other place; 242 unrelated pairs: 1.11 at most
APART_MM = 1.5             # another place
MOST_RESIDUAL_MM = 0.35
TRUSTED_FRAME_MM = 0.12    # artwork that lies nearer than this to where the frames put it leaves them alone
BARE_SIGMAS, BARE_COVER = 3.3, 0.10        # marks no deeper and no more than these are grain, not artwork
WIDEST_FIGURE = 0.35       # of the frame's shorter side; the ground beside a wider one cannot be told; no source
FRAME_ALONE = ("Nothing is engraved inside the frames that both photos share, so the photos are laid on each other by "
               "the given corners alone; if one piece lay half a turn round, that cannot be told.")
FIGURES_UNUSED = ("Filled figures stand inside the frames, but no lines, so the photos are laid on each other by the "
                  "given corners alone. Make sure that both pieces bear the same figures, the same way round.")
UNLIKE = ("What is engraved inside the two frames does not agree any way round, so which part of one piece lies on "
          "which part of the other cannot be told. Choose two pieces with the same artwork, engrave a word or a mark "
          "inside the frame, or give the corners of both frames in the order of the piece.")


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
    s = work_scale(before, after, size_of(before))
    works = [at_work(piece, s) for piece in (before, after)]
    seen = [seen_area(piece, work) for piece, work in zip((before, after), works, strict=True)]
    found = _by_artwork(before, after, *works, *seen)
    if found is None or not found.ok:          # strong grain may hide the artwork
        bare = [replace(work, picture=without_streaks(work.picture, WIDEST_STROKE_MM * s, area))
                for work, area in zip(works, seen, strict=True)]
        if any(one.picture is not other.picture for one, other in zip(bare, works, strict=True)):
            again = _by_artwork(before, after, *bare, *seen)
            found = again if again is not None and (again.ok or found is None) else found
    return found or _unlike(before, after, *works, *seen)


def _by_artwork(before, after, first: Work, second: Work, area, area_after) -> Match | None:
    """Align by the artwork that two pictures show, or None where it agrees no way round."""
    size_b, size_a, s = size_of(before), size_of(after), first.samples_per_mm
    inner = area & inside(size_b, first, frame_zone(before, size_b))
    # A bare strip between a frame's line and its ground is light on every board, so light on light is asked farther in
    deep = area & inside(size_b, first, min(STRIP_MM / FRAME_ZONE_MM * frame_zone(before, size_b), 0.2 * min(size_b)))
    given = before.method == after.method == "corners"     # in the piece's own order, so even artwork may do
    starts, ours, theirs = [], {}, {}
    for ours_light, light in ((False, False), (True, True), (False, True), (True, False)):
        for works, one, mask, seen in ((first, ours_light, area, ours), (second, light, area_after, theirs)):
            if one not in seen:
                seen[one] = stroke_response(works.picture, mask, WIDEST_STROKE_MM * s, light=one)
        within = deep if ours_light and light else inner
        for turn in _turns(size_b, size_a):
            start = _turned(size_b, size_a, turn)
            warped = onto(theirs[light].response, first, second, start)
            score = correlation(ours[ours_light].response, warped, within, 0.5 * s)
            upright = score if given or score < LEAST_START else _upright(ours[ours_light].response, warped, first,
                                                                          size_b, within)
            starts.append(_Start(score=score, sure=min(score, upright), turn=turn, strokes=ours[ours_light],
                                 light=light, to_after=start, within=within))
        best = max(starts, key=lambda start: start.sure)
        if best.sure > SURE_START:
            break
    if best.sure < LEAST_START:
        return None
    # Strong grain may hide the artwork of one shade from the fit: then the other shades are tried, the same way round
    rest = sorted((one for one in starts if one.turn == best.turn and one is not best and one.score > LEAST_START),
                  key=lambda start: -start.score)
    found = []
    for start in (best, *rest):
        found.append(_refined(before, after, first, second, area, start))
        if found[-1].ok:
            return found[-1]
    return found[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Start:
    """Which way round AFTER lies, by the artwork."""

    score: float                       # correlation of the artwork
    sure: float                        # the same, no more than of what half a turn changes in it
    turn: int                          # quarter turns
    strokes: Strokes                   # BEFORE's artwork, dark or light
    light: bool                        # AFTER's artwork is light
    to_after: NDArray[np.float64]      # 3x3: BEFORE mm -> AFTER mm by the frames
    within: NDArray[np.bool_]          # where artwork was compared


def _upright(ours, theirs, first: Work, size, within) -> float:
    """Correlation of what in two responses changes with half a turn: the rim of the ground looks the same both ways."""
    half = _turned(size, size, 2)
    return correlation(*(one - onto(one, first, first, half) for one in (ours, theirs)), within,
                       0.5 * first.samples_per_mm)


def _unlike(before, after, first, second, area, area_after) -> Match:
    """Refuse; frames alone count only where their corners were given in the piece's own order."""
    s, whole = first.samples_per_mm, _turned(size_of(before), size_of(after), 0)
    ours, theirs = (seen & inside(size_of(piece), work, frame_zone(piece, size_of(piece)))
                    for piece, work, seen in ((before, first, area), (after, second, area_after)))
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
    return Match(ok=False, homography=None, residual_px=None, before_px_per_mm=None, overlap_fraction=0.0,
                 reason=UNLIKE, method="frame and artwork")


def _grain_alone(marks: Strokes) -> bool:
    """Whether marks are no deeper and no more than grain makes them."""
    return marks.cover < BARE_COVER and (marks.cover == 0.0 or marks.depth < BARE_SIGMAS * marks.grain_depth)


def _refined(before, after, first, second, area, start: _Start) -> Match:
    """Fit, cross-check and decide."""
    strokes, s = start.strokes, first.samples_per_mm
    other = stroke_response(onto(second.picture, first, second, start.to_after), area, WIDEST_STROKE_MM * s,
                            light=start.light)
    # The frames' start owes nothing to the artwork, so all of the artwork is a check of it
    fitted, moved = np.eye(3), other.response
    check = measure_tiles(strokes.response, moved, start.within, _tile(s), FIT_SIGMAS_MM[-1] * s)
    misfit, given = _rms_move(check), "corners" in (before.method, after.method)
    if given or misfit > TRUSTED_FRAME_MM * s:
        frames = _corners(before, after, first)
        fit, crossed = _fitted(strokes.response, moved, area, s, frames)
        if _rms_move(crossed) < misfit:
            fitted, check, misfit = fit.map.homography, crossed, _rms_move(crossed)
            moved, _ = warp(moved, np.eye(3), fit.map, area.shape)
            # Corners far from the artwork are known worse than its tiles
            misfit = max(misfit, float(map_sd(fit, frames.at).max()))
    agreement = correlation(strokes.response, moved, start.within, 0.2 * s)
    alike = agreement >= SURE_AGREEMENT or (
        agreement >= LEAST_AGREEMENT
        and peak_ratio(strokes.response, moved, start.within, 0.3 * s, APART_MM * s) >= LEAST_RATIO)
    to_after = start.to_after @ first.to_mm @ fitted @ np.linalg.inv(first.to_mm)
    scale, residual_mm = before.photo_px_per_mm, misfit / s
    ok = alike and residual_mm * (1.0 if before.scale_known else 1 / scale) < MOST_RESIDUAL_MM
    return Match(ok=bool(ok), homography=_whole(before, after, to_after), residual_px=residual_mm * scale,
                 before_px_per_mm=scale if before.scale_known else None,
                 overlap_fraction=_overlap(after, first, second, to_after, area), reason=None if ok else UNLIKE,
                 method="frame and artwork", turned=start.turn == 2, agreement=agreement,
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


def _turns(size_b, size_a) -> tuple[int, ...]:
    """Quarter turns that the proportions allow."""
    shape_b, shape_a = size_b[0] / size_b[1], size_a[0] / size_a[1]
    turns = (0, 2) if abs(np.log(shape_b / shape_a)) < 0.1 else ()
    return turns + ((1, 3) if abs(np.log(shape_b * shape_a)) < 0.1 else ()) or (0, 2)


def _turned(size_b, size_a, turn) -> NDArray[np.float64]:
    """BEFORE mm to AFTER mm when AFTER lies `turn` quarter turns round."""
    source, target = rectangle(size_b), np.roll(rectangle(size_a), -turn, axis=0)
    affine = np.eye(3)
    affine[:2] = cv2.getAffineTransform(source[:3].astype(np.float32), target[:3].astype(np.float32))
    return affine


def peak_ratio(a, b, mask, sigma, apart) -> float:
    """How far the correlation in place stands above the best of all others, shifted by more than `apart` samples.

    Chance gives about 1 and less; regular letters come near 1 too.
    """
    a, b = (cv2.GaussianBlur(f * mask, (0, 0), sigma) for f in (a, b))
    a, b = ((f - f[mask].mean()) * mask for f in (a, b))
    shape = [fft.next_fast_len(2 * n, real=True) for n in a.shape]
    surface = fft.irfft2(fft.rfft2(a, shape, workers=2) * np.conj(fft.rfft2(b, shape, workers=2)), shape, workers=2)
    near = int(max(1, round(0.25 * apart)))
    window = np.ix_(range(-near, near + 1), range(-near, near + 1))
    here = float(surface[window].max())
    apart = int(round(apart))
    surface[np.ix_(range(-apart, apart + 1), range(-apart, apart + 1))] = 0
    return here / max(float(surface.max()), 1e-9)


def correlation(a, b, mask, sigma) -> float:
    """Correlation coefficient of two blurred responses inside a mask."""
    a, b = (cv2.GaussianBlur(f * mask, (0, 0), sigma)[mask].astype(np.float64) for f in (a, b))
    a, b = a - a.mean(), b - b.mean()
    spread = np.sqrt((a @ a) * (b @ b))
    return float(a @ b / spread) if spread > 1e-9 * len(a) else 0.0
