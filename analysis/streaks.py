"""Long streaks of the wood's grain, taken out of a picture before artwork is looked for in it.

Fibres, vessels and rings run on along one direction far beyond a stroke's
length, and artwork does not. The mean along that direction, artwork and edges
left out of it, is grain; what is left of a strongly grained board shows its
artwork as plainly as a plain board does.
"""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.ranks import median, ranked

__all__ = ["between_streaks", "without_streaks"]

LENGTH = 4.0               # of the mean along the grain, over the widest stroke
SLOW_WIDTHS = 1.5          # blur of what changes slowly, over the widest stroke
FINE_WIDTHS = 0.08         # blur of the picture whose slopes tell the grain's direction
GRAIN_SIGMAS = 2.5         # so far from the ground is no grain
LEAST_SPREAD = 0.05        # log light, s.d. of the streaks: fainter ones hide no artwork
LEAST_COHERENCE = 0.2      # of the slopes: less is no one direction
LEAST_SHARE = 0.1          # of the line that is grain
LINE_CELLS = 11            # places along the line that its median is taken from
SUBPIXEL = 4               # bits of the line's ends


def without_streaks(picture: NDArray[np.float32], widest_px: float,
                    inside: NDArray[np.bool_] | None = None) -> NDArray[np.float32]:
    """Divide a picture by the mean of its grain along the grain.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns), float32
        Linear light.
    widest_px : float
        Widest stroke of artwork, samples.
    inside : ndarray of bool, same shape, or None
        The piece; what lies elsewhere does not count.

    Returns
    -------
    ndarray, same shape
        The same array where no streaks run in one direction, or faint ones only.

    Notes
    -----
    Direction by the structure tensor (Bigun and Granlund, ICCV 1987) over the
    whole picture: rings that curve within it are only softened.
    """
    dark = np.float32(3e-3 * float(np.percentile(picture[::7, ::7], 99)) + 1e-9)
    log = np.log(np.maximum(picture, dark))
    log -= cv2.GaussianBlur(log, (0, 0), SLOW_WIDTHS * widest_px)
    sample = log[::3, ::3] if inside is None else log[::3, ::3][inside[::3, ::3]]
    if sample.size < 64:
        return picture
    most = GRAIN_SIGMAS * 1.4826 * float(np.median(np.abs(sample)))
    if most < GRAIN_SIGMAS * LEAST_SPREAD:
        return picture
    use = np.abs(log) < most
    use = (use if inside is None else use & inside).astype(np.float32)
    grain = np.clip(log, -most, most)
    angle, coherence = _direction(cv2.GaussianBlur(grain, (0, 0), FINE_WIDTHS * widest_px), use > 0)
    if coherence < LEAST_COHERENCE:
        return picture
    line = _line(angle, LENGTH * widest_px / 2)
    mean = cv2.filter2D(use * grain, -1, line, borderType=cv2.BORDER_CONSTANT)
    mean /= np.maximum(cv2.filter2D(use, -1, line, borderType=cv2.BORDER_CONSTANT), np.float32(LEAST_SHARE))
    return picture * np.exp(-mean) if float(mean[use > 0].std()) > LEAST_SPREAD else picture


def between_streaks(log: NDArray[np.float32], usable: NDArray[np.bool_], widest_px: float) -> NDArray[np.float32]:
    """What is left of log light between slow changes, stripes down the picture and streaks along the grain.

    Parameters
    ----------
    log : ndarray, shape (rows, columns), float32
        Log light, trend taken out, columns along the scan axis.
    usable : ndarray of bool, same shape
        Where it is texture.
    widest_px : float
        Widest stroke of artwork, samples.

    Returns
    -------
    ndarray, same shape
        0 where not usable. A stripe of the machine goes as the grain does: it must not be taken for artwork.

    Notes
    -----
    The median along a line leaves alone what covers less than half of it, and takes out whole what runs on,
    however deep and narrow.
    """
    inside = usable.astype(np.float32)
    slow = [_wide_blur(a, SLOW_WIDTHS * widest_px) for a in (log * inside, inside)]
    rest = (log - slow[0] / np.maximum(slow[1], np.float32(LEAST_SHARE))) * inside
    rest -= _median_along(rest, usable, np.pi / 2, widest_px) * inside
    most = GRAIN_SIGMAS * 1.4826 * float(median(np.abs(rest[usable])))
    grain = cv2.GaussianBlur(np.clip(rest, -most, most), (0, 0), FINE_WIDTHS * widest_px)
    angle, coherence = _direction(grain, usable & (np.abs(rest) < most))
    if coherence > LEAST_COHERENCE:
        rest -= _median_along(rest, usable, angle, widest_px) * inside
    return rest


def _wide_blur(picture, sigma) -> NDArray[np.float32]:
    """Gaussian blur by way of a smaller picture: forty times as fast, and off by a hundredth of grain's own spread."""
    factor = max(1.0, sigma / 4.0)
    size = tuple(max(1, round(n / factor)) for n in picture.shape[::-1])
    small = cv2.GaussianBlur(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), (0, 0), sigma / factor)
    return cv2.resize(small, picture.shape[::-1], interpolation=cv2.INTER_LINEAR)


def _median_along(log, usable, angle, widest_px) -> NDArray[np.float32]:
    """Median of what is usable over a line of `LENGTH` strokes along one direction, 0 where nothing is.

    The picture is turned so that the line lies along its rows, and these are thinned: streaks change slowly along them.
    """
    thin = max(1, int(widest_px * LENGTH / LINE_CELLS))
    rows, columns = log.shape
    c, s = np.cos(angle), np.sin(angle)
    wide, high = (int(np.ceil(abs(columns * p) + abs(rows * q))) + 2 for p, q in ((c, s), (s, c)))
    turn = np.array([[c, s, 0.0], [-s, c, 0.0]])
    turn[:, 2] = np.array([wide, high]) / 2 - turn[:, :2] @ (np.array([columns, rows]) / 2)
    cells = (max(1, wide // thin), high)
    light, share = (cv2.resize(cv2.warpAffine(a, turn, (cells[0] * thin, high)), cells, interpolation=cv2.INTER_AREA)
                    for a in (log * usable, usable.astype(np.float32)))
    there = share > 0.5
    means = np.where(there, light / np.maximum(share, 0.5), np.float32(np.inf))                # no data last
    means, there = (np.pad(a, ((0, 0), (LINE_CELLS // 2,) * 2), constant_values=none)
                    for a, none in ((means, np.inf), (there.view(np.uint8), 0)))
    lines, known = ([a[:, k: k + cells[0]] for k in range(LINE_CELLS)] for a in (means, there))
    lines, count = np.stack(ranked(lines)), np.maximum(sum(known), 1)[None].astype(np.intp)
    middle = 0.5 * sum(np.take_along_axis(lines, k // 2, axis=0)[0] for k in (count - 1, count))
    middle = np.where(np.isfinite(middle), middle, np.float32(0)).astype(np.float32)
    full = cv2.resize(middle, (cells[0] * thin, high), interpolation=cv2.INTER_LINEAR)
    return cv2.warpAffine(full, turn, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)


def _direction(picture, use) -> tuple[float, float]:
    """Direction along which a picture changes least, radians from x towards y, and how clear it is, 0 to 1."""
    gx, gy = (cv2.Sobel(picture, cv2.CV_32F, *order)[use] for order in ((1, 0), (0, 1)))
    xx, yy, xy = float(gx @ gx), float(gy @ gy), float(gx @ gy)
    angle = 0.5 * np.arctan2(2 * xy, xx - yy) + np.pi / 2
    return float(angle), float(np.hypot(xx - yy, 2 * xy) / max(xx + yy, 1e-12))


def _line(angle, reach) -> NDArray[np.float32]:
    """Kernel that takes the mean along a line of so many samples to both sides."""
    half = int(np.ceil(reach)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    along = reach * np.array([np.cos(angle), np.sin(angle)])
    ends = (tuple(int(v) for v in np.round((half + s * along) * 2 ** SUBPIXEL)) for s in (-1, 1))
    cv2.line(kernel, *ends, 1.0, 1, cv2.LINE_8, SUBPIXEL)
    kernel = cv2.GaussianBlur(kernel, (0, 0), 0.5)
    return kernel / kernel.sum()
