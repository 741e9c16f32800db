"""Errors of the grain's angle, spacing, variation and contrast on simulated boards and real woods; time.

    python -m tests.benchmarks.bench_grain [--boards 40]

Simulated boards are flattened as photos are. Their truth is the board's own:
the contrast is that of its grain after the same trend is taken off. The
structure tensor of scikit-image is the reference for the angle.
"""
from __future__ import annotations

import argparse
import time

import cv2
import numpy as np
from skimage.feature import structure_tensor

from analysis.flatten import flatten
from analysis.grain import GrainField, measure_grain
from analysis.simulate import GrainSpec, grain_field
from tests.benchmarks.texture_cases import plain_piece
from tests.real_textures import available, load

S = 12.0                   # samples per mm
SHAPE = (672, 912)         # 76 x 56 mm


def random_grain(rng: np.random.Generator, kind: str) -> GrainSpec:
    """One board's grain."""
    spacing = float(np.exp(rng.uniform(-0.7, 1.5)))
    return GrainSpec(kind=kind, angle_deg=rng.uniform(-90, 90),
                     contrast_percent=float(np.exp(rng.uniform(0.7, 3.0))), spacing_mm=spacing,
                     spacing_variation=rng.uniform(0.08, 0.4),
                     autoregression=rng.uniform(0, 0.6), latewood_fraction=rng.uniform(0.15, 0.5),
                     sharpness_mm=rng.uniform(0.05, 0.25) * min(spacing, 2.0), waviness_mm=rng.uniform(0, 1))


def between(first: float, second: float) -> float:
    """Difference of two line angles."""
    return abs((first - second + 90) % 180 - 90)


def tensor_angle(field: np.ndarray) -> float:
    """Line angle by scikit-image's structure tensor, summed over the whole field."""
    smooth = cv2.GaussianBlur(field, (0, 0), 2.0)
    rr, rc, cc = (float(part.mean()) for part in structure_tensor(smooth, sigma=2, order="rc"))
    return 90.0 - 0.5 * np.degrees(np.arctan2(2 * rc, cc - rr))


def board(seed: int, kind: str) -> tuple[GrainSpec, float, float, GrainField]:
    """Spec, true contrast, the tensor's angle, and what we measure."""
    rng = np.random.default_rng([seed, 78])
    spec = random_grain(rng, kind)
    field = grain_field(spec, SHAPE, S, rng)
    if kind == "rings":
        fibres = GrainSpec(angle_deg=spec.angle_deg, spacing_mm=rng.uniform(0.5, 3),
                           contrast_percent=spec.contrast_percent * rng.uniform(0, 0.6))
        field = field + grain_field(fibres, SHAPE, S, rng)
    noisy = field + rng.uniform(0.005, 0.03) * rng.standard_normal(SHAPE, dtype=np.float32)
    texture = flatten(plain_piece(np.exp(noisy - 1.5).astype(np.float32), S))
    alone = flatten(plain_piece(np.exp(field - 1.5).astype(np.float32), S))
    seen = (texture.weight > 0) & (alone.weight > 0)
    true = 100 * np.sqrt(8.0) * float(alone.log_reflectance[seen].std())
    return spec, true, tensor_angle(texture.log_reflectance), measure_grain(texture)


def line(kind: str, boards: int) -> str:
    """One row of the table."""
    errors, tensors, ratios, held, spacings, variations = [], [], [], [], [], []
    for seed in range(boards):
        spec, true, tensor, grain = board(seed, kind)
        ratios.append(grain.contrast_percent / true)
        held.append(grain.contrast_interval_percent[0] <= true <= grain.contrast_interval_percent[1])
        tensors.append(between(tensor, spec.angle_deg))
        if grain.angle_deg is not None:
            errors.append(between(grain.angle_deg, spec.angle_deg))
        if grain.spacing_mm is not None:
            spacings.append(grain.spacing_mm / spec.spacing_mm - 1)
            variations.append(grain.spacing_variation - spec.spacing_variation)
    told = f"{100 * len(spacings) / boards:.0f} %"
    row = (f"| {kind} | {np.median(errors):.2f} / {np.percentile(errors, 95):.2f} "
           f"| {np.median(tensors):.2f} / {np.percentile(tensors, 95):.2f} "
           f"| {np.mean(ratios):.3f} +- {np.std(ratios):.3f} | "
           f"{100 * np.mean(held):.0f} % | {told} ")
    if kind != "rings" or not spacings:
        return row + "| | |"
    misses = 100 * np.abs(spacings)
    return row + (f"| {np.median(misses):.1f} % / {np.percentile(misses, 95):.0f} % "
                  f"| {np.mean(variations):+.3f} +- {np.std(variations):.3f} |")


def real() -> None:
    """Print the angle of each photographed wood, and how many other textures are given one."""
    for texture in available("wood"):
        picture = np.ascontiguousarray(load(texture)[:900, :1200])
        grain = measure_grain(flatten(plain_piece(0.3 * picture, picture.shape[1] / 70.0)))
        said = "none" if grain.angle_deg is None else f"{grain.angle_deg:.1f}"
        print(f"  {texture.name}: lines at about {texture.lines_deg:g}, found {said}")
    others = [t for t in available("other") if min(load(t).shape) >= 300]
    wrong = [t.name for t in others if measure_grain(flatten(plain_piece(
        0.3 * load(t)[:900, :1200], load(t)[:900, :1200].shape[1] / 70.0))).angle_deg is not None]
    print(f"  other textures given an angle: {len(wrong)} of {len(others)} {', '.join(wrong)}")


def timing() -> None:
    """Print processor and wall seconds for 1.5 million samples."""
    rng = np.random.default_rng(1)
    field = grain_field(GrainSpec(kind="rings", angle_deg=20.0), (1020, 1450), 18.0, rng)
    texture = flatten(plain_piece(np.exp(field - 1.5).astype(np.float32), 18.0))
    spent = []
    for _ in range(4):
        wall, cpu = time.perf_counter(), time.process_time()
        measure_grain(texture)
        spent.append((time.perf_counter() - wall, time.process_time() - cpu))
    wall, cpu = np.min(spent, axis=0)
    print(f"1.5 million samples: {wall:.3f} s wall, {cpu:.3f} s processor")


def main() -> None:
    """Run and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--boards", type=int, default=40)
    given = options.parse_args()
    print("| grain | angle error deg, median / 95 % | scikit-image tensor | contrast / truth "
          "| in its interval | spacing told | spacing error, median / 95 % | variation error |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for kind in ("rings", "plain", "crossed"):
        print(line(kind, given.boards))
    real()
    timing()


if __name__ == "__main__":
    main()
