"""Alignment by the rectangle of an engraved ground: simulated boards and photographs of real wood, known truth."""
from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from test_register import FRAME_MM, SIZE_PX, board, corner_error_mm, shot

from analysis.geometry import apply_homography, distort, homography_between, homography_of, lens_of_photo, undistort
from analysis.ground import find_ground
from analysis.outlines import alike
from analysis.rectangles import Rectangle, rectangles_in, traced
from analysis.rectify import rectify
from analysis.register import register
from analysis.register_cameras import cameras_of
from analysis.register_fit import map_sd
from analysis.register_free import _to_photo, _widest
from analysis.register_laid import _allowed, ways_to_lay
from analysis.register_map import map_points
from analysis.register_rectangle import found_by_rectangle
from analysis.register_tiles import measure_tiles
from analysis.side_fit import fit_sides
from tests.real_textures import available, load

PX_PER_MM = 9.0
FIELD_MM = (4.0, 3.0, 76.0, 57.0)


def window_photo(seed, artwork, *, depth=0.4, fibres=(0.12, 40), wood=None, cut=(0.0, 0.0, 0.0), field_mm=FIELD_MM,
                 **view):
    """Photo of a bare board with a darker window and artwork, and the window's true corners.

    `cut` (x, y in mm, turn in degrees) moves window and artwork on the board: how askew it was cut or laid.
    """
    picture, scale, margin = board(seed, artwork, frame=False, fibres=fibres)
    art = picture / board(seed, None, frame=False, fibres=fibres)[0]
    if wood is not None:
        grain = cv2.resize(load(wood), picture.shape[::-1], interpolation=cv2.INTER_CUBIC)
        picture = 0.35 * np.clip(grain, 0.3, 2.0) * art
    x0, y0, x1, y1 = (int(round((n + margin) * scale)) for n in field_mm)
    gain = np.ones_like(picture)
    gain[y0:y1, x0:x1] -= depth
    matrix = cv2.getRotationMatrix2D((picture.shape[1] / 2, picture.shape[0] / 2), cut[2], 1.0)
    matrix[:, 2] += np.array(cut[:2]) * scale
    bare = picture / art
    drawn = cv2.warpAffine(gain * art, matrix, picture.shape[::-1], borderValue=1.0)
    photo, corners = shot(((bare * drawn).astype(np.float32), scale, margin), seed, px_per_mm=PX_PER_MM, **view)
    window = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) - 0.5          # edges lie between samples
    window = (window @ matrix[:, :2].T + matrix[:, 2]) / scale - margin
    lens = lens_of_photo(SIZE_PX, view.get("k1", 0.0))
    to_photo = homography_of(undistort(corners, lens), FRAME_MM)
    grey = np.uint8(255 * np.clip(photo.luminance / 0.5, 0, 1) ** 0.45)
    preview = np.ascontiguousarray(np.repeat(grey[..., None], 3, axis=2))
    return (replace(photo, preview=preview, preview_scale=1.0, clipped=np.zeros(grey.shape, bool)),
            distort(apply_homography(to_photo, window), lens))


def aligned(first, second):
    """Result and worst error at the window's corners, mm."""
    (before, here), (after, there) = first, second
    result = register(before, after, rectify(before, pixels_per_mm=PX_PER_MM), None)
    return result, corner_error_mm(result, here, there, PX_PER_MM) if result.ok else None


@pytest.mark.parametrize("turn_deg", [3.0, 182.0])
def test_a_window_holds_an_alignment_that_one_small_star_could_not(turn_deg):
    # Simulated truth. The star alone is 11 mm across: its tiles are too few, and fix no slant.
    result, error = aligned(window_photo(3, "small"), window_photo(4, "small", turn_deg=turn_deg))
    assert result.ok
    assert error < 0.15
    assert error < 3 * result.residual_mm


@pytest.mark.parametrize("woods", [("oak veneer", "pale ash"), ("beech", "pale line wood")])
def test_windows_in_photographs_of_real_wood_are_laid_on_each_other(woods):
    named = {wood.name: wood for wood in available("wood")}
    if not set(woods) <= set(named):
        pytest.skip("wood photographs of the test extra are not installed")
    result, error = aligned(window_photo(3, 1, wood=named[woods[0]]),
                            window_photo(4, 1, wood=named[woods[1]], turn_deg=177.0, tilt=(2e-4, -1e-4)))
    assert result.ok and error < 0.15


@pytest.mark.parametrize("seed", range(2))
def test_equal_windows_in_equal_boards_with_other_artwork_are_refused(seed):
    result, _ = aligned(window_photo(10 + seed, 1), window_photo(20 + seed, 2, turn_deg=180.0 * (seed % 2) + 2.0))
    assert not result.ok and "No artwork" in result.reason


def test_equal_windows_prove_nothing_where_the_artwork_as_a_whole_does_not_agree(monkeypatch):
    """The rectangle's own look at the strokes is taken away: sides that lie on each other are not enough."""
    monkeypatch.setattr("analysis.register_rectangle.LEAST_ALIKE", -2.0)
    monkeypatch.setattr("analysis.register_rectangle.LEAST_RATIO", 0.0)
    laid = []
    monkeypatch.setattr("analysis.register_free.found_by_rectangle",
                        lambda *given: laid.append(found_by_rectangle(*given)) or laid[-1])
    result, _ = aligned(window_photo(10, 1), window_photo(20, 2, turn_deg=2.0))
    assert laid[0] is not None and not result.ok


def test_a_photo_slanted_by_twenty_eight_degrees_shows_a_window_of_other_proportions_that_is_laid_all_the_same():
    """A slant of 28 degrees takes 12 % off one side: log proportions 0.12 apart."""
    square = np.array([[0, 0], [800, 0], [800, 600], [0, 600.0]])
    slanted = square * [1.0, np.cos(np.radians(28.0))]
    plane = SimpleNamespace(size_px=SIZE_PX)
    mine, theirs = (Rectangle(corners_px=corners, dark=True, inner=True) for corners in (square, slanted))
    pair = SimpleNamespace(mine=[mine], theirs=[theirs], after=plane, to_grid=lambda points: points)
    assert {int(abs(one.theirs.corners_px[0] - slanted).sum(axis=1).argmin()) for one in _allowed(pair)} == {0, 2}


@pytest.mark.parametrize(("alike_", "ratio", "told"), [(0.9, 1.2, True), (0.5, 1.2, False), (0.9, 1.1, False),
                                                       (0.2, 1.5, True), (0.1, 1.5, False)])
def test_small_artwork_that_is_the_same_throughout_is_believed_though_it_nearly_fits_beside_its_place(
        monkeypatch, alike_, ratio, told):
    """Unlike pairs laid on each other by force: a correlation of 0.1 at most where the ratio is over 1 (50 pairs)."""
    for name, value in (("correlation", alike_), ("peak_ratio", ratio)):
        monkeypatch.setattr(f"analysis.register_rectangle.{name}", lambda *_, value=value: value)
    found = []
    monkeypatch.setattr("analysis.register_rectangle.measure_tiles",
                        lambda *given: found.append(1) or measure_tiles(*given))
    first, second = window_photo(3, 1), window_photo(4, 1, turn_deg=2.0)
    register(first[0], second[0], rectify(first[0], pixels_per_mm=PX_PER_MM), None)
    assert bool(found) == told


def test_equal_windows_without_artwork_are_refused_for_half_a_turn_cannot_be_told():
    result, _ = aligned(window_photo(30, None), window_photo(31, None, turn_deg=2.0))
    assert not result.ok


@pytest.mark.parametrize("cut", [(1.5, -0.7, 0.4), (-0.8, 1.2, -0.5)])
def test_a_board_cut_askew_moves_nothing(cut):
    # Window and artwork lie elsewhere on the other board: its outline would be off by a millimetre and more
    result, error = aligned(window_photo(3, 1), window_photo(4, 1, cut=cut, turn_deg=3.0))
    assert result.ok and error < 0.15


@pytest.mark.parametrize("cut", [(1.5, -0.7, 0.4), (0.6, 0.5, 0.5)])
def test_an_outline_alone_that_the_strokes_contradict_holds_nothing(cut):
    # No window at all: the only rectangles are the boards' outlines, cut askew against the artwork
    (before, here), (after, there) = (window_photo(3, 1, depth=0.0), window_photo(4, 1, depth=0.0, cut=cut))
    result = register(before, after, rectify(before, pixels_per_mm=PX_PER_MM), None)
    assert result.ok and corner_error_mm(result, here, there, PX_PER_MM) < 0.3


def test_the_level_of_a_whole_board_holds_its_corners_that_a_window_over_a_part_leaves_loose(monkeypatch):
    """Simulated truth: AFTER's slant and lens are known, once from the board's outline, once from the window itself.

    Sides that told the level must not tell it again; other sides must not outvote it.
    """
    part, k1 = (10.0, 8.0, 50.0, 40.0), 0.015
    mm = np.array([[part[0], part[1]], [part[2], part[1]], [part[2], part[3]], [part[0], part[3]]])
    frame = np.array([[0.0, 0], [80, 0], [80, 60], [0, 60]])
    (before, here), (after, there) = (window_photo(3, 1, field_mm=part),
                                      window_photo(4, 1, field_mm=part, turn_deg=3.0, tilt=(2e-4, -1e-4), k1=k1))
    piece, lens = rectify(before, pixels_per_mm=PX_PER_MM), lens_of_photo(SIZE_PX, k1)
    to_before, to_after = homography_between(mm, here), homography_between(mm, undistort(there, lens))
    scale = np.diag([PX_PER_MM, PX_PER_MM, 1.0])
    cameras = replace(cameras_of(piece, after, None, _to_photo(piece)), to_level=scale @ np.linalg.inv(to_after),
                      fan_sd_per_px=(1e-6, 1e-6), stretch_sd=5e-4, k1=k1, k1_sd=0.002)
    monkeypatch.setattr("analysis.register_rectangle.ways_to_lay",
                        lambda pair: [one for one in ways_to_lay(pair) if alike(one.mine.corners_px, here, 10.0)])
    off, sd = {}, {}
    for name, outline in (("board", frame), ("window", mm)):
        corners = [apply_homography(to_before, outline), distort(apply_homography(to_after, outline), lens)]
        ground = SimpleNamespace(corners_px=corners[1], outlines_px=find_ground(after.preview, 1.0).outlines_px)
        outlines = np.concatenate([corners[:1], piece.outlines_px])
        found = found_by_rectangle(before, after, replace(piece, outlines_px=outlines), ground, cameras, _widest(piece))
        grid = apply_homography(np.linalg.inv(_to_photo(piece)) @ to_before, frame)
        miss = map_points(found.map, grid) - distort(apply_homography(to_after, frame), lens)
        off[name] = np.linalg.norm(miss, axis=1).max() / PX_PER_MM
        sd[name] = map_sd(found.fit, apply_homography(np.linalg.inv(found.to_source), grid)).max() / PX_PER_MM
    assert sd["board"] < sd["window"] / 3
    assert off["board"] < min(0.1, sd["board"])


def test_a_part_of_the_piece_that_a_person_gave_changes_no_alignment():
    """With a given part the whole photo is laid on the grid, and no ground is set apart in it."""
    (before, here), (after, there) = window_photo(3, 1), window_photo(4, 1, turn_deg=3.0)
    piece = rectify(before, pixels_per_mm=PX_PER_MM, find_piece=False)
    assert piece.ground_px is None and piece.level_sd is not None
    result = register(before, after, piece, None)
    assert result.ok and corner_error_mm(result, here, there, PX_PER_MM) < 0.15


@pytest.mark.parametrize("k1", [0.0, 0.02])
def test_sides_of_a_window_are_followed_to_a_third_of_a_pixel_through_the_lens(k1):
    # Simulated truth
    photo, corners = window_photo(5, 1, fibres=(0.02, 40), tilt=(1e-4, 2e-4), turn_deg=4.0, k1=k1)
    found = [traced(photo, one.corners_px, one.dark, (72.0, 54.0), 0.4)
             for one in rectangles_in(photo, find_ground(photo.preview, photo.preview_scale).outlines_px)]
    assert min(np.abs(np.roll(one.fit.corners_px, turn, axis=0) - corners).max()
               for one in found if one is not None for turn in range(4)) < 0.33


def bare_photo(levels):
    """Photo of (corners, level) rectangles, each painted over those before it."""
    picture = np.full(SIZE_PX[::-1], 0.3, np.float32)
    for (x0, y0, x1, y1), level in levels:
        cv2.rectangle(picture, (x0, y0), (x1 - 1, y1 - 1), level, -1)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
    grey = np.uint8(255 * picture ** 0.45)
    return SimpleNamespace(luminance=picture, size_px=SIZE_PX, preview_scale=1.0,
                           preview=np.ascontiguousarray(np.repeat(grey[..., None], 3, axis=2)))


def test_a_window_fainter_than_small_tiles_of_the_bench_is_among_the_rectangles():
    w, h = SIZE_PX
    board, window = (w // 8, h // 8, w * 6 // 8, h * 6 // 8), (w // 4, h // 4, w * 5 // 8, h * 5 // 8)
    tiles = [((x, h * 7 // 8, x + w // 16, h * 7 // 8 + w // 16), 0.05) for x in range(w // 16, w * 14 // 16, w // 8)]
    photo = bare_photo([(board, 0.5), (window, 0.4), *tiles])
    outlines = np.array([[[x0, y0], [x1, y0], [x1, y1], [x0, y1]] for (x0, y0, x1, y1), _ in
                         [(board, 0), *[((a - 9, b - 9, c + 9, d + 9), 0) for (a, b, c, d), _ in tiles]]], float) - 0.5
    x0, y0, x1, y1 = window
    truth = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) - 0.5
    assert any(alike(one.corners_px, truth, 4.0) for one in rectangles_in(photo, outlines))


@pytest.mark.parametrize("margin_mm", [2.3, 2.6, 6.0])
def test_sides_of_a_window_are_followed_though_the_boards_own_edge_is_bolder_and_near(margin_mm):
    w, h = SIZE_PX
    x0, y0, x1, y1 = window = (w // 4, h // 4, w * 3 // 4, h * 3 // 4)
    far = round(margin_mm * PX_PER_MM)
    photo = bare_photo([((x0 - far, y0 - 90, x1 + 90, y1 + 90), 0.15), (window, 0.08)])
    photo.luminance[photo.luminance > 0.29] = 0.9
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) - 0.5
    found = traced(photo, corners + 2.0, True, ((x1 - x0) / PX_PER_MM, (y1 - y0) / PX_PER_MM), 0.4)
    assert found is not None and np.abs(found.fit.corners_px - corners).max() < 0.33


def unlevelled(monkeypatch):
    """No photo tells its slant."""
    monkeypatch.setattr("analysis.piece_unframed.level_by", lambda *_, **__: None)
    monkeypatch.setattr("analysis.register_cameras.level_by", lambda *_, **__: None)


@pytest.mark.parametrize("side", range(4))
def test_a_side_that_a_streak_of_the_grain_was_taken_for_is_told_by_the_strokes(side, monkeypatch):
    """The side's edge positions in AFTER turn away by 12 px over its length, straight as a streak is."""
    (before, here), (after, there) = window_photo(1, 1), window_photo(2, 1, turn_deg=2.0)
    unlevelled(monkeypatch)

    def streaked(photo, *given):
        found = traced(photo, *given)
        if photo is not after or found is None:
            return found
        points = found.edges.points_px.copy()
        away = (found.fit.corners_px.mean(axis=0) - points[side].mean(axis=0)) / 300.0
        points[side] += 12.0 * np.linspace(0, 1, points.shape[1])[:, None] * away / np.linalg.norm(away)
        edges = replace(found.edges, points_px=points)
        return replace(found, edges=edges, fit=fit_sides(edges, photo.size_px))
    monkeypatch.setattr("analysis.register_rectangle.traced", streaked)
    piece, ground = rectify(before, pixels_per_mm=PX_PER_MM), find_ground(after.preview, after.preview_scale)
    found = found_by_rectangle(before, after, piece, ground, cameras_of(piece, after, ground, _to_photo(piece)),
                               _widest(piece))
    at = apply_homography(np.linalg.inv(_to_photo(piece)), here)
    assert np.hypot(*(map_points(found.map, at) - there).T).max() / PX_PER_MM < 0.3


def test_a_window_on_a_bench_full_of_chips_is_judged_by_itself():
    """Where no board stands out, the bench's own chips stand out more than the artwork does."""
    (before, here), (after, there) = window_photo(1, "small"), window_photo(2, "small", turn_deg=2.0)
    rng, bench = np.random.default_rng(3), np.ones(before.luminance.shape, np.uint8)
    cv2.fillConvexPoly(bench, np.round(here.mean(axis=0) + 1.03 * (here - here.mean(axis=0))).astype(np.int32), 0)
    chips = np.ones(bench.shape, np.float32)
    for x, y, angle in rng.uniform(0, 1, (900, 3)) * [SIZE_PX[0], SIZE_PX[1], 180]:
        chip = cv2.boxPoints(((x, y), (40, 9), angle)).astype(np.int32)
        cv2.fillConvexPoly(chips, chip, float(rng.uniform(0.3, 0.6)))
    before = replace(before, luminance=np.where(bench > 0, before.luminance * chips, before.luminance))
    result = register(before, after, rectify(before, pixels_per_mm=PX_PER_MM, find_piece=False), None)
    assert result.ok and corner_error_mm(result, here, there, PX_PER_MM) < 0.15


@pytest.mark.parametrize(("inner", "kept"), [((False, True), 1), ((True, False), 0), ((False, False), 0)])
def test_of_two_rectangles_that_strokes_bear_out_the_one_within_an_outline_is_believed(inner, kept, monkeypatch):
    """A side of the ground left for the board's own edge may by chance lie alike on both boards."""
    photo, corners = window_photo(5, 1)
    ways = [SimpleNamespace(mine=Rectangle(corners_px=corners, dark=True, inner=one),
                            theirs=Rectangle(corners_px=corners, dark=True, inner=False)) for one in inner]
    monkeypatch.setattr("analysis.register_rectangle.ways_to_lay", lambda _: ways)
    monkeypatch.setattr("analysis.register_rectangle._followed", lambda _, one, *__: (one, False))
    piece, ground = rectify(photo, pixels_per_mm=PX_PER_MM), find_ground(photo.preview, photo.preview_scale)
    cameras = cameras_of(piece, photo, ground, _to_photo(piece))
    assert found_by_rectangle(photo, photo, piece, ground, cameras, _widest(piece)) is ways[kept]
