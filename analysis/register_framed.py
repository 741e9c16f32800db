"""Align two pieces whose frames are known: frames for the start, artwork for the way round and the last bit."""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.geometry import Lens, apply_homography
from analysis.rectify import Piece, piece_to_photo
from analysis.register_fit import TileCheck, check_tiles, fit_homography, folds
from analysis.strokes import Strokes, stroke_response

__all__ = ["Match", "Work", "align_framed", "correlation", "cross_check", "peak_ratio",
           "rms_move"]

WORK_PER_MM = 8.0          # samples: three across the finest stroke that a phone resolves
MOST_WORK = 0.8e6          # samples in all
WIDEST_STROKE_MM = 3.2
FRAME_ZONE_MM = 2.5        # from the outer edge inward: the frame's line, which is no artwork
STRIP_MM = 6.0             # from the outer edge: the widest line, then a bare strip as wide as the widest stroke
FIT_SIGMAS_MM = (0.8, 0.35, 0.18)
TILE_MM = 6.0
LEAST_START = 0.30         # correlation of blurred artwork the right way round, and of what half a turn changes in it
SURE_START = 0.60          # above it, artwork of the other shade need not be tried; no source
SURE_AGREEMENT = 0.70      # correlation of fine artwork in the end; 197 unrelated pairs: 0.48 at most
LEAST_AGREEMENT = 0.50     # will do where the place stands out: strong grain hides part of the artwork
LEAST_RATIO = 1.3          # so far above every other place; 197 unrelated pairs: 1.11 at most
APART_MM = 1.5             # another place
MOST_RESIDUAL_MM = 0.35
TRUSTED_FRAME_MM = 0.12    # artwork that lies nearer than this to where the frames put it leaves them alone
BARE_SIGMAS, BARE_COVER = 3.3, 0.10        # marks no deeper and no more than these are grain, not artwork
FRAME_ALONE = ("Nothing is engraved inside the frames that both photos share, so the photos are laid on each other by "
               "the given corners alone; if one piece lay half a turn round, that cannot be told.")
UNLIKE = ("What is engraved inside the two frames does not agree any way round, so which part of one piece lies on "
          "which part of the other cannot be told. Choose two pieces with the same artwork, engrave a word or a mark "
          "inside the frame, or give the corners of both frames in the order of the piece.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Outcome of an alignment before it is put in photo pixels with lenses."""

    ok: bool
    homography: NDArray[np.float64] | None       # undistorted AFTER px -> undistorted BEFORE px
    residual_px: float | None
    before_px_per_mm: float | None               # None where no scale is known
    overlap_fraction: float
    reason: str | None
    method: str
    turned: bool = False
    misfits_px: NDArray[np.float64] | None = None
    corners_px: NDArray[np.float64] | None = None    # (4, 2) in AFTER photo px: where the result must be exact
    after_lens: Lens | None = None                   # AFTER's, where its frame showed it
    warnings: tuple[str, ...] = ()
    agreement: float | None = None
    details: dict | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """A piece at working resolution."""

    picture: NDArray[np.float32]
    to_mm: NDArray[np.float64]         # 3x3: sample (column, row) -> mm
    samples_per_mm: float


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
    size_b, size_a = _size(before), _size(after)
    s = _work_scale(before, after, size_b)
    first, second = _work(before, s), _work(after, s)
    area, area_after = _area(before, first), _area(after, second)
    inner = area & _inner(size_b, first, _zone(before, size_b))
    # A bare strip between a frame's line and its ground is light on every board, so light on light is asked farther in
    deep = area & _inner(size_b, first, min(STRIP_MM / FRAME_ZONE_MM * _zone(before, size_b), 0.2 * min(size_b)))
    given = before.method == after.method == "corners"     # in the piece's own order, so even artwork may do
    starts, ours, theirs = [], {}, {}
    for ours_light, light in ((False, False), (True, True), (False, True), (True, False)):
        for works, one, mask, seen in ((first, ours_light, area, ours), (second, light, area_after, theirs)):
            if one not in seen:
                seen[one] = stroke_response(works.picture, mask, WIDEST_STROKE_MM * s, light=one)
        within = deep if ours_light and light else inner
        for turn in _turns(size_b, size_a):
            start = _turned(size_b, size_a, turn)
            warped = _onto(theirs[light].response, first, second, start)
            score = correlation(ours[ours_light].response, warped, within, 0.5 * s)
            upright = score if given or score < LEAST_START else _upright(ours[ours_light].response, warped, first,
                                                                          size_b, within)
            starts.append(_Start(score=score, sure=min(score, upright), turn=turn, strokes=ours[ours_light],
                                 light=light, to_after=start, within=within))
        best = max(starts, key=lambda start: start.sure)
        if best.sure > SURE_START:
            break
    if best.sure < LEAST_START:
        return _unlike(before, after, first, second, inner, best)
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
    return correlation(*(one - _onto(one, first, first, half) for one in (ours, theirs)), within,
                       0.5 * first.samples_per_mm)


def _unlike(before, after, first, second, inner, best) -> Match:
    """Refuse; frames alone count only where their corners were given in the piece's own order."""
    inner_after = _area(after, second) & _inner(_size(after), second, _zone(after, _size(after)))
    marks = [stroke_response(work.picture, mask, WIDEST_STROKE_MM * work.samples_per_mm)
             for work, mask in ((first, inner), (second, inner_after))]
    bare = all(m.cover < BARE_COVER and (m.cover == 0.0 or m.depth < BARE_SIGMAS * m.grain_depth) for m in marks)
    if before.method == after.method == "corners" and bare:
        whole = _whole(before, after, _turned(_size(before), _size(after), 0))
        return Match(ok=True, homography=whole, residual_px=before.corners_sd_px,
                     before_px_per_mm=before.photo_px_per_mm if before.scale_known else None, overlap_fraction=1.0,
                     reason=None, method="frame", after_lens=after.lens,
                     corners_px=piece_to_photo(after, _rectangle(_size(after))),
                     warnings=(FRAME_ALONE,))
    return Match(ok=False, homography=None, residual_px=None, before_px_per_mm=None, overlap_fraction=0.0,
                 reason=UNLIKE, method="frame and artwork", agreement=best.score)


def _refined(before, after, first, second, area, start: _Start) -> Match:
    """Fit, cross-check and decide."""
    strokes, s = start.strokes, first.samples_per_mm
    other = stroke_response(_onto(second.picture, first, second, start.to_after), area, WIDEST_STROKE_MM * s,
                            light=start.light)
    sigma, tile = FIT_SIGMAS_MM[-1] * s, max(12, int(round(TILE_MM * s)))
    use = area.astype(np.float32)
    # The frames' start owes nothing to the artwork, so all of the artwork is a check of it
    check = check_tiles(strokes.response, other.response, np.eye(3), start.within.astype(np.float32), tile, sigma)
    fitted = np.eye(3)
    given = "corners" in (before.method, after.method)
    if given or rms_move(check) > TRUSTED_FRAME_MM * s:
        fit = fit_homography(strokes.response, other.response, use, tuple(m * s for m in FIT_SIGMAS_MM))
        crossed = cross_check(strokes.response, other.response, use, fit.homography, sigma, tile)
        if fit.converged and rms_move(crossed) < rms_move(check):
            fitted, check = fit.homography, crossed
    moved = _moved(other.response, fitted)
    agreement = correlation(strokes.response, moved, start.within, 0.2 * s)
    alike = agreement >= SURE_AGREEMENT or (
        agreement >= LEAST_AGREEMENT
        and peak_ratio(strokes.response, moved, start.within, 0.3 * s, APART_MM * s) >= LEAST_RATIO)
    to_after = start.to_after @ first.to_mm @ fitted @ np.linalg.inv(first.to_mm)
    scale, residual_mm = before.photo_px_per_mm, rms_move(check) / s
    ok = alike and residual_mm * (1.0 if before.scale_known else 1 / scale) < MOST_RESIDUAL_MM
    return Match(ok=bool(ok), homography=_whole(before, after, to_after), residual_px=residual_mm * scale,
                 before_px_per_mm=scale if before.scale_known else None,
                 overlap_fraction=_overlap(after, first, second, to_after, area), reason=None if ok else UNLIKE,
                 method="frame and artwork", turned=start.turn == 2, agreement=agreement,
                 misfits_px=_misfits(before, first, check), after_lens=after.lens,
                 corners_px=piece_to_photo(after, apply_homography(to_after, _rectangle(_size(before)))))


def _whole(before, after, to_after) -> NDArray[np.float64]:
    """Undistorted AFTER px to undistorted BEFORE px."""
    whole = np.linalg.inv(before.photo_to_piece) @ np.linalg.inv(to_after) @ after.photo_to_piece
    return whole / whole[2, 2]


def _overlap(after, first, second, to_after, area) -> float:
    """Share of BEFORE's piece that AFTER shows."""
    seen = _onto(_area(after, second).astype(np.float32), first, second, to_after) > 0.5
    return float((seen & area).sum() / max(area.sum(), 1))


def _misfits(before, first, check: TileCheck) -> NDArray[np.float64]:
    """Check points and their movement in BEFORE photo px, shape (n, 4)."""
    here = piece_to_photo(before, apply_homography(first.to_mm, check.at))
    there = piece_to_photo(before, apply_homography(first.to_mm, check.at + check.move))
    return np.concatenate([here, there - here], axis=1)


def cross_check(before, after, use, matrix, sigma, tile) -> TileCheck:
    """Fit on each half of the tiles, ask the other half."""
    half = folds(before.shape, tile)
    checks = []
    for part in (half, ~half):
        fit = fit_homography(before, after, use * part, (sigma,), matrix)
        checks.append(check_tiles(before, after, fit.homography, use * ~part, tile))
    return TileCheck(**{name: np.concatenate([getattr(c, name) for c in checks])
                        for name in TileCheck.__dataclass_fields__})


def rms_move(check: TileCheck) -> float:
    """Robust rms of what the tiles ask for, samples."""
    if len(check.move) == 0:
        return float("inf")
    square = (check.move ** 2).sum(axis=1) * 2.0 / check.firm      # both components, from one where only that is told
    # Median of a sum of two squares is 2 ln 2 variances
    return float(np.sqrt(np.median(square) / np.log(2.0)))


def _size(piece: Piece) -> tuple[float, float]:
    """Frame's size in the piece's unit."""
    if piece.frame_mm is not None:
        return piece.frame_mm
    corners = apply_homography(piece.photo_to_piece, piece.corners_px)
    return tuple(np.abs(corners[2] - corners[0]))


def _work_scale(before, after, size) -> float:
    """Working samples per mm: no finer than either photo."""
    own = min(before.samples_per_mm, after.samples_per_mm)
    return float(min(WORK_PER_MM if before.scale_known else own, own, np.sqrt(MOST_WORK / (size[0] * size[1]))))


def _work(piece: Piece, s: float) -> Work:
    """Area-averaged picture of a piece at about `s` samples per mm."""
    rows, columns = piece.reflectance.shape
    shape = (max(8, round(rows * s / piece.samples_per_mm)), max(8, round(columns * s / piece.samples_per_mm)))
    picture = piece.reflectance
    if shape != (rows, columns):
        picture = cv2.resize(picture, shape[::-1], interpolation=cv2.INTER_AREA)
    fx, fy = columns / shape[1], rows / shape[0]
    to_mm = np.array([[fx / piece.samples_per_mm, 0, piece.origin_mm[0] + (fx - 1) / 2 / piece.samples_per_mm],
                      [0, fy / piece.samples_per_mm, piece.origin_mm[1] + (fy - 1) / 2 / piece.samples_per_mm],
                      [0, 0, 1]])
    return Work(picture=np.ascontiguousarray(picture), to_mm=to_mm, samples_per_mm=s)


def _area(piece: Piece, work: Work) -> NDArray[np.bool_]:
    """Where the piece with its margin is seen."""
    valid = cv2.resize(piece.valid.astype(np.uint8), work.picture.shape[::-1], interpolation=cv2.INTER_NEAREST)
    reach = 2 * int(np.ceil(max(-piece.origin_mm[0], -piece.origin_mm[1], 0) * work.samples_per_mm)) + 1
    return cv2.dilate(valid, np.ones((reach, reach), np.uint8)) > 0


def _zone(piece, size) -> float:
    """Width of the frame's zone, piece units."""
    return min(FRAME_ZONE_MM, 0.06 * min(size)) if piece.scale_known else 0.05 * min(size)


def _inner(size, work: Work, zone) -> NDArray[np.bool_]:
    """Inside the frame's line."""
    rows, columns = work.picture.shape
    x = work.to_mm[0, 0] * np.arange(columns) + work.to_mm[0, 2]
    y = work.to_mm[1, 1] * np.arange(rows) + work.to_mm[1, 2]
    return ((y > zone) & (y < size[1] - zone))[:, None] & ((x > zone) & (x < size[0] - zone))[None, :]


def _turns(size_b, size_a) -> tuple[int, ...]:
    """Quarter turns that the proportions allow."""
    shape_b, shape_a = size_b[0] / size_b[1], size_a[0] / size_a[1]
    turns = (0, 2) if abs(np.log(shape_b / shape_a)) < 0.1 else ()
    return turns + ((1, 3) if abs(np.log(shape_b * shape_a)) < 0.1 else ()) or (0, 2)


def _rectangle(size):
    """Corners in the order of the piece."""
    w, h = size
    return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])


def _turned(size_b, size_a, turn) -> NDArray[np.float64]:
    """BEFORE mm to AFTER mm when AFTER lies `turn` quarter turns round."""
    source, target = _rectangle(size_b), np.roll(_rectangle(size_a), -turn, axis=0)
    affine = np.eye(3)
    affine[:2] = cv2.getAffineTransform(source[:3].astype(np.float32), target[:3].astype(np.float32))
    return affine


def _onto(picture, first: Work, second: Work, to_after) -> NDArray[np.float32]:
    """AFTER's picture on BEFORE's working grid."""
    matrix = np.linalg.inv(second.to_mm) @ to_after @ first.to_mm
    return cv2.warpPerspective(picture, matrix, first.picture.shape[::-1],
                               flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)


def _moved(picture, matrix):
    """Picture moved by a fit on its own grid."""
    return cv2.warpPerspective(picture, matrix, picture.shape[::-1],
                               flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)


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
