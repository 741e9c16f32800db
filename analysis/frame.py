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
from analysis.frame_candidates import (
    Candidate,
    covered_candidates,
    faint_candidates,
    light_candidates,
    line_candidates,
    line_on_three_sides,
    lines_along,
)
from analysis.frame_check import TIGHT_MISFIT, CheckedFrame, check_frame
from analysis.frame_cut import runs_out
from analysis.frame_edge import edge_candidates
from analysis.frame_other import frame_of_other_size
from analysis.geometry import (
    apply_homography,
    distort,
    homography_of,
    lens_of_photo,
    lens_scale_sd,
    seen_proportions,
    undistort,
)
from analysis.resample import block_means
from analysis.sides import moved_out, side_px_per_mm

__all__ = ["LEAST_PX_PER_MM", "LEAST_UNLIKE", "ON_ITS_SIDE", "SQUARE", "UNLIKE_SHAPE", "WITHIN_SD", "Frame",
           "find_frame", "frame_of", "looks_like", "uprightness"]

# Longer side searched, and a blur, px: noise and grain hide lines, and edges more so. Last k1 of a lens that bends the
# sides more than a phone's: 4 % at the photo's corners breaks a side into pieces that make no line.
PASSES = ((line_candidates, 1100, 0.0, 0.0), (line_candidates, 1100, 1.5, 0.0), (line_candidates, 700, 1.5, 0.0),
          (line_candidates, 2200, 1.0, 0.0), (faint_candidates, 700, 0.0, 0.0),
          (line_candidates, 1100, 0.0, -0.03), (line_candidates, 1100, 0.0, 0.03),
          (covered_candidates, 1100, 0.0, 0.0), (covered_candidates, 2200, 1.0, 0.0),
          (faint_candidates, 1100, 0.0, 0.0), (light_candidates, 1100, 0.0, 0.0),
          (edge_candidates, 1100, 0.0, 0.0), (edge_candidates, 700, 1.5, 0.0))
BESIDE_MM = (0.8, 2.4, 4.0)    # outside of what was found, where a line is looked for
LEAST_BESIDE_MM, LEAST_BESIDE_PX = 0.25, 1.5   # nearer it is the same line
REFINED, LARGEST = 3, 2    # refined at full resolution: the best, and the largest among the good
ABOUT_EQUAL = 0.35         # in score
ROUGH_SCORE = 0.2          # how far a score may rise by refining
UNLIKE_SHAPE = 2.5         # s.d. by which the seen proportions may differ from the stated ones before a word is said
REFUSED_SHAPE = 4.0        # and before the frame is refused, where the file states the focal length
LEAST_UNLIKE = 0.012       # of the proportions; less is the engraver's and the lens' own
LEAST_PX_PER_MM = 4.0      # below this a frame's line is lost in the blur
WITHIN_SD = 1.5            # s.d. of the seen proportions that are chance; what is over them is doubt about the scale
ON_ITS_SIDE = ("The piece lies on its side in the photo; which end is up cannot be told from the frame. If it is not "
               "on its side, the frame's size was given the wrong way round: the length along the scan axis comes "
               "first.")
SQUARE = ("The frame is about square, so its sides do not tell which way the scan axis runs. The way nearest upright "
          "is taken: check it, or give the corners.")
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
    shape_scale_sd: float = 0.0        # the same that proportions unlike the stated ones may cause
    warnings: tuple[str, ...] = ()


def find_frame(luminance: NDArray[np.float32], size_mm: tuple[float, float],
               focal_share: float | None = None, hindrances: tuple[str, ...] = ()) -> Frame:
    """Find the frame of known outer size.

    Parameters
    ----------
    luminance : ndarray, shape (h, w), float32
        Linear light.
    size_mm : (W, H)
    focal_share : float, optional
        Focal length over the photo's longer side, where the file states it.
    hindrances : tuple of str
        What is wrong with the photo; told first where no frame is found, for it may be why.

    Returns
    -------
    Frame
        Turned so that the piece is nearest upright; a frame alone cannot tell
        a piece from the same piece half a turn round.

    Raises
    ------
    PhotoError
        No credible frame, two of them, or one whose proportions are not the stated ones.
    """
    picture = _shrunk(luminance, max(1.0, max(luminance.shape) / PASSES[0][1]))
    for propose, search_px, blur_px, k1 in PASSES:
        found = _search(luminance, size_mm, focal_share, search_px, blur_px, k1, propose)
        if found:
            found = [_outermost(luminance, one, size_mm, focal_share) for one in found]
            found = [one for one in found if one is not None]
        if found and not any(one.is_line for one in found):
            other = frame_of_other_size(luminance, picture, size_mm, focal_share, found[0].fit.corners_px)
            if other is not None:
                raise PhotoError(_other_size(size_mm, other))
        if found:
            return _chosen(found, size_mm, luminance.shape, focal_share)
    other = frame_of_other_size(luminance, picture, size_mm, focal_share)
    if other is not None:
        raise PhotoError(_other_size(size_mm, other))
    if runs_out(picture, size_mm):
        raise PhotoError(f"The frame of {size_mm[0]:g} x {size_mm[1]:g} mm seems to run out of the photo, or "
                         "under something that lies on it. Take the photo again with the whole frame free and in view "
                         "and some board around it, or give its four corners.")
    raise PhotoError(_not_found(size_mm, max(luminance.shape) / max(size_mm), hindrances))


def looks_like(size_mm, unlike) -> str:
    """Size of the seen proportions, the first length as stated."""
    return f"{size_mm[0]:g} x {size_mm[1] * np.exp(-unlike):.1f} mm"


def _other_size(size_mm, other) -> str:
    """Sentence for a frame that is there, of another size than stated."""
    return (f"No frame of {size_mm[0]:g} x {size_mm[1]:g} mm could be found, but a line in the shape of one that looks "
            f"like {other[0]:.3g} x {other[1]:.3g} mm. Measure the frame's outer sides and give their lengths, or give "
            "its four corners.")


def _not_found(size_mm, most_px_per_mm, hindrances) -> str:
    """Sentences for a frame that is not there: what may hide it, and what to do."""
    if most_px_per_mm < LEAST_PX_PER_MM:
        hindrances = (f"So large a frame has at most {most_px_per_mm:.1f} pixels per mm in this photo, and "
                      f"{LEAST_PX_PER_MM:g} are needed.", *hindrances)
    why = f"What may hide it: {' '.join(hindrances)} Else give" if hindrances else "Give"
    return (f"No frame of {size_mm[0]:g} x {size_mm[1]:g} mm could be found with certainty. {why} its four corners, "
            "or pixels per mm (--pixels-per-mm), or take the photo again with the whole frame in view.")


def _search(luminance, size_mm, focal_share, search_px, blur_px, k1, propose) -> list[CheckedFrame]:
    """Frames that pass every check, of those proposed on a picture of reduced size, a lens of `k1` taken out."""
    factor = max(1.0, max(luminance.shape) / search_px)
    picture = _straightened(_shrunk(luminance, factor, blur_px), k1)
    found: list[CheckedFrame] = []
    for candidate in _worth_refining(propose(picture, size_mm)):
        best = max((one.score for one in found), default=-np.inf)
        if 1.0 + candidate.score < best - ABOUT_EQUAL - ROUGH_SCORE:
            continue                                         # cannot come near the best
        corners = (candidate.corners + 0.5) * factor - 0.5
        checked = check_frame(luminance, replace(candidate, corners=corners), size_mm, focal_share=focal_share,
                              k1=k1)
        if checked is not None:
            found.append(checked)
    return found


def _outermost(luminance, found: CheckedFrame, size_mm, focal_share) -> CheckedFrame | None:
    """Dark line close around what was found, if there is one.

    A bare strip between line and ground, or the ground's edge, is not the frame; of a double line the outer one is.
    None for an edge that has a line along or around three sides only: something lies on the fourth.
    """
    ideal = undistort(found.fit.corners_px, found.fit.lens)
    tried = np.stack([moved_out(ideal, np.full(4, far), size_mm) for far in BESIDE_MM])
    least = LEAST_BESIDE_PX / side_px_per_mm(ideal, size_mm).mean()
    for one in lines_along(luminance, tried, np.zeros(len(tried)), size_mm, lens=found.fit.lens):
        line = moved_out(one.corners, one.edge_mm, size_mm)
        away = apply_homography(np.linalg.inv(homography_of(ideal, size_mm)), line)
        out = np.concatenate([-away[:2, 1], away[1:3, 0] - size_mm[0], away[2:, 1] - size_mm[1], -away[[0, 3], 0]])
        if not one.dark or out.min() < max(least, LEAST_BESIDE_MM):
            continue
        checked = check_frame(luminance, one, size_mm, focal_share=focal_share, k1=found.fit.lens.k1)
        if checked is not None and (not (found.is_line and found.dark) or checked.score > found.score - ABOUT_EQUAL):
            return checked
    spoilt = not found.is_line and line_on_three_sides(luminance, np.concatenate([ideal[None], tried]), size_mm).any()
    return None if spoilt else found


def _shrunk(luminance, factor, blur_px=0.0) -> NDArray[np.float32]:
    """Picture of the size that is searched."""
    h, w = luminance.shape
    small = luminance
    if factor >= 2.0:                                        # whole numbers shrink several times faster
        small = block_means(luminance, int(factor))
    if factor > 1.0:
        small = cv2.resize(small, (round(w / factor), round(h / factor)), interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(small, (0, 0), blur_px) if blur_px else small


def _straightened(picture, k1) -> NDArray[np.float32]:
    """Picture as a lens without distortion would have taken it."""
    if k1 == 0.0:
        return picture
    h, w = picture.shape
    seen = distort(np.stack(np.meshgrid(np.arange(w), np.arange(h)), axis=-1), lens_of_photo((w, h), k1))
    return cv2.remap(picture, seen.astype(np.float32), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _worth_refining(candidates) -> list[Candidate]:
    """Best by line and shape, and the largest among the good: of a double line the outer one is the frame."""
    if not candidates:
        return []
    strongest = max(one.strength for one in candidates)
    good = [one for one in candidates if one.strength > 0.5 * strongest and one.misfit < 2 * TIGHT_MISFIT]
    largest = sorted(good, key=lambda one: -cv2.contourArea(one.corners.astype(np.float32)))
    picked = candidates[:REFINED]
    return picked + [one for one in largest[:LARGEST] if not any(one is other for other in picked)]


def _chosen(found, size_mm, shape, focal_share) -> Frame:
    """Best frame; of about equals that lie inside each other the outermost, of equals apart none."""
    top = max(one.score for one in found)
    equals = [one for one in found if one.score > top - ABOUT_EQUAL]
    best = max(equals, key=lambda one: one.area_px)
    for other in equals:
        if not _encloses(best.fit.corners_px, other.fit.corners_px):
            raise PhotoError("Two frames of the same proportions are in the photo. Crop the photo to the piece, "
                             "or give the four corners of its frame.")
    frame = frame_of(best, size_mm)
    ideal = undistort(frame.corners_px, best.fit.lens)
    unlike, sd = seen_proportions(ideal, size_mm, shape[::-1], frame.corners_sd_px, focal_share)
    if abs(unlike) < max(UNLIKE_SHAPE * sd, LEAST_UNLIKE):
        return replace(frame, shape_scale_sd=max(abs(unlike) - WITHIN_SD * sd, 0.0) / 2)
    stated, seen = f"{size_mm[0]:g} x {size_mm[1]:g} mm", looks_like(size_mm, unlike)
    if focal_share is not None and abs(unlike) > REFUSED_SHAPE * sd:
        raise PhotoError(f"The frame was found, but through the lens that the file states it looks like {seen}, not "
                         f"{stated}. Measure the frame and give its size, or take the photo's uncropped original.")
    words = (f"The frame looks like {seen}, not {stated}, unless the photo was cropped or taken through a lens of "
             "unusual angle: measure the frame, and take the photo uncropped from straight above.")
    return replace(frame, warnings=(*frame.warnings, words), shape_scale_sd=abs(unlike) / 2)


def _encloses(outer, inner) -> bool:
    """Whether the middle of one outline lies inside the other."""
    middle = inner.mean(axis=0)
    return cv2.pointPolygonTest(outer.astype(np.float32), (float(middle[0]), float(middle[1])), False) > 0


def frame_of(checked: CheckedFrame, size_mm) -> Frame:
    """Frame nearest upright."""
    fit, words = checked.fit, []
    corners = fit.corners_px
    turns = (0, 1, 2, 3) if abs(np.log(size_mm[0] / size_mm[1])) < ALIKE else (0, 2)
    best = max(turns, key=lambda k: uprightness(np.roll(corners, -k, axis=0)))
    corners = np.roll(corners, -best, axis=0)
    if len(turns) == 4:
        words.append(SQUARE)
    axis = corners[1] - corners[0] + corners[2] - corners[3]
    if abs(axis[0]) < abs(axis[1]):
        words.append(ON_ITS_SIDE)
    if not checked.is_line:
        words.append("Only the edge of the engraved area was found, no line around it: check that the stated size is "
                     "that of the engraved area, and not of the board.")
    return Frame(corners_px=corners, corners_sd_px=fit.corners_sd_px, k1=fit.lens.k1, k1_sd=fit.lens.k1_sd,
                 residual_px=fit.residual_px, support=checked.support, warnings=tuple(words),
                 lens_scale_sd=lens_scale_sd(corners, fit.lens))


def uprightness(corners) -> float:
    """Cosine between the first side's direction and the photo's x."""
    axis = corners[1] - corners[0] + corners[2] - corners[3]
    return float(axis[0] / np.linalg.norm(axis))
