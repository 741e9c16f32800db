"""Frame search, marks, photos without a frame, and grid: corner error, frames found, wrong frames, time.

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
from analysis.marks import find_marks, mark_corners_mm
from analysis.photo import load_photo
from analysis.rectify import piece_to_photo, rectify
from analysis.simulate import (
    CASE_KINDS,
    CameraSpec,
    PieceSpec,
    camera_homography,
    encode,
    photograph,
    random_camera,
    random_piece,
)
from tests.hard_frames import KINDS, LINEAR, NO_FRAME, hard_case
from tests.test_marks import SIZE, marked_photo


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


def marks(count) -> None:
    """Errors of marks' own corners against the drawing, from JPEG; sharpness and noise as in a phone's photo."""
    errors = []
    for seed in range(count):
        turn = float(np.random.default_rng(seed).uniform(-180, 180))
        photo, _ = marked_photo(turn, seed=seed)
        coded = np.interp(photo.luminance, LINEAR, np.arange(256)).astype(np.uint8)
        coded = cv2.imdecode(cv2.imencode(".jpg", coded, [cv2.IMWRITE_JPEG_QUALITY, 85])[1], cv2.IMREAD_GRAYSCALE)
        camera = CameraSpec(size_px=photo.size_px, px_per_mm=9.0, tilt_deg=14.0, turn_deg=turn)
        to_photo = camera_homography(PieceSpec(width_mm=SIZE[0], height_mm=SIZE[1]), camera)
        places = mark_corners_mm(SIZE)
        errors += [corners - apply_homography(to_photo, places[n]) for n, corners in find_marks(LINEAR[coded]).items()]
    errors = np.concatenate(errors)
    print(f"marks' corners {len(errors)} of {16 * count}: rms {np.sqrt(np.mean(errors ** 2)):.3f} px a coordinate, "
          f"95 % within {np.percentile(np.abs(errors), 95):.3f} px", flush=True)


def unframed(count) -> None:
    """Photos without a frame: is the piece found, is what is taken on the board, is the scan axis right."""
    found, on_board, axes, spent = 0, [], [], 0.0
    for seed in range(count):
        rng = np.random.default_rng([seed, 4712])
        piece = replace(random_piece(rng, CASE_KINDS[seed % len(CASE_KINDS)]), artwork=("text", "shapes"))
        camera = replace(random_camera(rng, piece), tilt_deg=float(rng.uniform(0, 4)))
        photo = load_photo(encode(photograph(piece, camera, seed)))
        start = time.process_time()
        laid = rectify(photo, pixels_per_mm=camera.px_per_mm)
        spent += time.process_time() - start
        off = np.degrees(np.arctan2(laid.photo_to_piece[1, 0], laid.photo_to_piece[0, 0])) - camera.turn_deg
        axes.append(abs((off + 45) % 90 - 45))
        if laid.ground_px is None:
            continue
        found += 1
        samples = np.argwhere(laid.valid)[::501, ::-1] / laid.samples_per_mm + laid.origin_mm
        there = apply_homography(np.linalg.inv(camera_homography(piece, camera)), piece_to_photo(laid, samples))
        left, top, right, bottom = piece.margin_mm
        on_board.append(np.mean((there > [-left, -top]) & (there < [piece.width_mm + right, piece.height_mm + bottom])))
    print(f"unframed       {count:3d} photos  piece found {found:3d}  on the board over 98 %: "
          f"{np.sum(np.array(on_board) > 0.98)}   scan axis off, median {np.median(axes):.2f} deg (modulo 90)   "
          f"{spent / count:.2f} s", flush=True)


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
    marks(options.simulated)
    unframed(options.simulated)
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
