"""Tables of scores, of each photo and of the change, shared by page, sheet and terminal."""
from __future__ import annotations

from typing import Any

from analysis.formats import (
    UNKNOWN,
    angle,
    contrast,
    false_alarm,
    left_over,
    minus,
    percent,
    period,
    probability,
    ratio,
    share,
    signed,
    significant,
)
from analysis.visibility import visible
from analysis.words import photos, registration, scale, source

__all__ = ["by_place", "change_rows", "photo_rows", "score_rows"]

NONE = "\N{EN DASH}"
UNEVEN = 0.01              # chance that noise alone makes the tiles differ so: below it the stripe is called uneven


def score_rows(report: dict[str, Any]) -> list[tuple[str, ...]]:
    """Table of scores: (what, value of each photo) by row, strongest stripe first."""
    columns = [photo_rows(photo) for _, photo in photos(report)]
    rows = []
    for what in dict.fromkeys(key for column in columns for key in column):
        rows.append((what, *(column.get(what, NONE) for column in columns)))
    return rows


def photo_rows(photo: dict[str, Any]) -> dict[str, str]:
    """Scores of one photo by name, in the order of reading."""
    found = photo["stripes"]
    rows = {"Regular artefact present": probability(photo["probability_mechanical"])}
    if found:
        one = found[0]
        rows |= {
            "Stripe period": period(one),
            "Stripe contrast": contrast(one["contrast_percent"], one["contrast_interval_percent"]),
            "Angle from scan axis": angle(one["angle_deg"], one.get("angle_interval_deg")),
            "Coherence (one phase)": UNKNOWN if one["coherence"] is None else f"{one['coherence']:.2f}",
            "Coverage of the area": share(one["coverage"]),
            "False-alarm probability": false_alarm(one["false_alarm_probability"]),
        }
        if one.get("periods_in_view") is not None:
            rows["Periods in view"] = f"{one['periods_in_view']:.0f}"
        if one.get("drift_percent_per_100mm") is not None:
            rows["Period drift per 100 mm"] = percent(one["drift_percent_per_100mm"], 2)
        rows |= by_place(one)
        if _seen_by_eye(one) is not None:
            rows["Seen from 35 cm"] = _seen_by_eye(one)
        if source(one) is not None:
            rows["Likely source"] = source(one)
        for i, other in enumerate(found[1:3], 2):
            rows[f"Stripe {i}"] = f"{period(other)}, {percent(other['contrast_percent'])}"
    else:
        rows["Stripe period"] = "none found"
    rows["Detection limit"] = _detection_limit(photo)
    rows["Grain contrast"] = contrast(photo["grain"]["contrast_percent"],
                                      photo["grain"].get("contrast_interval_percent"))
    rows["Grain direction"] = _grain_angle(photo["grain"])
    rows["Grain spacing"] = _grain_spacing(photo["grain"])
    if (photo.get("print_quality") or {}).get("banding") is not None:
        rows["Banding, mottle, graininess"] = _print_quality(photo["print_quality"])
    rows["Scale"] = scale(photo)
    return rows


def change_rows(report: dict[str, Any]) -> list[tuple[str, str]]:
    """Scores of the change and of the alignment, by row."""
    change, rows = report["change"], []
    if change["ratio"] is not None or change["ratio_interval"] is not None:
        rest = left_over(change["ratio"], change["ratio_interval"])
        if change["ratio"] is not None:
            rest += f"; after / before {ratio(change['ratio'], change['ratio_interval'])}"
        rows.append(("Left of the stripe", rest))
    if change.get("before_contrast_percent") is not None and change.get("after_contrast_percent") is not None:
        rows.append(("Same period, contrast", f"{percent(change['before_contrast_percent'])} before, "
                                              f"{percent(change['after_contrast_percent'])} after"))
    locked = {True: "yes: points to the machine", False: "no", None: UNKNOWN}[change["phase_locked"]]
    rows.append(("Same place on machine", locked))
    aligned = report["registration"]["ok"] or not report.get("next_step")
    rows.append(("Alignment", registration(report["registration"]) if aligned else "not aligned, see Next"))
    return rows


def by_place(stripe: dict[str, Any]) -> dict[str, str]:
    """How evenly a stripe lies over the piece and whether it grows with depth, by name of the score."""
    told = stripe.get("by_place")
    if not told:
        return {}
    rows = {}
    strips = [part["contrast_percent"] for part in told["along"] if part["contrast_percent"] is not None]
    chance = told.get("uneven_probability")
    if strips and chance is not None:
        even = "even within its noise" if chance > UNEVEN else f"{percent(min(strips))} to {percent(max(strips))}"
        rows["Stripe over the piece"] = even
    more, ends = told.get("dark_minus_light_percent"), told.get("dark_minus_light_interval_percent")
    if more is not None and ends and None not in ends:
        value, low, high = (minus(f"{round(number, 1) + 0.0:.1f}") for number in (more, *ends))    # no minus zero
        rows["Stronger on dark ground by"] = f"{value} % ({low} to {high})"
    return rows


def _seen_by_eye(stripe: dict[str, Any]) -> str | None:
    """Whether a person sees the stripe at arm's length; `None` where no scale is known."""
    if not stripe["period_mm"] or stripe["contrast_percent"] is None:
        return None
    seen = visible(stripe["period_mm"], stripe["contrast_percent"])
    level = {"below": "no", "near": "hardly", "above": "yes"}[seen.level]
    return f"{level}, from about {percent(seen.threshold_percent)}"


def _grain_angle(values: dict[str, Any]) -> str:
    """Direction of the grain lines with the spread of local directions."""
    spread = values.get("angle_spread_deg")
    if values["angle_deg"] is None or spread is None:
        return angle(values["angle_deg"])
    return f"{signed(values['angle_deg'], 0)}° ± {spread:.0f}°"


def _grain_spacing(values: dict[str, Any]) -> str:
    """Mean spacing and how unequal it is."""
    spacing, unit = _spacing_of(values)
    if spacing is None:
        return UNKNOWN
    uneven = values["spacing_variation"]
    return f"{significant(spacing, 3)} {unit}" + ("" if uneven is None else f", varies by {share(uneven)}")


def _spacing_of(values: dict[str, Any]) -> tuple[float | None, str]:
    """Grain spacing and its unit."""
    if values["spacing_mm"] is not None or values.get("spacing_px") is None:
        return values["spacing_mm"], "mm"
    return values["spacing_px"], "px"


def _detection_limit(photo: dict[str, Any]) -> str:
    """Smallest contrast that would have been found."""
    return percent(photo["detection_limit_percent"])


def _print_quality(measured: dict[str, float]) -> str:
    """Unevenness in optical density as measures of printed matter have it; plain readings, so without an interval."""
    return ", ".join(NONE if measured.get(name) is None else significant(measured[name], 2)
                     for name in ("banding", "mottle", "graininess"))
