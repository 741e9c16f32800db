"""What both photos tell of slant and lens in an alignment without frame."""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from test_register import SIZE_PX, board, shot, some_tiles

from analysis.geometry import apply_homography, distort, homography_between, lens_of_photo, undistort
from analysis.rectify import rectify
from analysis.register_cameras import cameras_of, with_lens, with_sides_found
from analysis.register_everywhere import starts_everywhere
from analysis.register_fit import fit_map, levels_sd, map_sd
from analysis.register_free import _to_photo
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


@pytest.mark.parametrize("lacking", ["before", "after"])
def test_the_board_that_no_photo_alone_shows_is_found_where_the_others_outline_lies_in_it(lacking):
    """Simulated truth: a first map is 2 mm off at a corner; the true one is level, within its s.d., by both sides."""
    before, cb = seen(1, False, tilt=(8e-5, -5e-5))
    after, ca = seen(2, False, tilt=(-6e-5, 1e-4), turn_deg=4.0)
    piece, ground = rectify(before, pixels_per_mm=11.0), ground_of(after)
    if lacking == "after":
        ground = None
    else:                                  # as where no piece stands out: nothing is levelled
        before = replace(before, preview=np.full_like(before.preview, 90))
        piece = rectify(before, pixels_per_mm=11.0, find_piece=False)
        before = replace(before, preview=seen(1, False, tilt=(8e-5, -5e-5))[0].preview)
    assert (piece.level_sd is None) == (lacking == "before")
    cameras = cameras_of(piece, after, ground, _to_photo(piece))
    assert cameras.to_level is None
    here = apply_homography(np.linalg.inv(_to_photo(piece)), undistort(cb, piece.lens))
    rough = homography_between(here, ca + np.array([[0, 0], [22, 0], [0, 0], [0, 0]]))
    lens = lens_of_photo(SIZE_PX)
    found = with_sides_found(cameras, before, after, piece, ground, PlaneMap(homography=rough, lens=lens))
    at = here.mean(axis=0) + np.stack(np.meshgrid([-200.0, 0, 200], [-150.0, 0, 150]), -1).reshape(-1, 2)
    truth = PlaneMap(homography=homography_between(here, ca), lens=lens, cameras=replace(found, to_level=None))
    level = levels_sd(fit_map(some_tiles(at, np.zeros_like(at)), truth), found)
    askew = levels_sd(fit_map(some_tiles(at, np.zeros_like(at)), truth), replace(found, before_level=None)
                      if lacking == "before" else replace(found, to_level=np.eye(3)))
    assert level < 3.5 < askew


def test_no_sides_are_looked_for_where_neither_photo_is_levelled():
    before, _ = seen(1, False)
    piece = replace(rectify(before, pixels_per_mm=11.0), level_sd=None)
    cameras = cameras_of(piece, before, None, _to_photo(piece))
    plane = PlaneMap(homography=_to_photo(piece), lens=lens_of_photo(SIZE_PX))
    assert with_sides_found(cameras, before, before, piece, None, plane) is None


def levelled_pair(first_art, second_art, dark):
    """Two boards of coarse pattern, AFTER smaller, slanted and on its side: what is known of them, and the truth."""
    photos, other = [], {"turn_deg": 92.0, "tilt": (1e-4, 6e-5), "px_per_mm": 7.5}
    for seed, art, view in ((1, first_art, {}), (2, second_art, other)):
        made = board(seed, art, frame=False, fibres=(0.25, 3), dark=dark)
        photo, corners = shot(made, seed, **view)
        grey = np.uint8(255 * np.clip(photo.luminance / 0.8, 0, 1) ** 0.45)
        preview = np.ascontiguousarray(np.repeat(grey[..., None], 3, axis=2))
        photos.append((replace(photo, preview=preview, preview_scale=1.0, clipped=np.zeros(grey.shape, bool)), corners))
    (before, cb), (after, ca) = photos
    piece, ground = rectify(before, pixels_per_mm=11.0), ground_of(after)
    cameras = cameras_of(piece, after, ground, _to_photo(piece))
    here = apply_homography(np.linalg.inv(_to_photo(piece)), undistort(cb, piece.lens))
    return piece, after, ground, cameras, homography_between(here, ca)


def test_faint_artwork_is_found_everywhere_by_all_of_it_where_both_photos_are_levelled():
    """Simulated truth: half as deep again as the boards' own pattern."""
    piece, after, ground, cameras, truth = levelled_pair(1, 1, 0.24)
    start = next(starts_everywhere(piece, after, ground, cameras, 3.2 * piece.samples_per_mm))
    at = start.points
    off = np.hypot(*(apply_homography(start.homography, at) - apply_homography(truth, at)).T) / 7.5
    assert np.median(off) < 1.5 and not start.negative and len(at) >= 8


def test_two_levelled_boards_without_common_artwork_give_no_start():
    piece, after, ground, cameras, _ = levelled_pair(1, None, 0.24)
    assert not list(starts_everywhere(piece, after, ground, cameras, 3.2 * piece.samples_per_mm))
    assert not list(starts_everywhere(piece, after, ground, replace(cameras, to_level=None), 60.0))
