"""Which test would teach the most: expected reduction of entropy between the live explanations.

What an outcome would mean is Bayes' rule on the same chances that the ranking
is made from.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.evidence import EXPLANATIONS, Evidence, explanation_odds, gather_evidence
from analysis.machine import Machine
from analysis.trials import TRIALS, Trial

__all__ = ["CAUTION", "NextTest", "Outcome", "information_bits", "next_step_sentence", "rank_next_tests"]

LEAST_BITS = 0.15           # below this a test is not worth its board
FREE_SHARE = 0.6            # a test that engraves nothing comes first if it teaches this share of the best
SLIPS = 0.01                # a test goes wrong in ways that no formula has: no outcome is impossible
CAUTION = ("Before you engrave: the machine's manual first; enclosure and interlocks working, eyewear for "
           "the beam's wavelength, fumes extracted, an extinguisher at hand, never unattended, no plastic "
           "that holds chlorine.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One way a test may end."""

    words: str                             # what would be seen
    probability: float                     # of seeing it, as things stand
    meaning: str                           # what would then be believed
    odds: tuple[tuple[str, float], ...]    # explanation, probability after this outcome; likeliest first


@dataclass(frozen=True, slots=True, kw_only=True)
class NextTest:
    """One test with what it is expected to teach."""

    name: str
    words: str                             # what to do
    outcomes: tuple[Outcome, ...]
    information_bits: float                # expected reduction of entropy
    cost_words: str
    engraves: bool                         # true where `caution` belongs beside it
    caution: str                           # empty where nothing is engraved


def rank_next_tests(result: Any, machine: Machine | None = None) -> tuple[NextTest, ...]:
    """Rank the tests by what they are expected to teach about the line in a photo.

    Parameters
    ----------
    result : Judgement, Inspection, Comparison, Evidence or report dict
        The evidence so far.
    machine : Machine, optional
        Gives the second scan speed and tells parts fixed in mm from those fixed in Hz.

    Returns
    -------
    tuple of NextTest
        Most informative first; equal ones by cost, cheapest first.
    """
    evidence = result if isinstance(result, Evidence) else gather_evidence(result)
    prior = explanation_odds(evidence, machine)
    tests = [_weigh(trial, evidence, machine, prior) for trial in TRIALS if trial.asked(evidence)]
    return tuple(sorted(tests, key=lambda t: -round(t.information_bits, 3)))


def next_step_sentence(tests: tuple[NextTest, ...]) -> str:
    """Return the test to do first as one instruction, with what its likeliest outcomes would mean.

    A test that engraves nothing goes first where it teaches nearly as much as the best.
    """
    best = tests[0]
    free = [t for t in tests if not t.engraves and t.information_bits >= FREE_SHARE * best.information_bits]
    best = free[0] if free else best
    if best.information_bits < LEAST_BITS:
        return _settled(tests[0])
    likely = sorted(best.outcomes, key=lambda o: -o.probability)
    other = [o for o in likely[1:] if o.odds[0][0] != likely[0].odds[0][0]] or likely[1:]
    return " ".join([best.words, *(f"If {o.words}: {o.meaning}." for o in (likely[0], other[0]))])


def _settled(test: NextTest) -> str:
    """Say what to do where the cause is as good as known; odds before a test are the mean of those after."""
    odds = {name: sum(o.probability * dict(o.odds)[name] for o in test.outcomes) for name in EXPLANATIONS}
    likeliest = max(odds, key=odds.get)
    if likeliest not in ("geometry", "time"):
        return "No test would tell much more: keep this photo for the record."
    return (f"The cause is as good as settled: {EXPLANATIONS[likeliest]}, {_percent(odds[likeliest])}. Work "
            "on that part of the drive, engrave the same piece again and compare the two photos.")


def information_bits(prior: NDArray[np.float64], likelihood: NDArray[np.float64]) -> float:
    """Return the expected reduction of entropy in bits: the mutual information of explanation and outcome.

    Parameters
    ----------
    prior : ndarray, shape (h,)
    likelihood : ndarray, shape (h, o)
        Chance of each outcome under each explanation; rows add up to 1.
    """
    joint = prior[:, None] * likelihood
    apart = prior[:, None] * joint.sum(axis=0)
    seen = joint > 0
    return float(max(np.sum(joint[seen] * np.log2(joint[seen] / apart[seen])), 0.0))


def _weigh(trial: Trial, evidence: Evidence, machine: Machine | None, prior: dict[str, float]) -> NextTest:
    names = list(EXPLANATIONS)
    chances = trial.chances(evidence, machine)
    likelihood = np.array([chances[name] for name in names], float)
    likelihood = (1 - SLIPS) * likelihood + SLIPS / len(trial.outcomes)
    before = np.array([prior[name] for name in names])
    outcomes = []
    for k, words in enumerate(trial.outcomes):
        joint = before * likelihood[:, k]
        after = joint / joint.sum()
        odds = tuple((names[i], float(after[i])) for i in np.argsort(-after, kind="stable"))
        outcomes.append(Outcome(words=words, probability=float(joint.sum()), meaning=_meaning(odds),
                                odds=odds))
    return NextTest(name=trial.name, words=trial.words(evidence, machine), outcomes=tuple(outcomes),
                    information_bits=information_bits(before, likelihood), cost_words=trial.cost_words,
                    engraves=trial.engraves, caution=CAUTION if trial.engraves else "")


def _meaning(odds: tuple[tuple[str, float], ...]) -> str:
    (first, p), (second, q) = odds[0], odds[1]
    if p >= 0.8:
        return f"{EXPLANATIONS[first]}, {_percent(p)}"
    return f"{EXPLANATIONS[first]} ({_percent(p)}) or {EXPLANATIONS[second]} ({_percent(q)})"


def _percent(p: float) -> str:
    return "over 99 %" if p > 0.99 else f"{100 * p:.0f} %"
