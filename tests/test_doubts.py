"""Why a photo cannot tell: a drawn grid beside stripes, rows, rings and real textures that are none."""
from __future__ import annotations

import numpy as np
import pytest

from analysis.decide import decide
from analysis.doubts import drawn_grid
from analysis.grain import measure_grain
from analysis.stripes import find_stripes
from tests.real_textures import available, load
from tests.textures import cosine, grid, rings, texture


def striped(across=0.0):
    """Texture with a stripe of 4 % every 2 mm, lines across it, and noise; and what the search finds."""
    x, y = grid(80.0, 60.0)
    noise = 0.05 * np.random.default_rng(1).standard_normal(x.shape)
    stripe = cosine(x, y, period_mm=2.0, contrast_percent=4.0, angle_deg=0.3)
    given = texture((noise + stripe + (across(x, y) if across else 0.0)).astype(np.float32))
    return given, find_stripes(given, with_limit=False)


def lines(period_mm, contrast_percent):
    """Lines along the scan axis, a little off."""
    return lambda x, y: cosine(y, x, period_mm=period_mm, contrast_percent=contrast_percent, angle_deg=0.4)


@pytest.mark.parametrize("contrast", [2.5, 4.0, 8.0])
def test_lines_of_one_spacing_both_ways_are_a_grid_and_no_verdict(contrast):
    given, field = striped(lines(2.0, contrast))
    cause = drawn_grid(field, given, "mm")
    assert cause is not None and "as well" in cause.words
    decision = decide(field, measure_grain(given, stripe_model=field.model), cause=cause)
    assert decision.verdict == "undecided" and decision.next_step == cause.next_step


@pytest.mark.parametrize("across", [0.0, lines(2.0, 1.0), lines(1.7, 6.0), lines(0.2, 10.0)],
                         ids=["stripe alone", "faint", "another spacing", "engraved rows"])
def test_a_stripe_beside_other_lines_is_no_grid(across):
    given, field = striped(across)
    assert field.stripes and drawn_grid(field, given, "mm") is None


def test_rings_of_the_stripe_s_spacing_along_the_scan_seldom_pass_for_its_twin():
    """Rings of 15 % variation are a hill; a line as narrow as a grid's happens in few of them."""
    grids = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        given, field = striped(lambda x, y, rng=rng: rings(y, x, rng, spacing_mm=2.0, contrast_percent=6.0))
        grids += bool(field.stripes) and drawn_grid(field, given, "mm") is not None
    assert grids <= 4


@pytest.mark.parametrize("one", available("wood"), ids=lambda one: one.name)
def test_a_stripe_on_real_wood_is_no_grid(one):
    """Photographs from packages, a stripe of 4 % laid on."""
    log = np.log(np.maximum(load(one)[:500, :700], 0.02)).astype(np.float32)
    x, y = np.meshgrid(np.arange(log.shape[1]) / 10.0, np.arange(log.shape[0]) / 10.0)
    given = texture(np.clip(log - log.mean(), -1, 1) + cosine(x, y, period_mm=2.0, contrast_percent=4.0))
    assert drawn_grid(find_stripes(given, with_limit=False), given, "mm") is None
