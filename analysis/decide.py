"""From stripes and grain to a verdict with its probability and its reasons."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.formats import signed
from analysis.grain import GrainField
from analysis.odds import evidence_share
from analysis.stripes import CALL_PROBABILITY, Candidate, StripeField

__all__ = ["STRIPED", "VERDICTS", "Cause", "Decision", "Reason", "decide", "missed_share"]

VERDICTS = ("mechanical", "grain", "mixed", "clean", "undecided")
STRIPED = ("mechanical", "mixed")      # the verdicts that name a regular artefact
RULED_OUT = 0.20           # below this probability a photo is said to hold no regular artefact
GRAIN_SEEN_PERCENT = 2.0   # oriented texture that a person sees at arm's length; common practice, no source
GRAIN_SHARE = 0.35         # grain this strong against the stripe makes the verdict mixed
USEFUL_LIMIT_PERCENT = 4.0 # a photo that would miss a plain stripe of this contrast cannot clear a machine
# A machine has a stripe worth asking about in one case of three, its contrast spread evenly in its logarithm over this
# range (below 0.5 % nobody sees one); common practice, no source. This is what a photo that shows nothing
# leaves possible: of stripes at `HALF_FOUND` of the detection limit at their own period half are found (0.51 of 207
# stripes on 30 textures; at 0.55 of the limit 0.30).
PRIOR, PRIOR_PERCENT = 1.0 / 3.0, (0.5, 12.0)
HALF_FOUND = 0.65
SURELY_NO_RINGS = 0.9      # odds below which it is told that rings could have made the line
WALKS = -1.0               # nats for a steady phase below which it is said to wander
VETOED = 0.5               # odds where another cause explains the line as well as the machine's drive does


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One named piece of evidence; `weight` in nats, positive speaks for a regular artefact."""

    term: str
    words: str                             # a sentence with its number
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """Another cause than the drive that would make the strongest line."""

    term: str                              # "camera", "rows" (the engraving's own, seen from the side), "grid", "bench"
    words: str                             # a clause
    next_step: str                         # how to tell, in a sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The answer for one photo."""

    verdict: str
    probability_mechanical: float          # that a regular artefact is present at all, one too weak to be seen included
    sentence: str                          # the answer in one sentence
    reasons: tuple[Reason, ...]            # strongest first, for and against
    next_step: str                         # what to do next, in a sentence
    detection_limit_percent: float
    false_alarm_rate: float = 0.01
    poor_photo: bool = False               # the photo itself must be mended before anything else
    blind: bool = False                    # the photo cannot clear a machine: finding nothing says nothing


def decide(field: StripeField, grain: GrainField, *, unit: str = "mm", cause: Cause | None = None,
           trouble: tuple[str, str] | None = None) -> Decision:
    """Give the verdict of one photo.

    Parameters
    ----------
    field : StripeField
    grain : GrainField
    unit : {"mm", "px"}
        Unit of the periods in the words.
    cause : Cause, optional
        Another cause than the drive that would make the strongest line.
    trouble : (str, str), optional
        Why this photo cannot clear a machine, as a clause, and what to do about it, as a sentence.

    Returns
    -------
    Decision
    """
    top = field.candidates[0] if field.candidates else None
    seen = top.probability if top else 0.01
    cause = cause if seen > RULED_OUT else None        # of a line that nobody believes in no cause need be told
    if cause is not None:
        seen = min(seen, VETOED)
    limit = field.detection_limit_percent
    grain_seen = grain.contrast_percent >= GRAIN_SEEN_PERCENT
    poor = trouble is not None or not limit <= 2 * USEFUL_LIMIT_PERCENT
    called = bool(field.stripes) and seen >= CALL_PROBABILITY
    missed = missed_share(field)
    unseen = 0.0 if called else PRIOR * missed / (PRIOR * missed + 1.0 - PRIOR)
    if called:
        strong = grain.contrast_percent >= max(GRAIN_SEEN_PERCENT, GRAIN_SHARE * field.stripes[0].contrast_percent)
        verdict = "mixed" if strong else "mechanical"
    elif seen > RULED_OUT or poor:
        verdict = "undecided"
    elif grain_seen:
        verdict = "grain"
    else:
        verdict = "clean" if limit <= USEFUL_LIMIT_PERCENT else "undecided"
    reasons = _reasons(top, unit, cause) + _grain_reason(grain, unit)
    if unseen > 0.005:
        reasons.append(Reason(term="below the limit", weight=0.0, words=(
            f"Of the stripes of {PRIOR_PERCENT[0]:g} to {PRIOR_PERCENT[1]:g} % that a machine may leave, this photo "
            f"would have missed {100 * missed:.0f} %; that leaves a chance of {100 * unseen:.0f} % for one.")))
    # The larger of the two: a stripe below the limit is what makes a faint line likely, so it counts in both.
    return Decision(verdict=verdict, probability_mechanical=max(seen, unseen),
                    sentence=_sentence(verdict, field, grain, top, unit, cause, trouble),
                    reasons=tuple(sorted(reasons, key=lambda r: -abs(r.weight))),
                    next_step=_next_step(verdict, top, cause, trouble), detection_limit_percent=limit,
                    poor_photo=bool(poor and verdict == "undecided"), blind=trouble is not None)


def missed_share(field: StripeField) -> float:
    """Share of the stripes that a machine may leave (`PRIOR_PERCENT`) that this photo would not have shown.

    Periods count evenly in their logarithm, as the points of the limit's curve are spread.
    """
    limits = np.array([c for _, c in field.detection_limit_curve] or [field.detection_limit_percent])
    low, high = np.log(PRIOR_PERCENT)
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = (np.log(HALF_FOUND * limits) - low) / (high - low)
    return float(np.clip(np.nan_to_num(shares, nan=1.0), 0.0, 1.0).mean())


def _sentence(verdict, field, grain, top, unit, cause, trouble) -> str:
    """The answer in one sentence, with its numbers."""
    limit = f"{field.detection_limit_percent:.1f} %"
    if verdict in STRIPED:
        stripe = field.stripes[0]
        half = (stripe.period_interval_mm[1] - stripe.period_interval_mm[0]) / 2
        more = f" and {len(field.stripes) - 1} more" if len(field.stripes) > 1 else ""
        text = (f"A regular stripe every {stripe.period_mm:.3f} \u00b1 {half:.3f} {unit}{more}, "
                f"{stripe.contrast_percent:.1f} % contrast: made by the machine")
        return text + (f", over grain of {grain.contrast_percent:.1f} %." if verdict == "mixed" else ".")
    if verdict == "grain":
        return (f"Grain of the material, {grain.contrast_percent:.1f} % contrast; "
                f"no regular stripe above {limit} would have been missed.")
    if verdict == "clean":
        return f"Neither stripes nor grain: no regular stripe above {limit} would have been missed."
    if cause is not None:
        return f"Cannot tell: there is a regular line, but {cause.words}."
    if top is None or top.probability <= RULED_OUT:
        return f"Cannot tell: {trouble[0]}." if trouble else (
            f"Cannot tell: on this photo a stripe is sure to be found only above {limit} contrast.")
    return (f"Cannot tell: there is a line every {top.stripe.period_mm:.3f} {unit} "
            f"({top.stripe.contrast_percent:.1f} % contrast), but the odds that the machine made it "
            f"are only {100 * top.probability:.0f} %.")


def _next_step(verdict, top, cause, trouble) -> str:
    """One thing to do next."""
    if cause is not None:
        return cause.next_step
    if verdict in STRIPED:
        return ("Engrave the piece again at another scan speed: a spacing that stays the same in mm comes from the "
                "drive's geometry, one that grows with the speed from vibration or mains ripple.")
    if verdict == "grain":
        return ("Engrave the same piece with the board turned by 90 degrees: grain turns with the board, "
                "the machine's marks do not.")
    if verdict == "clean":
        return "Keep this photo for the record; nothing needs to be changed on the machine for its sake."
    if top is None or top.probability <= RULED_OUT:
        return trouble[1] if trouble else (
            "Photograph again from straight above, sharp, with light from the side and at least 12 pixels per mm, "
            "with more plain background in view.")
    return ("Engrave the same piece on another board, turned by 90 degrees: a stripe that stays square to the "
            "scan axis is the machine's.")


def _reasons(top: Candidate | None, unit, cause) -> list[Reason]:
    """The candidate's terms in words."""
    if top is None:
        return [Reason(term="no line", words="No spacing stands out from the texture at all.", weight=-4.0)]
    line, stripe = top.line, top.stripe
    weight = {"as_rings_could": 0.0, "expected": 0.0, "off_square": 0.0} | {t.name: t.weight for t in top.terms}
    reasons = []

    def say(term, good, bad, *names):
        total = sum(weight[n] for n in names)
        reasons.append(Reason(term=term, words=good if total >= 0 else bad, weight=float(total)))
    chance = _chance(stripe.false_alarm_probability)
    say("stronger than noise",
        f"It stands {line.snr:.0f} times above the texture around it; chance alone would do that in {chance} photos.",
        f"The strongest line, every {stripe.period_mm:.3g} {unit}, stands only {line.snr:.1f} times above the texture "
        f"around it; chance alone does that in {chance} photos.", "over_noise")
    narrow = min(100.0 * evidence_share(line), 100.0)
    say("equal spacing",
        f"Equal spacing over {line.periods:.0f} periods: the line is as narrow as one steady spacing makes it, "
        f"{line.ring_snr:.0f} times above its flanks.",
        f"Only {line.periods:.0f} periods are in view, too few to tell equal spacing from rings."
        if weight["few_periods"] < weight["as_a_line_would"] else
        f"The spacing is less even than one machine's: the line leaves {narrow:.0f} % of the evidence against rings "
        "that a steady spacing of its strength would.", "as_a_line_would", "few_periods")
    if weight["as_rings_could"] < 0.0 and top.probability < SURELY_NO_RINGS:
        reasons.append(Reason(term="rings", weight=weight["as_rings_could"], words=(
            "Its phase wanders along the piece as that of growth rings does." if line.steady_over_walk < WALKS else
            f"Over {line.periods:.0f} periods of this strength, growth rings of nearly equal spacing look the same.")))
    say("one phase",
        f"One phase along and across the piece (coherence {line.coherence_along:.2f} along, "
        f"{line.coherence_across:.2f} across).",
        f"The phase wanders (coherence {line.coherence_along:.2f} along, {line.coherence_across:.2f} across).",
        "one_phase_across", "one_phase_along", "steady")
    say("unbroken", f"Unbroken: it is there on {100 * line.coverage:.0f} % of the area.",
        f"With gaps: it is there on {100 * line.coverage:.0f} % of the area.", "coverage")
    say("square to the scan axis",
        f"Square to the scan axis within {abs(stripe.angle_deg):.2f} degrees.",
        f"Off square by {abs(stripe.angle_deg):.2f} degrees.", "square", "off_square")
    if weight["expected"] > 0.0:
        reasons.append(Reason(term="expected", weight=weight["expected"], words=(
            "It is a spacing that the machine file lists or the other photo shows.")))
    if cause is not None:
        reasons.append(Reason(term=cause.term, words=f"Another cause than the drive: {cause.words}.", weight=-8.0))
    return reasons


def _chance(p) -> str:
    """A small probability as a plain share of photos."""
    if p >= 0.5:
        return "most"
    if p >= 0.1:
        return f"{100 * p:.0f} of 100"
    exponent = 2
    while p * 10 ** exponent < 1 and exponent < 9:
        exponent += 1
    return f"fewer than 1 of {10 ** (exponent - 1):,}" if exponent >= 9 else f"about 1 of {round(1 / p):,}"


def _grain_reason(grain: GrainField, unit) -> list[Reason]:
    """What the grain says about itself; it neither proves nor clears the machine, so it weighs nothing."""
    if grain.angle_deg is None or grain.contrast_percent < GRAIN_SEEN_PERCENT:
        return []
    words = f"Grain of {grain.contrast_percent:.1f} % runs at {signed(grain.angle_deg, 0)} degrees"
    if len(grain.directions) > 1:
        words += " and " + ", ".join(signed(a, 0) for a, _ in grain.directions[1:3]) + " degrees: several angles"
    if grain.spacing_mm is not None and grain.spacing_variation is not None:
        words += f", spacing {grain.spacing_mm:.2f} {unit} but unequal by {100 * grain.spacing_variation:.0f} %"
    return [Reason(term="grain", words=words + ".", weight=0.0)]
