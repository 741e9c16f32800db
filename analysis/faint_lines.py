"""Lines that no edge piece shows: light averaged along straight strips of every direction.

A thin line in strong grain, or of few pixels a mm, is lost in single pixels
but stands out of the mean of a strip along it.
"""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from analysis.quads import EdgeLines, merged

__all__ = ["faint_lines"]

STEP_DEG = 1.5             # between directions: a strip's end leaves the line by half its blur
STRIP = 0.14               # length of a strip over the picture's longer side
LEAST_STRIP_PX = 20        # in a smaller picture nothing is integrated
BESIDE_PX = 3              # from the line's middle to the ground that it is compared with
LOCAL = 0.03               # reach of the neighbourhood that light is compared with, over the longer side
MOST_SD = 2.0              # of that neighbourhood: letters and tools count no more than this
MOST_FALSE = 1.0           # strips a picture expected by chance alone, as an a-contrario search has it
MOST_STRIPS = 1500
SAME_PX, SAME_COSINE, ALIGNED_PX = 3.0, 0.99, 2.2      # a weaker strip that crosses a stronger one at a small angle


def faint_lines(picture: NDArray[np.float32]) -> EdgeLines:
    """Dark lines of a picture, each once in either direction.

    Parameters
    ----------
    picture : ndarray, shape (h, w), float32
        Linear light, reduced until a line is one to three pixels wide.

    Returns
    -------
    EdgeLines
        Best first; `support_px` is the length that strips cover.

    Notes
    -----
    A line is taken where the mean along a strip is darker than both means beside
    it by so many robust s.d. of all strips of that direction, which grain along
    it makes larger, that `MOST_FALSE` are expected by chance: integration as in
    Ofir et al., "On detection of faint edges in noisy images", IEEE TPAMI
    42(4), 894-908 (2020), and the threshold of Desolneux, Moisan and Morel,
    "Meaningful alignments", IJCV 40(1), 7-23 (2000).
    """
    strip, found, looked_at = int(STRIP * max(picture.shape)) | 1, [np.zeros((0, 5))], 0
    even = _even(picture)
    for angle in np.arange(0.0, 180.0, STEP_DEG) if strip > LEAST_STRIP_PX else ():
        bar, to_picture = _bars(even, angle, strip)
        looked_at += bar.size
        y, x = np.nonzero((bar > 4.0) & (bar >= cv2.dilate(bar, np.ones((5, 1), np.uint8))))
        middle = np.stack([x * (strip // 4), y + BESIDE_PX], axis=1) @ to_picture[:, :2].T + to_picture[:, 2]
        along = to_picture[:, 0] * strip / 2
        found.append(np.column_stack([middle - along, middle + along, bar[y, x]]))
    return _lines(np.concatenate(found), -ndtri(MOST_FALSE / max(looked_at, 2)))


def _even(picture) -> NDArray[np.uint8]:
    """Log light over its neighbourhood's, in s.d. of that neighbourhood, -2 to 2 as 1 to 255; 0 is no picture."""
    log = np.log(np.maximum(picture, 1e-3 * float(np.percentile(picture, 99.5)) + 1e-6))
    size = (int(LOCAL * max(picture.shape)) | 1,) * 2
    rest = log - cv2.blur(log, size)
    square = np.maximum(cv2.blur(rest * rest, size), 0.0)    # running sums leave less than 0 beside bright marks
    rest /= np.sqrt(square) + np.float32(0.02)
    return (np.clip(rest / MOST_SD, -1.0, 1.0) * 127 + 128).astype(np.uint8)


def _bars(even, angle, strip):
    """How far dark strips of one direction stand out, in s.d., and the map from turned pixels to the picture's."""
    h, w = even.shape
    c, s = np.abs([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    size = int(w * c + h * s) + 2, int(w * s + h * c) + 2 + 2 * BESIDE_PX
    turn = cv2.getRotationMatrix2D(((w - 1) / 2, (h - 1) / 2), angle, 1.0)
    turn[:, 2] += (np.array(size) - (w, h)) / 2
    turned = cv2.warpAffine(even, turn, size, flags=cv2.INTER_LINEAR, borderValue=0)
    mean = cv2.boxFilter(turned, cv2.CV_32F, (strip, 1))[:, ::strip // 4]
    inside = cv2.boxFilter((turned > 0).astype(np.uint8), cv2.CV_32F, (strip, 1))[:, ::strip // 4] > 0.5
    inside = inside[2 * BESIDE_PX:] & inside[:-2 * BESIDE_PX]
    mean = cv2.sepFilter2D(mean, -1, np.ones(1), np.array([0.25, 0.5, 0.25]))
    core, above, below = mean[BESIDE_PX:-BESIDE_PX], mean[:-2 * BESIDE_PX], mean[2 * BESIDE_PX:]
    bar = np.minimum(above, below) - core
    known = bar[inside] if inside.any() else np.zeros(1)
    middle = np.median(known)
    sd = max(1.4826 * np.median(np.abs(known - middle)), 0.5)            # half a step of the evened light at least
    return np.where(inside, (bar - middle) / sd, -9.0).astype(np.float32), cv2.invertAffineTransform(turn)


def _lines(strips, least) -> EdgeLines:
    """Strips (n, 5), ends and strength, as lines in both directions."""
    strips = strips[strips[:, 4] > least]
    strips = strips[np.argsort(-strips[:, 4])][:MOST_STRIPS]
    a, b = strips[:, :2], strips[:, 2:4]
    length = np.linalg.norm(b - a, axis=1)
    along, middle = (b - a) / np.maximum(length, 1e-9)[:, None], (a + b) / 2
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    kept = np.ones(len(strips), bool)
    for k in range(len(strips)):
        if kept[k]:
            off = np.stack([(one - middle[k]) @ across[k] for one in (a, middle, b)])
            crossing = (np.abs(off[1]) < SAME_PX) & (np.abs(off).max(axis=0) > ALIGNED_PX)
            crossing &= (np.abs(along @ along[k]) > SAME_COSINE) & (np.abs((middle - middle[k]) @ along[k]) < length)
            kept &= ~(crossing & (np.arange(len(strips)) > k))
    segments = np.concatenate([strips[kept], strips[kept][:, [2, 3, 0, 1, 4]]])
    return merged(segments[:, :4], segments[:, 4])
