"""Steady phase against a walking one: simulated courses with exact truth, and the property of a Bayes factor."""
from __future__ import annotations

import numpy as np
import pytest

from analysis.line import measure_line
from analysis.phase_walk import steady_over_walk, walk_model
from analysis.places import demodulate
from analysis.plane import make_bands, make_plane
from analysis.stripes import find_stripes
from tests.benchmarks.bench_rings import draw
from tests.textures import cosine, grid, texture

SEGMENTS, LENGTH = 24, 80.0
X = (np.arange(SEGMENTS) + 0.5) * LENGTH / SEGMENTS


def course(rng, *, phase=0.0, strength=8.0):
    """Sums of unit noise variance, each holding a line of that many times the noise."""
    noise = rng.standard_normal((SEGMENTS, 2)) @ [1, 1j] / np.sqrt(2)
    return strength * np.exp(1j * phase) + noise


def walk_of(rng, variation, periods):
    """Phase of rings at the segments, less the straight line that frequency and phase take up."""
    steps = 2 * np.pi * variation * np.sqrt(periods / SEGMENTS) * rng.standard_normal(SEGMENTS)
    phase = np.cumsum(steps)
    return phase - np.polyval(np.polyfit(X, phase, 1), X)


def model_of(periods):
    return walk_model(np.ones(SEGMENTS), np.ones(SEGMENTS), X, periods / LENGTH)


@pytest.mark.parametrize(("variation", "periods"), [(0.05, 20), (0.10, 12), (0.20, 10)])
def test_rings_pass_for_steady_no_more_often_than_a_bayes_factor_allows(variation, periods):
    """P(Bayes factor > b) is at most 1/b: at ln b = 3 that is 10 of 200; more than 19 have probability 0.003."""
    model = model_of(periods)
    found = [steady_over_walk(course(rng, phase=walk_of(rng, variation, periods)), model)
             for rng in (np.random.default_rng([seed, 61]) for seed in range(200))]
    assert np.sum(np.array(found) > 3.0) <= 19


def test_steady_line_speaks_against_rings_the_more_the_stronger_it_is():
    model = model_of(40)
    weak, strong = (np.median([steady_over_walk(course(np.random.default_rng([seed, 62]), strength=strength), model)
                               for seed in range(40)]) for strength in (1.5, 12.0))
    assert 0.0 < weak < strong
    assert strong > 10.0


def test_walk_of_few_even_rings_under_noise_cannot_be_told_from_a_line():
    """Rings of 3 %, 8 in view: 2 pi CV sqrt(n) = 0.5 rad over the view, 0.1 rad once frequency is fitted (Brownian
    bridge, 1/sqrt(15)), below the noise of a line at twice the noise in each segment: neither side is believed."""
    model = model_of(8)
    found = [steady_over_walk(course(rng, phase=walk_of(rng, 0.03, 8), strength=2.0), model)
             for rng in (np.random.default_rng([seed, 63]) for seed in range(60))]
    assert abs(np.median(found)) < 3.0


def test_drift_of_the_period_is_no_walk():
    """A quadratic phase of 1 rad at the ends, as of a belt that leaves at an angle."""
    model = model_of(40)
    bend = ((X - X.mean()) / (LENGTH / 2)) ** 2
    assert steady_over_walk(course(np.random.default_rng(64), phase=bend - bend.mean(), strength=12.0), model) > 5.0


def test_unevenness_in_amplitude_and_phase_alike_is_no_walk():
    """Other rings beside a line disturb both parts of it equally: noise that keeps over five segments, 30 pieces."""
    model, found = model_of(40), []
    for seed in range(30):
        rng = np.random.default_rng([seed, 65])
        beside = np.convolve(rng.standard_normal((SEGMENTS + 4, 2)) @ [1, 1j], np.ones(5) / np.sqrt(5), "valid")
        found.append(steady_over_walk(course(rng, strength=12.0) + 2.0 * beside, model))
    assert np.median(found) > 0.0


@pytest.mark.parametrize("shape", ["cosine", "harmonics", "sawtooth", "kept"])
def test_rings_of_many_shapes_are_seldom_called_and_never_surely(shape):
    """Spacing variation of 10 % and more: at a true rate of 3 % three or more of 20 have probability 0.02."""
    rows = [(field, variation) for seed in range(700, 760) for given, variation, _ in [draw(seed, shape)]
            if variation >= 0.1 for field in [find_stripes(given, with_limit=False)]][:20]
    assert sum(bool(field.stripes) for field, _ in rows) <= 2
    assert max(c.probability for field, _ in rows for c in field.candidates) < 0.9


def test_places_of_few_periods_hold_one_phase():
    """A real wave's mirror image does not add up to nothing over 1.25 periods: it would turn every other place by 0.1.

    Closed form without noise: each place has the same amplitude and phase, up to samples cut at its ends.
    """
    x, y = grid(80.0, 40.0)
    bands = make_bands(texture(cosine(x, y, period_mm=2.81, contrast_percent=4.0, phase_rad=0.7)))
    line = measure_line(demodulate(bands, 1 / 2.81, 0.0), make_plane(bands, highest_per_mm=3.0))
    good = np.isfinite(line.cells_sd)
    assert np.abs(np.angle(line.cells[good])).max() < 0.03
    assert np.abs(200.0 * np.abs(line.cells[good]) - 4.0).max() < 0.12
