"""The engraved part of a piece by its edges, held to drawn rectangles and to pictures that have none."""
from __future__ import annotations

import numpy as np
import pytest

from analysis.flatten import flatten
from analysis.ground_part import engraved_part
from analysis.stripes import find_stripes, with_detection_limit
from tests.real_textures import available, load
from tests.textures import cosine, grid, piece, rings

WINDOW_MM = (18.0, 9.0, 40.0, 24.0)


def in_window(x, y, window_mm=WINDOW_MM):
    """Where on the piece the window lies."""
    left, top, w, h = window_mm
    return (x >= left) & (x < left + w) & (y >= top) & (y < top + h)


def board(seed, *, grain=0.05):
    """x, y and the log reflectance of a bare board of 80 by 50 mm: fibres, noise, and light that falls off."""
    x, y = grid(80.0, 50.0)
    rng = np.random.default_rng(seed)
    fibres = np.repeat(rng.normal(0, grain, (x.shape[0], 1)), x.shape[1], axis=1)
    return x, y, np.log(0.5) + fibres + 0.004 * x - 0.002 * y + rng.normal(0, 0.03, x.shape)


@pytest.mark.parametrize("depth", [0.15, 0.6])
def test_a_darker_rectangle_is_found_just_inside_its_edges(depth):
    x, y, log = board(1)
    found = engraved_part(piece(np.exp(log - depth * in_window(x, y))))
    left, top, w, h = WINDOW_MM
    inset = np.array([found[0] - left, found[1] - top, left + w - found[0] - found[2], top + h - found[1] - found[3]])
    assert inset.min() > 0.3 and inset.max() < 2.7           # 1.5 cells of 1 mm, give or take one


def test_letters_across_an_edge_and_a_shadow_do_not_hide_the_rectangle():
    x, y, log = board(2)
    log = log - 0.4 * in_window(x, y) - 0.5 * (x + 0.7 * y > 70.0) - 1.0 * in_window(x, y, (30.0, 6.0, 9.0, 5.0))
    assert engraved_part(piece(np.exp(log)))[2:] == pytest.approx(np.array(WINDOW_MM[2:]) - 3.0, abs=2.5)


@pytest.mark.parametrize("kind", ["bare", "whole", "small figure", "shadow", "two sides", "lighter"])
def test_without_a_ground_of_its_own_nothing_is_left_out(kind):
    x, y, log = board(3)
    log = log - {"bare": 0.0 * x, "whole": 0.5 * in_window(x, y, (1.5, 1.5, 77.0, 47.0)),
                 "small figure": 0.8 * in_window(x, y, (10.0, 10.0, 14.0, 12.0)), "shadow": 0.6 * (x + 0.7 * y > 60.0),
                 "two sides": 0.5 * (x > 40.0), "lighter": -0.5 * in_window(x, y)}[kind]
    assert engraved_part(piece(np.exp(log))) is None


def test_rings_are_no_edges():
    x, y, log = board(4)
    for seed in range(20):
        ringed = log + rings(x, y, np.random.default_rng(seed), spacing_mm=6.0, lean_deg=3.0, contrast_percent=30.0)
        assert engraved_part(piece(np.exp(ringed))) is None


@pytest.mark.parametrize("texture", available(), ids=lambda texture: texture.name)
def test_real_textures_have_no_engraved_part(texture):
    """Photographs of woods and other grounds from packages: none is an engraving with bare board round it."""
    assert engraved_part(piece(np.maximum(load(texture)[:800, :1000], 0.01), s=10.0)) is None


def test_a_stripe_on_the_ground_alone_is_found_on_its_part_and_its_limit_holds_there():
    """Judged with the bare board the whole ground passed for artwork: no stripe above 0.14 % was promised."""
    x, y, log = board(5)
    stripe = cosine(x, y, period_mm=2.0, contrast_percent=2.0)
    given = piece(np.exp(log + (stripe - 0.5) * in_window(x, y)))
    field = with_detection_limit(find_stripes(flatten(given, region_mm=engraved_part(given)), with_limit=False))
    assert field.stripes[0].period_mm == pytest.approx(2.0, abs=0.01)
    assert field.stripes[0].contrast_interval_percent[0] < 2.0 < field.stripes[0].contrast_interval_percent[1]
    assert field.detection_limit_percent < 2.0
