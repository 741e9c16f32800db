"""Graininess, mottle and banding against closed forms."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.print_quality import print_quality
from analysis.visibility import barten_sensitivity, cycles_per_degree
from tests.textures import cosine, grid, texture


def test_graininess_and_mottle_of_white_noise_follow_from_its_variance():
    """Within a tile of n readings the s.d. is sigma, between tile means sigma / sqrt(n); density is log10."""
    x, _ = grid()
    sigma = 0.05
    got = print_quality(texture(sigma * np.random.default_rng(1).standard_normal(x.shape)))
    assert got.graininess == pytest.approx(sigma / np.log(10), rel=0.01)
    assert got.mottle == pytest.approx(sigma / np.log(10) / 15, rel=0.06)    # 15 x 15 readings; 2100 tiles
    assert got.tiles == (50 * 12 // 15) * (70 * 12 // 15)


def test_banding_of_a_cosine_is_its_rms_times_the_eyes_relative_sensitivity():
    x, y = grid()
    field = cosine(x, y, period_mm=2.0, contrast_percent=4.0)        # 35 whole periods in 70 mm: no leakage
    got = print_quality(texture(field))
    fine = np.arange(1, 420) / 70.0
    seen = barten_sensitivity(cycles_per_degree(2.0)) / barten_sensitivity(cycles_per_degree(1.0) * fine).max()
    assert got.banding == pytest.approx(0.02 / np.sqrt(2) / np.log(10) * seen, rel=0.01)
    assert got.banding_across < 0.02 * got.banding


def test_brighter_photo_has_the_same_figures_and_masked_places_do_not_count():
    x, _ = grid()
    field = 0.04 * np.random.default_rng(2).standard_normal(x.shape)
    weight = np.where((x > 20) & (x < 30), 0.0, 1.0)
    spoilt = np.where(weight > 0, field, 3.0)
    whole, masked = print_quality(texture(field)), print_quality(texture(spoilt, weight=weight))
    assert masked.graininess == pytest.approx(whole.graininess, rel=0.01)
    assert masked.banding == pytest.approx(whole.banding, rel=0.25)
    assert print_quality(texture(field + 0.7)).graininess == pytest.approx(whole.graininess, rel=1e-4)


def test_no_scale_or_too_few_tiles_gives_none():
    x, _ = grid(width_mm=10, height_mm=8)
    small = texture(0.05 * np.random.default_rng(3).standard_normal(x.shape))
    assert print_quality(small).graininess is None
    assert print_quality(replace(small, scale_known=False)).banding is None
