"""The wavenumber plane and its continuum against closed forms."""
from __future__ import annotations

import numpy as np
import pytest

from analysis.line import fit_line, line_wave
from analysis.odds import search_false_alarm
from analysis.places import demodulate
from analysis.plane import STEEPEST_DEG, make_bands, make_plane, remove_line
from tests.textures import cosine, grid, texture


def white(seed, sigma=0.05):
    x, y = grid()
    return x, y, sigma * np.random.default_rng(seed).standard_normal(x.shape).astype(np.float32)


def test_white_noise_has_the_power_that_parseval_gives():
    """Var of a band mean is sigma^2 / rows; a tapered periodogram's mean is that times the sum of squared weights."""
    _, _, noise = white(1)
    bands = make_bands(texture(noise))
    plane = make_plane(bands, highest_per_mm=4.0)
    expected = 0.05 ** 2 / 12 * plane.square_sum
    inner = plane.power[40:]
    assert inner.mean() == pytest.approx(expected, rel=0.05)
    assert plane.local[40:].mean() == pytest.approx(expected, rel=0.05)
    assert np.median(plane.floor[40:]) == pytest.approx(expected, rel=0.12)


def test_power_of_white_noise_is_exponential():
    """Periodogram ordinates of Gaussian noise: chi-square with 2 degrees of freedom (Percival and Walden 1993)."""
    _, _, noise = white(2)
    plane = make_plane(make_bands(texture(noise)), highest_per_mm=4.0)
    ratio = (plane.power / plane.local.mean())[40:]
    for level in (1.0, 2.0, 3.0):
        assert (ratio > level).mean() == pytest.approx(np.exp(-level), rel=0.15)


def test_noise_level_of_a_falling_spectrum_lies_on_the_spectrum():
    """Power falling as f^-1.6: its mean from 0.5 to 1.5 of a frequency lies a (a + 1) / 24 = 17 % above it, a = 1.6."""
    power, noise = [], []
    for seed in range(8):
        _, _, value = white([seed, 9])
        shape = np.maximum(np.fft.rfftfreq(value.shape[1], 1 / 12), 0.05) ** -0.8
        plane = make_plane(make_bands(texture(np.fft.irfft(np.fft.rfft(value, axis=1) * shape, value.shape[1], axis=1)
                                              .astype(np.float32))), highest_per_mm=4.0)
        near = slice(*np.searchsorted(plane.fx_per_mm, (16 * plane.cell_x_per_mm, 40 * plane.cell_x_per_mm)))
        fall = plane.fx_per_mm[near, None] ** 1.6
        power.append((plane.power[near] * fall).mean())
        noise.append((plane.noise[near] * fall).mean())
    s_d = np.std(power) / np.sqrt(len(power)) / np.mean(power)      # of the mean power itself
    assert np.mean(noise) / np.mean(power) == pytest.approx(1.0, abs=0.02 + 2 * s_d)


def test_line_stands_at_its_frequency_with_its_amplitude():
    x, y, noise = white(3, 1e-4)
    bands = make_bands(texture(noise + 0.02 * np.cos(2 * np.pi * (0.5 * x + 0.004 * y))))
    plane = make_plane(bands, highest_per_mm=4.0)
    i, j = np.unravel_index(np.argmax(plane.power), plane.power.shape)
    assert plane.fx_per_mm[i] == pytest.approx(0.5, abs=plane.cell_x_per_mm / 2)
    assert plane.fy_per_mm[j] == pytest.approx(0.004, abs=plane.cell_y_per_mm / 2)
    line = fit_line(bands, plane, plane.fx_per_mm[i], plane.fy_per_mm[j])
    assert line.amplitude == pytest.approx(0.02, rel=2e-3)
    rest = remove_line(bands, line_wave(line, bands.x_mm, bands.y_mm))
    assert np.abs(rest.value).std() < 0.02 * 0.02


def test_search_correction_is_honest_on_white_noise():
    """p below 0.1 in about 10 % of pieces of white noise: between 1 and 13 of 60 (binomial, 3 s.d.)."""
    low = 0
    for seed in range(60):
        _, _, noise = white([seed, 8])
        bands = make_bands(texture(noise))
        plane = make_plane(bands, highest_per_mm=4.0)
        lowest = 4 * plane.cell_x_per_mm
        wedge = (np.abs(plane.fy_per_mm)[None, :] <= plane.fx_per_mm[:, None] * np.tan(np.radians(STEEPEST_DEG))) \
            & (plane.fx_per_mm[:, None] >= lowest)
        i, j = np.unravel_index(np.argmax(np.where(wedge, plane.power / plane.noise, 0)), wedge.shape)
        line = fit_line(bands, plane, plane.fx_per_mm[i], plane.fy_per_mm[j])
        low += search_false_alarm(line, plane, lowest_per_mm=lowest, steepest_deg=STEEPEST_DEG) < 0.1
    assert 1 <= low <= 13


def test_spectrum_of_a_whole_number_of_octaves_has_a_trend():
    """82 bins over the first that counts are 256 times it, which rounding once took one third of an octave too far."""
    x, _ = grid(314 / 7.485396003274151, 20.0, 7.485396003274151)
    noise = np.random.default_rng(9).standard_normal(x.shape)
    plane = make_plane(make_bands(texture(noise, s=7.485396003274151)), highest_per_mm=7.485396003274151 / 2.5)
    assert np.isfinite(plane.noise).all()


def test_demodulation_is_linear():
    x, y, noise = white(4)
    a, b = make_bands(texture(noise)), make_bands(texture(cosine(x, y, period_mm=2.0, contrast_percent=3.0)))
    both = make_bands(texture(noise + cosine(x, y, period_mm=2.0, contrast_percent=3.0)))
    sums = [demodulate(bands, 0.5, 0.0).sums for bands in (a, b, both)]
    assert np.allclose(sums[0] + sums[1], sums[2], atol=1e-3 * np.abs(sums[2]).max())
