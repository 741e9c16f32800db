"""The planned test piece, read from its own SVG, burnt by the second simulator, photographed and judged patch by patch.

    python -m tests.benchmarks.other_plan --first 0 --count 8 --keep /tmp/planned

The shapes are filled from the file as any program that reads SVG would; nothing of `analysis` makes the picture.
"""
from __future__ import annotations

import argparse
import csv
import json
import re
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import cv2
import numpy as np

from tests.benchmarks.bench_other import limits
from tests.benchmarks.other_bench import CHAR, WOODS, Burn, Piece, photograph
from tests.benchmarks.other_wood import lattice, wood

NAMESPACE = "{http://www.w3.org/2000/svg}"
FRAMES = ("160x110", "120x90", "200x120")
PERIODS_MM = (0.8, 1.0, 2.0, 2.032, 2.5, 3.0)


def covered(group, shape, s, margin):
    """Cover 0 to 1 of a group's paths: even-odd filled, or strokes of 0.3 mm."""
    cover = np.zeros(shape, np.uint8)
    for path in group.iter(NAMESPACE + "path"):
        parts = [re.findall(r"(-?[\d.]+),(-?[\d.]+)", part) for part in path.get("d").split("M") if part.strip()]
        outlines = [np.round(((np.array(part, float) + margin) * s - 0.5) * 16).astype(np.int32).reshape(-1, 1, 2)
                    for part in parts]
        layer = np.zeros_like(cover)
        if group.get("fill") == "none":
            cv2.polylines(layer, outlines, False, 255, max(1, round(0.3 * s)), cv2.LINE_AA, 4)
        else:
            cv2.fillPoly(layer, outlines, 255, cv2.LINE_AA, 4)
        cover = np.maximum(cover, layer)
    return cover.astype(np.float32) / 255


def burnt_plan(rng, svg, kind, period_mm, percent, *, s=16.0, margin=6.0):
    """Board with the plan burnt on it, and the names of its patches."""
    root = ElementTree.fromstring(Path(svg).read_text())
    w, h = map(float, root.get("viewBox").split()[2:])
    patches = {p["name"].replace(" T", "_TURNED").replace(" ", "_"): p
               for p in json.loads(root.find(NAMESPACE + "metadata").text)["patches"]}
    x, y = np.meshgrid((np.arange(int((w + 2 * margin) * s), dtype=np.float32) + 0.5) / s - margin,
                       (np.arange(int((h + 2 * margin) * s), dtype=np.float32) + 0.5) / s - margin)
    tone = wood(rng, kind, x, y, s)
    top = rng.uniform(0.4, 0.6) * np.exp(tone)
    board, phase = top.copy(), rng.uniform(0, 6)
    for group in root.iter(NAMESPACE + "g"):
        name = group.get("id")
        patch = patches.get(name)
        power = patch["power_percent"] if patch else float(name[6:]) if name.startswith("STEP_P") else None
        if power is None:
            burnt = rng.uniform(0.05, 0.09) * np.exp(0.1 * lattice(rng, x.shape, 1.2 * s))
        else:
            speed, along = (patch["speed_mm_s"], y if patch["turned"] else x) if patch else (200.0, x)
            burnt = CHAR + (top - CHAR) * np.exp(-power / 25 * (200 / speed) ** 0.7 * np.exp(0.8 * tone))
            burnt = burnt * (1 + percent / 200 * np.cos(2 * np.pi * along / period_mm + phase))
        cover = covered(group, x.shape, s, margin)
        board = board * (1 - cover) + burnt * cover
    return Piece(reflectance=board.astype(np.float32), samples_per_mm=s, margin_mm=margin,
                 burn=Burn(size_mm=(w, h)), contrast_percent=percent), list(patches.values())


def judged(number, folder):
    """One photo through `plan` and `patches`: rows of the table, patches that lie along the axis, truth."""
    rng = np.random.default_rng([99, number])
    frame, svg = FRAMES[number % len(FRAMES)], folder / f"plan_{number}.svg"
    subprocess.run([sys.executable, "-m", "analysis", "plan", str(svg), "--frame", frame], check=True,
                   capture_output=True)
    kind, period, percent = str(rng.choice(WOODS)), float(rng.choice(PERIODS_MM)), float(rng.choice([0, 5, 8]))
    piece, patches = burnt_plan(rng, svg, kind, period, percent)
    shot = photograph(rng, piece, megapixels=12 if number % 2 else 8, fill=rng.uniform(0.8, 0.97))
    photo, table = folder / f"planned_{number}.jpg", folder / f"planned_{number}.csv"
    photo.write_bytes(shot.jpeg)
    table.unlink(missing_ok=True)
    run = subprocess.run([sys.executable, "-m", "analysis", "patches", str(photo), str(svg), "--csv", str(table),
                          "--quiet"], capture_output=True, text=True)
    rows = list(csv.DictReader(table.open(encoding="utf-8-sig"))) if run.returncode == 0 else []
    turned = sum(p["turned"] for p in patches)
    told = sum("turned by 90 degrees:" in line for line in run.stdout.splitlines())
    print(f"{number}: {frame}, {kind}, {period} mm {percent} %, {shot.pixels_per_mm:.1f} px/mm, status "
          f"{run.returncode}, {len(rows)} of {len(patches) - turned} patches, {told} of {turned} turned; "
          f"{[row['verdict'] for row in rows]} {run.stderr.strip()}", flush=True)
    return {"all": len(rows) == len(patches) - turned and told == turned, "rows": rows, "period": period,
            "percent": percent}


def main():
    """Judge planned pieces and print what was recognised, found and missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=6)
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir(), "planned"))
    asked = parser.parse_args()
    asked.keep.mkdir(parents=True, exist_ok=True)
    cases = [judged(number, asked.keep) for number in range(asked.first, asked.first + asked.count)]
    striped = [(case, row) for case in cases for row in case["rows"] if case["percent"]]
    plain = [row for case in cases for row in case["rows"] if not case["percent"]]
    found = [(case, row) for case, row in striped if row["verdict"] in ("mechanical", "mixed") and row["period_mm"]
             and abs(float(row["period_mm"]) / case["period"] - 1) < 0.005]
    held = [float(row["period_low_mm"]) <= case["period"] <= float(row["period_high_mm"]) for case, row in found]
    for words, hits, total in (
            ("recognised, every patch judged", sum(case["all"] for case in cases), len(cases)),
            ("striped patches found, period within 0.5 %", len(found), len(striped)),
            ("period interval holds the truth", sum(held), len(held)),
            ("plain patches called striped", sum(r["verdict"] in ("mechanical", "mixed") for r in plain), len(plain))):
        print(f"  {words:44s} {limits(hits, total)}")


if __name__ == "__main__":
    main()
