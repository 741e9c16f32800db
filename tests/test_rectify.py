"""Photo to millimetre grid: geometry against OpenCV and scikit-image, amplitude against closed forms."""
from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data, transform

from analysis.errors import PhotoError
from analysis.geometry import (
    Lens,
    apply_homography,
    distort,
    homography_of,
    lens_of_photo,
    plane_tilt_deg,
    shape_misfit,
    undistort,
)
from analysis.photo import Photo, load_photo
from analysis.piece_framed import ROWS_ACROSS
from analysis.rectify import photo_to_piece, piece_to_photo, rectify, rectify_through
from analysis.simulate import CameraSpec, PieceSpec, camera_homography, encode, photograph


def photo_of(luminance, name="test"):
    luminance = np.ascontiguousarray(luminance, np.float32)
    h, w = luminance.shape
    grey = np.clip(luminance * 255, 0, 255).astype(np.uint8)
    return Photo(name=name, luminance=luminance, preview=np.repeat(grey[..., None], 3, axis=2), preview_scale=1.0,
                 size_px=(w, h), clipped=np.zeros((h, w), bool), block_px=0, bits=8)


def corners_of(to_photo, size):
    w, h = size
    return tuple(map(tuple, apply_homography(to_photo, np.array([[0, 0], [w, 0], [w, h], [0, h]], float))))


def cosine_photo(to_photo, size_px, period_mm, contrast=0.2):
    """Reflectance 0.5 (1 + contrast cos(2 pi x / period)) seen through a homography: point samples, closed form."""
    y, x = np.mgrid[:size_px[1], :size_px[0]].astype(float)
    mm = apply_homography(np.linalg.inv(to_photo), np.stack([x, y], axis=-1))
    return 0.5 * (1 + contrast * np.cos(2 * np.pi * mm[..., 0] / period_mm))


@pytest.mark.parametrize("samples_per_mm", [12.0, 10.0, 7.0, 5.0, 3.1])
def test_amplitude_at_four_samples_a_period_is_kept_within_two_percent(samples_per_mm):
    """Closed form: the photo holds 12 px/mm, so the grid shrinks it 1 to 3.9 times."""
    spec = PieceSpec(width_mm=60.0, height_mm=40.0)
    camera = CameraSpec(size_px=(900, 640), px_per_mm=12.0, tilt_deg=6.0, turn_deg=11.0)
    to_photo = camera_homography(spec, camera)
    period = 4.0 / samples_per_mm
    piece = rectify(photo_of(cosine_photo(to_photo, (900, 640), period)), frame_mm=(60.0, 40.0),
                    corners_px=corners_of(to_photo, (60.0, 40.0)), samples_per_mm=samples_per_mm)
    x = piece.origin_mm[0] + np.arange(piece.reflectance.shape[1]) / piece.samples_per_mm
    rows = slice(piece.reflectance.shape[0] // 3, 2 * piece.reflectance.shape[0] // 3)
    keep = (x > 10) & (x < 50)
    profile = piece.reflectance[rows][:, keep].mean(axis=0) - 0.5
    wave = np.exp(-2j * np.pi * x[keep] / period) * np.hanning(keep.sum())
    amplitude = 2 * abs(np.sum(profile * wave)) / np.hanning(keep.sum()).sum()
    assert amplitude == pytest.approx(0.1, rel=0.02)


def test_detail_finer_than_the_grid_is_taken_out_before_shrinking():
    """A wave at 0.8 of the grid's sampling rate folds to 0.2 of it if it is not filtered (sampling theorem)."""
    x = np.arange(900)
    photo = photo_of(np.tile(0.5 + 0.1 * np.cos(2 * np.pi * x * 0.8 / 2.0), (600, 1)))
    piece = rectify(photo, pixels_per_mm=10.0, samples_per_mm=5.0)
    inner = piece.reflectance[20:-20, 20:-20]
    assert inner.std() * np.sqrt(2) < 0.05 * 0.1


def test_homography_agrees_with_opencv():
    corners = np.array([[103.0, 51.0], [811.0, 97.0], [770.0, 590.0], [60.0, 480.0]])
    ours = homography_of(corners, (80.0, 60.0))
    square = np.array([[0, 0], [80, 0], [80, 60], [0, 60]], np.float32)
    assert np.allclose(ours, cv2.getPerspectiveTransform(square, corners.astype(np.float32)), atol=1e-4)


def test_lens_agrees_with_opencv_and_inverts():
    """OpenCV's radial polynomial with f = R maps our photo pixels to undistorted ones (its k1 the other way round)."""
    lens = Lens(k1=0.05, centre_px=(499.5, 374.5), radius_px=625.0)
    points = np.random.default_rng(1).uniform(0, 750, (50, 2))
    matrix = np.array([[625.0, 0, 499.5], [0, 625.0, 374.5], [0, 0, 1]])
    rays = np.column_stack([(points - 499.5 + [0, 125.0]) / 625.0, np.ones(50)])
    theirs, _ = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), matrix, np.array([0.05, 0, 0, 0]))
    assert np.allclose(undistort(points, lens), theirs.reshape(-1, 2), atol=1e-9)
    assert np.allclose(distort(undistort(points, lens), lens), points, atol=1e-8)


@pytest.mark.parametrize("tilt", [0.0, 8.0, 17.0, 25.0])
def test_shape_and_tilt_of_a_known_camera(tilt):
    """Simulated truth: a pinhole camera 0.75 photo lengths of focal length."""
    spec = PieceSpec(width_mm=80.0, height_mm=60.0)
    camera = CameraSpec(size_px=(2000, 1500), px_per_mm=16.0, tilt_deg=tilt, tilt_azimuth_deg=63.0, turn_deg=31.0,
                        focal_fraction=0.75)
    to_photo = camera_homography(spec, camera)
    corners = np.array(corners_of(to_photo, (80.0, 60.0)))
    right, _ = shape_misfit(corners[None], (80.0, 60.0), (2000, 1500))
    wrong, _ = shape_misfit(corners[None], (80.0, 52.0), (2000, 1500))
    assert right[0] < 0.012 < wrong[0]
    assert plane_tilt_deg(to_photo, (2000, 1500), (40.0, 30.0)) == pytest.approx(tilt, abs=2.5)


def test_a_real_picture_comes_back_through_a_known_homography():
    """scikit-image's bricks, warped by scikit-image, rectified from the true corners."""
    brick = data.brick().astype(np.float32) / 255
    brick = cv2.GaussianBlur(brick, (0, 0), 1.5)
    corners = np.array([[150.0, 110.0], [730.0, 160.0], [760.0, 700.0], [90.0, 640.0]])
    to_photo = homography_of(corners, (511.0, 511.0))
    view = transform.warp(brick, np.linalg.inv(to_photo), output_shape=(800, 850), order=3)
    piece = rectify(photo_of(view), frame_mm=(511.0, 511.0), corners_px=tuple(map(tuple, corners)), samples_per_mm=1.0)
    ox, oy = (round(-v) for v in piece.origin_mm)
    sub = np.array(piece.origin_mm) + [ox, oy]
    theirs = cv2.warpAffine(brick, np.float32([[1, 0, -sub[0]], [0, 1, -sub[1]]]), (512, 512))
    ours = piece.reflectance[oy:oy + 512, ox:ox + 512]
    inner = (slice(20, 490), slice(20, 490))
    assert np.sqrt(np.mean((ours[inner] - theirs[inner]) ** 2)) < 0.006


def test_grid_points_lie_where_the_maps_say():
    camera = CameraSpec(size_px=(900, 640), px_per_mm=9.0, tilt_deg=15.0, turn_deg=-70.0)
    spec = PieceSpec(width_mm=50.0, height_mm=40.0)
    to_photo = camera_homography(spec, camera)
    ramp = np.mgrid[:640, :900][1] / 1000.0
    piece = rectify(photo_of(ramp), frame_mm=(50.0, 40.0), corners_px=corners_of(to_photo, (50.0, 40.0)))
    points = np.array([[10.0, 8.0], [33.0, 30.0], [25.0, 20.0]])
    px = piece_to_photo(piece, points)
    assert np.allclose(px, apply_homography(to_photo, points), atol=1e-6)
    assert np.allclose(photo_to_piece(piece, px), points, atol=1e-9)
    column, row = np.round((points - piece.origin_mm) * piece.samples_per_mm).astype(int).T
    there = piece.origin_mm + np.stack([column, row], axis=1) / piece.samples_per_mm
    assert np.allclose(piece.reflectance[row, column], piece_to_photo(piece, there)[:, 0] / 1000.0, atol=1e-4)
    assert piece.valid[row, column].all() and not piece.valid[0, 0]


def test_a_scale_alone_keeps_the_photo_and_says_so():
    luminance = np.random.default_rng(3).random((300, 401)).astype(np.float32)
    piece = rectify(photo_of(luminance), pixels_per_mm=10.0)
    assert np.allclose(piece.reflectance, luminance, atol=1e-6)
    assert piece.origin_mm == pytest.approx((-20.0, -14.95)) and piece.scale_known and piece.method == "scale"
    assert "square on" in piece.warnings[0] and "1.5 %" in piece.warnings[0]       # 1 - cos 10 deg


def test_no_scale_at_all_counts_in_photo_pixels():
    piece = rectify(photo_of(np.full((300, 400), 0.5)))
    assert not piece.scale_known and piece.samples_per_mm == 1.0 and piece.method == "pixels"
    assert any("No scale" in w for w in piece.warnings)


@pytest.mark.parametrize(("angle", "turns"), [(90.0, -1), (-90.0, 1), (180.0, 2)])
def test_scan_angle_is_anticlockwise_as_seen(angle, turns):
    """The scan axis at 90 deg points up in the photo, so the grid is the photo turned clockwise (NumPy's rot90)."""
    luminance = np.random.default_rng(4).random((211, 341)).astype(np.float32)
    piece = rectify(photo_of(luminance), pixels_per_mm=10.0, scan_angle_deg=angle)
    assert np.allclose(piece.reflectance, np.rot90(luminance, turns), atol=1e-4)


def test_a_large_photo_stays_within_three_megapixels():
    piece = rectify(photo_of(np.full((3000, 4000), 0.5, np.float32)), pixels_per_mm=40.0)
    assert 2.5e6 < piece.reflectance.size < 3.1e6


def test_after_lands_on_before_s_grid():
    """A photo shifted by whole pixels, with the matching homography, gives the same piece."""
    rng = np.random.default_rng(5)
    picture = cv2.GaussianBlur(rng.random((500, 700)).astype(np.float32), (0, 0), 2)
    before = rectify(photo_of(picture), frame_mm=(60.0, 40.0),
                     corners_px=((50, 40), (650, 40), (650, 440), (50, 440)))
    after = photo_of(np.roll(picture, (7, -11), axis=(0, 1)))
    moved = np.array([[1.0, 0, 11], [0, 1, -7], [0, 0, 1]])
    piece = rectify_through(after, before, moved)
    assert piece.method == "registration" and piece.reflectance.shape == before.reflectance.shape
    both = piece.valid & before.valid
    assert both.mean() > 0.8
    assert np.abs(piece.reflectance - before.reflectance)[both].max() < 1e-4
    assert np.allclose(piece.corners_px, before.corners_px + [-11, 7], atol=1e-6)


def test_given_corners_without_a_size_count_in_pixels():
    picture = photo_of(np.full((500, 700), 0.4))
    corners = ((50, 40), (650, 40), (650, 440), (50, 440))
    piece = rectify(picture, corners_px=corners)
    assert not piece.scale_known and piece.photo_px_per_mm == pytest.approx(1.0) and piece.frame_mm is None
    scaled = rectify(picture, corners_px=corners, pixels_per_mm=10.0)
    assert scaled.scale_known and scaled.photo_px_per_mm == pytest.approx(10.0)


def test_uncertain_corners_flow_into_scale_and_axis():
    """2 px on a 600 px side is 0.33 %; the engraving's 0.05 mm adds 0.08 % in squares."""
    piece = rectify(photo_of(np.full((500, 700), 0.4)), frame_mm=(60.0, 40.0),
                    corners_px=((50, 40), (650, 40), (650, 440), (50, 440)))
    assert piece.scale_sd_fraction == pytest.approx(np.hypot(2 / 600, 0.05 / 60), rel=0.2)
    assert piece.axis_sd_deg == pytest.approx(np.degrees(np.hypot(2 / 600, 0.05 / 60)), rel=0.05)


@pytest.mark.parametrize(("corners", "words"), [
    (((50, 40), (50, 440), (650, 440), (650, 40)), "wrong way round"),
    (((50, 40), (650, 440), (650, 40), (50, 440)), "do not make a frame"),
    (((50, 40), (60, 40), (60, 50), (50, 50)), "pixels apart"),
    (((5000, 40), (6500, 40), (6500, 440), (5000, 440)), "far outside"),
    (((50, 40), (650, 40), (650, float("nan")), (50, 440)), "Four corners"),
])
def test_impossible_corners_get_a_sentence(corners, words):
    with pytest.raises(PhotoError, match=words):
        rectify(photo_of(np.full((500, 700), 0.4)), frame_mm=(60.0, 40.0), corners_px=corners)


@pytest.mark.parametrize("options", [{"frame_mm": (0.0, 60.0)}, {"frame_mm": (80.0, float("nan"))},
                                     {"pixels_per_mm": 0.0}, {"pixels_per_mm": float("inf")}])
def test_sizes_must_be_sizes(options):
    with pytest.raises(PhotoError):
        rectify(photo_of(np.full((200, 300), 0.4)), **options)


def test_lens_of_a_photo_is_centred_and_half_a_diagonal_wide():
    lens = lens_of_photo((400, 300))
    assert lens.centre_px == (199.5, 149.5) and lens.radius_px == 250.0


def test_corners_show_that_the_size_was_given_the_wrong_way_round():
    """Simulated truth: at 6 deg of tilt no camera makes 80 x 60 mm look like 60 x 80 mm."""
    camera = CameraSpec(size_px=(900, 700), px_per_mm=8.0, tilt_deg=6.0, turn_deg=12.0)
    to_photo = camera_homography(PieceSpec(width_mm=80.0, height_mm=60.0), camera)
    piece = rectify(photo_of(np.full((700, 900), 0.4)), frame_mm=(60.0, 80.0),
                    corners_px=corners_of(to_photo, (80.0, 60.0)))
    assert piece.frame_mm == (80.0, 60.0) and any("wrong way round" in words for words in piece.warnings)
    assert piece.photo_px_per_mm == pytest.approx(8.0, rel=0.01)


@pytest.mark.parametrize(("size", "turn"), [((60.0, 45.0), 7.0), ((45.0, 60.0), 7.0), ((60.0, 45.0), 82.0)])
def test_engraved_rows_show_which_side_lies_along_the_scan_axis(size, turn):
    """Simulated truth: rows of 0.15 mm along the side of 60 mm; asked where the stated first side stands upright."""
    spec = PieceSpec(width_mm=60.0, height_mm=45.0, artwork=("frame", "text"), raw_reflectance=0.5,
                     ground_reflectance=0.2, row_interval_mm=0.15, row_contrast_percent=15.0)
    camera = CameraSpec(size_px=(1600, 1500), px_per_mm=22.0, tilt_deg=1.0, turn_deg=turn)
    piece = rectify(load_photo(encode(photograph(spec, camera, 1))), frame_mm=size)
    assert piece.frame_mm == (60.0, 45.0)
    assert any("wrong way round" in words for words in piece.warnings) == (size == (45.0, 60.0))


@pytest.mark.parametrize(("size", "turn"), [((45.0, 60.0), 82.0), ((60.0, 45.0), 7.0)])
def test_rows_across_the_stated_axis_of_an_upright_frame_are_warned_about(size, turn):
    """Simulated truth: rows along the side of 60 mm; on its side and stated as 45 x 60 mm the frame looks upright."""
    spec = PieceSpec(width_mm=60.0, height_mm=45.0, artwork=("frame", "text"), raw_reflectance=0.5,
                     ground_reflectance=0.2, row_interval_mm=0.15, row_contrast_percent=15.0)
    camera = CameraSpec(size_px=(1600, 1500), px_per_mm=22.0, tilt_deg=1.0, turn_deg=turn)
    piece = rectify(load_photo(encode(photograph(spec, camera, 1))), frame_mm=size)
    across = size == (45.0, 60.0)
    assert piece.frame_mm == size and (ROWS_ACROSS in piece.warnings) == across
    assert piece.axis_from == ("assumed" if across else "frame")


@pytest.mark.parametrize("stated", [60.0, 61.5, 57.0])
def test_proportions_unlike_the_stated_ones_widen_the_scale(stated):
    """Closed form: half of the proportions' error is left in the scale; four s.d. hold it."""
    camera = CameraSpec(size_px=(900, 700), px_per_mm=8.0, tilt_deg=20.0, turn_deg=12.0)
    to_photo = camera_homography(PieceSpec(width_mm=80.0, height_mm=60.0), camera)
    piece = rectify(photo_of(np.full((700, 900), 0.4)), frame_mm=(80.0, stated),
                    corners_px=corners_of(to_photo, (80.0, 60.0)))
    assert abs(np.log(stated / 60.0)) / 2 < 4 * piece.scale_sd_fraction
