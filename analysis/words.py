"""Sentences and tables as a person reads them, shared by page, sheet and terminal.

Everything here takes the report as a dict, so that a saved report reads the
same as a fresh one. Numbers are set by `analysis.formats`.
"""
from __future__ import annotations

from datetime import datetime
from typing import Any

from analysis.formats import (
    UNKNOWN,
    angle,
    contrast,
    false_alarm,
    left_over,
    length,
    minus,
    percent,
    period,
    probability,
    ratio,
    share,
    signed,
    significant,
)
from analysis.report import to_dict

__all__ = ["CAUTION_DRIVE", "CAUTION_ENGRAVE", "CAUTION_RANK", "CHANGE_WORDS", "UNKNOWN", "VERDICT_WORDS",
           "angle", "answer", "answer_lines", "by_place", "cautions", "change_rows", "contrast", "date_words",
           "false_alarm", "grain", "left_over", "length", "next_step", "percent", "period", "photos",
           "probability", "program", "ratio", "reasons", "registration", "scale", "score_rows",
           "seen_by_eye", "settings_line", "share", "source", "stripe_line", "warnings", "why"]

NONE = "\N{EN DASH}"
UNEVEN = 0.01              # chance that noise alone makes the tiles differ so: below it the stripe is called uneven
VERDICT_WORDS = {
    "mechanical": "regular artefact of the machine",
    "grain": "grain of the material",
    "mixed": "both: regular artefact and grain",
    "clean": "neither: no stripe, little grain",
    "undecided": "cannot tell from this photo",
}
CHANGE_WORDS = {
    "removed": "the stripe is gone",
    "reduced": "the stripe is weaker",
    "unchanged": "no difference",
    "worse": "the stripe is stronger",
    "appeared": "a stripe that was not there before",
    "nothing to compare": "no stripe in either photo",
    "undecided": "cannot tell from these photos",
}
# Common practice of workshop safety; IEC 60825-1 and the machine's own manual rank above it.
CAUTION_ENGRAVE = ("Before you engrave: eye protection for the wavelength, extraction on, nothing with "
                   "chlorine (PVC), never unattended.")
CAUTION_DRIVE = ("Before you touch the drive: switch off, unplug, let it discharge. First run: beam off, low "
                 "speed, hand on the emergency stop; the axis may run the other way.")
CAUTION_RANK = "The machine's manual and local rules come first."
_ENGRAVE_WORDS = ("engrave", "cut ", "test piece", "lighter", "speed")
_DRIVE_WORDS = ("belt", "pulley", "drive", "motor", "idler", "wheel", "bearing", "screw", "rail", "gear",
                "tension")


def photos(report: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """Photos of a report with the name of each: BEFORE and AFTER, or PHOTO."""
    if "photo" in report:
        return [("PHOTO", report["photo"])]
    return [("BEFORE", report["before"]), ("AFTER", report["after"])]


def scale(photo: dict[str, Any]) -> str:
    """Scale of a photo with the half width of its 95 % interval."""
    per_mm = photo["pixels_per_mm"]
    if per_mm is None:
        return "not known: lengths in px"
    sd = (photo.get("scale") or {}).get("sd_percent")
    wide = f" ± {significant(1.96 * sd, 2)} %" if sd else ""
    return f"{significant(per_mm, 4)} px/mm{wide}"


def source(stripe: dict[str, Any]) -> str | None:
    """Likeliest source with its probability; `None` without a machine file."""
    if not stripe["sources"]:
        return None
    best = max(stripe["sources"], key=lambda one: one["probability"] or 0.0)
    where = "" if best["period_mm"] is None else f" ({significant(best['period_mm'], 4)} mm)"
    return f"{best['part']}{where}, {probability(best['probability'])}"


def seen_by_eye(stripe: dict[str, Any]) -> str | None:
    """Whether a person sees the stripe at arm's length; `None` where no scale is known."""
    from analysis.visibility import visible
    if not stripe["period_mm"] or stripe["contrast_percent"] is None:
        return None
    seen = visible(stripe["period_mm"], stripe["contrast_percent"])
    level = {"below": "no", "near": "hardly", "above": "yes"}[seen.level]
    return f"{level}, from about {percent(seen.threshold_percent)}"


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


def stripe_line(stripe: dict[str, Any]) -> str:
    """One stripe in a line."""
    line = (f"every {period(stripe)}, contrast "
            f"{contrast(stripe['contrast_percent'], stripe['contrast_interval_percent'])}, "
            f"angle {angle(stripe['angle_deg'], stripe.get('angle_interval_deg'))}")
    likely = source(stripe)
    return line if likely is None else f"{line}; likely source: {likely}"


def grain(values: dict[str, Any]) -> str:
    """Grain in a line."""
    parts = [f"contrast {contrast(values['contrast_percent'], values.get('contrast_interval_percent'))}"]
    if values["angle_deg"] is not None:
        parts.append(f"lines at {grain_angle(values)} from the scan axis")
    if spacing_of(values)[0] is not None:
        parts.append(f"spacing {grain_spacing(values)}")
    return ", ".join(parts)


def grain_angle(values: dict[str, Any]) -> str:
    """Direction of the grain lines with the spread of local directions."""
    spread = values.get("angle_spread_deg")
    if values["angle_deg"] is None or spread is None:
        return angle(values["angle_deg"])
    return f"{signed(values['angle_deg'], 0)}° ± {spread:.0f}°"


def grain_spacing(values: dict[str, Any]) -> str:
    """Mean spacing and how unequal it is."""
    spacing, unit = spacing_of(values)
    if spacing is None:
        return UNKNOWN
    uneven = values["spacing_variation"]
    return f"{significant(spacing, 3)} {unit}" + ("" if uneven is None else f", varies by {share(uneven)}")


def spacing_of(values: dict[str, Any]) -> tuple[float | None, str]:
    """Grain spacing and its unit."""
    if values["spacing_mm"] is not None or values.get("spacing_px") is None:
        return values["spacing_mm"], "mm"
    return values["spacing_px"], "px"


def registration(values: dict[str, Any]) -> str:
    """How well AFTER lies on BEFORE."""
    if not values["ok"]:
        return "not aligned: " + (values["reason"] or "no reason known")
    misfit = [] if values["residual_mm"] is None else [f"{significant(values['residual_mm'], 2)} mm"]
    misfit += [] if values["residual_px"] is None else [f"{significant(values['residual_px'], 2)} px"]
    return f"misfit {' = '.join(misfit) or UNKNOWN}, overlap {share(values['overlap_fraction'])}"


def detection_limit(photo: dict[str, Any]) -> str:
    """Smallest contrast that would have been found."""
    return percent(photo["detection_limit_percent"])


def answer(report: dict[str, Any]) -> str:
    """Give the answer in one sentence."""
    if "photo" in report:
        return report["photo"].get("sentence") or _bare(VERDICT_WORDS[report["photo"]["verdict"]])
    return report["change"].get("sentence") or _bare(CHANGE_WORDS[report["change"]["verdict"]])


def next_step(report: dict[str, Any]) -> str | None:
    """Say what to do next; where the report does not, what AFTER asks for."""
    return report.get("next_step") or (report.get("photo") or report["after"]).get("next_step")


def cautions(text: str | None) -> tuple[str, ...]:
    """Safety cautions for a next step that has a person engrave or touch the drive."""
    low = (text or "").split(" If ")[0].lower()    # after it stands what an outcome would mean, nothing to do
    found = []
    if any(word in low for word in _DRIVE_WORDS):
        found.append(CAUTION_DRIVE)
    if any(word in low for word in _ENGRAVE_WORDS):
        found.append(CAUTION_ENGRAVE)
    return (*found, CAUTION_RANK) if found else ()


def reasons(photo: dict[str, Any], for_count: int = 2, against_count: int = 1) -> tuple[list[str], list[str]]:
    """Strongest reasons for the photo's verdict, and against it.

    A reason with a positive weight speaks for a regular artefact; under the
    verdicts `grain` and `clean` it is one against. Under `undecided` the two
    lists are for and against a regular artefact, and as long as each other.
    """
    if photo["verdict"] == "undecided":
        against_count = for_count
    listed = sorted(photo.get("reasons") or [], key=lambda r: -abs(r["weight"] or 0.0))
    sign = -1.0 if photo["verdict"] in ("grain", "clean") else 1.0
    speak = [r["words"] for r in listed if (r["weight"] or 0.0) * sign > 0]
    other = [r["words"] for r in listed if (r["weight"] or 0.0) * sign < 0]
    return speak[:for_count], other[:against_count]


def why(name: str, photo: dict[str, Any]) -> str:
    """Heading of a photo's reasons."""
    if photo["verdict"] == "undecided":
        return f"Why {name} stays open: for and against a regular artefact"
    return f"Why {name} reads as {VERDICT_WORDS[photo['verdict']]}"


def warnings(report: dict[str, Any]) -> list[str]:
    """Warnings of every part, each led by what it concerns."""
    found = [f"{name}: {text}" for name, photo in photos(report) for text in photo["warnings"]]
    return found + [f"ALIGNMENT: {text}" for text in report.get("registration", {}).get("warnings") or ()]


def score_rows(report: dict[str, Any]) -> list[tuple[str, ...]]:
    """Table of scores: (what, value of each photo) by row, strongest stripe first."""
    columns = [_scores(photo) for _, photo in photos(report)]
    rows = []
    for what in dict.fromkeys(key for column in columns for key in column):
        rows.append((what, *(column.get(what, NONE) for column in columns)))
    return rows


def _scores(photo: dict[str, Any]) -> dict[str, str]:
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
        if seen_by_eye(one) is not None:
            rows["Seen from 35 cm"] = seen_by_eye(one)
        if source(one) is not None:
            rows["Likely source"] = source(one)
        for i, other in enumerate(found[1:3], 2):
            rows[f"Stripe {i}"] = f"{period(other)}, {percent(other['contrast_percent'])}"
    else:
        rows["Stripe period"] = "none found"
    rows["Detection limit"] = detection_limit(photo)
    rows["Grain contrast"] = contrast(photo["grain"]["contrast_percent"],
                                      photo["grain"].get("contrast_interval_percent"))
    rows["Grain direction"] = grain_angle(photo["grain"])
    rows["Grain spacing"] = grain_spacing(photo["grain"])
    if (photo.get("print_quality") or {}).get("banding") is not None:
        rows["Banding, mottle, graininess"] = print_quality(photo["print_quality"])
    rows["Scale"] = scale(photo)
    return rows


def print_quality(measured: dict[str, float]) -> str:
    """Unevenness in optical density as measures of printed matter have it; plain readings, so without an interval."""
    return ", ".join(NONE if measured.get(name) is None else significant(measured[name], 2)
                     for name in ("banding", "mottle", "graininess"))


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


def program(report: dict[str, Any]) -> str:
    """Program and version that made the report."""
    return "Stripe or Grain" if report["version"] == "unknown" else f"Stripe or Grain {report['version']}"


def date_words(made: datetime) -> str:
    """Date that every reader takes the same way: `25 November 2026, 14:05`."""
    months = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
              "October", "November", "December")
    return f"{made.day} {months[made.month - 1]} {made.year}, {made:%H:%M}"


def settings_line(report: dict[str, Any]) -> str:
    """List the settings that shaped the answer, in a line."""
    settings = report.get("settings") or {}
    parts = []
    if settings.get("frame_mm"):
        parts.append("frame {:g} x {:g} mm".format(*settings["frame_mm"]))
    if settings.get("pixels_per_mm"):
        parts.append(f"{settings['pixels_per_mm']:g} px per mm given")
    if settings.get("before_corners_px") or settings.get("after_corners_px"):
        parts.append("corners set by hand")
    if settings.get("scan_angle_deg"):
        parts.append(f"scan axis at {angle(settings['scan_angle_deg'])}")
    if settings.get("region_mm"):
        parts.append("region x {:g}, y {:g}, {:g} x {:g} mm".format(*settings["region_mm"]))
    if settings.get("shortest_period_mm") and any(one["pixels_per_mm"] for _, one in photos(report)):
        parts.append(f"periods from {settings['shortest_period_mm']:g} mm")
    parts.append(f"false-alarm rate {share(photos(report)[0][1]['false_alarm_rate'])}")
    return ", ".join(parts)


def answer_lines(result: Any) -> list[str]:
    """Put the whole answer into lines of plain text for the terminal.

    Parameters
    ----------
    result : Comparison, Inspection or dict
        A result, or its report, fresh or read back.
    """
    report = result if isinstance(result, dict) else to_dict(result)
    lines = [answer(report), ""]
    if "change" in report:
        change = report["change"]
        lines += [f"CHANGE  {change['verdict']}: {CHANGE_WORDS[change['verdict']]}"]
        lines += [f"  {what:<28}{value}" for what, value in change_rows(report)]
        lines += [f"  because  {text}" for text in change.get("reasons") or ()]
        lines.append("")
    for name, photo in photos(report):
        lines += [f"{name}  {photo['file']}: {photo['verdict']} ({VERDICT_WORDS[photo['verdict']]})"]
        if photo.get("sentence") and photo["sentence"] != lines[0]:
            lines.append(f"  {photo['sentence']}")
        lines += [f"  {what:<28}{value}" for what, value in _scores(photo).items()]
        speak, other = reasons(photo)
        lines += [f"  for      {text}" for text in speak] + [f"  against  {text}" for text in other]
        lines.append("")
    lines += [f"Warning, {text}" for text in warnings(report)]
    step = next_step(report)
    if step:
        lines += [f"Next: {step}", *cautions(step)]
    return [line.replace(minus("-"), "-") for line in lines]


def _bare(words: str) -> str:
    """Words as a sentence."""
    return words[0].upper() + words[1:] + "."
