"""Contrast by place and by depth: simulated truth, and rates with a binomial limit."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.flatten import CELL_MM
from analysis.stripes import find_stripes
from tests.textures import S, cosine, grid, texture

PERIOD, CONTRAST = 2.2, 6.0


def ramped(seed, slope, *, across=False):
    """A stripe whose contrast changes by +-slope over the piece, on ground that gets 30 % darker where it is deeper."""
    x, y = grid()
    along = y if across else x
    u = 2.0 * along / along.max() - 1.0
    noise = 0.05 * np.random.default_rng(seed).standard_normal(x.shape)
    wave = cosine(x, y, period_mm=PERIOD, contrast_percent=CONTRAST, phase_rad=0.4 * seed) * (1.0 + slope * u)
    cell = round(CELL_MM * S)
    return replace(texture(noise + wave), trend=(-0.15 * u)[::cell, ::cell].astype(np.float32))


def field(seed, slope, **more):
    return find_stripes(ramped(seed, slope, **more), with_limit=False)


@pytest.mark.parametrize("across", [False, True])
def test_stripe_that_gets_deeper_is_one_stripe_with_its_mean_contrast(across):
    """A linear envelope puts side lines about one resolution cell away: closed form, amplitude modulation."""
    found = field(3, 0.7, across=across).stripes
    assert len(found) == 1
    assert found[0].contrast_percent == pytest.approx(CONTRAST, rel=0.04)


def test_contrast_is_the_mean_by_area_where_the_deep_half_weighs_little():
    """Closed form: a half of 0.7 and one of 1.3 times the contrast have mean 1; weights 1 and 0.3 alone give 0.84."""
    base = ramped(5, 0.6)
    half = base.weight.shape[1] // 2
    weight = base.weight.copy()
    weight[:, half:] = 0.3
    stripe, = find_stripes(replace(base, weight=weight), with_limit=False).stripes
    assert stripe.contrast_percent == pytest.approx(CONTRAST, rel=0.04)
    low, high = stripe.contrast_interval_percent
    assert low <= CONTRAST <= high


def test_even_stripe_is_not_shifted_by_more_than_its_noise():
    """Tiles that differ by noise alone leave the fit's contrast: the shift stays below its s.d. of 8 pieces."""
    for seed in range(8):
        one = field(seed, 0.0)
        line = one.candidates[0].line
        assert abs(one.by_place[0].area_shift_percent[0]) < 200.0 * line.amplitude_sd


def test_intervals_of_strips_tiles_and_levels_hold_the_truth():
    """95 % intervals over 12 pieces, at least 90 of 100 held: with 96 strips fewer than 84 has probability 0.002."""
    held = {"along": [], "across": [], "level": [], "gap": [], "tile": []}
    for seed in range(12):
        slope = (-0.6, 0.0, 0.4)[seed % 3]
        place = field(seed, slope).by_place[0]
        span = place.along[-1].end

        def true(start, end, slope=slope, span=span):
            return CONTRAST * (1.0 + slope * ((start + end) / span - 1.0))
        for part in place.along:
            held["along"].append(part.interval_percent[0] <= true(part.start, part.end) <= part.interval_percent[1])
        for part in place.across:
            held["across"].append(part.interval_percent[0] <= CONTRAST <= part.interval_percent[1])
        for k, part in enumerate(place.by_level):       # darkest first: the right end
            low, high = part.interval_percent
            held["level"].append(low <= true(span * (0.8 - 0.2 * k), span * (1.0 - 0.2 * k)) <= high)
        low, high = place.dark_minus_light_interval_percent
        held["gap"].append(low <= CONTRAST * slope * 1.6 <= high)
        edges = np.array(place.tile_edges_x_mm)
        misses = np.abs(place.tiles_percent - true(edges[:-1], edges[1:])[None, :]) / place.tiles_sd_percent
        held["tile"] += list((misses < 1.96).ravel())
    rates = {name: np.mean(hits) for name, hits in held.items()}
    assert min(rates["along"], rates["across"], rates["tile"]) > 0.875, rates
    assert min(rates["level"], rates["gap"]) > 0.7, rates


def test_uneven_stripe_is_told_from_an_even_one():
    assert field(1, 0.5).by_place[0].uneven_probability < 1e-6
    assert np.mean([field(seed, 0.0).by_place[0].uneven_probability < 0.01 for seed in range(10)]) <= 0.1


def test_strips_cover_the_piece_and_even_ground_has_no_levels():
    flat = replace(ramped(1, 0.0), trend=np.zeros((50, 70), np.float32))
    place = find_stripes(flat, with_limit=False).by_place[0]
    assert place.by_level == () and place.dark_minus_light_percent is None
    for parts, size in ((place.along, 70.0), (place.across, 50.0)):
        assert (parts[0].start, parts[-1].end) == (pytest.approx(0.0, abs=0.1), pytest.approx(size, abs=0.1))
        assert all(a.end == b.start for a, b in zip(parts[:-1], parts[1:], strict=True))
        assert sum(p.share for p in parts) == pytest.approx(1.0)


def test_gap_shows_as_tiles_without_stripe():
    x, y = grid()
    noise = 0.05 * np.random.default_rng(8).standard_normal(x.shape)
    there = y < 25.0
    place = find_stripes(texture(noise + np.where(there, cosine(x, y, period_mm=2.0, contrast_percent=6.0), 0.0)),
                         with_limit=False).by_place[0]
    assert (place.tiles_percent[:2] > 4.5).all()
    assert (place.tiles_percent[2:] < 1.5).all()
