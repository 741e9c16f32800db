"""Known homographies applied to open images, ours beside OpenCV.

The protocol of published homography benchmarks: mean distance of the picture's
four corners, as found and as known (D. DeTone et al., "Deep image homography
estimation", arXiv:1606.03798 (2016); V. Balntas et al., "HPatches", CVPR 2017).
The images come with scikit-image (public domain or CC0, data/README.txt).

    python -m tests.benchmarks.bench_homography --wall FOLDER

looks at two real photographs of a painted wall from two places instead (K. Mikolajczyk et al., "A comparison of
affine region detectors", IJCV 65 (2005)): graf1.png, graf3.png and their published homography H1to3p.xml, as
OpenCV's samples have them (Debian package opencv-doc). The published map is good to about a pixel, so what each map
leaves between the photos is measured in small windows by phase correlation, an estimator that none of them uses.
"""
from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from skimage import data

from analysis.geometry import apply_homography, distort, lens_of_photo
from analysis.photo import Photo, load_photo
from analysis.rectify import rectify
from analysis.register import register

IMAGES = ("brick", "camera", "coins", "grass", "gravel", "moon", "page", "text")
WIDTH_PX = 1200
MOVED = 0.06               # of the size, each corner, either way
WINDOW, STEP = 64, 48      # px, of the windows compared by phase correlation
LEAST_SPREAD, LEAST_PEAK, MOST_SHIFT = 0.15, 0.25, 12.0      # log light in a window; its peak; px


def open_pair(name: str, seed: int) -> tuple[Photo, Photo, np.ndarray, np.ndarray]:
    """BEFORE is an open image, AFTER the same through a known homography; corners in both, px."""
    image = getattr(data, name)()
    image = image if image.ndim == 2 else image[..., 0]
    image = cv2.resize(image, (WIDTH_PX, WIDTH_PX * image.shape[0] // image.shape[1]), interpolation=cv2.INTER_CUBIC)
    h, w = image.shape
    corners = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], np.float32)
    moved = 0.75 * corners + 0.12 * w + np.random.default_rng(seed).uniform(-MOVED, MOVED, (4, 2)) * (w, h)
    matrix = cv2.getPerspectiveTransform(corners, moved.astype(np.float32))
    after = cv2.warpPerspective(image, matrix, (w, h), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REFLECT_101)
    photos = (load_photo(cv2.imencode(".png", picture)[1].tobytes()) for picture in (image, after))
    return *photos, corners.astype(float), cv2.perspectiveTransform(corners[None].astype(float), matrix)[0]


def corner_error_px(matrix, before: np.ndarray, after: np.ndarray) -> float:
    """Mean distance of the four corners, px of BEFORE; infinite where nothing was found."""
    if matrix is None:
        return float("inf")
    return float(np.linalg.norm(cv2.perspectiveTransform(after[None], matrix)[0] - before, axis=1).mean())


def by_sift(before: Photo, after: Photo):
    """Full-size SIFT with MAGSAC++."""
    sift = cv2.SIFT_create(4000)
    (k, a), (m, b) = (sift.detectAndCompute(cv2.cvtColor(p.preview, cv2.COLOR_RGB2GRAY), None) for p in (after, before))
    good = [p for p, q in cv2.BFMatcher().knnMatch(a, b, k=2) if p.distance < 0.8 * q.distance]
    source, target = (np.float32([keys[i].pt for i in index]) for keys, index in
                      ((k, [g.queryIdx for g in good]), (m, [g.trainIdx for g in good])))
    return cv2.findHomography(source, target, cv2.USAC_MAGSAC, 2.0)[0]


def shifts_left(before: Photo, after: Photo, places) -> np.ndarray:
    """How far AFTER, seen at `places` (h, w, 2) of its own for each pixel of BEFORE, still lies off, px a window."""
    first, second = (cv2.GaussianBlur(np.log(np.maximum(p.luminance, 1e-3)), (0, 0), 1.2) for p in (before, after))
    second = cv2.remap(second, *np.moveaxis(places.astype(np.float32), -1, 0), cv2.INTER_LINEAR, borderValue=np.nan)
    hann, shifts = cv2.createHanningWindow((WINDOW, WINDOW), cv2.CV_64F), []
    for y in range(0, first.shape[0] - WINDOW, STEP):
        for x in range(0, first.shape[1] - WINDOW, STEP):
            p, q = (f[y:y + WINDOW, x:x + WINDOW].astype(np.float64) for f in (first, second))
            if np.isnan(q).any() or p.std() < LEAST_SPREAD:
                continue
            shift, peak = cv2.phaseCorrelate(p - p.mean(), q - q.mean(), hann)
            if peak > LEAST_PEAK and np.hypot(*shift) < MOST_SHIFT:
                shifts.append(np.hypot(*shift))
    return np.array(shifts)


def wall(folder: Path) -> None:
    """Compare the published homography, SIFT's and ours on the two photographs, either way."""
    storage = cv2.FileStorage(str(folder / "H1to3p.xml"), cv2.FILE_STORAGE_READ)
    published = storage.getFirstTopLevelNode().mat()
    photos = [load_photo((folder / name).read_bytes()) for name in ("graf1.png", "graf3.png")]
    print("| pair | map | windows | shift left, median, px | 90 % |\n| --- | --- | --- | --- | --- |")
    for (before, after), to_after, name in ((photos, published, "1, 3"),
                                            (photos[::-1], np.linalg.inv(published), "3, 1")):
        found = register(before, after, rectify(before, pixels_per_mm=5.0), None)
        h, w = before.luminance.shape
        grid = np.stack(np.meshgrid(np.arange(w), np.arange(h)), axis=-1).astype(np.float64)
        maps = {"published": apply_homography(to_after, grid),
                "SIFT with MAGSAC++": apply_homography(np.linalg.inv(by_sift(before, after)), grid)}
        if found.ok:
            maps["ours"] = distort(apply_homography(np.linalg.inv(found.homography_undistorted), grid),
                                   found.after_lens or lens_of_photo(after.size_px))
        for kind, places in maps.items():
            left = shifts_left(before, after, places)
            print(f"| {name} | {kind} | {left.size} | {np.median(left):.2f} | {np.percentile(left, 90):.2f} |")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=2, help="homographies an image")
    parser.add_argument("--wall", type=Path, help="folder with graf1.png, graf3.png and H1to3p.xml")
    chosen = parser.parse_args()
    if chosen.wall:
        wall(chosen.wall)
        return
    print("| image | ours, px | SIFT with MAGSAC++, px |\n| --- | --- | --- |")
    for name in IMAGES:
        ours, sift = [], []
        for seed in range(chosen.seeds):
            before, after, here, there = open_pair(name, seed)
            found = register(before, after, rectify(before, pixels_per_mm=12.0), None)
            ours.append(corner_error_px(found.homography if found.ok else None, here, there))
            sift.append(corner_error_px(by_sift(before, after), here, there))
        print(f"| {name} | " + " | ".join(", ".join(f"{e:.3f}" if np.isfinite(e) else "refused" for e in errors)
                                          for errors in (ours, sift)) + " |")


if __name__ == "__main__":
    main()
