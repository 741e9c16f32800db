"""The straight line near a given one along which a picture's steps are steep.

What an eye follows along the edge of a board is a sharp step that goes on in
one line, whether it is up or down, and even where the bench has the board's own
brightness and only its pattern is cut off. So at many places the steps across
are ranked, and the line is the one on which the ranks are highest: no level, no
sign and no contrast need be alike along it.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["SteepLine", "steep_lines"]

PLACES = 96                # along a line
ENDS = 0.03                # of a line that are left out, where its neighbours cross
BESIDE = (-0.4, -0.2, 0.0, 0.2, 0.4)        # of the gap to the next place, of which a place is the mean: noise falls
STEP_SD_PX = 1.0           # of the derivative across: about a photo's blur
LEAST_STEEPNESS = 0.1      # of L*, a*, b* over two pixels: what rounding leaves
MOST_TURN = 0.07           # rad, against the given line: a slant of 10 degrees turns a side by two
LEAST_REACH_PX, FEWEST_STEPS = 12, 18      # to either side, and inside the picture: of few, any is a steepest one
MOST_BOW = 0.006           # of the length, of a line's middle from its chord, as a lens bends it
CELLS = 16                 # to either side, in the first, coarse search
SAME_PX = 4                # a line so near a better one is the same
LEAST_RANK = 0.5           # of a line's mean rank, as a share of what the steepest places of all would give
SEEN_SHARE = 0.05          # of the steps at a place that are as steep as one that counts as seen


@dataclass(frozen=True, slots=True, kw_only=True)
class SteepLine:
    """Where steps are steep along one line."""

    rank: float                        # mean over the places, 1: it is the steepest step of all everywhere
    ends_px: NDArray[np.float64]       # (2, 2) of the chord, where the given line starts and stops
    points_px: NDArray[np.float64]     # (n, 2) of the steepest steps on the line
    seen: NDArray[np.bool_]            # (n,) whether such a step is there


def steep_lines(picture: NDArray[np.uint8], start: NDArray[np.float64], stop: NDArray[np.float64], reach_px: int,
                most: int = 1) -> list[SteepLine]:
    """Lines near a given one on which steps rank high, best first, each of other steps than the better ones.

    Parameters
    ----------
    picture : ndarray, shape (h, w, 3), uint8
        sRGB.
    start, stop : ndarray, shape (2,)
        Of the given line, pixels.
    reach_px : int
        How far from it a line may pass; a little farther where that is few pixels.
    most : int
        Lines at most.

    Notes
    -----
    A place's rank is -log of the share of its steps that are as steep, so that
    the sum over places is what chance would make unlikely; of all lines, bowed
    as a lens may have it, the one with the highest sum is taken, first to a
    cell, then to a pixel (a Hough transform of ranks: Duda, Hart, Commun. ACM
    15(1), 11-15 (1972)).
    """
    length, reach_px = np.linalg.norm(stop - start), max(reach_px, LEAST_REACH_PX)
    along = (stop - start) / length
    outward = np.array([along[1], -along[0]])
    on = start + np.linspace(ENDS, 1 - ENDS, PLACES)[:, None] * (stop - start)
    step = _steps(picture, on, outward, reach_px)
    ranks, highest = _ranks(step), np.log(step.shape[1])
    bow, cell, lines = MOST_BOW * length, max(2, reach_px // CELLS), []
    for _ in range(most):
        value, a, b, at = _best(ranks, cell, MOST_TURN * length, bow)
        if value < LEAST_RANK * highest:
            break
        ends = np.array([start + (a - reach_px) * outward, stop + (b - reach_px) * outward])
        off, seen = _peaks(step, ranks, at)
        lines.append(SteepLine(rank=value / highest, ends_px=ends, seen=seen,
                               points_px=on + (off - reach_px)[:, None] * outward))
        ranks[np.abs(np.arange(ranks.shape[1]) - at[:, None]) <= SAME_PX] = 0.0
    return lines


def _steps(picture, on, outward, reach) -> NDArray[np.float32]:
    """Steepness across the line, shape (places, 2 reach + 1); -1 outside the picture.

    Wood's pattern is one of lightness, so that a bench of the wood's lightness still differs in colour: each of L*, a*
    and b* counts over its own usual steepness.
    """
    across, mean, inside = np.arange(-reach - 1, reach + 2), 0.0, True
    for beside in BESIDE:
        at = (on[:, None] + beside * (on[1] - on[0]) + across[:, None] * outward).astype(np.float32)
        mean = mean + cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR,
                                borderMode=cv2.BORDER_REPLICATE) / np.float32(255 * len(BESIDE))
        inside &= ((at > 0) & (at < np.array(picture.shape[1::-1]) - 1)).all(axis=2)
    smooth = cv2.GaussianBlur(cv2.cvtColor(mean, cv2.COLOR_RGB2Lab), (0, 0), sigmaX=STEP_SD_PX, sigmaY=1e-3)
    step = np.abs(smooth[:, 2:] - smooth[:, :-2])
    step /= np.median(step, axis=(0, 1)) + LEAST_STEEPNESS
    return np.where(inside[:, 2:] & inside[:, :-2], np.linalg.norm(step, axis=2), -1.0)


def _ranks(step) -> NDArray[np.float32]:
    """-log of the share of a place's steps that are as steep; 0 outside the picture, and at its border."""
    outside = np.sum(step < 0, axis=1, keepdims=True)        # these come first in the order
    count = step.shape[1] - outside
    order = step.argsort(axis=1).argsort(axis=1) - outside
    ranks = -np.log(1 - np.maximum(order, 0) / np.maximum(count, 1)).astype(np.float32)
    return np.where(count >= FEWEST_STEPS, ranks, np.float32(0.0))


def _best(ranks, cell, turn, most_bow):
    """Mean rank, offsets at both ends, and at every place, of the line with the highest ranks."""
    m = ranks.shape[1]
    bows = np.arange(-(most_bow // (2 * cell + 1)), most_bow // (2 * cell + 1) + 1) * (2 * cell + 1)
    ends = np.arange(0, m, cell)
    a, b, bow = (one.ravel() for one in np.meshgrid(ends, ends, bows, indexing="ij"))
    near = np.abs(a - b) <= turn
    _, a, b, bow = _highest(ranks, cell, a[near], b[near], bow[near])
    near = np.arange(-cell - 1, cell + 2)
    a, b, bow = (one.ravel() for one in np.meshgrid(a + near, b + near, bow + near[::2], indexing="ij"))
    value, a, b, bow = _highest(ranks, 1, a, b, bow)
    return value, a, b, _places(len(ranks), a, b, bow)[:, 0]


def _highest(ranks, half, a, b, bow):
    """The highest mean rank of lines by their offsets at the ends and bow, ranks within `half` a pixel counting."""
    wide = cv2.dilate(ranks, np.ones((1, 2 * half + 1), np.uint8))
    wide = np.pad(wide, ((0, 0), (1, 1)))                    # 0 beyond the reach
    at = np.clip(_places(len(ranks), a, b, bow) + 1, 0, wide.shape[1] - 1)
    mean = np.take_along_axis(wide, at, axis=1).mean(axis=0)
    best = int(mean.argmax())
    return float(mean[best]), a[best], b[best], bow[best]


def _places(count, a, b, bow) -> NDArray[np.int64]:
    """Offsets of lines at every place, shape (places, lines); `a` and `b` hold where the whole line ends."""
    share = np.linspace(ENDS, 1 - ENDS, count)[:, None]
    return np.rint((1 - share) * a + share * b + 4 * share * (1 - share) * bow).astype(int)


def _peaks(step, ranks, at):
    """Offsets of the steepest step within a pixel or two of a line's, to parts of a pixel, and whether it is seen."""
    n, m = step.shape
    rows, near = np.arange(n), np.clip(at[:, None] + np.arange(-2, 3), 1, m - 2)
    peak = near[rows, step[rows[:, None], near].argmax(axis=1)]
    low, top, high = (step[rows, peak + k] for k in (-1, 0, 1))
    bend = 2 * top - low - high
    part = np.where((bend > 0) & (top >= low) & (top >= high), (high - low) / np.maximum(2 * bend, 1e-12), 0.0)
    seen = (ranks[rows, peak] > -np.log(SEEN_SHARE)) & (top >= low) & (top >= high) & (low >= 0) & (high >= 0)
    return peak + part, seen
