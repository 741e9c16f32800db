"""Where a line ends short of the piece's edges: without a frame nothing else tells an engraved ground from its board.

A stripe is as strong to the edge of the engraving and gone beyond it. Judged with the bare margin it seems to come
and go, as rings do.
"""
from __future__ import annotations

import numpy as np

from analysis.line import Line
from analysis.places import demodulate
from analysis.stripes import StripeField

__all__ = ["striped_part"]

PLAIN = 1e-6               # false-alarm probability of a line that may say where the engraving ends
GONE = 0.35                # of its usual amplitude over the piece: at the margins no line is there
LEAST_LEFT = 0.5           # of the length, or height: what is there on less is no stripe of the whole engraving


def striped_part(field: StripeField) -> tuple[float, float, float, float] | None:
    """Part (x, y, w, h) of the texture, mm, that the plainest line covers.

    None where no line is plain enough, or where it runs to every edge.
    """
    plain = [c for c in field.candidates if c.stripe.false_alarm_probability < PLAIN]
    if not plain:
        return None
    line = max(plain, key=lambda c: c.line.amplitude).line
    places = demodulate(field.bands, line.fx_per_mm, line.fy_per_mm)
    if places.sums.shape != line.cells.shape:
        return None
    columns, rows = (_present(_power(line, axis)) for axis in (0, 1))
    if columns is None or rows is None or columns.size + rows.size == sum(line.cells.shape):
        return None
    x, y = (edges[[kept[0], kept[-1] + 1]] for edges, kept in (
        (places.edges_x_mm, columns), (places.edges_y_mm, rows)))
    return float(x[0]), float(y[0]), float(np.ptp(x)), float(np.ptp(y))


def _power(line: Line, axis):
    """Mean square amplitude along the scan (`axis` 0) or across it, noise taken off; NaN where nothing is seen."""
    seen = np.isfinite(line.cells_sd)
    weight = np.where(seen, 1.0 / np.where(seen, line.cells_sd, 1.0) ** 2, 0.0)
    total = weight.sum(axis=axis)
    power = (weight * np.abs(line.cells) ** 2 - 2.0 * seen).sum(axis=axis)
    return np.divide(power, total, out=np.full(total.shape, np.nan), where=total > 0)


def _present(power):
    """From the first to the last place where the line is, or None where that is too little."""
    amplitude = np.sqrt(np.maximum(power, 0.0))
    there = np.flatnonzero(amplitude > GONE * np.nanmedian(amplitude))
    if there.size == 0 or np.ptp(there) + 1 < LEAST_LEFT * power.size:
        return None
    return np.arange(there[0], there[-1] + 1)
