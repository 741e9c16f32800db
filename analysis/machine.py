"""From a stripe to the part that made it.

A measured period is matched with every period that the listed parts can make,
and with a part that is not listed: Bayes' rule on the logarithm of the period,
where both the photo's and the part's uncertainty count.
"""
from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.machine_file import (
    dump_machine,
    form_fields,
    list_presets,
    load_machine,
    load_preset,
    parse_machine,
)
from analysis.machine_parts import Machine
from analysis.periods import ExpectedPeriod, expected_periods

__all__ = ["ExpectedPeriod", "Machine", "NEAR_LAW", "NOT_LISTED", "TwoSpeeds", "dump_machine", "expected_periods",
           "form_fields", "list_presets", "load_machine", "load_preset", "name_sources", "parse_machine",
           "sources_table", "speed_exponent", "two_speeds"]

NOT_LISTED = "none of the listed parts"
NOT_LISTED_PRIOR = 0.4      # before the photo: that the cause is not in the file. Common practice, no source
SEARCH_MM = (0.15, 20.0)    # periods that a photo of a piece can show
LONG_TAIL, TAIL_TIMES = 0.1, 3.0   # one photo in ten is three times worse than it says: a cupped board
LEAST_STATED = 0.02
NEAR_LAW = 0.05             # no law lies between 0 and 1; 2 % of scale between pieces at 200 and 320 mm/s moves so much
WILD = 4.0                  # scatter over what the deviations say, beyond which no one law holds; common practice
SINE_PARTS = ("mains", "fan turn", "resonance")   # plain sines; a tooth or a step makes harmonics too
TIME_GIVEN_HARMONICS = 0.5  # common practice, no source
PULLEY_AWAY_MM = 200.0      # from the piece's middle to the pulley that a slanting belt runs to; common practice


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoSpeeds:
    """How the period moves with the scan speed."""

    exponent: float                        # 0: fixed in mm (geometry); 1: fixed in Hz (time)
    exponent_sd: float
    exponent_interval: tuple[float, float]   # 95 %
    probability_geometry: float            # against time alone, both taken as equally likely before
    kind: str | None                       # "geometry", "time", or None where it stays open
    words: str


def name_sources(period_mm: float, uncertainty: float | tuple[float, float], machine: Machine, *,
                 harmonics: tuple[tuple[int, float], ...] = (), exponent: TwoSpeeds | None = None,
                 search_mm: tuple[float, float] = SEARCH_MM, speed_mm_s: float | None = None,
                 pixels_per_mm: float | None = None, drift_percent_per_100mm: float | None = None
                 ) -> tuple[dict, ...]:
    """Name the parts that may have made a stripe along the scan axis, with their probabilities.

    Parameters
    ----------
    period_mm : float
        Measured period, mm.
    uncertainty : float or (float, float)
        Its standard deviation, or its 95 % interval, mm; scale error included.
    machine : Machine
    harmonics : tuple of (order, contrast_percent), optional
        Harmonics found with the stripe: a part that makes a plain sine becomes less likely.
    exponent : TwoSpeeds, optional
        Result of a second scan speed: weighs geometry against time.
    search_mm : (float, float), optional
        Range over which a part that is not listed may lie, evenly in the logarithm.
    speed_mm_s, pixels_per_mm : float, optional
        As in `expected_periods`.
    drift_percent_per_100mm : float, optional
        Measured drift of the period. A belt that runs at an angle drifts and is off its own period by about
        drift times distance to the pulley over two (the offset o at distance D lengthens it by o^2 / 2 D^2).

    Returns
    -------
    tuple of dict
        {"part", "period_mm", "probability"}, most likely first; every part of 2 % or more or whose own 95 %
        interval meets the photo's, and always "none of the listed parts" (period None). The probabilities of
        all that are stated and all that are not add up to 1.

    Raises
    ------
    ValueError
        Period or uncertainty not positive and finite.
    """
    low, high, sd = _spread(period_mm, uncertainty)
    candidates = [p for p in expected_periods(machine, speed_mm_s=speed_mm_s, pixels_per_mm=pixels_per_mm)
                  if p.along == "scan"]
    slanting = abs(drift_percent_per_100mm or 0.0) * 1e-4 * PULLEY_AWAY_MM / 2
    first, last = min(search_mm[0], low), max(search_mm[1], high)
    seen = [p for p in candidates if first / 1.1 <= p.period_mm <= last * 1.1]
    total = sum(p.prior for p in seen) or 1.0
    weights = [(1 - NOT_LISTED_PRIOR) * p.prior / total * _likelihood(period_mm, sd, p, slanting)
               * _shape_factor(p, harmonics) * _speed_factor(p, exponent) for p in seen]
    none = (NOT_LISTED_PRIOR if seen else 1.0) / math.log(last / first)
    whole = sum(weights) + none
    answer = [{"part": p.part, "period_mm": p.period_mm, "probability": w / whole}
              for p, w in zip(seen, weights, strict=True)
              if w / whole >= LEAST_STATED or (p.prior >= 0.3 and _meets(p, low, high, slanting))]
    answer.append({"part": NOT_LISTED, "period_mm": None, "probability": none / whole})
    return tuple(sorted(answer, key=lambda a: -a["probability"]))


def two_speeds(first: tuple[float, float, float], second: tuple[float, float, float]) -> TwoSpeeds:
    """Estimate how a stripe's period moves with the scan speed from two pieces.

    Parameters
    ----------
    first, second : (period_mm, period_sd_mm, speed_mm_s)
        The two pieces.

    Returns
    -------
    TwoSpeeds
        Exponent e = ln(p2 / p1) / ln(v2 / v1), with s.d. sqrt((s1/p1)^2 + (s2/p2)^2) / |ln(v2/v1)|.

    Raises
    ------
    ValueError
        A value that is not positive, or two speeds that differ by less than 5 %.
    """
    return speed_exponent([first, second])


def speed_exponent(pieces: Sequence[tuple[float, float, float]]) -> TwoSpeeds:
    """Estimate the same from two pieces or more: a weighted straight line of ln(period) on ln(speed).

    Where more than two pieces scatter more than their own deviations say, the exponent's deviation is widened
    by that factor (Birge ratio).

    Raises
    ------
    ValueError
        Fewer than two pieces, or as `two_speeds`.
    """
    values = [value for piece in pieces for value in piece]
    if len(pieces) < 2 or min(values) <= 0:
        raise ValueError("at least two pieces are needed, and periods, deviations and speeds must be positive")
    speeds = [math.log(v) for _, _, v in pieces]
    if max(speeds) - min(speeds) < math.log(1.05):
        raise ValueError("the speeds must differ by at least 5 %, "
                         f"got {min(v for *_, v in pieces):g} to {max(v for *_, v in pieces):g} mm/s")
    weights = [(p / s) ** 2 for p, s, _ in pieces]
    periods = [math.log(p) for p, _, _ in pieces]
    total = math.fsum(weights)
    x0, y0 = (math.fsum(w * v for w, v in zip(weights, a, strict=True)) / total for a in (speeds, periods))
    spread = math.fsum(w * (x - x0) ** 2 for w, x in zip(weights, speeds, strict=True))
    value = math.fsum(w * (x - x0) * (y - y0) for w, x, y in zip(weights, speeds, periods, strict=True)) / spread
    misfit = math.fsum(w * (y - y0 - value * (x - x0)) ** 2
                       for w, x, y in zip(weights, speeds, periods, strict=True))
    birge = math.sqrt(max(misfit / (len(pieces) - 2), 1.0)) if len(pieces) > 2 else 1.0
    sd = birge / math.sqrt(spread)
    interval = (value - 1.96 * sd, value + 1.96 * sd)
    holds = [interval[0] <= k <= interval[1] or abs(value - k) <= NEAR_LAW for k in (0, 1)]
    kind = "geometry" if holds == [True, False] else "time" if holds == [False, True] else None
    # log odds of two normal laws of the same width: (2 e - 1) / (2 sd^2), kept inside what exp() can hold
    odds = min(max((2 * value - 1) / (2 * sd * sd), -700.0), 700.0)
    words = _two_speed_words(value, sd, kind, holds)
    if birge > WILD:
        kind, odds = None, 0.0
        words = "The spacings follow no one law of the speed: the pieces show different stripes. Judge them apart."
    return TwoSpeeds(exponent=value, exponent_sd=sd, exponent_interval=interval, kind=kind,
                     probability_geometry=1 / (1 + math.exp(odds)), words=words)


def sources_table(machine: Machine, *, pixels_per_mm: float | None = None) -> str:
    """Return the expected periods of a machine as a table in plain text, for the command `sources`.

    Time-based parts have one column for each scan speed of the file.
    """
    speeds = [s for s in (machine.scan.speed_mm_s, *machine.scan.other_speeds_mm_s) if s is not None]
    columns = [expected_periods(machine, speed_mm_s=s, pixels_per_mm=pixels_per_mm) for s in speeds or [None]]
    by_part = [{(p.part, p.frequency_hz): p for p in column} for column in columns]
    heads = [f"{s:g} mm/s" for s in speeds] or ["period mm"]
    rows = [("part", "fixed in", *heads, "+- %", "what it looks like")]
    for p in columns[0]:
        periods = [f"{at[p.part, p.frequency_hz].period_mm:.4g}" for at in by_part]
        fixed = "mm" if p.kind == "geometry" else f"Hz ({p.frequency_hz:g})"
        where = "" if p.along == "scan" else " (bands along the scan axis)"
        rows.append((p.part, fixed, *periods, f"{196 * p.sd_mm / p.period_mm:.2g}", p.words + where))
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]) - 1)]
    lines = ["  ".join([*(cell.ljust(w) for cell, w in zip(row[:-1], widths, strict=True)), row[-1]]).rstrip()
             for row in rows]
    title = [machine.name or "Machine without a name",
             "Periods in mm at each scan speed; +- is 95 % of the part alone.", ""]
    return "\n".join([*title, lines[0], "-" * min(len(lines[0]), 100), *lines[1:], *_gaps(machine)]) + "\n"


def _spread(period_mm: float, uncertainty: float | tuple[float, float]) -> tuple[float, float, float]:
    if isinstance(uncertainty, tuple):
        low, high = uncertainty
        sd = (high - low) / 3.92
    else:
        sd = uncertainty
        low, high = period_mm - 1.96 * sd, period_mm + 1.96 * sd
    if not (math.isfinite(period_mm) and math.isfinite(sd) and period_mm > 0 and sd >= 0):
        raise ValueError(f"period and uncertainty must be positive and finite, got {period_mm}, "
                         f"{uncertainty}")
    sd = max(sd, 1e-5 * period_mm)
    return max(low, 1e-3 * period_mm), high, sd


def _likelihood(period_mm: float, sd: float, part: ExpectedPeriod, slanting: float) -> float:
    """Density of ln(period) where this part made it: a normal law with a share of a wider one."""
    miss = math.log(period_mm / part.period_mm)
    own = math.hypot(part.sd_mm / part.period_mm, slanting)
    density = 0.0
    for share, times in ((1 - LONG_TAIL, 1.0), (LONG_TAIL, TAIL_TIMES)):
        spread = math.hypot(times * sd / period_mm, own)
        density += share * math.exp(-0.5 * (miss / spread) ** 2) / (spread * math.sqrt(2 * math.pi))
    return density


def _meets(part: ExpectedPeriod, low: float, high: float, slanting: float) -> bool:
    reach = 1.96 * math.hypot(part.sd_mm, slanting * part.period_mm)
    return low <= part.period_mm + reach and part.period_mm - reach <= high


def _shape_factor(part: ExpectedPeriod, harmonics: tuple[tuple[int, float], ...]) -> float:
    return TIME_GIVEN_HARMONICS if harmonics and part.part.startswith(SINE_PARTS) else 1.0


def _speed_factor(part: ExpectedPeriod, exponent: TwoSpeeds | None) -> float:
    if exponent is None:
        return 1.0
    geometry = 2 * exponent.probability_geometry
    return max(geometry if part.kind == "geometry" else 2 - geometry, 1e-6)


def _two_speed_words(value: float, sd: float, kind: str | None, holds: list[bool]) -> str:
    power = f"{round(value, 2) + 0.0:.2f} \N{PLUS-MINUS SIGN} {1.96 * sd:.2f}"     # + 0.0: no minus zero
    figure = f"the spacing goes with the speed to the power {power}"
    if kind == "geometry":
        return f"Fixed in mm: {figure}. Look at belt, pulley, idler, screw or motor steps."
    if kind == "time":
        return f"Fixed in Hz: {figure}. Look for a resonance, the mains or a fan."
    if all(holds):
        return f"Open: {figure}, which fits both. Take two speeds that lie further apart."
    return f"Neither: {figure}. The two pieces may show different stripes; check that the speeds are right."


def _gaps(machine: Machine) -> list[str]:
    """Say which parts are listed but cannot be turned into a period."""
    gaps = []
    if machine.belt and machine.belt.pulley_teeth is None:
        gaps.append("belt.pulley_teeth is not given: no period for the pulley's turn or the motor's steps.")
    if machine.rack and machine.rack.pinion_teeth is None:
        gaps.append("rack.pinion_teeth is not given: no period for the pinion's turn or the motor's steps.")
    if machine.motor and not (machine.belt or machine.screw or machine.rack):
        gaps.append("No [belt], [screw] or [rack]: the motor's steps cannot be turned into travel.")
    return ["", *gaps] if gaps else []
