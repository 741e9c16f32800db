"""Photos without a frame: the piece in the photo, the scan axis from its rows or edges, and what is said of them."""
from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from analysis import Settings, inspect
from analysis.geometry import apply_homography
from analysis.ground import find_ground
from analysis.photo import load_photo
from analysis.piece_unframed import unframed_piece
from analysis.rectify import piece_to_photo, rectify
from analysis.scan_rows import find_scan_rows
from analysis.simulate import CameraSpec, PieceSpec, StripeSpec, encode, photograph

SPEC = PieceSpec(width_mm=60.0, height_mm=45.0, artwork=("text", "shapes"), margin_mm=(7.0, 7.0, 7.0, 7.0),
                 raw_reflectance=0.5, ground_reflectance=0.2)


def shot_of(turn, px_per_mm=12.0, rows=0.0, interval=0.15, bench="mat", clutter=3, ground=0.2):
    spec = PieceSpec(width_mm=60.0, height_mm=45.0, artwork=("text", "shapes"), margin_mm=(7.0,) * 4,
                     raw_reflectance=0.5, ground_reflectance=ground, row_interval_mm=interval,
                     row_contrast_percent=rows)
    camera = CameraSpec(size_px=(1600, 1200), px_per_mm=px_per_mm, tilt_deg=1.0, turn_deg=turn, clutter_seed=clutter,
                        bench=bench)
    return photograph(spec, camera, 1)


def share(inner, outer, size_px):
    """Share of one convex outline that lies inside another."""
    masks = []
    for outline in (inner, outer):
        mask = np.zeros(size_px[::-1], np.uint8)
        cv2.fillConvexPoly(mask, np.round(outline).astype(np.int32), 1)
        masks.append(mask > 0)
    return (masks[0] & masks[1]).sum() / masks[0].sum()


@pytest.mark.parametrize(("turn", "bench"), [(0.0, "mat"), (14.0, "wood"), (-35.0, "dark"), (5.0, "bright")])
def test_the_engraved_ground_is_found_on_any_bench(turn, bench):
    """Simulated truth: what is taken is engraved ground, and most of it."""
    shot = shot_of(turn, bench=bench)
    ground = find_ground(shot.srgb, 1.0)
    assert share(ground.outline_px, shot.corners_px, (1600, 1200)) > 0.97
    assert share(shot.corners_px, ground.outline_px, (1600, 1200)) > 0.7


def test_ground_is_found_by_its_straight_sides_where_shadow_and_colour_mislead():
    """A shadow's edge across a ground hardly darker than its board, on a bench of the ground's own lightness."""
    rng = np.random.default_rng(4)
    level = np.full((900, 1200), 0.36)
    level[120:780, 150:1050] = 0.50                        # board
    level[230:670, 270:930] = 0.38                         # ground
    level[300:420, 500:700] = 0.15                         # a filled letter
    level *= 1 + 0.06 * rng.standard_normal(level.shape)
    level[:, 640:] *= 0.7                                  # shadow
    light = cv2.GaussianBlur(level.astype(np.float32), (0, 0), 1.0)
    grey = np.clip(255 * light ** (1 / 2.2), 0, 255).astype(np.uint8)
    ground = find_ground(cv2.merge([grey] * 3), 1.0)
    truth = np.array([[270, 230], [930, 230], [930, 670], [270, 670]], float)
    assert share(ground.outline_px, truth, (1200, 900)) > 0.99
    assert share(truth, ground.outline_px, (1200, 900)) > 0.8
    assert ground.axis_deg == pytest.approx(0.0, abs=0.1)


def test_the_bare_board_is_found_where_the_ground_looks_like_it():
    shot = shot_of(8.0, ground=0.49, clutter=None)
    board = apply_homography(shot.homography, np.array([[-7.0, -7], [67, -7], [67, 52], [-7, 52]]))
    ground = find_ground(shot.srgb, 1.0)
    assert share(ground.outline_px, board, (1600, 1200)) > 0.97
    assert share(board, ground.outline_px, (1600, 1200)) > 0.7


@pytest.mark.parametrize("name", ["brick", "gravel", "grass"])
def test_a_photo_full_of_one_texture_holds_no_piece(name):
    """scikit-image's textures: the whole photo is one ground."""
    picture = cv2.cvtColor(getattr(data, name)(), cv2.COLOR_GRAY2RGB)
    assert find_ground(picture, 1.0) is None


def test_what_was_taken_is_judged_and_said():
    """A mat's ruled lines lie outside `valid`; a given scale holds; the words name the part."""
    shot = shot_of(0.0)
    photo = load_photo(encode(shot, format="PNG"))
    piece = rectify(photo, pixels_per_mm=12.0)
    inside = np.argwhere(piece.valid)[::997, ::-1] / piece.samples_per_mm + piece.origin_mm
    there = apply_homography(np.linalg.inv(shot.homography), piece_to_photo(piece, inside))
    assert there.min() > -0.5 and np.all(there < [60.5, 45.5])
    assert piece.scale_known and piece.photo_px_per_mm == pytest.approx(12.0)
    assert any("stands out was taken as the piece" in words and "(--region)" in words for words in piece.warnings)
    whole = rectify(photo, pixels_per_mm=12.0, find_piece=False)
    assert whole.valid.sum() == pytest.approx(1600 * 1200, rel=0.01) and whole.ground_px is None
    assert not any("stands out was taken" in words for words in whole.warnings)


@pytest.mark.parametrize(("turn", "interval", "px_per_mm"),
                         [(7.3, 0.15, 22.0), (80.0, 0.1, 30.0), (-85.0, 0.127, 22.0)])
def test_scan_axis_and_row_interval_come_from_the_engraved_rows(turn, interval, px_per_mm):
    """Simulated truth: four stated s.d., and the interval to 0.5 %, what a tilt of 1 degree may do."""
    shot = shot_of(turn, px_per_mm, rows=15.0, interval=interval)
    photo = load_photo(encode(shot))
    outline = np.array([[100.0, 100], [1500, 100], [1500, 1100], [100, 1100]])
    rows = find_scan_rows(photo.luminance, outline, px_per_mm)
    assert abs((rows.axis_deg - turn + 90) % 180 - 90) < 4 * rows.axis_sd_deg
    assert rows.interval_mm == pytest.approx(interval, rel=0.005)
    piece = unframed_piece(photo, px_per_mm, 0.0, None, True)
    assert piece.axis_from == "rows" and any("engraved rows" in words for words in piece.warnings)


@pytest.mark.parametrize(("turn", "interval", "px_per_mm"), [(-31.0, 0.1, 20.0), (3.0, 0.1, 14.0), (10.0, 0.1, 12.0)])
def test_rows_finer_than_the_pixels_are_not_believed(turn, interval, px_per_mm):
    """Sampling theorem: they fold to another direction, here 8 to 20 degrees off."""
    shot = shot_of(turn, px_per_mm, rows=20.0, interval=interval)
    outline = np.array([[100.0, 100], [1500, 100], [1500, 1100], [100, 1100]])
    assert find_scan_rows(load_photo(encode(shot)).luminance, outline, px_per_mm) is None


@pytest.mark.parametrize("name", ["brick", "gravel", "grass", "camera", "page"])
def test_real_pictures_hold_no_scan_rows(name):
    """scikit-image's own pictures, coded as JPEG: neither texture nor compression blocks are rows."""
    picture = cv2.imdecode(cv2.imencode(".jpg", getattr(data, name)())[1], cv2.IMREAD_GRAYSCALE)
    picture = np.tile(picture, (3, 3))[:1200, :1200].astype(np.float32) / 255
    h, w = picture.shape
    assert find_scan_rows(picture, np.array([[0.0, 0], [w, 0], [w, h], [0, h]]), 15.0) is None


def test_without_rows_straight_edges_give_the_axis_and_the_words_say_so():
    photo = load_photo(encode(shot_of(-6.0)))
    piece = rectify(photo, pixels_per_mm=12.0)
    assert piece.axis_from == "edges" and any("assumed to run along the straight edges" in w for w in piece.warnings)
    axis = np.degrees(np.arctan2(piece.photo_to_piece[1, 0], piece.photo_to_piece[0, 0]))
    assert axis == pytest.approx(-6.0, abs=3 * piece.axis_sd_deg)
    given = rectify(photo, pixels_per_mm=12.0, scan_angle_deg=4.0)
    assert given.axis_from == "given" and any("taken as given, 4 degrees" in words for words in given.warnings)


@pytest.mark.parametrize(("given_deg", "axis_deg"), [(90.0, 84.0), (270.0, 264.0), (180.0, 174.0)])
def test_a_scan_angle_given_in_quarters_is_refined_by_the_edges_near_it(given_deg, axis_deg):
    """A person who gives 90 says that the photo lies on its side, not that it was held to half a degree."""
    piece = rectify(load_photo(encode(shot_of(-6.0))), pixels_per_mm=12.0, scan_angle_deg=given_deg)
    assert piece.axis_from == "edges" and any(f"nearest to the {given_deg:g} given" in w for w in piece.warnings)
    axis = np.degrees(np.arctan2(piece.photo_to_piece[1, 0], piece.photo_to_piece[0, 0]))
    assert (axis - axis_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=3 * piece.axis_sd_deg)


def test_unframed_photo_whose_slant_nothing_tells_clears_no_machine():
    """A stripe of 4 % fanned out by 6 degrees of slant, on a ground that fills the photo: missed, but not excluded."""
    rng = np.random.default_rng(5)
    v, u = np.mgrid[0:1200, 0:1600].astype(float) - np.array([600.0, 800.0])[:, None, None]
    x = u * (1.0 + v * np.tan(np.radians(6.0)) / 1200.0)
    light = 0.3 * (1 + 0.03 * rng.standard_normal(x.shape) + 0.02 * np.cos(2 * np.pi * x / 20.0))
    data_png = cv2.imencode(".png", np.clip(255 * light ** (1 / 2.2), 0, 255).astype(np.uint8))[1].tobytes()
    settings = Settings(pixels_per_mm=12.0, scan_angle_deg=0.01)
    got = inspect(data_png, settings).photo.decision
    assert got.verdict == "undecided" and "slanted" in got.sentence and got.blind


def test_a_piece_that_may_lie_on_its_side_is_not_cleared_where_even_lines_run_the_other_way():
    """Its sides alone give the axis: turned by a quarter, a stripe of 5 % runs along what is taken for it."""
    spec = PieceSpec(width_mm=60.0, height_mm=45.0, artwork=("text",), margin_mm=(7.0,) * 4, raw_reflectance=0.5,
                     ground_reflectance=0.2, stripes=(StripeSpec(period_mm=2.0, contrast_percent=5.0),))
    camera = CameraSpec(size_px=(1600, 1200), px_per_mm=12.0, tilt_deg=1.0, turn_deg=90.0, clutter_seed=3, bench="mat")
    found = inspect(encode(photograph(spec, camera, 1)), Settings(pixels_per_mm=12.0)).photo
    assert found.piece.axis_from == "edges"
    assert found.decision.verdict == "undecided" and "along which of them the scan ran" in found.decision.sentence
