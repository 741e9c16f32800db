"""Engraved rows too fine for the photo's pixels, which sampling folds to a coarse stripe."""
from __future__ import annotations

import numpy as np

from analysis.photo_waves import HELD_SHARE, SeenLine
from analysis.rectify import Piece
from analysis.stripes import Stripe

__all__ = ["folded_rows"]

ADDED_CYCLES = [(a, b) for a in (0.0, 0.5, 1.0) for b in (-1.0, -0.5, 0.0, 0.5, 1.0) if (a, b) > (0.0, 0.0)]
FOLD_TOLERANCE = 4e-4      # cycles per pixel; a stripe meets one of the few folds by chance about once in a hundred
FOLDED_MOST_PERCENT = 3.0  # of contrast: a lens passes little of what the pixels cannot resolve
ROWS_MM = (0.04, 0.4)      # interval of engraved rows; common practice, no source


def folded_rows(stripe: Stripe, piece: Piece, seen: SeenLine) -> float | None:
    """Interval of engraved rows, mm, that the photo's sampling would fold to this stripe; None where none would.

    Rows run along the scan: their wave has no part along x. Sampling adds whole cycles per pixel along the photo's
    rows and columns, and half ones where a colour is sampled at every other pixel. So a folded wave's part along x
    is that of the added cycles alone, whatever the interval; perspective bends them, and the line must hold what the
    bent wave holds.
    """
    if not piece.scale_known or stripe.contrast_percent > FOLDED_MOST_PERCENT:
        return None
    reach = FOLD_TOLERANCE * piece.photo_px_per_mm
    width, height = np.maximum(np.ptp(seen.at_mm, axis=(0, 1)), 1.0)
    for added in ADDED_CYCLES:
        turns = seen.at_px @ added
        slopes = [seen.slope(turns, k) for k in (0, 1)]
        gx, gy = (float(g.mean()) for g in slopes)
        bent = turns - seen.at_mm @ (gx, gy)
        for sign in (1.0, -1.0):
            part = seen.wave[0] + sign * slopes[0]                 # along x, of the rows themselves: none
            rows = abs(seen.wave[1] + sign * gy)
            if part.min() > reach or part.max() < -reach or not 1.0 / ROWS_MM[1] < rows < 1.0 / ROWS_MM[0]:
                continue
            off = -(seen.wave[0] + sign * gx)
            tried = [(dx, dy) for dx in np.arange(off - reach, off + reach + 1e-9, 0.25 / width)
                     for dy in np.arange(-1.5, 1.6, 0.25) / height]
            shares = [seen.share(seen.at_mm @ (seen.wave + d) - sign * bent) for d in tried]
            best = int(np.argmax(shares))
            if shares[best] > HELD_SHARE:
                return float(1.0 / abs(seen.wave[1] + sign * gy + tried[best][1]))
    return None
