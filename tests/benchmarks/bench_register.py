"""Registration against general-purpose methods on the same simulated pairs, in the same run.

    python -m tests.benchmarks.bench_register --pairs 8

Pairs with a frame on two boards that share only the artwork, AFTER the same
way up or not, without a frame,
and one board photographed twice (its photo seen through a known homography,
with other light and noise: the simulator's grain follows its raster). The error
is that of the worst of the four frame corners, mm on the piece (corner error of
homography benchmarks: Balntas et al., CVPR 2017); the general methods map photo
to photo, as they know no frame. Unrelated photos must be refused. Single
process; the times are CPU seconds of the alignment alone, after decoding and
rectifying. "error / s.d." is the median of ours, where 1 would be calibrated.
SimpleITK is compared where it is installed.
"""
from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from skimage.measure import ransac
from skimage.transform import ProjectiveTransform

try:
    import SimpleITK as itk
except ImportError:
    itk = None

sys.path.insert(0, str(Path(__file__).parent))
from cases import pair_case  # noqa: E402  (a script beside this one)

from analysis.errors import PhotoError  # noqa: E402
from analysis.geometry import apply_homography  # noqa: E402
from analysis.photo import load_photo  # noqa: E402
from analysis.rectify import rectify  # noqa: E402
from analysis.register import register  # noqa: E402

KINDS = {"framed, other board": "removed", "framed, AFTER upside down": "upside down",
         "framed, AFTER on its side": "on its side", "no frame, other board": "no frame",
         "no frame, same board": "twice"}
ITK_STEPS = 200            # of the affine fit by mutual information
GOOD_MM, WRONG_MM = 0.3, 1.0


def grey(photo, factor=1.0):
    """8-bit picture for features, shrunk by `factor`."""
    top = float(np.percentile(photo.luminance[::8, ::8], 99.5))
    picture = (np.sqrt(np.clip(photo.luminance / top, 0, 1)) * 255).astype(np.uint8)
    size = (round(picture.shape[1] / factor), round(picture.shape[0] / factor))
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA) if factor > 1 else picture


def features(before, after, detector, norm, factor, robust):
    """Homography AFTER to BEFORE by features and a robust fit, or None."""
    points = []
    for photo in (after, before):
        keys, words = detector.detectAndCompute(grey(photo, factor), None)
        if words is None or len(keys) < 8:
            return None
        points.append((np.array([k.pt for k in keys]) * factor + (factor - 1) / 2, words))
    (source, a), (target, b) = points
    pairs = [p for p in cv2.BFMatcher(norm).knnMatch(a, b, k=2) if len(p) == 2]
    good = [m for m, n in pairs if m.distance < 0.8 * n.distance]
    if len(good) < 8:
        return None
    source, target = source[[m.queryIdx for m in good]], target[[m.trainIdx for m in good]]
    return robust(source, target, 3.0 * factor)


def by_opencv(method):
    """Robust fit of OpenCV."""
    def fit(source, target, threshold):
        return cv2.findHomography(source.reshape(-1, 1, 2), target.reshape(-1, 1, 2), method, threshold)[0]
    return fit


def by_skimage(source, target, threshold):
    """Robust fit of scikit-image."""
    model, _ = ransac((source, target), ProjectiveTransform, min_samples=4, residual_threshold=threshold,
                      max_trials=500, rng=1)
    return None if model is None or not np.all(np.isfinite(model.params)) else model.params


def by_simpleitk(before, after):
    """Affine map by mutual information of the pictures shrunk four times, coarse to fine."""
    factor = 4.0
    fixed, moving = (itk.Cast(itk.GetImageFromArray(grey(photo, factor)), itk.sitkFloat32)
                     for photo in (after, before))
    method = itk.ImageRegistrationMethod()
    method.SetMetricAsMattesMutualInformation(32)
    method.SetMetricSamplingStrategy(method.RANDOM)
    method.SetMetricSamplingPercentage(0.2, 1)
    method.SetInterpolator(itk.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(1.0, 1e-4, ITK_STEPS)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel([4, 2, 1])
    method.SetSmoothingSigmasPerLevel([3, 1, 0])
    method.SetInitialTransform(itk.CenteredTransformInitializer(fixed, moving, itk.AffineTransform(2)))
    found = method.Execute(fixed, moving)
    corners = np.array([[0, 0], [400, 0], [400, 300], [0, 300]], float)
    moved = np.array([found.TransformPoint(tuple(p)) for p in corners])
    shift = (factor - 1) / 2
    return cv2.getPerspectiveTransform((corners * factor + shift).astype(np.float32),
                                       (moved * factor + shift).astype(np.float32)).astype(float)


def general_methods():
    """Name and function of each baseline."""
    sift, orb = cv2.SIFT_create(4000), cv2.ORB_create(5000)
    found = {} if itk is None else {"SimpleITK affine, mutual information": by_simpleitk}
    return found | {
        "OpenCV SIFT, full size, RANSAC": lambda b, a: features(b, a, sift, cv2.NORM_L2, 1.0, by_opencv(cv2.RANSAC)),
        "OpenCV SIFT, quarter size, MAGSAC++":
            lambda b, a: features(b, a, sift, cv2.NORM_L2, 4.0, by_opencv(cv2.USAC_MAGSAC)),
        "OpenCV ORB, full size, RANSAC": lambda b, a: features(b, a, orb, cv2.NORM_HAMMING, 1.0, by_opencv(cv2.RANSAC)),
        "OpenCV ORB, half size, scikit-image RANSAC":
            lambda b, a: features(b, a, orb, cv2.NORM_HAMMING, 2.0, by_skimage),
    }


def twice(seed):
    """A pair whose AFTER is BEFORE's photo through a known homography, and its photos."""
    case = pair_case(seed, "no frame")
    before, rng = load_photo(case.before.photo), np.random.default_rng([seed, 7])
    w, h = before.size_px
    turn, zoom = np.radians(rng.normal(0, 8)), rng.uniform(0.7, 1.05)
    middle = np.array([[1, 0, -w / 2], [0, 1, -h / 2], [0, 0, 1]])
    view = np.array([[zoom * np.cos(turn), -zoom * np.sin(turn), 0], [zoom * np.sin(turn), zoom * np.cos(turn), 0],
                     [*rng.normal(0, 4e-5, 2), 1]])
    matrix = np.linalg.inv(middle) @ view @ middle
    seen = cv2.warpPerspective(cv2.GaussianBlur(before.luminance, (0, 0), 0.6), matrix, (w, h),
                               flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    seen *= 1 + 0.1 * np.linspace(-1, 1, w, dtype=np.float32)
    seen += 0.006 * rng.standard_normal(seen.shape, dtype=np.float32)
    after = replace(before, luminance=np.maximum(seen, np.float32(1e-4)))
    shot = replace(case.before.shot, corners_px=apply_homography(matrix, case.before.shot.corners_px))
    return replace(case, after=replace(case.after, shot=shot)), (before, after)


def turned(seed, quarters):
    """A framed pair with AFTER's photo turned by quarters of a turn: upside down or on its side."""
    case, (before, after) = shots(seed, "removed")
    (w, h), corners = after.size_px, case.after.shot.corners_px
    for _ in range(quarters):
        corners, w, h = np.stack([corners[:, 1], w - 1 - corners[:, 0]], axis=1), h, w
    pictures = {name: np.ascontiguousarray(np.rot90(getattr(after, name), quarters))
                for name in ("luminance", "preview", "clipped")}
    shot = replace(case.after.shot, corners_px=corners)
    return replace(case, after=replace(case.after, shot=shot)), (before, replace(after, size_px=(w, h), **pictures))


def shots(seed, kind):
    """A pair of the simulator and its photos."""
    case = pair_case(seed, kind)
    return case, tuple(load_photo(one.photo) for one in (case.before, case.after))


def pieces(case, photos):
    """Both pieces as the pipeline makes them; AFTER's is None without a frame."""
    if case.kind == "no frame":
        camera = case.before.shot.camera
        return rectify(photos[0], pixels_per_mm=camera.px_per_mm, scan_angle_deg=camera.turn_deg), None
    return tuple(rectify(photo, frame_mm=case.before.frame_mm) for photo in photos)


def error_mm(matrix, case) -> float:
    """Worst corner."""
    if matrix is None:
        return float("inf")
    mapped = apply_homography(matrix, case.after.shot.corners_px)
    error = np.hypot(*(mapped - case.before.shot.corners_px).T).max() / case.before.shot.camera.px_per_mm
    return float(error) if np.isfinite(error) else float("inf")


def timed(function, *arguments):
    """Result and CPU seconds."""
    start = time.process_time()
    result = function(*arguments)
    return result, time.process_time() - start


def print_table(rows) -> None:
    """One line per kind and method."""
    print(f"| pairs | method | aligned within {GOOD_MM} mm | median mm | 95 % mm | wrong, not refused | s |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for (kind, method), found in rows.items():
        errors, ok, seconds = (np.array(column) for column in zip(*found, strict=True))
        answered = errors[ok] if ok.any() else np.array([np.inf])
        high = np.percentile(answered, 95, method="higher")
        print(f"| {kind} | {method} | {np.sum(ok & (errors < GOOD_MM))} of {len(errors)} "
              f"| {np.median(answered):.3f} | {high:.3f} | {np.sum(ok & (errors > WRONG_MM))} "
              f"| {np.median(seconds):.2f} |")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=8, help="of each kind")
    parser.add_argument("--first", type=int, default=900, help="first seed")
    parser.add_argument("--only-ours", action="store_true")
    parser.add_argument("--only", default="", help="kinds whose name holds this")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    rows, kept, refused, ratios = defaultdict(list), [], [], defaultdict(list)
    if itk is None:
        print("SimpleITK is not installed, so it is left out.")
    for kind, name in ((kind, name) for kind, name in KINDS.items() if chosen.only in kind):
        for seed in range(chosen.first, chosen.first + chosen.pairs):
            case, photos = (twice(seed) if name == "twice" else turned(seed, 2) if name == "upside down"
                            else turned(seed, 1 + 2 * (seed % 2)) if name == "on its side" else shots(seed, name))
            try:
                first, second = pieces(case, photos)
            except PhotoError as problem:
                print(f"seed {seed}: {problem}")
                rows[kind, "ours"].append((float("inf"), False, 0.0))
                continue
            result, seconds = timed(register, *photos, first, second)
            rows[kind, "ours"].append((error_mm(result.homography, case), result.ok, seconds))
            if result.ok and result.residual_mm:
                ratios[kind].append(error_mm(result.homography, case) / result.residual_mm)
            if kept and kept[-1][1] == kind:         # the piece before with this photo: nothing shared
                refused.append(not register(kept[-1][2], photos[1], kept[-1][3], second).ok)
            kept.append((seed, kind, photos[0], first))
            for label, method in ({} if chosen.only_ours else general_methods()).items():
                matrix, seconds = timed(method, *photos)
                rows[kind, label].append((error_mm(matrix, case), matrix is not None, seconds))
    print_table(rows)
    for kind, values in ratios.items():
        print(f"{kind}: error / s.d. median {np.median(values):.2f}, 95 % {np.percentile(values, 95):.2f}")
    print(f"unrelated photos refused: {sum(refused)} of {len(refused)}")


if __name__ == "__main__":
    main()
