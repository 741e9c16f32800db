"""Numbers and sentences as a person reads them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import formats, report, scores, words
from analysis.terminal import answer_lines
from tests import sample_results


@pytest.mark.parametrize(
    ("half_width", "decimals"),
    [
        (0.0021, 3),
        (0.0015, 4),
        (0.4, 1),
        (0.14, 2),
        (3.0, 0),
        (1.2, 1),
        (25.0, 0),
        (0.0099, 3),
        (0.00999, 3),
        (0.95, 1),
    ],
)
def test_uncertainty_sets_the_decimals(half_width, decimals):
    """One significant digit, two where it starts with 1: habit of the particle-data tables, from memory."""
    assert formats.decimals_for(half_width) == decimals


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_an_uncertainty_must_be_positive(bad):
    with pytest.raises(ValueError, match="half_width"):
        formats.decimals_for(bad)


@pytest.mark.parametrize(
    ("stripe", "text"),
    [
        ({"period_mm": 2.032, "period_interval_mm": [2.030, 2.034]}, "2.032 ± 0.002 mm"),
        ({"period_mm": 12.7, "period_interval_mm": [12.4, 13.0]}, "12.7 ± 0.3 mm"),
        ({"period_mm": 2.032, "period_interval_mm": None}, "2.032 mm"),
        ({"period_mm": None, "period_px": 24.0, "period_interval_px": [23.98, 24.02]}, "24.00 ± 0.02 px"),
        ({"period_mm": None, "period_px": None}, "not known"),
    ],
)
def test_period_carries_its_interval_and_its_unit(stripe, text):
    """First case: the figures of the contract's example."""
    assert words.period(stripe) == text


@pytest.mark.parametrize(
    ("value", "interval", "text"),
    [
        (4.2, [3.8, 4.6], "4.2 % (3.8 to 4.6)"),
        (5.13, [4.61, 5.72], "5.1 % (4.6 to 5.7)"),
        (0.43, [0.40, 0.46], "0.43 % (0.40 to 0.46)"),
        (4.2, None, "4.2 %"),
        (4.2, [None, 4.6], "4.2 %"),
        (0.05, None, "0.05 %"),
        (None, None, "not known"),
    ],
)
def test_contrast_carries_its_interval(value, interval, text):
    assert words.contrast(value, interval) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.9999, "more than 99 %"),
        (1.0, "more than 99 %"),
        (0.93, "93 %"),
        (0.99, "99 %"),
        (0.985, "98 %"),
        (0.01, "1 %"),
        (0.009, "less than 1 %"),
        (0.0, "less than 1 %"),
        (None, "not known"),
    ],
)
def test_a_probability_never_claims_certainty(value, text):
    assert words.probability(value) == text


@given(st.floats(0, 1))
@settings(max_examples=200, derandomize=True, deadline=None)
def test_no_probability_reads_as_none_or_all(value):
    assert words.probability(value) not in ("0 %", "100 %")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1e-9, "less than 1 in a million"),
        (0.0, "less than 1 in a million"),
        (0.003125, "1 in 320"),
        (8.2e-5, "1 in 12 000"),
        (0.1, "10 %"),
        (0.5, "50 %"),
        (None, "not known"),
    ],
)
def test_false_alarm_reads_as_one_in_so_many(value, text):
    assert words.false_alarm(value) == text


@pytest.mark.parametrize(
    ("value", "interval", "text"),
    [
        (0.31, [-0.12, 0.74], "0.3° (−0.1 to 0.7)"),
        (-17.2, None, "−17.2°"),
        (-0.01, [-0.31, 0.29], "0.0° (−0.3 to 0.3)"),
        (-0.04, None, "0.0°"),
        (None, None, "not known"),
    ],
)
def test_angles_have_a_true_minus_and_no_minus_zero(value, interval, text):
    assert words.angle(value, interval) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0 %"),
        (0.003, "under 1 %"),
        (0.957, "96 %"),
        (0.999, "over 99 %"),
        (1.0, "100 %"),
        (None, "not known"),
    ],
)
def test_a_share_is_all_or_nothing_only_where_exact(value, text):
    assert words.share(value) == text


def test_ratio_and_what_is_left_agree():
    assert words.ratio(0.119, [0.081, 0.187]) == "0.12 (0.08 to 0.19)"
    assert words.left_over(0.119, [0.081, 0.187]) == "12 % (8 to 19)"
    assert words.left_over(0.0, [0.0, 0.05]) == "less than 5 %"
    assert words.left_over(None, [0.0, 0.14]) == "at most 14 %"
    assert words.left_over(None, None) == "not known"


@given(st.floats(1e-3, 1e4), st.floats(1e-6, 1e-1))
@settings(max_examples=200, derandomize=True, deadline=None)
def test_a_length_rounds_by_less_than_its_uncertainty(value, relative):
    """A rounded value stays within 0.55 of its 95 % half width, and the width within 1.5 of itself."""
    half = value * relative
    shown, rest = words.length(value, "mm", half).split(" ± ")
    assert abs(float(shown) - value) <= 0.55 * half + 5e-7
    assert abs(float(rest.split()[0]) - half) <= 0.5 * half + 5e-7


@given(st.floats(1e-5, 1e6), st.integers(1, 6))
@settings(max_examples=200, derandomize=True, deadline=None)
def test_significant_digits_round_within_half_a_unit(value, digits):
    """Half a unit in the last place: at most 0.5 x 10^(1 - digits) relative."""
    text = formats.significant(value, digits)
    assert "e" not in text
    assert float(text) == pytest.approx(value, rel=0.5001 * 10.0 ** (1 - digits))


@pytest.mark.parametrize(("chance", "more", "over", "dark"), [
    (0.3, 0.02, "even within its noise", "0.0 % (−0.4 to 0.5)"),
    (0.001, -0.04, "3.5 % to 4.9 %", "0.0 % (−0.4 to 0.5)"),
    (None, 0.8, None, "0.8 % (−0.4 to 0.5)"), (0.3, None, "even within its noise", None)])
def test_contrast_by_place_is_told_in_a_line_each(chance, more, over, dark):
    strips = [{"contrast_percent": value, "interval_percent": None} for value in (3.5, 4.2, 4.9)]
    found = {"along": strips, "across": [], "by_level": [], "uneven_probability": chance,
             "dark_minus_light_percent": more, "dark_minus_light_interval_percent": [-0.42, 0.51]}
    told = {"Stripe over the piece": over, "Stronger on dark ground by": dark}
    assert scores.by_place({"by_place": found}) == {name: value for name, value in told.items() if value}
    assert scores.by_place({"by_place": None}) == scores.by_place({}) == {}


def test_every_verdict_of_the_contract_has_words():
    assert set(words.VERDICT_WORDS) == {"mechanical", "grain", "mixed", "clean", "undecided"}
    assert set(words.CHANGE_WORDS) == {
        "removed",
        "reduced",
        "unchanged",
        "worse",
        "appeared",
        "nothing to compare",
        "undecided",
    }


@pytest.mark.parametrize("scale_known", [True, False])
def test_the_unit_is_px_where_no_scale_is_known(scale_known):
    lines = "\n".join(answer_lines(sample_results.comparison(scale_known=scale_known)))
    assert ("2.032 ± 0.002 mm" in lines) == scale_known
    assert ("20.32 ± 0.02 px" in lines) != scale_known


def test_terminal_answer_starts_with_the_answer_and_names_both_files():
    made = sample_results.comparison(names=("left one.jpg", "right one.jpg"))
    lines = answer_lines(made)
    assert lines[0] == made.change.sentence
    text = "\n".join(lines)
    for part in (
        "left one.jpg",
        "right one.jpg",
        "4.2 % (3.8 to 4.6)",
        "more than 99 %",
        "Detection limit",
        "belt pitch (2.032 mm), 93 %",
        "12 % (8 to 19)",
        "-17° ± 6°",
        "Glare covers 3 %",
    ):
        assert part in text, part
    assert "−" not in text  # a terminal in Latin-1 has no true minus sign


def test_a_report_read_back_reads_the_same():
    made = sample_results.comparison(aligned=False)
    assert answer_lines(report.load(report.dumps(made))) == answer_lines(made)


def test_a_report_with_the_contract_alone_can_be_shown():
    """A report by another program has the contract's keys and no more."""
    full = report.to_dict(sample_results.comparison())
    keep = {
        "file",
        "size_px",
        "pixels_per_mm",
        "warnings",
        "verdict",
        "probability_mechanical",
        "stripes",
        "grain",
        "detection_limit_percent",
        "false_alarm_rate",
    }
    stripe = {
        "period_mm",
        "period_interval_mm",
        "period_px",
        "angle_deg",
        "contrast_percent",
        "coherence",
        "coverage",
        "contrast_interval_percent",
        "false_alarm_probability",
        "sources",
    }
    grain = {"angle_deg", "contrast_percent", "spacing_mm", "spacing_variation"}
    lean = {"format": 1, "version": "0.1.0"}
    for name in ("before", "after"):
        photo = {key: full[name][key] for key in keep}
        photo["stripes"] = [{key: one[key] for key in stripe} for one in photo["stripes"]]
        lean[name] = photo | {"grain": {key: photo["grain"][key] for key in grain}}
    lean["registration"] = {
        key: full["registration"][key]
        for key in ("ok", "homography", "residual_mm", "residual_px", "overlap_fraction", "reason")
    }
    lean["change"] = {
        key: full["change"][key] for key in ("verdict", "ratio", "ratio_interval", "phase_locked")
    }
    text = "\n".join(answer_lines(report.from_dict(lean)))
    assert text.startswith("The stripe is weaker.") and "2.032 ± 0.002 mm" in text


@pytest.mark.parametrize("gone", ["angle_deg", "spacing_mm", "spacing_variation", "contrast_percent"])
def test_an_unknown_grain_value_reads_as_not_known(gone):
    made = report.to_dict(sample_results.inspection())
    made["photo"]["grain"][gone] = None
    text = "\n".join(answer_lines(made))
    assert "None" not in text and "nan" not in text


@pytest.mark.parametrize(
    ("step", "drive", "engrave"),
    [
        ("Check the belt and its pulley, then engrave the same piece again.", True, True),
        ("Engrave the same piece at another speed.", False, True),
        ("Photograph the piece again from straight above.", False, False),
        (None, False, False),
    ],
)
def test_a_step_that_touches_drive_or_beam_carries_its_caution(step, drive, engrave):
    found = words.cautions(step)
    assert (words.CAUTION_DRIVE in found) == drive
    assert (words.CAUTION_ENGRAVE in found) == engrave
    assert (words.CAUTION_RANK in found) == (drive or engrave)


@pytest.mark.parametrize("verdict", ["mechanical", "grain", "clean"])
def test_reasons_for_a_verdict_are_those_that_support_it(verdict):
    photo = report.to_dict(sample_results.inspection(verdict=verdict))["photo"]
    speak, other = words.reasons(photo)
    assert len(speak) == 2 and len(other) == 1 and "harmonic" in other[0]


def test_every_ranked_test_that_engraves_carries_the_caution_and_no_other():
    """The ranking's own mark is the reference; a step that only takes a photo warns of nothing."""
    from analysis.next_test import rank_next_tests

    tests = rank_next_tests(report.to_dict(sample_results.comparison()))
    assert len(tests) >= 4
    for test in tests:
        assert (words.CAUTION_ENGRAVE in words.cautions(test.words)) == test.engraves, test.words
