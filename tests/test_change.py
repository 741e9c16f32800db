"""Change: ratios with intervals that hold near zero, and verdicts that follow from them."""
from __future__ import annotations

from dataclasses import make_dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import rice

from analysis.change import CHANGES, _ratio, compare_stripes
from analysis.limit import limit_near
from analysis.phase_lock import phase_lock, same_ground
from analysis.stripes import find_stripes
from analysis.transfer import transfer_between
from tests.textures import cosine, grid, texture

Blurred = make_dataclass("Blurred", ["blur_px"])


def field(seed, *, phase=0.3, **stripe):
    x, y = grid()
    noise = 0.06 * np.random.default_rng(seed).standard_normal(x.shape)
    wave = cosine(x, y, phase_rad=phase, **stripe) if stripe else 0.0
    return find_stripes(texture(noise + wave))


def change(before, after, **more):
    given = dict(before_called=bool(before.stripes), after_called=bool(after.stripes), aligned=True,
                 same_place_sd_mm=0.02)
    return compare_stripes(before, after, **(given | more))


@pytest.mark.parametrize(("left", "verdict"), [(0.0, "removed"), (0.4, "reduced"), (1.0, "unchanged"), (1.6, "worse")])
def test_verdict_follows_the_true_ratio(left, verdict):
    before = field(1, period_mm=2.032, contrast_percent=5.0)
    after = field(2, period_mm=2.032, contrast_percent=5.0 * left) if left else field(2)
    got = change(before, after)
    assert got.verdict == verdict
    assert got.ratio_interval[0] <= left <= got.ratio_interval[1]
    assert got.verdict in CHANGES


def test_cured_stripe_has_no_ratio_left_on_average():
    """E(a^2) is inflated by 4 s^2 / N (facts of the periodogram): taken off, the ratio's mean square is near zero."""
    before = field(1, period_mm=2.032, contrast_percent=5.0)
    ratios = [change(before, field(seed)).ratio for seed in range(10, 30)]
    assert np.mean(ratios) < 0.02


def test_ratio_interval_holds_the_truth_near_zero_and_far_from_it():
    """Two Rice amplitudes (SciPy's rice): 95 % intervals hold the truth in 92 to 100 % of 400 draws each."""
    rng = np.random.default_rng(5)
    for truth in (0.05, 0.3, 1.0):
        hits = 0
        for _ in range(400):
            a = rice.rvs(20.0, scale=1.0, random_state=rng)
            b = rice.rvs(20.0 * truth, scale=1.0, random_state=rng)
            low, high = _ratio(a, 1.0, b, 1.0)[1]
            hits += low <= truth <= high
        assert 0.92 <= hits / 400 <= 1.0


def test_stripe_at_the_same_place_is_locked_and_half_a_period_off_is_not():
    before = field(1, period_mm=2.0, contrast_percent=5.0)
    assert change(before, field(2, period_mm=2.0, contrast_percent=5.0)).phase_locked is True
    assert change(before, field(2, period_mm=2.0, contrast_percent=5.0, phase=3.4)).phase_locked is False


def test_two_stripes_that_know_nothing_of_each_other_agree_as_often_as_stated():
    """Phases spread evenly over the circle agree within d in d / pi of pairs: 300 draws, binomial 3 s.d."""
    base = field(1, period_mm=2.0, contrast_percent=5.0).candidates[0].line
    rng = np.random.default_rng(4)
    locks = [phase_lock(base, base, base.amplitude * np.exp(1j * phase), base.amplitude_sd, (0.0, 0.0), 0.02)
             for phase in rng.uniform(-np.pi, np.pi, 300)]
    chance = locks[0].chance
    assert np.mean([lock.locked for lock in locks]) == pytest.approx(chance, abs=3 * np.sqrt(chance / 300))
    assert chance < 1 / 6


def test_one_board_photographed_twice_proves_nothing_and_two_boards_do():
    x, y = grid()
    ground = 0.05 * np.random.default_rng(1).standard_normal(x.shape)
    wave = cosine(x, y, period_mm=2.0, contrast_percent=5.0)
    first, again = (find_stripes(texture(ground + wave + 0.02 * np.random.default_rng(k).standard_normal(x.shape)))
                    for k in (2, 3))
    other = field(4, phase=0.0, period_mm=2.0, contrast_percent=5.0)
    assert same_ground(first, again) and not same_ground(first, other)
    assert any("proves nothing" in words for words in change(first, again).reasons)
    assert any("by chance 1 pair in" in words for words in change(first, other).reasons)


def test_one_shared_place_is_told_as_weak_evidence_and_never_as_within_nothing():
    """The least tolerance is met by chance in 1 of 9 pairs, so no single pair proves much."""
    before = field(1, period_mm=2.0, contrast_percent=5.0)
    told = [text for phase in (0.3, 0.31) for text in
            change(before, field(2, period_mm=2.0, contrast_percent=5.0, phase=phase)).reasons if "same place" in text]
    assert len(told) == 2
    assert all("within less than 0.01 mm" in text and "weak evidence" in text for text in told)


def test_remainder_that_is_not_called_still_has_its_place():
    before = field(1, period_mm=2.032, contrast_percent=5.0)
    after = field(2, period_mm=2.032, contrast_percent=1.2)
    assert compare_stripes(before, after, before_called=True, after_called=False, aligned=True,
                           same_place_sd_mm=0.02).phase_locked is True


def test_ratio_is_freed_of_what_unequal_blur_may_have_eaten():
    """Closed form: photos that let through 0.8 and 1.0 of one stripe show a ratio of 1.25 and mean one of 1."""
    before = field(1, period_mm=2.0, contrast_percent=4.0)
    after = field(2, period_mm=2.0, contrast_percent=5.0)
    plain, freed = (change(before, after, transfer_log=(log, 0.05)) for log in (0.0, -np.log(0.8)))
    assert plain.verdict == "worse" and freed.verdict == "unchanged"
    assert freed.ratio == pytest.approx(0.8 * plain.ratio, rel=1e-6)
    assert freed.ratio_interval == pytest.approx([0.8 * v for v in plain.ratio_interval], rel=1e-6)
    assert any("BEFORE's photo hides more" in words for words in freed.reasons)


def test_ratio_made_doubtful_by_few_pixels_says_so_with_its_mend():
    before, after = (field(s, period_mm=2.0, contrast_percent=4.0) for s in (1, 2))
    told = [" ".join(change(before, after, transfer_log=(0.0, sd)).reasons) for sd in (0.12, 0.27)]
    assert "from nearer" not in told[0] and "factor of 1.7 only" in told[1] and "from nearer" in told[1]


def test_remainder_that_is_sure_is_not_called_gone():
    """A third of the stripe that AFTER's own search cannot see, read at BEFORE's period: left, and not cured."""
    x, y = grid()
    rough = 0.5 * np.random.default_rng(8).standard_normal(x.shape)
    before = field(1, period_mm=2.0, contrast_percent=5.0)
    after = find_stripes(texture(rough + cosine(x, y, period_mm=2.0, contrast_percent=1.6)))
    got = change(before, after, after_called=False)
    assert got.ratio_interval[0] > 0.1 and got.verdict == "reduced"


def test_phase_cannot_be_told_where_the_registration_is_coarse():
    before, after = (field(s, period_mm=1.0, contrast_percent=5.0) for s in (1, 2))
    assert change(before, after, same_place_sd_mm=0.2).phase_locked is None


def test_without_stripe_before_there_is_nothing_to_compare_or_it_appeared():
    plain, striped = field(1), field(2, period_mm=2.0, contrast_percent=4.0)
    assert change(plain, field(3)).verdict == "nothing to compare"
    assert change(plain, striped).verdict == "appeared"


def test_stripe_that_before_leaves_open_is_not_called_new():
    """A sure stripe AFTER at the spacing of a line that BEFORE shows too, without being sure what made it."""
    before, after = (field(s, period_mm=2.0, contrast_percent=4.0) for s in (1, 2))
    line = before.candidates[0]
    for odds, verdict in ((0.5, "unchanged"), (0.05, "undecided")):
        open_field = replace(before, stripes=(), candidates=(replace(line, probability=odds),))
        got = change(open_field, after)
        assert got.verdict == verdict
        assert "BEFORE had not" not in got.sentence


def test_faint_line_that_before_leaves_open_does_not_make_a_new_stripe_an_old_one():
    """A tenth of AFTER's stripe at its spacing may be grain: no "ten times stronger" is said of it."""
    before, after = (field(s, period_mm=2.0, contrast_percent=c) for s, c in ((1, 0.6), (2, 6.0)))
    line = before.candidates[0]
    got = change(replace(before, stripes=(), candidates=(replace(line, probability=0.5),)), after)
    assert got.verdict == "appeared"


def test_interval_of_nothing_starts_at_nothing():
    """AFTER is noise of a level known from 16 cells: 0 lies inside in 95 to 100 % of 400 draws (SciPy's rice)."""
    rng = np.random.default_rng(6)
    levels = np.sqrt(rng.gamma(16.0, size=400) / 16.0)
    noise = rice.rvs(0.0, random_state=rng, size=400)
    held = [_ratio(20.0, 1.0, b, sd, (0.0, 0.1), 16.0)[1][0] == 0.0 for b, sd in zip(noise, levels, strict=True)]
    assert 0.95 <= np.mean(held) <= 1.0


def test_photos_that_do_not_align_are_not_compared():
    before = field(1, period_mm=2.0, contrast_percent=4.0)
    got = change(before, before, aligned=False)
    assert (got.verdict, got.ratio) == ("undecided", None)


def test_new_stripe_at_another_period_is_named_beside_the_cure():
    got = change(field(1, period_mm=2.032, contrast_percent=5.0), field(2, period_mm=3.0, contrast_percent=5.0))
    assert got.verdict == "removed"
    assert "BEFORE had not: 5.0 % every" in got.sentence


def test_swapping_the_photos_inverts_the_ratio():
    a, b = field(1, period_mm=2.0, contrast_percent=6.0), field(2, period_mm=2.0, contrast_percent=3.0)
    assert change(a, b).ratio * change(b, a).ratio == pytest.approx(1.0, rel=0.02)


def test_stripe_is_new_though_rings_elsewhere_hide_other_spacings():
    """BEFORE's limit at AFTER's spacing counts, not its limit over all spacings."""
    plain, striped = field(1), field(2, period_mm=2.0, contrast_percent=4.0)
    blind_elsewhere = tuple((p, c if 1.0 < p < 4.0 else 30.0) for p, c in plain.detection_limit_curve)
    blind_there = tuple((p, 30.0 if 1.0 < p < 4.0 else c) for p, c in plain.detection_limit_curve)
    for curve, verdict in ((blind_elsewhere, "appeared"), (blind_there, "undecided")):
        before = replace(plain, detection_limit_percent=30.0, detection_limit_curve=curve)
        assert change(before, striped).verdict == verdict


@pytest.mark.parametrize("period", [0.1, 0.5, 0.7, 2.0, 5.0, 50.0])
def test_limit_near_is_never_below_either_neighbour(period):
    """The limit between two points of the curve may be as high as the higher of them; beyond its ends it is theirs."""
    curve = ((0.5, 1.0), (1.0, 0.4), (4.0, 3.0))
    around = {0.1: 1.0, 0.5: 1.0, 0.7: 1.0, 2.0: 3.0, 5.0: 3.0, 50.0: 3.0}
    assert limit_near(curve, period) == around[period]
    assert limit_near((), period) == np.inf


def blurred(monkeypatch, blur_px, period_px=8.0):
    """A photo of so much blur in which a stripe has so many pixels a period, as `transfer_between` looks at it."""
    monkeypatch.setattr("analysis.transfer.wave_in_photo", lambda stripe, piece: (1.0 / piece, 0.0))
    monkeypatch.setattr("analysis.transfer.glare_share", lambda texture: 0.0)
    return SimpleNamespace(stripes=SimpleNamespace(stripes=(None,)), piece=period_px, photo=Blurred(blur_px),
                           texture=None)


def test_ratio_of_a_fine_stripe_in_two_equally_soft_photos_is_known_less_well(monkeypatch):
    """Edges are the most that blur may be: of what they state, 0.15 to 0.85 was there in photos whose blur is known."""
    soft, sharp = blurred(monkeypatch, 1.5), blurred(monkeypatch, 0.1)
    (soft_middle, soft_sd), (sharp_middle, sharp_sd) = transfer_between((soft, soft)), transfer_between((sharp, sharp))
    assert soft_middle == sharp_middle == 0.0
    assert sharp_sd < 0.26 < 0.3 < soft_sd


def test_a_stripe_of_seven_pixels_may_look_weaker_by_the_camera_alone(monkeypatch):
    """Seen outside: 9.2 px a period, then 7.0, one stripe; edges stated 1.24 and 0.78 px, and 0.63 of it was read."""
    pair = blurred(monkeypatch, 1.24, 9.2), blurred(monkeypatch, 0.78, 7.0)
    assert np.log(0.63) + 1.96 * transfer_between(pair)[1] > 0.0
    coarse = blurred(monkeypatch, 1.24, 30.0), blurred(monkeypatch, 0.78, 25.0)
    assert transfer_between(coarse)[1] < 0.12


def test_photo_of_too_few_edges_to_tell_its_blur_is_taken_to_be_as_soft_as_the_other(monkeypatch):
    soft, unknown = blurred(monkeypatch, 1.2), blurred(monkeypatch, None)
    assert transfer_between((soft, unknown)) == transfer_between((soft, soft))
    assert transfer_between((unknown, unknown))[0] == 0.0


def test_bright_spot_in_after_is_taken_off_the_ratio_by_half_of_what_it_may_hide(monkeypatch):
    judged = [SimpleNamespace(stripes=SimpleNamespace(stripes=()), piece=None, photo=None, texture=share)
              for share in (0.0, 0.3)]
    monkeypatch.setattr("analysis.transfer.glare_share", lambda texture: texture)
    middle, sd = transfer_between(judged)
    assert middle == pytest.approx(0.5 * np.log(0.7))
    assert sd > 0.11
