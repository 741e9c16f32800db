"""Corner marks: OpenCV's own drawing of the tags is the reference; they carry direction."""
from __future__ import annotations

import cv2
import numpy as np
import pytest

from analysis.geometry import apply_homography, distort, lens_of_photo
from analysis.marks import FAMILY, MarkLayout, find_marks, fit_marks, mark_corners_mm
from analysis.rectify import rectify
from analysis.simulate import CameraSpec, PieceSpec, camera_homography
from tests.test_rectify import photo_of

SIZE = (80.0, 60.0)
PLAIN = MarkLayout()


def marked_photo(turn_deg, *, hidden=(), layout=PLAIN, size_px=(1300, 1000), line=True, seed=1):
    """A board with tags drawn by OpenCV and a frame line, through a known homography."""
    scale = 24.0
    board = np.full((int(72 * scale), int(92 * scale)), 0.5, np.float32)
    if line:
        a, b = int(6 * scale), int(0.8 * scale)
        board[a:a + int(60 * scale), a:a + int(80 * scale)] = 0.06
        board[a + b:a + int(60 * scale) - b, a + b:a + int(80 * scale) - b] = 0.5
    dictionary = cv2.aruco.getPredefinedDictionary(FAMILY)
    for number, corners in mark_corners_mm(SIZE, layout).items():
        if number in hidden:
            continue
        side = int(round(layout.side_mm * scale))
        tag = cv2.aruco.generateImageMarker(dictionary, number, side, borderBits=1)
        x, y = (int(round((v + 6.0) * scale)) for v in corners[0])
        board[y:y + side, x:x + side] = np.where(tag > 127, 0.5, 0.06)
    camera = CameraSpec(size_px=size_px, px_per_mm=9.0, tilt_deg=14.0, turn_deg=turn_deg)
    to_photo = camera_homography(PieceSpec(width_mm=SIZE[0], height_mm=SIZE[1]), camera)
    raster = np.array([[1 / scale, 0, 0.5 / scale - 6], [0, 1 / scale, 0.5 / scale - 6], [0, 0, 1]])
    fine = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    view = cv2.warpPerspective(board, fine @ to_photo @ raster, (2 * size_px[0], 2 * size_px[1]), borderValue=0.1)
    view = cv2.GaussianBlur(cv2.resize(view, size_px, interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    view += np.random.default_rng(seed).normal(0, 0.006, view.shape).astype(np.float32)
    rim = np.array([[0, 0], [80, 0], [80, 60], [0, 60]], float)
    return photo_of(np.clip(view, 0, 1)), apply_homography(to_photo, rim)


@pytest.mark.parametrize("turn", [0.0, 65.0, 180.0, -110.0])
def test_marks_tell_which_way_up_the_piece_lies(turn):
    photo, true = marked_photo(turn)
    piece = rectify(photo, frame_mm=SIZE)
    assert piece.method == "marks"
    assert np.linalg.norm(piece.corners_px - true, axis=1).max() < 0.1 * 9.0


def test_marks_alone_place_the_corners_within_a_tenth_of_a_millimetre():
    photo, true = marked_photo(20.0, line=False)
    fit = fit_marks(find_marks(photo.luminance), SIZE)
    assert fit.numbers == (0, 1, 2, 3)
    assert np.linalg.norm(fit.corners_px - true, axis=1).max() < 0.1 * 9.0
    assert fit.corners_sd_px < 1.0


def test_two_marks_on_a_diagonal_are_enough():
    photo, true = marked_photo(180.0, hidden=(1, 3))
    piece = rectify(photo, frame_mm=SIZE)
    assert piece.method == "marks" and np.linalg.norm(piece.corners_px - true, axis=1).max() < 0.15 * 9.0


def test_one_mark_alone_is_left_to_the_frame():
    photo, _ = marked_photo(0.0, hidden=(1, 2, 3))
    assert len(find_marks(photo.luminance)) == 1
    assert fit_marks(find_marks(photo.luminance), SIZE) is None
    assert rectify(photo, frame_mm=SIZE).method == "frame"


def test_marks_of_another_plan_are_not_believed():
    photo, _ = marked_photo(0.0, layout=MarkLayout(inset_mm=5.0))
    assert fit_marks(find_marks(photo.luminance), (80.0, 45.0)) is None


def test_no_marks_in_noise():
    noise = np.random.default_rng(3).random((700, 900)).astype(np.float32)
    assert find_marks(noise) == {}


@pytest.mark.parametrize(("k1", "burn_mm"), [(0.0, 0.15), (0.012, 0.0), (-0.015, 0.1)])
def test_marks_tell_the_lens_from_the_burn_that_widens_them(k1, burn_mm):
    """Closed form: corners pushed outward by the burn, seen in a known view through a known lens, 0.05 px of noise."""
    size, photo = (120.0, 90.0), (4000, 3000)
    lens = lens_of_photo(photo, k1)
    view = np.array([[26.0, 2.0, 400.0], [-1.5, 25.0, 350.0], [0.0006, 0.0009, 1.0]])
    rng = np.random.default_rng(3)
    outward = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    marks = {n: distort(apply_homography(view, mm + burn_mm * outward), lens) + 0.05 * rng.standard_normal((4, 2))
             for n, mm in mark_corners_mm(size).items()}
    fit = fit_marks(marks, size, size_px=photo)
    truth = distort(apply_homography(view, [[0, 0], [120, 0], [120, 90], [0, 90]]), lens)
    assert abs(fit.k1 - k1) < 4 * fit.k1_sd < 0.02
    assert np.abs(fit.corners_px - truth).max() < 4 * fit.corners_sd_px < 2.0


def test_marks_show_that_the_size_was_given_the_wrong_way_round():
    photo, _ = marked_photo(20.0)
    piece = rectify(photo, frame_mm=SIZE[::-1])
    assert piece.method == "marks" and piece.frame_mm == SIZE
    assert any("wrong way round" in words for words in piece.warnings)
