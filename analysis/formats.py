"""Numbers as a person reads them: one function for each kind, for page, sheet and terminal.

Everything here takes values of the report (plain numbers, `None` for not known),
so that a number shown anywhere is the report's number, rounded by its interval.
A length is given in mm, or in photo pixels (px) where no scale is known.
"""
from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

__all__ = ["UNKNOWN", "angle", "contrast", "decimals_for", "false_alarm", "left_over", "length", "minus",
           "percent", "period", "probability", "ratio", "share", "signed", "significant"]

UNKNOWN = "not known"
MINUS = "\N{MINUS SIGN}"


def minus(text: str) -> str:
    """Set the minus sign that is as wide as a digit in place of a hyphen before a number."""
    return text.replace("-", MINUS)


def decimals_for(half_width: float) -> int:
    """Decimals that show an uncertainty with one significant digit (two where it starts with 1).

    Raises
    ------
    ValueError
        `half_width` is not positive and finite.
    """
    if not (half_width > 0 and math.isfinite(half_width)):
        raise ValueError(f"half_width must be positive, got {half_width}")
    exponent = math.floor(math.log10(half_width))
    if round(half_width / 10.0 ** exponent, 1) >= 10.0:
        exponent += 1
    leading = half_width / 10.0 ** exponent
    return max(0, -exponent + (1 if leading < 1.95 else 0))


def length(value: float | None, unit: str = "mm", half_width: float | None = None) -> str:
    """Set a length: `2.032 ± 0.002 mm`; without an uncertainty with four significant digits."""
    if value is None:
        return UNKNOWN
    if half_width is None or not half_width > 0:
        return f"{significant(value, 4)} {unit}"
    places = min(decimals_for(half_width), 6)
    return f"{value:.{places}f} ± {half_width:.{places}f} {unit}"


def period(stripe: dict[str, Any]) -> str:
    """Set the period of a stripe with half its 95 % interval, in mm or photo px."""
    unit = "mm" if stripe.get("period_mm") is not None else "px"
    return length(stripe.get(f"period_{unit}"), unit, _half(stripe.get(f"period_interval_{unit}")))


def percent(value: float | None, places: int = 1) -> str:
    """Set a percentage that is no share: `0.6 %`; a small value keeps two significant digits."""
    if value is None:
        return UNKNOWN
    if 0 < abs(value) < 0.095:
        places = max(places, 2)
    return minus(f"{value:.{places}f}") + " %"


def contrast(value: float | None, interval: Sequence[float | None] | None = None) -> str:
    """Set a contrast with its 95 % interval: `4.2 % (3.8 to 4.6)`."""
    half = _half(interval)
    if value is None or half is None:
        return percent(value)
    places = min(max(decimals_for(half), 1 if value < 100 else 0), 2)
    return f"{value:.{places}f} % ({interval[0]:.{places}f} to {interval[1]:.{places}f})"


def share(value: float | None) -> str:
    """Set a fraction of 0 to 1 as whole per cent; neither 0 % nor 100 % unless exact."""
    if value is None:
        return UNKNOWN
    if 0 < value < 0.005:
        return "under 1 %"
    if 0.995 <= value < 1:
        return "over 99 %"
    return f"{100 * value:.0f} %"


def probability(value: float | None) -> str:
    """Set a probability: `93 %`, `more than 99 %`, `less than 1 %`."""
    if value is None:
        return UNKNOWN
    if value > 0.99:
        return "more than 99 %"
    if value < 0.01:
        return "less than 1 %"
    return f"{100 * value:.0f} %"


def false_alarm(value: float | None) -> str:
    """Set how often chance alone would show as much: `1 in 320`, `less than 1 in a million`."""
    if value is None:
        return UNKNOWN
    if value >= 0.1:
        return f"{100 * value:.0f} %"
    if value < 1e-6:
        return "less than 1 in a million"
    every = 1.0 / value
    step = 10.0 ** (math.floor(math.log10(every)) - 1)
    return f"1 in {round(every / step) * step:,.0f}".replace(",", " ")


def angle(value: float | None, interval: Sequence[float | None] | None = None) -> str:
    """Set an angle: `0.3° (−0.1 to 0.7)`; with no interval to a tenth of a degree."""
    if value is None:
        return UNKNOWN
    half = _half(interval)
    if half is None:
        return f"{signed(value, 1)}°"
    places = min(decimals_for(half), 2)
    return f"{signed(value, places)}° ({signed(interval[0], places)} to {signed(interval[1], places)})"


def ratio(value: float | None, interval: Sequence[float | None] | None = None) -> str:
    """Set stripe contrast after / before: `0.12 (0.08 to 0.19)`."""
    if value is None:
        return UNKNOWN
    if interval is None or None in interval:
        return f"{value:.2f}"
    return f"{value:.2f} ({interval[0]:.2f} to {interval[1]:.2f})"


def left_over(value: float | None, interval: Sequence[float | None] | None = None) -> str:
    """Set the same ratio as what is left of the stripe: `12 % (8 to 19)`."""
    if value is None:
        return UNKNOWN if interval is None or interval[1] is None else f"at most {100 * interval[1]:.0f} %"
    if interval is None or None in interval:
        return f"{100 * value:.0f} %"
    if value < 0.005 and interval[0] <= 0:
        return f"less than {100 * interval[1]:.0f} %"
    return f"{100 * value:.0f} % ({100 * interval[0]:.0f} to {100 * interval[1]:.0f})"


def _half(interval: Sequence[float | None] | None) -> float | None:
    """Half the width of an interval that has one."""
    if interval is None or None in interval or not interval[1] > interval[0]:
        return None
    return (interval[1] - interval[0]) / 2.0


def significant(value: float, digits: int) -> str:
    """Set a plain decimal with so many significant digits, never an exponent, trailing zeros kept."""
    if value == 0:
        return "0"
    rounded = float(f"{value:.{digits - 1}e}")
    places = max(0, digits - 1 - math.floor(math.log10(abs(rounded))))
    return minus(f"{rounded:.{places}f}")


def signed(value: float, places: int) -> str:
    """Set a number with a true minus sign and no minus zero."""
    text = f"{value:.{places}f}"
    return minus(text if float(text) else text.lstrip("-"))
