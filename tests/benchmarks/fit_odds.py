"""Fit the odds model on simulated textures and real ones, and write analysis/odds.toml.

    python -m tests.benchmarks.fit_odds gather --first 0 --count 2000 --out FILE.npz
    python -m tests.benchmarks.fit_odds fit FILE.npz [FILE.npz ...]
"""
from __future__ import annotations

import argparse
import time
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize

from analysis.line import fit_line
from analysis.odds import TERMS, line_terms, search_false_alarm
from analysis.peaks import find_peaks, lowest_per_mm
from analysis.plane import STEEPEST_DEG, make_bands, make_plane

# Each term may speak one way only, so that the model can be read: a wider line never speaks for a machine.
# Coverage and few periods get a least weight of their own, since the cases hold few gaps and few long periods.
RANGE = {"over_noise": (0, None), "as_a_line_would": (0, None), "one_phase_across": (0, None),
         "one_phase_along": (1.0, None), "coverage": (1.0, None), "few_periods": (None, -1.0), "square": (None, 0),
         "steady": (None, 0)}
BOUNDS = [(None, None)] + [RANGE[name] for name in TERMS]
SCALE = np.full(len(TERMS) + 1, 5.0)
KINDS = ("plain", "parallel", "rings", "crossed", "real")


def candidates_of(texture):
    """Terms and frequency of every candidate line of a texture: (n, terms + 3)."""
    bands = make_bands(texture)
    plane = make_plane(bands, highest_per_mm=min(1 / 0.15, texture.samples_per_mm / 2.5))
    rows = []
    for fx, fy in find_peaks(plane):
        line = fit_line(bands, plane, fx, fy)
        alarm = search_false_alarm(line, plane, lowest_per_mm=lowest_per_mm(plane), steepest_deg=STEEPEST_DEG)
        terms = line_terms(line, alarm)
        rows.append([*terms.values(), line.fx_per_mm, line.fy_per_mm, 200 * line.amplitude, plane.cell_x_per_mm])
    return np.array(rows)


def gather(first: int, count: int, out: str) -> None:
    """Collect the candidates of many cases."""
    from tests.benchmarks.texture_cases import make_case
    rows, start = [], time.time()
    for seed in range(first, first + count):
        case = make_case(seed)
        for row in candidates_of(case.texture):
            hit = [c for fx, _, c, _ in case.stripes if abs(row[-4] - fx) < 0.6 * row[-1]]
            order = any(abs(row[-4] - n * fx) < 0.6 * row[-1] for fx, *_ in case.stripes for n in (2, 3))
            strongest = max((c for *_, c, _ in case.stripes), default=0.0)
            rows.append([seed, KINDS.index(case.kind), strongest, 1.0 if hit else (0.5 if order else 0.0), *row])
        if (seed - first) % 100 == 99:
            print(seed, f"{time.time() - start:.0f} s", flush=True)
            np.savez_compressed(out, rows=np.array(rows), terms=np.array(TERMS))
    np.savez_compressed(out, rows=np.array(rows), terms=np.array(TERMS))


def fit(files: list[str], write: bool) -> None:
    """Fit on four fifths of the cases, check on the rest, and write the weights of the fit on all."""
    rows = np.concatenate([np.load(f)["rows"] for f in files])
    seeds, kind, strongest, label = rows[:, 0].astype(int), rows[:, 1].astype(int), rows[:, 2], rows[:, 3]
    terms = rows[:, 4: 4 + len(TERMS)]
    held = seeds % 5 == 0
    for name, train, test in (("held out", ~held, held), ("all", np.ones_like(held), held)):
        coefficient = _fit(terms[train], seeds[train], label[train])
        _table(name, coefficient, terms[test], seeds[test], label[test], strongest[test], kind[test])
    if write:
        _write(coefficient, terms, seeds, label, files)


def _design(terms):
    return np.column_stack([np.ones(len(terms)), terms])


def _fit(terms, seeds, label):
    """Logistic fit on the candidate that the model itself prefers in each photo, a few rounds.

    A harmonic of a true stripe (label 0.5) is neither right nor wrong and is left out.
    """
    x, y = _design(terms), (label == 1.0).astype(float)
    use = label != 0.5
    coefficient = np.zeros(x.shape[1])
    for turn in range(6):
        chosen = use if turn == 0 else use & _chosen(x @ coefficient, seeds, use, y)
        xs, ys = x[chosen], y[chosen]

        def cost(w, xs=xs, ys=ys):
            z = xs @ w
            value = np.sum(np.logaddexp(0, z) - ys * z) + 0.05 * np.sum((w[1:] / SCALE[1:]) ** 2)
            return value, xs.T @ (1 / (1 + np.exp(-z)) - ys) + 0.1 * np.r_[0, w[1:] / SCALE[1:] ** 2]
        coefficient = minimize(cost, coefficient, jac=True, method="L-BFGS-B", bounds=BOUNDS,
                               options={"maxiter": 500}).x
    return coefficient


def _chosen(logit, seeds, use, y):
    """For each photo its best candidate; for a striped photo also the true line's best candidate."""
    chosen = np.zeros(len(seeds), bool)
    for seed in np.unique(seeds):
        mine = np.flatnonzero((seeds == seed) & use)
        if mine.size:
            chosen[mine[np.argmax(logit[mine])]] = True
    return chosen


def _table(name, coefficient, terms, seeds, label, strongest, kind):
    """Detection, false calls and calibration on cases."""
    logit = _design(terms) @ coefficient
    out = []
    for seed in np.unique(seeds):
        mine = np.flatnonzero(seeds == seed)
        best = mine[np.argmax(logit[mine])]
        out.append([1 / (1 + np.exp(-logit[best])), label[best], strongest[best], kind[best]])
    p, right, contrast, kinds = np.array(out).T
    null = contrast == 0
    print(f"== {name}: {null.sum()} without, {(~null).sum()} with stripes")
    print("weights", dict(zip(("intercept", *TERMS), coefficient.round(2), strict=True)))
    for call in (0.5, 0.8, 0.9, 0.95):
        found = " ".join(f"{low}-{high}%: {np.mean((p >= call)[(contrast > low) & (contrast <= high)]):.2f}"
                         for low, high in ((0.2, 0.5), (0.5, 1), (1, 2), (2, 4), (4, 12)))
        false = " ".join(f"{KINDS[k]} {np.mean((p >= call)[null & (kinds == k)]):.3f}"
                         for k in np.unique(kinds[null]).astype(int))
        print(f"call {call}: false {np.mean((p >= call)[null]):.3f} ({false}); found {found}; "
              f"wrong line {np.mean((p >= call) & ~null & (right == 0)):.3f}")
    y = (~null).astype(float)
    bins = np.clip((p * 10).astype(int), 0, 9)
    error = sum(abs(p[bins == b].mean() - y[bins == b].mean()) * np.mean(bins == b) for b in np.unique(bins))
    print(f"calibration error (10 bins) {error:.3f}, Brier {np.mean((p - y) ** 2):.3f}")


def _write(coefficient, terms, seeds, label, files):
    """Write the weights beside the package's module; neutral values are where a term speaks for neither."""
    use = (label != 0.5) & _chosen(_design(terms) @ coefficient, seeds, label != 0.5, label)
    y = label[use] == 1
    neutral = 0.5 * (terms[use][y].mean(axis=0) + terms[use][~y].mean(axis=0))
    intercept = coefficient[0] + coefficient[1:] @ neutral
    lines = ["# Weights of the odds model: log odds = intercept + sum of weight x (term - neutral).",
             "# Made by tests/benchmarks/fit_odds.py; the terms are explained in analysis/odds.py.",
             f'fitted = "{time.strftime("%Y-%m-%d")}"',
             f'data = "{len(np.unique(seeds))} textures: simulated plain, crossed and ringed grounds and '
             'real photographs, half of them with stripes of 0.2 to 12 % contrast (tests/benchmarks/texture_cases.py)"',
             f"intercept = {intercept:.4f}", "", "[weight]"]
    lines += [f"{n} = {w:.4f}" for n, w in zip(TERMS, coefficient[1:], strict=True)]
    lines += ["", "[neutral]"] + [f"{n} = {v:.4f}" for n, v in zip(TERMS, neutral, strict=True)]
    Path("analysis/odds.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("gather", "fit"))
    parser.add_argument("files", nargs="*")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--out", default="odds_cases.npz")
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    if given.what == "gather":
        gather(given.first, given.count, given.out)
    else:
        fit(given.files, given.write)
