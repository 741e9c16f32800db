"""The engraved frame in a photo: its outer corners, or a plain refusal.

A frame is a line of nearly constant width with a ground on both sides, darker
or lighter than these, in the shape of a rectangle of known proportions seen by
an ordinary camera. A board's own edge is no line and fails. Where what is
engraved inside is as dark as the line, only the line's outer edge is left;
that is taken too, with a warning. Corners are those of the OUTER edge.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.errors import PhotoError
from analysis.geometry import lens_of_photo, shape_misfit, undistort
from analysis.quads import edge_lines, quadrilaterals
from analysis.side_fit import SideFit, fit_sides
from analysis.sides import edge_points, moved_out, nan_median, side_profiles, side_px_per_mm

__all__ = ["Frame", "find_frame", "frame_at"]

PASSES = ((1100, 0.0), (1100, 1.5), (2200, 1.0))   # longer side searched, and a blur, px: noise hides lines
LOOSE_MISFIT = 0.06        # of proportions and right angles, before the corners are refined
TIGHT_MISFIT = 0.02        # after that; 1 mm on a frame of 60 mm
CANDIDATES = 80            # looked at across their sides
REFINED, LARGEST = 3, 2    # refined at full resolution: the best, and the largest among the good
ABOUT_EQUAL = 0.35         # in score
SHAPE_COST = 20.0          # of misfit in score: 1 % is a fifth of a clear line
WIDTHS_MM = (0.3, 0.5, 0.8, 1.2, 1.6)      # of the line
LEAST_SUPPORT = 0.7        # share of the outline where the line is seen
MOST_GOING_ON = 3          # of eight places beyond the corners where the line may seem to go on
MOST_UNLIKE = 2.0          # ratio of the sides' line widths, and of their blur
UNLIKE_SHIFT_MM = 0.07     # between what the model of the line corrects on one side and on the others
LEAST_DEPTH = 0.3          # of the faintest side's line over the middle one's; glare makes a side fainter
MOST_PROFILE_MISFIT = 0.09     # rms, over the outer step
LEAST_SIDE = 0.4           # the same for the worst side
LEAST_BAR = 0.10           # log contrast of the line against both sides
USUAL_FOCALS = (0.55, 1.15)   # focal length over the photo's longer side, main cameras; common practice, no source
LEAST_PX_PER_MM = 4.0      # below this a frame's line is lost in the blur
MOST_MOVED_MM = 1.0        # of given corners
UNSEEN_K1_SD = 0.01        # lens of a phone where nothing shows it; common practice, no source
LENS_SHARE = 0.3           # of the distortion at the corners that is left as scale error in the middle; geometry
ALIKE = 0.05               # proportions nearer to 1 than this do not tell W from H


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Outer corners of a frame with what they are worth."""

    corners_px: NDArray[np.float64]    # (4, 2): (0,0), (W,0), (W,H), (0,H) in photo pixels
    corners_sd_px: float               # 1 s.d. of a coordinate
    k1: float
    k1_sd: float | None
    residual_px: float | None
    lens_scale_sd: float               # relative scale error inside the frame that an unseen lens may cause
    support: float                     # share of the outline where the line is seen
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    """A quadrilateral that may be the frame."""

    corners: NDArray[np.float64]       # (4, 2), in the order of the piece up to half a turn
    misfit: float
    edge_mm: NDArray[np.float64]       # (4,) place of the outer edge across each side
    width_mm: float                    # 0: an edge, not a line
    dark: bool
    strength: float                    # log contrast of the line
    score: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """A frame that passed every check."""

    score: float
    area: float
    frame: Frame


def find_frame(luminance: NDArray[np.float32], size_mm: tuple[float, float]) -> Frame:
    """Find the frame of known outer size.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
        Linear light.
    size_mm : (W, H)

    Returns
    -------
    Frame
        Turned so that the piece is nearest upright; a frame alone cannot tell
        a piece from the same piece half a turn round.

    Raises
    ------
    PhotoError
        No credible frame, or two of them.
    """
    for search_px, blur_px in PASSES:
        h, w = luminance.shape
        factor = max(1.0, max(h, w) / search_px)
        small = _shrunk(luminance, factor, blur_px)
        found = []
        for candidate in _worth_refining(_candidates(small, size_mm), size_mm):
            corners = (candidate.corners + 0.5) * factor - 0.5
            refined = _refine(luminance, replace(candidate, corners=corners), size_mm)
            if refined is not None:
                found.append(refined)
        if found:
            return _chosen(found)
    raise PhotoError(_not_found(size_mm))


def frame_at(luminance: NDArray[np.float32], corners_px: NDArray[np.float64], size_mm: tuple[float, float],
             given_sd_px: float, *, sharpen: bool = True) -> Frame:
    """Frame from corners that are known already.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
    corners_px : ndarray, shape (4, 2)
        In the order of the piece.
    size_mm : (W, H)
    given_sd_px : float
        1 s.d. of a corner's coordinate, kept where the line does not show.
    sharpen : bool
        Move the corners onto the outer edge of an engraved line that runs within
        a millimetre of them; else, and where there is none, they stay.
    """
    h, w = luminance.shape
    corners_px = np.asarray(corners_px, np.float64)
    found = _sharpened(luminance, corners_px, size_mm) if sharpen else None
    words = ()
    if found is not None:
        moved = np.linalg.norm(found.corners_px - corners_px, axis=1).max()
        if moved > 3.0 * given_sd_px:
            words = (f"The corners were moved by up to {moved:.0f} pixels onto the outer edge of the engraved line "
                     "that runs beside them.",)
        return replace(found, warnings=words)
    misfit, _ = shape_misfit(corners_px[None], size_mm, (w, h))
    if misfit[0] > LOOSE_MISFIT:
        words = (f"The corners do not fit a rectangle of {size_mm[0]:g} x {size_mm[1]:g} mm seen by an ordinary "
                 "camera. Check the size and the order of the corners.",)
    reach2 = float(((corners_px - np.array([(w - 1) / 2, (h - 1) / 2])) ** 2).sum(1).mean())
    return Frame(corners_px=corners_px, corners_sd_px=given_sd_px, k1=0.0, k1_sd=None, residual_px=None,
                 lens_scale_sd=LENS_SHARE * UNSEEN_K1_SD * reach2 / (np.hypot(w, h) / 2) ** 2, support=0.0,
                 warnings=words)


def _sharpened(luminance, corners, size_mm) -> Frame | None:
    """Frame line beside given corners, or None."""
    scale = side_px_per_mm(corners, size_mm)
    if scale.min() < LEAST_PX_PER_MM or min(size_mm) < 10.0:
        return None
    found = _barred(luminance, corners[None], np.zeros(1), size_mm)
    if not found:
        return None
    refined = _refine(luminance, found[0], size_mm, shape_known=False)
    if refined is None:
        return None
    # Given corners say which way round the piece lies.
    fit = refined.frame.corners_px
    fit = min((np.roll(fit, k, axis=0) for k in range(4)), key=lambda one: np.abs(one - corners).max())
    if np.linalg.norm(fit - corners, axis=1).max() > MOST_MOVED_MM * scale.mean():
        return None
    return replace(refined.frame, corners_px=fit)


def _not_found(size_mm) -> str:
    """Sentence for a frame that is not there."""
    return (f"No frame of {size_mm[0]:g} x {size_mm[1]:g} mm could be found with certainty. Give its four corners, "
            "or the scale with --pixels-per-mm, or take the photo again with the whole frame in view.")


def _shrunk(luminance, factor, blur_px=0.0) -> NDArray[np.float32]:
    """Picture of the size that is searched."""
    h, w = luminance.shape
    small = luminance
    if factor > 1.0:
        small = cv2.resize(luminance, (round(w / factor), round(h / factor)), interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(small, (0, 0), blur_px) if blur_px else small


def _worth_refining(candidates, size_mm) -> list[_Candidate]:
    """Best by line and shape, and the largest among the good: of a double line the outer one is the frame."""
    if not candidates:
        return []
    strongest = max(one.strength for one in candidates)
    good = [one for one in candidates if one.strength > 0.5 * strongest and one.misfit < 2 * TIGHT_MISFIT]
    largest = sorted(good, key=lambda one: -cv2.contourArea(one.corners.astype(np.float32)))
    picked = candidates[:REFINED]
    return picked + [one for one in largest[:LARGEST] if not any(one is other for other in picked)]


def _chosen(found) -> Frame:
    """Best frame; of about equals that lie inside each other the outermost, of equals apart none."""
    top = max(one.score for one in found)
    equals = [one for one in found if one.score > top - ABOUT_EQUAL]
    best = max(equals, key=lambda one: one.area)
    for other in equals:
        if not _encloses(best.frame.corners_px, other.frame.corners_px):
            raise PhotoError("Two frames of the same proportions are in the photo. Crop the photo to the piece, "
                             "or give the four corners of its frame.")
    return best.frame


def _encloses(outer, inner) -> bool:
    """Whether the middle of one outline lies inside the other."""
    middle = inner.mean(axis=0)
    return cv2.pointPolygonTest(outer.astype(np.float32), (float(middle[0]), float(middle[1])), False) > 0


def _candidates(small, size_mm) -> list[_Candidate]:
    """Quadrilaterals of the right shape with a line along their sides, best first."""
    h, w = small.shape
    top = max(float(np.percentile(small[::4, ::4], 99.5)), 1e-6)
    grey = np.sqrt(np.clip(small / np.float32(top), 0, 1)) * 255
    lines = edge_lines(grey.astype(np.uint8))
    if len(lines.point) < 4:
        return []
    corners, misfits, supports = [], [], []
    for dark_inside in (True, False):
        quads, support = quadrilaterals(lines, (w, h), dark_inside)
        quads, support = quads[support.min(axis=1) > 0.15], support[support.min(axis=1) > 0.15]
        for turn in (0, 1):
            if len(quads) == 0:
                continue
            turned = np.roll(quads, -turn, axis=1)
            misfit, _ = shape_misfit(turned, size_mm, (w, h))
            keep = misfit < LOOSE_MISFIT
            corners.append(turned[keep])
            misfits.append(misfit[keep])
            supports.append(support[keep].mean(axis=1))
    if not corners or sum(map(len, corners)) == 0:
        return []
    corners, misfits, supports = map(np.concatenate, (corners, misfits, supports))
    order = np.argsort(-(supports - 2.0 * misfits))[:CANDIDATES]
    return _barred(small, corners[order], misfits[order], size_mm)


def _barred(small, corners, misfits, size_mm) -> list[_Candidate]:
    """Candidates with a line along their sides, from the median profile of each side."""
    u = np.arange(-3.6, 3.61, 0.1)
    log = np.log(np.maximum(small, np.float32(1e-3 * float(np.percentile(small[::4, ::4], 99.5)) + 1e-6)))
    profiles, _ = side_profiles(log, corners, size_mm, np.linspace(0.05, 0.95, 49), u)
    median = np.nan_to_num(nan_median(profiles, axis=2), nan=0.0)
    blur_mm = 1.0 / side_px_per_mm(corners, size_mm).mean(axis=1)
    found = []
    for k in range(len(corners)):
        score, bar, at, width, dark = max((_widest_bar(median[k] if dark else -median[k], u, blur_mm[k], dark)
                                           for dark in (True, False)), key=lambda one: one[0])
        if bar.min() < 0.4 * LEAST_BAR or bar.mean() < LEAST_BAR:
            continue
        found.append(_Candidate(corners=corners[k], misfit=float(misfits[k]), edge_mm=at, width_mm=width, dark=dark,
                                strength=float(score), score=float(score - SHAPE_COST * misfits[k])))
    return _distinct(sorted(found, key=lambda c: -c.score), size_mm)


def _widest_bar(profiles, u, blur_mm, dark):
    """Best bar along four sides: score, strengths, places, width, and whether it is dark.

    A narrow bar fits inside a wide line as well, so the widest that does nearly as well is taken.
    """
    tries = []
    for width in WIDTHS_MM:
        bar, at = _bar(profiles, u, width, blur_mm)
        tries.append((float(np.minimum(bar, 1.2).mean() + bar.min()), bar, at, width, dark))
    most = max(one[0] for one in tries)
    return [one for one in tries if one[0] >= 0.85 * most][-1] if most > 0 else tries[0]


def _bar(profile, u, width, blur, reach_mm=1.6):
    """Strength of a dark bar of a width in each of four profiles, and where its outer edge lies."""
    step = u[1] - u[0]
    summed = np.concatenate([np.zeros((4, 1)), np.cumsum(profile, axis=1)], axis=1)
    gap, band = max(0.1, 1.0 * blur), 0.8
    shifts = np.arange(-reach_mm, reach_mm + 0.01, 0.1)

    def mean(low, high):
        i = np.clip(np.round((shifts + low - u[0]) / step).astype(int), 0, len(u) - 1)
        j = np.clip(np.round((shifts + high - u[0]) / step).astype(int) + 1, i + 1, len(u))
        return (summed[:, j] - summed[:, i]) / (j - i)
    core = mean(-0.8 * width, -0.2 * width)
    outside, inside = mean(gap, gap + band) - core, mean(-width - gap - band, -width - gap) - core
    strength = np.minimum(outside, 1.5 * inside)
    best = strength.argmax(axis=1)
    return strength[np.arange(4), best], shifts[best]


def _distinct(candidates, size_mm) -> list[_Candidate]:
    """Drop those that are the same frame within a millimetre, keeping the better."""
    kept, outlines = [], []
    for one in candidates:
        scale = side_px_per_mm(one.corners, size_mm).mean()
        outline = moved_out(one.corners, one.edge_mm, size_mm)
        turned = np.stack([np.roll(outline, k, axis=0) for k in range(4)])
        if all(np.abs(turned - other).max(axis=(1, 2)).min() > scale for other in outlines):
            kept.append(one)
            outlines.append(outline)
    return kept


def _refine(luminance, candidate, size_mm, shape_known=True) -> _Found | None:
    """Score and Frame at full resolution, or None where the line is not there."""
    h, w = luminance.shape
    lens, width = lens_of_photo((w, h)), candidate.width_mm
    corners = moved_out(candidate.corners, candidate.edge_mm, size_mm)
    for step in range(2):
        edges = edge_points(luminance, corners, size_mm, width_mm=width, dark=candidate.dark, lens=lens,
                            reach_mm=0.8 if step == 0 else 0.4)
        fit = fit_sides(edges, (w, h))
        if fit is None:
            return None
        lens, corners = fit.lens, undistort(fit.corners_px, fit.lens)
        widths = [one.width_mm for one in edges.lines if one is not None]
        width = float(np.median(widths)) if widths else width
    support = float(edges.share.mean())
    misfit, focal = shape_misfit(corners[None], size_mm, (w, h))
    if support < LEAST_SUPPORT or edges.share.min() < LEAST_SIDE:
        return None
    if shape_known and misfit[0] > TIGHT_MISFIT:
        return None
    if fit.residual_px > max(0.6, 0.06 * side_px_per_mm(corners, size_mm).mean()):
        return None
    if candidate.width_mm > 0 and not _alike(edges.lines, side_px_per_mm(corners, size_mm).mean()):
        return None
    if _goes_on(luminance, corners, size_mm, width, candidate.dark, lens) > MOST_GOING_ON:
        return None
    frame = _frame(fit, support, size_mm, focal[0] / max(w, h))
    area = float(cv2.contourArea(corners.astype(np.float32)))
    return _Found(score=support + candidate.strength - SHAPE_COST * float(misfit[0]), area=area, frame=frame)


def _alike(lines, px_per_mm) -> bool:
    """Whether four sides look like one engraved line.

    A shadow at a board's edge is softer, wider or narrower, fainter, and the
    model of a blurred line puts its edge elsewhere.
    """
    if any(one is None for one in lines):
        return False
    width, blur = [one.width_mm for one in lines], [one.blur_mm for one in lines]
    shift, depth = np.array([one.edge_mm for one in lines]), np.array([abs(one.outside - one.line) for one in lines])
    return bool(max(width) < MOST_UNLIKE * min(width) and max(blur) < MOST_UNLIKE * min(blur)
                and max(one.misfit for one in lines) < MOST_PROFILE_MISFIT
                and np.abs(shift - np.median(shift)).max() < max(UNLIKE_SHIFT_MM, 0.4 / px_per_mm)
                and depth.min() > LEAST_DEPTH * np.median(depth))


def _goes_on(luminance, corners, size_mm, width_mm, dark, lens) -> int:
    """In how many of eight places the line goes on beyond a corner: a frame's line ends there, a grid's does not."""
    u = np.arange(-3.6, 3.61, 0.1)
    blur_mm = 1.0 / side_px_per_mm(corners, size_mm).mean()
    beyond = np.linspace(width_mm + 1.0, width_mm + 7.0, 13)

    def strengths(positions, sides):
        profiles, _ = side_profiles(luminance, corners[None], size_mm, positions, u, lens=lens)
        profiles = np.log(np.maximum(profiles[0], 2e-3 * np.nan_to_num(nan_median(profiles.ravel(), axis=0)) + 1e-6))
        median = np.nan_to_num(nan_median(profiles, axis=1), nan=0.0)
        return _bar(median if dark else -median, u, width_mm, blur_mm, reach_mm=0.5)[0][list(sides)]
    count = 0
    for sides, length in (((0, 2), size_mm[0]), ((1, 3), size_mm[1])):
        own = strengths(np.linspace(0.1, 0.9, 25), sides)
        for positions in (1.0 + beyond / length, -beyond / length):
            count += int((strengths(positions, sides) > 0.5 * own).sum())
    return count


def _frame(fit: SideFit, support, size_mm, focal_share) -> Frame:
    """Frame nearest upright."""
    corners, words = fit.corners_px, []
    turns = (0, 1, 2, 3) if abs(np.log(size_mm[0] / size_mm[1])) < ALIKE else (0, 2)
    axis = corners[1] - corners[0] + corners[2] - corners[3]
    best = max(turns, key=lambda k: _uprightness(np.roll(corners, -k, axis=0)))
    corners = np.roll(corners, -best, axis=0)
    if len(turns) == 4:
        words.append("The frame is about square, so its sides do not tell which way the scan axis runs. "
                        "The way nearest upright is taken: check it, or give the corners.")
    axis = corners[1] - corners[0] + corners[2] - corners[3]
    if abs(axis[0]) < abs(axis[1]):
        words.append("The piece lies on its side in the photo; which end is up cannot be told from the frame.")
    if not USUAL_FOCALS[0] < focal_share < USUAL_FOCALS[1]:
        words.append(f"The frame looks like {size_mm[0]:g} x {size_mm[1]:g} mm only through a lens of unusual angle "
                     "or in a cropped photo: check the frame's size, and take the photo uncropped from above.")
    radius2 = fit.lens.radius_px ** 2
    reach2 = float(((corners - np.array(fit.lens.centre_px)) ** 2).sum(1).mean())
    return Frame(corners_px=corners, corners_sd_px=fit.corners_sd_px, k1=fit.lens.k1, k1_sd=fit.lens.k1_sd,
                 residual_px=fit.residual_px, support=support, warnings=tuple(words),
                 lens_scale_sd=float(LENS_SHARE * min(fit.lens.k1_sd, UNSEEN_K1_SD) * reach2 / radius2))


def _uprightness(corners) -> float:
    """Cosine between the first side's direction and the photo's x."""
    axis = corners[1] - corners[0] + corners[2] - corners[3]
    return float(axis[0] / np.linalg.norm(axis))
