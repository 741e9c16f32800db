"""Rings without a stripe, of many shapes: how often are they called, and how surely?

    python -m tests.benchmarks.bench_rings [--trials 800] [--first 0] [--shapes cosine sawtooth ...]

Textures of 78 x 58 mm with growth rings within 5 degrees of the stripes' direction, 8 to 100 in view, spacing
variation 3 to 30 %, over a little noise, and fibres that stand as nearly. A walk of the ring edges turns the phase by
2 pi CV sqrt(n) after n rings; where that is below about a radian over the whole view, rings are as even as a machine's
stripes, and no spectrum can tell them apart.

cosine     one cosine a ring
harmonics  the same with two harmonics, locked to it ring by ring
sawtooth   earlywood to latewood to a sharp edge, each ring its own depth
trend      spacing that changes by 10 to 60 % over the view beside its variation
kept       widths that go on from ring to ring (AR(1), 0.3 to 0.8)
curved     arcs of 80 to 600 mm radius
uneven     a cosine whose amplitude changes from ring to ring
fibres     drawn-out noise, no rings
"""
from __future__ import annotations

import argparse

import cv2
import numpy as np
from tqdm import tqdm

from analysis.simulate.spec import GrainSpec
from analysis.simulate.texture import coloured_noise, grain_field, ring_widths
from analysis.stripes import CALL_PROBABILITY, find_stripes
from tests.textures import S, grid, texture

WIDTH_MM, HEIGHT_MM = 78.0, 58.0
SHAPES = ("cosine", "harmonics", "sawtooth", "trend", "kept", "curved", "uneven", "fibres")
VARIATIONS, COUNTS = (0.03, 0.05, 0.07, 0.10, 0.14, 0.20, 0.30), (8, 16, 32, 64, 100)
MORE = 1.3                 # of the view that the rings reach over, since they begin before it


def ring_turns(across, rng, *, mean_mm, variation, kept=0.0, trend=0.0):
    """Number of rings passed at each distance across them: a renewal process of log-normal widths."""
    low, high = float(across.min()) - 3 * mean_mm, float(across.max()) + 3 * mean_mm
    widths = ring_widths(mean_mm, variation, MORE * (high - low), rng, kept)
    edges = np.cumsum(widths)
    edges = edges * (1.0 + trend * (edges / (high - low) - 0.5)) + low - rng.uniform(0, mean_mm)
    return np.interp(across, edges, np.arange(edges.size)), edges.size


def draw(seed: int, shape: str, s: float = S):
    """Texture of one trial with its spacing variation and the number of rings in view."""
    rng = np.random.default_rng([seed, SHAPES.index(shape), 2026])
    x, y = grid(WIDTH_MM, HEIGHT_MM, s)
    variation, count = (float(np.exp(rng.uniform(*np.log(ends)))) for ends in (
        (VARIATIONS[0], VARIATIONS[-1]), (COUNTS[0], COUNTS[-1])))
    mean, lean = WIDTH_MM / count, np.radians(rng.uniform(-5, 5))
    contrast = float(np.exp(rng.uniform(np.log(0.5), np.log(15)))) / 200.0
    noise = float(np.exp(rng.uniform(np.log(0.003), np.log(0.05))))
    across = x * np.cos(lean) - y * np.sin(lean)
    if shape == "curved":
        radius = rng.uniform(80, 600)
        across = np.hypot(across + radius, y * np.cos(lean) + x * np.sin(lean) - rng.uniform(0, HEIGHT_MM)) - radius
    if shape == "fibres":
        field = coloured_noise(x.shape, s, rng, slope=rng.uniform(0.4, 1.8), longest_mm=mean,
                               elongation=rng.uniform(5, 40), angle_deg=90 + np.degrees(lean)) * contrast
    elif shape == "sawtooth":
        field = grain_field(GrainSpec(
            kind="rings", angle_deg=90 + np.degrees(lean), contrast_percent=200 * contrast, spacing_mm=mean,
            spacing_variation=variation, latewood_fraction=rng.uniform(0.15, 0.5), sharpness_mm=0.05 * mean,
            waviness_mm=0.0, unevenness=0.0), x.shape, s, rng)
    else:
        turns, rings = ring_turns(across, rng, mean_mm=mean, variation=variation,
                                  kept=rng.uniform(0.3, 0.8) if shape == "kept" else 0.0,
                                  trend=rng.choice([-1, 1]) * rng.uniform(0.1, 0.6) if shape == "trend" else 0.0)
        field = np.cos(2 * np.pi * turns)
        if shape == "harmonics":
            field = field + sum(rng.uniform(0.1, top) * np.cos(2 * np.pi * k * turns + rng.uniform(0, 6.28))
                                for k, top in ((2, 0.6), (3, 0.3)))
        if shape == "uneven":
            depth = np.exp(rng.uniform(0.2, 0.6) * rng.standard_normal(rings + 1))
            field = field * np.interp(turns, np.arange(rings + 1), depth)
        field = contrast * field
    field = field + noise * rng.standard_normal(x.shape, dtype=np.float32)
    return texture(field.astype(np.float32)), variation, count


def judge(seed: int, shape: str) -> tuple:
    """Spacing variation, rings in view, the highest odds and whether it was called."""
    given, variation, count = draw(seed, shape)
    field = find_stripes(given, with_limit=False)
    return variation, count, max((c.probability for c in field.candidates), default=0.0), bool(field.stripes)


def tables(rows: dict) -> None:
    """Share called and highest odds by shape, and by variation and number of rings."""
    print(f"called from probability {CALL_PROBABILITY}")
    for shape, values in rows.items():
        v = np.array(values, float)
        print(f"  {shape:10} called {int(v[:, 3].sum())} of {len(v)}; over 0.9: {np.sum(v[:, 2] > 0.9)}; "
              f"highest {v[:, 2].max():.2f}")
    v = np.array([row for shape, values in rows.items() if shape != "fibres" for row in values], float)
    print(f"  all rings  called {v[:, 3].mean():.4f} of {len(v)}, over 0.9: {np.sum(v[:, 2] > 0.9)}; "
          f"variation of 10 % and more: {v[v[:, 0] >= 0.1, 3].mean():.4f} of {np.sum(v[:, 0] >= 0.1)}, "
          f"over 0.9: {np.sum(v[v[:, 0] >= 0.1, 2] > 0.9)}")
    print("called of n, highest odds; rings in view across, variation down")
    print(" " * 12 + "".join(f"{a:>6} to {b:<8}" for a, b in zip(COUNTS[:-1], COUNTS[1:], strict=True)))
    for low, high in zip(VARIATIONS[:-1], VARIATIONS[1:], strict=True):
        line = f"{100 * low:3.0f} to {100 * high:2.0f} %"
        for a, b in zip(COUNTS[:-1], COUNTS[1:], strict=True):
            mine = v[(v[:, 0] >= low) & (v[:, 0] < high) & (v[:, 1] >= a) & (v[:, 1] < b)]
            line += f"   {int(mine[:, 3].sum()):3d}/{len(mine):<4d} {mine[:, 2].max(initial=0):.2f} "
        print(line)


if __name__ == "__main__":
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=100, help="of each shape")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--shapes", nargs="+", choices=SHAPES, default=SHAPES)
    given = parser.parse_args()
    tables({shape: [judge(seed, shape) for seed in tqdm(range(given.first, given.first + given.trials),
                                                         mininterval=20, desc=shape)] for shape in given.shapes})
