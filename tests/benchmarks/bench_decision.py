"""Do the odds, the intervals and the detection limit hold? On textures that the fit has not seen.

    python -m tests.benchmarks.bench_decision [--count 300] [--first 100000] [--prior] [--png FILE]

Prints the share called by kind of ground, the share found by contrast, the
reliability table, the rate at which 95 % intervals hold the truth, the period
error over its bound, and the share found of stripes injected at each photo's
own stated detection limit. The probability is the decision's: that a stripe is
there at all, one too weak to be seen included. It holds for the prior that
`analysis.decide` states, so the rows are also weighted to that prior, or with
--prior drawn from it. The mean distance of told from true over bins is never 0 on few
cases, so beside it stand what odds that are exactly right would give on as many, and the
root mean square distance less what counting adds, with its 95 % interval: it is 0 on
average for right odds, and the mean distance is no larger.

    A. Kumar, P. Liang, T. Ma, "Verified Uncertainty Calibration", NeurIPS 2019, section 4.1
"""
from __future__ import annotations

import argparse

import cv2
import numpy as np
from tqdm import tqdm

from analysis.decide import HALF_FOUND, PRIOR, PRIOR_PERCENT, decide
from analysis.grain import measure_grain
from analysis.judge import FLOOR_PERCENT, _above_floor, _with_limit_of
from analysis.stripes import CALL_PROBABILITY, find_stripes, with_detection_limit
from tests.benchmarks.texture_cases import TextureCase, make_case, with_stripe


def stated_case(seed: int) -> TextureCase:
    """A case from the prior that the decision states: contrasts below its range are drawn again."""
    striped = bool(np.random.default_rng([seed, 99]).random() < PRIOR)
    for again in range(50 * seed, 50 * seed + 50):
        case = make_case(again, striped=striped)
        if not striped or max(c for *_, c, _ in case.stripes) >= PRIOR_PERCENT[0]:
            break
    return case


def judge(case: TextureCase) -> dict:
    """Search one case, and once more with a stripe of the stated limit laid on where it has none."""
    found = find_stripes(case.texture, with_limit=False)
    field = _with_limit_of(with_detection_limit(found, FLOOR_PERCENT), _above_floor(found))     # as of a photo
    grain = measure_grain(case.texture, stripe_model=field.model if field.stripes else None)
    row = {"kind": case.kind, "true": max((c for *_, c, _ in case.stripes), default=0.0), "called": bool(field.stripes),
           "p": decide(field, grain).probability_mechanical, "limit": field.detection_limit_percent, "right": False,
           "held": [], "ratio": None, "injected": None, "curve": [], "half": []}
    for fx, fy, contrast, drift in case.stripes:
        period, angle = 1 / np.hypot(fx, fy), -np.degrees(np.arctan2(fy, fx))
        for stripe in field.stripes:
            if abs(stripe.period_mm / period - 1) < 0.01:
                row["right"] = True
                alone = sum(abs(np.hypot(fx, fy) / np.hypot(*other[:2]) - 1) < 0.01 for other in case.stripes) == 1
                if alone and not drift and not stripe.drift_percent_per_100mm:      # two of one spacing add up
                    row["held"].append([low <= truth <= high for (low, high), truth in (
                        (stripe.period_interval_mm, period), (stripe.angle_interval_deg, angle),
                        (stripe.contrast_interval_percent, contrast))])
                    row["ratio"] = abs(stripe.period_mm - period) / (np.diff(stripe.period_interval_mm)[0] / 3.92)
    if not case.stripes and not field.stripes and 0.1 < field.detection_limit_percent < 15:
        rng = np.random.default_rng([case.seed, 17])
        curve = np.array(field.detection_limit_curve)
        period = float(np.exp(rng.uniform(*np.log([curve[0, 0], curve[-1, 0]]))))
        row["injected"] = _found(case.texture, period, field.detection_limit_percent, rng)
        for period, contrast in field.detection_limit_curve:
            if contrast < 15:
                row["curve"].append((field.bands.length_mm / period, _found(case.texture, period, contrast, rng)))
                row["half"].append(_found(case.texture, period, HALF_FOUND * contrast, rng))
    return row


def _found(texture, period, contrast, rng) -> bool:
    """Whether one more stripe is found in a texture."""
    again = _above_floor(find_stripes(with_stripe(texture, period, contrast, rng), with_limit=False))
    return any(abs(s.period_mm / period - 1) < 0.02 for s in again.stripes)


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
    p, y = (np.array([r[k] for r in rows], float) for k in ("p", "true"))
    striped = y > 0
    within = (y >= PRIOR_PERCENT[0]) & (y <= PRIOR_PERCENT[1])
    prior = np.where(striped, PRIOR / max(within.sum(), 1), (1 - PRIOR) / max((~striped).sum(), 1)) * len(y)
    for words, use, weight in (("all", np.ones_like(striped), np.ones_like(p)),
                               ("without stripes below 1 %", ~striped | (y >= 1.0), np.ones_like(p)),
                               ("weighted to the stated prior", ~striped | within, prior)):
        told, share, count = reliability(p[use], striped[use], weight[use])
        middle, low, high = distance_without_counting(p[use], striped[use], weight[use])
        print(f"  {words}: expected calibration error (10 equal bins) {calibration_error(told, share, count):.3f} "
              f"(odds that are right: {by_chance(p[use], weight[use]):.3f}; "
              f"without counting's share, r.m.s. {middle:.3f}, 95 % {low:.3f} to {high:.3f}), "
              f"Brier {np.average((p[use] - striped[use]) ** 2, weights=weight[use]):.3f}; told: share striped, n: "
              + ", ".join(f"{t:.2f}: {s:.2f}, {n:.0f}" for t, s, n in zip(told, share, count, strict=True)))
    wrong = sum((r["p"] > 0.95 and not r["true"]) or (r["p"] < 0.05 and r["true"] >= r["limit"]) for r in rows)
    print(f"  wrong and over 95 % sure, stripes below their photo's limit aside: {wrong} of {len(rows)}")
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
    half = [h for r in rows for h in r["half"]]
    print(f"  at {HALF_FOUND:g} of the curve's own contrast, where half should be: {np.mean(half):.3f} of {len(half)}")
    curve = np.array([c for r in rows for c in r["curve"]]).reshape(-1, 2)
    for low, high in ((4, 9), (9, 13), (13, 40), (40, 1000)):
        mine = curve[(curve[:, 0] >= low) & (curve[:, 0] < high), 1]
        print(f"  at the curve's own contrast, {low} to {high} periods in view: {mine.mean():.3f} of {mine.size}")


def reliability(p, striped, weight=None) -> tuple:
    """Mean probability told, share that is striped, and count (or sum of weights), in ten equal bins."""
    weight = np.ones_like(p) if weight is None else weight
    bins = np.minimum((p * 10).astype(int), 9)
    mine = [bins == b for b in np.unique(bins)]
    return tuple(np.array(v) for v in zip(*((np.average(p[m], weights=weight[m]),
                                             np.average(striped[m], weights=weight[m]), weight[m].sum())
                                            for m in mine), strict=True))


def calibration_error(told, share, count) -> float:
    """Mean distance of told from true over the bins, by their counts."""
    return float(np.sum(np.abs(told - share) * count) / count.sum())


def by_chance(p, weight, draws=200) -> float:
    """Calibration error that odds which are exactly right would show on as many cases, on average."""
    rng = np.random.default_rng(1)
    return float(np.mean([calibration_error(*reliability(p, rng.random(p.size) < p, weight)) for _ in range(draws)]))


def distance_without_counting(p, striped, weight, draws=1000) -> tuple[float, float, float]:
    """Root mean square distance of told from true less what counting adds, and its 95 % interval by the bootstrap.

    Cases drawn again scatter about the cases as these do about the truth, so the draws hold counting's share twice.
    """
    rng = np.random.default_rng(2)
    square, counting = _squares(p, striped, weight)
    drawn = [np.subtract(*_squares(p[i], striped[i], weight[i]))
             for i in (rng.integers(0, p.size, p.size) for _ in range(draws))]
    values = np.array([square - counting, *(np.quantile(drawn, [0.025, 0.975]) - counting)])
    return tuple(np.sqrt(np.maximum(values, 0.0)))


def _squares(p, striped, weight) -> tuple[float, float]:
    """Mean square distance of told from true over the bins, and what counting adds to it."""
    bins = np.minimum((p * 10).astype(int), 9)
    square = counting = 0.0
    for mine in (bins == b for b in np.unique(bins)):
        w = weight[mine] / weight.sum()
        told, share = (np.average(a[mine], weights=w) for a in (p, striped))
        cases = w.sum() ** 2 / np.sum(w ** 2)          # as many of one weight would tell the share as well
        square += w.sum() * (told - share) ** 2
        counting += w.sum() * share * (1 - share) / max(cases - 1.0, 1.0)
    return float(square), float(counting)


def picture(rows: list[dict], file: str) -> None:
    """Draw the reliability diagram, stripes below 0.5 % left out and in."""
    import matplotlib
    matplotlib.use("Agg")
    import matplotlib.pyplot as plt
    p, y = (np.array([r[k] for r in rows], float) for k in ("p", "true"))
    figure, axis = plt.subplots(figsize=(4.5, 4.5))
    axis.plot([0, 1], [0, 1], color="0.7", lw=0.8)
    for words, use in (("all", y >= 0), ("without stripes below 0.5 %", (y == 0) | (y >= 0.5))):
        told, share, count = reliability(p[use], y[use] > 0)
        error = 1.96 * np.sqrt(np.maximum(share * (1 - share), 0.25 / count) / count)
        axis.errorbar(told, share, yerr=error, marker="o", ms=4, label=words, capsize=2)
    axis.set(xlabel="probability told", ylabel="share with a stripe", xlim=(0, 1), ylim=(-0.05, 1.05))
    axis.legend()
    figure.tight_layout()
    figure.savefig(file, dpi=120)


if __name__ == "__main__":
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--first", type=int, default=100_000)
    parser.add_argument("--prior", action="store_true", help="draw from the prior that the decision states")
    parser.add_argument("--png", help="draw the reliability diagram here")
    given = parser.parse_args()
    make = stated_case if given.prior else make_case
    rows = [judge(make(seed)) for seed in tqdm(range(given.first, given.first + given.count), mininterval=10)]
    table(rows)
    if given.png:
        picture(rows, given.png)
