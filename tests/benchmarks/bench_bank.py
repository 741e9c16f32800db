"""Time and agreement of the oriented filter bank against the same filters at full size.

    python -m tests.benchmarks.bench_bank [--megapixels 12] [--whole]

The baselines, in the same run: OpenCV's filter2D with the same Gabor kernels on
the whole picture, and scikit-image's Gabor filter on a crop. Unless --whole is
given, filter2D runs two of the twelve directions of each scale and
scikit-image one direction of the three finest scales, and their time is
multiplied; the printed lines say so.
"""
from __future__ import annotations

import argparse
import time

import cv2
import numpy as np
from skimage.filters import gabor

from analysis.bank import _gather, gabor_kernel, oriented_energy, pool_energy
from analysis.bank_filters import DIRECTIONS, STRIDE, WAVELENGTH

STEP = 32.0                # samples, cell of the maps that are compared
CROP = 256                 # samples, side of scikit-image's crop


def picture(megapixels: float) -> np.ndarray:
    """Texture with structure at every scale, 4 : 3."""
    columns = int(np.sqrt(megapixels * 1e6 * 4 / 3))
    field = np.random.default_rng(1).standard_normal((columns * 3 // 4, columns), dtype=np.float32)
    return field + 8 * cv2.GaussianBlur(field, (0, 0), 3) + 40 * cv2.GaussianBlur(field, (0, 0), 15)


def best_of(runs, work):
    """Least wall time of a few runs, and the last result."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        result = work()
        times.append(time.perf_counter() - start)
    return min(times), result


def direct_energy(image, scale, direction):
    """OpenCV's direct filter; seconds and energy."""
    kernel = gabor_kernel(WAVELENGTH * 2 ** scale, direction * 180.0 / DIRECTIONS)
    parts = np.ascontiguousarray(kernel.real), np.ascontiguousarray(kernel.imag)

    def work():
        even, odd = (cv2.filter2D(image, cv2.CV_32F, p, borderType=cv2.BORDER_REFLECT_101) for p in parts)
        return even * even + odd * odd
    return best_of(1, work)


def miss_of(maps, energy, scale, direction) -> tuple[float, float]:
    """Median and largest miss against the direct energies, of the band's mean, away from the rim."""
    cell = STRIDE * _gather(scale) * 2 ** scale
    rows, columns = (n // cell for n in energy.shape)
    means = cv2.resize(energy[: rows * cell, : columns * cell], (columns, rows), interpolation=cv2.INTER_AREA)
    direct = pool_energy(means[None], None, cell, WAVELENGTH * 2 ** scale, STEP, maps.energy.shape[2:])[0]
    rim = int(np.ceil(6 * WAVELENGTH * 2 ** scale / STEP))
    here = np.s_[rim:-rim, rim:-rim]
    miss = np.abs(maps.energy[scale, direction][here] - direct[here]) / direct[here].mean()
    return float(np.median(miss)), float(miss.max())


def main() -> None:
    """Run and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--megapixels", type=float, default=12.0)
    options.add_argument("--whole", action="store_true", help="run every kernel of the baseline")
    given = options.parse_args()
    image = picture(given.megapixels)
    oriented_energy(image[:512, :512])             # fills the table of filters
    ours, maps = best_of(3, lambda: oriented_energy(image))
    weight = np.ones_like(image)
    weight[: len(image) // 4, : len(image) // 4] = 0
    weighted, _ = best_of(2, lambda: oriented_energy(image, weight))
    print(f"{image.size / 1e6:.1f} megapixels, {len(maps.energy)} scales x {DIRECTIONS} directions")
    print(f"bank {ours:.3f} s; with a weight map {weighted:.3f} s")
    chosen = range(DIRECTIONS) if given.whole else (2, 9)
    total, worst = 0.0, []
    for scale in range(len(maps.energy)):
        spent = 0.0
        for direction in chosen:
            seconds, energy = direct_energy(image, scale, direction)
            spent += seconds
            worst.append((*miss_of(maps, energy, scale, direction), scale))
        total += spent * DIRECTIONS / len(chosen)
        middle, largest, _ = max(w for w in worst if w[2] == scale)
        width = WAVELENGTH * 2 ** scale
        print(f"  wavelength {width:.0f} px: filter2D {spent / len(chosen):.2f} s "
              f"a direction, miss median {100 * middle:.2f} %, largest {100 * largest:.2f} %")
    how = "every kernel run"
    if not given.whole:
        how = f"{len(chosen)} of {DIRECTIONS} directions run, times multiplied"
    print(f"OpenCV filter2D, same kernels, full size: {total:.1f} s ({how}); "
          f"ratio {total / ours:.0f}")
    spent = 0.0
    for scale in range(3):
        wavelength = WAVELENGTH * 2 ** scale
        seconds, _ = best_of(1, lambda w=wavelength: gabor(image[:CROP, :CROP], 1 / w, sigma_x=0.56 * w,
                                                           sigma_y=0.56 * w))
        spent += seconds
    spent *= DIRECTIONS * image.size / CROP ** 2
    print(f"scikit-image gabor, the three finest scales: {spent:.0f} s "
          f"(one direction on {CROP} x {CROP} run, times multiplied); ratio {spent / ours:.0f}")


if __name__ == "__main__":
    main()
