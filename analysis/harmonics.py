"""Which of the called lines belong together: a stripe, its harmonics, and what its unevenness leaves beside it."""
from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.candidate import Candidate
from analysis.line import Line, measure_line
from analysis.places import demodulate_each
from analysis.plane import Bands, Plane

__all__ = ["fold", "with_harmonics", "without_side_lines"]

SURE = 0.95                # a doubtful line of strong rings must not stand before a sure stripe
HIGHEST_ORDER = 6
HARMONIC_SD = 4.5          # of a harmonic's amplitude over its s.d.: about 1 in 10,000 by chance
SIDE_CELLS, SIDE_SHARE = 3.0, 0.2   # resolution cells from a stripe and share of its contrast: its own unevenness


def without_side_lines(called: list[Candidate], plane: Plane) -> list[Candidate]:
    """Called lines less what a strong neighbour's uneven contrast leaves beside it."""
    return [c for c in called if not any(
        c.line.amplitude < SIDE_SHARE * other.line.amplitude
        and abs(c.line.fx_per_mm - other.line.fx_per_mm) < SIDE_CELLS * plane.cell_x_per_mm for other in called)]


def fold(called: list[Candidate]) -> list[Candidate]:
    """Fold harmonics into their fundamental; sure fundamentals before doubtful ones, each strongest first."""
    left = sorted(called, key=lambda c: c.line.fx_per_mm)
    folded: list[Candidate] = []
    while left:
        base, *others = left
        orders, left = [], []
        for other in others:
            order = round(other.line.fx_per_mm / base.line.fx_per_mm)
            miss = other.line.fx_per_mm - order * base.line.fx_per_mm
            sd = np.hypot(other.line.fx_sd_per_mm, order * base.line.fx_sd_per_mm)
            close = abs(miss) < 3.0 * sd + 0.15 / (base.line.periods / base.line.fx_per_mm)
            # A weak line under a strong one is no fundamental: then the two are named apart.
            strong = base.stripe.contrast_percent > 0.2 * other.stripe.contrast_percent
            if 2 <= order <= HIGHEST_ORDER and close and strong:
                orders.append((order, other.stripe.contrast_percent))
            else:
                left.append(other)
        folded.append(replace(base, stripe=replace(base.stripe, harmonics=tuple(orders))))
    return sorted(folded, key=lambda c: (c.probability < SURE, -c.stripe.contrast_percent))


def with_harmonics(base: Candidate, rest: Bands, plane: Plane, lines: list[Line]) -> Candidate:
    """Read each low harmonic at its own place, where no line was called: one place, so no search to pay for."""
    found = dict(base.stripe.harmonics)
    fx, fy = base.line.fx_per_mm, base.line.fy_per_mm
    orders = [n for n in range(2, HIGHEST_ORDER + 1)
              if n not in found and n * fx <= plane.fx_per_mm[-1] and base.line.drift_percent_per_100mm is None
              and all(abs(line.fx_per_mm - n * fx) >= 2.0 * plane.cell_x_per_mm for line in lines)]
    for order, places in zip(orders, demodulate_each(rest, [(n * fx, n * fy) for n in orders]), strict=True):
        line = measure_line(places, plane)
        if line.amplitude > HARMONIC_SD * line.amplitude_sd:
            found[order] = 200.0 * line.amplitude
    return replace(base, stripe=replace(base.stripe, harmonics=tuple(sorted(found.items()))))
