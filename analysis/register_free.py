"""Align two photos by the features of their artwork, where AFTER's frame is not known.

Features only give a start. Strokes carry the fit, and only what many tiles of
artwork confirm is believed: grain and stripes are no strokes, so they can
neither make nor move an alignment.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.register_fit import TileCheck, check_tiles, fit_homography, folds
from analysis.register_framed import Match, correlation, cross_check, rms_move
from analysis.strokes import stroke_response

__all__ = ["align_free"]

WORK_PX = 1.0e6            # samples of a working picture
STROKE_SHARE = 1 / 50      # widest stroke over the photo's longer side: 3 mm in 160 mm
WIDEST_STROKE_MM = 3.2
RATIO = 0.85               # Lowe (2004) advises 0.8; the robust fit that follows bears more
FEATURES = 1600
LEAST_INLIERS = 9
TILE_WIDTHS = 1.25         # side of a tile over the widest stroke
FIT_WIDTHS = (0.35, 0.15, 0.07)     # blurs of the fit over the widest stroke
MOST_ACROSS = 26.0         # samples across the widest stroke: 8 per mm
LEAST_TILE = 0.5           # correlation of a tile that agrees
LEAST_TILES = 18           # a single word or figure in common has about 13 and fixes no perspective
MOST_SPREAD_WIDTHS = 0.3   # between fits of the two halves of the tiles, at the box around them, over the widest stroke
LEAST_SHARE = 0.6          # of the artwork's energy inside their outline
LEAST_BREADTH, LEAST_LENGTH = 5.0, 10.0     # of the box around the tiles that agree, over the widest stroke
TILE_ROUNDS = 3            # of reweighting tiles
LEAST_AGREEMENT = 0.55
MOST_RESIDUAL_WIDTHS = 0.1      # of the check, over the widest stroke: 0.3 mm
SEED = 1                   # of the robust estimator
NOT_ALIGNED = ("No artwork that both photos share was found, so which part of one lies on which part of the other "
               "cannot be told. Choose two pieces with the same artwork seen whole, engrave a frame of known size, "
               "or give the corners of both pieces.")


@dataclass(frozen=True, slots=True, kw_only=True)
class _View:
    """A picture at working resolution."""

    picture: NDArray[np.float32]
    to_photo: NDArray[np.float64]      # 3x3: sample -> undistorted photo px
    inside: NDArray[np.bool_]
    widest: float                      # widest stroke, samples
    source: NDArray[np.float32]        # what it was shrunk from
    to_source: NDArray[np.float64]     # 3x3: sample -> sample of the source


def align_free(before: Photo, after: Photo, before_piece: Piece) -> Match:
    """Align by artwork alone.

    Parameters
    ----------
    before, after : Photo
    before_piece : Piece
        Gives the part of BEFORE that counts, and its scale.

    Returns
    -------
    Match
        Refused where too few tiles of artwork agree.
    """
    first = _piece_view(before_piece) if before_piece.corners_px is not None else _photo_view(before, before_piece)
    second = _shrunk(after.luminance, _fitting(after.luminance.size))
    best = None
    for start in _starts(first, second):
        found = _grown(first, after, *start)
        if found is not None and (best is None or found.support > best.support):
            best = found
        if best is not None and best.support > LEAST_TILES and best.agreement > 0.9:
            break
    if best is None:
        return _refusal()
    return _result(before_piece, after, first, best)


def _refusal(agreement=None) -> Match:
    """No alignment."""
    return Match(ok=False, homography=None, residual_px=None, before_px_per_mm=None, overlap_fraction=0.0,
                 reason=NOT_ALIGNED, method="artwork", agreement=agreement)


def _shrunk(source, factor, box=None) -> _View:
    """Area-averaged picture of a box (x0, y0, x1, y1) of the source, its samples' places as the photo's."""
    x0, y0, x1, y1 = (0, 0, source.shape[1], source.shape[0]) if box is None else box
    part = source[y0:y1, x0:x1]
    h, w = part.shape
    picture = np.ascontiguousarray(part)
    if factor > 1.02:
        picture = cv2.resize(part, (max(2, round(w / factor)), max(2, round(h / factor))), interpolation=cv2.INTER_AREA)
    fx, fy = w / picture.shape[1], h / picture.shape[0]
    to_source = np.array([[fx, 0, x0 + (fx - 1) / 2], [0, fy, y0 + (fy - 1) / 2], [0, 0, 1]])
    return _View(picture=picture, to_photo=to_source, inside=np.ones(picture.shape, bool),
                 widest=max(picture.shape) * STROKE_SHARE, source=source, to_source=to_source)


def _fitting(size) -> float:
    """Factor that shrinks so many samples to a working picture."""
    return max(1.0, float(np.sqrt(size / WORK_PX)))


def _photo_view(photo: Photo, piece: Piece) -> _View:
    """BEFORE's whole photo."""
    view = _shrunk(photo.luminance, _fitting(photo.luminance.size))
    if not piece.scale_known:
        return view
    widest = WIDEST_STROKE_MM * piece.photo_px_per_mm / view.to_photo[0, 0]
    return replace(view, widest=float(np.clip(widest, 0.3 * view.widest, 3 * view.widest)))


def _piece_view(piece: Piece) -> _View:
    """BEFORE's piece on its grid."""
    view = _shrunk(piece.reflectance, _fitting(piece.reflectance.size))
    step = 1 / piece.samples_per_mm
    to_mm = np.array([[step, 0, piece.origin_mm[0]], [0, step, piece.origin_mm[1]], [0, 0, 1]])
    inside = cv2.resize(piece.valid.astype(np.uint8), view.picture.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    widest = WIDEST_STROKE_MM * piece.samples_per_mm / view.to_source[0, 0] if piece.scale_known else view.widest
    return replace(view, to_photo=np.linalg.inv(piece.photo_to_piece) @ to_mm @ view.to_source, inside=inside,
                   widest=float(widest))


def _zoomed(view: _View, region) -> tuple[_View, NDArray[np.bool_], NDArray[np.float64]]:
    """Sample the box of a region as finely as the source allows; the region there; new samples to old ones."""
    rows, columns = np.nonzero(region.any(axis=1))[0], np.nonzero(region.any(axis=0))[0]
    ends = apply_homography(view.to_source, np.array([[columns[0], rows[0]], [columns[-1], rows[-1]]]))
    high = np.array(view.source.shape[::-1])
    (x0, y0), (x1, y1) = np.clip(np.floor(ends[0]), 0, high - 2), np.clip(np.ceil(ends[1]) + 1, 2, high)
    box = int(x0), int(y0), int(x1), int(y1)
    finest = max(1.0, view.widest * view.to_source[0, 0] / MOST_ACROSS)
    near = _shrunk(view.source, max(finest, _fitting((box[2] - box[0]) * (box[3] - box[1]))), box)
    to_old = np.linalg.inv(view.to_source) @ near.to_source
    widest = view.widest * view.to_source[0, 0] / near.to_source[0, 0]
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    masks = [cv2.warpPerspective(m.astype(np.uint8), to_old, near.picture.shape[::-1], flags=flags) > 0
             for m in (view.inside, region)]
    return replace(near, to_photo=view.to_photo @ to_old, inside=masks[0], widest=widest), masks[1], to_old


def _starts(first: _View, second: _View):
    """Homographies from BEFORE's samples to AFTER's, the likeliest first."""
    def tone(view):
        top = max(float(np.percentile(view.picture[::5, ::5], 99)), 1e-6)
        return (np.sqrt(np.clip(view.picture / np.float32(top), 0, 1)) * 255).astype(np.uint8)

    def strokes(view):
        response = stroke_response(view.picture, view.inside, view.widest).response
        return (cv2.GaussianBlur(response, (0, 0), 1.0) * 255).astype(np.uint8)
    def negative(view):
        return 255 - tone(view)
    for prepare in ((tone, tone), (strokes, strokes), (tone, negative)):
        start = _features(first, prepare[0](first), second, prepare[1](second))
        if start is not None:
            matrix, points = start
            yield second.to_photo @ matrix, points


def _features(first, image, second, other):
    """Homography by features and a robust fit (MAGSAC++: Barath et al., CVPR 2020), or None."""
    sift = cv2.SIFT_create(nfeatures=FEATURES, contrastThreshold=0.03)
    points, words = sift.detectAndCompute(image, first.inside.astype(np.uint8) * 255)
    others, other_words = sift.detectAndCompute(other, None)
    if words is None or other_words is None or min(len(points), len(others)) < LEAST_INLIERS:
        return None
    pairs = [p for p in cv2.BFMatcher().knnMatch(words, other_words, k=2) if len(p) == 2]
    good = [a for a, b in pairs if a.distance < RATIO * b.distance]
    if len(good) < LEAST_INLIERS:
        return None
    source = np.array([points[m.queryIdx].pt for m in good]).reshape(-1, 1, 2)
    target = np.array([others[m.trainIdx].pt for m in good]).reshape(-1, 1, 2)
    cv2.setRNGSeed(SEED)
    matrix, inliers = cv2.findHomography(source, target, cv2.USAC_MAGSAC, 4.0, maxIters=20000, confidence=0.9999)
    if matrix is None or inliers.sum() < LEAST_INLIERS or not _credible(matrix, image.shape):
        return None
    return matrix, source.reshape(-1, 2)[inliers.ravel() > 0]


def _credible(matrix, shape) -> bool:
    """Whether a homography is one between two photos of a flat piece: no mirror, no fold, scale x0.2 to x5."""
    rows, columns = shape
    points = np.array([[0.2, 0.2], [0.8, 0.2], [0.8, 0.8], [0.2, 0.8], [0.5, 0.5]]) * [columns, rows]
    if not np.all(np.isfinite(matrix)) or abs(np.linalg.det(matrix)) < 1e-9:
        return False
    depth = points @ matrix[2, :2] + matrix[2, 2]
    if depth.min() <= 0 or depth.max() > 3 * depth.min():
        return False
    step = 0.5
    for x, y in points:
        p = apply_homography(matrix, np.array([[x, y], [x + step, y], [x, y + step]]))
        a, b = (p[1] - p[0]) / step, (p[2] - p[0]) / step
        area = a[0] * b[1] - a[1] * b[0]
        long, short = max(np.hypot(*a), np.hypot(*b)), min(np.hypot(*a), np.hypot(*b))
        if not 0.04 < area < 25.0 or long > 2.5 * short:
            return False
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grown:
    """A start that tiles confirmed, fitted on them."""

    view: _View                        # the part of BEFORE that was fitted
    to_after: NDArray[np.float64]      # its samples -> AFTER photo px
    check: TileCheck                   # cross-checked, inside the outline
    support: float                     # tiles that agree
    share: float                       # of the artwork's energy inside the outline that agrees
    agreement: float
    spread: float                      # how far apart the two halves' fits lie at the outline's box, samples
    extent: NDArray[np.float64]        # (2,) shorter and longer side of the box around those tiles, samples
    outline: NDArray[np.bool_]


def _grown(first: _View, after: Photo, start, points) -> _Grown | None:
    """Fit on tiles that agree, widen to where more of them do, and check."""
    region = _outline(points, 2.0 * first.widest, first.picture.shape) & first.inside
    view, region, to_old = _zoomed(first, region)
    to_after = start @ to_old
    tile, sigmas = max(8, int(round(TILE_WIDTHS * view.widest))), tuple(k * view.widest for k in FIT_WIDTHS)
    for part in (sigmas[:1], sigmas[:2], sigmas):
        pair = _responses(view, after, to_after, region)
        if pair is None:
            return None
        response, other, seen = pair
        fit = fit_homography(response, other, (region & seen).astype(np.float32), part)
        if not _credible(to_after @ fit.homography, response.shape):
            return None
        check = check_tiles(response, other, fit.homography, (region & seen).astype(np.float32), tile, sigmas[-1])
        to_after = to_after @ fit.homography
    pair = _responses(view, after, to_after, region)
    if pair is None:
        return None
    response, other, seen = pair
    use = (region & seen).astype(np.float32)
    fit = _tilewise(response, other, use, sigmas[-1], tile)
    if not fit.converged or not _credible(to_after @ fit.homography, response.shape):
        return None
    check = cross_check(response, other, use, fit.homography, sigmas[-1], tile)
    agrees = check.agreement > LEAST_TILE
    box = cv2.minAreaRect(check.at[agrees].astype(np.float32).reshape(-1, 1, 2))[1] if agrees.sum() > 2 else (0, 0)
    moved = cv2.warpPerspective(other, fit.homography, other.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return _Grown(view=view, to_after=to_after @ fit.homography, check=check, support=float(agrees.sum()),
                  share=float(check.weight[agrees].sum() / max(check.weight.sum(), 1e-9)),
                  agreement=correlation(response, moved, region & seen, sigmas[-1]), extent=np.sort(box),
                  spread=_half_spread(response, other, use, fit.homography, sigmas[-1], tile),
                  outline=region)


def _tilewise(response, other, use, sigma, tile):
    """Fit in which a part of the artwork that does not follow the rest counts less."""
    fit = fit_homography(response, other, use, (sigma,))
    for _ in range(TILE_ROUNDS):
        check = check_tiles(response, other, fit.homography, use, tile, sigma)
        if len(check.move) < 4:
            break
        off = np.hypot(*check.move.T)
        typical = max(rms_move(check), 0.05 * sigma)
        weight = np.ones(tuple(n // tile + 1 for n in response.shape), np.float32)
        column, row = (check.at // tile).astype(int).T
        weight[row, column] = 1 / (1 + (off / typical) ** 2)
        weight = np.kron(weight, np.ones((tile, tile), np.float32))[:response.shape[0], :response.shape[1]]
        fit = fit_homography(response, other, use * weight, (sigma,), fit.homography)
    return fit


def _half_spread(response, other, use, matrix, sigma, tile) -> float:
    """Largest distance between the fits of two halves of the tiles, at the corners of the box that is used."""
    half = folds(response.shape, tile)
    rows, columns = np.nonzero(use.any(axis=1))[0], np.nonzero(use.any(axis=0))[0]
    box = np.array([[x, y] for x in columns[[0, -1]] for y in rows[[0, -1]]], float)
    ends = [apply_homography(fit_homography(response, other, use * part, (sigma,), matrix).homography, box)
            for part in (half, ~half)]
    return float(np.hypot(*(ends[0] - ends[1]).T).max())


def _responses(first: _View, after: Photo, to_after, region):
    """Both stroke responses on BEFORE's samples, levels taken in a region, and where AFTER shows it."""
    rows, columns = first.picture.shape
    y, x = np.nonzero(region[::8, ::8])
    if len(x) < 12:
        return None
    middle = np.array([x.mean(), y.mean()]) * 8
    p = apply_homography(to_after, middle + np.array([[0, 0], [1, 0], [0, 1]]))
    scale = float(np.sqrt(abs(np.linalg.det(np.stack([p[1] - p[0], p[2] - p[0]])))))
    view = _shrunk(after.luminance, max(1.0, scale))
    matrix = np.linalg.inv(view.to_photo) @ to_after
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    picture = cv2.warpPerspective(view.picture, matrix, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.warpPerspective(np.ones(view.picture.shape, np.uint8), matrix, (columns, rows),
                               flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP) > 0
    area = region & seen
    if area.sum() < 500:
        return None
    return (stroke_response(first.picture, area, first.widest).response,
            stroke_response(picture, area, first.widest).response, seen)


def _outline(points, border, shape) -> NDArray[np.bool_]:
    """Hull of points with a border."""
    mask = np.zeros(shape, np.uint8)
    hull = cv2.convexHull(points.astype(np.float32).reshape(-1, 1, 2)).reshape(-1, 1, 2)
    cv2.fillConvexPoly(mask, np.round(hull).astype(np.int32), 1)
    return cv2.distanceTransform(1 - mask, cv2.DIST_L2, 3) <= border


def _result(piece: Piece, after: Photo, first: _View, found: _Grown) -> Match:
    """Decide and put in photo pixels."""
    view = found.view
    to_before = view.to_photo @ np.linalg.inv(found.to_after)
    here = apply_homography(view.to_photo, found.check.at)
    there = apply_homography(view.to_photo, found.check.at + found.check.move)
    px = _px_per_sample(view, np.argwhere(found.outline).mean(axis=0)[::-1])
    residual = rms_move(found.check)
    breadth, length = found.extent / view.widest
    ok = (found.support >= LEAST_TILES and found.share >= LEAST_SHARE and breadth >= LEAST_BREADTH
          and length >= LEAST_LENGTH
          and found.agreement >= LEAST_AGREEMENT and residual < MOST_RESIDUAL_WIDTHS * view.widest
          and found.spread < MOST_SPREAD_WIDTHS * view.widest)
    return Match(ok=bool(ok), homography=to_before / to_before[2, 2], residual_px=residual * px,
                 before_px_per_mm=piece.photo_px_per_mm if piece.scale_known else None,
                 overlap_fraction=_overlap(first, after, first.to_photo, to_before),
                 reason=None if ok else NOT_ALIGNED, method="artwork", agreement=found.agreement,
                 misfits_px=np.concatenate([here, there - here], axis=1),
                 details={"support": found.support, "share": found.share, "breadth": float(breadth),
                          "length": float(length), "spread": found.spread / view.widest, "residual": residual})


def _px_per_sample(view: _View, at) -> float:
    """Photo pixels per sample at a place."""
    p = apply_homography(view.to_photo, at + np.array([[0, 0], [1, 0], [0, 1]]))
    return float(np.sqrt(abs(np.linalg.det(np.stack([p[1] - p[0], p[2] - p[0]])))))


def _overlap(first: _View, after: Photo, to_photo, to_before) -> float:
    """Share of BEFORE's piece, or photo, that lies inside AFTER."""
    rows, columns = np.nonzero(first.inside[::8, ::8])
    points = apply_homography(np.linalg.inv(to_before) @ to_photo, np.stack([columns, rows], axis=1) * 8.0)
    w, h = after.size_px
    return float(((points >= 0) & (points <= [w - 1, h - 1])).all(axis=1).mean())
