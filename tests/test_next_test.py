"""Ranking of the next tests: closed forms against simulation, and what the ranking must say."""
from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import sample_results
from scipy.stats import ncx2

from analysis.evidence import EXPLANATIONS, Evidence, explanation_odds, gather_evidence
from analysis.machine import NOT_LISTED, load_preset, name_sources, parse_machine, two_speeds
from analysis.next_test import information_bits, next_step_sentence, rank_next_tests
from analysis.report import to_dict
from analysis.trials import TRIALS, detection_power, exponent_outcomes, other_speed

STRIPED = Evidence(probability_regular=0.98, called=True, line_seen=True, period_mm=2.03,
                   period_sd_fraction=0.002, contrast_percent=5.0, limit_percent=1.0, phase_sd_rad=0.05,
                   ring_probability=0.01, camera=False, rows=False, grain_percent=3.0, grain_crossed=False,
                   grain_parallel=False, sources=(), phase_locked=None, pixels_per_mm=12.0)
PLY = dataclasses.replace(STRIPED, probability_regular=0.03, called=False, line_seen=False, period_mm=None,
                          grain_percent=8.0, grain_crossed=True)
CLEAN = dataclasses.replace(PLY, grain_percent=0.4, grain_crossed=False, probability_regular=0.02)


def bits(tests):
    """Name to information."""
    return {t.name: t.information_bits for t in tests}


def test_power_at_the_detection_limit_is_95_percent():
    """Noncentral chi-squared, 2 d.o.f., 20.650 at 1 % false alarms: worked value."""
    assert detection_power(1.0, 1.0) == pytest.approx(0.95, abs=2e-4)
    assert detection_power(0.0, 1.0) == pytest.approx(0.01, abs=1e-4)


def test_power_agrees_with_simulated_amplitudes():
    """20,000 noisy phasors whose squared length is tested at 1 %; three binomial s.d."""
    rng = np.random.default_rng(7)
    for share in (0.3, 0.6, 1.0):
        mean = math.sqrt(20.650) * share
        z = rng.standard_normal((20_000, 2)) + [mean, 0.0]
        found = np.mean((z ** 2).sum(axis=1) > ncx2.isf(0.01, 2, 1e-12))
        assert found == pytest.approx(detection_power(share, 1.0), abs=3 * 0.5 / math.sqrt(20_000))


@pytest.mark.parametrize(("exponent", "share", "ratio"), [(0.0, 0.002, 1.6), (1.0, 0.05, 1.6),
                                                          (0.0, 0.1, 1.25),
                                                          (1.0, 0.2, 2.0), (0.0, 0.09, 1.6)])
def test_outcomes_of_a_second_speed_agree_with_the_estimator(exponent, share, ratio):
    """8000 pairs of noisy periods through `two_speeds`, small errors taken in the logarithm; three s.d."""
    rng = np.random.default_rng(7)
    p1, p2 = np.exp(share * rng.standard_normal((2, 8000)))
    kinds = []
    for a, b in zip(p1, p2 * ratio ** exponent, strict=True):
        kinds.append(two_speeds((a, share * a, 100.0), (b, share * b, 100.0 * ratio)).kind)
    seen = [np.mean([k == kind for k in kinds]) for kind in ("geometry", "time", None)]
    assert seen == pytest.approx(exponent_outcomes(exponent, share, ratio), abs=3 * 0.5 / math.sqrt(8000))


def test_information_agrees_with_entropy_before_and_after():
    """Definition: H(before) - sum of P(outcome) H(after), for random tables."""
    rng = np.random.default_rng(7)
    for _ in range(20):
        prior = rng.dirichlet(np.ones(5))
        table = rng.dirichlet(np.ones(3), size=5)
        joint = prior[:, None] * table
        after = joint / joint.sum(axis=0)
        left = -np.sum(joint.sum(axis=0) * np.sum(after * np.log2(after), axis=0))
        assert information_bits(prior, table) == pytest.approx(-np.sum(prior * np.log2(prior)) - left)


def test_information_is_what_a_guesser_gains():
    """Simulated: draw explanation and outcome of the top test; mean log-odds gained is the stated figure.

    40,000 draws; four standard errors.
    """
    rng = np.random.default_rng(7)
    prior = explanation_odds(STRIPED)
    best = rank_next_tests(STRIPED)[0]
    names = [name for name in EXPLANATIONS if prior[name] > 0]
    after = np.array([[dict(o.odds)[n] for o in best.outcomes] for n in names])
    seen = np.array([o.probability for o in best.outcomes])
    before = np.array([prior[n] for n in names])
    chance = after * seen / before[:, None]                # Bayes the other way round
    truth = rng.choice(len(names), 40_000, p=before / before.sum())
    gains = []
    for h in range(len(names)):
        outcome = rng.choice(len(seen), np.sum(truth == h), p=chance[h] / chance[h].sum())
        gains.append(np.log2(after[h, outcome] / before[h]))
    gains = np.concatenate(gains)
    assert gains.mean() == pytest.approx(best.information_bits, abs=4 * gains.std() / 200)


@pytest.mark.parametrize("evidence", [STRIPED, PLY, CLEAN])
def test_odds_and_outcomes_are_probabilities(evidence):
    """Each set adds up to 1, and the mean of the odds after is the odds before (martingale)."""
    prior = explanation_odds(evidence)
    assert sum(prior.values()) == pytest.approx(1.0)
    for test in rank_next_tests(evidence):
        assert sum(o.probability for o in test.outcomes) == pytest.approx(1.0)
        for name in EXPLANATIONS:
            mean = sum(o.probability * dict(o.odds)[name] for o in test.outcomes)
            assert mean == pytest.approx(prior[name], abs=1e-9)


def test_second_speed_leads_where_mm_or_hz_is_open():
    """A plain stripe of unknown cause."""
    tests = rank_next_tests(STRIPED)
    assert tests[0].name == "another scan speed"
    assert "320" in next_step_sentence(tests)


def test_second_speed_is_worth_little_where_the_part_is_known():
    """The belt's pitch named at 95 %: geometry is settled."""
    machine = load_preset("belt_mxl")
    named = name_sources(2.032, 0.004, machine)
    known = dataclasses.replace(STRIPED, sources=named)
    assert bits(rank_next_tests(known, machine))["another scan speed"] < 0.5 * bits(
        rank_next_tests(STRIPED, machine))["another scan speed"]


def test_speed_tells_less_with_rough_periods():
    """Exponent s.d. grows with the period's: information falls."""
    gained = [bits(rank_next_tests(dataclasses.replace(STRIPED, period_sd_fraction=s)))["another scan speed"]
              for s in (0.002, 0.08, 0.2)]
    assert gained == sorted(gained, reverse=True)


def test_turned_board_tells_less_below_the_detection_limit():
    """A stripe at a third of the limit is rarely found again."""
    faint = dataclasses.replace(STRIPED, probability_regular=0.5, contrast_percent=0.3)
    plain = dataclasses.replace(STRIPED, probability_regular=0.5)
    little, much = (bits(rank_next_tests(e))["turn the board"] for e in (faint, plain))
    assert little < 0.6 * much


def test_shallow_cut_or_bare_board_lead_for_crossed_grain():
    """Rings of the top layer or grain of the lower one: speed says nothing about that."""
    ranked = [t.name for t in rank_next_tests(PLY)]
    assert set(ranked[:2]) == {"a shallower cut", "photograph the bare board"}
    assert ranked.index("another scan speed") > 2


def test_near_parallel_rings_make_the_turned_board_worth_much():
    """Even odds of machine and rings: turning the board parts them."""
    doubtful = dataclasses.replace(STRIPED, probability_regular=0.5, called=False, ring_probability=0.4,
                                   grain_parallel=True)
    assert bits(rank_next_tests(doubtful))["turn the board"] > 0.8


def test_camera_suspicion_asks_for_another_photo_first():
    """A test that engraves nothing goes first where it teaches nearly as much."""
    doubtful = dataclasses.replace(STRIPED, probability_regular=0.5, called=False, camera=True)
    assert next_step_sentence(rank_next_tests(doubtful)).startswith("Photograph the same piece again")


def test_doubt_about_how_a_square_piece_lay_asks_for_that_and_blames_no_camera():
    doubtful = dataclasses.replace(STRIPED, probability_regular=0.5, called=False, rows=True)
    odds = explanation_odds(doubtful)
    assert odds["camera"] < 0.05 and max(odds, key=odds.get) in ("rows", "geometry") and odds["rows"] > 0.3
    assert next_step_sentence(rank_next_tests(doubtful)).startswith("Photograph the piece the way it lay")
    assert all(t.name != "photograph it the way it lay" for t in rank_next_tests(STRIPED))


def test_settled_part_asks_for_a_repair_and_a_comparison():
    """A listed period met to a thousandth: neither planer marks nor the camera do that but by chance."""
    machine = load_preset("belt_mxl")
    named = name_sources(2.032, 0.002, machine)
    sure = dataclasses.replace(STRIPED, probability_regular=0.9999, sources=named)
    odds = explanation_odds(sure, machine)
    assert odds["geometry"] > 0.97
    assert odds["surface"] < 0.01
    assert next_step_sentence(rank_next_tests(sure, machine)).startswith("The cause is as good as settled")


def test_certainty_is_never_said_to_be_whole():
    """Words stop at over 99 %, and figures below are those of the odds."""
    for test in rank_next_tests(STRIPED):
        for outcome in test.outcomes:
            p = outcome.odds[0][1]
            assert ("over 99 %" if p > 0.99 else f"{100 * p:.0f} %") in outcome.meaning
            assert "100 %" not in outcome.meaning


def test_clean_piece_needs_no_test():
    """Little is left to learn."""
    assert next_step_sentence(rank_next_tests(CLEAN)).startswith("No test")


def test_phase_lock_speaks_for_the_machine():
    """Same place on two boards: rings do that by chance only."""
    half = dataclasses.replace(STRIPED, probability_regular=0.5, ring_probability=0.4, grain_parallel=True)
    free, locked, loose = (explanation_odds(dataclasses.replace(half, phase_locked=v))
                           for v in (None, True, False))
    assert locked["geometry"] > free["geometry"] > loose["geometry"]
    assert locked["rings"] < free["rings"]


def test_mains_source_turns_the_odds_to_time():
    """The machine file names mains ripple: fixed in Hz."""
    machine = parse_machine({"scan": {"speed_mm_s": 203}, "mains": {"frequency_hz": 50}})
    named = name_sources(2.03, 0.004, machine)
    odds = explanation_odds(dataclasses.replace(STRIPED, sources=named), machine)
    assert odds["time"] > odds["geometry"]
    unlisted = ({"part": NOT_LISTED, "period_mm": None, "probability": 1.0},)
    odds = explanation_odds(dataclasses.replace(STRIPED, sources=unlisted), machine)
    assert odds["geometry"] == pytest.approx(explanation_odds(STRIPED)["geometry"])


def test_other_speed_is_not_a_ratio_of_harmonics():
    """200 to 400 swaps harmonics: 320 is the better second speed."""
    machine = parse_machine({"scan": {"speed_mm_s": 200, "other_speeds_mm_s": [210, 320, 400]}})
    assert other_speed(machine) == (200, 320)
    assert other_speed(parse_machine({"scan": {"speed_mm_s": 200}}))[1] < 200
    assert other_speed(None) == (None, None)


def test_report_and_result_give_the_same_ranking():
    """The page ranks an old report as it ranked the live result."""
    live = sample_results.comparison()
    from_live, from_report = gather_evidence(live), gather_evidence(to_dict(live))
    assert from_report.period_mm == pytest.approx(from_live.period_mm)
    first, second = rank_next_tests(live), rank_next_tests(to_dict(live))
    assert [t.name for t in first] == [t.name for t in second]
    assert bits(first) == pytest.approx(bits(second), abs=1e-6)


def test_evidence_holds_the_reports_figures():
    """Period's s.d. is a quarter of its 95 % interval (3.92), contrast and limit are the report's."""
    report = to_dict(sample_results.comparison())
    stripe, evidence = report["before"]["stripes"][0], gather_evidence(report)
    low, high = stripe["period_interval_mm"]
    assert evidence.period_sd_fraction == pytest.approx((high - low) / 3.92 / stripe["period_mm"])
    assert evidence.contrast_percent == stripe["contrast_percent"]
    assert evidence.limit_percent == report["before"]["detection_limit_percent"]
    assert evidence.probability_regular == report["before"]["probability_mechanical"]
    assert evidence.pixels_per_mm == report["before"]["pixels_per_mm"]
    clean = gather_evidence({"photo": report["after"]})
    assert not clean.line_seen
    assert 0 < clean.contrast_percent < clean.limit_percent


@pytest.mark.parametrize(("directions", "crossed"), [
    (((0.0, 0.6), (85.0, 0.4)), True), (((0.0, 0.95), (85.0, 0.05)), False), (((0.0, 0.6), (20.0, 0.4)), False),
    (((-80.0, 0.6), (80.0, 0.4)), False), (((-50.0, 0.5), (50.0, 0.5)), True), ((), False)])
def test_crossed_grain_needs_two_strong_directions_far_apart(directions, crossed):
    """Undirected lines: -80 and 80 degrees lie 20 apart, -50 and 50 lie 80 apart."""
    photo = to_dict(sample_results.comparison())["before"]
    photo["grain"]["directions"] = [{"angle_deg": a, "share": s} for a, s in directions]
    assert gather_evidence({"photo": photo}).grain_crossed is crossed


@pytest.mark.parametrize(("angle", "parallel"), [(90.0, True), (-88.0, True), (80.0, True), (60.0, False),
                                                 (0.0, False)])
def test_grain_along_the_stripes_is_parallel(angle, parallel):
    """Stripes stand at 90 degrees to the scan axis; within 15 degrees counts."""
    photo = to_dict(sample_results.comparison())["before"]
    photo["grain"]["angle_deg"], photo["stripes"][0]["angle_deg"] = angle, 0.0
    assert gather_evidence({"photo": photo}).grain_parallel is parallel


def test_phase_lock_is_weighed_by_bayes_rule():
    """Odds of two explanations change by the ratio of their chances of a lock: 0.9 to 0.2, or 0.1 to 0.8."""
    free, locked, loose = (explanation_odds(dataclasses.replace(STRIPED, phase_locked=v)) for v in (None, True, False))
    before = free["geometry"] / free["rings"]
    assert locked["geometry"] / locked["rings"] == pytest.approx(before * 0.9 / 0.2)
    assert loose["geometry"] / loose["rings"] == pytest.approx(before * 0.1 / 0.8)


def test_photo_without_a_scale_names_no_millimetre():
    """Half a stripe spacing, not half of a length in pixels."""
    photo = sample_results.inspection(scale_known=False)
    words = {t.name: t.words for t in rank_next_tests(photo)}["start moved by half a period"]
    assert "half a stripe spacing" in words
    assert " mm" not in words


def test_cautions_stand_beside_tests_that_engrave():
    """And not beside a mere photo."""
    for test in rank_next_tests(STRIPED):
        assert bool(test.caution) == test.engraves
        assert not test.engraves or "eyewear" in test.caution


def test_each_explanation_has_its_chances_in_each_trial():
    """No explanation is forgotten; its chances are those of all outcomes."""
    for trial in TRIALS:
        for evidence in (STRIPED, PLY, CLEAN, dataclasses.replace(STRIPED, contrast_percent=0.1)):
            table = trial.chances(evidence, None)
            assert set(table) == set(EXPLANATIONS)
            for row in table.values():
                assert len(row) == len(trial.outcomes)
                assert min(row) >= -1e-12
                assert sum(row) == pytest.approx(1.0)


def test_absurd_input_is_refused():
    """Bad input."""
    with pytest.raises(ValueError, match="must"):
        detection_power(1.0, 0.0)
    with pytest.raises(ValueError, match="must"):
        exponent_outcomes(0.0, 0.01, 1.0)
    with pytest.raises(ValueError, match="expected"):
        gather_evidence(3)
    with pytest.raises(ValueError, match="expected"):
        gather_evidence({"format": 1})
