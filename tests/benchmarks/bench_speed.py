"""Time and memory of a whole comparison, against what Pillow takes to decode the same two photos in the same run.

    python tests/benchmarks/bench_speed.py [--megapixels 3 12 48] [--runs 5]
"""
from __future__ import annotations

import argparse
import io
import resource
import time

from PIL import Image

import analysis  # before NumPy: it sets the number of linear-algebra threads
from tests.benchmarks.cases import pair_case


def pair(megapixels: float) -> tuple[bytes, bytes, tuple[float, float]]:
    """Two JPEG photos of that size of one framed piece before and after a change."""
    side = round((megapixels * 1e6 / 12) ** 0.5)
    case = pair_case(1, size_px=(4 * side, 3 * side))
    return case.before.photo, case.after.photo, (case.before.shot.piece.width_mm, case.before.shot.piece.height_mm)


def best(runs: int, work) -> float:
    """Shortest of several runs, seconds of wall time."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Print one row a size."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, nargs="+", default=[3, 12])
    parser.add_argument("--runs", type=int, default=5)
    given = parser.parse_args()
    print("megapixels  compare s  decode s  ratio  peak memory so far MB")
    for megapixels in given.megapixels:
        before, after, frame = pair(megapixels)
        settings = analysis.Settings(frame_mm=frame)
        analysis.compare(before, after, settings)                    # imports and caches
        whole = best(given.runs, lambda b=before, a=after, s=settings: analysis.compare(b, a, s))
        decode = best(given.runs, lambda b=before, a=after: [
            Image.open(io.BytesIO(x)).convert("RGB").load() for x in (b, a)])
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{megapixels:<10}  {whole:9.2f}  {decode:8.2f}  {whole / decode:5.1f}  {peak:.0f}", flush=True)


if __name__ == "__main__":
    main()
