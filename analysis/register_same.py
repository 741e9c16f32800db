"""One board photographed twice: once artwork or frame has aligned it, its grain tells, and refines the alignment.

Reflectance on both sides, with slow changes and all that runs straight across
the scan axis taken out: stripes lie at the same place on two boards too, so
they prove nothing.
"""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, lens_of_photo
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.register_fit import fit_map, map_sd
from analysis.register_map import PlaneMap, map_points, scale_of, warp
from analysis.register_match import Match
from analysis.register_tiles import measure_tiles, select

__all__ = ["refined_on_same_board"]

WORK_PX = 0.8e6            # samples of the working picture
TILE = 40                  # samples
STRAIGHT = 141             # samples: what is straight over so many across the scan axis is taken out
SLOW = 14.0                # samples: blur of what changes slowly
SIGMAS = (4.0, 2.0, 1.2, 1.0)       # blurs, samples: from what artwork leaves to the grain's own detail
FULL_SIGMAS = 3.0          # grain of so many s.d. counts as full artwork does
STANDS_OUT = 4.0           # s.d. of the grain: this is artwork or an edge
RIM = 41                   # samples: half of it around what stands out is left out too
ALIKE = 0.5                # correlation of a tile that agrees
SAME = 0.8                 # share of tiles that agree
LEAST_TILES = 24
LENS_PX = 0.15             # s.d. of what one radial coefficient leaves of a lens; common practice, no source


def refined_on_same_board(match: Match, before: Piece, after: Photo) -> Match:
    """Refine an alignment by the grain, where both photos show the same board.

    Parameters
    ----------
    match : Match
        Aligned or a mere start; off by half a millimetre at most.
    before : Piece
    after : Photo

    Returns
    -------
    Match
        Unchanged where the grain does not agree; `ok` where it does.
    """
    picture, to_photo, valid = _view(before)
    lens = match.after_lens or lens_of_photo(after.size_px)
    plane = PlaneMap(homography=np.linalg.inv(match.homography) @ to_photo, lens=lens)
    middle = (np.array(picture.shape[::-1]) - 1) / 2
    factor = max(scale_of(plane.homography, middle), 1.0)
    h, w = after.luminance.shape
    small = after.luminance if factor < 1.02 else cv2.resize(
        after.luminance, (round(w / factor), round(h / factor)), interpolation=cv2.INTER_AREA)
    fx, fy = w / small.shape[1], h / small.shape[0]
    to_small = np.linalg.inv([[fx, 0, (fx - 1) / 2], [0, fy, (fy - 1) / 2], [0, 0, 1]])
    fine = _fine(picture)
    bare, spread = _bare(fine, valid)
    here = np.clip(fine * np.float32(1 / (FULL_SIGMAS * spread)), -1, 1)
    for k, sigma in enumerate(SIGMAS):
        warped, seen = warp(small, to_small, plane, picture.shape)
        fine = _fine(warped)
        if k == 0:
            also, other_spread = _bare(fine, valid & seen)
        there = np.clip(fine * np.float32(1 / (FULL_SIGMAS * other_spread)), -1, 1)
        if k == 0:
            tiles = measure_tiles(here, there, bare & also, TILE, sigma)
            if len(tiles.at) < LEAST_TILES or (tiles.agreement > ALIKE).mean() < SAME:
                return match
        tiles = measure_tiles(here, there, valid & seen, TILE, sigma)
        good = select(tiles, (tiles.agreement > ALIKE) & (np.hypot(*tiles.move.T) < 2 * sigma))
        if len(good.at) < max(LEAST_TILES, SAME * len(tiles.at)):      # beside artwork its rim agrees on any board
            return match
        fit = fit_map(good, plane)
        plane = fit.map
    return _matched(match, before, fit, good, to_photo)


def _view(piece: Piece):
    """BEFORE's picture at working size, its samples' places on the undistorted photo, and where it counts."""
    rows, columns = piece.reflectance.shape
    factor = max(1.0, float(np.sqrt(rows * columns / WORK_PX)))
    size = round(columns / factor), round(rows / factor)
    picture = cv2.resize(piece.reflectance, size, interpolation=cv2.INTER_AREA)
    fx, fy, step = columns / size[0], rows / size[1], 1 / piece.samples_per_mm
    to_mm = np.array([[fx * step, 0, piece.origin_mm[0] + (fx - 1) / 2 * step],
                      [0, fy * step, piece.origin_mm[1] + (fy - 1) / 2 * step], [0, 0, 1]])
    valid = cv2.resize(piece.valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    return picture, np.linalg.inv(piece.photo_to_piece) @ to_mm, valid


def _fine(picture) -> NDArray[np.float32]:
    """Log reflectance without what is slow or straight across the scan axis."""
    log = np.log(np.maximum(picture, np.float32(1e-3)))
    log -= cv2.GaussianBlur(log, (0, 0), SLOW)
    return log - cv2.blur(log, (1, STRAIGHT))


def _bare(fine, valid) -> tuple[NDArray[np.bool_], float]:
    """Where nothing stands out as artwork and edges do, and the spread of the grain there."""
    spread = 1.4826 * float(np.median(np.abs(fine[::3, ::3][valid[::3, ::3]]))) if valid.any() else 1.0
    strong = (cv2.GaussianBlur(np.abs(fine), (0, 0), 1.5) > STANDS_OUT * spread) | ~valid
    return cv2.dilate(strong.astype(np.uint8), np.ones((RIM, RIM), np.uint8)) == 0, max(spread, 1e-4)


def _matched(match, before, fit, tiles, to_photo) -> Match:
    """Put in photo pixels."""
    plane = fit.map
    to_before = to_photo @ np.linalg.inv(plane.homography)
    at = apply_homography(to_photo, tiles.at)
    corners = match.corners_px
    if corners is None:
        box = cv2.boxPoints(cv2.minAreaRect(tiles.at.astype(np.float32).reshape(-1, 1, 2))).astype(np.float64)
        corners = map_points(plane, box)
    places = np.array([tiles.at.min(axis=0), tiles.at.max(axis=0), tiles.at.mean(axis=0)])
    scale = scale_of(to_before, apply_homography(plane.homography, places[2]))
    sd = float(np.hypot(map_sd(fit, places).max() * scale, LENS_PX))
    return replace(match, ok=True, reason=None, homography=to_before / to_before[2, 2], after_lens=plane.lens,
                   method="same board", residual_px=sd, corners_px=corners,
                   misfits_px=np.concatenate([at, apply_homography(to_photo, tiles.at + fit.residual) - at], axis=1))
