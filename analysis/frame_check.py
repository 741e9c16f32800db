"""Whether a candidate is the frame: its sides traced at full resolution and judged."""
from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.frame_candidates import GOES_ON, SHAPE_COST, Candidate, line_beyond
from analysis.frame_shadow import off_shadow
from analysis.geometry import USUAL_FOCAL, lens_of_photo, shape_misfit, undistort
from analysis.side_fit import SideFit, fit_sides
from analysis.sides import edge_points, moved_out, side_px_per_mm

__all__ = ["CheckedFrame", "check_frame"]

TIGHT_MISFIT = 0.02        # of proportions and right angles; 1 mm on a frame of 60 mm
AXIS_OFF, AXIS_OFF_COST = 0.02, 0.003      # of the lens' axis from the photo's middle, over its longer side; no source
EDGE_MISFIT = 0.012        # the same where an edge must do for a line
LEAST_SUPPORT = 0.7        # share of the outline where the line is seen
EDGE_SUPPORT = 0.85        # the same for an edge
EDGE_FOCALS = (0.8, 1.33)  # focal length over the expected one that an edge alone must fit
LEAST_SIDE = 0.4           # the same for the worst side
LEAST_COVERED = 0.1        # the same where something lies on it; then the three others must be beyond doubt
REACHES_MM = (0.8, 0.4)    # of the sides' places from where they are looked for, at first and then
MOVED_REACHES_MM = (0.4, 0.3)              # the shadow is near
COVERED_REACHES_MM = (1.2, 0.8, 0.4)       # a piece of a side tells its far end worse
MOST_UNLIKE_ENDS = 2       # of eight places past the corners, and eight before them
END_COST = 0.15            # in score, for each place where the line goes on past a corner or stops before it
STOPS = 0.2                # of the line's own strength, just before a corner: it is not there
MOST_UNLIKE = 2.0          # ratio of the sides' line widths, and of their blur
MOST_UNLIKE_SHARPENED = 1.3    # the same where no side's profile is that of a blurred line
UNLIKE_SHIFT_MM = 0.07     # between what the model of the line corrects on one side and on the others
LEAST_DEPTH = 0.3          # of the faintest side's line over the middle one's; glare makes a side fainter
MOST_PROFILE_MISFIT = 0.09     # rms, over the outer step; two sides may have more, ...
MOST_SIDE_MISFIT = 0.18        # ... up to this, where lettering or wood beside the line spoils its mean profile
THREE_UNLIKE = 1.4         # ratio of width, and of blur, of three sides that must do: lettering spoils the fourth
LEAST_LEVEL = 0.1          # fitted over measured light outside: less is no fit
THREE_SHIFT_MM, THREE_DEPTH = 0.05, 0.5        # the same for what the model corrects, and the faintest line


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedFrame:
    """A candidate that passed every check."""

    fit: SideFit
    support: float                     # share of the outline where the line is seen
    score: float
    area_px: float
    is_line: bool
    dark: bool


def check_frame(luminance: NDArray[np.float32], candidate: Candidate, size_mm: tuple[float, float],
                shape_known: bool = True, focal_share: float | None = None, k1: float = 0.0, *,
                moved: bool = False) -> CheckedFrame | None:
    """Trace the sides of a candidate, in photo pixels, or None where it is not the frame.

    Parameters
    ----------
    luminance : ndarray, float32
    candidate : Candidate
    size_mm : (W, H)
    shape_known : bool
        False: the corners were given, so the proportions are not checked, and corners may lie outside the photo.
    focal_share : float, optional
        Focal length over the photo's longer side, where the file states it.
    k1 : float
        Of the lens that the candidate's corners are free of.
    moved : bool
        Already taken off a shadow.
    """
    h, w = luminance.shape
    lens, width, covered = lens_of_photo((w, h), k1), candidate.width_mm, candidate.span is not None
    corners = moved_out(candidate.corners, candidate.edge_mm, size_mm)
    shaken_mm = 0.0                        # a shake longer than the line is wide takes the steepest place off its edge
    for reach in MOVED_REACHES_MM if moved else COVERED_REACHES_MM if covered else REACHES_MM:
        edges = edge_points(luminance, corners, size_mm, width_mm=width, dark=candidate.dark, lens=lens,
                            reach_mm=reach + shaken_mm, span=candidate.span)
        fit = fit_sides(edges, (w, h))
        if fit is None:
            return None
        lens, corners = fit.lens, undistort(fit.corners_px, fit.lens)
        shaken_mm = max((one.shake_mm for one in edges.lines if one is not None), default=0.0)
        widths = [one.width_mm for one in edges.lines if one is not None]
        width = float(np.median(widths)) if widths else width
    support, least = float(edges.share.mean()), LEAST_COVERED if covered else LEAST_SIDE
    misfit, focal = _shape(corners, size_mm, (w, h), focal_share or USUAL_FOCAL)
    is_line, px_per_mm = candidate.width_mm > 0, side_px_per_mm(corners, size_mm).mean()
    if support < (LEAST_SUPPORT if is_line else EDGE_SUPPORT) or edges.share.min() < least:
        return None
    if shape_known and misfit > (TIGHT_MISFIT if is_line else EDGE_MISFIT):
        return None
    if not is_line and not EDGE_FOCALS[0] < focal / max(w, h) / (focal_share or USUAL_FOCAL) < EDGE_FOCALS[1]:
        return None
    if fit.residual_px > max(0.6, 0.06 * px_per_mm):
        return None
    if is_line and not _alike(edges.lines, edges.outward_px) and not (
            misfit < EDGE_MISFIT and edges.share.min() > LEAST_SUPPORT
            and _three_alike(edges.lines, edges.outward_px)):
        return None
    beside = None
    if is_line and shape_known and not moved:
        beside = off_shadow(luminance, corners, size_mm, width, candidate.dark, lens)
    if beside is not None:
        again = replace(candidate, corners=beside, edge_mm=np.zeros(4))
        return check_frame(luminance, again, size_mm, shape_known, focal_share, lens.k1, moved=True)
    # Past a corner outside the photo it is not seen whether two sides end: a ruled mat's go on there.
    out = 2 * int(((fit.corners_px < -0.5) | (fit.corners_px > np.array([w, h]) - 0.5)).any(axis=1).sum())
    out = out if shape_known else 0
    if out and not is_line:
        return None
    unlike_ends = 0
    if is_line:
        beyond = line_beyond(luminance, corners[None], size_mm, width, candidate.dark, lens)[0]
        unlike_ends = _unlike_ends(beyond, out)
        if unlike_ends is None or candidate.faint and not _four_sure(edges, unlike_ends, misfit) or (
                covered and not _three_sure(edges, beyond, misfit)):
            return None
    return CheckedFrame(fit=fit, support=support, is_line=is_line, dark=candidate.dark,
                        score=support + candidate.strength - SHAPE_COST * misfit - END_COST * unlike_ends,
                        area_px=float(cv2.contourArea(corners.astype(np.float32))))


def _shape(corners, size_mm, size_px, usual) -> tuple[float, float]:
    """Misfit of proportions and right angles, and focal length, with some room for where the lens' axis meets."""
    step = np.array([[x, y] for x in (0.0, -1.0, 1.0) for y in (0.0, -1.0, 1.0)])
    misfit, focal = shape_misfit(corners - AXIS_OFF * max(size_px) * step[:, None], size_mm, size_px, usual)
    misfit += AXIS_OFF_COST * np.abs(step).sum(axis=1)
    return float(misfit.min()), float(focal[misfit.argmin()])


def _unlike_ends(line, unknown) -> int | None:
    """At how many places a line, (2, 4, 2) as `line_beyond` gives it, may not end at its corners; None: no frame."""
    past, before = line[0] > GOES_ON, line[1] < STOPS
    count = int(past.sum() + before.sum()) + unknown
    return None if count > MOST_UNLIKE_ENDS or past.all(axis=1).any() or before.all(axis=1).any() else count


def _alike(lines, outward_px) -> bool:
    """Whether four sides, of so many pixels a mm outward each, shape (4, 2), look like one engraved line.

    A shadow at a board's edge is softer, wider or narrower, fainter, and the
    model of a blurred line puts its edge elsewhere.
    """
    if any(one is None for one in lines):
        return False
    px_per_mm = np.linalg.norm(outward_px, axis=1)
    misfit, width, blur = np.array([(one.misfit, one.width_mm, one.blur_mm) for one in lines]).T
    blur = blur * px_per_mm                # the camera's, so alike in pixels
    clear = misfit < MOST_PROFILE_MISFIT
    if clear.sum() < 2:                    # a phone's sharpening spoils all four profiles, and all in the same way
        clear[:] = True
        turned = np.roll(blur, 2)          # a shaken camera blurs across one pair of sides only
        if (_ratio(width) > MOST_UNLIKE_SHARPENED or np.exp(np.abs(np.log(blur / turned)).max()) > MOST_UNLIKE_SHARPENED
                or _ratio(misfit) > MOST_UNLIKE_SHARPENED and misfit.max() > MOST_SIDE_MISFIT):
            return False
    elif misfit.max() > MOST_SIDE_MISFIT:
        return False
    shift = np.array([one.edge_mm for k, one in enumerate(lines) if clear[k] and not one.shake_mm])
    light = np.maximum([(one.outside, one.line) for one in lines], 1e-3)      # glare makes a side fainter in light, ...
    depth = max((np.abs(np.diff(level, axis=1)) for level in (light, np.log(light))),     # ... or in its logarithm
                key=lambda one: one.min() / np.median(one))
    return bool(_ratio(width) < MOST_UNLIKE
                and (_ratio(blur[clear]) < MOST_UNLIKE or clear.all() and _shaken(width, blur, outward_px))
                and _within(shift, max(UNLIKE_SHIFT_MM, 0.4 / px_per_mm.mean()))
                and depth.min() > LEAST_DEPTH * np.median(depth))


def _shaken(width_mm, blur_px, outward_px) -> bool:
    """Whether clean sides are one line that a shaken camera blurred more in one direction.

    The variance of a camera's blur is n' C n across a side of normal n, with one C for all of them. What the widths
    differ by lies half at the outer edge: a shake longer than the line is wide moves it.
    """
    x, y = (outward_px / np.linalg.norm(outward_px, axis=1, keepdims=True)).T
    terms = np.stack([x * x, x * y, y * y], axis=1)
    fitted = terms @ np.linalg.lstsq(terms / blur_px[:, None] ** 2, np.ones(len(terms)), rcond=None)[0]
    return fitted.min() > 0 and (np.abs(np.log(fitted / blur_px ** 2)).max() < np.log(THREE_UNLIKE)
                                 and np.ptp(width_mm) < 2 * THREE_SHIFT_MM)


def _three_alike(lines, outward_px) -> bool:
    """Whether three of four sides are one clean line beyond doubt, whatever lies along the fourth."""
    px_per_mm = np.linalg.norm(outward_px, axis=1)
    for spoilt in range(4):
        kept = [k for k in range(4) if k != spoilt]
        three = [lines[k] for k in kept]
        if any(one is None or one.misfit > MOST_PROFILE_MISFIT or one.outside < LEAST_LEVEL for one in three):
            continue
        width, blur, depth = np.array([(one.width_mm, one.blur_mm, one.outside - one.line) for one in three]).T
        blur = blur * px_per_mm[kept]
        shift = np.array([one.edge_mm for one in three if not one.shake_mm])
        if (_ratio(width) < THREE_UNLIKE and (_ratio(blur) < THREE_UNLIKE or _shaken(width, blur, outward_px[kept]))
                and _within(shift, max(THREE_SHIFT_MM, 0.4 / px_per_mm.mean()) / 2)
                and np.abs(depth).min() > THREE_DEPTH * np.abs(depth).max()):
            return True
    return False


def _within(values, most) -> bool:
    """Whether values lie within so much of their middle."""
    return len(values) < 2 or bool(np.abs(values - np.median(values)).max() < most)


def _four_sure(edges, unlike_ends, misfit) -> bool:
    """Whether all four sides are seen, end at their corners and have the right shape, beyond doubt.

    Beside one of sixteen places a line of the grain may lie by chance. One clean line on three sides and a shape nine
    times less likely by chance, for chance spreads misfits over an area, weigh more than that.
    """
    return bool(edges.share.min() > LEAST_SUPPORT and (
        unlike_ends == 0 and misfit < EDGE_MISFIT
        or unlike_ends == 1 and misfit < EDGE_MISFIT / 3 and _three_alike(edges.lines, edges.outward_px)))


def _three_sure(edges, beyond, misfit) -> bool:
    """Whether all but one side are one clean line and what is seen of that one fits them; no line goes on anywhere."""
    order = np.sort(edges.share)
    return bool(order[1] > LEAST_SUPPORT and misfit < EDGE_MISFIT and not (beyond[0] > GOES_ON).any()
                and _three_alike(edges.lines, edges.outward_px))


def _ratio(values) -> float:
    """Largest over smallest."""
    return float(values.max() / values.min())
