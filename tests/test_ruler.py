"""Rulers: drawn ones with known scale are read, everything else that is regular is not."""
from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from analysis.rectify import rectify
from analysis.ruler import _agreed, read_ruler
from analysis.simulate import CameraSpec, PieceSpec, StripeSpec, camera_homography, photograph
from tests.hard_frames import LINEAR
from tests.test_rectify import photo_of


def ruler_photo(px_per_mm, turn_deg, tilt_deg, tall=(7.0, 5.0, 3.2), size_px=(1600, 1200)):
    """A 160 mm ruler seen by a pinhole camera; `tall` are the ticks of every tenth, fifth and single millimetre."""
    s = 24.0
    board = np.full((int(30 * s), int(170 * s)), 0.12, np.float32)
    board[int(4 * s):int(24 * s), int(5 * s):int(165 * s)] = 0.55
    for k in range(151):
        height = tall[0] if k % 10 == 0 else tall[1] if k % 5 == 0 else tall[2]
        x = int((10 + k) * s)
        board[int(4 * s):int((4 + height) * s), x - 2:x + 2] = 0.06
    camera = CameraSpec(size_px=size_px, px_per_mm=px_per_mm, tilt_deg=tilt_deg, turn_deg=turn_deg)
    to_photo = camera_homography(PieceSpec(width_mm=160.0, height_mm=20.0), camera)
    raster = np.array([[1 / s, 0, 0.5 / s - 5], [0, 1 / s, 0.5 / s - 4], [0, 0, 1]])
    fine = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    view = cv2.warpPerspective(board, fine @ to_photo @ raster, (2 * size_px[0], 2 * size_px[1]), borderValue=0.12)
    view = cv2.GaussianBlur(cv2.resize(view, size_px, interpolation=cv2.INTER_AREA), (0, 0), 0.7)
    noise = np.random.default_rng(1).normal(0, 0.008, view.shape)
    return np.clip(view + noise, 0, 1).astype(np.float32)


@pytest.mark.parametrize(("px_per_mm", "turn", "tilt"), [(6.5, 0.0, 0.0), (9.3, -60.0, 4.0), (14.0, 8.0, 0.0)])
def test_scale_of_a_drawn_ruler_is_read(px_per_mm, turn, tilt):
    """Simulated truth; 2 % leaves room for the perspective of 4 deg of tilt."""
    ruler = read_ruler(ruler_photo(px_per_mm, turn, tilt))
    assert ruler.pixels_per_mm == pytest.approx(px_per_mm, rel=0.02 if tilt else 0.003)
    assert abs((ruler.angle_deg - turn + 90) % 180 - 90) < 1.0
    assert ruler.windows >= 2


def test_a_comb_without_long_ticks_is_no_ruler():
    assert read_ruler(ruler_photo(9.3, 0.0, 0.0, tall=(4.0, 4.0, 4.0))) is None


@pytest.mark.parametrize("name", ["checkerboard", "page", "brick", "coins", "text"])
def test_real_pictures_without_a_ruler_give_none(name):
    """scikit-image's own pictures; a chessboard and bricks are regular."""
    assert read_ruler(LINEAR[getattr(data, name)().astype(np.uint8)]) is None


def test_a_striped_board_with_equal_letters_is_no_ruler():
    spec = PieceSpec(stripes=(StripeSpec(period_mm=1.0, contrast_percent=30.0),), artwork=("frame", "comb_text"))
    shot = photograph(spec, CameraSpec(size_px=(1200, 900), px_per_mm=10.0, tilt_deg=0.0, clutter_seed=None), 3)
    assert read_ruler(LINEAR[shot.srgb[..., 1]]) is None


def test_a_ruler_is_never_used_silently():
    piece = rectify(photo_of(ruler_photo(9.3, 0.0, 0.0)))
    assert piece.scale_known and piece.method == "scale"
    assert piece.photo_px_per_mm == pytest.approx(9.3, rel=0.003) and piece.scale_sd_fraction >= 0.01
    assert any("ruler" in words and "9.30" in words for words in piece.warnings)


def test_two_windows_side_by_side_are_no_ruler_and_two_along_one_line_are():
    """Lettering on streaked wood gave 27.5 px per mm at 12.1, from one window each on two edges 12 mm apart."""
    level = (1.0, 0.0)
    assert _agreed([(26.0, 400.0, 300.0, *level), (29.0, 850.0, 640.0, *level)]) is None
    assert _agreed([(26.0, 400.0, 300.0, *level), (26.4, 850.0, 310.0, *level)]).windows == 2


def slanted_board(tilt_deg, *, covered=False):
    """A 76 x 60 mm board with a ruler beside it, or over one of its sides, 9 px per mm at the board's middle."""
    s = 20.0
    plane = np.full((int(140 * s), int(170 * s)), 0.15, np.float32)
    plane[int(60 * s):int(120 * s), int(47 * s):int(123 * s)] = 0.5
    top = 42 if covered else 28
    plane[int(top * s):int((top + 20) * s), int(8 * s):int(162 * s)] = 0.62
    for k in range(141):
        height = 7 if k % 10 == 0 else 5 if k % 5 == 0 else 3.2
        x = int((15 + k) * s)
        plane[int((top + 20 - height) * s):int((top + 20) * s), x - 2:x + 2] = 0.06
    camera = CameraSpec(size_px=(1700, 1300), px_per_mm=9.0, tilt_deg=tilt_deg, tilt_azimuth_deg=90.0)
    to_photo = camera_homography(PieceSpec(width_mm=76.0, height_mm=60.0), camera)
    raster = np.array([[1 / s, 0, 0.5 / s - 47], [0, 1 / s, 0.5 / s - 60], [0, 0, 1]])
    fine = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    view = cv2.warpPerspective(plane, fine @ to_photo @ raster, (3400, 2600), borderValue=0.15)
    view = cv2.GaussianBlur(cv2.resize(view, (1700, 1300), interpolation=cv2.INTER_AREA), (0, 0), 0.7)
    noise = np.random.default_rng(1).normal(0, 0.006, view.shape)
    ends = to_photo @ np.array([[37, 39, 38, 38], [30, 30, 29, 31], [1, 1, 1, 1.0]])
    a, b, c, d = (ends[:2] / ends[2]).T
    true = float(np.sqrt(abs(np.linalg.det(np.stack([b - a, d - c]) / 2))))
    return photo_of(np.clip(view + noise, 0, 1).astype(np.float32)), true


@pytest.mark.parametrize("tilt", [-9.0, 9.0])
def test_a_ruler_beside_a_levelled_piece_tells_the_scale_at_the_piece(tilt):
    """Simulated truth: at 9 degrees the photo's scale differs by 3 to 4 % between the two."""
    photo, true = slanted_board(tilt)
    in_photo = read_ruler(photo.luminance).pixels_per_mm
    assert abs(in_photo / true - 1) > 0.025
    piece = rectify(photo)
    assert piece.tilt_deg == pytest.approx(9.0, abs=1.0)
    assert piece.photo_px_per_mm == pytest.approx(true, rel=0.008)


def test_where_nothing_levels_the_photo_a_ruler_beside_the_piece_is_less_sure():
    """Five degrees of slant over a third of the focal length change the scale by 3 %."""
    photo, true = slanted_board(6.0, covered=True)
    piece = rectify(photo)
    assert piece.method == "scale" and piece.tilt_deg is None
    assert piece.scale_sd_fraction > 0.015
    assert abs(piece.photo_px_per_mm / true - 1) < 3 * piece.scale_sd_fraction


def test_a_given_scale_beats_the_ruler():
    piece = rectify(photo_of(ruler_photo(9.3, 0.0, 0.0)), pixels_per_mm=8.0)
    assert piece.photo_px_per_mm == pytest.approx(8.0) and not any("ruler" in words for words in piece.warnings)
