"""The lens as four sides tell it, held to photographs of a calibration grid and to OpenCV's own calibration.

`calibration_grid.json` holds places measured on real photographs, and names them.
"""
from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from analysis.geometry import apply_homography, distort, homography_of, undistort
from analysis.side_fit import fit_sides
from analysis.sides import EdgePoints

GRID = json.loads((Path(__file__).parent / "calibration_grid.json").read_text(encoding="utf-8"))
SIZE_PX = tuple(GRID["size_px"])
PHOTOS = range(len(GRID["photos"]))
SQUARES = np.stack(np.meshgrid(np.arange(9.0), np.arange(6.0)), axis=-1)       # of the grid's inner corners


def corners_of(photo: int) -> np.ndarray:
    """Inner corners of the grid, photo px, shape (6, 9, 2)."""
    return np.array(GRID["photos"][photo]["corners_px"])


def fit_of(photo: int):
    """Fit of the grid's four outermost lines, as of a frame's sides."""
    sides = GRID["photos"][photo]["sides_px"]
    points, seen = np.zeros((4, max(map(len, sides)), 2)), np.zeros((4, max(map(len, sides))), bool)
    for k, side in enumerate(sides):
        points[k, :len(side)], seen[k, :len(side)] = side, True
    return fit_sides(EdgePoints(points_px=points, seen=seen, share=np.ones(4), lines=(None,) * 4,
                                outward_px=np.zeros((4, 2))), SIZE_PX)


def opencv_lens() -> tuple[np.ndarray, np.ndarray]:
    """Camera matrix and one radial coefficient that OpenCV finds in all the photographs' corners together."""
    squares = np.concatenate([SQUARES.reshape(-1, 2), np.zeros((54, 1))], axis=1).astype(np.float32)
    corners = [corners_of(k).reshape(-1, 1, 2).astype(np.float32) for k in PHOTOS]
    flags = cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3 | cv2.CALIB_FIX_PRINCIPAL_POINT
    _, matrix, lens, _, _ = cv2.calibrateCamera([squares] * len(corners), corners, SIZE_PX, None, None,
                                                flags=flags | cv2.CALIB_FIX_ASPECT_RATIO)
    return matrix, lens


@pytest.mark.parametrize("photo", PHOTOS)
def test_a_grid_s_inner_corners_lie_where_its_four_sides_put_them(photo):
    """Real photographs through a lens that bends 18 % at the corner, ten times what phones leave."""
    fit, corners = fit_of(photo), corners_of(photo)
    told = distort(apply_homography(homography_of(undistort(fit.corners_px, fit.lens), (8.0, 5.0)), SQUARES), fit.lens)
    straight = cv2.findHomography(SQUARES.reshape(-1, 2), corners.reshape(-1, 2))[0]     # the best without a lens
    without = apply_homography(straight, SQUARES)
    ours, theirs = (float(np.sqrt(((p - corners) ** 2).sum(axis=-1).mean())) for p in (told, without))
    assert ours < 0.5 and ours < 0.45 * theirs, (ours, theirs)


@pytest.mark.parametrize("photo", PHOTOS)
def test_the_lens_of_one_photo_s_sides_is_opencv_s_of_all_corners(photo):
    """How far each model moves the places that the grid covers, about the photo's middle."""
    fit, (matrix, lens) = fit_of(photo), opencv_lens()
    corners = corners_of(photo).reshape(-1, 2)
    middle = np.asarray(fit.lens.centre_px)
    theirs = cv2.undistortPoints(corners.reshape(-1, 1, 2), matrix, lens, P=matrix).reshape(-1, 2) - matrix[:2, 2]
    radius = np.linalg.norm(corners - middle, axis=1)
    ours = np.linalg.norm(undistort(corners, fit.lens) - middle, axis=1) / radius
    theirs = np.linalg.norm(theirs, axis=1) / np.linalg.norm(corners - matrix[:2, 2], axis=1)
    far = radius > 0.3 * fit.lens.radius_px
    assert far.sum() > 10
    assert np.abs(ours[far] - theirs[far]).max() < 0.02, (ours[far], theirs[far])
    assert (ours[far] - 1).max() > 0.02            # the lens does bend


def test_the_lens_s_stated_uncertainty_holds_between_photographs():
    """One camera took them all: their coefficients differ by no more than three of their own s.d. allow."""
    fits = [fit_of(k) for k in PHOTOS]
    values, sds = (np.array(v) for v in zip(*((f.lens.k1, f.lens.k1_sd) for f in fits), strict=True))
    mean = np.average(values, weights=sds ** -2)
    assert np.all(np.abs(values - mean) < 3 * sds), (values, sds)
