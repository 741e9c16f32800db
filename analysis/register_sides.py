"""AFTER's frame, once the artwork has told where it must lie: its sides give the last hundredths of a millimetre."""
from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.geometry import apply_homography, distort, homography_of, lens_of_photo, undistort
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.register_match import Match
from analysis.side_fit import fit_sides
from analysis.sides import EdgePoints, edge_points

__all__ = ["with_frame_of_after"]

USUAL_WIDTH_MM = 0.8       # of an engraved line, to begin with; common practice, no source
LEAST_SUPPORT = 0.7        # share of the outline, or of three sides, where the line is seen
LEAST_SIDE = 0.4           # the same for the worst side; one that shows less is left where the artwork puts it
MOST_MOVE_MM = 1.0         # of a corner: farther off it is another line


def with_frame_of_after(match: Match, before: Piece, after: Photo) -> Match:
    """Lay AFTER's own frame on BEFORE's, where it is seen near the place that the artwork gives.

    Parameters
    ----------
    match : Match
        Aligned by artwork.
    before : Piece
        With its frame and a known scale.
    after : Photo

    Returns
    -------
    Match
        Unchanged where AFTER shows no frame there.
    """
    if not match.ok or before.frame_mm is None:
        return match
    size = before.frame_mm
    to_photo = np.linalg.inv(before.photo_to_piece @ match.homography)
    start = apply_homography(to_photo, np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]], float))
    for dark in (True, False):
        fit = _sides(after, start, size, dark)
        if fit is None:
            continue
        ideal = undistort(fit.corners_px, fit.lens)
        px_per_mm = np.linalg.norm(start[1] - start[0]) / size[0]
        if np.abs(ideal - start).max() > MOST_MOVE_MM * px_per_mm:
            continue
        whole = np.linalg.inv(before.photo_to_piece) @ np.linalg.inv(homography_of(ideal, size))
        return replace(match, homography=whole / whole[2, 2], corners_px=fit.corners_px, after_lens=fit.lens,
                       method="frame and artwork")
    return match


def _sides(after: Photo, start, size, dark):
    """Lines through AFTER's sides, or None where the frame is not there. One side may be hidden."""
    lens, width, corners = lens_of_photo(after.size_px), USUAL_WIDTH_MM, start
    for reach in (0.8, 0.4):
        edges = edge_points(after.luminance, corners, size, width_mm=width, dark=dark, lens=lens, reach_mm=reach)
        order = np.argsort(edges.share)
        if edges.share[order[1:]].mean() < LEAST_SUPPORT or edges.share[order[1]] < LEAST_SIDE:
            return None
        if edges.share[order[0]] < LEAST_SIDE:
            edges = _with_side(edges, int(order[0]), start, lens)
        fit = fit_sides(edges, after.size_px)
        if fit is None:
            return None
        lens, corners = fit.lens, undistort(fit.corners_px, fit.lens)
        widths = [one.width_mm for one in edges.lines if one is not None]
        width = float(np.median(widths)) if widths else width
    return fit


def _with_side(edges: EdgePoints, side: int, corners, lens) -> EdgePoints:
    """Edge positions with those of one side on the line between two corners."""
    share = np.linspace(0.0, 1.0, edges.seen.shape[1])[:, None]
    points, seen = edges.points_px.copy(), edges.seen.copy()
    points[side] = distort(corners[side] * (1 - share) + corners[(side + 1) % 4] * share, lens)
    seen[side] = True
    return replace(edges, points_px=points, seen=seen)
