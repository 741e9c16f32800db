"""Known homographies applied to open images, ours beside OpenCV.

The protocol of published homography benchmarks: mean distance of the picture's
four corners, as found and as known (D. DeTone et al., "Deep image homography
estimation", arXiv:1606.03798 (2016); V. Balntas et al., "HPatches", CVPR 2017).
The images come with scikit-image (public domain or CC0, data/README.txt).
"""
from __future__ import annotations

import argparse

import cv2
import numpy as np
from skimage import data

from analysis.photo import Photo, load_photo
from analysis.rectify import rectify
from analysis.register import register

IMAGES = ("brick", "camera", "coins", "grass", "gravel", "moon", "page", "text")
WIDTH_PX = 1200
MOVED = 0.06               # of the size, each corner, either way


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


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=2, help="homographies an image")
    chosen = parser.parse_args()
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
