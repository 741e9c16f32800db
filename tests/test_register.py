"""Registration held to known homographies, simulated boards, a reference library and pairs that must be refused."""
from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from skimage import data
from skimage.registration import phase_cross_correlation

from analysis import register_way
from analysis.geometry import apply_homography, distort, homography_of, lens_of_photo, undistort
from analysis.photo import Photo
from analysis.rectify import rectify
from analysis.register import _raw_homography, register
from analysis.register_alike import correlation, peak_ratio
from analysis.register_cameras import cameras_of
from analysis.register_fit import fit_map, map_sd
from analysis.register_framed import align_framed
from analysis.register_free import align_free, most_sd
from analysis.register_grow import grown
from analysis.register_map import PlaneMap, map_points, warp
from analysis.register_match import Match
from analysis.register_place import Place
from analysis.register_start import Start, starts
from analysis.register_tiles import Tiles, figures_of, measure_tiles
from analysis.strokes import shades, stroke_response
from tests.benchmarks.bench_homography import corner_error_px, open_pair
from tests.textures import piece

FRAME_MM = (80.0, 60.0)
SIZE_PX = (1200, 900)
WORDS = {1: ("RYE + OATS", "side B 17"), 2: ("LOT 0416", "keep dry")}
LINED = 0.505               # of a blurred picture of chance: dark lines of grain, a stroke wide


def board(board_seed, artwork=1, *, frame=True, stripes=0.0, light=False, lines=0.0, scale=16.0,
          margin_mm=8.0, fibres=(0.12, 40), dark=0.05):
    """Reflectance of a board, its scale and margin: grain from one seed, artwork from another.

    Grain by its s.d. in log light and the length of its fibres; artwork by its reflectance on a ground of 0.35.
    """
    rng = np.random.default_rng(board_seed)
    w, h = (int((n + 2 * margin_mm) * scale) for n in FRAME_MM)
    grain = cv2.GaussianBlur(rng.standard_normal((h, w)).astype(np.float32), (0, 0), sigmaX=fibres[1], sigmaY=1.5)
    log = np.log(0.35) + fibres[0] * grain / grain.std()
    if lines:
        log -= lines * (cv2.GaussianBlur(rng.random((h, w)).astype(np.float32), (0, 0), sigmaX=60, sigmaY=6) > LINED)
    if stripes:
        log += stripes * np.cos(2 * np.pi * np.arange(w) / (2.0 * scale))[None, :]
    cover = np.zeros((h, w), np.uint8)

    def px(x, y):
        return int(round((x + margin_mm) * scale)), int(round((y + margin_mm) * scale))
    if frame:
        cv2.rectangle(cover, px(0, 0), px(*FRAME_MM), 255, -1)
        cv2.rectangle(cover, px(0.8, 0.8), px(FRAME_MM[0] - 0.8, FRAME_MM[1] - 0.8), 0, -1)
    if artwork in WORDS:
        large, small = WORDS[artwork]
        cv2.putText(cover, large, px(7, 14), cv2.FONT_HERSHEY_DUPLEX, 3.6, 255, 10, cv2.LINE_AA)
        cv2.putText(cover, small, px(44, 55), cv2.FONT_HERSHEY_DUPLEX, 2.4, 255, 8, cv2.LINE_AA)
        shape = np.random.default_rng(90 + artwork)
        for x0, y0 in ((52, 8), (8, 32), (56, 30)):
            points = [px(x0 + x, y0 + y) for x, y in shape.uniform(0, 16, (5, 2))]
            cv2.polylines(cover, [np.array(points)], True, 255, int(0.9 * scale), cv2.LINE_AA)
    if artwork == "small":
        angle = np.arange(14) * np.pi / 7
        for radii, *middle in (((2.5, 5.5), 34, 24),):
            reach = np.where(np.arange(14) % 2, *radii)
            star = middle + reach[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
            cv2.polylines(cover, [np.array([px(*at) for at in star])], True, 255, int(0.8 * scale), cv2.LINE_AA)
    c = cv2.GaussianBlur(cover.astype(np.float32) / 255, (0, 0), 1.0)
    art = 0.85 if light else dark
    return np.exp(log) * (1 - c) + art * c, scale, margin_mm


def shot(made, seed, *, turn_deg=0.0, tilt=(0.0, 0.0), px_per_mm=11.0, shift=(0.0, 0.0), size=SIZE_PX, k1=0.0):
    """Photo of a board through a known homography (mm to undistorted px); returns the photo and its corners."""
    picture, scale, margin = made
    a, (w, h) = np.radians(turn_deg), size
    turn = px_per_mm * np.array([[np.cos(a), np.sin(a), 0], [-np.sin(a), np.cos(a), 0], [0, 0, 1 / px_per_mm]])
    centre = np.array([[1, 0, -FRAME_MM[0] / 2], [0, 1, -FRAME_MM[1] / 2], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, 1, 0], [*tilt, 1]])
    place = np.array([[1, 0, (w - 1) / 2 + shift[0]], [0, 1, (h - 1) / 2 + shift[1]], [0, 0, 1]])
    to_photo = place @ lean @ turn @ centre
    lens = lens_of_photo(size, k1)
    grid = np.stack(np.meshgrid(np.arange(w), np.arange(h)), -1).astype(float)
    at = (apply_homography(np.linalg.inv(to_photo), undistort(grid, lens)) + margin) * scale
    at = at.astype(np.float32)
    smooth = cv2.GaussianBlur(picture, (0, 0), 0.45 * scale / px_per_mm)
    seen = cv2.remap(smooth, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.08)
    noise = np.random.default_rng(seed).standard_normal(seen.shape).astype(np.float32)
    light = 1 - 0.2 * np.linspace(0, 1, w, dtype=np.float32)[None, :]
    seen = np.clip(seen * light + 0.004 * noise, 1e-4, 1)
    outline = np.array([[0, 0], [FRAME_MM[0], 0], FRAME_MM, [0, FRAME_MM[1]]], float)
    photo = Photo(name="made.png", luminance=seen.astype(np.float32), preview=np.zeros((8, 8, 3), np.uint8),
                  preview_scale=8 / w, size_px=size, clipped=np.zeros((8, 8), bool), block_px=0, bits=8)
    return photo, distort(apply_homography(to_photo, outline), lens)


@lru_cache(maxsize=16)
def made(board_seed, artwork=1, **options):
    return board(board_seed, artwork, **options)


def framed(photo, corners):
    return rectify(photo, frame_mm=FRAME_MM, corners_px=tuple(map(tuple, corners)))


def corner_error_mm(result, before_corners, after_corners, px_per_mm):
    """Largest error of the four corners (the protocol of homography benchmarks: Balntas et al., CVPR 2017)."""
    return np.hypot(*(apply_homography(result.homography, after_corners) - before_corners).T).max() / px_per_mm


@pytest.mark.parametrize("turn_deg", [4.0, 176.0])
def test_boards_with_other_grain_are_aligned_by_their_artwork_either_way_up(turn_deg):
    """Bar of the job: 0.20 mm. Corners come in the photo's upright order, so the artwork must tell half a turn."""
    before, cb = shot(made(1), 1, tilt=(2e-5, -1e-5))
    after, ca = shot(made(2), 2, turn_deg=turn_deg, tilt=(-3e-5, 2e-5), px_per_mm=9.5)
    given = np.roll(ca, 2, axis=0) if turn_deg > 90 else ca
    result = register(before, after, framed(before, cb), framed(after, given))
    assert result.ok and result.turned == (turn_deg > 90)
    assert corner_error_mm(result, cb, ca, 11.0) < 0.1
    assert result.residual_mm < 0.1 and result.overlap_fraction > 0.98


@pytest.mark.parametrize(("share", "ratio", "proven"), [(0.6, 2.5, True), (0.45, 2.5, False), (0.7, 1.8, False),
                                                        (0.35, 3.5, True), (0.25, 9.0, False)])
def test_few_strokes_that_both_pieces_show_whole_prove_a_place_that_stands_out_less(monkeypatch, share, ratio, proven):
    """Unlike artwork on equal frames, 49 pairs: a share of 0.33 at most, at a ratio of 2.3."""
    monkeypatch.setattr(register_way, "compared", lambda *_: Place(share=share, ratio=ratio, alone=ratio, even=0.2))
    before, cb = shot(made(1), 1)
    works = register_way.works_of(framed(before, cb), framed(before, cb), 5.0)
    assert bool(register_way.proven_ways(works, ((False, False),))[0]) == proven


@pytest.mark.parametrize("turn_deg", [92.0, 178.0, -91.0])
def test_a_piece_upside_down_or_on_its_side_is_turned_by_its_artwork(turn_deg):
    """Frames are searched, and half a turn is open: the other photo's artwork closes it. `bench_register` has 40."""
    before, cb = shot(made(1), 1)
    after, ca = shot(made(2), 2, turn_deg=turn_deg, px_per_mm=9.5)
    result = register(before, after, *(rectify(one, frame_mm=FRAME_MM) for one in (before, after)))
    assert result.ok and corner_error_mm(result, cb, ca, 11.0) < 0.1


def test_artwork_no_deeper_than_the_grain_is_found_between_its_streaks():
    """Fibres run on far beyond a stroke's length: their mean along the grain is taken out."""
    before, after, other = (shot(made(seed, artwork, fibres=(0.3, 250), dark=0.22), seed)
                            for seed, artwork in ((1, 1), (2, 1), (3, 2)))
    result = align_framed(framed(*before), framed(*after))
    assert result.ok, result.reason
    assert corner_error_mm(result, before[1], after[1], 11.0) < 0.1
    assert not align_framed(framed(*before), framed(*other)).ok


@pytest.mark.parametrize(("off_px", "most_mm"), [(3.0, 0.1), (12.0, 0.15)])
def test_corners_given_some_pixels_off_are_mended_by_strokes_and_frame(off_px, most_mm):
    """Twelve pixels are more than a millimetre, so the frame's line is not looked for there: strokes alone must do."""
    before, cb = shot(made(1), 1)
    after, ca = shot(made(2), 2, turn_deg=3.0)
    off = off_px * np.array([[1, -1], [-1, 1], [1, 1], [-1, -1]]) / np.sqrt(2)
    result = register(before, after, framed(before, cb), framed(after, ca + off))
    assert result.ok and corner_error_mm(result, cb, ca, 11.0) < most_mm


@pytest.mark.parametrize("lines", [0.6, 1.5])
def test_artwork_among_dark_lines_of_grain_is_aligned_where_its_place_stands_out(lines):
    """Grain as dark and wide as strokes takes two thirds of the likeness, but it lies elsewhere on either board."""
    before, cb = shot(made(1, lines=lines), 1)
    after, ca = shot(made(2, lines=lines), 2, turn_deg=176.0, px_per_mm=9.5)
    result = align_framed(framed(before, cb), framed(after, np.roll(ca, 2, axis=0)))
    assert result.ok and result.turned
    assert corner_error_mm(result, cb, ca, 11.0) < 0.15


@pytest.mark.parametrize("lines", [0.3, 0.6, 1.5])
def test_different_artwork_among_dark_lines_of_grain_is_refused(lines):
    before, cb = shot(made(1, lines=lines), 1)
    after, ca = shot(made(2, 2, lines=lines), 2)
    assert not align_framed(framed(before, cb), framed(after, ca)).ok
    assert not register(before, after, framed(before, cb), framed(after, ca)).ok


def test_frames_around_different_artwork_are_refused_with_a_reason():
    before, cb = shot(made(1), 1)
    after, ca = shot(made(2, 2), 2)
    result = register(before, after, framed(before, cb), framed(after, ca))
    assert not result.ok and "same artwork" in result.reason


def test_stripes_at_the_same_place_do_not_align_different_artwork():
    """The machine lays its stripes at the same place on every board; they are not artwork."""
    before, cb = shot(made(1, stripes=0.06), 1)
    after, ca = shot(made(2, 2, stripes=0.06), 2)
    assert not register(before, after, framed(before, cb), framed(after, ca)).ok


def test_bare_boards_without_frame_are_refused():
    before, _ = shot(made(1, 0, frame=False, stripes=0.06), 1)
    after, _ = shot(made(2, 0, frame=False, stripes=0.06), 2)
    result = register(before, after, rectify(before, pixels_per_mm=11.0), None)
    assert not result.ok and result.reason


def test_bare_frames_are_laid_on_each_other_by_given_corners_with_a_warning():
    before, cb = shot(made(1, 0), 1)
    after, ca = shot(made(2, 0), 2, turn_deg=5.0)
    result = register(before, after, framed(before, cb), framed(after, ca))
    assert result.ok and "half a turn" in result.warnings[0]
    assert corner_error_mm(result, cb, ca, 11.0) < 0.1


@pytest.mark.parametrize("fibres", [(0.2, 100), (0.3, 250)])
def test_filled_figures_alone_that_disagree_are_refused_and_are_never_called_nothing(fibres):
    """Strong grain hides the figures' edges, so no stroke is seen: given corners alone would lay unlike pieces."""
    def figured(seed, places):
        picture, scale, margin = made(seed, 0, fibres=fibres)
        picture = picture.copy()
        for x, y in places:
            cv2.circle(picture, (int((x + margin) * scale), int((y + margin) * scale)), int(6.5 * scale), 0.08, -1)
        return shot((picture, scale, margin), seed, turn_deg=3.0 * seed)
    (before, cb), (other, co), (plain, cp) = (figured(seed, places) for seed, places in (
        (1, ((15, 15), (50, 20), (62, 45))), (2, ((62, 14), (20, 40), (42, 44))), (3, ())))
    unlike = register(before, other, framed(before, cb), framed(other, co))
    assert not unlike.ok and "does not agree" in unlike.reason
    one_sided = register(before, plain, framed(before, cb), framed(plain, cp))
    assert not one_sided.ok or "Filled figures" in one_sided.warnings[0]


def test_bare_frames_that_were_searched_are_refused_because_half_a_turn_cannot_be_told():
    before, cb = shot(made(1, 0), 1)
    after, ca = shot(made(2, 0), 2, turn_deg=180.0)
    pieces = [replace(framed(p, c), method="frame") for p, c in ((before, cb), (after, np.roll(ca, 2, axis=0)))]
    assert not register(before, after, *pieces).ok


@pytest.mark.parametrize("view", [dict(turn_deg=77.0), dict(turn_deg=-160.0, px_per_mm=8.0),
                                  dict(px_per_mm=5.0, tilt=(1e-4, 0)), dict(px_per_mm=20.0, shift=(150, 100)),
                                  dict(shift=(420.0, 0.0)), dict(px_per_mm=4.4),
                                  dict(px_per_mm=27.5, size=(1800, 1350), shift=(200, 150))],
                         ids=["on its side", "upside down", "x0.45, tilted", "x1.8, part of it", "half out of view",
                              "x0.4", "x2.5, part of it"])
def test_boards_without_frame_are_aligned_by_artwork(view):
    """Bar of the job: 0.3 mm."""
    before, cb = shot(made(3, frame=False), 3)
    after, ca = shot(made(4, frame=False), 4, **view)
    result = register(before, after, rectify(before, pixels_per_mm=11.0), None)
    assert result.ok, result.reason
    assert corner_error_mm(result, cb, ca, 11.0) < 0.3


@pytest.mark.parametrize(("board_seed", "options"), [(1, dict(dark=0.22, stripes=0.1)), (5, dict(lines=1.5)),
                                                      (1, dict(dark=0.29)), (5, dict(dark=0.29))])
def test_faint_artwork_or_artwork_among_stripes_or_dark_lines_of_grain_is_aligned_without_frame(board_seed, options):
    before, cb = shot(made(board_seed, frame=False, **options), board_seed)
    after, ca = shot(made(board_seed + 1, frame=False, **options), board_seed + 1, turn_deg=77.0)
    result = register(before, after, rectify(before, pixels_per_mm=11.0), None)
    assert result.ok and corner_error_mm(result, cb, ca, 11.0) < 0.3
    unlike, _ = shot(made(board_seed + 1, 2, frame=False, **options), board_seed + 1, turn_deg=77.0)
    assert not register(before, unlike, rectify(before, pixels_per_mm=11.0), None).ok


def test_the_homography_of_a_piece_half_out_of_view_is_exact_within_both_photos():
    """Where a lens bends a photo no homography is right everywhere: four places that AFTER shows are chosen."""
    before, _ = shot(made(3, frame=False), 3)
    after, _ = shot(made(4, frame=False), 4, shift=(420.0, 0.0))
    piece = rectify(before, pixels_per_mm=11.0)
    match = align_free(before, after, piece)
    assert match.ok and np.ptp(match.corners_px, axis=0).min() > 200.0
    assert match.corners_px.min() > -2.0 and (match.corners_px < np.array(SIZE_PX) + 1.0).all()


def test_light_artwork_without_frame_is_laid_on_dark_artwork():
    before, cb = shot(made(3, frame=False), 3)
    after, ca = shot(made(4, frame=False, light=True), 4, turn_deg=15.0)
    result = register(before, after, rectify(before, pixels_per_mm=11.0), None)
    assert result.ok and corner_error_mm(result, cb, ca, 11.0) < 0.3


def test_light_artwork_that_was_not_in_the_part_taken_as_the_piece_is_looked_for_in_the_whole_photo():
    before, here = shot(board(3, frame=False), 1)
    after, there = shot(board(4, frame=False, light=True), 2, turn_deg=20.0)
    piece_ = rectify(before, pixels_per_mm=11.0)
    corner = np.array([[2.0, 2.0], [150.0, 2.0], [150.0, 110.0], [2.0, 110.0]])    # bench, taken as AFTER's piece
    grid = apply_homography(piece_.photo_to_piece, here)
    grid = (grid - piece_.origin_mm) * piece_.samples_per_mm
    off = [np.abs(apply_homography(start.homography, grid) - there).max() / 11.0
           for start in starts(piece_, after, corner) if start.negative]
    assert min(off) < 3.0


@pytest.mark.parametrize(("pixels_per_mm", "zoom", "most"), [(10.0, 1.0, 4.5), (10.0, 3.0, 4.5), (None, 1.0, 3.4),
                                                              (None, 2.0, 1.7), (None, 0.5, 3.4)])
def test_without_a_scale_the_photo_that_shows_the_piece_larger_sets_how_well_its_place_must_be_known(
        pixels_per_mm, zoom, most):
    """0.45 mm of a piece that fills 160 mm, in samples; AFTER shows it `zoom` times larger, in as many pixels."""
    widest = 32.0 if pixels_per_mm else 24.0           # a fiftieth of 1200 px
    shown = most_sd(SimpleNamespace(scale_known=pixels_per_mm is not None), SimpleNamespace(size_px=SIZE_PX), widest,
                    zoom)
    assert shown == pytest.approx(most, abs=0.05)


def test_different_artwork_without_frame_is_refused_with_a_reason():
    before, _ = shot(made(3, frame=False, stripes=0.06), 3)
    after, _ = shot(made(4, 2, frame=False, stripes=0.06), 4)
    result = register(before, after, rectify(before, pixels_per_mm=11.0), None)
    assert not result.ok and "artwork" in result.reason


def test_one_board_photographed_twice_is_aligned_by_its_grain():
    """Bar of the job: 0.5 px of BEFORE. Other boards with the same artwork and stripes are no such case."""
    before, cb = shot(made(3, frame=False, stripes=0.06), 3)
    piece = rectify(before, pixels_per_mm=11.0)
    again, ca = shot(made(3, frame=False, stripes=0.06), 4, turn_deg=12.0, px_per_mm=9.0, tilt=(5e-5, 0))
    result = register(before, again, piece, None)
    assert result.ok and result.method == "same board"
    assert corner_error_mm(result, cb, ca, 11.0) * 11.0 < 0.5
    other, _ = shot(made(4, frame=False, stripes=0.06), 4, turn_deg=12.0)
    assert register(before, other, piece, None).method == "artwork"


@pytest.mark.parametrize("name", ["camera", "grass", "gravel"])
def test_known_homography_of_an_open_image_is_found_within_a_tenth_of_a_pixel(name):
    """Corner error of published homography benchmarks (HPatches, CVPR 2017); the job's bar is 0.5 px."""
    before, after, here, there = open_pair(name, 3)
    found = register(before, after, rectify(before, pixels_per_mm=12.0), None)
    assert found.ok and corner_error_px(found.homography, here, there) < 0.1


@pytest.mark.parametrize(("name", "other"), [("grass", "gravel"), ("gravel", "brick")])
def test_unlike_textures_are_refused(name, other):
    before, after = open_pair(name, 3)[0], open_pair(other, 4)[1]
    assert not register(before, after, rectify(before, pixels_per_mm=12.0), None).ok


def test_light_artwork_is_laid_on_dark_artwork():
    before, cb = shot(made(3), 3)
    after, ca = shot(made(4, light=True), 4, turn_deg=5.0)
    result = register(before, after, framed(before, cb), framed(after, ca))
    assert result.ok and corner_error_mm(result, cb, ca, 11.0) < 0.1


def test_after_without_its_frame_found_is_aligned_by_artwork_and_then_by_its_sides():
    before, cb = shot(made(1), 1)
    after, ca = shot(made(2), 2, turn_deg=30.0)
    result = register(before, after, framed(before, cb), None)
    assert result.ok and corner_error_mm(result, cb, ca, 11.0) < 0.1


def test_edges_of_the_board_that_slide_along_themselves_prove_no_alignment():
    """One figure of 11 mm and two straight edges of the board: 4.9 mm off passed for an alignment; 1 mm is wrong."""
    before, cb = shot(made(1, "small", frame=False), 1, tilt=(2e-5, -1e-5))
    after, ca = shot(made(2, "small", frame=False), 2, turn_deg=9.0, px_per_mm=10.0)
    result = register(before, after, rectify(before, pixels_per_mm=11.0), None)
    assert not result.ok or corner_error_mm(result, cb, ca, 11.0) < 1.0


def test_artwork_too_small_for_coarse_tiles_is_asked_at_a_finer_level():
    """A figure of 11 mm fills two coarse tiles of 6.4 mm; the start is the truth, so the tiles must stay with it."""
    picture, *rest = board(1, "small", frame=False)
    even = (np.where(picture < 0.1, 0.05, 0.35), *rest)             # no grain that has tiles of its own
    before, cb = shot(even, 1)
    after, ca = shot(even, 2, turn_deg=9.0, px_per_mm=10.0)
    piece_before = rectify(before, pixels_per_mm=11.0)
    to_photo = np.diag([1 / piece_before.samples_per_mm] * 2 + [1.0])
    to_photo[:2, 2] = piece_before.origin_mm
    to_photo = np.linalg.inv(piece_before.photo_to_piece) @ to_photo
    here = cb.mean(axis=0) + 11.0 * np.array([[-9, -9], [-3, -9], [-3, -3], [-9, -3], [-6, -6]])
    truth = cv2.getPerspectiveTransform(cb.astype(np.float32), ca.astype(np.float32))
    start = Start(homography=truth @ to_photo, points=apply_homography(np.linalg.inv(to_photo), here),
                  others=apply_homography(truth, here), negative=False)
    cameras = cameras_of(piece_before, after, None, to_photo)
    found = grown(piece_before, after, start, cameras, 3.2 * piece_before.samples_per_mm, False)
    assert found is not None
    moved = map_points(found.map, start.points) - start.others
    assert np.hypot(*moved.T).max() / 10.0 < 0.3


def test_lens_of_the_after_photo_is_in_the_homography_at_the_corners():
    before, cb = shot(made(1), 1)
    after, ca = shot(made(2), 2, k1=-0.02)
    piece = rectify(after, frame_mm=FRAME_MM)
    result = register(before, after, framed(before, cb), piece)
    assert piece.lens.k1 == pytest.approx(-0.02, abs=0.006)
    assert result.ok and corner_error_mm(result, cb, ca, 11.0) < 0.1
    middle = apply_homography(homography_of(undistort(ca, result.after_lens), FRAME_MM), [40.0, 30.0])
    here = apply_homography(homography_of(cb, FRAME_MM), [40.0, 30.0])
    assert np.hypot(*(apply_homography(result.homography_undistorted, middle) - here)) < 0.1 * 11.0


def test_swapping_the_photos_inverts_the_homography():
    before, cb = shot(made(1), 1)
    after, ca = shot(made(2), 2, turn_deg=3.0)
    pieces = framed(before, cb), framed(after, ca)
    there = register(before, after, *pieces).homography
    back = register(after, before, *pieces[::-1]).homography
    assert np.abs(apply_homography(there @ back, cb) - cb).max() < 0.5


def test_same_photo_gives_the_identity():
    before, cb = shot(made(1), 1)
    result = register(before, before, framed(before, cb), framed(before, cb))
    assert np.abs(apply_homography(result.homography, cb) - cb).max() < 0.05
    assert result.agreement == pytest.approx(1.0, abs=1e-3)


def test_registration_is_the_same_to_the_last_digit_twice():
    before, _ = shot(made(3, frame=False), 3)
    after, _ = shot(made(4, frame=False), 4, turn_deg=20.0)
    pieces = rectify(before, pixels_per_mm=11.0), None
    one, two = (register(before, after, *pieces) for _ in range(2))
    assert np.array_equal(one.homography, two.homography)


@pytest.mark.parametrize("name", ["page", "text", "coins", "camera"])
def test_tiles_recover_a_known_homography_on_open_images(name):
    """Known homographies on images of scikit-image (skimage.data)."""
    image = cv2.resize(getattr(data, name)(), (480, 360)).astype(np.float32) / 255
    true = np.array([[1.01, 0.008, -3.0], [-0.006, 0.99, 2.5], [1e-5, -8e-6, 1.0]])
    picture = np.full((360, 480), image.mean(), np.float32)
    picture[40:-40, 40:-40] = image[40:-40, 40:-40]
    moved = cv2.warpPerspective(picture, true, (480, 360), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    plane = PlaneMap(homography=np.eye(3), lens=lens_of_photo((480, 360)))
    for sigma in (4.0, 1.5, 1.5):
        warped, seen = warp(moved, np.eye(3), plane, picture.shape)
        plane = fit_map(measure_tiles(picture, warped, seen, 32, sigma), plane, free="perspective").map
    corners = np.array([[40, 40], [440, 40], [440, 320], [40, 320]], float)
    assert np.abs(map_points(plane, corners) - apply_homography(true, corners)).max() < 0.1


def test_strokes_stand_out_and_grain_and_stripes_do_not():
    picture, scale, _ = made(1, stripes=0.06)
    strokes = stroke_response(cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA),
                              np.ones((608, 768), bool), 3.2 * scale / 2)
    bare = strokes.response[250:430, 275:495]            # nothing is engraved there
    assert bare.max() < 1 / 3 and 0.02 < strokes.cover < 0.2      # grain at some 3 s.d. and a stripe on top


def test_artwork_is_tried_as_light_only_where_it_stands_out_so():
    dark, light = (board(1, frame=False, light=light)[0] for light in (False, True))
    assert shades(dark, np.ones(dark.shape, bool), 51.2) == (False,)
    assert shades(light, np.ones(light.shape, bool), 51.2) == (False, True)


def test_stroke_response_does_not_depend_on_the_exposure():
    picture, scale, _ = made(1)
    valid = np.ones(picture.shape, bool)
    one, two = (stroke_response(picture * np.float32(k), valid, 3.2 * scale).response for k in (1.0, 0.4))
    assert np.abs(one - two).max() < 0.03                # 8-bit levels of the ground


def test_a_place_stands_out_only_for_the_same_artwork():
    mask = np.zeros((608, 768), bool)
    mask[90:-90, 90:-90] = True
    small = [cv2.resize(made(*key)[0], (768, 608), interpolation=cv2.INTER_AREA) for key in ((1, 1), (2, 1), (2, 2))]
    first, again, other = (stroke_response(one, np.ones(one.shape, bool), 25.6).response for one in small)
    assert correlation(first, again, mask, 1.6) > 0.9 > 0.5 > correlation(first, other, mask, 1.6)
    assert peak_ratio(first, again, mask, 2.4, 12) > 1.5 > 1.2 > peak_ratio(first, other, mask, 2.4, 12)


def some_tiles(at, move):
    n = len(at)
    return Tiles(at=at, move=move, precision=np.broadcast_to(100.0 * np.eye(2), (n, 2, 2)), agreement=np.ones(n),
                 corners=np.ones(n), firm=np.full(n, 2))


def test_map_of_exact_tiles_is_the_true_homography_and_lens():
    """Closed form: where tiles say exactly where they lie, the fit must give it back, far outliers or not."""
    true = PlaneMap(homography=np.array([[1.5, 0.1, 80.0], [-0.08, 1.4, 60.0], [4e-5, -3e-5, 1.0]]),
                    lens=lens_of_photo(SIZE_PX, -0.004))
    start = PlaneMap(homography=true.homography + np.array([[0.002, 0, 1.0], [0, -0.001, -1.0], [0, 0, 0]]),
                     lens=lens_of_photo(SIZE_PX))
    at = np.stack(np.meshgrid(np.arange(20.0, 700, 60), np.arange(20.0, 500, 60)), -1).reshape(-1, 2)
    inverse = np.linalg.inv(start.homography)
    move = apply_homography(inverse, undistort(map_points(true, at), start.lens)) - at
    move[::9] += 40.0
    fit = fit_map(some_tiles(at, move), start)
    assert np.abs(map_points(fit.map, at) - map_points(true, at)).max() < 0.05      # the prior holds k1 a little
    assert fit.weight[::9].max() < 0.01 < 0.9 < np.delete(fit.weight, np.s_[::9]).min()


def test_map_uncertainty_covers_as_often_as_it_says():
    """Simulated truth: tiles off by their stated s.d.; 39 % of places within 1 s.d. a component (Rayleigh)."""
    rng = np.random.default_rng(5)
    plane = PlaneMap(homography=np.diag([1.5, 1.5, 1.0]), lens=lens_of_photo(SIZE_PX))
    at = np.stack(np.meshgrid(np.arange(20.0, 700, 60), np.arange(20.0, 500, 60)), -1).reshape(-1, 2)
    corners, ratios = np.array([[0.0, 0], [720, 0], [720, 520], [0, 520]]), []
    for _ in range(60):
        fit = fit_map(some_tiles(at, 0.1 * rng.standard_normal(at.shape)), plane)
        off = np.hypot(*(map_points(fit.map, corners) - map_points(plane, corners)).T)
        ratios.append((off / map_sd(fit, corners)) ** 2)
    assert 0.5 < np.mean(ratios) < 1.5                   # both components together: 1 where calibrated


def test_map_uncertainty_covers_figures_that_are_not_repeated_better_than_the_machine_does():
    """Simulated truth: five figures of unlike size, each off by 0.15 samples as one, its tiles by 0.1."""
    rng = np.random.default_rng(6)
    plane = PlaneMap(homography=np.diag([1.5, 1.5, 1.0]), lens=lens_of_photo(SIZE_PX))
    at = np.concatenate([np.array(corner) + np.stack(np.meshgrid(np.arange(n), np.arange(n)), -1).reshape(-1, 2) * 32.0
                         for corner, n in (((20, 20), 9), ((420, 20), 4), ((600, 40), 2), ((20, 380), 3),
                                           ((540, 400), 4))])
    figures = figures_of(some_tiles(at, at), 58.0)
    assert len(set(figures)) == 5
    corners, ratios, errors = np.array([[0.0, 0], [720, 0], [720, 520], [0, 520]]), ([], []), ([], [])
    for _ in range(60):
        move = 0.15 * rng.standard_normal((5, 2))[figures] + 0.1 * rng.standard_normal(at.shape)
        for k, given in enumerate((None, figures)):
            fit = fit_map(some_tiles(at, move), plane, figures=given)
            off = np.hypot(*(map_points(fit.map, corners) - map_points(plane, corners)).T)
            ratios[k].append((off / map_sd(fit, corners)) ** 2)
            errors[k].append(off)
    assert 0.5 < np.mean(ratios[1]) < 1.5 < 6.0 < np.mean(ratios[0])
    assert np.median(errors[1]) < np.median(errors[0])


@pytest.mark.parametrize("wider", [0.0, 1.0, 1.5])
def test_the_edge_of_a_fill_that_is_burnt_wider_moves_little_however_many_spots_one_board_has(wider):
    """Simulated truth: bars and a fill wider by so many samples on all sides, and knots on the first board alone."""
    def drawn(wider, spots):
        big = np.zeros((2048, 2560), np.uint8)                   # four times as fine
        for x in range(60, 540, 80):
            cv2.rectangle(big, (int(4 * (x - 4 - wider)), 240), (int(4 * (x + 4 + wider)) - 1, 800), 255, -1)
        cv2.rectangle(big, (int(4 * (100 - wider)), int(4 * (280 - wider))),
                      (int(4 * (420 + wider)) - 1, int(4 * (440 + wider)) - 1), 255, -1)
        small = cv2.resize(big, (640, 512), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        for x, y in spots:
            cv2.ellipse(small, (int(x), int(y)), (9, 3), 0, 0, 360, 1.0, -1)
        return small
    knots = np.random.default_rng(1).uniform([0, 0], [640, 512], (250, 2))
    tiles = measure_tiles(drawn(0.0, knots), drawn(wider, ()), np.ones((512, 640), bool), 32, 1.8)
    beside = (tiles.agreement > 0.75) & (tiles.at[:, 1] > 310) & (tiles.at[:, 1] < 410)
    left, right = (tiles.move[beside & (np.abs(tiles.at[:, 0] - x) < 16), 0] for x in (100, 420))
    assert np.abs(right.mean() - left.mean()) / 2 < 0.1 + 0.5 * wider        # 0.3 and 1.0 times the width without


def test_tiles_of_strokes_agree_with_phase_cross_correlation_on_a_shift():
    """Reference: skimage.registration.phase_cross_correlation (Guizar-Sicairos et al. 2008), 1/100 px."""
    image = cv2.GaussianBlur(data.camera()[100:356, 100:356].astype(np.float32) / 255, (0, 0), 1.0)
    shift = np.array([0.43, -0.31])                      # x, y
    fx, fy = np.fft.fftfreq(256)[None, :], np.fft.fftfreq(256)[:, None]
    moved = np.fft.ifft2(np.fft.fft2(image) * np.exp(-2j * np.pi * (fx * shift[0] + fy * shift[1]))).real
    reference = -phase_cross_correlation(image, moved, upsample_factor=100)[0][::-1]
    inner = np.zeros(image.shape, bool)
    inner[32:-32, 32:-32] = True
    tiles = measure_tiles(image, moved.astype(np.float32), inner, 32, 1.5)
    assert np.allclose(np.median(tiles.move[tiles.firm == 2], axis=0), reference, atol=0.03)


def test_strokes_burnt_wider_on_one_board_hardly_move_a_tile():
    """Property: each edge lies 1 sample farther out; no tile may take half of that for movement, most nothing."""
    thin, wide = np.zeros((2, 256, 256), np.float32)
    for picture, width in ((thin, 5), (wide, 7)):
        for x in (30, 130):
            cv2.rectangle(picture, (x, 40), (x + 73, 210), 1.0, width)
    first, second = (cv2.GaussianBlur(p, (0, 0), 1.5) for p in (thin, wide))
    tiles = measure_tiles(first, second, np.ones((256, 256), bool), 32, 1.5)
    assert len(tiles.at) > 20 and np.abs(tiles.move).max() < 0.5 and np.median(np.abs(tiles.move)) < 0.1


def rimmed_piece(seed, *, turned):
    """Light words on a dark ground whose charred rim looks the same half a turn round."""
    s, (w, h) = 8.0, FRAME_MM
    y, x = np.mgrid[: int(h * s), : int(w * s)] / s
    grain = cv2.GaussianBlur(np.random.default_rng(seed).standard_normal(x.shape), (0, 0), sigmaX=60, sigmaY=1)
    inside = np.minimum(np.minimum(x, w - x), np.minimum(y, h - y)) - 4.0
    ground = (0.12 + 0.24 * grain) * (1 - 0.5 * np.exp(-np.maximum(inside, 0) / 0.6))
    picture = np.where(inside > 0, ground, np.where(inside < -3.5, 0.08, 0.6))
    cover = np.zeros(x.shape, np.uint8)
    for word, at in (("BIN 1927", (90, 140)), ("3:50", (380, 150)), ("LEAF", (300, 380))):
        cv2.putText(cover, word, at, cv2.FONT_HERSHEY_SIMPLEX, 1.6, 255, 7, cv2.LINE_AA)
    picture = picture + (0.25 - picture) * (cover / 255.0)
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]]) * s - 0.5
    return piece(picture[::-1, ::-1] if turned else picture, s=s, frame_mm=FRAME_MM, corners_px=corners,
                 corners_sd_px=0.1, method="frame")


@pytest.mark.parametrize("turned", [False, True])
def test_a_rim_that_looks_alike_both_ways_does_not_say_which_way_a_piece_lies(turned):
    match = align_framed(rimmed_piece(1, turned=False), rimmed_piece(2, turned=turned))
    assert match.ok and match.turned == turned


def test_one_homography_stands_for_a_bent_map_where_both_photos_show_the_piece():
    """Least squares over places of a part leaves less there than a homography through its own four corners."""
    lens = lens_of_photo((1200, 900), k1=0.02)
    at = np.stack(np.meshgrid(np.linspace(100, 600, 9), np.linspace(150, 800, 9)), axis=-1).reshape(-1, 2)
    piece = SimpleNamespace(lens=lens_of_photo((1200, 900)))
    after = SimpleNamespace(size_px=(1200, 900))
    left = []
    for corners in (at, at[[0, 8, 80, 72]]):
        match = Match(ok=True, homography=np.eye(3), residual_px=0.1, before_px_per_mm=None, overlap_fraction=0.5,
                      reason=None, method="artwork", corners_px=corners, after_lens=lens)
        raw = _raw_homography(match, piece, after)
        left.append(np.sqrt((np.hypot(*(apply_homography(raw, at) - undistort(at, lens)).T) ** 2).mean()))
    assert left[0] < 0.7 * left[1], left
