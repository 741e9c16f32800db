"""Align two photos by a rectangle that both show, the engraved ground, and by their artwork.

The machine burns the ground together with the artwork, so its four sides serve
as a frame does: they lay one photo on the other, and the artwork tells which
way round, and that it is the same piece. A board's own outline is a rectangle
too, but cut and laid differently each time: sides hold only where the strokes
lie where the sides put them.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, homography_between, undistort
from analysis.ground import Ground
from analysis.outlines import alike
from analysis.photo import Photo
from analysis.piece import Piece
from analysis.rectangles import rectangles_in, traced
from analysis.register_alike import correlation, peak_ratio
from analysis.register_cameras import with_lens, with_level
from analysis.register_fit import MapFit, fit_map, levels_sd
from analysis.register_ground import constraints
from analysis.register_grow import Found
from analysis.register_laid import BLUR_MM, LEAST_AREA_MM2, Laid, ways_to_lay
from analysis.register_map import Cameras, PlaneMap, moved_to, scale_of
from analysis.register_tiles import SHARED_STROKES, Tiles, joined, measure_tiles, select
from analysis.register_view import WIDEST_MM, Grid, Pair, Seen, seen_on, shrunk_to, strokes_of, within
from analysis.sides import mean_sides

__all__ = ["found_by_rectangle"]

PER_MM = 6.0               # samples
MOST_FOLLOWED = 3          # ways to lay whose sides are followed
LEAST_SHARE = 0.4          # of a side where its edge is seen
LEAST_RATIO = 1.4          # of the strokes' correlation to that of every other place; 242 unlike pairs: 1.11 at most
LEAST_ALIKE = 0.15         # correlation of strokes, and of what half a turn changes in them, where their place stands
#                            out: 50 unlike pairs laid on each other by force: 0.1 at most where the ratio is over 1
SURE_ALIKE, SURE_RATIO = 0.6, 1.15         # small artwork lies like itself a little beside its place as well
TILE_MM, TILE_BLUR_MM, TILE_ALIKE = 6.0, 0.35, 0.5
MOST_MOVE = 2.0            # of a tile that agrees, over the blur
LEAST_TILES = 3
MOST_OFF_MM = 0.25         # of the sides' corners from where the strokes put them, its s.d. counted
MOST_OFF_OUTLINE_MM = 0.2  # the same of a rectangle that may be the board's outline
MOST_RMS_MM = 0.15         # of the sides from the map that strokes hold as well
TRUSTED_OFF_MM, TRUSTED_RMS_MM = 0.12, 0.03    # sides that agree so well, with strokes and each other, hold alone
MOST_UNLEVEL = 4.5         # s.d. between the sides and the photos' level; chi square of four terms: one in 2000
MOST_THREE_MM, THREE_SHARE = 0.06, 1 / 3     # rms of three sides with a level; over that without another of the sides
OTHER = 0.03               # of the photo's longer side, that corners of another rectangle lie apart
ROUNDS = 8                 # of reweighting
OUTLYING = 3.0             # Geman and McClure (1985): at so many s.d. a tile counts a quarter


def found_by_rectangle(before: Photo, after: Photo, piece: Piece, ground: Ground | None, cameras: Cameras,
                       widest: float) -> Found | None:
    """Lay one rectangle on another, and confirm it by strokes.

    Parameters
    ----------
    before, after : Photo
    piece : Piece
        BEFORE's.
    ground : Ground or None
        AFTER's piece in its photo.
    cameras : Cameras
    widest : float
        Stroke, samples of BEFORE's grid.

    Returns
    -------
    Found or None
        None where no two rectangles lie on each other so that strokes agree in that place, in no other, and no other
        way round.
    """
    if piece.corners_px is not None:
        return None
    mine = rectangles_in(before, piece.outlines_px)
    theirs = rectangles_in(after, ground and ground.outlines_px) if mine else []
    pair = Pair(before=before, after=after, own=PlaneMap(homography=cameras.to_before, lens=piece.lens), mine=mine,
                theirs=theirs, per_mm=widest / WIDEST_MM)
    best = None
    for one in ways_to_lay(pair)[:MOST_FOLLOWED]:
        followed = _followed(pair, one, piece, cameras, ground)
        if followed is None:
            continue
        found, alone = followed
        if alone:
            return found
        inner = one.mine.inner + one.theirs.inner          # what lies within an outline is no edge of the board
        best = (inner, found) if best is None or inner > best[0] else best
    return best and best[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sides:
    """A map by the sides of a rectangle, on a work grid."""

    fit: MapFit
    corners: NDArray[np.float64]       # (4, 2) of the rectangle, samples
    tiles: Tiles                       # the sides as constraints, what they ask for after the fit
    rms: float                         # of that, samples
    level: bool                        # the photos' own level agrees


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """What strokes of two shades say of a map."""

    tiles: Tiles
    agrees: NDArray[np.bool_]
    shades: tuple[bool, bool]          # light strokes on BEFORE, on AFTER


def _followed(pair: Pair, one: Laid, piece: Piece, cameras: Cameras,
              ground: Ground | None) -> tuple[Found, bool] | None:
    """Follow the sides and ask the strokes: the map, and whether the sides hold it alone."""
    grid = pair.grid(PER_MM)
    s, back = grid.per_mm, np.linalg.inv(grid.to_source)
    other = cameras.to_level is not None and _within_levelled(pair, one, piece, ground)
    if cameras.to_level is None:
        cameras = with_level(cameras, piece, pair.after, one.theirs.corners_px)
    sides = _by_sides(pair, one, grid, cameras, other)
    told = None if sides is None else _told_by_strokes(pair, one, grid, sides)
    if told is None:
        return None
    good, inner = select(told.tiles, told.agrees), one.mine.inner and one.theirs.inner
    # A streak of the grain taken for a side shows in the level alone, or strokes must tell it; what lies within an
    # outline is no edge of the board, and not askew
    held = _held(sides, good, grid, 6 if not sides.level else 2 if inner else 3,
                 (MOST_OFF_MM if inner else MOST_OFF_OUTLINE_MM) * s)
    if held is None:
        return None
    fit, left, alone = held
    return Found(map=moved_to(fit.map, back), fit=replace(fit, residual=left, weight=np.ones(len(left))),
                 tiles=told.tiles, agrees=told.agrees, to_source=grid.to_source, widest=WIDEST_MM * s,
                 shades=told.shades, corners=sides.corners), alone


def _held(sides: _Sides, good: Tiles, grid: Grid, free: int,
          most_off: float) -> tuple[MapFit, NDArray[np.float64], bool] | None:
    """Map by sides, and by strokes where these are needed: what is left of the strokes, and whether sides hold alone.

    None where sides and strokes do not lie in one place, whichever side is left out.
    """
    s, strokes = grid.per_mm, replace(good, precision=good.precision / SHARED_STROKES)
    off, sd = _off(good, sides.corners, free)
    if np.hypot(off, sd) > most_off:           # strokes tell as well a side that a streak was taken for
        three = _three_sides(sides.tiles, _side_of(sides.tiles, sides.corners), sides.fit.map, grid, strokes)
        left = None if three is None else three[1].residual[:len(good.at)]
        if left is None or np.hypot(*_off(replace(good, move=left), sides.corners, free)) > most_off:
            return None
        return three[1], left, False
    if sides.rms < TRUSTED_RMS_MM * s and off < TRUSTED_OFF_MM * s:
        return sides.fit, good.move, True
    fit = fit_map(joined(strokes, sides.tiles), sides.fit.map)
    if _rms(sides.tiles, fit.residual[len(good.at):]) > MOST_RMS_MM * s:
        return None
    return fit, fit.residual[:len(good.at)], False


def _within_levelled(pair: Pair, one: Laid, piece: Piece, ground: Ground) -> bool:
    """Whether the rectangle is another one, in both photos, than that whose sides the photo was levelled by."""
    return not any(alike(at.corners_px, levelled, OTHER * max(photo.size_px)) for photo, at, levelled in (
        (pair.before, one.mine, piece.outlines_px[0]), (pair.after, one.theirs, ground.corners_px)))


def _by_sides(pair: Pair, one: Laid, grid: Grid, cameras: Cameras, other: bool) -> _Sides | None:
    """The map by the sides, and by a level that another rectangle gave; None where a side is not seen."""
    px_per_mm = pair.per_mm * scale_of(pair.own.homography, pair.to_grid(one.mine.corners_px.mean(axis=0)))
    size = tuple(side / px_per_mm for side in mean_sides(one.mine.corners_px))
    first, second = (traced(photo, at.corners_px, at.dark, size, LEAST_SHARE)
                     for photo, at in ((pair.before, one.mine), (pair.after, one.theirs)))
    if first is None or second is None:
        return None
    back, lens = np.linalg.inv(grid.to_source), second.fit.lens
    here, corners = (apply_homography(back, pair.to_grid(at)) for at in (first.edges.points_px, first.fit.corners_px))
    plane = homography_between(corners, undistort(second.fit.corners_px, lens))
    there = apply_homography(np.linalg.inv(plane), undistort(second.edges.points_px, lens))
    sides = constraints(here, there, first.edges.seen & second.edges.seen, grid.per_mm)
    if sides is None:
        return None
    seen = replace(with_lens(cameras, lens), to_before=cameras.to_before @ grid.to_source)
    # The sides tell the slant themselves: a level read from them must not tell it again
    fit = fit_map(sides, PlaneMap(homography=plane, lens=lens, cameras=replace(seen, to_level=None)))
    level = seen.to_level is not None
    if level and levels_sd(fit, seen) > MOST_UNLEVEL:
        three = _three_sides(sides, _side_of(sides, corners), replace(fit.map, cameras=seen), grid)
        level = three is not None
        sides, fit = three or (sides, fit)
    elif level and other:
        fit = fit_map(sides, replace(fit.map, cameras=seen))
    return _Sides(fit=fit, corners=corners, tiles=replace(sides, move=fit.residual), rms=_rms(sides, fit.residual),
                  level=level)


def _three_sides(sides: Tiles, side_of, plane: PlaneMap, grid: Grid,
                 strokes: Tiles | None = None) -> tuple[Tiles, MapFit] | None:
    """The same without the side that a streak of the grain was taken for, where level or strokes and the others agree.

    Residuals of the strokes, where given, come first.
    """
    found = []
    for side in range(4):
        three = select(sides, side_of != side)
        fit = fit_map(three if strokes is None else joined(strokes, three), plane)
        found.append((_rms(three, fit.residual[-len(three.at):]), three, fit))
    (rms, three, fit), (next_rms, *_) = sorted(found, key=lambda one: one[0])[:2]
    return (three, fit) if rms < min(MOST_THREE_MM * grid.per_mm, THREE_SHARE * next_rms) else None


def _side_of(sides: Tiles, corners) -> NDArray[np.int64]:
    """Which side of a rectangle each constraint lies on."""
    along = np.roll(corners, -1, axis=0) - corners
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.linalg.norm(along, axis=1, keepdims=True)
    return np.abs(((sides.at[:, None] - corners) * normal).sum(axis=-1)).argmin(axis=1)


def _told_by_strokes(pair: Pair, one: Laid, grid: Grid, sides: _Sides) -> _Told | None:
    """What strokes say, in the shades that agree there, in no other place, and no other way round."""
    plane = moved_to(sides.fit.map, np.linalg.inv(grid.to_source))
    first = seen_on(grid, shrunk_to(pair.before, pair.own, grid), pair.own, pair.mine, one.mine)
    second = seen_on(grid, shrunk_to(pair.after, plane, grid), plane, pair.theirs, one.theirs)
    for shades in one.shades:
        told = _told(first, second, shades, grid, sides.corners)
        if told is not None:
            return told
    return None


def _told(first: Seen, second: Seen, shades, grid: Grid, corners) -> _Told | None:
    """The same for one pair of shades."""
    area, s = within(first, second, shades), grid.per_mm
    if area.sum() < LEAST_AREA_MM2 * s * s:
        return None
    ours, theirs = (strokes_of(seen, first.area & second.area, grid, light)
                    for seen, light in zip((first, second), shades, strict=True))
    agreement = min(correlation(ours, theirs, area, 0.2 * s), _upright(ours, theirs, corners, area, s))
    ratio = peak_ratio(ours, theirs, area, 0.3 * s, 1.5 * s)
    if agreement < LEAST_ALIKE or ratio < (LEAST_RATIO if agreement < SURE_ALIKE else SURE_RATIO):
        return None
    tiles = measure_tiles(ours, theirs, area, max(12, round(TILE_MM * s)), TILE_BLUR_MM * s)
    agrees = (tiles.agreement > TILE_ALIKE) & (np.hypot(*tiles.move.T) < MOST_MOVE * TILE_BLUR_MM * s)
    return _Told(tiles=tiles, agrees=agrees, shades=shades)


def _rms(sides: Tiles, moves) -> float:
    """Root mean square of what moves are across their sides."""
    square = np.einsum("ni,nij,nj->n", moves, sides.precision, moves) / np.trace(sides.precision, axis1=1, axis2=2)
    return float(np.sqrt(np.maximum(square, 0.0).mean()))


def _upright(ours, theirs, corners, area, s) -> float:
    """Correlation of what half a turn changes in blurred strokes."""
    half = homography_between(corners, np.roll(corners, 2, axis=0))
    odd = [one - cv2.warpPerspective(one, half, one.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
           for one in (ours, theirs)]
    return correlation(*odd, area, BLUR_MM * s)


def _off(tiles: Tiles, corners, free: int) -> tuple[float, float]:
    """How far corners lie from where tiles put them, and its s.d.; samples.

    Tiles are taken to ask for a shift where `free` is 2, for a turn as well where it is 3, else for any affine move.
    """
    if len(tiles.at) < LEAST_TILES:
        return 0.0, np.inf
    middle = tiles.at.mean(axis=0)
    size = np.linalg.norm(corners - middle, axis=1).max()

    def slopes(at):
        x, y = ((at - middle) / size).T
        one, zero = np.ones_like(x), np.zeros_like(x)
        return np.stack([np.stack([one, zero, -y, x, y, zero], axis=-1),
                         np.stack([zero, one, x, zero, zero, y], axis=-1)], axis=1)[..., :free]

    a, weight = slopes(tiles.at), np.ones(len(tiles.at))
    for _ in range(ROUNDS):
        p = tiles.precision * (weight / SHARED_STROKES)[:, None, None]
        normal = np.einsum("nji,njk,nkl->il", a, p, a)
        x = np.linalg.lstsq(normal, np.einsum("nji,njk,nk->i", a, p, tiles.move), rcond=1e-12)[0]
        rest = tiles.move - a @ x
        distance = np.einsum("ni,nij,nj->n", rest, tiles.precision, rest)
        widen = max(float(np.median(distance / np.where(tiles.firm == 2, 1.386, 0.455))), 1.0)
        weight = 1 / (1 + distance / (widen * tiles.firm * OUTLYING ** 2)) ** 2
    b, covariance = slopes(corners), widen * np.linalg.pinv(normal)
    return (float(np.linalg.norm(b @ x, axis=1).max()),
            float(np.sqrt(np.einsum("nij,jk,nik->n", b, covariance, b).max())))
