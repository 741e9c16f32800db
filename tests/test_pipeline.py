"""The main job end to end on the demo photos, whose truth is known to the digit."""
from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from analysis.errors import PhotoError
from analysis.machine import load_machine
from analysis.photo import load_photo
from analysis.piece_framed import at_full_scale
from analysis.pipeline import compare, inspect
from analysis.rectify import rectify
from analysis.settings import Settings
from analysis.simulate import CameraSpec, GrainSpec, PieceSpec, StripeSpec, encode, photograph
from analysis.transfer import highest_contrast

DEMO = Path(__file__).parents[1] / "demo_images"
TRUTH = json.loads((DEMO / "truth.json").read_text("utf-8"))["pairs"]
FRAME = Settings(frame_mm=(80.0, 60.0))


@pytest.fixture(scope="module")
def compared():
    """Each demo pair compared once."""
    done = {}

    def get(name):
        if name not in done:
            pair = TRUTH[name]
            done[name] = compare(DEMO / pair["before"]["file"], DEMO / pair["after"]["file"], FRAME)
        return done[name]
    return get


@pytest.mark.parametrize("name", list(TRUTH))
def test_demo_pair_gets_its_true_answer(compared, name):
    got, truth = compared(name), TRUTH[name]
    assert got.change.verdict == truth["change"]
    for judged, side in ((got.before, truth["before"]), (got.after, truth["after"])):
        assert judged.decision.verdict in {side["verdict"], "mixed"} if side["stripes"] else {"grain", "clean"}
        assert len(judged.stripes.stripes) == len(side["stripes"])
        for stripe, true in zip(judged.stripes.stripes, side["stripes"], strict=True):
            assert stripe.period_mm == pytest.approx(true["period_mm"], rel=0.005)
            assert stripe.contrast_percent == pytest.approx(true["contrast_percent"], rel=0.15)


@pytest.mark.parametrize("name", list(TRUTH))
def test_after_is_laid_on_before_within_a_third_of_a_millimetre(compared, name):
    """Corners of the frame as the protocol of homography benchmarks takes them (HPatches: mean corner error)."""
    got, truth = compared(name), TRUTH[name]
    assert got.alignment.ok
    after, before = (np.array(truth[side]["corners_px"]) for side in ("after", "before"))
    mapped = np.column_stack([after, np.ones(4)]) @ got.alignment.homography.T
    miss = np.linalg.norm(mapped[:, :2] / mapped[:, 2:] - before, axis=1)
    px_per_mm = np.linalg.norm(before[1] - before[0]) / 80.0
    assert miss.max() / px_per_mm < 0.3


def test_progress_goes_up_to_one_and_says_what_it_does():
    told = []
    inspect(DEMO / TRUTH["cured"]["before"]["file"], FRAME, progress=lambda share, words: told.append((share, words)))
    shares = [share for share, _ in told]
    assert shares == sorted(shares) and shares[-1] == 1.0
    assert all(words for _, words in told)


def test_machine_file_names_the_belt_pitch():
    machine = load_machine(DEMO / "machine.toml")
    got = inspect(DEMO / TRUTH["cured"]["before"]["file"], FRAME, machine=machine).photo
    best = max(got.sources[0], key=lambda s: s["probability"])
    assert "pitch" in best["part"] or "tooth" in best["part"] or "belt" in best["part"]
    assert sum(s["probability"] for s in got.sources[0]) == pytest.approx(1.0, abs=0.05)
    told = [r.words for r in got.decision.reasons if r.term == "listed periods"]
    pitch = got.stripes.stripes[0].period_mm
    assert len(told) == 1 and "2 mm" in told[0] and f"{pitch:.3g} mm" not in told[0]      # not of what was found


def test_same_photo_twice_is_unchanged_and_in_the_same_place():
    photo = (DEMO / TRUTH["cured"]["before"]["file"]).read_bytes()
    got = compare(photo, photo, FRAME, names=("a.jpg", "b.jpg"))
    assert got.change.verdict == "unchanged"
    assert got.change.ratio == pytest.approx(1.0, abs=0.03)
    assert got.change.phase_locked is not False
    assert np.allclose(got.alignment.homography / got.alignment.homography[2, 2], np.eye(3), atol=2.0)


def test_same_photos_give_the_same_answer_to_the_last_digit(compared):
    first = compared("cured")
    again = compare(DEMO / TRUTH["cured"]["before"]["file"], DEMO / TRUTH["cured"]["after"]["file"], FRAME)
    assert again.change == first.change
    assert again.before.decision == first.before.decision
    assert np.array_equal(again.alignment.homography, first.alignment.homography)


def test_threads_take_turns_after_a_comparison_as_they_did_before():
    usual = sys.getswitchinterval()
    compare(DEMO / TRUTH["cured"]["before"]["file"], DEMO / TRUTH["cured"]["after"]["file"], FRAME)
    with pytest.raises(PhotoError):
        compare(b"no photo", b"no photo", FRAME)
    assert sys.getswitchinterval() == usual


def test_without_any_scale_the_period_is_told_in_pixels():
    got = inspect(DEMO / TRUTH["cured"]["before"]["file"]).photo
    assert not got.piece.scale_known
    assert got.decision.verdict in {"mechanical", "mixed", "grain", "clean", "undecided"}


def test_given_corners_serve_in_place_of_the_search():
    corners = tuple(map(tuple, TRUTH["cured"]["before"]["corners_px"]))
    got = inspect(DEMO / TRUTH["cured"]["before"]["file"],
                  Settings(frame_mm=(80.0, 60.0), before_corners_px=corners)).photo
    assert got.piece.method == "corners"
    assert got.stripes.stripes[0].period_mm == pytest.approx(2.032, rel=0.003)


def square_piece(turned, period_px=24.0, share=0.02, height_px=720):
    """A frame of 60 x 60 mm, or less high, at 12 px/mm, stripes of 4 % every 2 mm or others, as bytes."""
    rng = np.random.default_rng(7)
    light = 0.5 * (1 + 0.03 * rng.standard_normal((240 + height_px, 960)))
    light[120:-120, 120:840] *= 0.45
    light[129:-129, 129:831] /= 0.45
    inner = light[170:-170, 170:790]
    inner *= 0.6 * (1 + share * np.cos(2 * np.pi * np.arange(620) / period_px))
    light = cv2.GaussianBlur(light.T if turned else light, (0, 0), 0.8)
    return cv2.imencode(".png", np.clip(255 * light ** (1 / 2.2), 0, 255).astype(np.uint8))[1].tobytes()


def test_size_given_the_wrong_way_round_clears_no_piece():
    """Stripes of 2 mm across a frame of 60 x 45 mm: stated as 45 x 60 mm it lies on its side."""
    photo = square_piece(False, height_px=540)
    right, swapped = (inspect(photo, Settings(frame_mm=size)).photo for size in ((60.0, 45.0), (45.0, 60.0)))
    assert right.decision.verdict == "mechanical"
    assert swapped.decision.verdict == "undecided" and "lies on its side" in swapped.decision.sentence
    assert any("the wrong way round" in words for words in swapped.warnings)


def test_square_piece_that_may_lie_on_its_side_is_not_cleared():
    settings = Settings(frame_mm=(60.0, 60.0))
    upright, lying = (inspect(square_piece(turned), settings).photo for turned in (False, True))
    assert upright.decision.verdict == "mechanical"
    assert lying.decision.verdict == "undecided" and "lies on its side" in lying.decision.sentence
    assert "2" in lying.decision.sentence and "the way it lay in the machine" in lying.decision.next_step


def test_lines_as_fine_as_engraved_rows_on_a_square_piece_are_not_called_the_drives():
    photo = square_piece(False, period_px=3.5, share=0.08)
    corners = ((120.0, 120.0), (839.0, 120.0), (839.0, 839.0), (120.0, 839.0))
    alone = inspect(photo, Settings(frame_mm=(60.0, 60.0))).photo
    given = inspect(photo, Settings(frame_mm=(60.0, 60.0), before_corners_px=corners)).photo
    assert alone.stripes.stripes and alone.decision.verdict == "undecided"
    assert "rows" in alone.decision.sentence and "the way it lay in the machine" in alone.decision.next_step
    assert not any(r.term == "camera" for r in alone.decision.reasons)
    assert "the way it lay in the machine" in alone.next_tests[0].words
    assert given.decision.verdict in {"mechanical", "mixed"}


def test_piece_sampled_again_at_full_scale_is_the_piece_sampled_so_at_once():
    """AFTER of a pair that cannot be aligned is judged alone, without a second search for its frame."""
    photo = load_photo(DEMO / TRUTH["cured"]["after"]["file"])
    fine, coarse = (rectify(photo, frame_mm=(80.0, 60.0), samples_per_mm=most) for most in (None, 8.0))
    again = at_full_scale(photo, coarse)
    assert coarse.samples_per_mm == 8.0 and again.samples_per_mm == fine.samples_per_mm > 8.0
    assert np.array_equal(again.reflectance, fine.reflectance) and np.array_equal(again.valid, fine.valid)
    assert at_full_scale(photo, fine) is fine


def test_region_off_the_piece_is_refused_in_words():
    with pytest.raises(PhotoError, match="region"):
        inspect(DEMO / TRUTH["cured"]["before"]["file"], Settings(frame_mm=(80.0, 60.0), region_mm=(500, 500, 10, 10)))


def test_report_is_the_same_to_the_last_digit_on_one_core_and_on_all(tmp_path):
    pair = [str(DEMO / TRUTH["smaller"][side]["file"]) for side in ("before", "after")]
    told = []
    for name, cores in (("one", "{min(os.sched_getaffinity(0))}"), ("all", "os.sched_getaffinity(0)")):
        file = tmp_path / f"{name}.json"
        code = (f"import os, sys; os.sched_setaffinity(0, {cores}); from analysis.__main__ import main; "
                f"sys.exit(main(['compare', *{pair!r}, '--frame', '80x60', '--json', {str(file)!r}]))")
        subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, timeout=120)
        told.append(file.read_text("utf-8"))
    assert told[0] == told[1]


@pytest.mark.parametrize("first", ["numpy", "analysis"])
def test_linear_algebra_runs_on_one_thread_whichever_is_loaded_first(first):
    """Threads of the library, as threadpoolctl sees them; two of them took three times the computing."""
    code = (f"import {first}, analysis, numpy, threadpoolctl; "
            "print(max(one['num_threads'] for one in threadpoolctl.threadpool_info() if one['user_api'] == 'blas'))")
    told = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, timeout=60)
    assert told.stdout.strip() == "1"


def even_ground() -> bytes:
    """Photo full of one ground: even light, noise of 3 %, and nothing that has an outline or a direction."""
    noise = np.random.default_rng(6).standard_normal((900, 1200))
    return cv2.imencode(".png", np.clip(110 * (1 + 0.03 * noise), 0, 255).astype(np.uint8))[1].tobytes()


def test_a_photo_that_shows_neither_piece_nor_scan_axis_clears_no_machine_until_told_more():
    """A stripe is looked for within 1.5 degrees; a hand-held photo is level within 3 (1 s.d.)."""
    blind = inspect(even_ground(), Settings(pixels_per_mm=12.0)).photo
    assert blind.piece.axis_from == "assumed" and blind.piece.ground_px is None
    assert blind.decision.verdict == "undecided" and "no piece stands out" in blind.decision.sentence
    told = inspect(even_ground(), Settings(pixels_per_mm=12.0, region_mm=(-40.0, -30.0, 80.0, 60.0))).photo
    assert told.decision.verdict == "clean"


@pytest.mark.parametrize("striped", [False, True])
def test_bands_of_a_flickering_lamp_on_a_slanted_photo_are_laid_to_it_and_a_stripe_beside_them_is_found(striped):
    """6 % every 60 rows of the sensor, 10 degrees of slant: on the piece they are a line of their own."""
    stripe = StripeSpec(period_mm=1.7, contrast_percent=4.0, angle_deg=0.1)
    piece = PieceSpec(width_mm=80.0, height_mm=60.0, stripes=(stripe,) if striped else (), artwork=("frame", "text"),
                      grains=(GrainSpec(contrast_percent=3.0, spacing_mm=1.0),), margin_mm=(12.0,) * 4)
    camera = CameraSpec(size_px=(2000, 1500), px_per_mm=14.5, tilt_deg=10.0, tilt_azimuth_deg=0.0, turn_deg=90.0,
                        flicker=0.06, flicker_rows=60.0)
    got = inspect(encode(photograph(piece, camera, 1)), FRAME).photo
    told = got.warnings + tuple(r.words for r in got.decision.reasons if r.term == "camera")
    assert any("flickering lamp" in words for words in told)
    if striped:
        assert got.decision.verdict in ("mechanical", "mixed")
        assert [round(s.period_mm, 2) for s in got.stripes.stripes] == [1.7]
    else:
        assert got.decision.verdict == "undecided"


def test_why_the_frame_of_after_was_not_found_is_why_the_photos_were_not_aligned():
    got = compare((DEMO / TRUTH["cured"]["before"]["file"]).read_bytes(), even_ground(), FRAME)
    assert not got.alignment.ok and got.alignment.reason.startswith("AFTER: ") and "frame" in got.alignment.reason


@pytest.mark.parametrize(("least_share", "sd"), [(0.95, 0.03), (0.95, 0.1), (0.6, 0.05), (1.0, 0.04)])
def test_upper_end_of_a_contrast_holds_what_blur_and_noise_hide_and_no_more(least_share, sd):
    """Drawn: an even share in the logarithm and a normal error; 96 to 99.5 % of contrasts lie below the upper end."""
    rng = np.random.default_rng(3)
    hidden = rng.uniform(0.0, abs(np.log(least_share)), 20000)
    found = 5.0 * np.exp(-hidden + sd * rng.standard_normal(hidden.size))
    ends = np.array([highest_contrast(c, c * np.exp(1.96 * sd), least_share) for c in found])
    assert 0.96 < np.mean(ends > 5.0) < 0.995


def test_after_whose_frame_is_not_found_neither_blames_nor_clears_the_machine():
    """All of that photo is judged, bench and all: its even lines are a mat's, and another's evenness says nothing."""
    before = (DEMO / "cured_before.jpg").read_bytes()
    y, x = np.mgrid[:900, :1200]
    for lines in (0.05, 0.0):
        mat = 0.4 + lines * np.cos(2 * np.pi * x / 25.0) + 0.01 * np.random.default_rng(1).standard_normal(x.shape)
        after = cv2.imencode(".png", np.round(255 * np.clip(mat, 0, 1)).astype(np.uint8))[1].tobytes()
        result = compare(before, after, FRAME)
        assert not result.alignment.ok
        assert result.after.decision.verdict == "undecided" and "bench and all" in result.after.decision.sentence
        assert result.before.decision.verdict == "mixed"
