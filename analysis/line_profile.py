"""Profile across an engraved line: where its outer edge truly lies.

Half amplitude marks an edge only where the line is wide against the blur and
the ground outside is even. A line of two pixels, or a rim of soot, shifts it;
a model of the blurred line takes that shift out.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

__all__ = ["LineProfile", "Shake", "edge_sd_mm", "line_model", "measure_line"]

BLUR_PX = 0.9              # expected Gaussian blur, 1 s.d.: lens, demosaicing and our own sampling; no source
BLUR_SD = 0.35             # of the logarithm of a blur, about what is expected; no source
SHAPE_TELLS = 3.5          # width over blur at which a profile's shape tells the two apart as well as what is expected
LIMITS = ([-1.5, np.log(0.1), -2.0, 0, 0, 0, -np.inf, -np.inf],
          [1.5, np.log(4.0), 2.0, np.inf, np.inf, np.inf, np.inf, np.inf])
RIDGE = 1e-10              # of the largest element of the normal equations
SOFT, MOST_STEPS = 0.03, 40     # of the outer step: residuals beyond count by their size, not its square
LEAST_STRIP = 0.3          # rise of a strip of bare ground inside the line, over the outer step
MOST_SHIFT_MM = 0.25       # a larger correction is not believed, but for a shake, whose reach comes on top
ENGRAVED_SD = 0.03         # of the logarithm of a width that sharper sides tell; common practice, no source
SHAKE_SHIFTS = (np.arange(12) - 5.5) / 6.0     # of the picture along a shake, over half its length


@dataclass(frozen=True, slots=True, kw_only=True)
class LineProfile:
    """A line as the mean profile across it shows it; u grows outward."""

    edge_mm: float             # place of the outer edge
    width_mm: float
    blur_mm: float             # s.d., of camera and shake together
    outside: float             # levels at the edge, in the profile's unit
    line: float
    inside: float
    misfit: float              # rms of the fit over the outer step
    shake_mm: float = 0.0      # half the length over which a shaken camera spread it; 0: not asked for


def line_model(u, edge, width, blur, outside, line, inside, slope, inner_slope=0.0) -> NDArray[np.float64]:
    """Blurred line between two grounds, which change by a slope per mm away from it."""
    outer, inner = ndtr((u - edge) / blur), ndtr((u - edge + width) / blur)
    bent = (u - edge) * outer + blur * _normal((u - edge) / blur)
    away = -(u - edge + width) * (1 - inner) + blur * _normal((u - edge + width) / blur)
    return inside * (1 - inner) + line * (inner - outer) + outside * outer + slope * bent + inner_slope * away


@dataclass(frozen=True, slots=True, kw_only=True)
class Shake:
    """What sharper sides tell about a side that a shaken camera blurred."""

    width_mm: float            # of the engraved line
    camera_mm: float           # s.d. of the blur without the shake
    half_mm: float             # half the length of the shake, about


def measure_line(u: NDArray[np.float64], profile: NDArray[np.float64], width_mm: float, px_per_mm: float,
                 shake: Shake | None = None) -> LineProfile | None:
    """Fit the blurred line to a mean profile.

    Parameters
    ----------
    u : ndarray, shape (m,)
        mm across, outward; the edge lies near 0.
    profile : ndarray, shape (m,)
        Linear light; finite.
    width_mm : float
        About.
    px_per_mm : float
        Sets the blur that is expected.
    shake : Shake, optional
        The blur is the camera's spread evenly over a length that is fitted, as by
        a hand that moves steadily; the width is held.

    Returns
    -------
    LineProfile or None
        None where no fit is to be believed.

    Notes
    -----
    Width and darkness of a line narrower than its blur cannot be told apart;
    the expected blur, given with a weight of its own, holds them. A shake longer
    than the line is wide looks like a wide faint line: only another side tells.
    """
    expected = shake.half_mm if shake else BLUR_PX / px_per_mm
    outside = float(np.median(profile[u > 0.6 * u.max()]))
    core = np.abs(u + width_mm / 2) <= max(0.25 * width_mm, u[1] - u[0])
    line = float(profile[core].mean())
    step = outside - line
    if not np.isfinite(step) or abs(step) < 1e-6:
        return None
    u, profile = _alone(u, profile, width_mm, line, step)
    inside = float(np.median(profile[u < 0.7 * u.min()]))
    start = np.array([0.0, np.log(_seen_width(u, profile, width_mm, line, inside, step)), 0.0, outside,
                      max(line, 1e-3), max(inside, 1e-3), 0.0, 0.0])
    held, least = np.zeros((3, 8)), np.zeros(3)
    held[0, 2] = 0.02 * np.sqrt(len(u)) / BLUR_SD
    held[1, 6] = held[2, 7] = 0.01 * np.sqrt(len(u)) / step
    if shake:
        held[0] = 0.0
        held[0, 1] = 0.02 * np.sqrt(len(u)) / ENGRAVED_SD
        least[0] = -held[0, 1] * np.log(shake.width_mm)
        # Its middle is where the fit without a shake has it, and a narrower line is darker
        start[[0, 1]] = (np.exp(start[1]) * -0.5 + 0.5 * shake.width_mm, np.log(shake.width_mm))

    def residuals(x):
        return np.concatenate([(_model(u, x, expected, shake) - profile) / step, held @ x + least])

    def slopes(x):
        return np.concatenate([_model_slopes(u, x, expected, shake) / step, held])
    found = _least_squares(residuals, slopes, start)
    edge, width, blur, a, b, c, _, _ = found
    width, blur = float(np.exp(width)), float(expected * np.exp(blur))
    if abs(edge) > MOST_SHIFT_MM + (blur if shake else 0.0) or not 0.1 < width < 4.0 or (a - b) * step <= 0:
        return None
    rms = float(np.sqrt(np.mean(residuals(found)[:-3] ** 2)))
    return LineProfile(edge_mm=float(edge), width_mm=width, outside=float(a), line=float(b), inside=float(c),
                       misfit=rms, blur_mm=float(np.hypot(shake.camera_mm, blur / np.sqrt(3))) if shake else blur,
                       shake_mm=blur if shake else 0.0)


def edge_sd_mm(line: LineProfile) -> float:
    """1 s.d. of a line's outer edge for what its profile does not tell: how wide it is, and how blurred.

    Of a line narrower than its blur a profile shows the middle and the second moment, width^2 / 12 + blur^2, so an
    error of the blur changes the width by 12 blur^2 / width times as much, half of it at either edge. The next
    moment of a box that shows is the fourth, so what the shape tells grows with the fourth power of width over blur.
    """
    if line.shake_mm:                      # sharper sides told the width
        return 0.5 * ENGRAVED_SD * line.width_mm
    told = np.hypot(1.0, (line.width_mm / line.blur_mm / SHAPE_TELLS) ** 4)
    return float(6.0 * line.blur_mm ** 2 / line.width_mm * BLUR_SD / told)


def _seen_width(u, profile, width_mm, line, inside, step) -> float:
    """Where, inward from its core, the line's inner ground is half reached; as given where no inner ground shows."""
    near = (u < 0) & (u > -width_mm - 0.3)
    deepest = u[near][np.argmin(profile[near] * np.sign(step))]
    past = u[(u < deepest) & ((profile - (line + inside) / 2) * np.sign(step) > 0)]
    if (inside - line) * step > 0.05 * step ** 2 and len(past):
        return float(np.clip(-past.max(), 0.2, 2.0))
    return width_mm


def _model(u, x, expected, shake):
    """Model of a blurred line, shape (m,); a shaken one is the mean of lines side by side."""
    edge, width, blur, *levels = x
    width, blur = np.exp(width), expected * np.exp(blur)
    if not shake:
        return line_model(u, edge, width, blur, *levels)
    return np.mean([line_model(u, edge + one * blur, width, shake.camera_mm, *levels) for one in SHAKE_SHIFTS], axis=0)


def _model_slopes(u, x, expected, shake):
    """Its slopes by each of the eight unknowns, shape (m, 8)."""
    edge, width, blur, *levels = x
    width, blur = np.exp(width), expected * np.exp(blur)
    if not shake:
        return _slopes(u, edge, width, blur, *levels)
    each = np.stack([_slopes(u, edge + one * blur, width, shake.camera_mm, *levels) for one in SHAKE_SHIFTS])
    slopes = each.mean(axis=0)
    slopes[:, 2] = (SHAKE_SHIFTS[:, None] * blur * each[..., 0]).mean(axis=0)
    return slopes


def _slopes(u, edge, width, blur, a, b, c, slope, inner_slope) -> NDArray[np.float64]:
    """Slopes of `line_model` by edge, log width, log blur, the three levels and their two slopes."""
    zo, zi = (u - edge) / blur, (u - edge + width) / blur
    o, i, po, pi = ndtr(zo), ndtr(zi), _normal(zo), _normal(zi)
    to_blur = -((b - c) * pi * zi + (a - b) * po * zo) + blur * (slope * po + inner_slope * pi)
    to_edge = -((b - c) * pi + (a - b) * po) / blur - slope * o + inner_slope * (1 - i)
    to_width = ((b - c) * pi / blur - inner_slope * (1 - i)) * width
    return np.stack([to_edge, to_width, to_blur, o, i - o, 1 - i, blur * (zo * o + po),
                     blur * (pi - zi * (1 - i))], axis=1)


def _alone(u, profile, width_mm, line, step):
    """Profile as far inward as it shows one line: past a strip of bare ground the engraved ground may begin."""
    core = int(np.argmin(np.abs(u + width_mm / 2)))
    rise = ((profile[core::-1] - line) / step)                 # inward from the core: 0 on the line
    top = np.maximum.accumulate(rise)
    back = np.flatnonzero((top > LEAST_STRIP) & (rise < 0.5 * top))
    if not len(back):
        return u, profile
    last = np.flatnonzero(rise[:back[0]] > 0.85 * top[back[0]])[-1]
    return u[core - last:], profile[core - last:]


def _least_squares(residuals, slopes, x) -> NDArray[np.float64]:
    """Robust fit within `LIMITS`: Levenberg (1944), Marquardt (1963), weights of the "soft L1" loss."""
    damping, r = 1e-2, residuals(x)
    for _ in range(MOST_STEPS):
        weight = 1.0 / np.sqrt(1.0 + (r / SOFT) ** 2)
        j = slopes(x)
        normal, pull = (j * weight[:, None]).T @ j, j.T @ (weight * r)
        for _ in range(8):
            ridge = damping * np.diag(normal) + RIDGE * normal.max()       # a line out of sight has no slopes
            step = np.linalg.solve(normal + np.diag(ridge), -pull)
            tried = np.clip(x + step, *LIMITS)
            there = residuals(tried)
            if _soft(there) < _soft(r):
                break
            damping *= 6.0
        else:
            return x
        done = _soft(r) - _soft(there) < 1e-5 * _soft(r)
        x, r, damping = tried, there, damping / 4.0
        if done:
            break
    return x


def _soft(r) -> float:
    """Sum of the soft L1 loss."""
    return float(np.sum(np.sqrt(1.0 + (r / SOFT) ** 2) - 1.0))


def _normal(z) -> NDArray[np.float64]:
    """Density of the standard normal law."""
    return np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
