"""Lines that two stripes make together: where one stripe's contrast follows the other, their waves multiply."""
from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np

from analysis.stripes import Candidate, StripeField, called_candidates

__all__ = ["with_mixed_named"]

NEAR_SD, NEAR_CELLS = 3.0, 0.15            # how near the sum of two frequencies must lie; as harmonics are folded


def with_mixed_named(field: StripeField, unit: str) -> StripeField:
    """Note on each called stripe whose wave is the sum or the difference of two stronger ones that it may be theirs.

    cos(a) cos(b) = (cos(a - b) + cos(a + b)) / 2. A ply or a depth that shows one stripe more than the other
    multiplies them, and so does a drive whose one part carries the other.
    """
    called = called_candidates(field)
    noted = list(called)
    for k, this in enumerate(called):
        stronger = [c for c in called if c.stripe.contrast_percent > this.stripe.contrast_percent]
        for first, second in combinations(stronger, 2):
            kind = _kind(this, first, second, field)
            if kind is not None:
                words = (f"Its wave is the {kind} of those every {first.stripe.period_mm:.3f} and "
                         f"{second.stripe.period_mm:.3f} {unit}: where one stripe's contrast follows the other's, the "
                         "two make such a line together, so it may be no stripe of its own.")
                noted[k] = replace(this, stripe=replace(this.stripe, notes=(*this.stripe.notes, words)))
    return replace(field, stripes=tuple(c.stripe for c in noted),
                   candidates=(*noted, *field.candidates[len(called):]))


def _kind(this: Candidate, first: Candidate, second: Candidate, field: StripeField) -> str | None:
    """How two lines' frequencies make this line's: "sum", "difference", or None."""
    lines = [c.line for c in (this, first, second)]
    f, a, b = (np.array([line.fx_per_mm, line.fy_per_mm]) for line in lines)
    sd = np.hypot.reduce([[line.fx_sd_per_mm, line.fy_sd_per_mm] for line in lines], axis=0)
    size = np.array([field.bands.length_mm, field.bands.band_mm * field.bands.y_mm.size])
    near = NEAR_SD * sd + NEAR_CELLS / size
    for kind, mixed in (("sum", a + b), ("difference", a - b), ("difference", b - a)):
        if np.all(np.abs(f - mixed) < near):
            return kind
    return None
