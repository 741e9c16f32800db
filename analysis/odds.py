"""The odds that a line is a machine stripe: a logistic model over named terms.

Each term is one plain property of a fitted line, scaled to stay within a few
units. The weights lie in `odds.toml` with the date and the data of the fit;
`tests/benchmarks/fit_odds.py` makes that file again.
"""
from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np

from analysis.line import Line
from analysis.peaks import listed_reach
from analysis.plane import STEEPEST_DEG, Plane

__all__ = ["TERMS", "Term", "directed_false_alarm", "evidence_share", "line_odds", "line_probability", "line_terms",
           "search_false_alarm"]

TERMS = ("over_noise", "as_a_line_would", "one_phase_across", "one_phase_along", "coverage", "few_periods", "square",
         "steady")
LISTED_ODDS = 0.9          # nats for a spacing that was expected: 1 in 100 lists of four periods then calls noise
# However far a line stands above the noise, rings may have made it where its phase is no steadier than theirs: there
# the odds (log) are no more than `WALKED`, and `A_NAT` more for each nat that the phase speaks for a line. Rings of
# 10 % and more leave up to 2.9 nats in 1200 views of 8 to 100, 4.1 in views of fewer, and even ones of 3 % up to 10:
# at `BEYOND` the odds are 0.9, and from there on each nat counts in full.
WALKED, A_NAT, BEYOND = 0.62, 0.37, 4.25
# What the course along the scan does not show counts beside it: a line that is less than half of its own spacing's
# energy is left over by rings that lean further (of 606 stripes called none was), and a machine's lines lean by no
# more than its axes are out of square; common practice, no source.
SQUARE_DEG, A_DEGREE = 1.0, 3.0    # and what each degree beyond takes off, nats
MOST_OF_IT, A_SHARE = 0.5, 4.0     # the same for each unit of coherence across that is missing
ENOUGH = 40.0              # nats; rings leave up to about 15 in the best of thousands of trials


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One term of the model for one line."""

    name: str
    value: float
    weight: float                          # nats: coefficient times (value - the value that speaks for neither)


@cache
def _model() -> dict:
    """Weights from the file beside this module."""
    return tomllib.loads(files("analysis").joinpath("odds.toml").read_text("utf-8"))


def search_false_alarm(line: Line, plane: Plane, *, lowest_per_mm: float, steepest_deg: float) -> float:
    """Probability that noise alone makes so strong a peak anywhere in the search.

    Under noise the peak over the mean of m cells has tail (1 + g/m)^-m (a ratio
    of chi-square variables); `_chance` of it over all places searched.
    """
    fx = plane.fx_per_mm[plane.fx_per_mm >= lowest_per_mm]
    if fx.size < 2:
        return 1.0
    along = (fx[-1] - fx[0]) / plane.cell_x_per_mm
    across = 2.0 * float(fx.mean()) * np.tan(np.radians(steepest_deg)) / plane.cell_y_per_mm
    return _chance(line.snr, line.noise_count, [(along, across)])


def directed_false_alarm(line: Line, plane: Plane, *, listed_mm: tuple[tuple[float, float], ...],
                         steepest_deg: float, scale_sd_fraction: float = 0.0) -> float:
    """The same for a search at a few listed periods alone; 1 where the line is near none of them.

    Parameters
    ----------
    listed_mm : tuple of (period_mm, sd_mm)
        Expected periods, searched within two s.d.
    scale_sd_fraction : float
        Doubt in the photo's scale, which widens each.

    Notes
    -----
    The line's power at the listed frequency follows from where it stands: the log likelihood falls by half the
    square of the distance over its s.d. [1]_.

    References
    ----------
    .. [1] D. C. Rife and R. R. Boorstyn, IEEE Trans. Inf. Theory 20, 591-598 (1974).
    """
    power, widths = 0.0, []
    for period, sd in listed_mm:
        f = 1.0 / period
        reach = listed_reach(f, sd, scale_sd_fraction)
        miss = max(abs(line.fx_per_mm - f) - reach, 0.0)
        if miss < plane.cell_x_per_mm:
            power = max(power, line.snr - 0.5 * (miss / line.fx_sd_per_mm) ** 2)
        widths.append((2.0 * reach / plane.cell_x_per_mm,
                       2.0 * f * np.tan(np.radians(steepest_deg)) / plane.cell_y_per_mm))
    return _chance(power, line.noise_count, widths)


def _chance(power: float, count: float, regions: list[tuple[float, float]]) -> float:
    """Probability that noise exceeds a power anywhere in regions of the plane.

    Parameters
    ----------
    power : float
        Over the mean of `count` cells of noise.
    regions : list of (float, float)
        Size of each along and across, in resolution cells.

    Notes
    -----
    Over L cells searched the tail is that of one place times 1 + L sqrt(pi u / 3): the upcrossings of level u by a
    band-limited envelope [1]_.

    References
    ----------
    .. [1] S. O. Rice, "Mathematical analysis of random noise", Bell Syst. Tech. J. 24, 46-156 (1945), section 3.8
           (from memory).
    """
    if power <= 0.0:
        return 1.0
    level = count * np.log1p(power / count)
    crossings = np.sqrt(np.pi * level / 3.0)
    places = sum((1.0 + along * crossings) * (1.0 + across * crossings) for along, across in regions)
    return float(-np.expm1(-places * np.exp(-level)))


def line_terms(line: Line, false_alarm: float, drift_allowed: float = 0.0) -> dict[str, float]:
    """The terms of one line, each scaled to a few units.

    Parameters
    ----------
    drift_allowed : float
        Percent per 100 mm by which the photo's own unknown slant may change the period along the piece.

    Returns
    -------
    dict
        Name to value, in the order of `TERMS`.
    """
    angle = abs(np.degrees(np.arctan2(line.fy_per_mm, line.fx_per_mm)))
    drift = line.drift_percent_per_100mm
    values = (
        np.log1p(min(-np.log10(max(false_alarm, 1e-30)), 30.0)),
        # Rings leave this far below 0, the more so the stronger they are; a steady line stays near it.
        min(np.log(evidence_share(line)), 0.3),
        line.coherence_across,
        line.coherence_along,
        line.coverage,
        max(0.0, 8.0 - line.periods) / 4.0,
        angle,
        0.0 if drift is None else min((max(abs(drift) - drift_allowed, 0.0) / 2.0) ** 2, 4.0) / 2.0,
    )
    return dict(zip(TERMS, (float(v) for v in values), strict=True))


def evidence_share(line: Line) -> float:
    """Evidence against rings over what a steady line of this strength would leave.

    Of that no more is asked than `ENOUGH`: small unevenness of a strong stripe must not count against it.
    """
    return (line.line_over_rings + 1.0) / (min(line.line_over_rings_ideal, ENOUGH) + 1.0)


def line_odds(line: Line, false_alarm: float, *, listed: bool = False, drift_allowed: float = 0.0
              ) -> tuple[float, tuple[Term, ...]]:
    """Probability that the line is a machine stripe, and what each term added to the log odds.

    The model's odds, more where the spacing was expected (`listed`), but no more than phase and lean allow: rings
    that are even enough, or few enough, make a line however far it stands above the noise.
    """
    probability, terms = line_probability(line_terms(line, false_alarm, drift_allowed))
    logit = np.log(probability / (1.0 - probability)) + (LISTED_ODDS if listed else 0.0)
    terms = (*terms, Term(name="expected", value=float(listed), weight=LISTED_ODDS if listed else 0.0))
    angle = abs(np.arctan2(line.fy_per_mm, line.fx_per_mm))
    surely = float(np.degrees(angle - 2.0 * line.fy_sd_per_mm / line.fx_per_mm))
    most = WALKED + A_NAT * line.steady_over_walk + (1.0 - A_NAT) * max(line.steady_over_walk - BEYOND, 0.0)
    most -= A_DEGREE * max(surely - SQUARE_DEG, 0.0) + A_SHARE * max(MOST_OF_IT - line.coherence_across, 0.0)
    if logit > most:
        terms = (*terms, Term(name="as_rings_could", value=line.steady_over_walk, weight=float(most - logit)))
        logit = most
    if surely > STEEPEST_DEG and logit > 0.0:       # no scan axis leans so far: what stands there is in the wood
        terms, logit = (*terms, Term(name="off_square", value=surely, weight=float(-logit))), 0.0
    return float(1.0 / (1.0 + np.exp(-logit))), terms


def line_probability(terms: dict[str, float]) -> tuple[float, tuple[Term, ...]]:
    """Probability that the line is a machine stripe, and what each term added to the log odds."""
    model = _model()
    logit = model["intercept"]
    found = []
    for name in TERMS:
        weight = model["weight"][name] * (terms[name] - model["neutral"][name])
        logit += weight
        found.append(Term(name=name, value=terms[name], weight=float(weight)))
    return float(1.0 / (1.0 + np.exp(-np.clip(logit, -30, 30)))), tuple(found)
