"""Which way round AFTER lies inside frames that are known, by the artwork in both.

Frames lay the pieces on each other up to half a turn, a square's up to a
quarter. Blurred artwork tells most pairs at once. Where grain, stripes or a
filled ground hide it, all the artwork is asked together, as an ideal observer
of a known pattern would ask. Artwork that looks alike both ways tells nothing.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.piece import rectangle
from analysis.rectify import Piece
from analysis.register_alike import correlation
from analysis.register_place import LEAST_RATIO, compared
from analysis.register_work import (
    FRAME_ZONE_MM,
    Work,
    at_work,
    coarser,
    frame_zone,
    inside,
    onto,
    seen_area,
    size_of,
)
from analysis.strokes import stroke_depth, stroke_response

__all__ = ["LEAST_START", "SHADES", "WIDEST_STROKE_MM", "Way", "Works", "likely_way", "proven_ways", "turned",
           "works_of"]

WIDEST_STROKE_MM = 3.2
STRIP_MM = 6.0             # from the outer edge: the widest line, then a bare strip as wide as the widest stroke
SHADES = ((False, False), (True, True), (False, True), (True, False))      # whether BEFORE's and AFTER's is light
PROOF_PER_MM = 5.0         # samples, of all the artwork at once: 16 across the widest stroke
LEAST_START = 0.30         # correlation of blurred artwork the right way round, and of what half a turn changes in it
SURE_START = 0.60          # above it, artwork of the other shade need not be tried; no source
LEAST_SHARE = 0.3          # of what stands out, that both show in that place; 50 unlike pairs: 0.33, at a ratio of 2.3
# Where both show most of what stands out, it need not stand so far out of every other place: few strokes cannot
MOST_SHARE, FEW_RATIO = 0.5, 2.0
LEAST_CHANGED = 0.1        # of the agreement, that half a turn must take away; 18 even artworks: -0.04 to 0.07


@dataclass(frozen=True, slots=True, kw_only=True)
class Works:
    """Two framed pieces at one resolution."""

    pieces: tuple[Piece, Piece]
    first: Work                        # BEFORE's
    second: Work
    area: NDArray[np.bool_]            # where BEFORE is seen, its grid
    area_after: NDArray[np.bool_]      # AFTER, its own


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way round that AFTER may lie."""

    sure: float                        # correlation of the artwork, no more than of what half a turn changes in it
    turn: int                          # quarter turns
    shades: tuple[bool, bool]          # whether BEFORE's and AFTER's artwork is light
    to_after: NDArray[np.float64]      # 3x3: BEFORE mm -> AFTER mm by the frames
    within: NDArray[np.bool_]          # where artwork is compared


def works_of(before: Piece, after: Piece, samples_per_mm: float) -> Works:
    """Two framed pieces at about so many samples per mm."""
    first, second = (at_work(piece, samples_per_mm) for piece in (before, after))
    return Works(pieces=(before, after), first=first, second=second, area=seen_area(before, first),
                 area_after=seen_area(after, second))


def likely_way(works: Works) -> Way:
    """Way round whose blurred artwork agrees best; none is likely where `sure` is less than `LEAST_START`."""
    seen, ways = {}, []
    for shades in SHADES:
        for which, light in enumerate(shades):
            if (which, light) not in seen:
                picture, area = ((works.first.picture, works.area), (works.second.picture, works.area_after))[which]
                seen[which, light] = stroke_response(picture, area, WIDEST_STROKE_MM * works.first.samples_per_mm,
                                                     light=light).response
        ways += _scored(works, shades, seen[0, shades[0]], seen[1, shades[1]])
        best = max(ways, key=lambda way: way.sure)
        if best.sure > SURE_START:
            break
    return best


def _scored(works: Works, shades, ours, theirs) -> list[Way]:
    """Ways round by the correlation of blurred strokes."""
    sigma, size = 0.5 * works.first.samples_per_mm, size_of(works.pieces[0])
    ways = {turn: _way(works, turn, shades) for turn in _turns(works)}
    warped = {turn: onto(theirs, works.first, works.second, way.to_after) for turn, way in ways.items()}
    score = {turn: correlation(ours, warped[turn], way.within, sigma) for turn, way in ways.items()}
    for turn, way in ways.items():
        sure, half = score[turn], score[(turn + 2) % 4]
        if sure >= LEAST_START and not _in_order(works):
            # The rim of the ground looks the same both ways, and so may all of the artwork
            odd = (one - onto(one, works.first, works.first, turned(size, size, 2)) for one in (ours, warped[turn]))
            sure = min(sure, correlation(*odd, way.within, sigma)) if half < (1 - LEAST_CHANGED) * sure else 0.0
        ways[turn] = replace(way, sure=sure)
    return list(ways.values())


def proven_ways(works: Works, of_shades: tuple[tuple[bool, bool], ...] = SHADES) -> tuple[list[Way], bool]:
    """Ways round, in artwork of some shades, that all of it at once proves, best first; and whether it is even.

    Even artwork agrees in its place and in no other, but half a turn round as well.
    """
    coarse = _coarser(works, min(works.first.samples_per_mm, PROOF_PER_MM))
    widest, found = WIDEST_STROKE_MM * coarse.first.samples_per_mm, []
    for shades in of_shades:
        ours, theirs = (stroke_depth(work.picture, widest, light=light)
                        for work, light in zip((coarse.first, coarse.second), shades, strict=True))
        for turn in _turns(works):
            way = _way(coarse, turn, shades)
            place = compared(ours, onto(theirs, coarse.first, coarse.second, way.to_after), way.within, widest)
            share, ratio = (MOST_SHARE, FEW_RATIO) if place.ratio < LEAST_RATIO else (LEAST_SHARE, LEAST_RATIO)
            if place.share > share and place.ratio > ratio:
                found.append((place, shades, turn))
    told = [(place.ratio, shades, turn) for place, shades, turn in found
            if _in_order(works) or 1 - place.even > max(LEAST_CHANGED, 1 / place.ratio)]
    return [_way(works, turn, shades) for _, shades, turn in sorted(told, reverse=True)], bool(found) and not told


def _coarser(works: Works, s: float) -> Works:
    """The same at `s` samples per mm."""
    first, second = (coarser(work, s) for work in (works.first, works.second))
    area, area_after = (cv2.resize(area.astype(np.uint8), work.picture.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
                        for area, work in ((works.area, first), (works.area_after, second)))
    return Works(pieces=works.pieces, first=first, second=second, area=area, area_after=area_after)


def _in_order(works: Works) -> bool:
    """Whether both pieces' corners were given, in the piece's own order: then even artwork may do."""
    return all(piece.method == "corners" for piece in works.pieces)


def _way(works: Works, turn: int, shades) -> Way:
    """AFTER `turn` quarter turns round, its artwork of one shade or the other."""
    before, after = works.pieces
    size, zone = size_of(before), frame_zone(before, size_of(before))
    if all(shades):      # a bare strip between a frame's line and its ground is light on every board, so farther in
        zone = min(STRIP_MM / FRAME_ZONE_MM * zone, 0.2 * min(size))
    return Way(sure=0.0, turn=turn, shades=shades, to_after=turned(size, size_of(after), turn),
               within=works.area & inside(size, works.first, zone))


def _turns(works: Works) -> tuple[int, ...]:
    """Quarter turns that the proportions allow."""
    shape_b, shape_a = (np.divide(*size_of(piece)) for piece in works.pieces)
    turns = (0, 2) if abs(np.log(shape_b / shape_a)) < 0.1 else ()
    return turns + ((1, 3) if abs(np.log(shape_b * shape_a)) < 0.1 else ()) or (0, 2)


def turned(size_b: tuple[float, float], size_a: tuple[float, float], turn: int) -> NDArray[np.float64]:
    """BEFORE mm to AFTER mm when AFTER lies `turn` quarter turns round."""
    source, target = rectangle(size_b), np.roll(rectangle(size_a), -turn, axis=0)
    affine = np.eye(3)
    affine[:2] = cv2.getAffineTransform(source[:3].astype(np.float32), target[:3].astype(np.float32))
    return affine
