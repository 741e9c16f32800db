"""Two entries of the logbook against each other, even months apart."""
from __future__ import annotations

import math
import os
import tomllib
from dataclasses import dataclass
from datetime import date
from typing import Any

from analysis.logbook import EntryLine, get_entry

__all__ = ["EntryComparison", "compare_entries"]

SAME_PERIOD = 0.02          # stripes further apart than this have different causes
UNKNOWN_SD = 0.2            # of ln(contrast), where the report gives no interval


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryComparison:
    """Two entries, the earlier first."""

    first: EntryLine
    second: EntryLine
    days: int
    ratio: float | None                    # stripe contrast second / first
    ratio_interval: tuple[float, float] | None     # 95 %
    machine_changes: tuple[str, ...]       # "belt.pulley_teeth: 18 -> 20"
    sentence: str


def compare_entries(first: int, second: int, *,
                    path: str | os.PathLike[str] | None = None) -> EntryComparison:
    """Compare the machine's state in two entries: stripe contrast, and what differs in the machine file.

    Of an entry with two photos AFTER counts: the machine as it was left. The interval treats the two
    contrasts as independent and their logarithms as normal; where the second shows no stripe its detection
    limit is the bound.
    """
    a, b = get_entry(first, path=path), get_entry(second, path=path)
    if (b.line.made, b.line.id) < (a.line.made, a.line.id):
        a, b = b, a
    days = (date.fromisoformat(b.line.made) - date.fromisoformat(a.line.made)).days
    changes = _machine_changes(a.machine, b.machine)
    ratio, interval, words = _ratio(_last_reading(a.line), _last_reading(b.line))
    later = "on the same day" if days == 0 else f"{days} day{'s' if days > 1 else ''} later"
    return EntryComparison(first=a.line, second=b.line, days=days, ratio=ratio, ratio_interval=interval,
                           machine_changes=changes, sentence=f"{later[0].upper()}{later[1:]}: {words}")


def _last_reading(line: EntryLine) -> dict[str, Any] | None:
    rows = {row["place"]: row for row in line.readings}
    return rows.get("after") or rows.get("photo") or rows.get("before")


def _ratio(first, second) -> tuple[float | None, tuple[float, float] | None, str]:
    """Contrast of the second against the first with its interval, and in words."""
    if first is None or second is None:
        return None, None, "one of the two entries has no report, so the stripes cannot be compared."
    a, b, limit = first["contrast_percent"], second["contrast_percent"], second["limit_percent"]
    if not a:
        if b:
            return None, None, f"a stripe of {b:.1f} % appeared that the first entry does not show."
        return None, None, "neither entry shows a regular stripe."
    sd_a = _log_sd(first)
    if not b:
        if limit is None:
            return None, None, "the second entry shows no stripe, and its detection limit is not known."
        most = limit / a * math.exp(1.645 * sd_a)
        words = f"the stripe is no longer found; less than {100 * most:.0f} % of it is left."
        return None, (0.0, most), words
    p, q = first["period_mm"], second["period_mm"]
    if p and q and abs(q / p - 1) > SAME_PERIOD:
        return None, None, (f"the stripes differ in spacing ({p:.3f} and {q:.3f} mm): they have different "
                            "causes, so their strengths are not compared.")
    spread = 1.96 * math.hypot(sd_a, _log_sd(second))
    ratio = b / a
    low, high = ratio * math.exp(-spread), ratio * math.exp(spread)
    return ratio, (low, high), (f"{ratio:.2f} times the stripe contrast ({low:.2f} to {high:.2f}, 95 %), "
                                f"{a:.1f} % then and {b:.1f} % now.")


def _log_sd(row: dict[str, Any]) -> float:
    """Take the standard deviation of ln(contrast) from its 95 % interval; 20 % where there is none."""
    low, high = row["contrast_low_percent"], row["contrast_high_percent"]
    if not low or not high or low <= 0:
        return UNKNOWN_SD
    return math.log(high / low) / 3.92


def _machine_changes(first: str, second: str) -> tuple[str, ...]:
    """List the keys in which two machine files differ."""
    a, b = _flat(tomllib.loads(first)), _flat(tomllib.loads(second))
    return tuple(f"{key}: {a.get(key, 'not given')} -> {b.get(key, 'not given')}"
                 for key in sorted(a | b) if a.get(key) != b.get(key))


def _flat(value: Any, name: str = "") -> dict[str, Any]:
    """Nested keys as one dotted name each."""
    if isinstance(value, dict):
        named = [(f"{name}.{key}".strip("."), item) for key, item in value.items()]
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        named = [(f"{name}[{n}]", item) for n, item in enumerate(value, 1)]
    else:
        return {name: value}
    return {key: item for inner, part in named for key, item in _flat(part, inner).items()}
