"""Where a stripe ends short of the piece's edges, the engraved part is told by it."""
from __future__ import annotations

import numpy as np
import pytest

from analysis.margin import striped_part
from analysis.pipeline import compare, inspect
from analysis.settings import Settings
from analysis.stripes import find_stripes
from tests.benchmarks.cases import pair_case
from tests.textures import cosine, grid, rings, texture

NOISE = 0.05


def test_stripe_that_ends_short_of_the_edges_tells_where_it_ends():
    """Simulated truth; a place is a twenty-fourth of the length and a twelfth of the height."""
    x, y = grid(90.0, 60.0)
    here = (x > 11.0) & (x < 80.0) & (y > 9.0)
    field = NOISE * np.random.default_rng(1).standard_normal(x.shape)
    field = field + cosine(x, y, period_mm=1.5, contrast_percent=5.0) * here
    left, top, w, h = striped_part(find_stripes(texture(field), with_limit=False))
    assert left == pytest.approx(11.0, abs=4.5) and left + w == pytest.approx(80.0, abs=4.5)
    assert top == pytest.approx(9.0, abs=5.5) and top + h == pytest.approx(60.0, abs=0.5)


def test_stripe_to_every_edge_and_wandering_rings_tell_no_part():
    x, y = grid()
    rng = np.random.default_rng(2)
    noise = NOISE * rng.standard_normal(x.shape)
    whole = noise + cosine(x, y, period_mm=1.5, contrast_percent=5.0)
    wandering = noise + rings(x, y, rng, spacing_mm=1.7, variation=0.2, lean_deg=0.5, contrast_percent=5.0)
    assert striped_part(find_stripes(texture(whole), with_limit=False)) is None
    assert striped_part(find_stripes(texture(wandering), with_limit=False)) is None


def test_unframed_photo_is_judged_without_the_bare_margin():
    """A photo of the simulator without a frame, whose board has a margin of the ground's own colour on all sides."""
    case = pair_case(9913, "no frame")
    camera, stripe = case.before.shot.camera, case.before.shot.piece.stripes[0]
    settings = Settings(pixels_per_mm=camera.px_per_mm, scan_angle_deg=camera.turn_deg)
    found = inspect(case.before.photo, settings).photo
    assert found.part_mm is not None and any("Only the part that is engraved" in words for words in found.warnings)
    assert found.decision.probability_mechanical > 0.95
    assert found.stripes.stripes[0].contrast_percent == pytest.approx(stripe.contrast_percent, rel=0.06)


def test_both_photos_are_judged_on_the_part_that_one_of_them_shows():
    """AFTER's weaker stripe does not tell where it ends: on BEFORE's part its ratio is the true 0.3."""
    case = pair_case(9911, "no frame")
    camera = case.before.shot.camera
    result = compare(case.before.photo, case.after.photo,
                     Settings(pixels_per_mm=camera.px_per_mm, scan_angle_deg=camera.turn_deg))
    assert result.before.part_mm == result.after.part_mm is not None
    assert result.change.ratio_interval[0] < 0.3 < result.change.ratio_interval[1]
