"""Contrast sensitivity against published values."""
from __future__ import annotations

import numpy as np
import pytest

from analysis.visibility import barten_sensitivity, cycles_per_degree, mannos_sakrison_weight, visible

# period mm at 350 mm, cycles per degree, Mannos-Sakrison weight, Barten S: formulas of 1974 and 2003,
# the latter with 100 cd/m2 and 10 degrees, coefficients from memory.
TABLE = [(0.25, 24.44, 0.333, 63), (0.5, 12.22, 0.870, 262), (0.8, 7.64, 0.980, 444), (1.0, 6.11, 0.950, 525),
         (2.0, 3.05, 0.698, 655), (2.032, 3.01, 0.692, 655), (3.0, 2.04, 0.535, 613), (5.0, 1.22, 0.368, 473),
         (8.0, 0.76, 0.258, 331), (12.7, 0.48, 0.185, 219), (40.0, 0.15, 0.094, 72)]


@pytest.mark.parametrize(("period", "frequency", "weight", "sensitivity"), TABLE)
def test_both_models_give_their_published_values(period, frequency, weight, sensitivity):
    """Table of both formulas at 350 mm."""
    u = cycles_per_degree(period, 350.0)
    assert u == pytest.approx(frequency, abs=0.006)
    assert mannos_sakrison_weight(u) == pytest.approx(weight, abs=6e-4)
    assert barten_sensitivity(u) == pytest.approx(sensitivity, abs=0.6)


@pytest.mark.parametrize(("frequency", "weight"), [(8.0, 0.980779694778), (3.0, 0.69072236628)])
def test_mannos_sakrison_to_six_digits(frequency, weight):
    """Mannos and Sakrison 1974, evaluated."""
    assert mannos_sakrison_weight(frequency) == pytest.approx(weight, abs=1e-6)


def test_mannos_sakrison_peaks_at_7_9_cycles_per_degree_with_less_than_one():
    """Maximum of the published formula: 0.981 at 7.89."""
    f = np.linspace(4, 12, 8001)
    weight = mannos_sakrison_weight(f)
    assert f[np.argmax(weight)] == pytest.approx(7.89, abs=0.01)
    assert weight.max() == pytest.approx(0.981, abs=5e-4)


def test_barten_peaks_near_three_cycles_per_degree():
    """Barten 2003: 655 at 3.04 cycles per degree; modulation threshold 0.153 %."""
    u = np.linspace(1, 8, 7001)
    sensitivity = barten_sensitivity(u)
    assert u[np.argmax(sensitivity)] == pytest.approx(3.04, abs=0.01)
    assert barten_sensitivity(3.0) == pytest.approx(655.3, abs=0.1)
    assert 100 / sensitivity.max() == pytest.approx(0.153, abs=5e-4)


def test_a_belt_pitch_at_arms_length_has_three_cycles_per_degree():
    """Geometry: 2.032 mm at 350 mm."""
    assert cycles_per_degree(2.032, 350.0) == pytest.approx(3.0063, abs=1e-4)


def test_the_threshold_is_peak_to_peak():
    """Definition: peak to peak over mean is twice the modulation; the bench needs 3.3 times as much."""
    answer = visible(2.032, 4.0)
    assert answer.laboratory_threshold_percent == pytest.approx(200 / 655.3, rel=1e-3)
    assert answer.threshold_percent == pytest.approx(3.3 * 200 / 655.3, rel=1e-3)


@pytest.mark.parametrize(("contrast", "level"), [(0.1, "below"), (0.6, "near"), (4.0, "above")])
def test_the_words_follow_the_contrast(contrast, level):
    """At 2.032 mm the limits are 0.31 and 1.0 %."""
    answer = visible(2.032, contrast)
    assert answer.level == level
    assert "35 cm" in answer.words and "2.03 mm" in answer.words


def test_finer_stripes_need_more_contrast_and_so_does_dim_light():
    """Property: the sensitivity falls beyond its peak, and with the light."""
    fine = [visible(p, 1.0).threshold_percent for p in (0.8, 0.5, 0.3, 0.2)]
    assert fine == sorted(fine)
    assert visible(1.0, 1.0, luminance_cd_m2=5.0).threshold_percent > visible(1.0, 1.0).threshold_percent


def test_twice_the_distance_is_half_the_period():
    """Property: only the angle counts."""
    far, fine = visible(1.0, 1.0, distance_mm=700), visible(0.5, 1.0)
    assert far.threshold_percent == pytest.approx(fine.threshold_percent)


def test_what_no_eye_resolves_is_said_so():
    """0.1 mm at arm's length is 61 cycles per degree: at the eye's cut-off near 60."""
    assert "too fine" in visible(0.1, 30.0).words


@pytest.mark.parametrize("wrong", [(0.0, 1.0, 350.0), (1.0, -1.0, 350.0), (1.0, 1.0, 0.0),
                                   (float("nan"), 1.0, 350.0), (1.0, float("inf"), 350.0)])
def test_absurd_numbers_are_refused(wrong):
    """Bad input."""
    with pytest.raises(ValueError):
        visible(wrong[0], wrong[1], distance_mm=wrong[2])
