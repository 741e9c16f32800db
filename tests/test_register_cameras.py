"""What both photos tell of slant and lens in an alignment without frame."""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from test_register import SIZE_PX, board, shot, some_tiles

from analysis.geometry import apply_homography, distort, lens_of_photo, undistort
from analysis.rectify import rectify
from analysis.register_cameras import cameras_of, with_lens
from analysis.register_fit import fit_map, levels_sd, map_sd
from analysis.register_ground import ground_of
from analysis.register_map import Cameras, PlaneMap, map_points
from analysis.register_outline import starts_by_outline

CORNERS = np.array([[0.0, 0], [1199, 0], [1199, 899], [0, 899]])
SMALL = np.stack(np.meshgrid(np.arange(500.0, 680, 30), np.arange(380.0, 500, 30)), -1).reshape(-1, 2)
FAN_SD, STRETCH_SD = 1e-6, 1e-3


def known(**change):
    """Cameras of two photos of one size, seen from straight above."""
    lens = lens_of_photo(SIZE_PX)
    return replace(Cameras(to_before=np.eye(3), before_lens=lens, before_k1_sd=1e-6, k1=0.0, k1_sd=1e-5,
                           k1_follows=0.0, to_level=np.eye(3), fan_sd_per_px=(FAN_SD, FAN_SD),
                           stretch_sd=STRETCH_SD), **change)


def misfits(cameras, *, fan_sd=FAN_SD, before_k1_sd=0.0, at=SMALL, trials=60):
    """Squared errors of the far corners, px, and over the stated ones, where the truth is off by its s.d."""
    rng, lens, found, ratios = np.random.default_rng(4), lens_of_photo(SIZE_PX), [], []
    for _ in range(trials):
        a, b = STRETCH_SD * rng.standard_normal(2)
        true = np.array([[1 + a, b, 3.0], [b, 1 - a, -2.0], [*(np.sqrt(2) * fan_sd * rng.standard_normal(2)), 1]])
        bent = lens_of_photo(SIZE_PX, before_k1_sd * rng.standard_normal())
        def truth(points, true=true, bent=bent):
            return apply_homography(true, undistort(points, bent))
        move = truth(at) - at + 0.1 * rng.standard_normal(at.shape)
        fit = fit_map(some_tiles(at, move), PlaneMap(homography=np.eye(3), lens=lens, cameras=cameras))
        off = np.hypot(*(map_points(fit.map, CORNERS) - truth(CORNERS)).T)
        found.append(off ** 2)
        ratios.append((off / map_sd(fit, CORNERS)) ** 2)
    return np.mean(found), np.mean(ratios)


def test_levelled_photos_hold_the_far_corners_that_small_artwork_leaves_loose():
    """Simulated truth: two views off level by the stated s.d.; the squared error over the stated one is 1 on average.

    Artwork over a seventh of the photo says nothing of its far corners where perspective is free.
    """
    held, ratio = misfits(known())
    free, _ = misfits(known(to_level=None))
    assert held < free / 10
    assert 0.5 < ratio < 1.5


@pytest.mark.parametrize("k1_sd", [0.002, 0.006])
def test_stated_misfit_holds_what_the_lens_of_before_moves(k1_sd):
    """Simulated truth: BEFORE's photo bent by a lens drawn from the stated s.d., which no fit takes out."""
    wide = np.stack(np.meshgrid(np.arange(300.0, 900, 60), np.arange(250.0, 650, 60)), -1).reshape(-1, 2)
    _, ratio = misfits(known(before_k1_sd=k1_sd), before_k1_sd=k1_sd, at=wide)
    _, without = misfits(known(), before_k1_sd=k1_sd, at=wide)
    assert 0.5 < ratio < 1.6 < without


def test_a_level_that_wide_artwork_contradicts_is_told():
    """An outline that is no rectangle asks for a slant of 3 degrees; strokes over the photo know better."""
    wide = np.stack(np.meshgrid(np.arange(60.0, 1150, 60), np.arange(60.0, 850, 60)), -1).reshape(-1, 2)
    slanted = np.array([[1, 0, 0], [0, 1, 0], [np.radians(3.0) / 900, 0, 1]])
    free = fit_map(some_tiles(wide, np.zeros_like(wide)),
                   PlaneMap(homography=np.eye(3), lens=lens_of_photo(SIZE_PX), cameras=known(to_level=None)))
    assert levels_sd(free, known()) < 2.0
    assert levels_sd(free, known(to_level=slanted)) > 10.0


def test_a_lens_that_a_small_rectangle_hardly_shows_does_not_replace_one_that_is_known():
    cameras = known(k1=0.014, k1_sd=0.002, before_lens=lens_of_photo(SIZE_PX, 0.0, 0.003))
    assert with_lens(cameras, lens_of_photo(SIZE_PX, 0.0, 0.004)) == cameras
    assert abs(with_lens(replace(cameras, k1_sd=0.008), lens_of_photo(SIZE_PX, 0.02, 0.0005)).k1 - 0.02) < 0.003


def seen(board_seed, light, **view):
    """Photo of a board with one small figure, its preview included, and its true corners."""
    photo, corners = shot(board(board_seed, "small", frame=False, light=light), board_seed, **view)
    grey = np.uint8(255 * np.clip(photo.luminance / 0.5, 0, 1) ** 0.45)
    preview = np.ascontiguousarray(np.repeat(cv2.resize(grey, (600, 450), interpolation=cv2.INTER_AREA)[..., None], 3,
                                             axis=2))
    return replace(photo, preview=preview, preview_scale=0.5, clipped=np.zeros((450, 600), bool)), corners


def test_a_small_figure_light_on_one_board_and_dark_on_the_other_is_laid_by_the_outlines():
    """Simulated truth: the start lies within 0.5 mm, though AFTER is on its side and no feature is alike."""
    before, cb = seen(1, False)
    after, ca = seen(2, True, turn_deg=93.0, px_per_mm=8.5)
    piece = rectify(before, pixels_per_mm=11.0)
    to_before = np.linalg.inv(piece.photo_to_piece) @ np.array(
        [[1 / piece.samples_per_mm, 0, piece.origin_mm[0]], [0, 1 / piece.samples_per_mm, piece.origin_mm[1]],
         [0, 0, 1]])
    start = next(starts_by_outline(piece, after, ground_of(after), to_before, 3.2 * piece.samples_per_mm))
    truth = cv2.getPerspectiveTransform(cb.astype(np.float32), ca.astype(np.float32))
    there = apply_homography(truth, distort(apply_homography(to_before, start.points), piece.lens))
    assert start.negative and start.light is False
    assert np.median(np.hypot(*(start.others - there).T)) / 8.5 < 0.5


def test_cameras_expect_the_lens_of_before_where_afters_own_sides_tell_none():
    """One phone mostly takes both photos; what its sides tell of AFTER's lens is believed more."""
    before, _ = seen(1, False)
    after, _ = seen(2, False, k1=-0.02)
    piece = rectify(before, pixels_per_mm=11.0)
    alone = cameras_of(piece, after, None, np.eye(3))
    both = cameras_of(piece, after, ground_of(after), np.eye(3))
    assert alone.to_level is None and alone.k1 == pytest.approx(piece.lens.k1, abs=1e-12) and alone.k1_follows == 1.0
    assert both.to_level is not None and both.k1 == pytest.approx(-0.02, abs=0.004) and both.k1_sd < alone.k1_sd
