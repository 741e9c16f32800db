"""Fit the odds model on simulated textures and real ones, and write analysis/odds.toml.

    python tests/benchmarks/fit_odds.py gather --first 0 --count 2000 --out FILE.npz
    python tests/benchmarks/fit_odds.py fit FILE.npz [FILE.npz ...]
"""
from __future__ import annotations

import argparse
import time
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize

from analysis.odds import TERMS, line_terms, search_false_alarm
from analysis.plane import STEEPEST_DEG, make_bands, make_plane
from analysis.line import fit_line
from analysis.stripes import _lowest, _peaks

KINDS = ("plain", "parallel", "rings", "crossed", "real")


def candidates_of(texture):
    """Terms and frequency of every candidate line of a texture: (n, terms + 3)."""
    bands = make_bands(texture)
    plane = make_plane(bands, highest_per_mm=min(1 / 0.15, texture.samples_per_mm / 2.5))
    rows = []
    for fx, fy in _peaks(plane):
        line = fit_line(bands, plane, fx, fy)
        alarm = search_false_alarm(line, plane, lowest_per_mm=_lowest(plane), steepest_deg=STEEPEST_DEG)
        terms = line_terms(line, plane, alarm)
        rows.append([*terms.values(), line.fx_per_mm, line.fy_per_mm, 200 * line.amplitude, plane.cell_x_per_mm])
    return np.array(rows)


def gather(first: int, count: int, out: str) -> None:
    """Collect the candidates of many cases."""
    from tests.benchmarks.texture_cases import make_case
    rows, start = [], time.time()
    for seed in range(first, first + count):
        case = make_case(seed)
        for row in candidates_of(case.texture):
            hit = [c for fx, fy, c in case.stripes if abs(row[-4] - fx) < 0.6 * row[-1]]
            order = any(abs(row[-4] - n * fx) < 0.6 * row[-1] for fx, _, _ in case.stripes for n in (2, 3))
            strongest = max((c for _, _, c in case.stripes), default=0.0)
            rows.append([seed, KINDS.index(case.kind), strongest, 1.0 if hit else (0.5 if order else 0.0), *row])
        if (seed - first) % 100 == 99:
            print(seed, f"{time.time() - start:.0f} s", flush=True)
            np.savez_compressed(out, rows=np.array(rows), terms=np.array(TERMS))
    np.savez_compressed(out, rows=np.array(rows), terms=np.array(TERMS))


if __name__ == "__main__":
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("gather", "fit"))
    parser.add_argument("files", nargs="*")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--out", default="odds_cases.npz")
    given = parser.parse_args()
    if given.what == "gather":
        gather(given.first, given.count, given.out)
