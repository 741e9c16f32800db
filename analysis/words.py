"""Sentences as a person reads them, shared by page, sheet and terminal.

Everything here takes the report as a dict, so that a saved report reads the
same as a fresh one. Numbers are set by `analysis.formats`, tables by `analysis.scores`.
"""
from __future__ import annotations

import re
from datetime import datetime
from typing import Any

from analysis.formats import (
    UNKNOWN,
    angle,
    contrast,
    false_alarm,
    left_over,
    length,
    percent,
    period,
    probability,
    ratio,
    share,
    significant,
)

__all__ = ["CAUTION_DRIVE", "CAUTION_ENGRAVE", "CAUTION_RANK", "CHANGE_WORDS", "UNKNOWN", "VERDICT_WORDS", "angle",
           "answer", "cautions", "contrast", "date_words", "false_alarm", "left_over", "length", "next_step", "percent",
           "period", "photos", "probability", "program", "ratio", "reasons", "registration", "scale", "settings_line",
           "share", "source", "stripe_line", "warnings", "why", "without_options"]

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
_OPTION = re.compile(r" \(--[a-z-]+\)")
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


def stripe_line(stripe: dict[str, Any]) -> str:
    """One stripe in a line."""
    line = (f"every {period(stripe)}, contrast "
            f"{contrast(stripe['contrast_percent'], stripe['contrast_interval_percent'])}, "
            f"angle {angle(stripe['angle_deg'], stripe.get('angle_interval_deg'))}")
    likely = source(stripe)
    return line if likely is None else f"{line}; likely source: {likely}"


def registration(values: dict[str, Any]) -> str:
    """How well AFTER lies on BEFORE."""
    if not values["ok"]:
        return "not aligned: " + (values["reason"] or "no reason known")
    misfit = [] if values["residual_mm"] is None else [f"{significant(values['residual_mm'], 2)} mm"]
    misfit += [] if values["residual_px"] is None else [f"{significant(values['residual_px'], 2)} px"]
    return f"misfit {' = '.join(misfit) or UNKNOWN}, overlap {share(values['overlap_fraction'])}"


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


def without_options(told):
    """Sentences, alone or anywhere in a report, without the command line's options in brackets: for page and sheet."""
    if isinstance(told, str):
        return _OPTION.sub("", told)
    if isinstance(told, dict):
        return {name: without_options(value) for name, value in told.items()}
    return [without_options(value) for value in told] if isinstance(told, list) else told


def _bare(words: str) -> str:
    """Words as a sentence."""
    return words[0].upper() + words[1:] + "."
