"""Lines that brightness itself does not show."""
from __future__ import annotations

import cv2
import numpy as np
import pytest

from analysis.brightness import in_brightness, only_uneven
from analysis.camera import without_camera_lines
from analysis.photo import Photo
from analysis.stripes import find_stripes
from tests.textures import S, cosine, grid, piece, texture

PITCH_MM = 0.35                            # of the pixels that the ground was enlarged from


def enlarged_ground(seed, spread=0.35):
    """Uneven ground enlarged by cubic interpolation from pixels `PITCH_MM` apart, as a digital zoom does."""
    x, y = grid()
    size = tuple(int(round(n / S / PITCH_MM)) for n in x.shape)
    coarse = np.exp(spread * np.random.default_rng(seed).standard_normal(size))
    step = np.array([[PITCH_MM * S, 0.0, 0.0], [0.0, PITCH_MM * S, 0.0]])
    level = cv2.warpAffine(coarse, step, x.shape[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return x, y, np.log(np.maximum(level, 0.05)).astype(np.float32)


def blank_photo():
    blank = np.zeros((10, 10), np.float32)
    return Photo(name="t", luminance=blank, preview=np.zeros((10, 10, 3), np.uint8), preview_scale=1.0,
                 size_px=(10, 10), clipped=blank.astype(bool), block_px=0, bits=8)


def test_pixels_of_an_enlarged_picture_are_a_line_of_the_logarithm_and_none_of_the_brightness():
    """Closed form: weights of cubic interpolation add up to 1 everywhere, so the mean brightness is even."""
    _, _, ground = enlarged_ground(1)
    given = texture(ground)
    field = find_stripes(given, with_limit=False)
    assert field.stripes[0].period_mm == pytest.approx(PITCH_MM, rel=1e-3)
    assert in_brightness(field.stripes[0], given, field.bands) < 0.5
    _, cause, _ = without_camera_lines(field, piece(np.exp(ground)), blank_photo(), given)
    assert "enlarged" in cause


def test_a_stripe_on_the_same_ground_stands_in_the_brightness_as_in_its_logarithm():
    x, y, ground = enlarged_ground(2)
    given = texture(ground + cosine(x, y, period_mm=1.7, contrast_percent=6.0))
    field = find_stripes(given, with_limit=False)
    stripe = next(s for s in field.stripes if abs(s.period_mm - 1.7) < 0.01)
    # Of the difference of the two amplitudes noise's part is its own share of the line, a tenth at 20 dB
    assert in_brightness(stripe, given, field.bands) == pytest.approx(1.0, abs=0.1)
    assert not only_uneven(stripe, given, field.bands)
    kept, cause, _ = without_camera_lines(field, piece(np.exp(ground)), blank_photo(), given)
    assert cause is None and kept.stripes == (stripe,)
