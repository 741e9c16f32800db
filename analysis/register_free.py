"""Align two photos by their artwork, where AFTER's frame is not known.

Features only give a start. Tiles of strokes carry the fit, outward from where
the start is sure to where more tiles agree; then all the artwork at once must
say that this is its place, and no other. Grain and stripes are no strokes, so
they can neither make nor move an alignment.
"""
from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import chain

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, homography_of, lens_of_photo, undistort
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.register_cameras import cameras_of, with_sides_found
from analysis.register_everywhere import starts_everywhere
from analysis.register_fit import fit_map, levels_sd, map_sd
from analysis.register_ground import ground_of, with_ground
from analysis.register_grow import Found, grown
from analysis.register_map import Cameras, PlaneMap, map_points, moved_to, scale_of
from analysis.register_match import Match
from analysis.register_outline import starts_by_outline
from analysis.register_place import LEAST_RATIO, place_of
from analysis.register_rectangle import found_by_rectangle
from analysis.register_same import refined_on_same_board
from analysis.register_start import STROKE_SHARE, Start, starts
from analysis.register_tiles import SHARED_STROKES, figures_of, select
from analysis.strokes import shades

__all__ = ["align_free", "most_sd"]

WIDEST_STROKE_MM = 3.2
LEAST_SHARE = 0.5          # of what stands out on either board, that both show in one place; a word in common: 0.4
# Where it stands out so far, less of it will do: textures and dots of tone are no artwork that both could show. Pairs
# with one word in common reach 4
FAR_ABOVE, FAIR_SHARE = 8.0, 0.35
LEAST_FIRST = 1.3          # of the agreement in its place to that in any other; four of a row of five figures: 1.25
MOST_EVEN = 0.7            # of the agreement, half a turn round; 40 pairs with artwork that is not even: 0.5 at most
LEAST_BOTH, BOTH_WAYS = 15, 0.3            # tiles that tell both directions alike: those of an edge slide along it
LEAST_BREADTH, LEAST_LENGTH = 4.0, 7.0     # of the box around them, over the widest stroke
MOST_UNLEVEL = 4.5         # s.d. between the strokes and the photos' level; chi square of four terms: one in 2000
MOST_SD_WIDTHS = 0.141     # of the place of the corners, over the widest stroke: 0.45 mm, told as the misfit; no source
FIGURES_APART = 1.8        # tiles of one figure, over the widest stroke: a tile and its neighbours on all sides
PLACES = 9                 # along each side of a piece that AFTER shows in part
BEYOND = 1.2               # the piece reaches so far beyond its artwork, both from the photo's middle; no source
NOT_ALIGNED = ("No artwork that both photos share was found, so which part of one lies on which part of the other "
               "cannot be told. Choose two pieces with the same artwork seen whole, engrave a frame of known size, "
               "or give the corners of both pieces.")

EVEN = ("The artwork looks alike half a turn round, so which end of one piece lies on which end of the other cannot be "
        "told. Engrave a word or a mark near one end, or give the corners of both pieces.")


def align_free(before: Photo, after: Photo, before_piece: Piece) -> Match:
    """Align by artwork alone, or by the grain of one board photographed twice.

    Parameters
    ----------
    before, after : Photo
    before_piece : Piece
        Gives the part of BEFORE that counts, and its scale.

    Returns
    -------
    Match
        Refused where the artwork does not prove one place, and the grain does not either.
    """
    best, tried, artwork = _refusal(), [], np.zeros((0, 2))
    ground = ground_of(after)
    cameras = cameras_of(before_piece, after, ground, _to_photo(before_piece))
    widest = _widest(before_piece)
    held = found_by_rectangle(before, after, before_piece, ground, cameras, widest)
    by_outline = starts_by_outline(before_piece, after, ground, _to_photo(before_piece), widest)
    all_starts = chain(starts(before_piece, after, ground and ground.outline_px), by_outline,
                       starts_everywhere(before_piece, after, ground, cameras, widest))
    if held is not None:
        match = _proven(before_piece, after, held, _match(before_piece, after, artwork, held))
        if match.ok:
            return refined_on_same_board(match, before_piece, after)
        if match.even:
            return _by_grain(before_piece, after, all_starts, match)
    either = shades(before_piece.reflectance, before_piece.valid, widest)
    for start in all_starts:
        tried.append(start)
        for light in either if start.light is None else (start.light,):
            found = grown(before_piece, after, start, cameras, widest, light)
            if found is None:
                continue
            # A start that finds less of the artwork must not be asked less
            artwork = np.concatenate([artwork, apply_homography(found.to_source, found.tiles.at[found.agrees])])
            match = _result(before_piece, after, artwork,
                            _with_ground(before, after, before_piece, _fitted_fairly(found)))
            if (seen := with_sides_found(cameras, before, after, before_piece, ground, found.map)) is not None:
                cameras = seen
                level = _result(before_piece, after, artwork, _fitted_fairly(_seen_by(found, seen)))
                if not match.even and (level.ok or level.even or not match.ok):
                    match = level
            if match.ok:
                return refined_on_same_board(match, before_piece, after)
            if match.even:
                return _by_grain(before_piece, after, chain(tried, all_starts), match)
            best = max(best, match, key=lambda m: m.agreement or 0.0)
    return _by_grain(before_piece, after, tried, best)


def _by_grain(piece: Piece, after: Photo, all_starts: Iterable[Start], otherwise: Match) -> Match:
    """Align one board photographed twice from the first start at which its grain agrees, or as it is otherwise."""
    for start in all_starts:
        match = refined_on_same_board(_unproven(piece, after, start), piece, after)
        if match.ok:
            return match
    return otherwise


def _unproven(piece: Piece, after: Photo, start: Start) -> Match:
    """A start as it is."""
    plane = PlaneMap(homography=start.homography, lens=lens_of_photo(after.size_px))
    return replace(_refusal(), homography=_to_photo(piece) @ np.linalg.inv(start.homography),
                   before_px_per_mm=piece.photo_px_per_mm if piece.scale_known else None,
                   overlap_fraction=_overlap(piece, after, plane))


def _fitted_fairly(found: Found) -> Found:
    """The same with what tiles share counted once, strokes and figures, and free of a level that strokes contradict."""
    good = select(found.tiles, found.agrees)
    tiles = replace(good, move=found.fit.residual, precision=good.precision / SHARED_STROKES)
    figures, cameras = figures_of(tiles, FIGURES_APART * found.widest), found.fit.map.cameras
    fit = fit_map(tiles, found.fit.map, figures=figures)
    if cameras.to_level is not None:           # some outline was no rectangle
        free = fit_map(tiles, replace(found.fit.map, cameras=replace(cameras, to_level=None)), figures=figures)
        fit = fit if levels_sd(free, cameras) < MOST_UNLEVEL else free
    return replace(found, fit=fit, map=moved_to(fit.map, np.linalg.inv(found.to_source)))


def _seen_by(found: Found, cameras: Cameras) -> Found:
    """The same with other knowledge of the cameras."""
    there = replace(cameras, to_before=cameras.to_before @ found.to_source)
    return replace(found, fit=replace(found.fit, map=replace(found.fit.map, cameras=there)))


def _with_ground(before: Photo, after: Photo, piece: Piece, found: Found) -> Found:
    """The same held by the sides of the engraved ground as well, where both photos show them."""
    fit, corners = with_ground(found.fit, select(found.tiles, found.agrees), before, after, piece,
                              _to_photo(piece) @ found.to_source)
    return replace(found, fit=fit, map=moved_to(fit.map, np.linalg.inv(found.to_source)), corners=corners)


def _to_photo(piece: Piece) -> NDArray[np.float64]:
    """Grid samples to undistorted BEFORE px, 3x3."""
    step = 1 / piece.samples_per_mm
    return np.linalg.inv(piece.photo_to_piece) @ np.array([[step, 0, piece.origin_mm[0]],
                                                           [0, step, piece.origin_mm[1]], [0, 0, 1]])


def _refusal() -> Match:
    """No alignment."""
    return Match(ok=False, homography=None, residual_px=None, before_px_per_mm=None, overlap_fraction=0.0,
                 reason=NOT_ALIGNED, method="artwork")


def _widest(piece: Piece) -> float:
    """Widest stroke, grid samples."""
    return WIDEST_STROKE_MM * piece.samples_per_mm if piece.scale_known \
        else max(piece.reflectance.shape) * STROKE_SHARE


def _result(piece: Piece, after: Photo, artwork, found: Found) -> Match:
    """Decide by all the artwork at once; `artwork` (n, 2) are places on BEFORE's grid where any start found some."""
    match = _match(piece, after, artwork, found)
    # Sides of the ground that lie where the strokes put them, or a level, hold what little artwork leaves loose
    held = found.corners is not None or found.map.cameras.to_level is not None
    if not match.ok or not (held or _spans(found)):
        return replace(match, ok=False, reason=NOT_ALIGNED)
    return _proven(piece, after, found, match)


def _proven(piece: Piece, after: Photo, found: Found, match: Match) -> Match:
    """A match, refused where all the artwork at once agrees elsewhere, or half a turn round, as well."""
    if not match.ok:
        return match
    middle = (found.tiles.at[found.agrees] if found.agrees.any() else found.corners).mean(axis=0)
    ground = None if found.corners is None or piece.ground_px is not None \
        else apply_homography(found.to_source, found.corners)
    place = place_of(piece, after, found.map, apply_homography(found.to_source, middle), _widest(piece), found.shades,
                     ground)
    least = LEAST_SHARE if place.ratio < FAR_ABOVE else FAIR_SHARE
    if not (place.ratio > LEAST_FIRST and place.alone > LEAST_RATIO and place.share > least):
        return replace(match, ok=False, reason=NOT_ALIGNED)
    even = place.even > MOST_EVEN
    return replace(match, ok=not even, reason=EVEN if even else None, even=even)


def _match(piece: Piece, after: Photo, artwork, found: Found) -> Match:
    """A map that was found, in photo pixels: ok where its place is known well enough."""
    to_photo = _to_photo(piece)
    to_before = to_photo @ np.linalg.inv(found.map.homography)
    near, at = to_photo @ found.to_source, found.tiles.at[found.agrees]
    sides = None if found.corners is None else apply_homography(near, found.corners)
    whole = _corners(piece, np.concatenate([apply_homography(to_photo, artwork), apply_homography(near, at)]), sides)
    whole = apply_homography(np.linalg.inv(near), whole)
    corners = _in_view(found.fit.map, whole, after)
    middle = corners.mean(axis=0)
    scale = scale_of(found.fit.map.homography, middle)
    sd = float(map_sd(found.fit, corners).max() / scale)      # samples
    ok = sd < most_sd(piece, after, found.widest, scale)
    here, there = (apply_homography(near, points) for points in (at, at + found.fit.residual))
    return Match(ok=ok, homography=to_before / to_before[2, 2], residual_px=sd * scale_of(near, middle),
                 before_px_per_mm=piece.photo_px_per_mm if piece.scale_known else None,
                 overlap_fraction=_overlap(piece, after, found.map), reason=None if ok else NOT_ALIGNED,
                 method="artwork", agreement=found.agreement,
                 misfits_px=np.concatenate([here, there - here], axis=1), after_lens=found.map.lens,
                 corners_px=_over(found.fit.map, whole, corners, after))


def most_sd(piece: Piece, after: Photo, widest: float, scale: float) -> float:
    """Largest s.d. of a place that still tells it, samples of a grid with strokes so wide; `scale` AFTER's px a sample.

    Where no scale is known, the photo that shows the piece larger tells how large it is.
    """
    if not piece.scale_known:
        widest = min(widest, max(after.size_px) * STROKE_SHARE / scale)
    return MOST_SD_WIDTHS * widest


def _over(plane, whole, corners, after: Photo) -> NDArray[np.float64]:
    """A piece's corners in AFTER's photo, (4, 2); places evenly over what AFTER shows of it where they lie outside."""
    across = np.linspace(0, 1, PLACES)
    grid = np.stack(np.meshgrid(across, across), axis=-1).reshape(-1, 2)
    places = map_points(plane, apply_homography(homography_of(whole, (1.0, 1.0)), grid))
    inside = ((places >= 0) & (places <= np.array(after.size_px) - 1)).all(axis=1)
    return map_points(plane, corners) if inside.all() or inside.sum() < 2 * PLACES else places[inside]


def _spans(found: Found) -> bool:
    """Whether tiles that tell both directions span enough to hold a perspective."""
    firm = np.linalg.eigvalsh(found.tiles.precision)
    both = found.tiles.at[found.agrees & (firm[:, 0] > BOTH_WAYS * firm[:, 1])].astype(np.float32)
    if len(both) < LEAST_BOTH:
        return False
    breadth, length = np.sort(cv2.minAreaRect(both.reshape(-1, 1, 2))[1]) / found.widest
    return bool(breadth >= LEAST_BREADTH and length >= LEAST_LENGTH)


def _corners(piece: Piece, strokes, sides) -> NDArray[np.float64]:
    """Corners of BEFORE's piece, undistorted px: its own, of what was found as the piece, or around what it shows.

    Who photographs a piece puts it in the middle, and its artwork fills some two thirds of it; wherever it lies, its
    ground (corners `sides`, where known) has a margin around it.
    """
    if piece.corners_px is not None:
        return undistort(piece.corners_px, piece.lens)
    if piece.ground_px is not None:
        (top, bottom), (left, right) = (np.flatnonzero(piece.valid.any(axis=k))[[0, -1]] for k in (1, 0))
        return apply_homography(_to_photo(piece), np.array([[left, top], [right, top], [right, bottom],
                                                            [left, bottom]], np.float64))
    if sides is not None:
        return sides.mean(axis=0) + BEYOND * (sides - sides.mean(axis=0))
    turn = piece.photo_to_piece[:2, :2] / np.sqrt(np.linalg.det(piece.photo_to_piece[:2, :2]))
    middle = np.asarray(piece.lens.centre_px)
    reach = BEYOND * np.abs((strokes - middle) @ turn.T).max(axis=0)
    corners = middle + (np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * reach) @ turn
    return np.clip(corners, 0, 2 * middle)


def _in_view(plane, corners, after: Photo) -> NDArray[np.float64]:
    """Corners (4, 2) of a piece drawn in to what AFTER shows of it: beyond there nothing is compared."""
    w, h = after.size_px
    photo = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], np.float32)
    area, shown = cv2.intersectConvexConvex(map_points(plane, corners).astype(np.float32), photo)
    if area <= 0:
        return corners
    shown = undistort(shown.reshape(-1, 2).astype(np.float64), plane.lens)
    shown = apply_homography(np.linalg.inv(plane.homography), shown)
    nearest = np.linalg.norm(shown - corners[:, None], axis=2).argmin(axis=1)
    return shown[nearest] if len(set(nearest)) == 4 else cv2.boxPoints(cv2.minAreaRect(shown.astype(np.float32)))


def _overlap(piece: Piece, after: Photo, plane) -> float:
    """Share of BEFORE's piece, or photo, that lies inside AFTER."""
    rows, columns = np.nonzero(piece.valid[::16, ::16])
    points = map_points(plane, np.stack([columns, rows], axis=1) * 16.0)
    w, h = after.size_px
    return float(((points >= 0) & (points <= [w - 1, h - 1])).all(axis=1).mean())
