"""The planned test piece: layout, files, statistics, and a photo of it."""
from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from xml.etree import ElementTree

import cv2
import ezdxf
import numpy as np
import pytest
from ezdxf import recover
from scipy import stats

from analysis.errors import PhotoError
from analysis.marks import find_marks, mark_corners_mm
from analysis.plan import make_plan, mark_fields, patches
from analysis.plan_files import plan_dxf, plan_json, plan_svg, read_plan
from analysis.plan_font import GLYPHS, text_strokes, text_width
from analysis.plan_page import plan_page
from analysis.plan_photo import judge_plan, place_marks, turned_piece
from analysis.plan_settings import PlanSettings
from analysis.provable import ideal_contrast_percent, ideal_period_sd_mm, provable
from tests.planned import engraved, photographed

SVG = "{http://www.w3.org/2000/svg}"
SMALL = PlanSettings(width_mm=90.0, height_mm=70.0, powers_percent=(15.0, 40.0), speeds_mm_s=(200.0,),
                     steps_percent=(10.0, 30.0))
LARGE = PlanSettings(width_mm=300.0, height_mm=200.0, powers_percent=tuple(range(5, 65, 5)),
                     speeds_mm_s=(80.0, 150.0, 400.0))
PLANS = (PlanSettings(), SMALL, LARGE,
         replace(SMALL, turned=False, steps_percent=(), title=""))


def boxes_overlap(first, second):
    """Whether two rectangles (x, y, w, h) share area."""
    (ax, ay, aw, ah), (bx, by, bw, bh) = first, second
    return ax < bx + bw - 1e-9 and bx < ax + aw - 1e-9 and ay < by + bh - 1e-9 and by < ay + ah - 1e-9


@pytest.mark.parametrize("settings", PLANS)
def test_nothing_overlaps_and_all_lies_inside_the_frame(settings):
    """Property: patches, marks with a plain rim of one field, and the frame's line are apart."""
    plan = make_plan(settings)
    w, h = settings.width_mm, settings.height_mm
    marks = [(c[0][0] - 1, c[0][1] - 1, 10.0, 10.0) for c in mark_corners_mm((w, h)).values()]
    boxes = [p.outline_mm for p in plan.patches] + marks
    assert not any(boxes_overlap(a, b) for i, a in enumerate(boxes) for b in boxes[:i])
    assert all(0.8 <= x and 0.8 <= y and x + bw <= w - 0.8 and y + bh <= h - 0.8 for x, y, bw, bh in boxes)
    for shape in plan.shapes:
        points = np.array(shape.points_mm)
        assert points.min() >= 0 and (points <= [w, h]).all()


@pytest.mark.parametrize("settings", PLANS)
def test_lettering_touches_no_patch_and_no_mark(settings):
    """Property: a stroke inside a patch would be artwork in its analysis."""
    plan = make_plan(settings)
    marks = mark_corners_mm((settings.width_mm, settings.height_mm)).values()
    boxes = [p.outline_mm for p in plan.patches] + [(*corners[0], 8.0, 8.0) for corners in marks]
    for shape in plan.shapes:
        if shape.layer == "TEXT":
            (x0, y0), (x1, y1) = np.min(shape.points_mm, axis=0), np.max(shape.points_mm, axis=0)
            assert not any(boxes_overlap((x0, y0, x1 - x0 + 1e-6, y1 - y0 + 1e-6), box) for box in boxes)


def test_each_pair_of_power_and_speed_has_a_patch_and_one_group_is_turned():
    """The request: patches over power and speed, one group turned by 90 degrees."""
    plan = make_plan()
    upright = {(p.power_percent, p.speed_mm_s) for p in plan.patches if not p.turned}
    assert upright == {(p, v) for p in (10, 20, 30, 40, 50) for v in (200, 320)}
    turned = [p for p in plan.patches if p.turned]
    assert [p.power_percent for p in turned] == [10, 30, 50]
    assert all(p.outline_mm[3] > 5 * p.outline_mm[2] for p in turned)
    assert all(p.outline_mm[2] > 3 * p.outline_mm[3] for p in plan.patches if not p.turned)
    assert patches(plan) == plan.patches


def test_regions_lie_inside_their_patches():
    """Property: the turning points of the head stay out."""
    for patch in make_plan().patches:
        x, y, w, h = patch.outline_mm
        rx, ry, rw, rh = patch.region_mm
        assert rx - x == pytest.approx(0.6) and ry - y == pytest.approx(0.6)
        assert rw == pytest.approx(w - 1.2) and rh == pytest.approx(h - 1.2)


def test_svg_is_plain_shapes_in_millimetres():
    """W3C SVG 1.1: width in mm with a viewBox of the same numbers makes one user unit one mm."""
    root = ElementTree.fromstring(plan_svg(make_plan()))
    assert root.get("width") == "160mm" and root.get("height") == "110mm"
    assert root.get("viewBox") == "0 0 160 110"
    kinds = {e.tag.removeprefix(SVG) for e in root.iter()}
    assert kinds == {"svg", "title", "metadata", "g", "desc", "path"}
    assert {g.get("id") for g in root.iter(f"{SVG}g")} == {layer.name for layer in make_plan().layers}
    colours = [layer.colour for layer in make_plan().layers]
    assert len(set(colours)) == len(colours)


def test_svg_and_dxf_draw_the_same_outlines():
    """Read back with ElementTree and with ezdxf, whose y points up."""
    plan = make_plan(SMALL)
    drawn = []
    for path in ElementTree.fromstring(plan_svg(plan)).iter(f"{SVG}path"):
        for part in re.findall(r"M([^MZ]*)", path.get("d")):
            drawn.append([tuple(map(float, p.split(","))) for p in part.replace("L", " ").split()])
    document, auditor = recover.read(io.BytesIO(plan_dxf(plan)))
    assert not auditor.has_errors
    lines = list(document.modelspace().query("LWPOLYLINE"))
    read = [[(x, 70.0 - y) for x, y in line.get_points("xy")] for line in lines]
    assert len(drawn) == len(read) == len(plan.shapes)

    def key(outline):
        return sorted(np.round(outline, 3).tolist())
    assert sorted(map(key, drawn)) == sorted(map(key, read))
    assert len(lines) == len(document.modelspace())


def test_dxf_says_millimetres_and_has_a_layer_for_each_setting():
    """DXF reference: $INSUNITS 4 is millimetres."""
    plan = make_plan(SMALL)
    document, _ = recover.read(io.BytesIO(plan_dxf(plan)))
    assert document.header["$INSUNITS"] == 4
    assert {layer.name for layer in plan.layers} <= {layer.dxf.name for layer in document.layers}
    frame = [e for e in document.modelspace() if e.dxf.layer == "FRAME"]
    widths = sorted(np.ptp(np.array(e.get_points("xy")), axis=0).tolist() for e in frame)
    assert np.array(widths) == pytest.approx(np.array([[88.4, 68.4], [90.0, 70.0]]))
    assert all(e.closed for e in frame)
    assert document.dxfversion == ezdxf.const.DXF2010


@pytest.mark.parametrize("settings", PLANS)
def test_a_plan_is_read_back_from_svg_and_from_json(settings):
    """Property: what was saved comes back the same."""
    plan = make_plan(settings)
    assert read_plan(plan_svg(plan)) == plan
    assert read_plan(plan_json(plan)) == plan


OURS = '{"kind": "stripe-or-grain test piece"'


@pytest.mark.parametrize("text", ["", "{}", "[]", "nonsense", "<svg/>", OURS + "}", OURS + ', "format": 1}',
                                  OURS + ', "format": 1, "settings": {"colour": 3}}',
                                  OURS + ', "format": 1, "settings": {"width_mm": "x"}}',
                                  '<!DOCTYPE x [<!ENTITY a "b">]><svg>&a;</svg>', "\x00\x01", "[" * 5000])
def test_a_file_that_is_no_plan_gives_one_sentence(text, tmp_path):
    """Bad input; entity declarations are refused unread."""
    file = tmp_path / "plan"
    file.write_bytes(text.encode())
    with pytest.raises(PhotoError):
        read_plan(file)


def test_a_plan_of_a_missing_file_names_it(tmp_path):
    """Bad input."""
    with pytest.raises(PhotoError, match="none.svg"):
        read_plan(tmp_path / "none.svg")


@pytest.mark.parametrize("wrong", [
    {"width_mm": 20.0}, {"height_mm": float("nan")}, {"powers_percent": ()}, {"powers_percent": (10.0, 10.0)},
    {"powers_percent": (0.0,)}, {"powers_percent": (150.0,)}, {"speeds_mm_s": (-5.0,)},
    {"speeds_mm_s": (100.0, 200.0, 300.0)}, {"powers_percent": tuple(range(5, 65, 5)), "height_mm": 70.0},
    {"line_interval_mm": 0.0}, {"title": "A" * 60}, {"wavelength_nm": 5.0},
    {"height_mm": 60.0, "width_mm": 60.0}])
def test_a_plan_that_cannot_be_is_refused_with_its_mend(wrong):
    """Bad input: each sentence says what to change."""
    with pytest.raises(PhotoError, match=r"must|Give|Make|make|Shorten"):
        make_plan(replace(SMALL, **wrong))


def test_marks_are_those_of_the_open_dictionary():
    """OpenCV's aruco module reads the drawn fields back as AprilTag 36h11 numbers 0 to 3."""
    for number, corners in mark_corners_mm((100.0, 80.0)).items():
        picture = np.full((120, 120), 255, np.uint8)
        for field in mark_fields(number):
            x, y, w, h = (round(10 * v) for v in field)
            picture[20 + y: 20 + y + h, 20 + x: 20 + x + w] = 0
        detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
        found, numbers, _ = detector.detectMarkers(picture)
        assert np.reshape(numbers, -1).tolist() == [number]
        assert np.reshape(found[0], (4, 2)) == pytest.approx(
            (np.array(corners) - corners[0]) * 10 + 20, abs=1.1)


def test_every_glyph_stays_on_its_grid_and_words_are_as_wide_as_said():
    """Property of the stroke letters; an unknown sign becomes a question mark."""
    for glyph in GLYPHS:
        points = np.array([p for s in text_strokes(glyph, 0.0, 0.0, 6.0) for p in s]).reshape(-1, 2)
        assert points.size == 0 or (points.min() >= 0 and (points <= [4, 6]).all())
    strokes = text_strokes("W10", 5.0, 2.0, 3.0)
    assert max(x for s in strokes for x, _ in s) == pytest.approx(5.0 + text_width("W10", 3.0))
    assert text_strokes("\u00e9", 0, 0, 6) == text_strokes("?", 0, 0, 6)
    upward = np.array([p for s in text_strokes("N", 1.0, 9.0, 6.0, turned=True) for p in s])
    assert upward.min(axis=0).tolist() == [1.0, 5.0] and upward.max(axis=0).tolist() == [7.0, 9.0]


def test_the_instructions_carry_every_caution():
    """Laser safety as in IEC 60825-1, EN 207; chlorinated plastics: common practice, no source."""
    page = plan_page(make_plan(replace(SMALL, wavelength_nm=450.0, title="<b>")))
    for words in ("manual", "450 nm", "Never leave", "fumes", "PVC", "Extinguisher", "unplug", "EN 207"):
        assert words in page
    assert "<b>" not in page and "&lt;b&gt;" in page
    assert "http://" not in page.replace("http://www.w3.org", "") and "https://" not in page
    assert all(layer.name in page for layer in make_plan(SMALL).layers)


def test_ideal_contrast_is_that_of_the_noncentral_chi_square():
    """Noncentrality 20.650: 95 % found at 1 % false alarms (SciPy's ncx2); contrast goes as 1 / sqrt N."""
    bar = stats.chi2.isf(0.01, 2)
    assert stats.ncx2.sf(bar, 2, 20.650) == pytest.approx(0.95, abs=1e-4)
    assert ideal_contrast_percent(0.01, 10_000) == pytest.approx(200 * 0.01 * np.sqrt(2 * 20.650 / 10_000))
    assert ideal_contrast_percent(0.01, 40_000) == pytest.approx(0.5 * ideal_contrast_percent(0.01, 10_000))


def test_ideal_period_error_of_the_worked_example():
    """80 x 60 mm, 12 samples/mm, amplitude 1 %, noise 5 %: 0.00024 mm on 2.032 (Rife, Boorstyn 1974)."""
    assert ideal_period_sd_mm(2.032, 2.0, 0.05, 960, 720, 12.0) == pytest.approx(0.00024, rel=0.05)


def test_what_a_patch_proves_is_above_the_ideal_and_improves_with_its_size():
    """The search cannot beat the closed form for its noise alone; four times the height helps."""
    small, large = (provable(50.0, h, 12.0, grain_percent=4.0) for h in (10.0, 40.0))
    assert small.shortest_mm == pytest.approx(0.5) and small.longest_mm == pytest.approx(6.25)
    ideal = ideal_contrast_percent(0.01, 50 * 12 * 10 * 12)
    assert all(contrast > ideal for _, contrast in small.curve)
    assert np.median([b / a for (_, a), (_, b) in zip(small.curve, large.curve, strict=True)]) < 0.85
    assert all(w >= m for (_, m), (_, w) in zip(small.curve, small.worst_curve, strict=True))
    assert all(0.499 <= p <= 6.26 for p, _ in small.curve)


@pytest.mark.parametrize("size", [(4.0, 10.0, 12.0), (50.0, 2.0, 12.0), (50.0, 10.0, 0.5)])
def test_a_patch_that_proves_nothing_is_refused(size):
    """Bad input."""
    with pytest.raises(PhotoError, match="proves nothing"):
        provable(*size)


@pytest.fixture(scope="module")
def striped():
    """A striped piece photographed at 170 degrees: upside down, as a person may hold it."""
    plan = make_plan(SMALL)
    board, s, margin = engraved(plan, 5, period_mm=2.032, contrast_percent=6.0)
    data, truth = photographed(board, s, margin, plan, turn_deg=170.0)
    return plan, judge_plan(data, plan, name="piece.jpg"), truth


def test_the_marks_place_the_frame_whichever_way_up(striped):
    """Simulated truth: corners within 0.15 mm, 0.08 of it the drawing's raster; orientation too."""
    plan, result, truth = striped
    rim = np.array([[0, 0], [90, 0], [90, 70], [0, 70]], float).reshape(-1, 1, 2)
    expected = cv2.perspectiveTransform(rim, truth).reshape(4, 2)
    miss = np.linalg.norm(result.piece.corners_px - expected, axis=1)
    assert result.marks_found == (0, 1, 2, 3)
    assert miss.max() < 0.15 * result.piece.photo_px_per_mm


def test_every_patch_of_a_striped_piece_is_judged_by_itself(striped):
    """Simulated truth: 2.032 mm at 6 % in all patches, along y in the turned ones; period within 0.5 %."""
    plan, result, _ = striped
    assert [r.patch for r in result.patches] == list(plan.patches)
    for r in result.patches:
        assert r.why_not is None and r.decision.verdict in ("mechanical", "mixed"), r.patch.name
        assert r.stripes[0].period_mm == pytest.approx(2.032, rel=0.005)
        assert r.stripes[0].contrast_percent == pytest.approx(6.0, rel=0.15)


def test_deeper_patches_are_darker(striped):
    """Simulated truth: reflectance falls with power."""
    _, result, _ = striped
    shades = {r.patch.power_percent: r.reflectance for r in result.patches if not r.patch.turned}
    assert shades[15.0] > 1.5 * shades[40.0]


def test_grain_is_turned_in_the_turned_group(striped):
    """Lines at 40 degrees on the board stand at 40 - 90 = -50 degrees from the turned scan axis."""
    _, result, _ = striped
    for r in result.patches:
        expected = -50.0 if r.patch.turned else 40.0
        assert abs((r.grain.angle_deg - expected + 90) % 180 - 90) < 6


def test_a_piece_without_stripes_has_none_in_any_patch():
    """Simulated truth: grain alone, photographed on its side."""
    plan = make_plan(SMALL)
    board, s, margin = engraved(plan, 6, period_mm=2.0, contrast_percent=0.0)
    data, _ = photographed(board, s, margin, plan, turn_deg=92.0)
    seen = []
    result = judge_plan(data, plan, progress=lambda share, words: seen.append(share))
    assert all(r.decision.verdict not in ("mechanical", "mixed") for r in result.patches)
    assert seen == sorted(seen) and seen[-1] == 1.0


def test_two_marks_are_enough_and_one_is_not():
    """A plane needs four points: two marks on a diagonal give eight."""
    places = mark_corners_mm((90.0, 70.0))
    marks = {n: np.array(places[n]) * 10 for n in (0, 2)}
    assert place_marks(marks, (90.0, 70.0)).corners_px == pytest.approx(
        np.array([[0, 0], [900, 0], [900, 700], [0, 700]]), abs=0.01)
    with pytest.raises(PhotoError, match="1 of the 4"):
        place_marks({0: marks[0]}, (90.0, 70.0))
    with pytest.raises(PhotoError, match="0 of the 4"):
        place_marks(find_marks(np.full((300, 400), 0.5, np.float32)), (90.0, 70.0))


def test_marks_of_another_plan_are_refused():
    """Bad input: the piece in the photo has other proportions."""
    places = mark_corners_mm((160.0, 60.0))
    marks = {n: np.array(places[n]) * 10 for n in places}
    with pytest.raises(PhotoError, match="do not lie as on this plan"):
        place_marks(marks, (90.0, 120.0))


def test_turning_a_piece_four_times_brings_it_back(striped):
    """Property: a quarter turn is exact; coordinates follow the samples."""
    _, result, _ = striped
    piece = result.piece
    once = turned_piece(piece)
    r, c = 200, 300
    x, y = piece.origin_mm[0] + c / piece.samples_per_mm, piece.origin_mm[1] + r / piece.samples_per_mm
    row = (90.0 - x - once.origin_mm[1]) * once.samples_per_mm
    column = (y - once.origin_mm[0]) * once.samples_per_mm
    assert once.reflectance[round(row), round(column)] == piece.reflectance[r, c]
    again = turned_piece(turned_piece(turned_piece(once)))
    assert np.array_equal(again.reflectance, piece.reflectance)
    assert again.origin_mm == pytest.approx(piece.origin_mm, abs=1e-9)
    assert again.photo_to_piece == pytest.approx(piece.photo_to_piece, abs=1e-9)
    assert again.frame_mm == piece.frame_mm


def test_json_holds_the_patches_for_other_programs():
    """The side file is plain JSON with each patch's place in mm."""
    facts = json.loads(plan_json(make_plan(SMALL)))
    assert facts["format"] == 1
    assert [p["name"] for p in facts["patches"]] == ["P15 V200", "P40 V200", "P15 V200 T", "P40 V200 T"]
