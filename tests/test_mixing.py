"""Lines that two stripes make together."""
from __future__ import annotations

import numpy as np

from analysis.mixing import with_mixed_named
from analysis.stripes import find_stripes
from tests.textures import cosine, grid, texture


def field_of(third_mm):
    """Two stripes of 2.5 and 1.7 mm, and a weaker one."""
    x, y = grid()
    noise = 0.02 * np.random.default_rng(3).standard_normal(x.shape)
    return find_stripes(texture(noise + cosine(x, y, period_mm=2.5, contrast_percent=8.0)
                                + cosine(x, y, period_mm=1.7, contrast_percent=6.0)
                                + cosine(x, y, period_mm=third_mm, contrast_percent=1.5)), with_limit=False)


def test_line_at_the_sum_or_difference_of_two_stripes_is_said_to_be_perhaps_theirs():
    """Closed form: cos(a) cos(b) = (cos(a - b) + cos(a + b)) / 2."""
    for third_mm, kind in ((1 / (1 / 1.7 + 1 / 2.5), "sum"), (1 / (1 / 1.7 - 1 / 2.5), "difference")):
        got = with_mixed_named(field_of(third_mm), "mm")
        assert len(got.stripes) == 3
        assert all(any(f"the {kind} of those every" in n for n in s.notes) == (abs(s.period_mm / third_mm - 1) < 0.01)
                   for s in got.stripes)
        assert got.stripes == tuple(c.stripe for c in got.candidates[:3])


def test_line_beside_that_is_a_stripe_of_its_own():
    got = with_mixed_named(field_of(1.02 / (1 / 1.7 + 1 / 2.5)), "mm")
    assert len(got.stripes) == 3
    assert not any("those every" in n for s in got.stripes for n in s.notes)
