"""Is the part that made the stripe named, and none where it is not listed? On simulated photos from end to end.

    python -m tests.benchmarks.bench_sources --photos 100

Half of the machine files list the true part, half had it taken out (with its multiples).
"""
from __future__ import annotations

import argparse
from dataclasses import replace

import cv2
import numpy as np
from tqdm import tqdm

from analysis import pipeline
from analysis.errors import PhotoError
from analysis.machine import NOT_LISTED, expected_periods, name_sources, parse_machine
from analysis.settings import Settings
from analysis.simulate import StripeSpec, encode, photograph, random_camera, random_piece

PERIODS_MM = (0.45, 8.0)
CONTRASTS_PERCENT = (3.0, 10.0)
APART = 0.03               # an unlisted period lies this far from every listed one


def random_machine(rng: np.random.Generator) -> dict:
    """Draw a drive as a workshop might describe it."""
    data = {"scan": {"speed_mm_s": float(rng.choice([150, 200, 250, 300, 400])), "line_interval_mm": 0.1},
            "motor": {"step_angle_deg": float(rng.choice([1.8, 0.9])), "microsteps": 16},
            "mains": {"frequency_hz": float(rng.choice([50, 60]))}}
    if rng.random() < 0.8:
        data["belt"] = {"pitch_mm": float(rng.choice([2.0, 2.032, 3.0, 5.0, 5.08])),
                        "pulley_teeth": int(rng.choice([16, 18, 20, 24, 36]))}
        data["idler"] = [{"name": "tail", "diameter_mm": float(rng.uniform(9, 25))}]
        data["bearing"] = [{"turns_with": "tail", "ring": "outer", "balls": 7, "ball_diameter_mm": 1.588,
                            "pitch_diameter_mm": 6.5}]
    else:
        data["screw"] = {"pitch_mm": 2.0, "starts": int(rng.choice([1, 2, 4]))}
    if rng.random() < 0.7:
        data["resonance"] = [{"name": "gantry", "frequency_hz": float(rng.uniform(25, 140))}]
    return data


def photo_of(rng: np.random.Generator, period_mm: float, seed: int):
    """Photograph a framed piece with this stripe; returns the file and the frame."""
    stripe = StripeSpec(period_mm=period_mm, contrast_percent=float(np.exp(rng.uniform(*np.log(CONTRASTS_PERCENT)))),
                        angle_deg=float(rng.normal(0, 0.2)), phase_rad=float(rng.uniform(-np.pi, np.pi)),
                        harmonics=((2, float(rng.uniform(0, 0.3))),))
    piece = replace(random_piece(rng, "stripe"), stripes=(stripe,))
    shot = photograph(piece, random_camera(rng, piece), seed)
    return encode(shot), (piece.width_mm, piece.height_mm)


def main() -> None:
    """Draw, judge, count."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--photos", type=int, default=100)
    photos = options.parse_args().photos
    cv2.setNumThreads(1)
    found = {"listed": 0, "not listed": 0}
    right = {"listed": 0, "not listed": 0}
    covered = []
    for seed in tqdm(range(photos)):
        rng = np.random.default_rng([seed, 77])
        machine = parse_machine(random_machine(rng))
        parts = [p for p in expected_periods(machine) if p.along == "scan"
                 and PERIODS_MM[0] < p.period_mm < PERIODS_MM[1]]
        kind = "listed" if seed % 2 == 0 or not parts else "not listed"
        if kind == "listed":
            if not parts:
                continue
            weights = np.array([p.prior for p in parts])
            part = parts[rng.choice(len(parts), p=weights / weights.sum())]
            period = part.period_mm + part.sd_mm * rng.standard_normal()
        else:
            while True:
                period = float(np.exp(rng.uniform(*np.log(PERIODS_MM))))
                if min(abs(np.log(period / p.period_mm)) for p in parts) > APART:
                    break
        data, frame = photo_of(rng, period, seed)
        try:
            stripes = pipeline.inspect(data, Settings(frame_mm=frame)).photo.stripes.stripes
        except PhotoError:
            continue
        near = [s for s in stripes if abs(s.period_mm / period - 1) < 0.02]
        if not near:
            continue                       # detection has a benchmark of its own
        stripe = near[0]
        covered.append(stripe.period_interval_mm[0] <= period <= stripe.period_interval_mm[1])
        named = name_sources(stripe.period_mm, stripe.period_interval_mm, machine, harmonics=stripe.harmonics)[0]
        found[kind] += 1
        if kind == "listed":
            right[kind] += named["period_mm"] is not None and abs(named["period_mm"] / part.period_mm - 1) < 1e-6
        else:
            right[kind] += named["part"] == NOT_LISTED
    for kind in found:
        print(f"{kind}: named right {right[kind]} of {found[kind]}")
    print(f"period interval held the truth in {np.mean(covered):.3f} of {len(covered)}")


if __name__ == "__main__":
    main()
