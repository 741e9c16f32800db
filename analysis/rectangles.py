"""Rectangles in a photo that may be engraved grounds: what straight edges enclose, and what stands out within that.

Seen square on by the piece's outline, an engraved ground is a block of rows and
columns. Along a whole side its step shows through grain and shadows that break
every edge into pieces.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, homography_of, lens_of_photo, undistort
from analysis.ground_part import rectangles_of_steps
from analysis.outlines import alike, straight_outlines
from analysis.photo import Photo
from analysis.side_fit import SideFit, fit_sides
from analysis.sides import EdgePoints, edge_points, mean_sides

__all__ = ["Rectangle", "Traced", "rectangles_in", "traced"]

LEAST_PREVIEW = 64         # pixels
CELLS = 240                # along the longer side of an outline
MARGIN = 0.05              # looked at beyond the outline: the ground itself may have been taken for the piece
DARKEST = 6.0              # 8-bit level that counts as no less: its logarithm says nothing
GAMMA = 2.2                # 8-bit levels to light, about
LEAST_STEP = 0.04          # log light, of the weakest side; no source
LEAST_AREA = 0.08          # of the picture looked at
MOST_INSIDE = 2            # rectangles of a shade within one outline
SAME = 0.01                # of the photo's longer side, that the corners of the same lie apart at most
INSIDE = 0.003             # the same, that an inner rectangle lies off its outline
MOST_RECTANGLES, MOST_OUTLINES = 4, 2      # the plainest


@dataclass(frozen=True, slots=True, kw_only=True)
class Rectangle:
    """A rectangle seen in a photo, its sides known to some thousandths of the photo."""

    corners_px: NDArray[np.float64]    # (4, 2) photo pixels, clockwise as seen
    dark: bool | None                  # darker than what lies around it; None: either
    inner: bool                        # lies within an outline: no edge of the board


@dataclass(frozen=True, slots=True, kw_only=True)
class Traced:
    """Sides of a rectangle, by their edges."""

    edges: EdgePoints
    fit: SideFit


def rectangles_in(photo: Photo, outlines_px: NDArray[np.float64] | None) -> list[Rectangle]:
    """Rectangles in a photo: engraved ones, the plainest first, then the outlines that they were looked for in.

    Parameters
    ----------
    photo : Photo
    outlines_px : ndarray, shape (n, 4, 2), or None
        As of `Ground`; None: where nothing stands out, straight edges may still enclose something.
    """
    if min(photo.preview.shape[:2]) < LEAST_PREVIEW:
        return []
    if outlines_px is None:
        outlines_px = straight_outlines(photo.preview, photo.preview_scale)
    grey, same, found = cv2.cvtColor(photo.preview, cv2.COLOR_RGB2GRAY), SAME * max(photo.size_px), []
    inside = sorted((one for quad in outlines_px for one in _inside(grey, photo.preview_scale, quad)),
                    key=lambda one: -one[0] * sum(mean_sides(one[1])))      # a small one steps by chance, or is a tile
    for _, quad, dark in inside:
        if len(found) < MOST_RECTANGLES and not any(alike(quad, one.corners_px, same) for one in found):
            inner = any(_within(quad, outline, INSIDE * max(photo.size_px)) for outline in outlines_px)
            found.append(Rectangle(corners_px=quad, dark=dark, inner=inner))
    fresh = [quad for quad in outlines_px if not any(alike(quad, one.corners_px, same) for one in found)]
    return found + [Rectangle(corners_px=quad, dark=None, inner=False) for quad in fresh[:MOST_OUTLINES]]


def _within(quad, outline, border) -> bool:
    """Whether a quadrilateral lies inside an outline, all round by more than a border."""
    hull = outline.astype(np.float32).reshape(-1, 1, 2)
    return all(cv2.pointPolygonTest(hull, (float(x), float(y)), True) > border for x, y in quad)


def _inside(grey, scale, quad):
    """Rectangles along the sides of an outline, within it or just beyond: (step, corners in photo px, dark)."""
    w, h = mean_sides(quad)
    cells = CELLS / max(w, h)
    border = MARGIN * CELLS
    to_photo = homography_of(quad, (w * cells, h * cells)) @ np.array([[1, 0, -border], [0, 1, -border], [0, 0, 1.0]])
    to_preview = np.array([[scale, 0, scale / 2 - 0.5], [0, scale, scale / 2 - 0.5], [0, 0, 1]])
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])             # a cell's middle against its corner
    smooth = cv2.GaussianBlur(grey, (0, 0), max(0.4 * scale / cells, 0.3))
    seen = cv2.warpPerspective(smooth, to_preview @ to_photo @ half,
                               (round(w * cells + 2 * border), round(h * cells + 2 * border)),
                               flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
    level = GAMMA * np.log(np.maximum(seen, DARKEST)).astype(np.float64)
    for dark, sign in ((True, 1.0), (False, -1.0)):
        for step, ((top, bottom), (left, right)) in rectangles_of_steps(sign * level, LEAST_AREA, 1.0, MOST_INSIDE):
            if step > LEAST_STEP:
                corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]], np.float64)
                yield step, apply_homography(to_photo, corners), dark


REACHES = (2.4, 1.0, 0.5)       # mm: a coarse outline is known to a pixel of the picture that was searched
CELLS_OFF = 4.0            # a rectangle of a known shade is known to so many cells: beyond lies the board's own edge


def traced(photo: Photo, corners_px: NDArray[np.float64], dark: bool | None, size: tuple[float, float],
           least_share: float) -> Traced | None:
    """Follow the edges along the sides of a rectangle.

    Parameters
    ----------
    photo : Photo
    corners_px : ndarray, shape (4, 2)
        Photo pixels, clockwise as seen.
    dark : bool or None
        Darker inside; None: whichever its sides show better.
    size : (w, h)
        Of the rectangle, in units of the reaches. With the same size and corners in the same order, edge positions
        in two photos are of the same places.
    least_share : float
        Of each side where its edge is seen.

    Returns
    -------
    Traced or None
        None where a side is not seen.
    """
    found, first = [], lens_of_photo(photo.size_px)
    widest = REACHES[0] if dark is None else max(CELLS_OFF / CELLS * max(size), REACHES[1])
    for shade in (True, False) if dark is None else (dark,):
        at, lens = undistort(corners_px, first), first
        for reach in np.minimum(REACHES, widest):
            edges = edge_points(photo.luminance, at, size, width_mm=0.0, dark=shade, lens=lens, reach_mm=reach)
            fit = fit_sides(edges, photo.size_px) if edges.share.min() > least_share else None
            if fit is None:
                break
            lens, at = fit.lens, undistort(fit.corners_px, fit.lens)
        if fit is not None:
            found.append(Traced(edges=edges, fit=fit))
    return max(found, key=lambda one: one.edges.share.mean()) if found else None
