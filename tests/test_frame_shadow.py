"""A frame's side beside a tool whose shadow looks like a line, on drawn pictures whose corners are known."""
from __future__ import annotations

import cv2
import numpy as np
import pytest

from analysis.frame_shadow import off_shadow
from analysis.geometry import lens_of_photo

PER_MM = 10.0
SIZE_MM = (80.0, 60.0)
CORNERS = np.array([[100.0, 100.0], [900.0, 100.0], [900.0, 700.0], [100.0, 700.0]])
WIDTH_MM = 0.8


def drawn(*, shadow=None, second_mm=None):
    """Board with a frame line; `shadow` holds how far outside the left side it starts and ends, mm."""
    picture = np.full((800, 1000), 0.6, np.float32)

    def line(away_mm):
        low, high = (int(round(v)) for v in (100 + PER_MM * away_mm, 100 + PER_MM * (away_mm + WIDTH_MM)))
        inner = picture[high:800 - high, high:1000 - high].copy()
        picture[low:800 - low, low:1000 - low] = 0.2
        picture[high:800 - high, high:1000 - high] = inner
    line(0.0)
    if second_mm is not None:
        line(second_mm)
    if shadow is not None:
        top, bottom = 100 - PER_MM * np.array(shadow)
        strip = np.array([[top - 7, 100], [top, 100], [bottom, 700], [bottom - 7, 700]])
        cv2.fillConvexPoly(picture, np.round(strip * 16).astype(np.int32), 0.02, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(picture, (0, 0), 1.2)


def on_shadow(shadow):
    """Corners as traced where the left side was laid on the shadow's outer edge."""
    away = PER_MM * (np.array(shadow) + 0.7)
    return CORNERS - np.array([[away[0], 0], [0, 0], [0, 0], [away[1], 0]])


@pytest.mark.parametrize("shadow", [(0.8, 0.8), (1.1, 0.5), (0.4, 1.2)])
def test_a_side_laid_on_a_tools_shadow_is_moved_onto_the_line_that_is_like_the_others(shadow):
    """To a step of the profile, 0.1 mm, and half of it again where the side was not parallel."""
    moved = off_shadow(drawn(shadow=shadow), on_shadow(shadow), SIZE_MM, WIDTH_MM, True, lens_of_photo((1000, 800)))
    assert np.abs(moved - CORNERS).max() < 0.25 * PER_MM


@pytest.mark.parametrize("picture", [drawn(), drawn(second_mm=1.6), drawn(shadow=(0.8, 0.8))],
                         ids=["plain", "double line", "shadow beside, traced rightly"])
def test_a_frame_on_its_line_stays_there(picture):
    assert off_shadow(picture, CORNERS, SIZE_MM, WIDTH_MM, True, lens_of_photo((1000, 800))) is None
