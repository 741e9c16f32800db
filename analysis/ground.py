"""The piece in a photo without a frame: its engraved ground, or the board against the bench.

A bench with a regular texture of its own would else be taken for stripes. A
piece is a large rectangle that steps alike all round, else a region of one
colour and roughness that stands out from what lies around it, else, where it
hardly does, such a region with four sharp, straight sides.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.ground_rectangles import MOST_OFF, rectangles
from analysis.ground_regions import Region, contrast_of, contrast_within, features_of, filled, filled_quad, regions_of
from analysis.ground_sides import straight_sides
from analysis.outlines import SAME, apart, lines_of_preview, quads_of_lines
from analysis.sides import mean_sides, moved_out

__all__ = ["Ground", "find_ground", "quadrilateral", "sides_direction"]

SEARCH_PX = 320            # longer side of the picture that is cut into regions
LEAST_SHARE = 0.09         # of the photo, of a region that need have no straight sides
LEAST_SOLIDITY = 0.95      # of such a region: its area over that of the convex hull
LEAST_CONTRAST = 1.5       # between the bands on both sides of the outline, over their spread
CLEAR = 3.0                # a fainter outline must be a quadrilateral: the edge of a shadow is none
LEAST_FILLED = 0.95        # of the quadrilateral around it
FAINT = 1.2                # contrast of an outline with four sharp, straight sides
MOST_FAINT, MOST_SHARED = 3, 0.85     # regions whose sides are looked for; two that share so much of both are one
LEAST_INNER = 0.3          # of the board: a smaller region inside is artwork
RIM, MOST_BESIDE = 5.0, 0.15       # pixels searched; share of its outline that lies so near the board's
KEPT_AWAY = 0.03           # of the root of its area: the rim that is left out


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Part of a photo that is taken as the piece."""

    outline_px: NDArray[np.float64]    # (n, 2) convex, photo pixels, a rim left out
    share: float                       # of the photo
    contrast: float                    # of its outline against what lies around, in s.d.: how clear it is
    axis_deg: float | None             # direction of its sides, from -45 up to 45, anticlockwise; None: not straight
    corners_px: NDArray[np.float64] | None  # (4, 2) where its sides meet, clockwise, no rim left out; None: not four
    outlines_px: NDArray[np.float64]   # (n, 4, 2) its own quadrilateral, and others that straight edges make


def find_ground(preview: NDArray[np.uint8], preview_scale: float, *, anywhere: bool = False) -> Ground | None:
    """Find the piece's ground.

    Parameters
    ----------
    preview : ndarray, shape (h, w, 3), uint8
        sRGB.
    preview_scale : float
        Preview pixels per photo pixel.
    anywhere : bool
        Where nothing stands out in the middle, a clear quadrilateral at the side will do: a photo that is checked
        against another bears one that is no piece.

    Returns
    -------
    Ground or None
        None where no region stands out, or where the piece fills the photo.
    """
    scale = min(1.0, SEARCH_PX / max(preview.shape[:2]))
    small = cv2.resize(preview, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    lines, grey, shrunk = lines_of_preview(preview)
    features, to_photo = features_of(small), np.array(preview.shape[1::-1]) / np.array(small.shape[1::-1])
    found = [_Part(mask=filled(corners, small.shape[:2]) > 0, contrast=contrast, corners=corners)
             for corners, contrast in rectangles(lines, grey.shape, features[..., 0])]
    if not found:
        regions = regions_of(features)
        near = [one for one in regions if one.off <= MOST_OFF]
        found = _clear(near, features) or _faint(near, features, preview, to_photo)
        if not found and anywhere:
            four = [one for one in regions if filled_quad(one.hull) > LEAST_FILLED]
            found = [one for one in _clear(four, features) if one.contrast > CLEAR]
    if not found:
        return None
    part = _inside(max(found, key=_worth), found)
    outline = _outline(part.mask)
    if outline is None:
        return None
    corners = part.corners
    if corners is None:
        corners = straight_sides(preview, (outline + 0.5) * to_photo - 0.5, KEPT_AWAY / (1 - 2 * KEPT_AWAY))
    else:
        corners = (corners + 0.5) * to_photo - 0.5
    full = (outline + 0.5) * to_photo / preview_scale - 0.5
    axis = None if corners is None else sides_direction(corners)
    corners = quadrilateral(full, LEAST_FILLED) if corners is None else (corners + 0.5) / preview_scale - 0.5
    outlines = [quad for quad in (corners, quadrilateral(full)) if quad is not None]
    outlines += list((quads_of_lines(lines, grey.shape) + 0.5) / (preview_scale * shrunk) - 0.5)
    return Ground(outline_px=full, share=float(part.mask.mean()), contrast=float(part.contrast), axis_deg=axis,
                  corners_px=corners, outlines_px=apart(outlines, SAME * max(preview.shape) / preview_scale))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """What may be the piece, in the pixels searched."""

    mask: NDArray[np.bool_]
    contrast: float
    corners: NDArray[np.float64] | None    # (4, 2) where its sides are known


def _clear(regions: list[Region], features) -> list[_Part]:
    """Regions that stand out."""
    found = []
    for region in regions:
        if region.share > LEAST_SHARE and region.solidity >= LEAST_SOLIDITY:
            mask = filled(region.hull, features.shape[:2])
            contrast, four = contrast_of(mask, features), filled_quad(region.hull) > LEAST_FILLED
            if contrast > (LEAST_CONTRAST if four else CLEAR) and (
                    four or contrast_within(mask, features) > LEAST_CONTRAST):
                found.append(_Part(mask=mask > 0, contrast=contrast, corners=None))
    return found


def _faint(regions: list[Region], features, preview, to_preview) -> list[_Part]:
    """Four-sided regions that hardly stand out, laid on four sharp, straight sides."""
    masks = [filled(region.hull, features.shape[:2]) for region in regions if filled_quad(region.hull) > LEAST_FILLED]
    unlike, found = [], []
    for mask in sorted(masks, key=lambda one: -contrast_of(one, features)):
        shared = [(mask & other).sum() / (mask | other).sum() for other in unlike]
        if max(shared, default=0.0) < MOST_SHARED and len(unlike) < MOST_FAINT:
            unlike.append(mask)
    for mask in unlike:
        outline = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0][0][:, 0]
        corners = straight_sides(preview, (outline + 0.5) * to_preview - 0.5, 0.0)
        if corners is not None:
            corners = (corners + 0.5) / to_preview - 0.5
            mask = filled(corners, features.shape[:2])
            if (contrast := contrast_of(mask, features)) > FAINT:
                found.append(_Part(mask=mask > 0, contrast=contrast, corners=corners))
    return found


def quadrilateral(outline_px: NDArray[np.float64], least_filled: float = 0.0) -> NDArray[np.float64] | None:
    """Corners (4, 2) of an outline that `find_ground` gave, clockwise as seen, its rim put back.

    None where it has fewer corners, or fills less than `least_filled` of the quadrilateral around it.
    """
    hull = cv2.convexHull(outline_px.astype(np.float32).reshape(-1, 1, 2))
    if len(hull) < 4:
        return None
    quad = cv2.approxPolyN(hull, 4, ensure_convex=True).reshape(-1, 2).astype(np.float64)
    if len(quad) != 4 or cv2.contourArea(hull) < least_filled * cv2.contourArea(quad.astype(np.float32)):
        return None
    quad = quad if cv2.contourArea(quad.astype(np.float32), oriented=True) > 0 else quad[::-1]
    w, h = mean_sides(quad)
    return moved_out(quad, (KEPT_AWAY * np.sqrt(w * h) / (1 - 2 * KEPT_AWAY),) * 4, (w, h))


def sides_direction(corners: NDArray[np.float64]) -> float:
    """Mean direction of the four sides, a quarter turn apart being alike, from -45 up to 45 degrees."""
    side = np.roll(corners, -1, axis=0) - corners
    fourfold = np.sum((side[:, 0] - 1j * side[:, 1]) ** 4 / np.abs(side[:, 0] - 1j * side[:, 1]) ** 3)
    return float(np.degrees(np.angle(fourfold)) / 4.0)


def _worth(part: _Part) -> float:
    """A clear outline counts, and being large and in the middle."""
    y, x = np.nonzero(part.mask)
    off = np.hypot(x.mean() / part.mask.shape[1] - 0.5, y.mean() / part.mask.shape[0] - 0.5)
    return min(part.contrast, 6.0) / 6.0 + np.sqrt(part.mask.mean()) - 1.5 * off


def _inside(board: _Part, found: list[_Part]) -> _Part:
    """Ground engraved on the board: the largest clear region within it that is large enough, else the board.

    A board has a margin on every side of its ground; what shares sides with it is a part of it in other light.
    """
    away = cv2.distanceTransform(np.pad(board.mask.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    area = board.mask.sum()
    inner = [one for one in found if LEAST_INNER * area < one.mask.sum() < 0.85 * area
             and (one.mask & board.mask).sum() > 0.97 * one.mask.sum() and _beside(one.mask, away) < MOST_BESIDE]
    return max(inner, key=lambda one: one.mask.sum()) if inner else board


def _beside(inner, away) -> float:
    """Share of a region's outline that lies on the board's."""
    rim = inner & (cv2.erode(inner.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
    return float((away[rim] < RIM).mean())


def _outline(mask) -> NDArray[np.float64] | None:
    """Convex outline, a rim left out."""
    rim = max(1, round(KEPT_AWAY * np.sqrt(mask.sum())))
    padded = np.pad(mask.astype(np.uint8), 1)
    away = cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1]
    outlines, _ = cv2.findContours((away > rim).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not outlines:
        return None
    hull = cv2.convexHull(max(outlines, key=cv2.contourArea))
    hull = cv2.approxPolyDP(hull, 1.0, True)[:, 0].astype(np.float64)
    return hull if len(hull) >= 3 else None
