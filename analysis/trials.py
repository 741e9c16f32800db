"""The tests that a person can make, with the chance of each outcome under each explanation.

The chances follow from the photo's own figures: detection power from contrast
over detection limit, the two-speed exponent's resolution from the period's
uncertainty, a moved start's resolution from the phase's. Fixed figures are
common practice without a source, and say so.
"""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from scipy.special import chndtr, ndtr  # scipy.stats takes a quarter of a second to load

from analysis.evidence import GRAIN_SEEN_PERCENT, Evidence
from analysis.machine import NEAR_LAW, Machine

__all__ = ["TRIALS", "UPRIGHT", "Trial", "detection_power", "exponent_outcomes", "other_speed"]

NONCENTRALITY = 20.650      # of chi-squared with 2 d.o.f.: 95 % power at 1 % false alarms
CRITICAL = 9.210            # chi-squared with 2 d.o.f., 1 %
FALSE_ALARM = 0.01
SPEED_STEP = 1.6            # 200 to 320 mm/s: not the ratio of two harmonics
SAME_CAMERA = 0.8           # a second photo is taken from about the same place; common practice
BARE_GRAIN = 0.5            # contrast of grain before it is engraved, of that after; from memory
BARE_MARKS = 0.8            # chance that planer marks show on the bare board; common practice
LIGHT_STRIPE, LIGHT_GRAIN = 0.6, 0.4   # contrast left by a light cut: grain relief falls faster with dose
HOMING_MM = 0.03            # 1 s.d. of where the axis stands after homing; common practice
SAME_AXIS, OTHER_PITCH = 0.7, 0.15     # the other axis has the same drive, or another; common practice
MOST_PX_PER_MM = 16.0       # nearer than this a phone gains little; common practice

Chances = dict[str, list[float]]           # explanation -> chance of each outcome
NONE = FALSE_ALARM


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One test: what to do, how it may end, and how likely each end is under each explanation."""

    name: str
    words: Callable[[Evidence, Machine | None], str]
    outcomes: tuple[str, ...]
    chances: Callable[[Evidence, Machine | None], Chances]
    cost_words: str
    engraves: bool
    asked: Callable[[Evidence], bool] = lambda evidence: True      # whether the test answers a question that is open


def detection_power(contrast_percent: float, limit_percent: float) -> float:
    """Chance that a stripe of this contrast is found, where one at the limit is found 95 % of the time.

    The statistic follows a noncentral chi-squared law with 2 degrees of freedom, its noncentrality growing
    with the contrast's square; 20.65 at the limit for 1 % false alarms.
    """
    if contrast_percent < 0 or limit_percent <= 0:
        raise ValueError("contrast must not be negative and the limit must be positive, "
                         f"got {contrast_percent} and {limit_percent}")
    if contrast_percent > 20 * limit_percent:
        return 1.0
    noncentrality = NONCENTRALITY * (contrast_percent / limit_percent) ** 2
    return float(1.0 - chndtr(CRITICAL, 2, noncentrality))


def exponent_outcomes(true_exponent: float, period_sd_fraction: float,
                      speed_ratio: float) -> tuple[float, float, float]:
    """Chances that two speeds say "fixed in mm", "fixed in Hz", or leave it open.

    The exponent has s.d. sqrt(2) * period_sd_fraction / ln(speed_ratio); a verdict needs its 95 % interval, or
    what is near enough, to hold one of 0 and 1 and not the other.
    """
    if period_sd_fraction <= 0 or speed_ratio <= 0 or speed_ratio == 1:
        raise ValueError("period_sd_fraction must be positive and speed_ratio positive and not 1")
    sd = math.sqrt(2) * period_sd_fraction / abs(math.log(speed_ratio))
    half = max(1.96 * sd, NEAR_LAW)

    def inside(low: float, high: float) -> float:
        if high <= low:
            return 0.0
        return float(ndtr((high - true_exponent) / sd) - ndtr((low - true_exponent) / sd))

    geometry = inside(-half, min(half, 1 - half))
    time = inside(max(1 - half, half), 1 + half)
    return geometry, time, max(1 - geometry - time, 0.0)


def other_speed(machine: Machine | None) -> tuple[float | None, float | None]:
    """Speed of the piece and the best other one: far from it, but not by a ratio that swaps two harmonics."""
    if machine is None or machine.scan.speed_mm_s is None:
        return None, None
    first = machine.scan.speed_mm_s

    def worth(speed: float) -> float:
        ratio = max(speed / first, first / speed)
        swaps = min(abs(ratio - k) / k for k in (2, 3, 4)) < 0.03
        return math.log(ratio) * (0.3 if swaps else 1.0)

    usable = [s for s in machine.scan.other_speeds_mm_s if abs(math.log(s / first)) > math.log(1.05)]
    # a slower speed is the safe side where the file names none
    return first, max(usable, key=worth) if usable else float(f"{first / SPEED_STEP:.2g}")


def _found(evidence: Evidence, factor: float = 1.0) -> float:
    """Chance that the line shows again with `factor` times its contrast."""
    return detection_power(factor * evidence.contrast_percent, evidence.limit_percent)


def _grain_again(evidence: Evidence, factor: float = 1.0) -> float:
    """Chance that the grain is plain to see with `factor` times its contrast: half at the visible level."""
    strength = factor * evidence.grain_percent / GRAIN_SEEN_PERCENT
    return strength ** 4 / (1 + strength ** 4)


def _ring_line(evidence: Evidence) -> float:
    """Chance that rings of a fresh board make a line again."""
    return min(max(evidence.ring_probability, FALSE_ALARM), 0.5)


def _again(evidence: Evidence, machine: Machine | None) -> Chances:
    # the limit falls with the photo's pixels per mm, as white noise does
    gain = min(max(MOST_PX_PER_MM / evidence.pixels_per_mm, 1.0), 2.0) if evidence.pixels_per_mm else 1.3
    found = _found(evidence, gain)
    wood = found if evidence.line_seen else _ring_line(evidence)     # rings made a line, or they did not
    return {"geometry": [found, 0.0, 1 - found], "time": [found, 0.0, 1 - found],
            "surface": [found, 0.0, 1 - found], "rings": [wood, 0.0, 1 - wood], "ply": [wood, 0.0, 1 - wood],
            "rows": [found, 0.0, 1 - found],
            "camera": [0.05, 0.5, 0.45], "nothing": [0.0, NONE, 1 - NONE]}


def _upright(evidence: Evidence, machine: Machine | None) -> Chances:
    found, wood = _found(evidence), _ring_line(evidence)
    same = SAME_CAMERA * found / 2             # what the camera makes knows nothing of how the piece lay
    return {name: [found, 0.0, 1 - found] for name in ("geometry", "time", "surface")} | {
        "rows": [0.0, found, 1 - found], "rings": [wood, 0.0, 1 - wood], "ply": [wood, 0.0, 1 - wood],
        "camera": [same, same, 1 - 2 * same], "nothing": [NONE, NONE, 1 - 2 * NONE]}


def _bare(evidence: Evidence, machine: Machine | None) -> Chances:
    rings = _grain_again(evidence, BARE_GRAIN)
    return {"geometry": [NONE, 1 - NONE], "time": [NONE, 1 - NONE], "surface": [BARE_MARKS, 1 - BARE_MARKS],
            "rings": [rings, 1 - rings], "ply": [2 * NONE, 1 - 2 * NONE],
            "rows": [NONE, 1 - NONE],
            "camera": [SAME_CAMERA / 2, 1 - SAME_CAMERA / 2], "nothing": [NONE, 1 - NONE]}


def _turned(evidence: Evidence, machine: Machine | None) -> Chances:
    found, grain, line = _found(evidence), _grain_again(evidence), 0.05 * _ring_line(evidence)
    wood, same = [line * (1 - grain), grain, (1 - line) * (1 - grain)], SAME_CAMERA * found
    return {"geometry": [found, 0.0, 1 - found], "time": [found, 0.0, 1 - found],
            "surface": [0.0, found, 1 - found], "rings": wood, "ply": wood,
            "rows": [same, 0.0, 1 - same],
            "camera": [same, 0.1 * (1 - same), 0.9 * (1 - same)], "nothing": [NONE, NONE, 1 - 2 * NONE]}


def _plain(evidence: Evidence, machine: Machine | None) -> Chances:
    found = _found(evidence)
    return {"geometry": [found, 1 - found], "time": [found, 1 - found],
            "rows": [found, 1 - found],
            "camera": [SAME_CAMERA * found, 1 - SAME_CAMERA * found]} | {
            name: [NONE, 1 - NONE] for name in ("surface", "rings", "ply", "nothing")}


def _speed(evidence: Evidence, machine: Machine | None) -> Chances:
    first, second = other_speed(machine)
    ratio = second / first if first and second else SPEED_STEP
    found, line = _found(evidence), _ring_line(evidence)
    chance, same = _by_chance(evidence), SAME_CAMERA * found

    def speaks(exponent: float) -> list[float]:
        mm, hz, unclear = exponent_outcomes(exponent, evidence.period_sd_fraction, ratio)
        return [found * mm, found * hz, found * unclear, 1 - found]

    def stray(seen: float) -> list[float]:
        return [seen * chance, seen * chance, seen * (1 - 2 * chance), 1 - seen]

    return {"geometry": speaks(0.0), "time": speaks(1.0), "surface": [found, 0.0, 0.0, 1 - found],
            "rings": stray(line), "ply": stray(NONE), "nothing": stray(NONE),
            "rows": [found, 0.0, 0.0, 1 - found],
            "camera": [same, 0.02 * (1 - same), 0.1 * (1 - same), 0.88 * (1 - same)]}


def _light(evidence: Evidence, machine: Machine | None) -> Chances:
    found, full = _found(evidence, LIGHT_STRIPE), _found(evidence)
    grain, line = _grain_again(evidence, LIGHT_GRAIN), LIGHT_GRAIN * _ring_line(evidence)

    def both(stripe: float, wood: float) -> list[float]:
        return [stripe * (1 - wood), (1 - stripe) * wood, stripe * wood, (1 - stripe) * (1 - wood)]

    return {"geometry": both(found, grain), "time": both(found, grain), "surface": both(full, grain),
            "rings": both(line, grain), "ply": both(NONE, 0.05), "rows": both(found, grain),
            "camera": both(SAME_CAMERA * full, grain),
            "nothing": both(NONE, 0.05)}


def _moved(evidence: Evidence, machine: Machine | None) -> Chances:
    homing = 2 * math.pi * HOMING_MM / (evidence.period_mm or 2.0)
    sd = math.hypot(math.sqrt(2) * evidence.phase_sd_rad, homing)
    window = min(max(2 * sd, 0.6), math.pi / 2)
    hit, chance = float(2 * ndtr(window / sd) - 1), window / math.pi
    found = _found(evidence)

    def placed(seen: float, moved: float = chance, stayed: float = chance) -> list[float]:
        return [seen * moved, seen * stayed, seen * max(1 - moved - stayed, 0.0), 1 - seen]

    # a free vibration starts anew with each line and stays with the artwork; a ripple stands anywhere
    return {"geometry": placed(found, hit, 0.0), "time": placed(found, 0.5 * chance, 0.5 * (hit + chance)),
            "surface": placed(found), "rings": placed(_ring_line(evidence)), "ply": placed(NONE),
            "rows": placed(found, 0.0, 1.0),
            "camera": placed(SAME_CAMERA * found), "nothing": placed(NONE)}


def _axis(evidence: Evidence, machine: Machine | None) -> Chances:
    found, grain, line = _found(evidence), _grain_again(evidence), 0.05 * _ring_line(evidence)
    both, same = SAME_AXIS + OTHER_PITCH, SAME_CAMERA * found
    return {"geometry": [SAME_AXIS * found, OTHER_PITCH * found, 0.0, 1 - both * found],
            "time": [0.3 * found, 0.5 * found, 0.0, 1 - 0.8 * found],     # the other axis has another mass
            "surface": [0.0, 0.0, found, 1 - found],
            "rings": [0.0, line * (1 - grain), grain, (1 - line) * (1 - grain)],
            "ply": [0.0, 0.0, grain, 1 - grain],
            "rows": [found, 0.0, 0.0, 1 - found],
            "camera": [0.1 * (1 - same), 0.1 * (1 - same), same, 0.8 * (1 - same)],
            "nothing": [NONE, NONE, NONE, 1 - 3 * NONE]}


def _place(evidence: Evidence, machine: Machine | None) -> Chances:
    found, line, chance = _found(evidence), _ring_line(evidence), _by_chance(evidence)
    same = SAME_CAMERA * found
    return {"geometry": [0.7 * found, 0.3 * found, 0.0, 1 - found],
            "time": [0.4 * found, 0.5 * found, 0.1 * found, 1 - found],
            "surface": [found, 0.0, 0.0, 1 - found],
            "rings": [line * chance, line * chance, line * (1 - 2 * chance), 1 - line],
            "ply": [0.0, 0.0, NONE, 1 - NONE],
            "rows": [found, 0.0, 0.0, 1 - found],
            "camera": [same, 0.1 * (1 - same), 0.1 * (1 - same), 0.8 * (1 - same)],
            "nothing": [0.0, 0.0, NONE, 1 - NONE]}


def _by_chance(evidence: Evidence) -> float:
    """Chance that a stray line falls within 4 s.d. of one certain period, in about an octave."""
    return min(8 * evidence.period_sd_fraction, 0.3)


def _speed_words(evidence: Evidence, machine: Machine | None) -> str:
    first, second = other_speed(machine)
    if first and second:
        return (f"Engrave the piece again at {second:g} mm/s instead of {first:g} mm/s, the power changed in "
                "the same proportion.")
    return (f"Engrave the piece again at {SPEED_STEP:g} times the scan speed (such as 320 instead of 200 "
            "mm/s), the power changed in the same proportion.")


def _moved_words(evidence: Evidence, machine: Machine | None) -> str:
    shift = f"{evidence.period_mm / 2:.3g} mm" if evidence.period_mm else "half a stripe spacing"
    return f"Engrave the same artwork on a fresh board, its start moved by {shift} along the scan axis."


def _fixed(words: str) -> Callable[[Evidence, Machine | None], str]:
    return lambda evidence, machine: words


UPRIGHT = "Photograph the piece the way it lay in the machine, or give the frame's corners in the order of the piece."
PHOTO_ONLY, ONE_PIECE = "a minute, nothing is engraved", "one test piece"
TRIALS = (                                 # in order of cost, cheapest first
    Trial(name="photograph again", chances=_again, cost_words=PHOTO_ONLY, engraves=False,
          words=_fixed("Photograph the same piece again from straight above, nearer and turned by about "
                       "20 degrees."),
          outcomes=("the line is still there and turned with the piece",
                    "the line stayed with the picture or changed its spacing", "there is no line any more")),
    Trial(name="photograph it the way it lay", chances=_upright, cost_words=PHOTO_ONLY, engraves=False,
          words=_fixed(UPRIGHT), asked=lambda evidence: evidence.rows,
          outcomes=("the lines stand square to the scan axis", "the lines run along the scan axis",
                    "there is no line any more")),
    Trial(name="photograph the bare board", chances=_bare, cost_words=PHOTO_ONLY, engraves=False,
          words=_fixed("Photograph a bare part of the same board in the same light."),
          outcomes=("the bare board shows the same marks", "the bare board is clean")),
    Trial(name="turn the board", chances=_turned, cost_words=ONE_PIECE, engraves=True,
          words=_fixed("Engrave the piece again with the board turned by 90 degrees, same artwork and "
                       "settings."),
          outcomes=("the stripes stay square to the scan axis", "the marks turned with the board",
                    "neither shows")),
    Trial(name="board without grain", chances=_plain, cost_words="one test piece of another material",
          engraves=True,
          words=_fixed("Engrave the piece on a board without grain, such as fibreboard or plain card "
                       "(nothing that holds chlorine)."),
          outcomes=("the stripes are there too", "no stripes")),
    Trial(name="another scan speed", chances=_speed, cost_words=ONE_PIECE, engraves=True, words=_speed_words,
          outcomes=("the spacing stays the same in mm", "the spacing changes in proportion to the speed",
                    "a line at another spacing", "no line")),
    Trial(name="a shallower cut", chances=_light, cost_words=ONE_PIECE, engraves=True,
          words=_fixed("Engrave the piece with so little power that the cut stays in the top layer."),
          outcomes=("the stripes stay and the grain is gone", "only grain is left",
                    "stripes and grain both stay", "both are gone")),
    Trial(name="start moved by half a period", chances=_moved, cost_words=ONE_PIECE, engraves=True,
          words=_moved_words,
          outcomes=("the stripes moved by half a period against the artwork",
                    "the stripes stayed with the artwork", "the stripes stand somewhere else", "no stripes")),
    Trial(name="the other axis", chances=_axis, cost_words="one test piece, slower", engraves=True,
          words=_fixed("Engrave the piece scanning along the machine's other axis, the board as before."),
          outcomes=("the stripes turned with the scan axis, same spacing",
                    "the stripes turned, another spacing", "the marks stay with the board",
                    "nothing regular")),
    Trial(name="another belt position", chances=_place, cost_words=ONE_PIECE, engraves=True,
          words=_fixed("Engrave the piece some 100 mm further along the scan axis, where other teeth of the "
                       "belt carry the load."),
          outcomes=("the same stripes, as strong", "the same spacing, another strength", "another spacing",
                    "no stripes")),
)
