"""From file bytes to verdicts on simulated photos with exact truth; prints a table and names what failed.

    python -m tests.benchmarks.bench_end_to_end --singles 150 --pairs 70 --csv /tmp/end_to_end.csv

Single process, one thread, so that the times compare. Rates carry a 95 % Wilson interval. Each case is
written to the CSV file at once, and cases that the file holds already are not run again.
"""
from __future__ import annotations

import argparse
import csv
import json
import sys
import time
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import norm
from tqdm import tqdm

sys.path.insert(0, str(Path(__file__).parent))
from cases import pair_case, single_case  # noqa: E402  (a script beside this one)

from analysis import pipeline  # noqa: E402
from analysis.errors import PhotoError  # noqa: E402
from analysis.settings import Settings  # noqa: E402

CALLED = ("mechanical", "mixed")
COLUMNS = ("what", "seed", "kind", "wood", "seconds", "corner_mm", "verdict", "probability", "limit_percent",
           "known_line_ratio", "true_period_mm", "true_percent", "found_period_mm", "found_percent",
           "period_error", "period_in", "contrast_ratio", "contrast_in", "aligned", "reason", "align_mm", "change",
           "right", "true_ratio", "ratio", "ratio_in", "verdicts")
CONTRAST_ASKED_PERCENT = 4.0               # stripes of this and more must be found


def wilson(hits: int, total: int) -> tuple[float, float]:
    """95 % interval of a rate (Wilson 1927)."""
    if total == 0:
        return 0.0, 1.0
    z, p = norm.ppf(0.975), hits / total
    middle = (p + z * z / (2 * total)) / (1 + z * z / total)
    half = z / (1 + z * z / total) * np.sqrt(p * (1 - p) / total + z * z / (4 * total * total))
    return middle - half, middle + half


def corner_error_mm(found, case) -> float | None:
    """Largest corner error, mm; the frame may be read half a turn round."""
    if found is None:
        return None
    truth, found = case.shot.corners_px, np.asarray(found)
    best = min(np.hypot(*(np.roll(found, k, axis=0) - truth).T).max() for k in (0, 2))
    return float(best / case.shot.camera.px_per_mm)


def judge_single(case) -> dict:
    """Inspect one photo and set it against its truth."""
    start = time.perf_counter()
    truth = case.shot.piece.stripes
    refused = {"what": "single", "seed": case.seed, "kind": case.kind, "wood": case.wood, "corner_mm": None,
               "verdict": "refused", "probability": 0.5, "limit_percent": np.inf, "period_error": None,
               "true_percent": truth[0].contrast_percent if truth else 0.0,
               "true_period_mm": truth[0].period_mm if truth else None, "contrast_ratio": None, "seconds": None}
    try:
        judged = pipeline.inspect(case.photo, Settings(frame_mm=case.frame_mm)).photo
    except PhotoError:                     # no frame found: a miss of its own, no crash
        return refused
    seconds = time.perf_counter() - start
    row = {"what": "single", "seed": case.seed, "kind": case.kind, "wood": case.wood, "seconds": seconds,
           "corner_mm": corner_error_mm(judged.piece.corners_px, case)}
    return row | _verdict(judged, case)


def _verdict(judged, case) -> dict:
    """Verdict, stripe and interval columns of one photo."""
    decision, field, truth = judged.decision, judged.stripes, case.shot.piece.stripes
    row = {"known_line_ratio": known_line_ratio(judged, truth[0]) if truth else None,
           "verdict": decision.verdict, "probability": decision.probability_mechanical,
           "limit_percent": field.detection_limit_percent, "true_period_mm": None, "true_percent": 0.0,
           "period_error": None, "period_in": None, "contrast_ratio": None, "contrast_in": None}
    if field.stripes:
        row |= {"found_period_mm": field.stripes[0].period_mm,
                "found_percent": field.stripes[0].contrast_percent}
    if truth:
        row |= {"true_period_mm": truth[0].period_mm, "true_percent": truth[0].contrast_percent}
    if truth and field.stripes and decision.verdict in CALLED:
        near = min(field.stripes, key=lambda s: abs(np.log(s.period_mm / truth[0].period_mm)))
        low, high = near.period_interval_mm
        row |= {"period_error": near.period_mm / truth[0].period_mm - 1,
                "period_in": bool(low <= truth[0].period_mm <= high),
                "contrast_ratio": near.contrast_percent / truth[0].contrast_percent}
        low, high = near.contrast_interval_percent
        row["contrast_in"] = bool(low <= truth[0].contrast_percent <= high)
    return row


def known_line_ratio(judged, stripe) -> float:
    """Power at the true period and angle over that of its neighbours: what an observer who knows the line sees.

    Without a stripe it has mean 1 and an exponential law, so 4.6 is exceeded by chance in 1 %.
    """
    texture = judged.texture
    rows, columns = texture.log_reflectance.shape
    x, y = np.arange(columns) / texture.samples_per_mm, np.arange(rows) / texture.samples_per_mm
    values = texture.log_reflectance * texture.weight
    a, length = np.deg2rad(stripe.angle_deg), columns / texture.samples_per_mm
    power = []
    for k in range(-14, 15):
        turn = 2 * np.pi * (1 / stripe.period_mm + k / length)
        down = np.exp(1j * turn * np.sin(a) * y) @ values
        power.append(abs(down @ np.exp(-1j * turn * np.cos(a) * x)) ** 2)
    return power[14] / np.mean(power[:12] + power[17:])


def judge_pair(case) -> dict:
    """Compare a pair and set it against its truth."""
    start = time.perf_counter()
    if case.kind == "no frame":
        camera = case.before.shot.camera
        settings = Settings(pixels_per_mm=camera.px_per_mm, scan_angle_deg=camera.turn_deg)
    else:
        settings = Settings(frame_mm=case.before.frame_mm)
    result = pipeline.compare(case.before.photo, case.after.photo, settings)
    seconds = time.perf_counter() - start
    stripes = case.before.shot.piece.stripes + case.after.shot.piece.stripes
    row = {"what": "pair", "seed": case.seed, "kind": case.kind,
           "wood": f"{case.before.wood}/{case.after.wood}", "seconds": seconds,
           "corner_mm": corner_error_mm(result.before.piece.corners_px, case.before),
           "aligned": result.alignment.ok, "reason": result.alignment.reason or "", "align_mm": None,
           "change": result.change.verdict, "right": result.change.verdict == case.change,
           "true_ratio": case.ratio, "ratio": result.change.ratio, "ratio_in": None,
           "verdicts": f"{result.before.decision.verdict}/{result.after.decision.verdict}",
           "true_percent": max([s.contrast_percent for s in stripes], default=0.0)}
    if stripes:
        shown = result.before if case.before.shot.piece.stripes else result.after
        row["known_line_ratio"] = known_line_ratio(shown, stripes[0])
    if result.alignment.ok:
        mapped = cv2.perspectiveTransform(case.after.shot.corners_px.reshape(-1, 1, 2),
                                          np.asarray(result.alignment.homography)).reshape(-1, 2)
        error = np.hypot(*(mapped - case.before.shot.corners_px).T).max()
        row["align_mm"] = float(error / case.before.shot.camera.px_per_mm)
    if case.ratio is not None and result.change.ratio_interval is not None:
        low, high = result.change.ratio_interval
        row["ratio_in"] = bool(low <= case.ratio <= high)
    return row


def rate(rows, test) -> str:
    """Share with its interval."""
    hits = sum(bool(test(r)) for r in rows)
    low, high = wilson(hits, len(rows))
    percent = 100 * hits / max(len(rows), 1)
    return f"{hits}/{len(rows)} = {percent:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def quantiles(values, unit, scale=1.0) -> str:
    """Median and 95th percentile."""
    values = [abs(v) * scale for v in values if v is not None]
    if not values:
        return "none"
    return f"median {np.median(values):.4g}, 95 % {np.percentile(values, 95):.4g} {unit} of {len(values)}"


def report_singles(rows) -> None:
    """Table of the single photos."""
    strong = [r for r in rows if r["true_percent"] >= CONTRAST_ASKED_PERCENT]
    found = [r for r in strong if r["period_error"] is not None and abs(r["period_error"]) < 0.005]
    none = [r for r in rows if r["true_percent"] == 0]
    print(f"stripes of {CONTRAST_ASKED_PERCENT:g} % and more called:",
          rate(strong, lambda r: r["verdict"] in CALLED))
    print("  and period within 0.5 %:", rate(strong, lambda r: r in found))
    print("  an observer who knows period and angle, 1 % false alarms:",
          rate(strong, lambda r: (r.get("known_line_ratio") or 0) > -np.log(0.01)))
    print("  period error:", quantiles([r["period_error"] for r in found], "%", 100))
    print("  period interval holds:", rate(found, lambda r: r["period_in"]))
    print("  contrast interval holds:", rate(found, lambda r: r["contrast_in"]))
    print("  contrast found / true:", quantiles([r["contrast_ratio"] for r in found], ""))
    print("no stripe, yet called:", rate(none, lambda r: r["verdict"] in CALLED))
    for kind in sorted({r["kind"] for r in rows}):
        these = [r for r in rows if r["kind"] == kind]
        counts = {v: sum(r["verdict"] == v for r in these) for v in sorted({r["verdict"] for r in these})}
        print(f"  {kind:22s}", rate(these, lambda r: r["verdict"] in CALLED), counts)
    brier = np.mean([(r["probability"] - (r["true_percent"] > 0)) ** 2 for r in rows])
    sure = [r for r in rows if max(r["probability"], 1 - r["probability"]) > 0.95]
    wrong = [r for r in sure if (r["probability"] > 0.5) != (r["true_percent"] > 0)
             and not 0 < r["true_percent"] < r["limit_percent"]]
    print(f"Brier score {brier:.3f}; wrong and over 95 % sure: {len(wrong)} of {len(sure)}",
          [(r["kind"], r["seed"]) for r in wrong])
    print("missed:")
    for r in (r for r in strong if r not in found):
        print(f"  {r['kind']} {r['seed']} on {r['wood']}: {r['verdict']} ({r['probability']:.3f}), true "
              f"{r['true_period_mm']:.3f} mm {r['true_percent']:.1f} %, limit {r['limit_percent']:.2f} %, "
              f"known line {r.get('known_line_ratio') or 0:.1f}")
    print("falsely called:")
    for r in (r for r in none if r["verdict"] in CALLED):
        print(f"  {r['kind']} {r['seed']} on {r['wood']}: {r['found_period_mm']:.3f} mm "
              f"{r['found_percent']:.2f} %, probability {r['probability']:.3f}")


def report_pairs(rows) -> None:
    """Table of the pairs."""
    aligned = [r for r in rows if r["aligned"]]
    print("aligned:", rate(rows, lambda r: r["aligned"]))
    print("  alignment error, worst corner:", quantiles([r["align_mm"] for r in aligned], "mm"))
    print("  over 1 mm and said to be good:", rate(aligned, lambda r: r["align_mm"] > 1.0))
    print("change verdict right:", rate(rows, lambda r: r["right"]))
    with_ratio = [r for r in rows if r["ratio_in"] is not None]
    print("ratio interval holds:", rate(with_ratio, lambda r: r["ratio_in"]))
    for kind in sorted({r["kind"] for r in rows}):
        these = [r for r in rows if r["kind"] == kind]
        print(f"  {kind:20s}", rate(these, lambda r: r["right"]),
              {v: sum(r["change"] == v for r in these) for v in sorted({r["change"] for r in these})})
    print("wrong:")
    for r in (r for r in rows if not r["right"]):
        print(f"  {r['kind']} {r['seed']} on {r['wood']}: {r['change']} ({r['verdicts']}), "
              f"ratio {r.get('ratio')}, true {r['true_percent']:.1f} %, "
              f"known line {r.get('known_line_ratio') or 0:.1f}, {r['reason'][:80]}")


def kept(path) -> list[dict]:
    """Rows of an earlier run; each cell holds JSON."""
    if path is None or not path.exists():
        return []
    with path.open(newline="") as file:
        return [{k: json.loads(v) for k, v in row.items() if v} for row in csv.DictReader(file)]


def keep(path, row) -> None:
    """Append one row."""
    if path is None:
        return
    fresh = not path.exists()
    with path.open("a", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS)
        if fresh:
            writer.writeheader()
        writer.writerow({k: json.dumps(v, default=float) for k, v in row.items()})


def run(make, judge, seeds, done, path, crashed) -> list[dict]:
    """Judge all seeds; a crash is a failure of its own and is listed. Ctrl-C ends the run with what there is."""
    what = make.__name__.removesuffix("_case")
    rows = [row for row in done if row["what"] == what and row["seed"] in seeds]
    left = sorted(set(seeds) - {row["seed"] for row in rows})
    for seed in tqdm(left, desc=what):
        case = make(seed)
        try:
            rows.append(judge(case))
            keep(path, rows[-1])
        except KeyboardInterrupt:
            break
        except Exception as problem:       # every kind of crash is what this run looks for
            crashed.append((make.__name__, seed, case.kind, f"{type(problem).__name__}: {problem}"))
    return rows


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--singles", type=int, default=60, help="single photos")
    parser.add_argument("--pairs", type=int, default=28, help="pairs")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--csv", type=Path, help="write one row a case here")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    crashed: list[tuple] = []
    done = kept(options.csv)
    seeds = range(options.first, options.first + options.singles)
    singles = run(single_case, judge_single, seeds, done, options.csv, crashed)
    seeds = range(options.first, options.first + options.pairs)
    pairs = run(pair_case, judge_pair, seeds, done, options.csv, crashed)
    rows = singles + pairs
    if singles:
        report_singles(singles)
    if pairs:
        report_pairs(pairs)
    framed = [r for r in rows if r["kind"] != "no frame"]
    corners = [r["corner_mm"] for r in framed]
    print("corner error, worst corner:", quantiles(corners, "mm"))
    print("  under 0.3 mm:", rate(framed, lambda r: r["corner_mm"] is not None and r["corner_mm"] < 0.3))
    bad = [r for r in framed if r["corner_mm"] is None or r["corner_mm"] >= 0.3]
    print("  bad corners:", [(r["what"], r["kind"], r["seed"], r["corner_mm"]) for r in bad])
    print("time a photo:", quantiles([r["seconds"] for r in singles], "s"), "; a pair:",
          quantiles([r["seconds"] for r in pairs], "s"))
    print("crashed:", len(crashed))
    for problem in sorted({c[3] for c in crashed}):
        print(f"  {problem}:", [c[:3] for c in crashed if c[3] == problem][:12])


if __name__ == "__main__":
    main()
