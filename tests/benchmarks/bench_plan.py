"""Photos of a planned piece by the project's camera simulator: found by its marks, corners, patches judged.

    python -m tests.benchmarks.bench_plan [--photos 40] [--judged 8]

The camera has tilt, lens distortion, uneven light, noise, glare, clutter and
compression as in the other benchmarks; half of the pieces carry a stripe.
"""
from __future__ import annotations

import argparse
import time

import cv2
import numpy as np

from analysis.errors import PhotoError
from analysis.marks import find_marks
from analysis.photo import load_photo
from analysis.plan import make_plan
from analysis.plan_photo import judge_plan, place_marks
from analysis.plan_settings import PlanSettings
from analysis.simulate import PieceSpec, encode, photograph, random_camera
from tests.planned import engraved

PLAN = PlanSettings(width_mm=120.0, height_mm=90.0, powers_percent=(10.0, 25.0, 40.0), speeds_mm_s=(200.0,))
MARGIN_MM = 8.0
SIZE_PX = (3000, 2250)
PERIODS_MM = (0.8, 1.25, 2.0, 2.032, 3.0)
BOARD = 0.5                # reflectance of the board; the simulator lays the drawn piece over it


def shot(seed: int):
    """Photo's bytes, truth, period and contrast of one piece."""
    rng = np.random.default_rng([seed, 91])
    plan = make_plan(PLAN)
    period = float(rng.choice(PERIODS_MM))
    contrast = float(rng.uniform(4, 9)) if seed % 2 else 0.0
    drawn, *_ = engraved(plan, seed, period_mm=period, contrast_percent=contrast, margin=MARGIN_MM,
                         grain_percent=float(rng.uniform(2, 7)), lines_deg=float(rng.uniform(15, 75)))
    piece = PieceSpec(width_mm=PLAN.width_mm, height_mm=PLAN.height_mm, grains=(), artwork=(),
                      depth_ramp=0.05, margin_mm=(MARGIN_MM,) * 4, ground_reflectance=BOARD,
                      raw_reflectance=BOARD,
                      grain_scale_raw=1.0, smoke=float(rng.uniform(0, 0.25)), scorch=0.0, board_seed=seed)
    camera = random_camera(rng, piece, SIZE_PX)
    taken = photograph(piece, camera, seed, texture=drawn / np.float32(BOARD))
    return plan, taken, period, contrast, camera


def main() -> None:
    """Run and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--photos", type=int, default=40)
    options.add_argument("--judged", type=int, default=8)
    given = options.parse_args()
    cv2.setNumThreads(1)
    misses, lost, spent, judged, right, wrong = [], [], [], 0, 0, []
    for seed in range(given.photos):
        plan, taken, period, contrast, camera = shot(seed)
        photo = load_photo(encode(taken), f"{seed}.jpg")
        start = time.perf_counter()
        marks = find_marks(photo.luminance)
        spent.append(time.perf_counter() - start)
        try:
            corners = place_marks(marks, (PLAN.width_mm, PLAN.height_mm)).corners_px
        except PhotoError as problem:
            lost.append((seed, len(marks), round(camera.tilt_deg), str(problem)[:40]))
            continue
        true = np.asarray(taken.corners_px, float).reshape(4, 2)
        misses.append(np.linalg.norm(corners - true, axis=1).max() / camera.px_per_mm)
        if seed >= given.judged:
            continue
        for result in judge_plan(photo, plan).patches:
            judged += 1
            called = result.decision is not None and result.decision.verdict in ("mechanical", "mixed")
            hit = called and abs(result.stripes[0].period_mm / period - 1) < 0.005
            good = hit if contrast else result.decision is not None and not called
            right += good
            if not good:
                verdict = result.why_not or result.decision.verdict
                wrong.append(f"{seed} {result.patch.name}: {verdict} ({contrast:.1f} %, {period} mm)")
    print(f"{given.photos} photos of {SIZE_PX[0]} x {SIZE_PX[1]}: placed by their marks {len(misses)}, "
          f"not {lost}")
    print(f"worst corner: median {np.median(misses):.3f} mm, 95 % {np.percentile(misses, 95):.3f} mm; "
          f"search {np.median(spent):.2f} s")
    print(f"patches judged {judged}, right {right}; not right: {wrong}")


if __name__ == "__main__":
    main()
