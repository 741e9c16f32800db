"""Frame search and grid: corner error, frames found, wrong frames, time.

    python -m tests.benchmarks.bench_rectify [--seeds 5] [--simulated 24]

Corner error is the worst of four corners in mm, whichever way up; time is of
this process, one thread. Photos: the simulator's camera, any turn, tilt to
25 deg; and boards laid on photographs that ship with scikit-image.
"""
from __future__ import annotations

import argparse
import time
from dataclasses import replace

import cv2
import numpy as np

from analysis.errors import PhotoError
from analysis.frame import find_frame
from analysis.geometry import apply_homography, homography_of, lens_of_photo, undistort
from analysis.rectify import rectify
from analysis.simulate import CASE_KINDS, photograph, random_camera, random_piece
from tests.hard_frames import KINDS, LINEAR, NO_FRAME, hard_case


def simulated(seed):
    """A random framed photo of the simulator, tilt to 25 deg, any turn, k1 of a few thousandths."""
    rng = np.random.default_rng([seed, 4711])
    piece = random_piece(rng, CASE_KINDS[seed % len(CASE_KINDS)])
    camera = random_camera(rng, piece)
    camera = replace(camera, tilt_deg=float(rng.uniform(0, 25)), turn_deg=float(rng.uniform(-180, 180)),
                     px_per_mm=camera.px_per_mm * 0.75)
    shot = photograph(piece, camera, seed)
    luminance = LINEAR[shot.srgb] @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    return luminance, (piece.width_mm, piece.height_mm), shot


def searched(luminance, size_mm):
    """Frame or None, seconds of this process."""
    start = time.process_time()
    try:
        frame = find_frame(luminance, size_mm)
    except PhotoError:
        frame = None
    return frame, time.process_time() - start


def worst_mm(frame, true, px_per_mm) -> float:
    return min(np.linalg.norm(np.roll(frame.corners_px, k, axis=0) - true, axis=1).max() for k in range(4)) / px_per_mm


def scale_error(frame, shot, size_mm) -> float:
    """Relative error of the scale at the middle of the piece, lens included."""
    matrices = [homography_of(undistort(corners, lens_of_photo(shot.camera.size_px, k1)), size_mm)
                for corners, k1 in ((frame.corners_px, frame.k1), (shot.corners_px, shot.camera.k1))]
    w, h = size_mm
    ends = [apply_homography(m, np.array([[w / 4, h / 2], [3 * w / 4, h / 2], [w / 2, h / 4], [w / 2, 3 * h / 4]]))
            for m in matrices]
    areas = [abs(np.linalg.det(np.stack([e[1] - e[0], e[3] - e[2]]))) for e in ends]
    return abs(np.sqrt(areas[0] / areas[1]) - 1)


def row(name, errors, count, seconds, wrong=0) -> None:
    marks = np.percentile(errors, [50, 95, 100]) if errors else ()
    cells = "  ".join(f"{v:5.3f}" for v in marks) or "-"
    print(f"{name:14s} {count:3d} photos  found {len(errors) + wrong:3d}  wrong {wrong:2d}   median/p95/max mm {cells}"
          f"   {np.median(seconds):5.2f} s", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--simulated", type=int, default=24)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    all_errors, scales, total, false, empty = [], [], 0, 0, 0
    errors, seconds, wrong = [], [], 0
    for seed in range(options.simulated):
        luminance, size, shot = simulated(seed)
        frame, spent = searched(luminance, size)
        seconds.append(spent)
        if frame is not None:
            error = worst_mm(frame, shot.corners_px, shot.camera.px_per_mm)
            wrong, errors = (wrong + 1, errors) if error > 1.0 else (wrong, [*errors, error])
            if error < 1.0:
                scales.append(scale_error(frame, shot, size))
    row("simulator", errors, options.simulated, seconds, wrong)
    all_errors += errors
    total += options.simulated
    for kind in KINDS + NO_FRAME:
        errors, seconds, wrong = [], [], 0
        for seed in range(options.seeds):
            case = hard_case(1000 + seed, kind)
            frame, spent = searched(case.photo.luminance, case.size_mm)
            seconds.append(spent)
            if frame is None:
                continue
            error = worst_mm(frame, case.corners_px, case.px_per_mm) if case.corners_px is not None else np.inf
            wrong, errors = (wrong + 1, errors) if error > 1.0 else (wrong, [*errors, error])
        row(kind, errors, options.seeds, seconds, wrong)
        false, empty = false + wrong, empty + (options.seeds if kind in NO_FRAME else 0)
        if kind in KINDS:
            all_errors += errors
            total += options.seeds
    print(f"all framed: found {len(all_errors)} of {total}, corner error median {np.median(all_errors):.3f}, "
          f"95th percentile {np.percentile(all_errors, 95):.3f} mm; scale within "
          f"{100 * np.percentile(scales, 95):.2f} % in 95 %; {false} wrong frames, {empty} photos without one")
    cv2.setNumThreads(2)
    case = hard_case(3, "plain", size_px=(4032, 3024))
    corners = tuple(map(tuple, case.corners_px))
    times = []
    for _ in range(3):
        start = time.perf_counter()
        piece = rectify(case.photo, corners_px=corners)
        times.append(time.perf_counter() - start)
    print(f"12 megapixels to {piece.reflectance.size / 1e6:.1f} on the grid: {min(times):.2f} s; "
          f"search {searched(case.photo.luminance, case.size_mm)[1]:.2f} s of processor time")


if __name__ == "__main__":
    main()
