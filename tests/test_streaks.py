"""Streaks of the grain: what is taken out of a picture, and what stays."""
from __future__ import annotations

import cv2
import numpy as np
import pytest

from analysis.streaks import between_streaks, without_streaks

WIDEST = 12.0
WHERE = slice(40, -40), slice(40, -40)


def grained(angle_deg, spread=0.25):
    """Log light of grain that runs along a direction (anticlockwise as seen) for ever: a closed form."""
    y, x = np.mgrid[:300, :400].astype(np.float32)
    a = np.radians(angle_deg)
    across = x * np.sin(a) + y * np.cos(a)
    rng = np.random.default_rng(3)
    waves = sum(np.cos(across * f + p) for f, p in zip(rng.uniform(0.4, 1.2, 8), rng.uniform(0, 6, 8), strict=True))
    return (spread * waves / 2).astype(np.float32)


def lettered():
    """Light of artwork alone on an even ground."""
    cover = np.zeros((300, 400), np.uint8)
    cv2.putText(cover, "RYE 17", (60, 140), cv2.FONT_HERSHEY_DUPLEX, 2.6, 255, 7, cv2.LINE_AA)
    cv2.circle(cover, (300, 210), 34, 255, 6, cv2.LINE_AA)
    return np.float32(0.4) * np.exp(-0.9 * cover.astype(np.float32) / 255)


@pytest.mark.parametrize("angle_deg", [0.0, 37.0, 90.0, 158.0])
def test_grain_along_one_direction_goes_at_any_angle(angle_deg):
    """Closed form: grain that never changes along its direction is its own mean along it."""
    log = grained(angle_deg)
    left = np.log(without_streaks(np.float32(0.4) * np.exp(log), WIDEST))[WHERE]
    assert left.std() < 0.2 * log[WHERE].std()


@pytest.mark.parametrize("angle_deg", [0.0, 90.0, 20.0])
def test_artwork_stays_where_the_grain_goes(angle_deg):
    """Simulated truth: the picture without grain, to which the mended one must be far nearer."""
    plain, log = lettered(), grained(angle_deg)
    mended = without_streaks(plain * np.exp(log), WIDEST)
    true = np.log(plain)[WHERE].ravel()
    before, after = (np.corrcoef(true, np.log(p)[WHERE].ravel())[0, 1] for p in (plain * np.exp(log), mended))
    assert after > 0.9 > before


def test_a_picture_without_streaks_is_left_alone():
    """Property: plain artwork, and noise without a direction."""
    noise = np.exp(0.2 * np.random.default_rng(4).standard_normal((300, 400), dtype=np.float32))
    for picture in (lettered(), noise):
        assert without_streaks(picture, WIDEST) is picture


@pytest.mark.parametrize("angle_deg", [0.0, 37.0, 90.0, 158.0])
def test_between_streaks_lies_artwork_and_no_grain(angle_deg):
    """Closed form: what runs on along its direction is its own median along it; letters are shorter."""
    usable = np.ones((300, 400), bool)
    log, art = grained(angle_deg), np.log(lettered() / 0.4)
    left = between_streaks(log, usable, WIDEST)[WHERE]
    assert left.std() < 0.25 * log[WHERE].std()
    marks = art[WHERE] < -0.45

    def shown(picture):
        """Share of the artwork beyond five robust s.d. of the rest, which is how it is looked for."""
        return (np.abs(picture[marks]) > 5 * 1.4826 * np.median(np.abs(picture[~marks]))).mean()
    before, after = shown((log + art)[WHERE]), shown(between_streaks(log + art, usable, WIDEST)[WHERE])
    assert after > 0.35 and after > 2 * before


def test_between_streaks_is_nothing_where_nothing_is_usable():
    usable = np.zeros((120, 160), bool)
    usable[20:100, 30:140] = True
    left = between_streaks(grained(20.0)[:120, :160], usable, WIDEST)
    assert np.isfinite(left).all() and not left[~usable].any()
