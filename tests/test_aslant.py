"""Rings that stand aslant to a line are taken out of its places; listed periods are searched at their own rate."""
from __future__ import annotations

import numpy as np
import pytest

from analysis.aslant import aslant_courses, clear
from analysis.line import measure_line
from analysis.odds import directed_false_alarm
from analysis.peaks import listed_peaks
from analysis.places import demodulate, demodulate_each
from analysis.plane import STEEPEST_DEG, make_bands, make_plane
from tests.textures import cosine, grid, rings, texture

LISTED = ((2.032, 0.002), (1.016, 0.001), (3.175, 0.003), (0.8, 0.0008))


def places_of(rng, segments=24, groups=12):
    """Noise of unit variance in every place, and equal weights."""
    noise = rng.standard_normal((groups, segments, 2)) @ [1, 1j] / np.sqrt(2)
    return noise, np.ones((groups, segments))


def test_noise_alone_has_no_course_to_take_out():
    """Each of three is kept by chance in about 1 of 400: more than 6 of 200 have probability 0.001."""
    kept = sum(len(aslant_courses(*places_of(np.random.default_rng([seed, 1])))) > 0 for seed in range(200))
    assert kept <= 6


def test_course_from_one_cell_aside_is_taken_out_and_the_line_kept():
    """A wandering course that leans by 1.3 turns over the bands, 30 times the noise, beside a line: simulated truth.

    The line's s.d. is that of the sum of 288 places of unit variance, little more with the course beside it.
    """
    noise, weights = places_of(np.random.default_rng(2))
    rng = np.random.default_rng(3)
    course = 30.0 * np.exp(1j * np.cumsum(rng.normal(0, 0.8, 24)))
    lean = np.exp(2j * np.pi * 1.3 * np.arange(12) / 12)
    sums = noise + 2.0 + np.outer(lean, course)
    cleared = clear(sums, weights, aslant_courses(sums, weights))
    assert cleared.variance == pytest.approx(288, rel=0.6)
    assert abs(cleared.sums.sum() - 576.0) < 4.0 * np.sqrt(cleared.variance)
    assert abs(sums.sum() - 576.0) > 20.0 * np.sqrt(288)


def test_line_that_is_deeper_on_one_side_is_left_alone():
    """Its slope across is as steady along the scan as the line itself, so nothing moving goes over into the beam."""
    noise, weights = places_of(np.random.default_rng(4))
    sums = noise + 20.0 * (1.0 + np.linspace(-0.7, 0.7, 12))[:, None]
    assert len(aslant_courses(sums, weights)) == 0


def test_stripe_that_a_lens_bends_and_a_margin_ends_is_left_alone():
    """Its own unevenness stands beside it: 1 % at the photo's corner bends a stripe of 1 mm by half a radian.

    Simulated truth: nothing else is there, and four fifths of the stripe must be left in the beam.
    """
    noise, weights = places_of(np.random.default_rng(6))
    x, y = np.linspace(-1.0, 1.0, 24)[None, :], np.linspace(-1.0, 1.0, 12)[:, None]
    stripe = 20.0 * np.exp(0.5j * x * (x * x + y * y - 0.9)) * (np.abs(y) < 0.8) * (np.abs(x) < 0.85)
    sums = noise + stripe
    cleared = clear(sums, weights, aslant_courses(sums, weights))
    assert abs(cleared.sums.sum()) > 0.8 * abs(stripe.sum())


def test_stripe_beside_rings_is_measured_within_its_own_doubt_and_stands_out_more(monkeypatch):
    """Rings of 20 % variation 2.5 degrees off the stripe: simulated truth, 8 pieces, 4 s.d. of the amplitude."""
    x, y = grid()
    gains = []
    for seed in range(8):
        rng = np.random.default_rng([seed, 12])
        field = rings(x, y, rng, spacing_mm=1.7, variation=0.2, lean_deg=2.5, contrast_percent=5.0)
        field = field + cosine(x, y, period_mm=1.5, contrast_percent=1.0, phase_rad=seed)
        field = field + 0.05 * rng.standard_normal(x.shape)
        bands = make_bands(texture(field))
        plane, places = make_plane(bands, highest_per_mm=3.0), demodulate(bands, 1 / 1.5, 0.0)
        line = measure_line(places, plane)
        with monkeypatch.context() as without:
            without.setattr("analysis.line.aslant_courses", lambda sums, weights: sums[:0])
            raw = measure_line(places, plane)
        assert abs(200 * line.amplitude - 1.0) < 4 * 200 * line.amplitude_sd
        gains.append(line.snr / raw.snr)
    assert np.median(gains) > 2.0


def test_directed_false_alarm_holds_on_noise():
    """Expected p below 0.1 in 10 of 100 pieces of white noise: more than 19 have probability 0.002."""
    low = 0
    for seed in range(100):
        x, _ = grid(60.0, 40.0)
        bands = make_bands(texture(0.05 * np.random.default_rng([seed, 13]).standard_normal(x.shape)))
        plane = make_plane(bands, highest_per_mm=2.0)
        peaks = listed_peaks(plane, LISTED)
        low += min(directed_false_alarm(
            measure_line(places, plane, drifting=False, reach_cells=reach / plane.cell_x_per_mm), plane,
            listed_mm=LISTED, steepest_deg=STEEPEST_DEG)
            for places, (*_, reach) in zip(demodulate_each(bands, [p[:2] for p in peaks]), peaks, strict=True)) < 0.1
    assert low <= 19


def test_line_far_from_every_listed_period_is_not_a_listed_one():
    x, y = grid()
    noise = 0.05 * np.random.default_rng(14).standard_normal(x.shape)
    bands = make_bands(texture(noise + cosine(x, y, period_mm=1.4, contrast_percent=4.0)))
    plane = make_plane(bands, highest_per_mm=3.0)
    line = measure_line(demodulate(bands, 1 / 1.4, 0.0), plane)
    assert directed_false_alarm(line, plane, listed_mm=LISTED, steepest_deg=STEEPEST_DEG) == 1.0
