"""Frame search: simulated photos with true corners, decoys, and photos that hold no frame."""
from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr
from skimage import data

from analysis.errors import PhotoError
from analysis.faint_lines import faint_lines
from analysis.frame import find_frame
from analysis.frame_candidates import GOES_ON, line_beyond, line_on_three_sides
from analysis.frame_check import _shaken
from analysis.frame_edge import _grain_goes_on
from analysis.frame_given import frame_at
from analysis.geometry import apply_homography, distort, homography_of, lens_of_photo, undistort
from analysis.line_profile import Shake, edge_sd_mm, line_model, measure_line
from analysis.quads import edge_lines, quadrilaterals
from analysis.rectify import photo_to_piece, rectify
from analysis.side_fit import SHARPENED_PX, fit_sides
from analysis.sides import EdgePoints, edge_points, moved_out, nan_median
from analysis.simulate import CameraSpec, PieceSpec, photograph
from tests.hard_frames import LINEAR, hard_case
from tests.test_rectify import photo_of

SPEC = PieceSpec(width_mm=80.0, height_mm=60.0, artwork=("frame", "text", "shapes"), margin_mm=(7.0, 7.0, 7.0, 7.0))


def luminance_of(shot):
    return LINEAR[shot.srgb] @ np.array([0.2126, 0.7152, 0.0722], np.float32)      # ITU-R BT.709


def worst_mm(found, true, px_per_mm):
    """Largest corner error, whichever way up."""
    return min(np.linalg.norm(np.roll(found, k, axis=0) - true, axis=1).max() for k in range(4)) / px_per_mm


@pytest.fixture(scope="module")
def shot():
    camera = CameraSpec(size_px=(1200, 900), px_per_mm=9.5, tilt_deg=12.0, turn_deg=-14.0, k1=0.012, clutter_seed=4)
    return photograph(SPEC, camera, 1)


@pytest.mark.parametrize("kind", ["plain", "thin", "wide", "light", "dirty", "shadow", "glare", "decoy", "double",
                                  "far", "dim", "paper"])
def test_frame_is_found_in_a_hard_photo(kind):
    """Simulated truth; 0.2 mm is a quarter of a frame's line."""
    case = hard_case(11, kind, size_px=(1200, 900))
    frame = find_frame(case.photo.luminance, case.size_mm)
    assert worst_mm(frame.corners_px, case.corners_px, case.px_per_mm) < 0.2


@pytest.mark.parametrize("kind", ["blank", "wrong size", "no board", "paper blank", "mat"])
def test_no_frame_is_refused_with_the_mend(kind):
    case = hard_case(2, kind, size_px=(1000, 750))
    with pytest.raises(PhotoError, match="corners.*pixels-per-mm"):
        find_frame(case.photo.luminance, case.size_mm)


def test_an_engraved_area_without_a_line_is_found_by_its_edge_with_a_warning():
    case = hard_case(1, "filled", size_px=(1000, 750))
    frame = find_frame(case.photo.luminance, case.size_mm)
    assert worst_mm(frame.corners_px, case.corners_px, case.px_per_mm) < 0.2
    assert any("Only the edge" in words for words in frame.warnings)


def test_a_board_of_the_stated_size_is_no_frame():
    """Nothing tells an engraved area from a bare board but the rim of board around it."""
    case = hard_case(3, "board only", size_px=(1000, 750))
    with pytest.raises(PhotoError):
        find_frame(case.photo.luminance, case.size_mm)


@pytest.mark.parametrize("name", ["checkerboard", "page", "coins", "brick", "text"])
def test_real_pictures_without_a_frame_are_refused(name):
    """scikit-image's own pictures; a chessboard is all quadrilaterals."""
    picture = getattr(data, name)()
    with pytest.raises(PhotoError):
        find_frame(LINEAR[picture.astype(np.uint8)], (80.0, 60.0))


def test_a_blank_or_tiny_picture_is_refused():
    for shape in ((60, 80), (9, 9), (400, 500)):
        with pytest.raises(PhotoError):
            find_frame(np.full(shape, 0.5, np.float32), (80.0, 60.0))


def test_lens_and_scale_come_back_from_the_frame(shot):
    """Simulated truth: k1 0.012; the scale to 0.1 %, half of what the issue allows."""
    frame = find_frame(luminance_of(shot), (80.0, 60.0))
    assert frame.k1 == pytest.approx(0.012, abs=4 * frame.k1_sd)
    lens = lens_of_photo((1200, 900), frame.k1)
    ours = homography_of(undistort(frame.corners_px, lens), (80.0, 60.0))
    scale = np.sqrt(np.linalg.det(ours) / np.linalg.det(shot.homography))
    assert scale == pytest.approx(1.0, abs=0.01)
    inside = np.array([[10.0, 10.0], [70.0, 10.0], [40.0, 30.0], [10.0, 50.0]])
    there = apply_homography(np.linalg.inv(shot.homography) @ ours, inside)
    assert np.linalg.norm(there - inside, axis=1).max() < 0.08


def test_a_turned_photo_gives_the_turned_corners(shot):
    """Property: a quarter turn of the picture turns the corners about its centre, up to half a turn of the piece."""
    luminance = luminance_of(shot)
    a = find_frame(luminance, (80.0, 60.0)).corners_px
    b = find_frame(np.ascontiguousarray(np.rot90(luminance)), (80.0, 60.0)).corners_px
    turned = np.stack([a[:, 1], 1199 - a[:, 0]], axis=1)
    assert min(np.abs(np.roll(b, k, axis=0) - turned).max() for k in (0, 2)) < 0.1


def test_a_square_frame_is_taken_nearest_upright_with_a_warning():
    spec = PieceSpec(width_mm=60.0, height_mm=60.0, artwork=("frame",))
    one = photograph(spec, CameraSpec(size_px=(900, 800), px_per_mm=9.0, turn_deg=-20.0), 2)
    frame = find_frame(luminance_of(one), (60.0, 60.0))
    assert np.linalg.norm(frame.corners_px - one.corners_px, axis=1).max() < 1.5
    assert any("square" in words for words in frame.warnings)


def test_given_corners_move_onto_the_line_beside_them(shot):
    """Corners clicked 3 px off come within a tenth of a millimetre; those 3 mm off stay where they are."""
    luminance, rng = luminance_of(shot), np.random.default_rng(5)
    frame = frame_at(luminance, shot.corners_px + rng.normal(0, 2, (4, 2)), (80.0, 60.0), 2.0)
    assert np.linalg.norm(frame.corners_px - shot.corners_px, axis=1).max() < 0.1 * 9.5
    far = shot.corners_px + np.array([[-28.0, -28], [28, -28], [28, 28], [-28, 28]])
    assert np.array_equal(frame_at(luminance, far, (80.0, 60.0), 2.0).corners_px, far)


def test_given_corners_that_fit_no_camera_are_warned_about():
    corners = np.array([[100.0, 100], [700, 100], [700, 700], [100, 700]])
    frame = frame_at(np.full((800, 900), 0.4, np.float32), corners, (80.0, 40.0), 2.0)
    assert any("do not fit" in words for words in frame.warnings)


def test_corner_uncertainty_covers_the_truth():
    """Of 8 hard photos the worst corner error, in units of what is stated with 0.05 mm engraving, stays below 4."""
    ratios = []
    for seed in range(8):
        case = hard_case(seed + 40, "plain", size_px=(900, 675))
        frame = find_frame(case.photo.luminance, case.size_mm)
        stated = np.hypot(frame.corners_sd_px / case.px_per_mm, 0.05)
        ratios.append(worst_mm(frame.corners_px, case.corners_px, case.px_per_mm) / stated)
    assert max(ratios) < 4.0 and np.median(ratios) < 2.0


@pytest.mark.parametrize(("width", "blur"), [(0.3, 0.16), (0.8, 0.1), (1.5, 0.2)])
def test_edge_of_a_blurred_line_is_placed_without_bias(width, blur):
    """Closed form: a box convolved with a Gaussian; half amplitude alone is off by 0.04 mm on the thin line."""
    u = np.arange(-2.3, 0.7, 0.02)
    profile = line_model(u, 0.05, width, blur, 1.0, 0.1, 0.6, 0.0)
    fit = measure_line(u, profile, 0.6, 0.9 / blur)
    assert fit.edge_mm == pytest.approx(0.05, abs=0.01) and fit.width_mm == pytest.approx(width, rel=0.1)


def test_four_noisy_sides_and_a_lens_give_back_corners_and_k1():
    """Simulated truth with 0.2 px noise: k1 within 4 of its stated s.d., corners within 4 of theirs."""
    rng = np.random.default_rng(8)
    lens = lens_of_photo((1600, 1200), 0.02)
    corners = np.array([[180.0, 150], [1420, 210], [1380, 1040], [230, 1010]])
    t = np.linspace(0.03, 0.97, 96)[None, :, None]
    points = distort(corners[:, None] * (1 - t) + np.roll(corners, -1, axis=0)[:, None] * t, lens)
    noisy = points + rng.normal(0, 0.2, points.shape)
    fit = fit_sides(EdgePoints(points_px=noisy, seen=np.ones((4, 96), bool), share=np.ones(4), lines=(None,) * 4,
                              outward_px=np.zeros((4, 2))), (1600, 1200))
    assert abs(fit.lens.k1 - 0.02) < 4 * fit.lens.k1_sd
    assert np.abs(fit.corners_px - distort(corners, lens)).max() < 4 * fit.corners_sd_px
    assert fit.residual_px == pytest.approx(0.2, rel=0.2)


def test_straight_sides_show_no_lens():
    rng = np.random.default_rng(9)
    corners = np.array([[180.0, 150], [1420, 210], [1380, 1040], [230, 1010]])
    t = np.linspace(0.03, 0.97, 96)[None, :, None]
    points = corners[:, None] * (1 - t) + np.roll(corners, -1, axis=0)[:, None] * t
    noisy = points + rng.normal(0, 0.2, points.shape)
    fit = fit_sides(EdgePoints(points_px=noisy, seen=np.ones((4, 96), bool), share=np.ones(4), lines=(None,) * 4,
                              outward_px=np.zeros((4, 2))), (1600, 1200))
    assert fit.lens.k1 == 0.0 and fit.lens.k1_sd > 0


def test_the_four_sides_of_a_drawn_rectangle_are_a_walk():
    """OpenCV draws it; a dark filled square has its dark side inside."""
    grey = np.full((300, 400), 200, np.uint8)
    cv2.fillPoly(grey, [np.array([[80, 60], [320, 90], [300, 240], [60, 220]])], 40)
    lines = edge_lines(cv2.GaussianBlur(grey, (0, 0), 1.0))
    corners, support = quadrilaterals(lines, (400, 300), True)
    true = np.array([[80, 60], [320, 90], [300, 240], [60, 220]])
    assert len(corners) == 1 and support.min() > 0.9
    assert min(np.abs(np.roll(corners[0], k, axis=0) - true).max() for k in range(4)) < 1.5
    assert len(quadrilaterals(lines, (400, 300), False)[0]) == 0


def test_sides_move_out_in_millimetres():
    square = np.array([[10.0, 10], [110, 10], [110, 60], [10, 60]])
    moved = moved_out(square, [1.0, 2.0, 0.0, -1.0], (20.0, 10.0))       # 5 px a mm
    assert np.allclose(moved, [[15, 5], [120, 5], [120, 60], [15, 60]])


def test_median_without_nans_agrees_with_numpy():
    values = np.random.default_rng(2).random((7, 31, 4))
    values[2:4, 5:9] = np.nan               # an odd number is left, so lower and plain median agree
    assert np.allclose(nan_median(values[:, ::2], axis=0), np.nanmedian(values[:, ::2], axis=0))
    assert np.isnan(nan_median(np.full((3, 2), np.nan), axis=0)).all()


def test_rectified_frame_lies_on_its_millimetres(shot):
    """The outer corners of the photo land on (0, 0), (80, 0), (80, 60), (0, 60)."""
    piece = rectify(photo_of(luminance_of(shot)), frame_mm=(80.0, 60.0))
    assert piece.method == "frame" and piece.scale_sd_fraction < 0.002 and piece.residual_px < 0.6
    there = photo_to_piece(piece, shot.corners_px)
    assert np.abs(there - [[0, 0], [80, 0], [80, 60], [0, 60]]).max() < 0.1
    assert piece.tilt_deg == pytest.approx(12.0, abs=3.0)


def ringed(gap_mm, line_mm=0.5, size=(80.0, 60.0), px_per_mm=10.0, ground=0.3, sharpening=1.0, line=0.12,
           k1=0.0):
    """A dark line on an even board, bare for `gap_mm` inside it, then the dark ground; turned 6 deg, area-averaged."""
    y, x = np.mgrid[:3200, :4000] / (4 * px_per_mm) - 10.0
    away = np.maximum(np.maximum(-x, x - size[0]), np.maximum(-y, y - size[1]))
    board = np.where(away < -line_mm - gap_mm, ground, np.where((away < 0) & (away > -line_mm), line, 0.6))
    small = cv2.GaussianBlur(cv2.resize(board, (1000, 800), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    turn = cv2.getRotationMatrix2D((500, 400), 6.0, 1.0)
    small = cv2.warpAffine(small, turn, (1000, 800), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    rim = (np.array([[0, 0], [size[0], 0], size, [0, size[1]]]) + 10.0) * px_per_mm - 0.5
    rim = rim @ turn[:, :2].T + turn[:, 2]
    if k1:
        lens = lens_of_photo((1000, 800), k1)
        at = undistort(np.stack(np.meshgrid(np.arange(1000.0), np.arange(800.0)), axis=-1), lens).astype(np.float32)
        small = cv2.remap(small, at, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        rim = distort(rim, lens)
    coded = small + sharpening * (small - cv2.GaussianBlur(small, (0, 0), 1.5))
    noise = 0.004 * np.random.default_rng(6).standard_normal(small.shape)
    return np.clip(coded + noise, 0.004, 1).astype(np.float32), rim


@pytest.mark.parametrize("gap_mm", [0.5, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("sharpening", [0.0, 1.0])
def test_the_line_around_a_bare_strip_is_the_frame_and_not_the_strip_or_the_ground(gap_mm, sharpening):
    """Drawn truth: the strip lies half a millimetre inside the frame, the ground's edge further in."""
    luminance, true = ringed(gap_mm, sharpening=sharpening)
    frame = find_frame(luminance, (80.0, 60.0))
    assert worst_mm(frame.corners_px, true, 10.0) < 0.1


@pytest.mark.parametrize("k1", [-0.03, 0.03])
def test_the_line_around_a_bare_strip_is_the_frame_through_a_lens_too(k1):
    """What is found first is the strip; the line beside it is bent by the lens as the strip is."""
    luminance, true = ringed(1.5, line=0.3, sharpening=0.0, k1=k1)
    assert worst_mm(find_frame(luminance, (80.0, 60.0)).corners_px, true, 10.0) < 0.1


def test_a_ground_is_told_from_a_board_by_the_grain_that_goes_on_across_its_edge():
    """One texture inside and outside the four sides against two; drawn truth."""
    rng = np.random.default_rng(12)
    grain, other = (cv2.GaussianBlur(rng.standard_normal((500, 700)).astype(np.float32), (0, 0), 2.0) for _ in range(2))
    corners = np.array([[120.0, 90], [580, 90], [580, 410], [120, 410]])
    inside = np.zeros((500, 700), bool)
    inside[90:411, 120:581] = True
    for outer, goes_on_there in ((grain, True), (other, False)):
        picture = np.where(inside, 0.2 * np.exp(grain), 0.6 * np.exp(outer)).astype(np.float32)
        assert _grain_goes_on(picture, corners, (80.0, 55.65)) is goes_on_there


@pytest.mark.parametrize("gap", [0.5, 1.4])
def test_a_line_s_profile_ends_where_the_ground_begins(gap):
    """Closed form: a second dark step inside the line neither moves its edge nor widens it."""
    u = np.arange(-2.3, 0.7, 0.02)
    profile = line_model(u, 0.03, 0.5, 0.06, 1.0, 0.2, 1.0, 0.0)
    profile = profile - 0.6 * (1 - ndtr((u + 0.5 + gap) / 0.06))
    fit = measure_line(u, profile, 0.6, 15.0)
    assert fit.edge_mm == pytest.approx(0.03, abs=0.01) and fit.width_mm == pytest.approx(0.5, rel=0.1)


@pytest.mark.parametrize("seed", [0, 3])
def test_a_frame_that_runs_out_of_the_photo_gets_its_own_sentence(seed):
    """A good photo cut through the frame, a third of it lost on the left, or a sixth at the bottom."""
    case = hard_case(seed, "plain", size_px=(1200, 900))
    low, high = case.corners_px.min(axis=0), case.corners_px.max(axis=0)
    left, bottom = int((2 * low + high)[0] / 3), int((low + 5 * high)[1] / 6)
    cut = case.photo.luminance[:, left:] if seed == 0 else case.photo.luminance[:bottom]
    with pytest.raises(PhotoError, match="run out of the photo"):
        find_frame(np.ascontiguousarray(cut), case.size_mm)


def test_a_corner_just_outside_the_photo_is_found_but_not_two_of_them():
    """Past such a corner nothing tells a frame from a ruled mat: three corners must do, two are no proof."""
    luminance, true = drawn([], 0.6)
    left, right = (int(true[k, 0]) + cut for k, cut in ((0, 4), (2, -3)))
    found = find_frame(np.ascontiguousarray(luminance[:, left:]), (80.0, 60.0))
    assert worst_mm(found.corners_px + (left, 0), true, 8.0) < 0.1
    with pytest.raises(PhotoError):
        find_frame(np.ascontiguousarray(luminance[:, left:right]), (80.0, 60.0))


def test_a_thin_frame_is_found_through_a_lens_of_four_percent():
    """The lens bends the sides by ten pixels, so that their pieces make no line."""
    spec = PieceSpec(width_mm=100.0, height_mm=60.0, artwork=("frame",), margin_mm=(7.0,) * 4, frame_width_mm=0.3)
    camera = CameraSpec(size_px=(1600, 1200), px_per_mm=12.6, tilt_deg=5.0, turn_deg=3.0, k1=-0.04, clutter_seed=1)
    shot = photograph(spec, camera, 1)
    frame = find_frame(luminance_of(shot), (100.0, 60.0))
    assert worst_mm(frame.corners_px, shot.corners_px, 12.6) < 0.1
    assert abs(frame.k1 + 0.04) < 0.001


def shaken(luminance, length_px, angle_deg):
    """Picture of a camera that moved evenly so far, clockwise from x as seen."""
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    moves = np.linspace(-length_px / 2, length_px / 2, 41)[:, None] * along
    return np.mean([cv2.warpAffine(luminance, np.array([[1, 0, x], [0, 1, y]]), luminance.shape[::-1],
                                   borderMode=cv2.BORDER_REFLECT) for x, y in moves], axis=0)


def test_a_finger_over_a_third_of_a_side_does_not_hide_the_frame():
    """What is left of the side are two pieces as long as the gap between them."""
    luminance, true = drawn([], 0.6)
    middle, end = (true[1] + true[2]) / 2, (900, 300)
    covered = cv2.line(luminance.copy(), [int(v) for v in middle - (25, 0)], end, 0.55, int(0.33 * 480))
    assert worst_mm(find_frame(covered, (80.0, 60.0)).corners_px, true, 8.0) < 0.1


def covered(luminance, corners, ends_mm, level, width_px):
    """A tool lies straight from one place of a piece of 80 x 60 mm to another."""
    ends = apply_homography(homography_of(corners, (80.0, 60.0)), np.array(ends_mm, float)).round().astype(int)
    return cv2.line(luminance.copy(), *(tuple(map(int, end)) for end in ends), level, width_px)


def test_a_tool_over_most_of_a_side_does_not_hide_the_frame_nor_let_another_size_pass():
    """Eight and ten mm of 60 are left of the side; 0.1 mm is a sixth of the line's width."""
    luminance, true = drawn([], 0.6)
    photo = covered(luminance, true, [(80, 11), (80, 47)], 0.2, 44)
    assert worst_mm(find_frame(photo, (80.0, 60.0)).corners_px, true, 8.0) < 0.1
    for size in ((72.0, 60.0), (88.0, 60.0), (80.0, 66.0)):
        with pytest.raises(PhotoError):
            find_frame(photo, size)


def test_the_edge_of_a_tool_beside_a_line_moves_no_side():
    """From one corner over 34 of 60 mm a tool's edge runs aslant within a mm of the hidden line."""
    luminance, true = drawn([], 0.6)
    tool_mm = np.array([[79.2, -3], [80.6, 34], [76, 34], [75, -3]])
    outline = apply_homography(homography_of(true, (80.0, 60.0)), tool_mm)
    photo = cv2.fillConvexPoly(luminance.copy(), outline.round().astype(np.int32), 0.15, cv2.LINE_AA)
    edges = edge_points(photo, true, (80.0, 60.0), width_mm=0.6, dark=True, lens=lens_of_photo((800, 640)))
    assert worst_mm(fit_sides(edges, (800, 640)).corners_px, true, 8.0) < 0.05


def test_blur_of_four_sides_is_one_camera_s_where_one_covariance_gives_all():
    """Closed form: across a side of normal n the variance is n' C n; a soft shadow on one side alone is no camera's."""
    bearing = np.radians([75.0, 190.0, 285.0, 355.0])        # sides of a frame seen at a tilt
    outward = 9.0 * np.stack([np.cos(bearing), np.sin(bearing)], axis=1)
    across = outward / 9.0 @ (3.0 * np.array([np.cos(np.radians(165.0)), np.sin(np.radians(165.0))]))
    blur = np.sqrt(0.9 ** 2 + across ** 2)
    assert blur[2] > 1.5 * blur[0] and _shaken(np.full(4, 0.8), blur, outward)
    assert not _shaken(np.full(4, 0.8), np.array([0.9, 0.9, 2.4, 0.9]), outward)


@pytest.mark.parametrize(("hidden_mm", "level"), [(1.0, 0.15), (2.0, 0.2), (4.0, 0.2)])
def test_a_tool_s_edge_is_no_side_of_an_engraved_area(hidden_mm, level):
    """The stated size is that of the area that the tool leaves; beyond the tool's edge lies no board."""
    case = hard_case(1, "filled", size_px=(1000, 750))
    size = case.size_mm[0] - hidden_mm, case.size_mm[1]
    ends = apply_homography(homography_of(case.corners_px, case.size_mm), np.array([[size[0] + 3, -2.0],
                                                                                    [size[0] + 3, size[1] + 2]]))
    photo = cv2.line(case.photo.luminance.copy(), *(tuple(map(int, end.round())) for end in ends), level,
                     int(round(6 * case.px_per_mm)), cv2.LINE_AA)
    with pytest.raises(PhotoError):
        find_frame(cv2.GaussianBlur(photo, (0, 0), 0.6), size)


def test_a_frame_of_another_size_than_stated_is_named_with_the_size_that_it_looks_like():
    """Drawn square on at 80 x 60 mm; the stated size is 10 mm off in one direction."""
    luminance, _ = drawn([(20, 20, 40, 20.6)], 0.6)
    with pytest.raises(PhotoError, match=r"looks like 80 x (59.[5-9]|60|60.[1-5]) mm"):
        find_frame(luminance, (80.0, 70.0))


def test_artwork_with_an_edge_alone_is_no_frame():
    """A drawn rectangle, bare inside, of the stated proportions; a tool hides that the frame has others."""
    outline = [(30, 20, 44, 21), (30, 29.5, 44, 30.5), (30, 20, 31, 30.5), (43, 20, 44, 30.5)]
    luminance, true = drawn(outline, 0.6)
    with pytest.raises(PhotoError):
        find_frame(covered(luminance, true, [(80, 8), (80, 50)], 0.2, 44), (80.0, 56.7))


def test_a_line_along_three_sides_only_is_told():
    luminance, true = drawn([], 0.6)
    photo = covered(luminance, true, [(80, -6), (80, 66)], 0.2, 44)
    assert line_on_three_sides(photo, true[None], (80.0, 60.0)).all()
    assert not line_on_three_sides(luminance, true[None], (80.0, 60.0)).any()


@pytest.mark.parametrize("length_px", [7.0, 9.5])
def test_a_camera_shaken_along_two_sides_does_not_hide_the_frame(length_px):
    """The line is 6.4 px wide; a longer shake makes it a wide faint one, but the other sides tell its width."""
    luminance, true = drawn([], 0.8)
    frame = find_frame(shaken(luminance, length_px, -5.0), (80.0, 60.0))
    assert worst_mm(frame.corners_px, true, 8.0) < 0.02


def test_outer_edge_of_a_line_narrower_than_a_shake_is_told_by_the_width_of_another_side():
    """Closed form: a line of 0.4 mm, a camera's blur of 0.05 mm, spread evenly over 1 mm."""
    u = np.arange(-2.3, 0.7, 0.025)
    spread = np.mean([line_model(u, -0.3 + at, 0.4, 0.05, 1.0, 0.25, 0.8, 0.0)
                      for at in np.linspace(-0.5, 0.5, 101)], axis=0)
    shake = Shake(width_mm=0.4, camera_mm=0.05, half_mm=0.4)
    alone, told = measure_line(u, spread, 0.9, 20.0), measure_line(u, spread, 0.9, 20.0, shake)
    assert abs(told.edge_mm + 0.3) < 0.01 and abs(told.shake_mm - 0.5) < 0.02 and abs(told.line - 0.25) < 0.05
    assert alone is None or abs(alone.edge_mm + 0.3) > 0.1


def drawn(strokes, line, grain=0.0, px_per_mm=8.0, depth=0.6):
    """Frame of 80 x 60 mm and strokes in mm, on a board with grain aslant, turned 5 deg, area-averaged."""
    rng = np.random.default_rng(4)
    streaks = cv2.GaussianBlur(rng.standard_normal((1100, 1100)), (0, 0), 25.0, sigmaY=0.8)
    streaks = cv2.warpAffine(streaks / streaks.std(), cv2.getRotationMatrix2D((550, 550), 35.0, 1.0), (1100, 1100))
    board = 0.4 * np.exp(grain * streaks[230:870, 150:950])
    mask = np.zeros((2560, 3200), np.uint8)
    sides = (0, 0, 80, line), (0, 60 - line, 80, 60), (0, 0, line, 60), (80 - line, 0, 80, 60)
    for stroke in (*strokes, *sides):
        x0, y0, x1, y1 = np.round((np.array(stroke) + 10.0) * 4 * px_per_mm).astype(int)
        cv2.rectangle(mask, (x0, y0), (x1 - 1, y1 - 1), 255, -1)
    ink = cv2.resize(mask, (800, 640), interpolation=cv2.INTER_AREA) / 255.0
    turn = cv2.getRotationMatrix2D((400, 320), 5.0, 1.0)
    picture = cv2.warpAffine(board * (1 - depth * ink), turn, (800, 640), borderMode=cv2.BORDER_REFLECT)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8) + 0.006 * rng.standard_normal(picture.shape)
    rim = (np.array([[0.0, 0], [80, 0], [80, 60], [0, 60]]) + 10.0) * px_per_mm - 0.5
    return np.clip(picture, 0.01, 1).astype(np.float32), rim @ turn[:, :2].T + turn[:, 2]


@pytest.mark.parametrize("stroke", [(72, 0, 72.6, 60), (-8, 0, -7.4, 60)], ids=["inside", "outside"])
def test_a_stroke_along_a_side_is_not_taken_for_it(stroke):
    """The frame's own line goes on past such a side, or stops before it; a size that would fit it is refused."""
    luminance, true = drawn([stroke], 0.6)
    far = 72.6 if stroke[0] > 0 else 88.0
    with pytest.raises(PhotoError):
        find_frame(luminance, (far, 60.0))
    assert worst_mm(find_frame(luminance, (80.0, 60.0)).corners_px, true, 8.0) < 0.1


def test_lettering_along_one_side_does_not_hide_a_frame():
    """Marks 0.3 mm outside the line change its mean profile on that side alone."""
    letters = [(x, -1.2, x + 0.5, -0.3) for x in np.arange(1.0, 78.0, 0.8)]
    luminance, true = drawn(letters, 0.8)
    assert worst_mm(find_frame(luminance, (80.0, 60.0)).corners_px, true, 8.0) < 0.2


def test_a_line_in_strong_grain_is_found_by_the_mean_of_strips():
    """Grain of 0.35 s.d. in log light, which breaks the line's edges into pieces too short to link."""
    luminance, true = drawn([], 0.5, grain=0.35)
    assert worst_mm(find_frame(luminance, (80.0, 60.0)).corners_px, true, 8.0) < 0.1


def test_flat_ground_beside_bright_marks_is_read_without_a_warning():
    """A black ground with bright text: sums of squares that should be 0 come out a little below it."""
    picture = np.zeros((525, 700), np.uint8)
    cv2.putText(picture, "bright", (60, 260), cv2.FONT_HERSHEY_SIMPLEX, 4.0, 255, 12)
    picture = picture / np.float32(255)
    picture[:40] = np.random.default_rng(5).random((40, 700))
    assert np.isfinite(faint_lines(picture).point).all()
    sky = cv2.resize(data.astronaut(), (700, 525), interpolation=cv2.INTER_AREA)
    assert np.isfinite(faint_lines((cv2.cvtColor(sky, cv2.COLOR_RGB2GRAY) / np.float32(255)) ** 2.2).point).all()


def test_strips_show_a_line_fainter_than_the_noise_of_a_pixel_and_none_in_noise_alone():
    """One strip a picture is expected by chance (Desolneux et al., IJCV 40, 2000): Poisson, under 6 in 999 of 1000."""
    rng = np.random.default_rng(3)
    noise = 0.5 + 0.05 * rng.standard_normal((480, 640)).astype(np.float32)
    assert len(faint_lines(noise).point) <= 2 * 5                        # each is there in both directions
    a, b = np.array([60.0, 130.0]), np.array([560.0, 330.0])
    line = np.zeros((480, 640), np.float32)
    cv2.line(line, (60, 130), (560, 330), 1.0, 2, cv2.LINE_AA)
    found = faint_lines(noise - 0.03 * line)
    across = np.array([a[1] - b[1], b[0] - a[0]]) / np.linalg.norm(b - a)
    assert np.abs((found.point[:2] - a) @ across).max() < 1.5 and found.support_px[0] > 400
    assert np.abs(found.direction[:2] @ across).max() < 0.01


def test_frame_that_is_not_found_is_told_with_what_is_wrong_with_the_photo():
    """Blur, light or too few pixels are known by then; a sharp photo gets no made-up reason."""
    even = np.random.default_rng(2).normal(0.4, 0.01, (300, 400)).astype(np.float32)
    blurred = "The photo is blurred. Tap on the piece to focus."
    told = []
    for size_mm, hindrances in (((40.0, 30.0), ()), ((40.0, 30.0), (blurred,)), ((200.0, 150.0), ())):
        with pytest.raises(PhotoError) as problem:
            find_frame(even, size_mm, hindrances=hindrances)
        told.append(str(problem.value))
    assert "hide it" not in told[0] and f"What may hide it: {blurred}" in told[1]
    assert "at most 2.0 pixels per mm" in told[2] and all("four corners" in words for words in told)


def test_a_tool_on_a_side_of_a_shaken_photo_does_not_hide_the_frame():
    """Blur differs from side to side."""
    luminance, true = drawn([], 0.8)
    frame = find_frame(shaken(covered(luminance, true, [(80, 12), (80, 50)], 0.2, 44), 7.0, -5.0), (80.0, 60.0))
    assert worst_mm(frame.corners_px, true, 8.0) < 0.05


def test_a_tool_past_a_corner_is_no_line_that_goes_on_there():
    luminance, true = drawn([], 0.6)
    photo = covered(luminance, true, [(80, 14), (80, 64)], 0.2, 44)
    past = line_beyond(photo, true[None], (80.0, 60.0), 0.6, True)[0, 0]
    assert not (past > GOES_ON).any()


def on_a_bench(luminance, corners, size_px, at_px):
    """A picture laid in a larger one, an even bench."""
    bench = np.full(size_px[::-1], 0.2) * np.exp(0.02 * np.random.default_rng(1).standard_normal(size_px[::-1]))
    (x, y), (h, w) = at_px, luminance.shape
    bench[y:y + h, x:x + w] = luminance
    return bench.astype(np.float32), corners + np.array(at_px)


def test_a_fine_line_in_strong_grain_is_found_where_a_coarse_preview_would_lose_it():
    """0.25 mm in grain of 0.35: of all passes the strips of the 1100 px preview alone show it."""
    photo, true = on_a_bench(*drawn([], 0.25, grain=0.35), (2400, 1800), (700, 500))
    assert worst_mm(find_frame(photo, (80.0, 60.0)).corners_px, true, 8.0) < 0.15


def test_a_fine_line_under_a_tool_is_found_where_a_coarse_preview_would_lose_it():
    """0.3 mm, a third of a pixel at 1100 px: of all passes that at 2200 px for a covered side alone shows it."""
    photo, true = on_a_bench(*drawn([], 0.3, grain=0.1), (3400, 2600), (1300, 900))
    frame = find_frame(covered(photo, true, [(80, 12), (80, 50)], 0.2, 44), (80.0, 60.0))
    assert worst_mm(frame.corners_px, true, 8.0) < 0.1


@pytest.mark.parametrize("streak", [(81.0, 0.0, 86.0, 0.5), (0.0, 61.3, 0.5, 64.5)])
def test_a_streak_of_the_grain_past_one_corner_does_not_hide_a_line_in_strong_grain(streak):
    luminance, true = drawn([streak], 0.5, grain=0.35)
    assert worst_mm(find_frame(luminance, (80.0, 60.0)).corners_px, true, 8.0) < 0.1


@pytest.mark.parametrize("sharpening", [0.0, 0.4, 0.8])
@pytest.mark.parametrize("blur_px", [0.8, 1.2, 2.6])
@pytest.mark.parametrize("width_mm", [0.35, 0.5, 0.8])
def test_an_edge_lies_within_what_is_stated_of_blur_and_sharpening(width_mm, blur_px, sharpening):
    """A box convolved with a Gaussian, its encoded light sharpened: at 8.5 px a mm the thin one is narrower than its
    blur. Two and a half s.d. hold 0.99 of chance."""
    u = np.arange(-4.0, 3.0, 0.01)
    light = line_model(u, 0.0, width_mm, blur_px / 8.5, 0.4, 0.08, 0.38, 0.0)
    encoded = light ** (1 / 2.2)
    halo = encoded - gaussian_filter1d(encoded, 1.4 / 8.5 / 0.01)
    v = np.arange(-2.3, 0.7, 0.02)
    profile = np.interp(v, u, (encoded + sharpening * halo) ** 2.2)
    line = measure_line(v, profile / np.median(profile[v > 0.4]), width_mm, 8.5)
    stated = np.hypot(SHARPENED_PX, edge_sd_mm(line) * 8.5)
    assert abs(line.edge_mm) * 8.5 < 2.5 * stated
    assert stated < 1.5 and (stated < 0.1 or width_mm * 8.5 < 6.0 * blur_px)


def test_corners_are_stated_no_better_than_sharpening_lets_any_edge_be_known():
    luminance, _ = drawn([], 0.8)
    assert SHARPENED_PX <= find_frame(luminance, (80.0, 60.0)).corners_sd_px < 0.2


@pytest.mark.parametrize("grain", [0.0, 0.1])
def test_a_light_line_brighter_than_all_else_is_found(grain):
    """As on a stained board; at a preview's eight bits, the top half per cent of its light is one level."""
    photo, true = on_a_bench(*drawn([], 0.5, grain=grain, depth=-0.6), (2400, 1800), (700, 500))
    assert worst_mm(find_frame(photo, (80.0, 60.0)).corners_px, true, 8.0) < 0.1


@pytest.mark.parametrize(("beyond_mm", "level", "tool_px"), [(0, 0.2, 14), (2, 0.5, 44), (2, 0.8, 44)])
def test_the_edge_of_a_tool_over_most_of_a_side_is_not_where_the_rest_of_its_line_lies(beyond_mm, level, tool_px):
    """Where the line is seen, here two fifths of it, tells its place; the middle of all positions is the tool's."""
    luminance, true = drawn([], 0.8)
    photo = covered(luminance, true, [(80 + beyond_mm, 8), (80 + beyond_mm, 42)], level, tool_px)
    span = np.array([[0.0, 1.0], [0.75, 1.0], [0.0, 1.0], [0.0, 1.0]])
    edges = edge_points(photo, true, (80.0, 60.0), width_mm=0.8, dark=True, lens=lens_of_photo(photo.shape[::-1]),
                        reach_mm=1.2, span=span)
    along = (true[2] - true[1]) / np.linalg.norm(true[2] - true[1])
    off = (edges.points_px[1][edges.seen[1]] - true[1]) @ np.array([along[1], -along[0]])
    assert 0.35 < edges.share[1] < 0.45 and np.median(np.abs(off)) < 0.05 * 8.0
