"""Grain against simulated truth, scikit-image's structure tensor, closed forms and real textures."""
from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.stats import binom
from skimage import data
from skimage.feature import structure_tensor

from analysis.flatten import Texture
from analysis.grain import measure_grain
from analysis.grain_lines import ring_spacing
from analysis.simulate import GrainSpec, grain_field

S = 10.0                   # samples per mm
SHAPE = (480, 660)


def textured(field, *, weight=None, s=S, scale_known=True):
    """Texture from a field in log reflectance, as `flatten` would give it."""
    weight = np.ones(field.shape, np.float32) if weight is None else weight.astype(np.float32)
    value = ((field - field.mean()) * (weight > 0)).astype(np.float32)
    return Texture(name="test", log_reflectance=value, weight=weight, trend=np.zeros((2, 2), np.float32),
                   samples_per_mm=s, origin_mm=(0.0, 0.0), scale_known=scale_known, longest_period_mm=15.0,
                   artwork_fraction=0.0)


def grained(seed, **spec):
    """Simulated grain with a little camera noise, 1 % rms."""
    rng = np.random.default_rng(seed)
    field = grain_field(GrainSpec(**spec), SHAPE, S, rng)
    return field, field + 0.01 * rng.standard_normal(SHAPE, dtype=np.float32)


def angle_between(first, second):
    """Difference of two line angles, degrees."""
    return abs((first - second + 90) % 180 - 90)


@pytest.mark.parametrize("angle", [-72.0, -30.0, 0.0, 41.0, 88.0, 90.0])
@pytest.mark.parametrize("kind", ["plain", "rings"])
def test_the_angle_is_that_of_the_simulated_lines(kind, angle):
    """Simulated truth; 2 degrees: rings bend by about that within a piece."""
    _, field = grained(3, kind=kind, angle_deg=angle, contrast_percent=8.0, waviness_mm=0.3)
    assert angle_between(measure_grain(textured(field)).angle_deg, angle) < 2.0


def test_the_angle_agrees_with_the_structure_tensor_of_scikit_image():
    """skimage.feature.structure_tensor, summed over a texture of one direction."""
    _, field = grained(5, kind="plain", angle_deg=33.0, contrast_percent=10.0)
    smooth = cv2.GaussianBlur(field, (0, 0), 2)
    rr, rc, cc = (part.mean() for part in structure_tensor(smooth, sigma=2, order="rc"))
    normal = 0.5 * np.degrees(np.arctan2(2 * rc, cc - rr))        # from +x towards +y, which is down
    assert angle_between(measure_grain(textured(field)).angle_deg, 90.0 - normal) < 1.5


def test_lines_square_to_the_scan_axis_have_ninety_degrees():
    """Convention: columns that are alike all the way down."""
    rng = np.random.default_rng(2)
    field = np.tile(0.03 * rng.standard_normal(SHAPE[1]).astype(np.float32), (SHAPE[0], 1))
    assert angle_between(measure_grain(textured(field)).angle_deg, 90.0) < 0.5


def test_crossed_plies_show_two_directions_square_to_each_other():
    """Simulated truth: a lower ply breaks through over 35 % of the area."""
    _, field = grained(4, kind="crossed", angle_deg=20.0, contrast_percent=9.0)
    (first, one), (second, two) = measure_grain(textured(field)).directions
    assert angle_between(first, 20.0) < 3 and angle_between(second, -70.0) < 3
    assert one + two == pytest.approx(1.0, abs=0.1) and two > 0.2


def test_contrast_is_that_of_the_grain_without_the_noise():
    """Simulated truth, 12 boards; noise of 5.7 % would raise 6 % to 8.2 %. Mean within 5 %, each 12 %."""
    ratios = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        field, _ = grained(seed, kind="rings", angle_deg=seed * 15.0 - 85, contrast_percent=6.0,
                           spacing_mm=1.6)
        noisy = field + 0.02 * rng.standard_normal(SHAPE, dtype=np.float32)
        ratios.append(measure_grain(textured(noisy)).contrast_percent / 6.0)
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.05)
    assert max(ratios) < 1.12 and min(ratios) > 0.88


def test_the_contrast_of_a_plain_cosine_is_its_peak_to_peak():
    """Closed form: 2 sqrt 2 rms of a cosine of amplitude a is 2 a."""
    x = np.arange(SHAPE[1]) / S
    field = np.tile((0.04 * np.cos(2 * np.pi * x / 2.2)).astype(np.float32), (SHAPE[0], 1))
    assert measure_grain(textured(field)).contrast_percent == pytest.approx(8.0, rel=0.03)


def test_contrast_intervals_hold_the_contrast_of_the_board_they_saw():
    """Coverage of 30 boards: fails if the true coverage were 80 % or less (binomial limit)."""
    held = 0
    for seed in range(30):
        field, noisy = grained(seed, kind="rings", angle_deg=seed * 4.0 - 80, contrast_percent=5.0,
                               spacing_mm=1.4)
        slow = cv2.GaussianBlur(field, (0, 0), 12 * S)           # slower than half the piece: light
        low, high = measure_grain(textured(noisy - slow)).contrast_interval_percent
        held += low <= 100 * 2 * np.sqrt(2) * (field - slow).std() <= high
    assert held >= binom.ppf(0.001, 30, 0.95)


@pytest.mark.parametrize(("spacing", "variation"), [(0.7, 0.15), (1.2, 0.3), (2.0, 0.2), (3.0, 0.12)])
def test_ring_spacing_and_its_variation_are_those_simulated(spacing, variation):
    """Simulated truth, 6 boards: spacing within 7 %, variation 0.06 (s.d. of n rings: v / sqrt(2 n))."""
    found = []
    for seed in range(6):
        _, field = grained(seed, kind="rings", angle_deg=seed * 30.0 - 80, contrast_percent=8.0,
                           spacing_mm=spacing, spacing_variation=variation, autoregression=0.0,
                           waviness_mm=0.3)
        grain = measure_grain(textured(field))
        found.append((grain.spacing_mm, grain.spacing_variation))
    assert np.median(np.array(found, float)[:, 0]) == pytest.approx(spacing, rel=0.07)
    assert np.median(np.array(found, float)[:, 1]) == pytest.approx(variation, abs=0.06)


def test_fibres_have_no_spacing_of_their_own():
    """Fibres whose spectrum falls smoothly have lines of every width."""
    for seed in range(6):
        grain = measure_grain(textured(grained(seed, kind="plain", angle_deg=70.0, contrast_percent=8.0)[1]))
        assert grain.spacing_mm is None and grain.spacing_variation is None
        assert any("no spacing" in note for note in grain.notes)


def test_even_lines_are_said_to_be_no_growth_rings():
    """A cosine: variation under 6 %, with the note that names the control."""
    x = np.arange(SHAPE[1]) / S
    rng = np.random.default_rng(1)
    field = np.tile((0.03 * np.cos(2 * np.pi * x / 2.0)).astype(np.float32), (SHAPE[0], 1))
    grain = measure_grain(textured(field + 0.01 * rng.standard_normal(SHAPE, dtype=np.float32)))
    assert grain.spacing_mm == pytest.approx(2.0, rel=0.01)
    assert grain.spacing_variation < 0.06 and any("bare board" in note for note in grain.notes)


def test_camera_noise_has_no_grain():
    """White noise of 8.5 %: no angle, no spacing, contrast under an eighth of the noise."""
    for seed in range(5):
        noise = 0.03 * np.random.default_rng(seed).standard_normal(SHAPE, dtype=np.float32)
        grain = measure_grain(textured(noise))
        assert grain.angle_deg is None and grain.spacing_mm is None and grain.directions == ()
        assert grain.contrast_percent < 1.06 and grain.notes


@pytest.mark.parametrize("name", ["gravel", "grass"])
def test_real_textures_without_a_grain_have_no_angle(name):
    """skimage.data: gravel and grass."""
    field = np.log(np.maximum(getattr(data, name)().astype(np.float32) / 255, 0.02))
    assert measure_grain(textured(field - cv2.GaussianBlur(field, (0, 0), 60))).angle_deg is None


def test_courses_of_real_brick_lie_level():
    """skimage.data.brick: joints run along x, with butt joints square to them."""
    field = np.log(np.maximum(data.brick().astype(np.float32) / 255, 0.02))
    grain = measure_grain(textured(field))
    angles = [angle for angle, _ in grain.directions]
    assert len(angles) == 2 and min(angle_between(a, 0.0) for a in angles) < 3
    assert min(angle_between(a, 90.0) for a in angles) < 3


def test_the_fitted_stripes_are_taken_out_first():
    """Grain level, a strong stripe upright: with its model the answer is that of the grain alone."""
    _, field = grained(6, kind="plain", angle_deg=0.0, contrast_percent=4.0)
    x = np.arange(SHAPE[1]) / S
    model = np.tile((0.06 * np.cos(2 * np.pi * x / 2.032)).astype(np.float32), (SHAPE[0], 1))
    alone = measure_grain(textured(field))
    with_model = measure_grain(textured(field + model), stripe_model=model)
    assert with_model.contrast_percent == pytest.approx(alone.contrast_percent, rel=0.01)
    assert angle_between(measure_grain(textured(field + model)).angle_deg, 90.0) < 2
    assert angle_between(with_model.angle_deg, 0.0) < 2


def test_turning_the_piece_turns_the_angle():
    """Property: a quarter turn of the array adds 90 degrees, spacing and contrast stand."""
    _, field = grained(8, kind="rings", angle_deg=25.0, contrast_percent=8.0, spacing_mm=1.5)
    first, second = measure_grain(textured(field)), measure_grain(textured(np.rot90(field).copy()))
    assert angle_between(second.angle_deg, first.angle_deg + 90.0) < 0.5
    assert second.contrast_percent == pytest.approx(first.contrast_percent, rel=0.02)
    assert second.spacing_mm == pytest.approx(first.spacing_mm, rel=0.03)


def test_length_scales_with_the_sampling_and_contrast_does_not():
    """Property: the same samples at half the sampling are a piece of twice the size."""
    _, field = grained(9, kind="rings", angle_deg=60.0, contrast_percent=8.0, spacing_mm=1.5)
    first = measure_grain(textured(field))
    second = measure_grain(textured(field, s=S / 2))
    assert second.spacing_mm == pytest.approx(2 * first.spacing_mm, rel=0.06)
    assert second.contrast_percent == pytest.approx(first.contrast_percent, rel=0.02)
    assert second.spacing_variation == pytest.approx(first.spacing_variation, abs=0.05)


def test_masked_places_do_not_matter():
    """Property: values under weight 0 and a frame of holes leave angle and spacing alone."""
    _, field = grained(10, kind="rings", angle_deg=-40.0, contrast_percent=8.0, spacing_mm=1.5)
    weight = np.ones(SHAPE, np.float32)
    for k in range(6):
        weight[60 + 70 * k: 84 + 70 * k, 100:500] = 0
    grain = measure_grain(textured(field, weight=weight))
    assert angle_between(grain.angle_deg, -40.0) < 2.5
    assert grain.spacing_mm == pytest.approx(measure_grain(textured(field)).spacing_mm, rel=0.08)
    assert np.isnan(measure_grain(textured(field, weight=np.pad(weight[:, 200:], ((0, 0), (200, 0)))))
                    .map_percent[:, :8]).all()


def test_maps_follow_the_place():
    """Left half grained level at 8 %, right half upright at 3 %."""
    rng = np.random.default_rng(11)
    left = grain_field(GrainSpec(angle_deg=0.0, contrast_percent=8.0, unevenness=0.0), SHAPE, S, rng)
    right = grain_field(GrainSpec(angle_deg=90.0, contrast_percent=3.0, unevenness=0.0), SHAPE, S, rng)
    field = np.where(np.arange(SHAPE[1]) < SHAPE[1] // 2, left, right)
    grain = measure_grain(textured(field), map_step_mm=3.0)
    assert grain.map_percent.shape == grain.map_angle_deg.shape == (16, 22)
    assert np.median(grain.map_percent[:, 1:10]) == pytest.approx(8.0, rel=0.15)
    assert np.median(grain.map_percent[:, 12:21]) == pytest.approx(3.0, rel=0.15)
    assert np.median(angle_between(grain.map_angle_deg[:, 1:10], 0.0)) < 5
    assert np.median(angle_between(grain.map_angle_deg[:, 12:21], 90.0)) < 5


def test_without_a_scale_the_spacing_is_in_pixels():
    """No scale: one sample stands for the unit."""
    _, field = grained(12, kind="rings", angle_deg=80.0, contrast_percent=8.0, spacing_mm=2.0)
    grain = measure_grain(textured(field, s=1.0, scale_known=False))
    assert grain.spacing_mm == pytest.approx(S * measure_grain(textured(field)).spacing_mm, rel=0.1)


def test_a_scrap_of_texture_has_no_spacing_but_a_reason():
    """Bad input: hardly anything free of artwork."""
    nothing = np.zeros((20, 20), np.float32)
    spacing, variation, why = ring_spacing(nothing, nothing, S, 0.0)
    assert spacing is None and variation is None and "Too little" in why


@pytest.mark.parametrize("wrong", [{"stripe_model": np.zeros((3, 3), np.float32)}, {"map_step_mm": 0.0},
                                   {"map_step_mm": float("nan")}])
def test_bad_arguments_are_refused(wrong):
    """Bad input."""
    with pytest.raises(ValueError):
        measure_grain(textured(np.zeros((200, 200), np.float32)), **wrong)


def test_a_blank_texture_has_a_result_and_a_note():
    """Bad input: nothing at all is on the piece."""
    grain = measure_grain(textured(np.zeros((200, 240), np.float32)))
    assert grain.contrast_percent == 0.0 and grain.angle_deg is None and grain.notes


def test_a_soft_bright_spot_does_not_hide_the_angle():
    """Glare four times as strong as the grain, slower than any grain: the angle stands."""
    _, field = grained(13, kind="plain", angle_deg=-20.0, contrast_percent=4.0)
    y, x = np.mgrid[:SHAPE[0], :SHAPE[1]] / S
    spot = 0.25 * np.exp(-((x - 40) ** 2 + (y - 20) ** 2) / (2 * 8.0 ** 2))
    assert angle_between(measure_grain(textured(field + spot.astype(np.float32))).angle_deg, -20.0) < 2
