"""Shape of a report, to check one that comes from outside and name its first faulty key.

Any number may be null (not known). A key that is not named here is let through,
since later programs add fields.
"""
from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from analysis.errors import PhotoError

__all__ = ["check_report", "fault"]

VERDICTS = ("mechanical", "grain", "mixed", "clean", "undecided")
CHANGES = ("removed", "reduced", "unchanged", "worse", "appeared", "nothing to compare", "undecided")

LARGEST = 1e300                            # a whole number in JSON may be too long for a float

Check = Callable[[Any, str], None]         # (value, path of its key); raises PhotoError


def check_report(report: dict[str, Any]) -> None:
    """Check a comparison's or an inspection's report, format 1.

    Raises
    ------
    PhotoError
        Names the first faulty key, such as `before.stripes[0].period_mm`.
    """
    shape = {"photo": _PHOTO} if "photo" in report else {
        "before": _PHOTO, "after": _PHOTO, "registration": _REGISTRATION, "change": _CHANGE}
    _shape({"version": _text} | shape, {"next_step": _text, "next_tests": _TESTS})(report, "")


def fault(key: str, wanted: str) -> PhotoError:
    """Name a faulty key in one sentence."""
    return PhotoError(f"This report is faulty: `{key}` must be {wanted}. "
                      "Choose the file as the program wrote it, or make the report again.")


def _text(value: Any, key: str) -> None:
    if not isinstance(value, str):
        raise fault(key, "text")


def _truth(value: Any, key: str) -> None:
    if value is not None and not isinstance(value, bool):
        raise fault(key, "true, false or null")


def _number(low: float = -math.inf, high: float = math.inf) -> Check:
    wanted = "a number or null"
    if math.isfinite(low) or math.isfinite(high):
        above = f"from {low:g} to {high:g}" if math.isfinite(high) else f"of at least {low:g}"
        wanted = f"a number {above}, or null"

    def check(value: Any, key: str) -> None:
        if value is None:
            return
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) <= LARGEST \
                or not low <= value <= high:
            raise fault(key, wanted)
    return check


def _list(item: Check, length: int | None = None, *, null: bool = False) -> Check:
    def check(value: Any, key: str) -> None:
        if value is None and null:
            return
        if not isinstance(value, list) or length not in (None, len(value)):
            wanted = "a list" if length is None else f"a list of {length}"
            raise fault(key, wanted + ", or null" if null else wanted)
        for i, each in enumerate(value):
            item(each, f"{key}[{i}]")
    return check


def _one_of(words: tuple[str, ...]) -> Check:
    def check(value: Any, key: str) -> None:
        if value not in words:
            raise fault(key, "one of " + ", ".join(f'"{word}"' for word in words))
    return check


def _shape(wanted: dict[str, Check], optional: dict[str, Check] | None = None) -> Check:
    def check(value: Any, key: str) -> None:
        if not isinstance(value, dict):
            raise fault(key or "the whole", "an object with named values")
        for name, part in wanted.items():
            path = f"{key}.{name}" if key else name
            if name not in value:
                raise PhotoError(f"This report is faulty: `{path}` is missing. "
                                 "Choose the file as the program wrote it, or make the report again.")
            part(value[name], path)
        for name, part in (optional or {}).items():
            if name in value and value[name] is not None:
                part(value[name], f"{key}.{name}" if key else name)
    return check


_SHARE, _LENGTH, _ANY = _number(0, 1), _number(0), _number()
_PAIR = _list(_ANY, 2, null=True)
_TEXTS = _list(_text)
_TESTS = _list(_shape(
    {"name": _text, "words": _text, "information_bits": _LENGTH,
     "outcomes": _list(_shape({"words": _text, "probability": _SHARE, "meaning": _text}))},
    {"cost_words": _text, "engraves": _truth}))
_STRETCH = {"contrast_percent": _LENGTH, "interval_percent": _PAIR}
_STRETCHES = _list(_shape(_STRETCH, {"start_mm": _ANY, "end_mm": _ANY, "start_px": _ANY, "end_px": _ANY}))
_BY_PLACE = _shape(
    {"along": _STRETCHES, "across": _STRETCHES,
     "by_level": _list(_shape(_STRETCH | {"start_reflectance": _LENGTH, "end_reflectance": _LENGTH}))},
    {"dark_minus_light_percent": _ANY, "dark_minus_light_interval_percent": _PAIR, "uneven_probability": _SHARE})
_STRIPE = _shape(
    {"period_mm": _LENGTH, "period_interval_mm": _PAIR, "period_px": _LENGTH, "angle_deg": _number(-90, 90),
     "contrast_percent": _LENGTH, "contrast_interval_percent": _PAIR, "coherence": _SHARE, "coverage": _SHARE,
     "false_alarm_probability": _SHARE,
     "sources": _list(_shape({"part": _text, "period_mm": _LENGTH, "probability": _SHARE}))},
    {"period_interval_px": _PAIR, "angle_interval_deg": _PAIR, "ring_probability": _SHARE,
     "periods_in_view": _LENGTH, "drift_percent_per_100mm": _ANY, "phase_rad": _ANY, "phase_sd_rad": _ANY,
     "harmonics": _list(_shape({"order": _LENGTH, "contrast_percent": _LENGTH})), "notes": _TEXTS,
     "by_place": _BY_PLACE})
_PHOTO = _shape(
    {"file": _text, "size_px": _list(_LENGTH, 2), "pixels_per_mm": _LENGTH, "warnings": _TEXTS,
     "verdict": _one_of(VERDICTS), "probability_mechanical": _SHARE, "stripes": _list(_STRIPE),
     "grain": _shape({"angle_deg": _ANY, "contrast_percent": _LENGTH, "spacing_mm": _LENGTH,
                      "spacing_variation": _LENGTH},
                     {"spacing_px": _LENGTH, "angle_spread_deg": _LENGTH, "contrast_interval_percent": _PAIR,
                      "directions": _list(_shape({"angle_deg": _ANY, "share": _SHARE})), "notes": _TEXTS}),
     "detection_limit_percent": _LENGTH, "false_alarm_rate": _SHARE},
    {"sentence": _text, "next_step": _text, "next_tests": _TESTS,
     "reasons": _list(_shape({"term": _text, "words": _text, "weight": _ANY})),
     "detection_limit_curve": _list(_shape({"contrast_percent": _LENGTH}, {"period_mm": _LENGTH,
                                                                            "period_px": _LENGTH})),
     "listed_limits": _list(_shape({"period_mm": _LENGTH, "contrast_percent": _LENGTH})),
     "scale": _shape({"known": _truth, "method": _text},
                     {"sd_percent": _LENGTH, "axis_sd_deg": _LENGTH, "frame_mm": _PAIR, "tilt_deg": _ANY,
                      "corners_px": _list(_list(_ANY, 2), 4, null=True), "residual_px": _LENGTH,
                      "corners_sd_px": _LENGTH, "axis_from": _text, "row_interval_mm": _LENGTH}),
     "print_quality": _shape({}, dict.fromkeys(
         ("graininess", "mottle", "banding", "banding_across", "tiles"), _LENGTH)),
     "analysed": _shape({"artwork_fraction": _SHARE},
                        {"longest_period_mm": _LENGTH, "longest_period_px": _LENGTH,
                         "samples_per_mm": _LENGTH})})
_REGISTRATION = _shape(
    {"ok": _truth, "homography": _list(_list(_ANY, 3), 3, null=True), "residual_mm": _LENGTH,
     "residual_px": _LENGTH, "overlap_fraction": _SHARE},
    {"reason": _text, "method": _text, "turned": _truth, "warnings": _TEXTS})
_CHANGE = _shape(
    {"verdict": _one_of(CHANGES), "ratio": _LENGTH, "ratio_interval": _PAIR, "phase_locked": _truth},
    {"sentence": _text, "phase_difference_rad": _ANY, "before_contrast_percent": _LENGTH,
     "after_contrast_percent": _LENGTH, "reasons": _TEXTS})
