"""Detection against contrast beside the ideal searching observer and what general-purpose libraries give.

    python tests/benchmarks/bench_detection.py [--trials 200]

Bands of 80 x 60 mm with coloured noise of known spectrum, a stripe of unknown
period (0.4 to 8 mm) and angle (within 1 degree). The signal is stated as the
output signal-to-noise ratio of the matched filter that knows everything,
10 log10(|line|^2 / noise power in its bin), in dB.

ideal     generalised likelihood ratio over the same plane, the true noise spectrum known
ours      the strongest candidate's odds, called at a threshold set on nulls to 1 %; and at the program's own
scipy     periodogram of the column mean, peak over a running median, threshold set to 1 %
astropy   Lomb-Scargle false-alarm probability of the column mean, threshold set to 1 %
"""
from __future__ import annotations

import argparse

import numpy as np
from astropy.timeseries import LombScargle
from scipy.ndimage import median_filter
from scipy.signal import periodogram

from analysis.flatten import Texture
from analysis.plane import FIT_TAPER, STEEPEST_DEG, Bands, make_plane, tapered
from analysis.stripes import CALL_PROBABILITY, _best_candidate, _lowest

STEP_MM, BAND_MM, LENGTH, HEIGHT = 1 / 12, 1.0, 78.0, 58.0
TEXTURE = Texture(name="bench", log_reflectance=np.zeros((1, 1), np.float32), weight=np.ones((1, 1), np.float32),
                  trend=np.zeros((1, 1), np.float32), samples_per_mm=12.0, origin_mm=(0.0, 0.0), scale_known=True,
                  longest_period_mm=20.0, artwork_fraction=0.0)


def noise_spectrum(fx, slope):
    """Power against fx, flat below 0.1 per mm."""
    return 1.0 / np.maximum(np.abs(fx), 0.1) ** slope + 0.3


def draw(rng, snr_db, slope, rings=False):
    """Bands of coloured noise with a stripe of the given output signal-to-noise ratio (None: none)."""
    n, k = int(LENGTH / STEP_MM), int(HEIGHT / BAND_MM)
    white = rng.standard_normal((k, n))
    shape = np.sqrt(noise_spectrum(np.fft.rfftfreq(n, STEP_MM), slope))
    value = 0.01 * np.fft.irfft(np.fft.rfft(white, axis=1) * shape, n, axis=1)
    x, y = np.arange(n) * STEP_MM, np.arange(k) * BAND_MM
    if rings:
        mean, cv = np.exp(rng.uniform(np.log(0.8), np.log(4))), rng.uniform(0.1, 0.3)
        edges = np.cumsum(np.maximum(mean * (1 + cv * rng.standard_normal(int(260 / mean))), 0.2 * mean)) - 20
        lean = np.radians(rng.uniform(-5, 5))
        phase = np.interp(x[None, :] * np.cos(lean) - y[:, None] * np.sin(lean), edges, np.arange(edges.size))
        value = value + rng.uniform(0.002, 0.02) * np.cos(2 * np.pi * phase)
    truth = None
    if snr_db is not None:
        f, a = 1 / np.exp(rng.uniform(np.log(0.4), np.log(4 if rings else 8))), np.radians(rng.uniform(-1, 1))
        truth = (f * np.cos(a), -f * np.sin(a))
        power = 1e-4 * noise_spectrum(truth[0], slope)              # variance of one band sample near this frequency
        amplitude = 2 * np.sqrt(10 ** (snr_db / 10) * power / (n * k))
        value = value + amplitude * np.cos(2 * np.pi * (truth[0] * x[None, :] + truth[1] * y[:, None])
                                           + rng.uniform(0, 6.28))
    weight = np.ones((k, n))
    return Bands(value=value, weight=weight, x_mm=x, y_mm=y, step_mm=STEP_MM, band_mm=BAND_MM,
                 fit_weight=tapered(weight, FIT_TAPER)), truth


def scores(bands, slope):
    """Score of each observer, and the frequency that it names."""
    plane = make_plane(bands, highest_per_mm=4.8)
    fx, fy = plane.fx_per_mm[:, None], plane.fy_per_mm[None, :]
    wedge = (np.abs(fy) <= fx * np.tan(np.radians(STEEPEST_DEG)) + 0.25 * plane.cell_y_per_mm) & (fx >= _lowest(plane))
    known = np.where(wedge, plane.power / noise_spectrum(plane.fx_per_mm, slope)[:, None], 0)
    i, _ = np.unravel_index(np.argmax(known), known.shape)
    ours = _best_candidate(bands, plane, TEXTURE)
    mean = bands.value.mean(axis=0)
    f, p = periodogram(mean, 1 / STEP_MM)
    keep = (f > 0.05) & (f < 4.8)
    ratio = (p / median_filter(p, 31))[keep]
    ls = LombScargle(bands.x_mm, mean)
    grid = np.linspace(0.06, 4.8, 3000)
    q = ls.power(grid)
    return {"ideal": (known.max(), plane.fx_per_mm[i]), "ours": (ours.probability, ours.line.fx_per_mm),
            "scipy": (ratio.max(), f[keep][np.argmax(ratio)]),
            "astropy": (-float(ls.false_alarm_probability(q.max(), method="baluev")), grid[np.argmax(q)])}


def run(trials: int, rings: bool) -> None:
    """Print the table."""
    nulls = []
    for seed in range(trials):
        rng = np.random.default_rng([seed, 1])
        slope = rng.uniform(0.3, 1.6)
        nulls.append(scores(draw(rng, None, slope, rings)[0], slope))
    bar = {name: np.quantile([s[name][0] for s in nulls], 0.99) for name in nulls[0]}
    own = np.mean([s["ours"][0] >= CALL_PROBABILITY for s in nulls])
    print(f"{'with rings' if rings else 'plain'}: false calls of ours at its own threshold {own:.3f}; "
          f"probability that 1 % of nulls exceed {bar['ours']:.3f}")
    print("dB      " + "  ".join(f"{name:>8}" for name in bar) + "  ours at its own threshold")
    for db in (12, 14, 16, 18, 20, 22, 25, 30):
        hit = {name: 0 for name in bar} | {"own": 0}
        for seed in range(trials):
            rng = np.random.default_rng([seed, db, 2])
            slope = rng.uniform(0.3, 1.6)
            bands, truth = draw(rng, db, slope, rings)
            for name, (score, fx) in scores(bands, slope).items():
                right = abs(fx - truth[0]) < 1.0 / LENGTH
                hit[name] += right and score >= bar[name]
                if name == "ours":
                    hit["own"] += right and score >= CALL_PROBABILITY
        shares = "  ".join(f"{hit[n] / trials:8.2f}" for n in (*bar, "own"))
        print(f"{db:<8}{shares}", flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=200)
    given = parser.parse_args()
    run(given.trials, rings=False)
    run(given.trials, rings=True)
