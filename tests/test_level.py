"""A photo's slant from the sides of the piece, against drawn rectangles whose camera is known."""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from analysis.geometry import apply_homography, homography_of
from analysis.ground import find_ground, quadrilateral
from analysis.level import level_by
from analysis.photo import load_photo
from analysis.rectify import photo_to_piece, piece_to_photo, rectify, rectify_through
from tests.benchmarks.cases import pair_case

SIZE = (1600, 1200)
FOCAL = 0.75 * SIZE[0]


def camera_of(pitch_deg, roll_deg, turn_deg, focal=FOCAL):
    """Piece mm to photo px, 12 px per mm at the piece's middle, which lies on the camera's axis."""
    turns = [cv2.Rodrigues(np.radians(a) * np.eye(3)[k])[0]
             for k, a in ((0, pitch_deg), (1, roll_deg), (2, -turn_deg))]
    rotation = turns[0] @ turns[1] @ turns[2]
    camera = np.array([[focal, 0, (SIZE[0] - 1) / 2], [0, focal, (SIZE[1] - 1) / 2], [0, 0, 1]])
    return camera @ np.column_stack([rotation[:, 0], rotation[:, 1], [0, 0, focal / 12.0]])


def drawn(corners, inside=0.3, outside=0.6):
    """Photo of a filled quadrilateral, edges exact to a sixteenth of a pixel, blurred and noisy."""
    fine = np.full((2 * SIZE[1], 2 * SIZE[0]), outside, np.float32)
    cv2.fillConvexPoly(fine, np.round((2 * corners + 0.5) * 256).astype(np.int32), inside, cv2.LINE_AA, 8)
    photo = cv2.GaussianBlur(cv2.resize(fine, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    return photo + np.random.default_rng(3).normal(0, 0.004, photo.shape).astype(np.float32)


def photo_of(luminance):
    """Those pixels as a photo file, coded as sRGB about is."""
    coded = np.round(255 * np.clip(luminance, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    return load_photo(cv2.imencode(".png", cv2.merge([coded] * 3))[1].tobytes())


def about(corners):
    """Those corners as a coarse picture gives them: up to 4 px off."""
    return corners + np.array([[3, -2], [-4, 2], [2, 3], [-3, -3]])


def rectangle_of(matrix, w=80.0, h=60.0):
    """Corners in the photo of a rectangle about the camera's axis."""
    return apply_homography(matrix, np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2)


@pytest.mark.parametrize(("pitch", "roll", "turn"),
                         [(0.0, 0.0, 3.0), (2.0, 0.0, 0.0), (-1.5, 4.0, -8.0), (6.0, 5.0, 2.0)])
@pytest.mark.parametrize("inside", [0.3, 0.8])
def test_slant_and_axis_are_the_cameras(pitch, roll, turn, inside):
    """Edges within 0.1 px of 900 leave 0.05 degrees where a degree changes the scale by 1 %; twice that at 8 degrees.

    There the mean of the corners lies 0.1 % of scale beside the middle of the piece.
    """
    matrix = camera_of(pitch, roll, turn)
    corners = rectangle_of(matrix)
    level = level_by(photo_of(drawn(corners, inside)), about(corners))
    normal = np.cross(*(np.linalg.inv(np.array([[FOCAL, 0, (SIZE[0] - 1) / 2], [0, FOCAL, (SIZE[1] - 1) / 2],
                                                [0, 0, 1]])) @ matrix)[:, :2].T)
    assert level.tilt_deg == pytest.approx(np.degrees(np.arccos(normal[2] / np.linalg.norm(normal))), abs=0.1)
    seen = apply_homography(level.to_level, corners)
    length = np.linalg.norm(np.roll(seen, -1, axis=0) - seen, axis=1) / np.array([80.0, 60.0, 80.0, 60.0])
    assert np.ptp(length) / length.mean() < 1e-3 and length.mean() == pytest.approx(12.0, rel=3e-3)
    x, y = seen[1] - seen[0]
    assert level.axis_deg == pytest.approx(np.degrees(np.arctan2(-y, x)), abs=0.02)


@pytest.mark.parametrize(("pitch", "roll", "tilt"), [(-9.0, 13.5, 16.2), (-14.0, 21.0, 25.1), (20.0, 20.0, 28.0),
                                                      (-22.0, 26.0, None)])
def test_a_photo_slanted_by_up_to_thirty_degrees_is_levelled(pitch, roll, tilt):
    """What is meant to be square on may be off by so much; beyond it four lines are rather no rectangle."""
    corners = rectangle_of(camera_of(pitch, roll, 5.0))
    level = level_by(photo_of(drawn(corners)), about(corners))
    assert level is None if tilt is None else level.tilt_deg == pytest.approx(tilt, abs=0.2)


@pytest.mark.parametrize("longer", [0.8, 1.25])
def test_square_corners_tell_a_focal_length_that_the_photo_does_not_state(longer):
    """Towards a corner at 28 degrees a lens so far from the usual one would leave the corners 2 degrees off square."""
    corners = rectangle_of(camera_of(20.0, 20.0, 5.0, FOCAL * longer))
    level = level_by(photo_of(drawn(corners)), about(corners))
    assert level.tilt_deg == pytest.approx(28.0, abs=0.7)


def test_a_wrong_focal_length_changes_the_tilt_but_not_the_evenness_of_scale():
    """Of the change of scale the sides themselves tell; a lens of 1.3 times the length asks for 1.3 times the tilt."""
    corners = rectangle_of(camera_of(3.0, 0.0, 1.0))
    usual, long = (level_by(replace(photo_of(drawn(corners)), focal_share=focal), about(corners))
                   for focal in (0.75, 0.975))
    assert long.tilt_deg / usual.tilt_deg == pytest.approx(1.3, abs=0.02)
    for level in (usual, long):
        seen = apply_homography(level.to_level, corners)
        top, right, bottom, left = np.linalg.norm(np.roll(seen, -1, axis=0) - seen, axis=1)
        assert top / bottom == pytest.approx(1.0, abs=3e-4) and right / left == pytest.approx(1.0, abs=3e-4)


@pytest.mark.parametrize(("pitch", "roll", "turn"), [(0.0, 6.0, 2.0), (8.0, -3.0, -3.0), (-6.0, 12.0, 4.0),
                                                     (-10.0, -9.0, 0.0)])
def test_a_board_that_the_photos_edge_cuts_is_levelled_by_its_other_three_sides(pitch, roll, turn):
    """Simulated truth; corners are square to the pixel here, where 0.3 degrees are allowed for."""
    matrix = camera_of(pitch, roll, turn)
    photo = photo_of(drawn(apply_homography(matrix, np.array([[-35.0, -38], [35, -38], [35, 90], [-35, 90]]))))
    level = level_by(photo, find_ground(photo.preview, photo.preview_scale).corners_px)
    seen = apply_homography(level.to_level @ matrix, np.array([[-20.0, -20], [20, -20], [20, 20], [-20, 20]]))
    side = np.linalg.norm(np.roll(seen, -1, axis=0) - seen, axis=1)
    assert abs(side[0] / side[2] - 1) < 3 * level.fan_sd_per_px * 480
    assert abs(side[1] / side[3] - 1) < 3 * level.fan_sd_per_px * 480
    assert 0.2 < level.tilt_sd_deg < 2.0
    assert abs(level.tilt_deg - np.degrees(np.arccos(np.cos(np.radians(pitch)) * np.cos(np.radians(roll))))) < 0.5


def test_a_cut_board_whose_third_side_passes_the_photos_middle_does_not_tell_the_slant():
    matrix = camera_of(5.0, 6.0, 1.0)
    photo = photo_of(drawn(apply_homography(matrix, np.array([[-35.0, -1], [35, -1], [35, 90], [-35, 90]]))))
    corners = apply_homography(matrix, np.array([[-35.0, -1], [35, -1], [35, 60], [-35, 60]]))
    assert level_by(photo, corners) is None


def test_what_is_no_rectangle_levels_nothing():
    """An offcut with one side 3 degrees askew has no two pairs of parallel sides; a five-sided one no four."""
    corners = rectangle_of(camera_of(0.0, 0.0, 0.0))
    askew = corners + np.array([[0, 0], [0, 0], [38.0, 0], [0, 0]])
    assert level_by(photo_of(drawn(askew)), about(askew)) is None
    five = np.insert(corners, 1, corners[:2].mean(axis=0) - [0, 150.0], axis=0)
    assert quadrilateral(five, 0.95) is None
    flat = 0.5 + np.random.default_rng(5).normal(0, 0.01, SIZE[::-1]).astype(np.float32)
    assert level_by(photo_of(flat), about(corners)) is None


@pytest.mark.parametrize("case", ["a bench darker on one half and lighter on the other", "an outline 13 px off",
                                  "tools over a third of two sides", "slanted by 15 degrees"])
def test_a_board_on_an_ordinary_bench_is_levelled(case):
    """Edges as exact as before: 0.1 px of 900 are 0.05 degrees, three times that where a third of a side is hidden."""
    corners = rectangle_of(camera_of(14.5 if "slanted" in case else 3.0, 4.0, 2.0))
    photo, coarse = drawn(corners, 0.4), about(corners) * 1.0
    if "bench" in case:
        outside = photo > 0.5
        outside[:, 700:] = False
        photo[outside] -= 0.4
        photo = cv2.GaussianBlur(photo, (0, 0), 0.5)
    if "off" in case:
        coarse = corners + 3.2 * (coarse - corners)
    if "tools" in case:
        photo[:, 600:900] = cv2.blur(photo[:, 600:900], (1, 301))
        photo += np.random.default_rng(4).normal(0, 0.01, photo.shape).astype(np.float32)
    level = level_by(replace(photo_of(photo), focal_share=0.75), coarse)
    true = np.degrees(np.arccos(np.cos(np.radians(14.5 if "slanted" in case else 3.0)) * np.cos(np.radians(4.0))))
    assert level.tilt_deg == pytest.approx(true, abs=0.15)


def test_the_outline_that_was_found_is_put_back_to_the_sides():
    """`find_ground` leaves a rim out; with it put back the outline lies within a coarse pixel of the sides."""
    corners = rectangle_of(camera_of(1.0, 1.0, 4.0))
    photo = photo_of(drawn(corners))
    found = find_ground(photo.preview, 1.0)
    quad = quadrilateral(found.outline_px)
    to_mm = np.linalg.inv(homography_of(corners, (80.0, 60.0)))
    away = apply_homography(to_mm, quad)
    assert np.abs(away - np.round(away / [80.0, 60.0]) * [80.0, 60.0]).max() < 1.2
    level = level_by(photo, found.corners_px)
    assert level.tilt_deg == pytest.approx(np.sqrt(2.0), abs=0.1)


def test_a_given_scan_angle_is_the_direction_in_the_photo_at_the_middle_of_the_piece():
    """On a photo slanted by 8 degrees the levelled axis, seen back in the photo there, is the one that was given."""
    corners = rectangle_of(camera_of(6.0, 5.0, 0.0))
    photo = photo_of(drawn(corners))
    piece = rectify(photo, pixels_per_mm=12.0, scan_angle_deg=30.0)
    middle = photo_to_piece(piece, corners.mean(axis=0))
    (x0, y0), (x1, y1) = piece_to_photo(piece, middle + np.array([[-0.5, 0.0], [0.5, 0.0]]))
    assert piece.axis_from == "given" and piece.tilt_deg == pytest.approx(np.hypot(6.0, 5.0), abs=0.15)
    assert np.degrees(np.arctan2(y0 - y1, x1 - x0)) == pytest.approx(30.0, abs=0.02)


@pytest.mark.parametrize(("seed", "which"), [(9815, "before"), (9807, "before"), (9913, "after")])
def test_a_board_is_levelled_where_glare_or_clutter_ends_its_region_short_of_its_edges(seed, which):
    """Photos of the simulator: the region lies some millimetres off the edges, which are straight and are found."""
    shot = getattr(pair_case(seed, "no frame"), which)
    piece = rectify(load_photo(shot.photo), pixels_per_mm=shot.shot.camera.px_per_mm)
    assert piece.tilt_deg == pytest.approx(shot.shot.camera.tilt_deg, abs=0.3)
    assert piece.lens.k1 == pytest.approx(shot.shot.camera.k1, abs=0.0015)


def test_after_on_the_grid_of_a_photo_of_unknown_slant_has_none_either():
    """It leans with that grid: a fine stripe is out of step in both, and neither clears a machine."""
    noise = cv2.GaussianBlur(np.random.default_rng(9).normal(0, 1, SIZE[::-1]).astype(np.float32), (0, 0), 3.0)
    photo = photo_of(0.4 + 0.3 * noise)                   # no piece stands out
    piece = rectify(photo, pixels_per_mm=12.0)
    assert piece.tilt_deg is None and rectify_through(photo, piece, np.eye(3)).tilt_deg is None
