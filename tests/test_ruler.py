"""Rulers: drawn ones with known scale are read, everything else that is regular is not."""
from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from analysis.rectify import rectify
from analysis.ruler import read_ruler
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


def test_a_given_scale_beats_the_ruler():
    piece = rectify(photo_of(ruler_photo(9.3, 0.0, 0.0)), pixels_per_mm=8.0)
    assert piece.photo_px_per_mm == pytest.approx(8.0) and not any("ruler" in words for words in piece.warnings)
