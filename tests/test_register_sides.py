"""AFTER's own sides, once the artwork has told where its frame must lie."""
from __future__ import annotations

import numpy as np
import pytest

from analysis.rectify import rectify
from analysis.register_match import Match
from analysis.register_sides import with_frame_of_after
from tests.test_frame import covered, drawn
from tests.test_rectify import photo_of


@pytest.mark.parametrize("hidden", [False, True], ids=["all sides", "right side hidden"])
def test_sides_that_are_seen_correct_the_artwork_s_place_and_a_hidden_one_keeps_it(hidden):
    """One photo twice, the artwork's map off by 2 and 1.5 px: 0.4 px is 0.05 mm."""
    luminance, true = drawn([], 0.6)
    photo = covered(luminance, true, [(80, -6), (80, 66)], 0.2, 44) if hidden else luminance
    off = np.array([[1.0, 0, 2.0], [0, 1, 1.5], [0, 0, 1]])
    match = Match(ok=True, homography=off, residual_px=1.0, before_px_per_mm=8.0, overlap_fraction=1.0, reason=None,
                  method="artwork", corners_px=true)
    found = with_frame_of_after(match, rectify(photo_of(luminance), frame_mm=(80.0, 60.0)), photo_of(photo))
    error = found.corners_px - true
    assert found.method == "frame and artwork"
    assert np.abs(error[[0, 3]]).max() < 0.4 and np.abs(error[:, 1]).max() < 0.4
    assert np.abs(error[[1, 2], 0] + 2.0 * hidden).max() < 0.4


def test_two_hidden_sides_leave_the_artwork_s_place_alone():
    luminance, true = drawn([], 0.6)
    photo = covered(covered(luminance, true, [(80, -6), (80, 66)], 0.2, 44), true, [(0, -6), (0, 66)], 0.2, 44)
    match = Match(ok=True, homography=np.eye(3), residual_px=1.0, before_px_per_mm=8.0, overlap_fraction=1.0,
                  reason=None, method="artwork", corners_px=true)
    assert with_frame_of_after(match, rectify(photo_of(luminance), frame_mm=(80.0, 60.0)), photo_of(photo)) is match
