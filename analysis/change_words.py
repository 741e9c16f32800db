"""What changed between two photos, in sentences: the verdict's own, new stripes, and what it rests on."""
from __future__ import annotations

import numpy as np

from analysis.phase_lock import PhaseLock, same_ground
from analysis.stripes import called_candidates

__all__ = ["new_ones", "phase_reason", "reasons", "sentence"]

HARDLY_TOLD = 0.2          # s.d. of the logarithm of what two photos let through, worth a word: a factor of 1.5


def new_ones(base, before, after, unit) -> str:
    """Name AFTER's stripes at periods that BEFORE does not have, in a sentence of their own."""
    known = [c.line.fx_per_mm for c in (base, *called_candidates(before))]
    new = [c.stripe for c in called_candidates(after)
           if all(abs(c.line.fx_per_mm - fx) > 0.01 * fx for fx in known)]
    if not new:
        return ""
    named = " and ".join(f"{s.contrast_percent:.1f} % every {s.period_mm:.3f} {unit}" for s in new)
    return f" AFTER has a stripe that BEFORE had not: {named}."


def sentence(verdict, base, ratio, interval, unit) -> str:
    """The change in one sentence."""
    every = f"every {base.stripe.period_mm:.3f} {unit}"
    low, high = (100 * v for v in interval)
    if verdict == "removed":
        return f"The stripe {every} is gone: less than {max(high, 1):.0f} % of it is left (95 % sure)."
    if verdict == "reduced" and low <= 0.0:
        return f"The stripe {every} is smaller, or gone: at most {high:.0f} % of it is left (95 % sure)."
    if verdict == "reduced":
        return f"The stripe {every} is smaller: {100 * ratio:.0f} % of it is left ({low:.0f} to {high:.0f} %)."
    if verdict == "worse":
        return f"The stripe {every} is stronger: {ratio:.2f} times what it was ({low / 100:.2f} to {high / 100:.2f})."
    if verdict == "unchanged":
        return f"The stripe {every} is as it was: {ratio:.2f} times ({low / 100:.2f} to {high / 100:.2f})."
    return (f"Whether the stripe {every} changed cannot be told: between {low:.0f} and {high:.0f} % of it is left. "
            "Photograph AFTER again, sharp and from straight above.")


def reasons(base, after, twin, reading, transfer_log, unit, *, sure) -> tuple[str, ...]:
    """What the change verdict rests on."""
    words = [f"BEFORE's stripe: {base.stripe.contrast_percent:.2f} % at {base.stripe.period_mm:.3f} {unit}; "
             f"AFTER read at the same spacing and angle: {200 * abs(reading.amplitude):.2f} % "
             f"with noise of {200 * reading.sd:.2f} %."]
    if not sure:
        words.append(f"BEFORE alone leaves its line open ({100 * base.probability:.0f} % odds); it counts as the "
                     "machine's because AFTER shows a sure stripe at the same spacing.")
    if abs(transfer_log[0]) > 0.03:
        worse, by = "AFTER" if transfer_log[0] < 0 else "BEFORE", abs(transfer_log[0])
        words.append(f"{worse}'s photo hides more of the stripe, as far as its edges tell blur and its ground a bright "
                     f"spot: the ratio is corrected by {100 * np.expm1(by):.0f} % for it, and its interval is wider. "
                     "Photograph both again alike for a surer answer.")
    if transfer_log[1] > HARDLY_TOLD:
        words.append("How much of so fine a stripe each photo shows (blur, sharpening, light) is known to a factor of "
                     f"{np.exp(1.96 * transfer_log[1]):.1f} only, so the ratio's interval is wide. Photograph both "
                     "from nearer, at ten pixels a period or more.")
    if twin is None:
        words.append(f"AFTER by itself shows no regular stripe there; one above {after.detection_limit_percent:.1f} % "
                     "would have been found.")
    return tuple(words)


def phase_reason(lock: PhaseLock | None, before, after, unit) -> tuple[str, ...]:
    """Where the stripe stands in both photos, set against chance."""
    if lock is None or lock.locked is None:
        return ()
    if not lock.locked:
        return (f"AFTER's stripe stands {abs(lock.shift_mm):.2f} {unit} beside BEFORE's on the machine: the two do not "
                "share one place.",)
    if same_ground(before, after):
        return ("Both photos show one board, so its grain stands at the same place as well: that the stripe does "
                "proves nothing.",)
    within = f"{abs(lock.shift_mm):.2f}" if abs(lock.shift_mm) >= 0.005 else "less than 0.01"
    return (f"On both boards the stripe stands at the same place on the machine within {within} {unit}. By itself "
            f"that is weak evidence for the machine: by chance 1 pair in {1 / lock.chance:.0f} would agree as well.",)
