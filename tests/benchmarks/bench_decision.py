"""Do the odds, the intervals and the detection limit hold? On textures that the fit has not seen.

    python tests/benchmarks/bench_decision.py [--count 300] [--first 100000]

Prints the share called by kind of ground, the share found by contrast, the
reliability table, the rate at which 95 % intervals hold the truth, the period
error over its bound, and the share found of stripes injected at each photo's
own stated detection limit.
"""
from __future__ import annotations

import argparse

import cv2
import numpy as np
from tqdm import tqdm

from analysis.stripes import CALL_PROBABILITY, find_stripes
from tests.benchmarks.texture_cases import TextureCase, make_case, with_stripe


def judge(case: TextureCase) -> dict:
    """Search one case, and once more with a stripe of the stated limit laid on where it has none."""
    field = find_stripes(case.texture)
    top = field.candidates[0] if field.candidates else None
    row = {"kind": case.kind, "true": max((c for *_, c, _ in case.stripes), default=0.0), "called": bool(field.stripes),
           "p": top.probability if top else 0.0, "limit": field.detection_limit_percent, "right": False, "held": [],
           "ratio": None, "injected": None}
    for fx, fy, contrast, drift in case.stripes:
        period, angle = 1 / np.hypot(fx, fy), -np.degrees(np.arctan2(fy, fx))
        for stripe in field.stripes:
            if abs(stripe.period_mm / period - 1) < 0.01:
                row["right"] = True
                if not drift and not stripe.drift_percent_per_100mm:
                    row["held"].append([low <= truth <= high for (low, high), truth in (
                        (stripe.period_interval_mm, period), (stripe.angle_interval_deg, angle),
                        (stripe.contrast_interval_percent, contrast))])
                    row["ratio"] = abs(stripe.period_mm - period) / (np.diff(stripe.period_interval_mm)[0] / 3.92)
    if not case.stripes and not field.stripes and 0.1 < field.detection_limit_percent < 15:
        rng = np.random.default_rng([case.seed, 17])
        curve = np.array(field.detection_limit_curve)
        period = float(np.exp(rng.uniform(*np.log([curve[0, 0], curve[-1, 0]]))))
        again = find_stripes(with_stripe(case.texture, period, field.detection_limit_percent, rng), with_limit=False)
        row["injected"] = any(abs(s.period_mm / period - 1) < 0.02 for s in again.stripes)
    return row


def table(rows: list[dict]) -> None:
    """Print what the rows show."""
    null = [r for r in rows if not r["true"]]
    print(f"{len(null)} without stripes, {len(rows) - len(null)} with; called from probability {CALL_PROBABILITY}")
    for kind in sorted({r["kind"] for r in null}):
        mine = [r for r in null if r["kind"] == kind]
        print(f"  called without a stripe, {kind:9} {np.mean([r['called'] for r in mine]):.3f} of {len(mine)}; "
              f"over 0.9: {sum(r['p'] > 0.9 for r in mine)}, over 0.95: {sum(r['p'] > 0.95 for r in mine)}")
    print(f"  called without a stripe, all      {np.mean([r['called'] for r in null]):.3f}")
    for low, high in ((0.2, 0.5), (0.5, 1), (1, 2), (2, 4), (4, 12.1)):
        mine = [r for r in rows if low < r["true"] <= high]
        able = [r for r in mine if r["true"] >= r["limit"]]
        print(f"  found at {low}-{high} %: {np.mean([r['right'] for r in mine]):.2f} of {len(mine)}; "
              f"of the {len(able)} above their photo's own limit {np.mean([r['right'] for r in able]):.2f}")
    p, y = np.array([r["p"] for r in rows]), np.array([r["true"] > 0 for r in rows], float)
    bins = np.minimum((p * 10).astype(int), 9)
    error = sum(abs(p[bins == b].mean() - y[bins == b].mean()) * np.mean(bins == b) for b in np.unique(bins))
    print("  reliability (odds: share striped, n): " + ", ".join(
        f"{p[bins == b].mean():.2f}: {y[bins == b].mean():.2f}, {np.sum(bins == b)}" for b in np.unique(bins)))
    print(f"  expected calibration error (10 equal bins) {error:.3f}, Brier {np.mean((p - y) ** 2):.3f}")
    seen = np.array([r["true"] > 0 and r["true"] >= r["limit"] for r in rows]) | (y == 0)
    error = sum(abs(p[seen & (bins == b)].mean() - y[seen & (bins == b)].mean()) * np.sum(seen & (bins == b))
                for b in np.unique(bins[seen])) / seen.sum()
    print(f"  the same, stripes below their photo's limit left out: {error:.3f}, "
          f"Brier {np.mean((p[seen] - y[seen]) ** 2):.3f}")
    held = np.array([h for r in rows for h in r["held"]])
    print(f"  95 % intervals hold the truth: period {held[:, 0].mean():.3f}, angle {held[:, 1].mean():.3f}, "
          f"contrast {held[:, 2].mean():.3f} (n {len(held)})")
    for kind in sorted({r["kind"] for r in rows}):
        mine = np.array([h for r in rows if r["kind"] == kind for h in r["held"]])
        if len(mine):
            print(f"    {kind:9} {mine.mean(axis=0).round(2)} of {len(mine)}")
    ratio = np.median([r["ratio"] for r in rows if r["ratio"] is not None]) / 0.6745
    print(f"  median period error over the bound from the local level: {ratio:.2f}")
    injected = [r["injected"] for r in rows if r["injected"] is not None]
    print(f"  injected at the stated limit: found {np.mean(injected):.3f} of {len(injected)}")


if __name__ == "__main__":
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--first", type=int, default=100_000)
    given = parser.parse_args()
    table([judge(make_case(seed)) for seed in tqdm(range(given.first, given.first + given.count), mininterval=10)])
