"""Decide: verdict, odds and reasons follow from stripes and grain."""
from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.camera import camera_cause, without_camera_lines
from analysis.decide import USEFUL_LIMIT_PERCENT, VERDICTS, Cause, decide, missed_share
from analysis.geometry import apply_homography
from analysis.grain import measure_grain
from analysis.judge import _above_floor
from analysis.odds import TERMS, line_odds, line_probability
from analysis.photo import Photo
from analysis.photo_waves import wave_in_photo
from analysis.stripes import find_stripes
from analysis.transfer import slant_transfer
from tests.textures import S, cosine, grid, piece, rings, texture


def judged(field, **more):
    given = texture(field)
    found = find_stripes(given)
    return found, decide(found, measure_grain(given, stripe_model=found.model if found.stripes else None), **more)


def ground(seed=1, noise=0.05):
    x, y = grid()
    return x, y, noise * np.random.default_rng(seed).standard_normal(x.shape).astype(np.float32)


def test_stripe_alone_is_mechanical_and_stripe_on_rings_is_mixed():
    x, y, noise = ground()
    stripe = cosine(x, y, period_mm=2.032, contrast_percent=5.0)
    assert judged(noise + stripe)[1].verdict == "mechanical"
    along = rings(y, x, np.random.default_rng(3), spacing_mm=1.7, variation=0.25, contrast_percent=12.0)
    got = judged(noise + stripe + along)[1]
    assert got.verdict == "mixed"
    assert "grain" in got.sentence


def test_rings_alone_are_grain_and_noise_alone_is_clean():
    x, y, noise = ground(2)
    along = rings(y, x, np.random.default_rng(4), spacing_mm=1.7, variation=0.25, contrast_percent=12.0)
    assert judged(noise + along)[1].verdict == "grain"
    assert judged(noise)[1].verdict == "clean"


def test_every_verdict_states_probability_limit_and_next_step():
    x, y, noise = ground(3)
    for field in (noise, noise + cosine(x, y, period_mm=1.0, contrast_percent=3.0)):
        got = judged(field)[1]
        assert got.verdict in VERDICTS
        assert 0.0 <= got.probability_mechanical <= 1.0
        assert got.detection_limit_percent > 0
        assert got.next_step.endswith(".") and got.sentence.endswith(".")
        assert all(r.words.endswith(".") for r in got.reasons)


def test_stripe_gives_reasons_for_spacing_phase_gaps_and_angle():
    x, y, noise = ground(4)
    reasons = judged(noise + cosine(x, y, period_mm=2.0, contrast_percent=5.0))[1].reasons
    assert {"equal spacing", "one phase", "unbroken", "square to the scan axis"} <= {r.term for r in reasons}
    assert [abs(r.weight) for r in reasons] == sorted((abs(r.weight) for r in reasons), reverse=True)


def test_cause_in_the_camera_takes_the_certainty_away():
    x, y, noise = ground(5)
    cause = Cause(term="camera", words="its spacing is 8.00 pixels", next_step="Turn it.")
    got = judged(noise + cosine(x, y, period_mm=2.0, contrast_percent=5.0), cause=cause)[1]
    assert got.verdict == "undecided"
    assert got.probability_mechanical <= 0.5
    assert "8.00 pixels" in got.sentence


def photo(block):
    blank = np.zeros((10, 10), np.float32)
    return Photo(name="t", luminance=blank, preview=np.zeros((10, 10, 3), np.uint8), preview_scale=1.0,
                 size_px=(10, 10), clipped=blank.astype(bool), block_px=block, bits=8)


def test_blocks_of_eight_pixels_are_named_and_a_pitch_beside_them_is_not():
    """ISO/IEC 10918-1 (JPEG) codes 8 x 8 blocks; 4:2:0 colour makes units of 16."""
    x, y, noise = ground(6)
    given = piece(np.exp(noise))           # 12 photo px per mm
    at_block, beside, strong = (find_stripes(texture(0.2 * noise + cosine(x, y, period_mm=px / S, contrast_percent=c)),
                                             with_limit=False) for px, c in ((8, 0.8), (8.1, 0.8), (8, 4.0)))
    assert camera_cause(at_block.stripes[0], given, photo(8), at_block.bands) is not None
    assert camera_cause(at_block.stripes[0], given, photo(0), at_block.bands) is None
    # 840 pixels hold 105 blocks, and 103.7 periods of 8.1 pixels: more than a resolution cell apart
    assert camera_cause(beside.stripes[0], given, photo(8), beside.bands) is None
    assert camera_cause(strong.stripes[0], given, photo(8), strong.bands) is None       # blocks cannot make 4 %
    kx, ky = wave_in_photo(at_block.stripes[0], given)
    assert (1 / kx, ky) == (pytest.approx(8.0, rel=1e-3), pytest.approx(0.0, abs=1e-3))


@pytest.mark.parametrize(("everywhere", "rows"), [(True, False), (False, False), (True, True)])
def test_bands_over_the_whole_photo_are_the_lamps_and_those_on_the_piece_alone_are_not(everywhere, rows):
    """A lamp that flickers while a rolling shutter reads puts bands over all that is in view."""
    x, y, noise = ground(7)
    given = find_stripes(texture(noise + cosine(x, y, period_mm=2.0, contrast_percent=4.0)), with_limit=False)
    height, width = noise.shape
    v, u = np.mgrid[-120:height + 120, -150:width + 150].astype(np.float32)
    mat = 0.03 * np.random.default_rng(8).standard_normal(u.shape) + 0.1 * np.sin(u / 90.0 + v / 70.0)
    bands = 0.02 * np.cos(2 * np.pi * u / (2.0 * S))
    inside = (u >= 0) & (u < width) & (v >= 0) & (v < height)
    light = (0.3 * np.exp(mat + np.where(inside | everywhere, bands, 0.0))).astype(np.float32)
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], float) + [150.0, 120.0]
    to_piece = np.diag([1 / S, 1 / S, 1.0]) @ np.array([[1.0, 0, -150], [0, 1, -120], [0, 0, 1]])
    if rows:                               # the phone held upright: the piece lies on its side in the photo
        light, corners = np.ascontiguousarray(light.T), corners[:, ::-1]
        to_piece = to_piece @ np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, 1]])
    shown = piece(np.exp(noise), corners_px=corners, photo_to_piece=to_piece)
    taken = replace(photo(0), luminance=light, size_px=light.shape[::-1])
    cause = camera_cause(given.stripes[0], shown, taken, given.bands)
    assert (cause is not None) == everywhere
    assert cause is None or ("rows" if rows else "columns") in cause


def test_odds_file_names_every_term_and_a_better_line_never_has_worse_odds():
    model = tomllib.loads(Path("analysis/odds.toml").read_text("utf-8"))
    assert set(model["weight"]) == set(model["neutral"]) == set(TERMS)
    assert model["data"] and model["fitted"]
    middle = dict(model["neutral"])
    base = line_probability(middle)[0]
    for name in ("over_noise", "as_a_line_would", "one_phase_across", "one_phase_along", "coverage"):
        assert line_probability(middle | {name: middle[name] + 0.5})[0] >= base - 1e-12


def test_rows_that_the_pixels_fold_to_a_stripe_are_named_with_their_interval():
    """Sampling theorem: rows at 10 a mm photographed at 10.12 px a mm, turned, show at the difference of the waves."""
    x, y, noise = ground(9)
    turn, px_per_mm = np.radians(8.647), 10.12
    # Rows' wave (0, 10) a mm less the photo's column frequency, seen in the piece's axes: its part along x remains.
    fx = px_per_mm * np.sin(turn)
    at_fold = find_stripes(texture(noise + cosine(x, y, period_mm=1.0 / fx, contrast_percent=1.5)), with_limit=False)
    beside = find_stripes(texture(noise + cosine(x, y, period_mm=1.02 / fx, contrast_percent=1.5)), with_limit=False)
    c, s = np.cos(turn), np.sin(turn)
    turned = np.array([[c, s, 40.0], [-s, c, 60.0], [0.0, 0.0, 1.0]])      # mm to px over px_per_mm
    given = piece(np.exp(noise), photo_to_piece=np.linalg.inv(np.diag([px_per_mm, px_per_mm, 1.0]) @ turned),
                  photo_px_per_mm=px_per_mm)
    cause = camera_cause(at_fold.stripes[0], given, photo(0), at_fold.bands)
    assert cause is not None and f"rows {1 / (px_per_mm * c):.3f} mm apart" in cause
    assert camera_cause(beside.stripes[0], given, photo(0), beside.bands) is None


@pytest.mark.parametrize(("tilt_deg", "named"), [(0.3, True), (6.0, False)])
def test_rows_fold_along_the_photos_own_perspective(tilt_deg, named):
    """Closed form: a slant bends what sampling makes of rows, so a straight stripe at its middle spacing is none."""
    x, y, noise = ground(9)
    middle = np.array([x.mean(), y.mean()])
    turn, px_per_mm, tilt, far = np.radians(8.647), 10.12, np.radians(tilt_deg), 150.0
    c, s = np.cos(turn), np.sin(turn)
    seen = np.diag([px_per_mm, px_per_mm, 1.0]) @ np.array([[1, 0, 40], [0, 1, 60], [0, 0, 1.0]]) @ np.array(
        [[1, 0, 0], [0, np.cos(tilt), 0], [0, np.sin(tilt) / far, 1.0]]) @ np.array(
        [[c, s, 0], [-s, c, 0], [0, 0, 1.0]]) @ np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1.0]])
    given = piece(np.exp(noise), photo_to_piece=np.linalg.inv(seen), photo_px_per_mm=px_per_mm)
    ends = apply_homography(seen, middle + np.array([[0.5, 0.0], [-0.5, 0.0]]))
    at_fold = find_stripes(texture(noise + cosine(x, y, period_mm=1.0 / abs(ends[0, 1] - ends[1, 1]),
                                                  contrast_percent=1.5)), with_limit=False)
    cause = camera_cause(at_fold.stripes[0], given, photo(0), at_fold.bands)
    assert (cause is not None) == named and (not named or "engraved rows 0.1" in cause)


def test_jumps_of_a_resized_file_are_named_and_a_smooth_stripe_of_that_spacing_is_not():
    x, y, noise = ground(10)
    found = find_stripes(texture(noise + cosine(x, y, period_mm=6.3 / S, contrast_percent=0.8)), with_limit=False)
    given = piece(np.exp(noise), photo_to_piece=np.diag([1 / S, 1 / S, 1.0]))
    v, u = np.indices(noise.shape)
    level = np.random.default_rng(11).standard_normal(noise.shape)
    columns, blocks = u % 6.3 < 1.0, (u % 6.3 < 1.0) | (v % 6.3 < 1.0)
    for jump, named in ((1.0 + 0.5 * blocks, True), (1.0 + 0.5 * columns, False), (1.0, False)):   # blocks are square
        light = 0.3 * (1.0 + 0.005 * np.cos(2 * np.pi * u / 6.3)) + 0.004 * jump * level
        taken = replace(photo(16), luminance=light.astype(np.float32), size_px=light.shape[::-1])
        assert (camera_cause(found.stripes[0], given, taken, found.bands) is not None) == named


def test_line_that_blocks_make_beside_a_fine_stripe_is_left_out_and_a_stripe_near_it_is_not():
    """Product of two waves (closed form): blocks of 8 pixels put lines at the stripe's frequency plus n / 8."""
    x, y, noise = ground(13)
    given = piece(np.exp(noise), photo_to_piece=np.diag([1 / S, 1 / S, 1.0]))
    base = 1 / 7.3                         # cycles a pixel
    for off, kept in ((0.0, 1), (2.0 / noise.shape[1], 2)):      # resolution cells beside it
        both = 0.2 * noise + cosine(x, y, period_mm=1 / base / S, contrast_percent=2.0) + cosine(
            x, y, period_mm=1 / (base + 0.125 + off) / S, contrast_percent=0.5)
        field = find_stripes(texture(both), with_limit=False)
        assert len(field.stripes) == 2
        assert len(without_camera_lines(field, given, photo(8), texture(both))[0].stripes) == kept


def test_a_line_of_the_camera_does_not_hide_a_stripe_beside_it():
    x, y, noise = ground(12)
    noise = 0.2 * noise
    both = noise + cosine(x, y, period_mm=8 / S, contrast_percent=0.9) + cosine(x, y, period_mm=2.3,
                                                                              contrast_percent=0.7)
    field = find_stripes(texture(both), with_limit=False)
    given = piece(np.exp(noise), photo_to_piece=np.diag([1 / S, 1 / S, 1.0]))
    kept, cause, told = without_camera_lines(field, given, photo(8), texture(both))
    assert cause is None
    assert [round(s.period_mm, 1) for s in kept.stripes] == [2.3] == [round(c.stripe.period_mm, 1)
                                                                     for c in kept.candidates[:1]]
    assert len(told) == 1 and "8.00 pixels" in told[0]
    alone = find_stripes(texture(noise + cosine(x, y, period_mm=8 / S, contrast_percent=0.9)), with_limit=False)
    kept, cause, told = without_camera_lines(alone, given, photo(8), texture(noise))
    assert cause is not None and kept is alone and told == ()


def test_a_line_that_surely_leans_out_of_the_search_is_not_the_machines():
    x, y, noise = ground(13)
    field = find_stripes(texture(noise + cosine(x, y, period_mm=2.0, contrast_percent=5.0)), with_limit=False)
    line = field.candidates[0].line
    straight, leaning = line_odds(line, 1e-9)[0], line_odds(replace(line, fy_per_mm=line.fx_per_mm * np.tan(
        np.radians(1.9)), fy_sd_per_mm=0.001 * line.fx_per_mm), 1e-9)
    assert straight > 0.9
    assert leaning[0] <= 0.5 and "off_square" in {t.name for t in leaning[1]}


def test_a_line_that_rings_could_make_is_believed_less_where_it_leans_or_is_a_small_part_of_its_spacings_energy():
    """Rings within 5 degrees lean by more than 1 in four views of five, an axis hardly ever (17 mm on a metre)."""
    x, y, noise = ground(13)
    field = find_stripes(texture(noise + cosine(x, y, period_mm=2.0, contrast_percent=5.0)), with_limit=False)
    line = replace(field.candidates[0].line, steady_over_walk=3.0, fy_sd_per_mm=1e-4)

    def odds(lean_deg=0.0, **changed):
        return line_odds(replace(line, fy_per_mm=line.fx_per_mm * np.tan(np.radians(lean_deg)), **changed), 1e-9)[0]
    assert 0.65 < odds() < 0.9 and odds(0.9) == pytest.approx(odds())
    assert odds(1.4) < 0.65
    assert odds(coherence_across=0.05) < 0.65


def test_a_line_whose_interval_reaches_the_floor_is_in_doubt_and_one_with_a_strong_harmonic_is_called():
    x, y, noise = ground(15, noise=0.02)

    def verdict(contrast, second=0.0):
        given = texture(noise + cosine(x, y, period_mm=1.0, contrast_percent=contrast)
                        + cosine(x, y, period_mm=0.5, contrast_percent=second))
        found = find_stripes(given)
        assert len(found.stripes) == 1
        kept = _above_floor(found)
        return len(kept.stripes), decide(kept, measure_grain(given, stripe_model=found.model))
    below, doubtful, harmonic = verdict(0.12), verdict(0.19), verdict(0.15, 0.4)
    assert below[0] == 0 and below[1].probability_mechanical < 0.1
    assert doubtful[0] == 0 and doubtful[1].verdict == "undecided" and "0.2 % contrast" in doubtful[1].sentence
    assert harmonic[0] == 1 and harmonic[1].probability_mechanical > 0.95


def test_a_photo_that_misses_more_leaves_more_probability():
    """Bayes' rule: with one machine in three striped, a photo that would show nothing leaves one third."""
    x, y, noise = ground(14)
    field, clean = judged(noise)
    blind = replace(field, detection_limit_curve=tuple((p, 60.0) for p, _ in field.detection_limit_curve))
    half = replace(field, detection_limit_curve=tuple((p, 60.0 if k % 2 else 0.01) for k, (p, _) in enumerate(
        field.detection_limit_curve[:6])))
    none = replace(field, candidates=(), detection_limit_curve=((1.0, 0.01), (2.0, 0.01)))
    assert [missed_share(f) for f in (blind, half, none)] == [1.0, 0.5, 0.0]
    given = texture(noise)
    told = [decide(replace(f, candidates=()), measure_grain(given)).probability_mechanical for f in (none, half, blind)]
    assert told[0] == pytest.approx(0.01) and told[0] < told[1] < told[2] == pytest.approx(1 / 3)
    assert clean.probability_mechanical < 0.2


def test_a_faint_line_and_what_the_photo_would_miss_are_one_stripe_and_no_two_chances():
    x, y, noise = ground(14)
    found = find_stripes(texture(noise + cosine(x, y, period_mm=2.0, contrast_percent=5.0)), with_limit=False)
    grain = measure_grain(texture(noise))
    told = [decide(replace(found, stripes=(), candidates=(replace(found.candidates[0], probability=seen),),
                           detection_limit_curve=((1.0, 60.0), (2.0, 0.01))), grain).probability_mechanical
            for seen in (0.1, 0.3)]
    assert told == pytest.approx([1 / 5, 0.3])         # half are missed: 1/3 x 1/2 against 2/3


def test_contrast_that_a_slant_fans_out_of_phase_is_read_back():
    """Central projection, to first order: the phase gains a term x times y, here 0.3 turns at the corners."""
    x, y, noise = ground(15)
    u, v = (2.0 * (a - a.min()) / np.ptp(a) - 1.0 for a in (x, y))
    for turns in (0.0, 0.15, 0.3):
        wave = 0.02 * np.cos(2 * np.pi * (x / 2.0 + turns * u * v))
        field = find_stripes(texture(noise + wave.astype(np.float32)), with_limit=False)
        through = slant_transfer(field.candidates[0].line)
        assert through == 1.0 or turns > 0.0
        assert field.stripes[0].contrast_percent / through == pytest.approx(4.0, rel=0.06)


def test_photo_that_shows_no_line_but_would_miss_much_says_so():
    """A limit between useful and poor, no grain, no line at all: undecided, with the limit in the sentence."""
    x, y = grid()
    noise = texture(0.02 * np.random.default_rng(11).standard_normal(x.shape).astype(np.float32))
    field = find_stripes(noise)
    bare = replace(field, stripes=(), candidates=(), detection_limit_percent=1.5 * USEFUL_LIMIT_PERCENT)
    decision = decide(bare, measure_grain(noise))
    assert decision.verdict == "undecided" and f"{1.5 * USEFUL_LIMIT_PERCENT:.1f} %" in decision.sentence
    assert decision.next_step.startswith("Photograph again")
