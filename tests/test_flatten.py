"""Flatten: trend and artwork out, stripes left alone."""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from analysis.errors import PhotoError
from analysis.flatten import flatten, glare_share, lost_to_artwork, strength_of
from tests.textures import S, cosine, grid, piece


def board(seed=1, width=72.0, height=50.0):
    x, y = grid(width, height)
    return x, y, 0.05 * np.random.default_rng(seed).standard_normal(x.shape).astype(np.float32)


def amplitude(array, weight, x, period):
    """Least-squares amplitude of a cosine along x, by projection on both quadratures."""
    design = np.stack([np.cos(2 * np.pi * x / period), np.sin(2 * np.pi * x / period)]).reshape(2, -1)
    w = weight.ravel()
    return np.hypot(*np.linalg.solve((design * w) @ design.T, (design * w) @ array.ravel()))


@pytest.mark.parametrize(("period", "kept"), [(2.0, 0.99), (6.0, 0.99), (9.0, 0.97), (18.0, 0.80)])
def test_stripe_survives_the_trend_removal(period, kept):
    """The trend has four bends along the scan: a stripe of a quarter of the width must keep most of its amplitude."""
    x, y, noise = board()
    trend = 0.3 * (x / 72) - 0.5 * ((y - 25) / 50) ** 2 + 0.2 * (x / 72) ** 3
    made = flatten(piece(0.2 * np.exp(noise + trend + cosine(x, y, period_mm=period, contrast_percent=6.0))))
    assert amplitude(made.log_reflectance, made.weight, x, period) == pytest.approx(0.03, rel=1 - kept + 0.03)


def test_vignetting_of_cos4_and_a_smoke_gradient_leave_less_than_the_noise():
    """cos^4 law of illumination: common practice, no source needed for the shape."""
    x, y, noise = board()
    r = np.hypot(x - 36, y - 25) / 80.0
    light = np.log(np.cos(np.arctan(r)) ** 4) + 0.25 * np.tanh((x - 40) / 40)
    made = flatten(piece(0.2 * np.exp(noise + light)))
    smooth = cv2.GaussianBlur(made.log_reflectance, (0, 0), 3 * S)
    inner = smooth[100:-100, 100:-100]
    assert np.abs(inner).max() < 0.02


def test_constant_factor_of_the_light_changes_nothing():
    x, y, noise = board()
    base = 0.1 * np.exp(noise + cosine(x, y, period_mm=2.0, contrast_percent=4.0))
    a, b = flatten(piece(base)), flatten(piece(3.0 * base))
    assert np.abs(a.log_reflectance - b.log_reflectance).max() < 1e-4


@pytest.mark.parametrize("ink", [0.25, 2.5])
def test_letters_dark_or_light_are_masked(ink):
    x, y, noise = board()
    picture = 0.2 * np.exp(noise)
    layer = np.zeros(picture.shape, np.uint8)
    cv2.putText(layer, "HIHIHIHI", (60, 300), cv2.FONT_HERSHEY_SIMPLEX, 4.0, 255, 12, cv2.LINE_AA)
    cover = layer.astype(np.float32) / 255
    made = flatten(piece(picture * (1 - cover) + 0.2 * ink * cover))
    assert (made.weight[cover > 0.5] == 0).mean() > 0.99
    assert made.artwork_fraction < 0.25


def test_untouched_border_bold_letters_and_a_second_ply_on_a_third_of_a_piece_are_left_out():
    x, y, noise = board()
    ground = 0.2 * np.exp(noise + cosine(x, y, period_mm=2.0, contrast_percent=4.0))
    foreign = (np.minimum(x, 72 - x) < 4) | (np.minimum(y, 50 - y) < 4)
    picture = np.where(foreign, ground * 1.6, ground)      # wood that nothing touched
    for part, factor in (((np.hypot(x - 22, y - 20) < 7), 0.65), ((abs(x - 50) < 9) & (abs(y - 34) < 4), 0.4)):
        picture, foreign = np.where(part, ground * factor, picture), foreign | part
    assert foreign.mean() > 0.33
    made = flatten(piece(picture.astype(np.float32)))
    assert made.weight[foreign].mean() < 0.03
    assert (made.weight[~foreign] > 0).mean() > 0.85
    assert amplitude(made.log_reflectance, made.weight, x, 2.0) == pytest.approx(0.02, rel=0.04)


def test_strong_skewed_rings_are_texture_and_not_artwork():
    """Late wood is dark and narrow: a strict look at its levels would take it for strokes."""
    x, y, noise = board()
    u = (x * 0.8 + y * 0.6) / 3.0
    made = flatten(piece((0.3 * np.exp(noise - 0.5 * (u % 1.0) ** 4)).astype(np.float32)))
    assert made.artwork_fraction < 0.02


def evenly_ringed(x, y, pitch_mm=5.5):
    """Cover of a border of small rings, one every `pitch_mm` along the top and the bottom."""
    cover = np.zeros(x.shape, bool)
    for middle in np.arange(6.0, 70.0, pitch_mm):
        for row in (6.0, 44.0):
            cover |= np.abs(np.hypot(x - middle, y - row) - 1.2) < 0.2
    return cover


@pytest.mark.parametrize("angle_deg", [0.0, 33.0, 88.0])
def test_a_border_of_even_marks_is_left_out_though_the_grain_is_deeper_than_they_are(angle_deg):
    """Simulated truth: marks of 0.25 on grain of 0.2 that runs one way, which a bar of its own spread lets pass."""
    x, y, noise = board()
    a = np.radians(angle_deg)
    rng = np.random.default_rng(4)
    grain = sum(np.cos((x * np.sin(a) + y * np.cos(a)) * f + p)
                for f, p in zip(rng.uniform(2, 9, 9), rng.uniform(0, 6, 9), strict=True)) / np.sqrt(4.5)
    cover = evenly_ringed(x, y)
    made = flatten(piece((0.2 * np.exp(0.4 * noise + 0.2 * grain + 0.25 * cover)).astype(np.float32)))
    assert (made.weight[cover] == 0).mean() > 0.9
    assert made.artwork_fraction < 0.15


def test_narrow_deep_stripes_are_no_artwork():
    """A tooth that strikes once a period darkens a fifth of it; the ground beside is even."""
    x, y, noise = board()
    struck = np.exp(-0.5 * (((x + 1.0) % 2.0 - 1.0) / 0.18) ** 2)
    made = flatten(piece((0.2 * np.exp(0.3 * noise - 0.12 * struck)).astype(np.float32)))
    assert made.artwork_fraction < 0.02


def test_frame_line_inside_the_outer_edge_is_left_out():
    x, y, noise = board(width=80.0, height=60.0)
    picture = 0.2 * np.exp(noise)
    line = (x < 0.9) | (y < 0.9) | (x > 79.1) | (y > 59.1)
    picture[line] *= 0.25
    made = flatten(replace(piece(picture), frame_mm=(80.0, 60.0)))
    assert (made.weight[line] == 0).all()
    assert (made.weight[(x > 3) & (x < 77) & (y > 3) & (y < 57)] > 0).mean() > 0.98


def test_region_keeps_only_its_part_and_a_region_off_the_piece_is_refused():
    x, y, noise = board()
    made = flatten(piece(0.2 * np.exp(noise)), region_mm=(10, 10, 30, 25))
    assert made.weight[(x < 9.9) | (x > 40.1) | (y < 9.9) | (y > 35.1)].max() == 0
    with pytest.raises(PhotoError, match="region"):
        flatten(piece(0.2 * np.exp(noise)), region_mm=(200, 200, 10, 10))


def test_missing_data_has_weight_zero_and_value_zero():
    x, y, noise = board()
    given = replace(piece(0.2 * np.exp(noise)), valid=(x > 20))
    made = flatten(given)
    assert (made.weight[x <= 20] == 0).all()
    assert (made.log_reflectance[made.weight == 0] == 0).all()


@pytest.mark.parametrize("wide", [0.15, 0.2, 0.25])
def test_bright_spot_is_taken_to_hide_what_it_hides_and_even_ground_nothing(wide):
    """A Gaussian spot as bright as the ground at its middle, exactly known; s.d. as a share of the piece's width."""
    x, y, noise = board()
    ground = 0.2 * np.exp(noise + 0.3 * (x / 72) - 0.2 * (y / 50))
    spot = 0.2 * np.exp(-0.5 * (((x - 30) / 72) ** 2 + ((y - 28) / 72) ** 2) / wide ** 2)
    made = flatten(piece(ground + spot))
    hidden = np.average(spot / (ground + spot), weights=made.weight)
    assert 0.6 * hidden < glare_share(made) < 1.3 * hidden
    assert glare_share(flatten(piece(ground))) < 0.02


def test_artwork_is_looked_for_beside_a_known_stripe():
    """Dark fibres mask more of a stripe's dark phases; looked for without the stripe, they leave its contrast alone."""
    x, y = grid()
    rng = np.random.default_rng(5)
    fibres = cv2.GaussianBlur(rng.standard_normal(x.shape).astype(np.float32), (0, 0), sigmaX=3, sigmaY=1.5)
    fibres = -0.03 * np.exp(fibres / fibres.std())                   # few and deep, as vessels in wood are
    stripe = cosine(x, y, period_mm=3.0, contrast_percent=12.0)
    made = piece(0.3 * np.exp(fibres + stripe))

    first = flatten(made)
    again = flatten(made, stripes=stripe)
    eaten = 1.0 - strength_of(first, stripe)
    assert 0.02 < eaten < lost_to_artwork(first, stripe)
    assert strength_of(again, stripe) == pytest.approx(1.0, abs=0.01)
    assert lost_to_artwork(again, stripe) < 0.3 * lost_to_artwork(first, stripe)
