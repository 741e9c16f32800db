"""Detection against contrast beside the ideal searching observer and what general-purpose libraries give.

    python -m tests.benchmarks.bench_detection [--trials 100] [--first 0] [--only plain rings directed] [--png FILE]

A seed has one texture and one stripe, laid on it at each strength. Beside each
ratio stands its 95 % interval from 400 draws of as many seeds (bootstrap); the
libraries are tried on the first 40 seeds only.

Bands of 80 x 60 mm with coloured noise of known spectrum, a stripe of unknown
period (0.4 to 8 mm; with rings to 4 mm) and angle (within 1 degree). The signal
is stated as the output signal-to-noise ratio of the matched filter that knows
everything and meets no rings, 10 log10(|line|^2 / noise power in its bin), in
dB: 6 dB is twice the contrast. Thresholds are those that 1 % of the trials
without a stripe exceed; "own" is the program's own threshold.

ideal     generalised likelihood ratio over the same plane, the true spectrum of noise and rings known
ours      the strongest candidate's odds
scipy     periodogram of the column mean, peak over a running median
astropy   Lomb-Scargle false-alarm probability of the column mean
gabor     energy of scikit-image's Gabor kernels across the stripes over that along them, best octave third
matched   (directed) power at the true period and angle over the true noise: closed form, noncentral chi-square

directed: a machine file lists four periods and the stripe has one of them; "ours" is the probability that
noise makes such a line at any of them, with the threshold that 1 % of pieces without a stripe exceed; five times
as many seeds, since it costs little.
"""
from __future__ import annotations

import argparse
from functools import cache

import numpy as np
from astropy.timeseries import LombScargle
from scipy.ndimage import median_filter, uniform_filter1d
from scipy.optimize import brentq
from scipy.signal import fftconvolve, periodogram
from scipy.stats import ncx2
from skimage.filters import gabor_kernel

from analysis.flatten import Texture
from analysis.line import measure_line
from analysis.odds import directed_false_alarm
from analysis.peaks import listed_peaks, search_wedge
from analysis.places import demodulate_each
from analysis.plane import FIT_TAPER, STEEPEST_DEG, Bands, make_plane, tapered
from analysis.stripes import CALL_PROBABILITY, _best_candidate

STEP_MM, BAND_MM, LENGTH, HEIGHT = 1 / 12, 1.0, 78.0, 58.0
N, K = int(LENGTH / STEP_MM), int(HEIGHT / BAND_MM)
X, Y = np.arange(N) * STEP_MM, np.arange(K) * BAND_MM
HIGHEST = 4.8
LISTED = ((2.032, 0.002), (1.016, 0.001), (3.175, 0.003), (0.8, 0.0008))
DECIBELS = {"plain": (12, 14, 15, 16, 17, 18), "rings": (16, 19, 22, 25, 28, 32), "directed": (10, 11, 12, 13, 14, 15)}
FALSE_ALARMS, SHARE = 0.01, 0.95
DRAWS, OTHERS, MORE_DIRECTED = 400, 40, 5     # bootstrap; seeds for the libraries; directed seeds for each other one
TEXTURE = Texture(name="bench", log_reflectance=np.zeros((1, 1), np.float32), weight=np.ones((1, 1), np.float32),
                  trend=np.zeros((1, 1), np.float32), samples_per_mm=12.0, origin_mm=(0.0, 0.0), scale_known=True,
                  longest_period_mm=20.0, artwork_fraction=0.0)


def noise_power(fx, slope):
    """Variance of a sample per unit of bandwidth against fx, flat below 0.1 per mm."""
    return 1e-4 * (1.0 / np.maximum(np.abs(fx), 0.1) ** slope + 0.3)


def bands_of(value) -> Bands:
    """Bands from an array (K, N)."""
    weight = np.ones((K, N))
    return Bands(value=value, weight=weight, x_mm=X, y_mm=Y, step_mm=STEP_MM, band_mm=BAND_MM,
                 fit_weight=tapered(weight, FIT_TAPER))


def rings_of(rng, mean, cv, lean, amplitude):
    """Rings nearly parallel to the stripes: a renewal process of their edges, one cosine a ring."""
    edges = np.cumsum(np.maximum(mean * (1 + cv * rng.standard_normal(int(260 / mean))), 0.2 * mean)) - 20
    phase = np.interp(X[None, :] * np.cos(lean) - Y[:, None] * np.sin(lean), edges, np.arange(edges.size))
    return amplitude * np.cos(2 * np.pi * phase)


def draw(seed, what, snr_db):
    """Bands, slope of the noise, rings' parameters (None: none) and true (fx, fy) (None: no stripe)."""
    rng = np.random.default_rng([seed, 31])
    slope = rng.uniform(0.3, 1.6)
    shape = np.sqrt(noise_power(np.fft.rfftfreq(N, STEP_MM), slope))
    value = np.fft.irfft(np.fft.rfft(rng.standard_normal((K, N)), axis=1) * shape, N, axis=1)
    rings = None
    if what == "rings":
        rings = (np.exp(rng.uniform(np.log(0.8), np.log(4))), rng.uniform(0.1, 0.3), np.radians(rng.uniform(-5, 5)),
                 rng.uniform(0.002, 0.02))
        value = value + rings_of(rng, *rings)
    period = np.exp(rng.uniform(np.log(0.4), np.log(4 if rings else 8)))
    if what == "directed":
        listed, sd = LISTED[rng.integers(len(LISTED))]
        period = listed + sd * rng.standard_normal()
    angle = np.radians(rng.uniform(-1, 1))
    truth = (np.cos(angle) / period, -np.sin(angle) / period)
    if snr_db is not None:
        amplitude = 2 * np.sqrt(10 ** (snr_db / 10) * noise_power(truth[0], slope) / (N * K))
        value = value + amplitude * np.cos(2 * np.pi * (truth[0] * X[None, :] + truth[1] * Y[:, None])
                                           + rng.uniform(0, 6.28))
    return bands_of(value), slope, rings, truth


@cache
def ring_power(rings, seed):
    """Mean power of rings in the plane, from 30 draws."""
    rng = np.random.default_rng([seed, 99])
    return uniform_filter1d(np.mean([make_plane(bands_of(rings_of(rng, *rings)), highest_per_mm=HIGHEST).power
                                     for _ in range(30)], axis=0), 3, axis=0)


def ideal(plane, slope, rings, seed):
    """Largest power over the true spectrum of noise and rings."""
    known = noise_power(plane.fx_per_mm, slope)[:, None] * plane.square_sum * np.ones_like(plane.power)
    if rings:
        known += ring_power(rings, seed)
    score = np.where(search_wedge(plane), plane.power / known, 0)
    i, _ = np.unravel_index(np.argmax(score), score.shape)
    return score.max(), plane.fx_per_mm[i]


@cache
def kernels():
    """Gabor kernels of a third of an octave apart, across the stripes and along them, at 4 px per mm."""
    return [(f, [gabor_kernel(0.25 * f, theta=theta, bandwidth=0.6, n_stds=2) for theta in (0.0, np.pi / 2)])
            for f in np.geomspace(0.14, 1.6, 10)]


def gabor(bands):
    """Largest energy ratio and its frequency."""
    picture = np.repeat(bands.value.reshape(K, -1, 3).mean(axis=2), 4, axis=0)
    picture -= picture.mean()
    best = max((np.mean(np.abs(fftconvolve(picture, pair[0], mode="valid")) ** 2)
                / np.mean(np.abs(fftconvolve(picture, pair[1], mode="valid")) ** 2), f) for f, pair in kernels())
    return best


def libraries(bands) -> dict:
    """What a careful person would write with general-purpose libraries."""
    mean = bands.value.mean(axis=0)
    f, p = periodogram(mean, 1 / STEP_MM)
    keep = (f > 0.05) & (f < HIGHEST)
    ratio = (p / median_filter(p, 31))[keep]
    search = LombScargle(bands.x_mm, mean)
    grid = np.linspace(0.06, HIGHEST, 3000)
    power = search.power(grid)
    return {"scipy": (ratio.max(), f[keep][np.argmax(ratio)]),
            "astropy": (-float(search.false_alarm_probability(power.max(), method="baluev")), grid[np.argmax(power)]),
            "gabor": gabor(bands)}


def scores(seed, what, snr_db, with_libraries) -> dict:
    """Score of each observer, and whether the frequency that it names is the true one."""
    bands, slope, rings, truth = draw(seed, what, snr_db)
    plane = make_plane(bands, highest_per_mm=HIGHEST)
    if what == "directed":
        return {"ours": directed(bands, plane)}
    best = _best_candidate(bands, plane, TEXTURE)
    found = {"ideal": ideal(plane, slope, rings, seed),
             "ours": (best.probability, best.line.fx_per_mm) if best else (0.0, 0.0)}
    found |= libraries(bands) if with_libraries else {}
    return {name: (score, abs(fx - truth[0]) < 1.0 / LENGTH if name != "gabor" else 1 / 1.26 < fx / truth[0] < 1.26)
            for name, (score, fx) in found.items()}


def directed(bands, plane) -> tuple[float, bool]:
    """Directed false-alarm probability of the likeliest listed line, as minus its logarithm."""
    peaks = listed_peaks(plane, LISTED)
    lines = [measure_line(places, plane, drifting=False, reach_cells=reach / plane.cell_x_per_mm)
             for places, (*_, reach) in zip(demodulate_each(bands, [p[:2] for p in peaks]), peaks, strict=True)]
    return max(-np.log(directed_false_alarm(line, plane, listed_mm=LISTED, steepest_deg=STEEPEST_DEG))
               for line in lines), True


def matched(db) -> float:
    """Share found by the filter that knows period, angle and noise: twice its power is noncentral chi-square."""
    return float(ncx2.sf(-2.0 * np.log(FALSE_ALARMS), 2, 2.0 * 10 ** (db / 10)))


def run(what: str, first: int, trials: int) -> tuple[tuple, dict]:
    """Print the table; give decibels and the curve of each observer."""
    seeds = range(first, first + trials * (MORE_DIRECTED if what == "directed" else 1))
    decibels = DECIBELS[what]
    table = [[scores(seed, what, db, seed - first < OTHERS) for db in (None, *decibels)] for seed in seeds]
    if what != "directed":
        null = np.array([row[0]["ours"][0] for row in table])
        print(f"{what}: called without a stripe at the program's own threshold {np.mean(null >= CALL_PROBABILITY):.3f} "
              f"of {len(table)}, over 0.9: {np.sum(null > 0.9)}")
    names = list(table[0][0])
    score, right = ({n: np.array([[s[n][k] for s in row] for row in table if n in row[0]]) for n in names}
                    for k in (0, 1))

    def curve(name, chosen=slice(None), bar=None):
        bar = np.quantile(score[name][chosen, 0], 1.0 - FALSE_ALARMS) if bar is None else bar
        return np.mean((score[name][chosen, 1:] >= bar) & right[name][chosen, 1:], axis=0)

    curves = {name: curve(name) for name in names}
    bars = {"ours": None} if what == "directed" else {"ours": None, "own": CALL_PROBABILITY}
    if what == "directed":
        curves = {"matched": np.array([matched(db) for db in decibels])} | curves
    else:
        curves["own"] = curve("ours", bar=CALL_PROBABILITY)
    print("dB    " + " ".join(f"{name:>8}" for name in curves))
    for k, db in enumerate(decibels):
        print(f"{db:<6}" + " ".join(f"{shares[k]:8.2f}" for shares in curves.values()), flush=True)

    def apart(name, chosen=slice(None)):
        bound = brentq(lambda db: matched(db) - SHARE, 0, 30) if what == "directed" else at_95(
            decibels, curve("ideal", chosen))
        return 10 ** ((at_95(decibels, curve("ours", chosen, bars[name])) - bound) / 20)

    rng = np.random.default_rng(first)
    for name in bars:
        drawn = [apart(name, rng.integers(0, len(table), len(table))) for _ in range(DRAWS)]
        low, high = np.quantile(drawn, [0.025, 0.975], method="nearest")
        print(f"  contrast found 95 % of the time over that of '{'matched' if what == 'directed' else 'ideal'}': "
              f"{name} {apart(name):.2f} ({low:.2f} to {high:.2f})", flush=True)
    return decibels, curves


def at_95(decibels, share) -> float:
    """Decibels at which 95 % are found, on a curve that is kept from falling; inf beyond the table."""
    rising = np.maximum.accumulate(share)
    if rising[-1] < SHARE:
        return np.inf
    k = int(np.argmax(rising >= SHARE))
    return float(decibels[0]) if k == 0 else float(np.interp(SHARE, rising[k - 1: k + 1], decibels[k - 1: k + 1]))


def picture(results: dict, file: str) -> None:
    """Draw detection against contrast."""
    import matplotlib
    matplotlib.use("Agg")
    import matplotlib.pyplot as plt
    figure, axes = plt.subplots(1, len(results), figsize=(5 * len(results), 4), sharey=True, squeeze=False)
    for axis, (what, (decibels, curves)) in zip(axes[0], results.items(), strict=True):
        for name, share in curves.items():
            axis.plot(decibels, share, marker="o", ms=3, label=name, lw=2 if name == "ours" else 1)
        axis.axhline(0.95, color="0.7", lw=0.8)
        axis.set(title=what, xlabel="output signal-to-noise ratio of a filter that knows all, dB", ylim=(-0.02, 1.02))
        axis.legend(fontsize=8)
    axes[0, 0].set_ylabel("share found, 1 % false alarms")
    figure.tight_layout()
    figure.savefig(file, dpi=120)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--only", nargs="+", choices=tuple(DECIBELS), default=tuple(DECIBELS))
    parser.add_argument("--png", help="draw the curves here")
    given = parser.parse_args()
    curves = {what: run(what, given.first, given.trials) for what in given.only}
    if given.png:
        picture(curves, given.png)
