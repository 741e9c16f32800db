"""Where a piece without a frame lies: drawn boards on benches, and pictures without a board."""
from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from analysis.ground import find_ground
from analysis.outlines import alike
from analysis.steep_lines import steep_lines

sys.path.insert(0, str(Path(__file__).parent))
import real_textures  # noqa: E402  (a module of the tests, which are no package)

SIZE = (1600, 1200)
BOARD = np.array([[330.0, 240.0], [1300.0, 215.0], [1315.0, 905.0], [310.0, 925.0]])


def coded(linear):
    """8-bit sRGB, about, of linear light (h, w) or (h, w, 3), slightly noisy."""
    rgb = np.broadcast_to(linear[..., None] if linear.ndim == 2 else linear, (*linear.shape[:2], 3))
    noise = np.random.default_rng(1).normal(0, 1.0, rgb.shape)
    return np.clip(255 * np.clip(rgb, 0, 1) ** (1 / 2.2) + noise, 0, 255).astype(np.uint8)


def on_bench(bench, board, blur=0.8):
    """A board at BOARD on a bench, both linear light; its edges are drawn to a sixteenth of a pixel."""
    cover = np.zeros((2 * SIZE[1], 2 * SIZE[0]), np.float32)
    cv2.fillConvexPoly(cover, np.round((2 * BOARD + 0.5) * 256).astype(np.int32), 1.0, cv2.LINE_AA, 8)
    cover = cv2.resize(cover, SIZE, interpolation=cv2.INTER_AREA)
    return coded(cv2.GaussianBlur(cover * board + (1 - cover) * bench, (0, 0), blur))


def streaky(seed, along, across, contrast, mean=0.3):
    """A pattern of blobs, linear light (h, w)."""
    field = cv2.GaussianBlur(np.random.default_rng(seed).normal(0, 1, SIZE[::-1]).astype(np.float32), (0, 0),
                             sigmaX=along, sigmaY=across)
    return mean * np.exp(contrast * field / field.std() - contrast ** 2 / 2)


def test_a_step_that_changes_its_sign_along_a_line_is_one_line():
    """Light and dark pieces of the bench by turns: nowhere two neighbours step the same way."""
    bench = np.where(np.arange(SIZE[0])[None, :] // 60 % 2, 0.2, 0.42) * np.ones((SIZE[1], 1))
    picture = on_bench(bench, 0.3)
    start, stop = BOARD[0] + [0, 25], BOARD[1] + [0, -18]
    line = steep_lines(picture, start, stop, 60)[0]
    assert line.rank > 0.8 and line.seen.mean() > 0.8
    assert np.linalg.norm(line.ends_px - BOARD[:2], axis=1).max() < 3.0


def test_the_steepest_line_is_found_beside_a_soft_shadow_and_bent_as_a_lens_bends_it():
    """A shadow a hundred times as wide as the edge is darker than the board; the edge is bowed by 5 px."""
    y, x = np.mgrid[:SIZE[1], :SIZE[0]].astype(np.float32)
    edge = 400 + 0.02 * x + 5 * (1 - ((x - 800) / 800) ** 2)
    light = np.where(y > edge, 0.45, 0.5 - 0.35 * np.exp(-((y - edge) / 60) ** 2))
    line = steep_lines(coded(cv2.GaussianBlur(light, (0, 0), 1.0)), np.array([50.0, 420.0]), np.array([1550.0, 380.0]),
                       60)[0]
    off = line.points_px[:, 1] - np.interp(line.points_px[:, 0], np.arange(SIZE[0]), edge[0])
    assert line.seen.mean() > 0.9 and np.abs(off[line.seen]).max() < 1.0


def test_the_photo_s_own_border_is_no_side():
    """Of the few steps between a line and the border any may be the steepest."""
    picture = coded(streaky(3, 6, 6, 0.3))
    for reach in (10, 60):
        lines = steep_lines(picture, np.array([SIZE[0] - 4.0, 200.0]), np.array([SIZE[0] - 4.0, 1000.0]), reach)
        assert not lines or lines[0].seen.mean() < 0.5


@pytest.mark.parametrize("texture", real_textures.available(), ids=lambda one: one.name)
def test_a_texture_that_fills_the_photo_has_no_straight_outline(texture):
    """Photographs of woods, stones and others from packages."""
    picture = real_textures.load(texture).astype(np.float32)
    scale = 1600 / max(picture.shape)
    picture = cv2.resize(picture / picture.max(), None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    found = find_ground(coded(picture[..., None] * np.array([0.8, 0.64, 0.5])), 1.0)
    assert found is None or found.axis_deg is None


@pytest.mark.parametrize("share", [0.3, 0.45])
def test_what_a_drawn_line_encloses_on_a_board_that_fills_the_photo_is_no_piece(share):
    """A toothed ring burnt into the board: its inside is the board, as its outside is."""
    board, turn = streaky(3, 6.0, 2.0, 0.05), np.linspace(0, 2 * np.pi, 60, endpoint=False)
    reach = share * np.array(SIZE) * (1 + 0.04 * (-1) ** np.arange(60))[:, None]
    ring = np.array(SIZE) / 2 + reach * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    line = np.zeros(SIZE[::-1], np.uint8)
    cv2.polylines(line, [np.round(ring).astype(np.int32)], True, 1, 24)
    burnt = np.where(line > 0, 0.06, board)
    assert find_ground(coded(burnt), 1.0) is None
    plate = cv2.fillPoly(np.zeros_like(line), [np.round(ring).astype(np.int32)], 1)       # a plate of that shape is one
    assert find_ground(coded(np.where(plate > 0, board, 0.06)), 1.0) is not None


def test_a_clear_board_at_the_side_is_a_piece_only_where_another_photo_bears_that_out():
    """Alone it may be an offcut beside a board that fills the photo; a round plate there is no piece at all."""
    bench = streaky(3, 6.0, 2.0, 0.02)
    corners = np.array([[60, 650], [700, 600], [730, 1130], [80, 1180]])
    board = coded(np.where(cv2.fillPoly(np.zeros(SIZE[::-1], np.uint8), [corners], 1) > 0, 0.7, 0.4 * bench))
    assert find_ground(board, 1.0) is None
    assert alike(find_ground(board, 1.0, anywhere=True).corners_px, corners, 12.0)
    plate = cv2.circle(np.zeros(SIZE[::-1], np.uint8), (380, 880), 290, 1, -1)
    assert find_ground(coded(np.where(plate > 0, 0.7, 0.4 * bench)), 1.0, anywhere=True) is None
    for texture in real_textures.available():
        picture = real_textures.load(texture).astype(np.float32)
        picture = cv2.resize(picture / picture.max(), SIZE, interpolation=cv2.INTER_CUBIC)
        found = find_ground(coded(picture[..., None] * np.array([0.8, 0.64, 0.5])), 1.0, anywhere=True)
        assert found is None or found.axis_deg is None
