"""The simulator's truth holds: contrast, phase, corners, noise, spectra, ring widths, real materials."""
from __future__ import annotations

import json
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pytest
import real_textures
from PIL import Image
from scipy import signal
from skimage.feature import structure_tensor

from analysis.judge import FLOOR_PERCENT
from analysis.marks import find_marks, mark_corners_mm
from analysis.simulate import (
    CASE_KINDS,
    CameraSpec,
    GrainSpec,
    PieceSpec,
    StripeSpec,
    camera_homography,
    coloured_noise,
    distort,
    encode,
    grain_field,
    photograph,
    random_case,
    render_piece,
    ring_widths,
    stripe_modulation,
    texture_case,
    to_srgb8,
    undistort,
)
from analysis.simulate.piece import board_without_stripes

BELT = StripeSpec(period_mm=2.032, contrast_percent=5.0, angle_deg=0.4, phase_rad=0.7)
PLAIN = PieceSpec(grains=(), artwork=(), ground_reflectance=0.3, smoke=0.0, depth_ramp=0.0)
# Some shot noise dithers the 8-bit codes: a 5 % stripe is only four codes high.
STILL = CameraSpec(size_px=(1500, 1125), px_per_mm=14.0, blur_px=0.0, full_well_electrons=3000.0, vignetting=0.0,
                   light_gradient=0.0, clutter_seed=None)


def linear(srgb):
    """Luminance in linear light by the defining equations of IEC 61966-2-1."""
    coded = srgb.astype(np.float64) / 255
    light = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    return light @ np.array([0.2126, 0.7152, 0.0722])


def piece_points(shot):
    """Piece mm at each photo pixel, by the shot's stated truth alone."""
    h, w = shot.srgb.shape[:2]
    y, x = np.mgrid[:h, :w]
    flat = undistort(np.column_stack([x.ravel(), y.ravel()]), shot.camera)
    points = cv2.perspectiveTransform(flat.reshape(-1, 1, 2), np.linalg.inv(shot.homography))
    return points.reshape(h, w, 2).transpose(2, 0, 1)


def projected(value, x, y, stripe):
    """Complex amplitude of cos(2 pi f.r + phase) by least squares, second harmonic fitted too."""
    a = np.deg2rad(stripe.angle_deg)
    turn = 2 * np.pi * (x * np.cos(a) - y * np.sin(a)) / stripe.period_mm
    turn = turn.ravel()
    waves = [np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)]
    design = np.column_stack([np.ones(turn.size), *waves])
    mean, real, imaginary = np.linalg.lstsq(design, value.ravel(), rcond=None)[0][:3]
    return (real - 1j * imaginary) / mean


def test_rendered_stripe_has_its_contrast_and_phase():
    """Closed form: peak to peak over the mean is twice the amplitude of the fundamental."""
    board = render_piece(replace(PLAIN, stripes=(BELT,)), 10.0)
    left, top = PLAIN.margin_mm[:2]
    x = -left + (np.arange(board.shape[1]) + 0.5) / 10
    y = -top + (np.arange(board.shape[0]) + 0.5) / 10
    xx, yy = np.meshgrid(x, y)
    inside = (xx > 2) & (xx < 78) & (yy > 2) & (yy < 58)
    z = projected(board[inside], xx[inside], yy[inside], BELT)
    assert 200 * abs(z) == pytest.approx(5.0, rel=2e-3)
    assert np.angle(z) == pytest.approx(0.7, abs=2e-3)


@pytest.mark.parametrize("view", [{"tilt_deg": 0.0}, {"tilt_deg": 20.0, "turn_deg": 30.0, "k1": 0.02}])
def test_photographed_stripe_keeps_contrast_and_phase_where_the_truth_says(view):
    """8-bit sRGB of a 5 % stripe at 28 px a period; the pixel's box leaves sinc(1/28) = 0.998 of it."""
    shot = photograph(replace(PLAIN, stripes=(BELT,)), replace(STILL, **view))
    x, y = piece_points(shot)
    inside = (x > 3) & (x < 77) & (y > 3) & (y < 57)
    z = projected(linear(shot.srgb)[inside], x[inside], y[inside], BELT)
    assert 200 * abs(z) == pytest.approx(5.0, rel=0.01)
    assert np.angle(z) == pytest.approx(0.7, abs=0.01)


def test_fine_stripe_loses_what_a_gaussian_lens_and_a_square_pixel_take():
    """Closed forms: MTF of a Gaussian is exp(-2 pi^2 s^2 f^2), of a square pixel sinc(f), f in cycles/px."""
    fine = StripeSpec(period_mm=0.5, contrast_percent=8.0, harmonics=())
    shot = photograph(replace(PLAIN, stripes=(fine,)), replace(STILL, tilt_deg=0.0, blur_px=0.9))
    x, y = piece_points(shot)
    inside = (x > 3) & (x < 77) & (y > 3) & (y < 57)
    got = 200 * abs(projected(linear(shot.srgb)[inside], x[inside], y[inside], fine))
    f = 1 / (0.5 * 14)
    assert got == pytest.approx(8.0 * np.exp(-2 * (np.pi * 0.9 * f) ** 2) * np.sinc(f), rel=0.02)


def test_drift_changes_the_local_period_by_the_stated_percentage():
    """Local frequency from the analytic signal (scipy.signal.hilbert) at both ends."""
    drifting = StripeSpec(period_mm=2.0, contrast_percent=5.0, drift_percent_per_100mm=4.0, harmonics=())
    x = np.arange(0, 100, 0.05, dtype=np.float32)
    wave = stripe_modulation(drifting, x, np.float32(0), (50.0, 0.0))
    local = np.gradient(np.unwrap(np.angle(signal.hilbert(wave))), 0.05) / (2 * np.pi)
    early, late = 1 / local[(x > 20) & (x < 30)].mean(), 1 / local[(x > 70) & (x < 80)].mean()
    assert 100 * (late / early - 1) == pytest.approx(2.0, abs=0.1)     # 50 mm apart


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_frame_corners_are_where_the_truth_says(seed):
    """Corners from lines fitted to the frame's outer edge, found as the steepest step along normals."""
    rng = np.random.default_rng(seed)
    piece = PieceSpec(artwork=("frame",), grains=(), ground_reflectance=0.5, raw_reflectance=0.5, smoke=0.0,
                      ragged_mm=0.0, scorch=0.0)
    camera = CameraSpec(size_px=(1400, 1050), px_per_mm=10.0, tilt_deg=float(rng.uniform(5, 25)),
                        turn_deg=float(rng.uniform(-40, 40)),
                        tilt_azimuth_deg=float(rng.uniform(0, 360)), k1=0.0, blur_px=1.0, clutter_seed=None)
    shot = photograph(piece, camera, seed)
    light = linear(shot.srgb)
    sides = []
    for k in range(4):
        a, b = shot.corners_px[k], shot.corners_px[(k + 1) % 4]
        along = (b - a) / np.hypot(*(b - a))
        inward = np.array([-along[1], along[0]])
        found = []
        for t in np.linspace(0.1, 0.9, 60):
            offset = np.arange(-7, 7, 0.1)
            points = a + t * (b - a) + offset[:, None] * inward
            profile = cv2.remap(light.astype(np.float32), points[:, 0].astype(np.float32).reshape(-1, 1),
                                points[:, 1].astype(np.float32).reshape(-1, 1), cv2.INTER_CUBIC).ravel()
            outside, dark = profile[:25].mean(), profile.min()
            first = np.flatnonzero(profile < (outside + dark) / 2)[0]
            found.append(a + t * (b - a) + offset[first] * inward)
        found = np.array(found)
        centre = found.mean(0)
        sides.append((centre, np.linalg.svd(found - centre)[2][0]))       # total least squares
    for k in range(4):
        (p, u), (q, v) = sides[k - 1], sides[k]
        s = np.linalg.solve(np.column_stack([u, -v]), q - p)
        assert np.hypot(*(p + s[0] * u - shot.corners_px[k])) < 0.25


def test_lens_distortion_and_its_inverse_agree():
    """Property: undistort(distort(p)) = p."""
    camera = CameraSpec(k1=0.05)
    points = np.random.default_rng(3).uniform([0, 0], [2000, 1500], (200, 2))
    assert np.abs(undistort(distort(points, camera), camera) - points).max() < 1e-6


def test_scale_and_turn_of_the_camera_at_the_centre():
    """Central differences of the homography: px per mm as stated, an anticlockwise turn lifts +x."""
    piece, camera = PieceSpec(), CameraSpec(px_per_mm=15.0, tilt_deg=0.0, turn_deg=25.0)
    points = np.array([[[40.0, 30.0]], [[41.0, 30.0]]])
    a, b = cv2.perspectiveTransform(points, camera_homography(piece, camera)).reshape(-1, 2)
    assert np.hypot(*(b - a)) == pytest.approx(15.0, rel=1e-9)
    assert np.degrees(np.arctan2(-(b - a)[1], (b - a)[0])) == pytest.approx(25.0, abs=1e-9)


def test_noise_has_the_variance_of_its_electrons():
    """Poisson statistics: variance of the linear value is value / full well + (read / full well)^2."""
    camera = replace(STILL, full_well_electrons=2000.0, read_electrons=10.0, tilt_deg=0.0, exposure=1.0)
    flat = replace(PLAIN, ground_reflectance=0.5, raw_reflectance=0.5)
    a, b = (photograph(flat, camera, seed).srgb[450:750, 500:900] for seed in (1, 2))
    coded = [v.astype(np.float64) / 255 for v in (a, b)]
    green = [((v[..., 1] + 0.055) / 1.055) ** 2.4 for v in coded]
    mean = (green[0] + green[1]).mean() / 2
    expected = mean / 2000 + (10 / 2000) ** 2
    # 8-bit coding adds (slope / 255)^2 / 12 of rounding noise: small against the shot noise here.
    slope = 2.4 / 1.055 * ((mean ** (1 / 2.4) * 1.055) / 1.055) ** 1.4
    expected += (slope / 255) ** 2 / 12
    assert (green[0] - green[1]).var() / 2 == pytest.approx(expected, rel=0.03)     # 1.2e5 samples: 0.4 %


def test_srgb_coding_meets_the_standard():
    """IEC 61966-2-1: linear 0.215861 is code 128, 0.502886 is 188, 0.0031308 is 0.04045 of full scale."""
    codes = to_srgb8(np.float32([[0.215861, 0.502886, 0.0031308, 0.0, 1.0, 2.0]]))
    assert codes.ravel().tolist() == [128, 188, 10, 0, 255, 255]


@pytest.mark.parametrize("slope", [0.8, 1.5])
def test_fibre_noise_falls_with_the_stated_slope(slope):
    """Two-dimensional density ~ k^-(slope + 1): a log-log line through the periodogram across the grain."""
    s = 10.0
    power = 0
    for seed in range(8):
        field = coloured_noise((512, 512), s, np.random.default_rng(seed), slope=slope, longest_mm=30.0)
        power = power + np.abs(np.fft.rfft2(field)) ** 2
    k = np.hypot(np.fft.fftfreq(512, 1 / s)[:, None], np.fft.rfftfreq(512, 1 / s)[None, :])
    use = (k > 0.2) & (k < 3)
    fitted = np.polyfit(np.log(k[use]), np.log(power[use]), 1)[0]
    assert -fitted == pytest.approx(slope + 1, abs=0.05)


def test_fibres_lie_along_the_stated_angle():
    """Structure tensor of the field (scikit-image): the gradient stands square to the lines."""
    for angle in (0.0, 30.0, -60.0, 88.0):
        field = coloured_noise((400, 400), 8.0, np.random.default_rng(2), slope=1.0, longest_mm=2.0,
                               elongation=12.0, angle_deg=angle)
        smooth = cv2.GaussianBlur(field, (0, 0), 1.5)
        rr, rc, cc = (t.mean() for t in structure_tensor(smooth, sigma=3, order="rc"))
        normal = 0.5 * np.degrees(np.arctan2(2 * rc, cc - rr))        # of the gradient, rows downward
        lines = -normal + 90                                          # upward is anticlockwise
        assert (lines - angle + 90) % 180 - 90 == pytest.approx(0, abs=3)


@pytest.mark.parametrize("variation", [0.1, 0.2, 0.3])
def test_ring_widths_have_mean_variation_and_autocorrelation(variation):
    """Log-normal AR(1): coefficient of variation and lag-1 correlation of the logarithm as stated."""
    widths = ring_widths(2.0, variation, 40000.0, np.random.default_rng(4), 0.5)
    log = np.log(widths)
    n = len(widths)
    # s.d. of the mean under AR(1) with 0.5 grows by sqrt(1.5 / 0.5); five of them.
    assert widths.mean() == pytest.approx(2.0, abs=5 * 2.0 * variation * np.sqrt(3 / n))
    assert widths.std() / widths.mean() == pytest.approx(variation, rel=0.05)
    assert np.corrcoef(log[1:], log[:-1])[0, 1] == pytest.approx(0.5, abs=5 * np.sqrt(0.75 / n))


def test_ring_spacing_measured_in_the_picture_matches_the_process():
    """Edges counted by scipy.signal.find_peaks on the derivative across straight rings."""
    grain = GrainSpec(kind="rings", angle_deg=90.0, spacing_mm=2.0, spacing_variation=0.25, waviness_mm=0.0,
                      autoregression=0.0, sharpness_mm=0.05, unevenness=0.0)
    gaps = []
    for seed in range(12):
        line = grain_field(grain, (8, 4000), 20.0, np.random.default_rng(seed))[4]
        edges = signal.find_peaks(np.diff(line), prominence=0.25 * np.diff(line).max())[0]
        gaps.append(np.diff(edges) / 20)
    gaps = np.concatenate(gaps)
    assert gaps.mean() == pytest.approx(2.0, rel=0.05)
    assert gaps.std() / gaps.mean() == pytest.approx(0.25, abs=0.04)


@pytest.mark.parametrize("kind", ["plain", "rings", "crossed", "pores"])
def test_grain_has_the_stated_contrast(kind):
    """Definition: 2 sqrt 2 rms of log reflectance is the peak to peak of a cosine of the same power."""
    field = grain_field(GrainSpec(kind=kind, contrast_percent=8.0), (300, 400), 8.0, np.random.default_rng(5))
    assert 200 * np.sqrt(2) * field.std() == pytest.approx(8.0, rel=1e-3)
    assert abs(field.mean()) < 1e-5


def test_crossed_grain_runs_both_ways_where_plain_grain_runs_one_way():
    """Share of the gradient's energy along the fibres, by plain differences."""
    shares = []
    for kind in ("plain", "crossed"):
        field = grain_field(GrainSpec(kind=kind, elongation=15.0, count=0), (400, 400), 8.0,
                            np.random.default_rng(6))
        along, across = np.diff(field, axis=1).var(), np.diff(field, axis=0).var()
        shares.append(along / (along + across))
    assert shares[0] < 0.12 and shares[1] > 2 * shares[0]


def test_same_seed_same_photo_and_other_noise_seed_same_board():
    """Determinism; the board belongs to its own seed, not to the photo's."""
    a, b = random_case(5, "mixed", (800, 600)), random_case(5, "mixed", (800, 600))
    assert np.array_equal(a.srgb, b.srgb)
    other = photograph(a.piece, a.camera, 99)
    assert not np.array_equal(a.srgb, other.srgb)
    assert np.corrcoef(a.srgb[..., 1].ravel(), other.srgb[..., 1].ravel())[0, 1] > 0.97


def test_two_boards_share_artwork_and_not_grain():
    """Property: the same artwork seed on another board leaves strokes in place and grain unrelated."""
    one = PieceSpec(board_seed=1, smoke=0.0, depth_ramp=0.0)
    a, b = (render_piece(replace(one, board_seed=seed), 8.0) for seed in (1, 2))
    strokes = (a < 0.09) & (b < 0.09)
    assert strokes.sum() > 0.8 * (a < 0.09).sum()
    rows, columns = slice(300, 380), slice(500, 640)                  # plain ground
    assert abs(np.corrcoef(a[rows, columns].ravel(), b[rows, columns].ravel())[0, 1]) < 0.35


@pytest.mark.parametrize("kind", CASE_KINDS)
def test_cases_keep_the_frame_in_the_photo_and_state_their_stripes(kind):
    """Only "stripe" and "mixed" carry one; all corners lie in the picture."""
    for seed in range(3):
        shot = random_case(seed, kind, (640, 480))
        assert (len(shot.piece.stripes) > 0) == (kind in ("stripe", "mixed"))
        assert (shot.corners_px > 0).all() and (shot.corners_px < np.array([640, 480])).all()
        case = texture_case(seed, kind)
        assert (len(case.stripes) > 0) == (kind in ("stripe", "mixed"))
        assert case.reflectance.dtype == np.float32 and np.isfinite(case.reflectance).all()


def test_texture_case_carries_its_stripe():
    """Projection on the stated stripe without grain: contrast to 1 %, phase to 0.01 rad."""
    case = texture_case(3, "stripe", stripes=(BELT,), grains=(), noise_sd=0.01)
    y, x = np.mgrid[:case.reflectance.shape[0], :case.reflectance.shape[1]] / case.samples_per_mm
    z = projected(case.reflectance.astype(float), x, y, BELT)
    assert 200 * abs(z) == pytest.approx(5.0, rel=0.01)
    assert np.angle(z) == pytest.approx(0.7, abs=0.01)


def test_unknown_kinds_are_refused_by_name():
    """Bad input."""
    with pytest.raises(ValueError, match="marble"):
        grain_field(GrainSpec(kind="marble"), (10, 10), 8.0, np.random.default_rng(0))
    with pytest.raises(ValueError, match="sand"):
        texture_case(0, "sand")


@pytest.mark.parametrize("format", ["JPEG", "PNG"])
def test_encoded_shot_decodes_to_its_size(format):
    """Pillow reads back what `encode` wrote; PNG to the digit."""
    shot = random_case(1, "grain", (640, 480))
    back = np.asarray(Image.open(BytesIO(encode(shot, format))))
    assert back.shape == (480, 640, 3)
    if format == "PNG":
        assert np.array_equal(back, shot.srgb)


def test_demo_photos_match_their_truth_file():
    """The frame is darker than its surroundings at the four corners that truth.json states."""
    folder = Path(__file__).parents[1] / "demo_images"
    truth = json.loads((folder / "truth.json").read_text())
    assert len(truth["pairs"]) >= 2
    for pair in truth["pairs"].values():
        for side in ("before", "after"):
            data = (folder / pair[side]["file"]).read_bytes()
            assert len(data) < 1.2e6
            light = linear(np.asarray(Image.open(BytesIO(data))))
            corners = np.array(pair[side]["corners_px"])
            centre = corners.mean(0)
            for corner in corners:
                inward = (centre - corner) / np.hypot(*(centre - corner))
                inside, outside = corner + 8.0 * inward, corner - 12.0 * inward     # the line is 0.8 mm wide
                a, b = (light[round(p[1]), round(p[0])] for p in (inside, outside))
                assert a < 0.4 * b


def test_real_patches_are_finite_repeatable_and_free_of_listed_periodic_pictures():
    """Real photographs from installed packages; scikit-image's are always there."""
    names = [t.name for t in real_textures.available()]
    assert {"grass", "gravel", "moon"} <= set(names) and "brick" not in names
    first = list(real_textures.real_patches(3, 6))
    again = list(real_textures.real_patches(3, 6))
    for (name, patch, s), (other, same, _) in zip(first, again, strict=True):
        assert name == other and np.array_equal(patch, same)
        assert np.isfinite(patch).all() and (patch > 0).all() and 6 <= s <= 10
        assert patch.shape[1] / s >= 0.59 * 70


def test_blocks_in_which_a_real_texture_was_coded_leave_no_line_that_would_be_called():
    """ISO/IEC 10918-1 codes 8 x 8 blocks; their edges repeat in a profile of the logarithm at 8 pixels and fractions.

    They must lie below the floor under which no line is called, or below what stands around them anyway.
    """
    for texture in real_textures.available():
        level = np.log(np.maximum(real_textures.load(texture), 0.02))
        for profile in (level.mean(axis=0), level.mean(axis=1)):
            at = np.linspace(-1.0, 1.0, profile.size)
            rest = profile - np.polynomial.Polynomial.fit(at, profile, 4)(at)
            window = np.hanning(profile.size)

            def contrast(cycles, rest=rest, window=window):
                turns = np.exp(-2j * np.pi * cycles * np.arange(rest.size) / rest.size)
                return 400 * abs(np.sum(window * rest * turns)) / window.sum()
            for order in (1, 2, 3):
                blocks = order * profile.size / 8
                beside = np.mean([contrast(blocks + k) ** 2 for k in (*range(-14, -3), *range(4, 15))])
                assert contrast(blocks) < max(FLOOR_PERCENT, 4.0 * np.sqrt(beside)), (texture.name, order)


def test_stripe_laid_on_a_real_texture_is_exactly_its_modulation():
    """Ratio of the textures with and without is the closed form."""
    _, patch, s = next(real_textures.real_patches(4, 1))
    ratio = real_textures.engrave_on(patch, s, (BELT,)) / patch
    y, x = np.mgrid[:patch.shape[0], :patch.shape[1]] / s
    z = projected(ratio.astype(float), x, y, BELT)
    assert 200 * abs(z) == pytest.approx(5.0, rel=2e-3)
    assert np.angle(z) == pytest.approx(0.7, abs=2e-3)


def test_bayer_sensor_keeps_colour_and_quiets_nothing_but_the_finest_detail():
    """Mean colours agree with the full-colour photo; noise between neighbours becomes correlated."""
    piece, camera = replace(PLAIN, ground_reflectance=0.4), replace(STILL, full_well_electrons=1000.0)
    full, mosaic = (photograph(piece, replace(camera, bayer=b), 1).srgb[450:750, 500:900].astype(float)
                    for b in (False, True))
    assert np.abs(full.mean((0, 1)) - mosaic.mean((0, 1))).max() < 0.3      # codes

    def neighbours(channel):
        return np.corrcoef(channel[:, 1:].ravel(), channel[:, :-1].ravel())[0, 1]

    assert abs(neighbours(full[..., 0])) < 0.05 and neighbours(mosaic[..., 0]) > 0.4


def test_board_of_a_real_material_shows_that_material():
    """Log reflectance of the ground follows the given texture one to one, mirrored where it ends."""
    texture = np.exp(0.2 * coloured_noise((200, 980), 10.0, np.random.default_rng(1), slope=1.2, longest_mm=5.0))
    board = board_without_stripes(replace(PLAIN, margin_mm=(9.0, 8.0, 9.0, 8.0)), 10.0, texture)
    assert board.shape == (760, 980)
    ground = np.log(board[100:200, 100:880] / 0.3)
    assert np.abs(ground - np.log(texture[100:200, 100:880])).max() < 0.01
    assert np.allclose(board[210:300, 100:880], board[189:99:-1, 100:880], rtol=1e-4)


def test_corner_marks_are_read_where_the_layout_says():
    """OpenCV's own detector finds all four tags; their corners map to the layout within 0.15 mm."""
    piece = PieceSpec(artwork=("frame", "marks"), ground_reflectance=0.15)
    shot = photograph(piece, CameraSpec(px_per_mm=15.0, tilt_deg=12.0, turn_deg=170.0), 3)
    marks = find_marks(linear(shot.srgb).astype(np.float32))
    places = mark_corners_mm((80.0, 60.0))
    assert set(marks) == set(places)
    for number, corners in marks.items():
        flat = undistort(corners, shot.camera).reshape(-1, 1, 2)
        found = cv2.perspectiveTransform(flat, np.linalg.inv(shot.homography)).reshape(-1, 2)
        assert np.abs(found - places[number]).max() < 0.15
