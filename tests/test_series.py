"""Series and break-through: simulated truth, reference libraries, coverage, bad input."""
from __future__ import annotations

import csv
import io
import math

import numpy as np
import pytest
import sample_results
from scipy.optimize import curve_fit
from scipy.stats import linregress

from analysis.__main__ import main
from analysis.break_through import find_break_through
from analysis.errors import PhotoError
from analysis.machine import speed_exponent, two_speeds
from analysis.report import dumps, to_dict
from analysis.series import (
    break_through,
    exponent_of_speeds,
    series_csv,
    series_points,
    series_rows,
    series_table,
)
from analysis.series_files import read_series
from analysis.settings import Settings


def ply(x, middle, width=3.0, low=1.5, high=9.0):
    """Grain contrast of a cut that passes from the top layer to the lower one."""
    return np.exp(math.log(low) + math.log(high / low) / (1 + np.exp(-(x - middle) / width)))


def photo(power, *, grain, stripe=3.0, speed=400.0, period=2.032, file="a.jpg"):
    found = [] if stripe is None else [{
        "period_mm": period, "period_interval_mm": [period - 0.008, period + 0.008], "contrast_percent": stripe,
        "contrast_interval_percent": [0.9 * stripe, 1.1 * stripe]}]
    return {"power_percent": power, "speed_mm_s": speed, "date": "2026-03-01", "report": {
        "file": file, "verdict": "mixed", "stripes": found, "detection_limit_percent": 0.6,
        "grain": {"contrast_percent": grain, "contrast_interval_percent": [0.8 * grain, 1.2 * grain]}}}


def test_fit_agrees_with_scipy_curve_fit():
    """Same logistic in the logarithm by SciPy's least squares, no bound active; grid step 0.42 % of power."""
    rng = np.random.default_rng(7)
    x = np.linspace(10, 60, 14)
    grain = ply(x, 38.0, 4.0) * np.exp(0.08 * rng.standard_normal(14))
    best, _ = curve_fit(lambda v, lo, rise, m, w: lo + rise / (1 + np.exp(-(v - m) / w)), x, np.log(grain),
                        p0=[0.5, 1.8, 38.0, 4.0])
    found = find_break_through(x, grain)
    assert found.found
    assert found.middle == pytest.approx(best[2], abs=0.6)
    assert found.below_percent == pytest.approx(math.exp(best[0]), rel=0.05)
    assert found.above_percent == pytest.approx(math.exp(best[0] + best[1]), rel=0.05)


def test_interval_of_the_middle_and_of_the_crossing_hold_the_truth():
    """80 simulated series of 10 powers, 15 % scatter: 95 % nominal; fails below 0.877 (three s.d.)."""
    rng, held, crossed = np.random.default_rng(7), 0, 0
    x = np.linspace(10, 60, 10)
    for k in range(80):
        middle = rng.uniform(28, 45)
        grain = ply(x, middle) * np.exp(0.15 * rng.standard_normal(10))
        stripe = 3.0 * np.exp(0.1 * rng.standard_normal(10))
        found = find_break_through(x, grain, stripe, seed=k)
        assert found.found
        share = math.log(3.0 / 1.5) / math.log(6.0)
        truth = (middle, middle + 3.0 * math.log(share / (1 - share)))
        for name, true in zip(("middle_interval", "dominates_interval"), truth, strict=True):
            low, high = getattr(found, name)
            inside = (low is None or low <= true) and (high is None or true <= high)
            held += inside and name == "middle_interval"
            crossed += inside and name == "dominates_interval"
    assert held >= 0.877 * 80
    assert crossed >= 0.877 * 80


def test_flat_series_is_rarely_called_a_break_through():
    """Permutation test at 5 %: 100 flat series; fails above 0.115 (three binomial s.d.)."""
    rng = np.random.default_rng(7)
    x = np.linspace(10, 60, 8)
    called = sum(find_break_through(x, np.exp(0.3 * rng.standard_normal(8)), seed=k).found for k in range(100))
    assert called <= 0.115 * 100


def test_light_and_deep_cuts_of_common_practice():
    """Common practice: no grain to 30 %, a hint at 40 %, plain from 50 % on: the middle lies in between."""
    x = np.array([10, 15, 20, 25, 30, 40, 50, 60, 70, 80.0])
    grain = np.array([1.0, 1.2, 1.0, 1.1, 1.3, 2.5, 7.0, 8.0, 7.5, 8.2])
    found = find_break_through(x, grain, np.full(10, 3.0))
    assert 35 <= found.middle <= 47
    assert 38 <= found.dominates_from <= 50
    assert "Stay below" in found.words
    assert [g for _, g in found.curve] == sorted(g for _, g in found.curve)


def test_falling_grain_is_no_break_through():
    """Grain that fades with power is another matter."""
    x = np.linspace(10, 60, 10)
    assert not find_break_through(x, ply(x, 35.0)[::-1]).found


def test_unit_and_scale_change_nothing_but_the_unit():
    """Property: x times 10 and contrast times 2 move the answer alike."""
    rng = np.random.default_rng(7)
    x = np.linspace(10, 60, 10)
    grain = ply(x, 35.0) * np.exp(0.1 * rng.standard_normal(10))
    one, other = find_break_through(x, grain), find_break_through(10 * x, 2 * grain)
    assert other.middle == pytest.approx(10 * one.middle)
    assert other.middle_interval == pytest.approx([10 * v for v in one.middle_interval])
    assert other.above_percent == pytest.approx(2 * one.above_percent)


def test_short_series_says_so():
    """Too few patches, or too few different settings."""
    assert "Too few patches" in find_break_through([1, 2, 3], [1, 2, 9]).words
    assert "Too few patches" in find_break_through([1, 1, 1, 2, 2, 2, 2], [1, 1, 1, 9, 9, 9, 9]).words
    assert not find_break_through([], []).found


def test_unequal_lists_are_refused():
    """Bad input."""
    with pytest.raises(ValueError, match="equally long"):
        find_break_through([1, 2], [1])


def test_series_of_reports_gives_the_same_break_through():
    """Through points: patches without a stripe are left out of the stripes' line alone."""
    powers = np.linspace(10, 60, 10)
    grain = ply(powers, 36.0)
    items = [photo(p, grain=g, stripe=None if k == 3 else 3.0) for k, (p, g) in
             enumerate(zip(powers, grain, strict=True))]
    stripe = np.full(10, 3.0)
    stripe[3] = math.nan
    points = series_points(items)
    assert break_through(points) == find_break_through(powers, grain, stripe)
    dose = break_through(points, "dose")
    assert dose.middle == pytest.approx(break_through(points).middle / 400)
    with pytest.raises(ValueError, match="against"):
        break_through(points, "date")


def test_exponent_over_many_speeds_agrees_with_linregress():
    """Equal relative errors: the weighted line is SciPy's ordinary one in logarithms."""
    rng = np.random.default_rng(7)
    speeds = np.array([100, 160, 250, 400.0])
    periods = speeds / 100.0 * np.exp(0.002 * rng.standard_normal(4))
    pieces = [(p, 0.002 * p, v) for p, v in zip(periods, speeds, strict=True)]
    answer = speed_exponent(pieces)
    assert answer.exponent == pytest.approx(linregress(np.log(speeds), np.log(periods)).slope)
    assert answer.kind == "time"


def test_two_pieces_follow_the_closed_form():
    """e = ln(p2/p1)/ln(v2/v1), s.d. sqrt((s1/p1)^2 + (s2/p2)^2)/|ln(v2/v1)|."""
    answer = two_speeds((2.0, 0.02, 200), (2.9, 0.01, 320))
    assert answer.exponent == pytest.approx(math.log(1.45) / math.log(1.6))
    assert answer.exponent_sd == pytest.approx(math.hypot(0.01, 0.01 / 2.9) / math.log(1.6))


def test_scattered_speeds_widen_the_exponent():
    """Birge ratio: periods that follow no power law raise the deviation above its own."""
    tidy = speed_exponent([(2.0, 0.002, 100), (2.0, 0.002, 200), (2.0, 0.002, 400)])
    wild = speed_exponent([(2.0, 0.002, 100), (2.5, 0.002, 200), (2.0, 0.002, 400)])
    assert wild.exponent_sd > 50 * tidy.exponent_sd
    assert wild.kind is None
    assert "no one law" in wild.words


def test_series_over_speeds_tells_geometry_from_time():
    """A fixed 2.032 mm, and 100 Hz."""
    fixed = series_points([photo(20, grain=1.0, speed=v) for v in (200, 320, 400)])
    timed = series_points([photo(20, grain=1.0, speed=v, period=v / 100) for v in (200, 320, 400)])
    assert exponent_of_speeds(fixed).kind == "geometry"
    assert exponent_of_speeds(timed).kind == "time"
    assert exponent_of_speeds(fixed[:1]) is None


def test_comparison_gives_two_points_with_the_reports_numbers():
    """Numbers identical to the report's, to the digit."""
    report = to_dict(sample_results.comparison())
    before, after = series_points([{"report": report, "label": "idler", "power_percent": 30}])
    assert (before.label, after.label) == ("idler (before)", "idler (after)")
    assert before.stripe_percent == report["before"]["stripes"][0]["contrast_percent"]
    assert list(before.stripe_interval_percent) == report["before"]["stripes"][0]["contrast_interval_percent"]
    assert before.grain_percent == report["before"]["grain"]["contrast_percent"]
    assert after.stripe_percent is None


def test_table_shows_every_piece_and_what_could_hide():
    """A stripe that was not found is shown as a bound, not as zero."""
    text = series_table(series_points([photo(20, grain=1.0), photo(40, grain=4.0, stripe=None, file="b.jpg")]))
    lines = text.splitlines()
    assert len(lines) == 3
    assert "2.032 ± 0.008 mm" in lines[1]
    assert "below 0.6 %" in lines[2]


def test_csv_and_rows_hold_the_same_numbers():
    """Python's csv reader gives back the rows."""
    points = series_points([photo(20, grain=1.0, file="=a.jpg"), photo(40, grain=4.0, stripe=None)])
    rows = list(csv.DictReader(io.StringIO(series_csv(points), newline="")))
    flat = series_rows(points)
    assert [row["label"] for row in rows] == ["'=a.jpg", "a.jpg"]
    assert float(rows[0]["ratio"]) == flat[0]["ratio"] == pytest.approx(1 / 3)
    assert rows[1]["stripe_percent"] == ""
    assert set(rows[0]) == set(flat[0])
    assert series_csv([]) == ""


@pytest.mark.parametrize(("item", "said"), [
    ({}, "has no report"), ({"report": {"x": 1}}, "no report of a photo"),
    (photo("much", grain=1.0), "power_percent"), (photo(300, grain=1.0), "power_percent"),
    (photo(float("nan"), grain=1.0), "power_percent"), (photo(20, grain=1.0, speed=0), "speed_mm_s"),
    (photo(20, grain=1.0) | {"date": "yesterday"}, "year-month-day"), (photo(True, grain=1.0), "power_percent")])
def test_faulty_item_gets_its_sentence(item, said):
    """Bad input: one sentence."""
    with pytest.raises(PhotoError) as problem:
        series_points([item])
    assert said in str(problem.value)


def test_one_file_of_the_list_that_fails_is_named_and_the_others_are_judged(tmp_path, capsys):
    (tmp_path / "good.json").write_text(dumps(to_dict(sample_results.comparison())))
    (tmp_path / "bad.jpg").write_bytes(b"no photo")
    (tmp_path / "list.csv").write_text("file,power_percent\nbad.jpg,20\ngood.json,30\ngone.jpg,40\n")
    assert main(["series", str(tmp_path / "list.csv")]) == 0
    out, err = capsys.readouterr()
    assert [line.split(":")[0] for line in err.splitlines()] == ["Row 1, bad.jpg", "Row 3, gone.jpg"]
    assert "(before)" in out and "(after)" in out and "bad.jpg" not in out
    (tmp_path / "list.csv").write_text("file,power_percent\nbad.jpg,20\n")
    assert main(["series", str(tmp_path / "list.csv")]) == 2


def test_a_setting_out_of_range_is_refused_before_any_photo_is_judged(tmp_path):
    (tmp_path / "list.csv").write_text("file,power_percent\ngone.jpg,20\nalso_gone.jpg,300\n")
    with pytest.raises(PhotoError, match="power_percent. of item 2"):
        read_series(str(tmp_path / "list.csv"), Settings())
