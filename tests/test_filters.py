"""Windows and filters that are written out against the library that has them; what the pipeline leaves unloaded."""
from __future__ import annotations

import subprocess
import sys

import cv2
import numpy as np
import pytest
from scipy.signal import firls, remez
from scipy.signal.windows import tukey

from analysis.bank_filters import HALVING_TAPS, _halving_taps
from analysis.plane import _tukey
from analysis.resample import TAPS, _least_squares_taps, block_means


@pytest.mark.parametrize("share", [0.05, 0.1, 0.15, 0.3, 1.0])
@pytest.mark.parametrize("n", [1, 2, 3, 57, 58, 2161])
def test_tukey_window_is_that_of_scipy_signal_without_its_zero_ends(n, share):
    assert _tukey(n, share) == pytest.approx(tukey(n + 2, share)[1:-1], abs=1e-14)


@pytest.mark.parametrize("passed", [0.13, 0.2, 0.25])
def test_least_squares_low_pass_is_that_of_scipy_signal(passed):
    """Same normal equations, so equal to their rounding times their condition."""
    bands = np.array([[0.0, passed / 2], [passed / 2, passed], [1.9 * passed, 0.5]])
    gain, weights = np.array([[1.0, 1.2], [1.2, 1.7], [0.0, 0.0]]), np.array([30.0, 30.0, 1.0])
    ours = _least_squares_taps(TAPS, bands, gain, weights)
    assert ours == pytest.approx(firls(TAPS, bands.ravel(), gain.ravel(), weight=weights, fs=1.0), abs=1e-8)


def test_halving_filter_is_the_equal_ripple_one_of_scipy_signal():
    taps = remez(HALVING_TAPS, [0, 0.2, 0.3, 0.5], [1, 0], weight=[1, 3], fs=1.0)
    assert _halving_taps() == pytest.approx(taps / taps.sum(), abs=1e-6)


def test_the_slow_parts_of_scipy_stay_unloaded():
    """They take longer to load than all else together."""
    slow = ["scipy.stats", "scipy.signal", "scipy.optimize", "matplotlib", "streamlit"]
    code = f"import sys, analysis.pipeline; sys.exit(', '.join(set({slow}) & set(sys.modules)) or None)"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert found.returncode == 0, found.stderr


@pytest.mark.parametrize("factor", [1, 2, 3, 7, 40])
def test_block_means_are_those_of_an_area_average(factor):
    """OpenCV's area average by whole numbers; what is left of a block at the far edges is dropped."""
    picture = np.random.default_rng(factor).random((83, 241), np.float32)
    rows, columns = (n // factor for n in picture.shape)
    expected = cv2.resize(picture[: rows * factor, : columns * factor], (columns, rows), interpolation=cv2.INTER_AREA)
    np.testing.assert_allclose(block_means(picture, factor), expected, rtol=0, atol=1e-6)
