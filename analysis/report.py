"""Results to the report (JSON, format 1) and back.

The report holds finite numbers, text, true/false and null only: no path, no
place, no camera details; of a file its name alone. Numbers are rounded to nine
significant digits, far below any interval, so that the last bit of a sum that
depends on the number of cores does not change the file.
"""
from __future__ import annotations

import dataclasses
import json
import math
from pathlib import PurePath, PureWindowsPath
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis import __version__
from analysis.errors import PhotoError
from analysis.report_shape import check_report, fault

if TYPE_CHECKING:                          # reading a report must not load the image libraries
    from analysis.pipeline import Comparison, Inspection, Judgement

__all__ = ["FORMAT", "dumps", "from_dict", "load", "program_version", "to_dict"]

FORMAT = 1
DIGITS = 9                                 # significant digits in the report
MOST_TESTS = 3
KEEP = "Keep the change, and save this comparison for the record: what is still seen is not the stripe."
MOST_BYTES = 20_000_000                    # a report is some 10 kB; anything near this is another file


def program_version() -> str:
    """Version of the program, installed or not."""
    return __version__


def to_dict(result: Comparison | Inspection) -> dict[str, Any]:
    """Report of a comparison or of one inspected photo.

    Returns
    -------
    dict
        JSON-safe: str, int, float (finite), bool, None, list, dict. The keys
        and units of format 1 never change; readers skip keys they do not know.
    """
    head = {"format": FORMAT, "version": program_version()}
    if hasattr(result, "photo"):
        body = {"photo": _photo(result.photo)}
    else:
        body = {"before": _photo(result.before), "after": _photo(result.after),
                "registration": _registration(result.alignment), "change": _change(result.change)}
        body |= {"next_step": _pair_step(result), "next_tests": _tests(result.next_tests)}
    return _plain(head | body | {"settings": dataclasses.asdict(result.settings)})


def dumps(result: Comparison | Inspection | dict[str, Any]) -> str:
    """Report as JSON text (UTF-8 letters kept, a line end at its end)."""
    report = result if isinstance(result, dict) else to_dict(result)
    return json.dumps(report, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def load(text: str | bytes) -> dict[str, Any]:
    """Read JSON text of a report.

    Raises
    ------
    PhotoError
        Not JSON, not a report, a newer format, or a faulty key, which is named.
    """
    if len(text) > MOST_BYTES:
        raise PhotoError("This file is too large to be a report. "
                         "Choose the JSON file that the program wrote.")
    try:
        report = json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as problem:
        raise PhotoError("This file is no report: it does not read as JSON. "
                         "Choose the JSON file that the program wrote.") from problem
    return from_dict(report)


def from_dict(report: Any) -> dict[str, Any]:
    """Check a report read from outside; returns it unchanged.

    Any number may be null (not known); a key that format 1 does not name is
    let through unread.

    Raises
    ------
    PhotoError
        Names the first faulty key, such as `before.stripes[0].period_mm`.
    """
    if not isinstance(report, dict) or "format" not in report:
        raise PhotoError("This file is no report: it has no `format`. "
                         "Choose the JSON file that the program wrote.")
    form = report["format"]
    if not isinstance(form, int) or isinstance(form, bool) or form < 1:
        raise fault("format", "a whole number")
    if form > FORMAT:
        raise PhotoError(f"This report has format {form}; this program reads up to format {FORMAT}. "
                         "Update the program to open it.")
    check_report(report)
    return report


def _refuse_constant(name: str) -> None:
    """NaN and Infinity, which Python's reader would let through."""
    raise PhotoError(f"This report is faulty: it holds {name}, which is no number. Make the report again.")


def _photo(judged: Judgement) -> dict[str, Any]:
    """PHOTO of the contract, and beyond it what the page and the sheet show."""
    piece, decision, texture = judged.piece, judged.decision, judged.texture
    known = piece.scale_known
    per_mm = piece.photo_px_per_mm if known else None
    return {
        "file": _file_name(judged.photo.name), "size_px": judged.photo.size_px, "pixels_per_mm": per_mm,
        "warnings": judged.warnings,
        "verdict": decision.verdict, "probability_mechanical": decision.probability_mechanical,
        "stripes": [_stripe(stripe, judged, i) for i, stripe in enumerate(judged.stripes.stripes)],
        "grain": _grain(judged),
        "detection_limit_percent": decision.detection_limit_percent,
        "false_alarm_rate": decision.false_alarm_rate,
        "sentence": decision.sentence, "next_step": decision.next_step,
        "next_tests": _tests(judged.next_tests),
        "reasons": [{"term": r.term, "words": r.words, "weight": r.weight} for r in decision.reasons],
        "detection_limit_curve": [
            {"period_mm" if known else "period_px": period, "contrast_percent": contrast}
            for period, contrast in judged.stripes.detection_limit_curve],
        "listed_limits": [{"period_mm": period, "contrast_percent": contrast}
                          for period, contrast in judged.stripes.listed_limits],
        "scale": {"known": known, "method": piece.method,
                  "sd_percent": 100 * piece.scale_sd_fraction, "axis_sd_deg": piece.axis_sd_deg,
                  "axis_from": piece.axis_from, "row_interval_mm": piece.row_interval_mm,
                  "frame_mm": piece.frame_mm, "tilt_deg": piece.tilt_deg, "residual_px": piece.residual_px,
                  "corners_px": piece.corners_px, "corners_sd_px": piece.corners_sd_px},
        "print_quality": dataclasses.asdict(judged.print_quality),
        "analysed": {"artwork_fraction": texture.artwork_fraction,
                     "longest_period_mm" if known else "longest_period_px": texture.longest_period_mm,
                     "samples_per_mm": texture.samples_per_mm if known else None},
    }


def _stripe(stripe, judged: Judgement, index: int) -> dict[str, Any]:
    """STRIPE of the contract. A length in photo pixels is never written under a name in mm."""
    known = judged.piece.scale_known
    per_mm = judged.piece.photo_px_per_mm if known else 1.0
    sources = judged.sources[index] if index < len(judged.sources) else ()
    return {
        "period_mm": stripe.period_mm if known else None,
        "period_interval_mm": stripe.period_interval_mm if known else None,
        "period_px": stripe.period_mm * per_mm,
        "period_interval_px": [edge * per_mm for edge in stripe.period_interval_mm],
        "angle_deg": stripe.angle_deg, "angle_interval_deg": stripe.angle_interval_deg,
        "contrast_percent": stripe.contrast_percent,
        "contrast_interval_percent": stripe.contrast_interval_percent,
        "coherence": stripe.coherence, "coverage": stripe.coverage,
        "false_alarm_probability": stripe.false_alarm_probability,
        "sources": [dict(source) for source in sources],
        "phase_rad": stripe.phase_rad, "phase_sd_rad": stripe.phase_sd_rad,
        "ring_probability": stripe.ring_probability, "periods_in_view": stripe.periods_in_view,
        "drift_percent_per_100mm": stripe.drift_percent_per_100mm if known else None,
        "harmonics": [{"order": order, "contrast_percent": contrast} for order, contrast in stripe.harmonics],
        "notes": stripe.notes,
        "by_place": _by_place((judged.stripes.by_place or ())[index:index + 1], known),
    }


def _by_place(measured, known: bool) -> dict[str, Any] | None:
    """Contrast of one stripe stretch by stretch; None where it was not measured."""
    if not measured:
        return None
    (one,), unit = measured, "mm" if known else "px"

    def stretches(parts, start: str, end: str) -> list[dict[str, Any]]:
        return [{start: part.start, end: part.end, "contrast_percent": part.contrast_percent,
                 "interval_percent": part.interval_percent} for part in parts]
    return {
        "along": stretches(one.along, f"start_{unit}", f"end_{unit}"),
        "across": stretches(one.across, f"start_{unit}", f"end_{unit}"),
        "by_level": stretches(one.by_level, "start_reflectance", "end_reflectance"),
        "dark_minus_light_percent": one.dark_minus_light_percent,
        "dark_minus_light_interval_percent": one.dark_minus_light_interval_percent,
        "uneven_probability": one.uneven_probability,
    }


def _grain(judged: Judgement) -> dict[str, Any]:
    """Grain of the contract with its spread, interval and the directions found."""
    grain, known = judged.grain, judged.piece.scale_known
    return {
        "angle_deg": grain.angle_deg, "contrast_percent": grain.contrast_percent,
        "spacing_mm": grain.spacing_mm if known else None, "spacing_variation": grain.spacing_variation,
        "spacing_px": None if known else grain.spacing_mm,
        "angle_spread_deg": grain.angle_spread_deg,
        "contrast_interval_percent": grain.contrast_interval_percent,
        "directions": [{"angle_deg": angle, "share": share} for angle, share in grain.directions],
        "notes": grain.notes,
    }


def _registration(alignment) -> dict[str, Any]:
    return {"ok": alignment.ok, "homography": alignment.homography, "residual_mm": alignment.residual_mm,
            "residual_px": alignment.residual_px, "overlap_fraction": alignment.overlap_fraction,
            "reason": alignment.reason, "method": alignment.method, "turned": alignment.turned,
            "warnings": alignment.warnings}


def _change(change) -> dict[str, Any]:
    return {"verdict": change.verdict, "ratio": change.ratio, "ratio_interval": change.ratio_interval,
            "phase_locked": change.phase_locked, "sentence": change.sentence,
            "phase_difference_rad": change.phase_difference_rad,
            "before_contrast_percent": change.before_contrast_percent,
            "after_contrast_percent": change.after_contrast_percent, "reasons": change.reasons}


def _pair_step(result: Comparison) -> str:
    """Choose what to do next: AFTER is the machine as it is now, unless the pair knows more of the cause."""
    from analysis.next_test import next_step_sentence
    if not result.alignment.ok and result.alignment.reason:
        return result.alignment.reason
    if result.change.verdict == "removed" and result.after.decision.verdict in ("grain", "clean"):
        return KEEP
    if result.change.verdict in ("reduced", "unchanged", "worse", "appeared") and result.next_tests:
        return next_step_sentence(result.next_tests)
    return result.after.decision.next_step


def _tests(tests) -> list[dict[str, Any]]:
    """List the tests that would teach the most, with what each outcome would mean."""
    return [{"name": test.name, "words": test.words, "information_bits": test.information_bits,
             "cost_words": test.cost_words, "engraves": test.engraves,
             "outcomes": [{"words": o.words, "probability": o.probability, "meaning": o.meaning}
                          for o in test.outcomes]} for test in tests[:MOST_TESTS]]


def _file_name(name: str) -> str:
    """Last part of a name: a path, of either kind, stays out of the report."""
    return PureWindowsPath(PurePath(name).name).name or "photo"


def _plain(value: Any) -> Any:
    """JSON-safe copy: arrays and tuples as lists, numbers finite or null."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") + 0.0 if math.isfinite(value) else None    # + 0.0: no minus zero
    if value is None or isinstance(value, (str, int)):
        return value
    raise TypeError(f"a report cannot hold {type(value).__name__}")
