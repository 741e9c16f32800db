"""The program judged by a second simulator that no weight was fitted on; prints a table with 95 % limits.

    python -m tests.benchmarks.bench_other --each 10 --first 0 --csv /tmp/other.csv [--sets striped,grain,framed]
    python -m tests.benchmarks.bench_other --show striped:7 --keep /tmp/other      # one case, its photos kept

One process, one thread. Every case is made from its set's name and number alone, judged from JPEG bytes through
`analysis.compare` or `analysis.inspect` and read from the JSON report; a row is written at once, and rows that
the file holds already are not run again. Rates carry Clopper-Pearson limits.
"""
from __future__ import annotations

import argparse
import csv
import tempfile
import time
import zlib
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import beta

from analysis import PhotoError, Settings, compare, inspect, report
from tests.benchmarks.other_bench import PERIODS_MM, WOODS, Burn, make_piece, photograph

CALLED = ("mechanical", "mixed")
CHANGES = {"cured": "removed", "reduced": "reduced", "unchanged": "unchanged", "appeared": "appeared",
           "none": "nothing to compare"}
SINGLES = ("striped", "grain", "parallel", "real", "plies", "lettered", "planed", "flicker")
PAIRS = ("framed", "unframed", "unrelated")
COLUMNS = ("set", "number", "kind", "wood", "seconds", "refused", "corner_mm", "verdict", "probability", "true_mm",
           "true_percent", "found", "found_mm", "found_percent", "period_error", "period_in", "contrast_in", "limit",
           "align_mm", "aligned", "change", "right", "true_ratio", "ratio", "ratio_in", "sentence")


def drawn(name, number):
    """Generator of one case and the burn that all sets draw alike."""
    rng = np.random.default_rng([zlib.crc32(name.encode()), number])
    size = [(80, 60), (100, 70), (120, 80), (60, 45)][int(rng.integers(4))]
    burn = {"size_mm": size, "line_mm": float(rng.uniform(0.3, 1.2)), "artwork": int(rng.integers(1 << 30)),
            "depth": str(rng.choice(["even", "even", "ramp", "patches"])), "frame_faults": bool(rng.random() < 0.3),
            "angle_deg": float(rng.normal(0, 0.3)), "phase_rad": float(rng.uniform(0, 6.28))}
    return rng, burn


def single_case(name, number):
    """Piece, shot and kind of a single photo."""
    rng, burn = drawn(name, number)
    kind = str(rng.choice(WOODS))
    if name in ("parallel", "real"):
        kind = {"parallel": "near parallel", "real": "real"}[name]
    if name == "striped" or (name == "plies" and number % 2):
        burn |= {"period_mm": float(rng.choice(PERIODS_MM)), "contrast_percent": float(rng.uniform(2, 12))}
    if name == "plies":
        burn |= {"plies": True, "depth": str(rng.choice(["ramp", "patches"]))}
    if name == "lettered":
        burn |= {"lettering": ("periodic", "ruler")[number % 2]}
    if name == "planed":                   # never square to the scan axis: there a photo alone cannot tell
        burn |= {"planer": (float(rng.uniform(0.8, 2.5)), float(rng.uniform(3, 10)), float(rng.uniform(5, 90)))}
    piece = make_piece(rng, kind, Burn(**burn))
    flicker = (float(rng.uniform(2, 8)), float(rng.uniform(25, 200))) if name == "flicker" else (0.0, 100.0)
    return piece, photograph(rng, piece, megapixels=float(rng.choice([3, 6, 6, 12])), flicker=flicker), kind


def pair_case(name, number):
    """Two pieces, two shots, the kind of change and the wood."""
    rng, burn = drawn(name, number)
    kind = list(CHANGES)[number % 5]
    before, after = (float(v) for v in {"cured": (1, 0), "reduced": (1, rng.uniform(0.2, 0.6)), "unchanged": (1, 1),
                                        "appeared": (0, 1), "none": (0, 0)}[kind])
    strong = float(rng.uniform(4, 12))
    period = float(rng.choice(PERIODS_MM))
    woods = [str(rng.choice(WOODS)) for _ in range(2)]
    if name == "unframed":
        burn |= {"line_mm": 0.0}
    burns = [burn | ({"period_mm": period, "contrast_percent": strong * share} if share else {})
             for share in (before, after)]
    if name == "unrelated":
        burns[1]["artwork"] += 1
    pieces = [make_piece(rng, wood, Burn(**one)) for wood, one in zip(woods, burns, strict=True)]
    if kind == "unchanged" and name != "unrelated" and rng.random() < 0.4:
        pieces[1] = pieces[0]              # the same board photographed twice
    if name != "unframed":
        shots = [photograph(rng, piece) for piece in pieces]
    else:                                  # a scale typed in holds for a photo taken squarely
        shots = [photograph(rng, pieces[0], tilt_deg=float(rng.uniform(0, 2)), fill=float(rng.uniform(0.9, 1.02)),
                            distortion=(0.0, 0.0)),
                 photograph(rng, pieces[1], tilt_deg=float(rng.uniform(0, 12)), fill=float(rng.uniform(0.75, 1.0)),
                            distortion=tuple(rng.normal(0, 0.001, 2)))]
    return pieces, shots, kind, "/".join(woods)


def corner_mm(photo, shot):
    """Worst corner against truth, half a turn allowed."""
    corners = (photo.get("scale") or {}).get("corners_px")
    if not corners:
        return None
    return float(min(np.hypot(*(np.roll(corners, k, axis=0) - shot.corners_px).T).max() for k in (0, 2))
                 / shot.pixels_per_mm)


def photo_columns(photo, piece, shot):
    """What one photo's report says against its truth."""
    row = {"verdict": photo["verdict"], "probability": round(photo["probability_mechanical"], 4),
           "limit": photo["detection_limit_percent"], "corner_mm": corner_mm(photo, shot),
           "true_mm": piece.burn.period_mm, "true_percent": round(piece.contrast_percent, 3),
           "sentence": photo.get("sentence", "")}
    if photo["stripes"]:
        row |= {"found_mm": photo["stripes"][0]["period_mm"], "found_percent": photo["stripes"][0]["contrast_percent"]}
    if not piece.burn.period_mm:
        return row
    for stripe in photo["stripes"]:
        error = stripe["period_mm"] / piece.burn.period_mm - 1
        if abs(error) < 0.02:
            low, high = stripe["period_interval_mm"]
            least, most = stripe["contrast_interval_percent"]
            return row | {"found": int(photo["verdict"] in CALLED and abs(error) < 0.005), "period_error": error,
                          "found_mm": stripe["period_mm"], "found_percent": stripe["contrast_percent"],
                          "period_in": int(low <= piece.burn.period_mm <= high),
                          "contrast_in": int(least <= piece.contrast_percent <= most)}
    return row | {"found": 0}


def judge_single(name, number, keep):
    """One photo through `inspect`."""
    piece, shot, wood = single_case(name, number)
    keep_photos(keep, name, number, [shot])
    row = {"set": name, "number": number, "wood": wood, "kind": "stripe" if piece.burn.period_mm else "none"}
    start = time.process_time()
    try:
        found = report.to_dict(inspect(shot.jpeg, Settings(frame_mm=piece.burn.size_mm)))["photo"]
    except PhotoError as error:
        return row | {"refused": 1, "sentence": str(error), "seconds": time.process_time() - start,
                      "true_mm": piece.burn.period_mm, "true_percent": piece.contrast_percent}
    return row | {"seconds": time.process_time() - start, "refused": 0} | photo_columns(found, piece, shot)


def judge_pair(name, number, keep):
    """Two photos through `compare`."""
    pieces, shots, kind, woods = pair_case(name, number)
    keep_photos(keep, name, number, shots)
    row = {"set": name, "number": number, "kind": kind, "wood": woods, "right": 0}
    settings = (Settings(frame_mm=pieces[0].burn.size_mm) if name != "unframed" else
                Settings(pixels_per_mm=shots[0].pixels_per_mm, scan_angle_deg=shots[0].axis_deg))
    start = time.process_time()
    try:
        found = report.to_dict(compare(shots[0].jpeg, shots[1].jpeg, settings))
    except PhotoError as error:
        return row | {"refused": 1, "sentence": str(error), "seconds": time.process_time() - start}
    row |= {"seconds": time.process_time() - start, "refused": 0}
    row |= photo_columns(found["before"], pieces[0], shots[0])
    change, aligned = found["change"], found["registration"]
    corners = [corner_mm(found[side], shot) for side, shot in zip(("before", "after"), shots, strict=True)]
    row |= {"aligned": int(aligned["ok"]), "change": change["verdict"], "ratio": change["ratio"],
            "right": int(change["verdict"] == CHANGES[kind]), "sentence": change.get("sentence", "")[:300],
            "corner_mm": None if None in corners else max(corners)}
    if aligned["homography"] is not None and aligned["ok"]:
        seen = cv2.perspectiveTransform(shots[1].to_px[None], np.array(aligned["homography"]))[0]
        row["align_mm"] = float(np.hypot(*(seen - shots[0].to_px).T).max() / shots[0].pixels_per_mm)
    if kind in ("cured", "reduced", "unchanged"):
        row["true_ratio"] = pieces[1].contrast_percent / pieces[0].contrast_percent
        if change["ratio_interval"]:
            low, high = change["ratio_interval"]
            row["ratio_in"] = int(low <= row["true_ratio"] <= high)
    return row


def keep_photos(folder, name, number, shots):
    """Write the photos of a case, for a look."""
    for label, shot in zip(("before", "after"), shots, strict=False) if folder else ():
        Path(folder).mkdir(parents=True, exist_ok=True)
        (Path(folder) / f"{name}_{number}_{label}.jpg").write_bytes(shot.jpeg)


def limits(hits, total):
    """Clopper-Pearson 95 % limits as text."""
    low = beta.ppf(0.025, hits, total - hits + 1) if hits else 0.0
    high = beta.ppf(0.975, hits + 1, total - hits) if hits < total else 1.0
    return f"{hits:4d} of {total:4d}   {low:.2f} to {high:.2f}"


def number_of(row, column):
    """A column as a number, or None."""
    value = row.get(column)
    return None if value in (None, "") else float(value)


def print_table(rows):
    """Every figure by set, from rows as the CSV file holds them."""
    def line(label, chosen, test):
        chosen = [r for r in chosen if r is not None]
        if chosen:
            print(f"  {label:44s} {limits(sum(bool(test(r)) for r in chosen), len(chosen))}")
    for name in SINGLES + PAIRS:
        mine = [r for r in rows if r["set"] == name]
        if not mine:
            continue
        judged = [r for r in mine if not number_of(r, "refused")]
        print(f"{name}: {len(mine)} cases, {np.median([number_of(r, 'seconds') for r in mine]):.1f} s CPU median, "
              f"{max(number_of(r, 'seconds') for r in mine):.1f} s most")
        line("refused", mine, lambda r: number_of(r, "refused"))
        line("corners within 0.2 mm", [r for r in judged if number_of(r, "corner_mm") is not None],
             lambda r: number_of(r, "corner_mm") < 0.2)
        striped = [r for r in judged if number_of(r, "true_mm")]
        line("stripes of 4 % and more found", [r for r in mine if number_of(r, "true_mm") and number_of(
            r, "true_percent") >= 4], lambda r: number_of(r, "found"))
        line("stripes above the stated limit found", [r for r in striped if number_of(r, "limit") is not None
             and number_of(r, "true_percent") > number_of(r, "limit")], lambda r: number_of(r, "found"))
        for column in ("period_in", "contrast_in", "ratio_in"):
            line(f"{column[:-3]} interval holds the truth", [r for r in mine if number_of(r, column) is not None],
                 lambda r, c=column: number_of(r, c))
        plain = [r for r in judged if not number_of(r, "true_mm")]
        line("without a stripe, called striped", plain, lambda r: r["verdict"] in CALLED)
        line("wrong and over 95 % sure", judged, lambda r: number_of(r, "probability") > 0.95
             if not number_of(r, "true_mm") else number_of(r, "probability") < 0.05 and number_of(
                 r, "true_percent") > (number_of(r, "limit") or np.inf))
        if name in PAIRS:
            line("aligned", mine, lambda r: number_of(r, "aligned"))
            ok = [r for r in mine if number_of(r, "align_mm") is not None]
            line("  of these within 0.3 mm", ok, lambda r: number_of(r, "align_mm") < 0.3)
            line("  of these over 1 mm off", ok, lambda r: number_of(r, "align_mm") > 1)
            for kind in CHANGES if name != "unrelated" else ():
                line(f"change right: {kind}", [r for r in mine if r["kind"] == kind], lambda r: number_of(r, "right"))
            if name == "unrelated":
                continue
            line("change right", mine, lambda r: number_of(r, "right"))


def main():
    """Run the cases that are asked for and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--each", type=int, default=5)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sets", default=",".join(SINGLES + PAIRS))
    parser.add_argument("--csv", default=str(Path(tempfile.gettempdir(), "other_bench.csv")))
    parser.add_argument("--show", help="one case, SET:NUMBER, printed and not written")
    parser.add_argument("--keep", help="folder for the photos")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    if asked.show:
        name, number = asked.show.split(":")
        for key, value in (judge_pair if name in PAIRS else judge_single)(name, int(number), asked.keep).items():
            print(f"{key:14s} {value}")
        return
    path = Path(asked.csv)
    rows = list(csv.DictReader(path.open())) if path.exists() else []
    held = {(r["set"], int(r["number"])) for r in rows}
    for number in range(asked.first, asked.first + asked.each):
        for name in asked.sets.split(","):
            if (name, number) in held:
                continue
            row = (judge_pair if name in PAIRS else judge_single)(name, number, asked.keep)
            fresh = not path.exists()
            with path.open("a", newline="") as file:
                writer = csv.DictWriter(file, COLUMNS)
                if fresh:
                    writer.writeheader()
                writer.writerow(row)
    print_table(list(csv.DictReader(path.open())))


if __name__ == "__main__":
    main()
