"""From stripes and grain to a verdict with its probability and its reasons."""
from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Decision", "Reason", "VERDICTS"]

VERDICTS = ("mechanical", "grain", "mixed", "clean", "undecided")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One named piece of evidence; `weight` in nats, positive speaks for a regular artefact."""

    term: str
    words: str                             # a sentence with its number
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The answer for one photo."""

    verdict: str
    probability_mechanical: float
    sentence: str                          # the answer in one sentence
    reasons: tuple[Reason, ...]            # strongest first, for and against
    next_step: str                         # what to do next, in a sentence
    detection_limit_percent: float
    false_alarm_rate: float = 0.01
