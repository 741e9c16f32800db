"""The report: contract of format 1, JSON-safe numbers, reading back."""

from __future__ import annotations

import copy
import dataclasses
import json
import math

import jsonschema
import numpy as np
import pytest

from analysis import report
from analysis.errors import PhotoError
from tests import sample_results

NUMBER = {"type": ["number", "null"]}
PLAIN = {"type": "number"}
SHARE = {"type": "number", "minimum": 0, "maximum": 1}
PAIR = {"type": ["array", "null"], "items": {"type": "number"}, "minItems": 2, "maxItems": 2}
TEXTS = {"type": "array", "items": {"type": "string"}}


def _object(**properties):
    return {"type": "object", "properties": properties, "required": list(properties)}


STRIPE = _object(
    period_mm=NUMBER,
    period_interval_mm=PAIR,
    period_px={"type": "number", "exclusiveMinimum": 0},
    angle_deg={"type": "number", "exclusiveMinimum": -90, "maximum": 90},
    contrast_percent={"type": "number", "minimum": 0},
    contrast_interval_percent=PAIR,
    coherence=SHARE,
    coverage=SHARE,
    false_alarm_probability=SHARE,
    sources={"type": "array", "items": _object(part={"type": "string"}, period_mm=NUMBER, probability=SHARE)},
)
PHOTO = _object(
    file={"type": "string", "pattern": r"^[^/\\]+$"},
    size_px={"type": "array", "items": {"type": "integer", "minimum": 1}, "minItems": 2, "maxItems": 2},
    pixels_per_mm=NUMBER,
    warnings=TEXTS,
    verdict={"enum": ["mechanical", "grain", "mixed", "clean", "undecided"]},
    probability_mechanical=SHARE,
    stripes={"type": "array", "items": STRIPE},
    grain=_object(angle_deg=NUMBER, contrast_percent=NUMBER, spacing_mm=NUMBER, spacing_variation=NUMBER),
    detection_limit_percent=NUMBER,
    false_alarm_rate=SHARE,
)
HOMOGRAPHY = {
    "type": ["array", "null"],
    "minItems": 3,
    "maxItems": 3,
    "items": {"type": "array", "minItems": 3, "maxItems": 3, "items": PLAIN},
}
COMPARE = _object(
    format={"const": 1},
    version={"type": "string"},
    before=PHOTO,
    after=PHOTO,
    registration=_object(
        ok={"type": "boolean"},
        homography=HOMOGRAPHY,
        residual_mm=NUMBER,
        residual_px=NUMBER,
        overlap_fraction=SHARE,
        reason={"type": ["string", "null"]},
    ),
    change=_object(
        verdict={
            "enum": [
                "removed",
                "reduced",
                "unchanged",
                "worse",
                "appeared",
                "nothing to compare",
                "undecided",
            ]
        },
        ratio=NUMBER,
        ratio_interval=PAIR,
        phase_locked={"type": ["boolean", "null"]},
    ),
)
INSPECT = _object(format={"const": 1}, version={"type": "string"}, photo=PHOTO)


@pytest.mark.parametrize("scale_known", [True, False])
@pytest.mark.parametrize("aligned", [True, False])
def test_comparison_follows_the_contract(scale_known, aligned):
    """Schema written from the interface contract, checked by the jsonschema library."""
    result = report.to_dict(sample_results.comparison(scale_known=scale_known, aligned=aligned))
    jsonschema.validate(json.loads(report.dumps(result)), COMPARE)


@pytest.mark.parametrize("verdict", ["mechanical", "grain", "mixed", "clean", "undecided"])
def test_inspection_follows_the_contract(verdict):
    result = report.to_dict(sample_results.inspection(verdict=verdict))
    jsonschema.validate(json.loads(report.dumps(result)), INSPECT)
    assert "before" not in result and "registration" not in result


def test_schema_catches_a_dropped_key_and_a_wrong_unit_type():
    """The check above can fail: a report short of one key is refused."""
    result = report.to_dict(sample_results.comparison())
    del result["before"]["stripes"][0]["coverage"]
    with pytest.raises(jsonschema.ValidationError, match="coverage"):
        jsonschema.validate(result, COMPARE)


def test_numbers_of_the_report_are_those_of_the_result():
    made = sample_results.comparison()
    result = report.to_dict(made)
    stripe, source = result["before"]["stripes"][0], made.before.stripes.stripes[0]
    assert stripe["period_mm"] == pytest.approx(source.period_mm, rel=1e-8)
    assert stripe["contrast_interval_percent"] == pytest.approx(source.contrast_interval_percent, rel=1e-8)
    assert result["registration"]["homography"] == pytest.approx(made.alignment.homography, rel=1e-8)
    assert result["change"]["ratio_interval"] == pytest.approx(made.change.ratio_interval)
    assert result["before"]["pixels_per_mm"] == pytest.approx(16.31)
    assert result["before"]["grain"]["spacing_variation"] == pytest.approx(0.342)


def test_period_in_px_is_period_in_mm_times_scale():
    """Closed form; the contract's own example is 2.032 mm x 11.8 px/mm = 24.0 px."""
    photo = report.to_dict(sample_results.inspection())["photo"]
    stripe = photo["stripes"][0]
    assert stripe["period_px"] == pytest.approx(stripe["period_mm"] * photo["pixels_per_mm"], rel=1e-6)


@pytest.mark.parametrize(("scale_known", "unit"), [(True, "mm"), (False, "px")])
def test_contrast_by_place_is_that_of_the_result_in_the_unit_of_the_piece(scale_known, unit):
    made = sample_results.inspection(scale_known=scale_known)
    one = made.photo.stripes.by_place[0]
    told = report.to_dict(made)["photo"]["stripes"][0]["by_place"]
    for name in ("along", "across"):
        assert [(part[f"start_{unit}"], part[f"end_{unit}"], part["contrast_percent"]) for part in told[name]] == [
            pytest.approx((part.start, part.end, part.contrast_percent)) for part in getattr(one, name)]
    assert [part["start_reflectance"] for part in told["by_level"]] == [part.start for part in one.by_level]
    assert told["dark_minus_light_interval_percent"] == pytest.approx(one.dark_minus_light_interval_percent)
    assert report.from_dict(report.to_dict(made))
    other = dataclasses.replace(made.photo.stripes, by_place=())
    bare = dataclasses.replace(made, photo=dataclasses.replace(made.photo, stripes=other))
    assert report.to_dict(bare)["photo"]["stripes"][0]["by_place"] is None


def test_without_scale_no_length_stands_under_a_name_in_mm():
    """A pixel length under `period_mm` would be read as millimetres."""
    result = report.to_dict(sample_results.comparison(scale_known=False))

    def walk(value, key=""):
        if isinstance(value, dict):
            for name, item in value.items():
                yield from walk(item, name)
        elif isinstance(value, list):
            for item in value:
                yield from walk(item, key)
        elif "_mm" in key and value is not None and key != "shortest_period_mm":
            yield key, value

    assert list(walk(result)) == []
    assert result["before"]["stripes"][0]["period_px"] == pytest.approx(20.32)


def test_not_a_number_and_infinity_become_null():
    """JSON (RFC 8259) has neither."""
    made = sample_results.comparison()
    stripes = dataclasses.replace(made.before.stripes.stripes[0], angle_interval_deg=(math.nan, math.inf))
    field = dataclasses.replace(made.before.stripes, stripes=(stripes,))
    decision = dataclasses.replace(made.before.decision, detection_limit_percent=math.inf)
    made = dataclasses.replace(
        made, before=dataclasses.replace(made.before, stripes=field, decision=decision)
    )
    text = report.dumps(made)
    assert "NaN" not in text and "Infinity" not in text
    result = json.loads(text)
    assert result["before"]["stripes"][0]["angle_interval_deg"] == [None, None]
    assert result["before"]["detection_limit_percent"] is None
    report.from_dict(result)


def test_numpy_values_become_plain_json():
    made = sample_results.comparison()
    change = dataclasses.replace(
        made.change,
        ratio=np.float32(0.25),
        phase_locked=np.bool_(True),
        ratio_interval=(np.float64(0.2), np.float32(0.3)),
    )
    result = report.to_dict(dataclasses.replace(made, change=change))
    assert result["change"]["phase_locked"] is True
    assert type(result["change"]["ratio"]) is float


@pytest.mark.parametrize(
    "name",
    [
        "/home/someone/secret place/before.jpg",
        "C:\\Users\\someone\\before.jpg",
        "../../before.jpg",
        "before.jpg",
    ],
)
def test_a_path_leaves_only_its_file_name(name):
    result = report.to_dict(sample_results.comparison(names=(name, "after.jpg")))
    assert result["before"]["file"] == "before.jpg"
    assert "someone" not in report.dumps(result)


def test_round_trip_keeps_every_value():
    result = report.to_dict(sample_results.comparison(names=("до.jpg", "μετά.jpg")))
    assert report.load(report.dumps(result)) == result
    assert report.load(report.dumps(result).encode()) == result


def _keys(value, path=()):
    """Path of every named value."""
    if isinstance(value, dict):
        for name, item in value.items():
            yield (*path, name)
            yield from _keys(item, (*path, name))
    elif isinstance(value, list):
        for i, item in enumerate(value):
            yield from _keys(item, (*path, i))


CONTRACT_KEYS = (
    "format",
    "version",
    "before",
    "registration",
    "ok",
    "homography",
    "residual_mm",
    "residual_px",
    "overlap_fraction",
    "change",
    "verdict",
    "ratio",
    "ratio_interval",
    "phase_locked",
    "file",
    "size_px",
    "pixels_per_mm",
    "warnings",
    "probability_mechanical",
    "stripes",
    "grain",
    "angle_deg",
    "contrast_percent",
    "detection_limit_percent",
    "false_alarm_rate",
    "period_mm",
    "period_px",
    "period_interval_mm",
    "contrast_interval_percent",
    "coherence",
    "coverage",
    "sources",
    "part",
    "false_alarm_probability",
)


def test_a_faulty_key_is_named():
    """Every key of the contract in turn gets a value of a wrong kind; the sentence names it."""
    good = report.to_dict(sample_results.comparison())
    tried = set()
    for path in _keys(good):
        if path[-1] not in CONTRACT_KEYS or "settings" in path or "directions" in path:
            continue
        bad = copy.deepcopy(good)
        spot = bad
        for step in path[:-1]:
            spot = spot[step]
        spot[path[-1]] = {"wrong": []}
        with pytest.raises(PhotoError) as caught:
            report.from_dict(bad)
        assert f"{path[-1]}" in str(caught.value), path
        tried.add(path[-1])
    assert tried == set(CONTRACT_KEYS)


def test_a_missing_key_is_named_with_its_place():
    bad = report.to_dict(sample_results.comparison())
    del bad["before"]["stripes"][0]["coherence"]
    with pytest.raises(PhotoError, match=r"`before\.stripes\[0\]\.coherence` is missing"):
        report.from_dict(bad)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("probability_mechanical", 1.2),
        ("probability_mechanical", -0.1),
        ("probability_mechanical", True),
        ("probability_mechanical", "0.5"),
        ("verdict", "perhaps"),
        ("size_px", [1]),
        ("warnings", [3]),
    ],
)
def test_a_value_out_of_range_is_refused(key, value):
    bad = report.to_dict(sample_results.comparison())
    bad["after"][key] = value
    with pytest.raises(PhotoError, match=f"after.{key}"):
        report.from_dict(bad)


def test_unknown_keys_are_let_through():
    """Later programs add fields freely."""
    result = report.to_dict(sample_results.comparison()) | {"later": {"any": 1}}
    assert report.from_dict(result)["later"] == {"any": 1}


def test_a_newer_format_is_refused_with_both_numbers():
    result = report.to_dict(sample_results.comparison()) | {"format": 2}
    with pytest.raises(PhotoError, match="format 2.*up to format 1"):
        report.from_dict(result)


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"\xff\xfe\x00",
        b"not json",
        b"[1, 2]",
        b"{}",
        b'{"format": "1"}',
        b'{"format": 1}',
        b'{"format": true}',
        b"[" * 100_000,
        b'{"format": NaN}',
        b'{"format": 0}',
        b"null",
        b'"format"',
        b'{"format": 1' + b"0" * 5000 + b"}",
    ],
)
def test_what_is_no_report_gets_one_sentence(text):
    with pytest.raises(PhotoError) as caught:
        report.load(text)
    assert "report" in str(caught.value) and "\n" not in str(caught.value)


def test_cut_off_text_is_refused_at_every_tenth():
    text = report.dumps(sample_results.comparison())
    for tenth in range(1, 10):
        with pytest.raises(PhotoError):
            report.load(text[: len(text) * tenth // 10])


def test_the_same_result_makes_the_same_text():
    assert report.dumps(sample_results.comparison()) == report.dumps(sample_results.comparison())


def test_a_value_without_json_form_is_a_fault_of_the_program():
    made = sample_results.comparison()
    change = dataclasses.replace(made.change, ratio=object())
    with pytest.raises(TypeError, match="object"):
        report.to_dict(dataclasses.replace(made, change=change))


def test_a_cured_pair_is_told_to_keep_the_change():
    made = sample_results.comparison()
    made = dataclasses.replace(made, change=dataclasses.replace(made.change, verdict="removed"))
    assert report.to_dict(made)["next_step"].startswith("Keep the change")


@pytest.mark.parametrize("verdict", ["reduced", "undecided"])
def test_any_other_pair_has_the_next_step_of_the_machine_as_it_is_now(verdict):
    """The sample ranks no tests, so AFTER's own step stands."""
    made = sample_results.comparison(verdicts=("mechanical", "mixed"))
    made = dataclasses.replace(made, change=dataclasses.replace(made.change, verdict=verdict))
    assert report.to_dict(made)["next_step"] == made.after.decision.next_step


def test_ranked_tests_are_in_the_report_with_their_outcomes():
    """Ranked by the project's own function from the report itself; chances of outcomes add up to 1."""
    from analysis.next_test import rank_next_tests

    made = sample_results.comparison()
    tests = rank_next_tests(report.to_dict(made))
    listed = report.to_dict(dataclasses.replace(made, next_tests=tests))["next_tests"]
    assert [one["name"] for one in listed] == [test.name for test in tests[:3]]
    for one in listed:
        assert sum(outcome["probability"] for outcome in one["outcomes"]) == pytest.approx(1.0)
