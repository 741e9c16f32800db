"""Did the change help: stripe contrast after against before at the same period."""
from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Change", "CHANGES"]

CHANGES = ("removed", "reduced", "unchanged", "worse", "appeared", "nothing to compare", "undecided")


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """AFTER against BEFORE, at BEFORE's strongest stripe."""

    verdict: str
    sentence: str
    ratio: float | None
    ratio_interval: tuple[float, float] | None   # 95 %
    phase_locked: bool | None
    phase_difference_rad: float | None
    before_contrast_percent: float | None
    after_contrast_percent: float | None
    reasons: tuple[str, ...] = ()
