"""Drive calculator against geometry, a simulated belt and worked values."""
from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.drive import (
    CAUTIONS,
    angle_from_drift,
    angle_from_period,
    drift_from_angle,
    drive_figures,
    fault_figures,
    path_factor,
    polygon_ripple,
    position_error,
    runout_ripple,
    speed_ripple,
    stripe_figures,
    teeth_in_mesh,
    tension_parts,
    travel_per_step,
    wrap_angle,
    wrap_on_driven,
)
from analysis.machine import list_presets, load_preset

PRESETS = [name for name, _ in list_presets()]


def test_travel_per_step_of_a_common_drive():
    """2 mm x 20 teeth at 1.8 degrees: 0.2 mm; 16 microsteps: 0.0125 mm, 80 steps per mm (geometry)."""
    assert travel_per_step(40.0, 1.8) == pytest.approx(0.2)
    assert 1 / travel_per_step(40.0, 1.8, 16) == pytest.approx(80.0)


@pytest.mark.parametrize(("teeth", "wrap", "expected"), [(20, 90, 5), (20, 180, 10), (18, 120, 6),
                                                       (24, 90, 6)])
def test_teeth_in_mesh_are_whole(teeth, wrap, expected):
    """floor(teeth x wrap / 360): 20 teeth at 90 degrees: 5. Common practice, no source."""
    assert teeth_in_mesh(teeth, wrap) == expected


def test_few_teeth_in_mesh_are_warned_of():
    """At least 6 is the usual advice; common practice, no source."""
    few = {f.name: f for f in drive_figures(load_preset("belt_2mm"), wrap_deg=90)}
    many = {f.name: f for f in drive_figures(load_preset("belt_2mm"), wrap_deg=180)}
    assert "Fewer than 6" in few["teeth in mesh"].warning
    assert many["teeth in mesh"].warning == ""


@pytest.mark.parametrize(("angle", "percent"), [(5, 0.38), (10, 1.52)])
def test_belt_at_an_angle_shortens_its_path_by_the_cosine(angle, percent):
    """Worked values: 5 degrees 0.38 %, 10 degrees 1.52 % (geometry)."""
    assert 100 * (1 - path_factor(angle)) == pytest.approx(percent, abs=0.005)


def test_drift_agrees_with_a_belt_laid_out_tooth_by_tooth():
    """Simulated belt: pulley 20 mm off the clamp's line, teeth of 2.032 mm; positions where a tooth meshes.

    Period and drift come from differences of the positions; half a tooth is the resolution.
    """
    pitch, offset, centre = 2.032, 20.0, 200.0
    belt = np.arange(80.0, 330.0, pitch)                   # belt lengths from pulley to clamp at each mesh
    x = np.sqrt(belt ** 2 - offset ** 2)
    period, middle = np.diff(x), (x[1:] + x[:-1]) / 2
    angle = math.degrees(math.atan2(offset, centre))
    assert np.interp(centre, middle, period) == pytest.approx(pitch / path_factor(angle), rel=1e-5)
    drift = 1e4 * np.gradient(np.log(period), middle)
    assert np.interp(centre, middle, drift) == pytest.approx(drift_from_angle(angle, centre), rel=1e-3)


@pytest.mark.parametrize("angle", [0.5, 3.0, 8.0, 20.0])
def test_angle_traced_from_its_own_drift_is_the_angle(angle):
    """Property: inverse of `drift_from_angle`, whichever way the axis is counted."""
    drift = drift_from_angle(angle, 150.0)
    traced = angle_from_drift(drift, 150.0)
    assert traced.angle_deg == pytest.approx(angle)
    assert traced.offset_mm == pytest.approx(150 * math.tan(math.radians(angle)))
    assert "start" in traced.words
    assert "end" in angle_from_drift(-drift, 150.0).words


def test_interval_of_a_traced_angle_holds_the_truth():
    """Simulated: drift with 1 s.d. of 0.05 % per 100 mm, 1000 times; 95 +- 2.1 % (three s.d.)."""
    rng = np.random.default_rng(7)
    drift = drift_from_angle(6.0, 200.0)
    held = [(a := angle_from_drift(d, 200.0, drift_sd=0.05).interval_deg)[0] <= 6.0 <= a[1]
            for d in drift + 0.05 * rng.standard_normal(1000)]
    assert 0.929 <= np.mean(held) <= 0.971


def test_drift_within_its_error_is_no_angle():
    """An interval that reaches zero is said to be no finding; an absurd drift is refused in words."""
    assert "not certain" in angle_from_drift(0.05, 200.0, drift_sd=0.05).words
    assert "No belt angle" in angle_from_drift(80.0, 200.0).words


def test_steady_angle_follows_from_the_period():
    """Cos t = pitch / period: 10 degrees make 2.032 mm 1.54 % longer."""
    traced = angle_from_period(2.032 / math.cos(math.radians(10)), 2.032, period_sd_mm=0.002)
    assert traced.angle_deg == pytest.approx(10.0)
    assert traced.interval_deg[0] < 10.0 < traced.interval_deg[1]
    assert angle_from_period(2.0, 2.032).angle_deg == 0.0


def test_figures_of_a_belt_at_an_angle_are_the_formulas():
    """2 mm belt at 10 degrees, 150 mm from the pulley: period 2.0309 mm, path -1.52 %, drift, side pull 17.4 %."""
    figures = {f.name: f.value for f in drive_figures(load_preset("belt_2mm"), angle_deg=10.0, distance_mm=150.0)}
    assert figures["stripe period at the angle"] == pytest.approx(2.0 / math.cos(math.radians(10)))
    assert figures["belt path at the angle"] == pytest.approx(-1.52, abs=0.005)
    assert figures["side pull at the angle"] == pytest.approx(17.365, abs=0.001)
    assert figures["drift of the period"] == pytest.approx(drift_from_angle(10.0, 150.0))
    assert figures["steps per mm"] == pytest.approx(80.0)
    assert figures["travel per turn: pulley"] == figures["travel per turn: motor"] == 40.0


def test_ripples_equal_the_worked_values():
    """Chain geometry 1 - cos(pi/z); derivative of a sin(2 pi x / p)."""
    assert polygon_ripple(20) == pytest.approx(0.0123116594049, rel=1e-9)
    assert runout_ripple(0.05, 2.0, 20) == pytest.approx(0.00785398163397, rel=1e-9)
    assert speed_ripple(0.005, 2.0) == pytest.approx(0.0157079632679, rel=1e-9)


def test_a_pulley_out_of_true_makes_the_contrast_of_its_simulated_carriage():
    """Carriage moved by a pulley whose centre is off by e, turned in 4000 steps; dose = power / speed, Fourier line."""
    belt = next(m for m in map(load_preset, PRESETS) if m.belt and m.belt.pulley_teeth)
    teeth, pitch = belt.belt.pulley_teeth, belt.belt.pitch_mm
    turn = 2 * math.pi * np.arange(4001) / 4000
    place = turn * teeth * pitch / (2 * math.pi) + 0.05 * np.sin(turn)
    dose = 1 / np.diff(place)
    amplitude = 2 * abs(np.mean(dose * np.exp(-1j * turn[:-1]))) / dose.mean()
    speed, contrast, polygon = fault_figures(belt, eccentricity_mm=0.05)
    assert contrast.value == pytest.approx(200 * amplitude, rel=0.01)
    assert speed.value == pytest.approx(contrast.value / 2) and f"{teeth * pitch:.4g} mm" in speed.words
    assert polygon.value == pytest.approx(100 * (1 - math.cos(math.pi / teeth)))


def test_a_stripe_is_traced_to_position_error_and_belt_angle():
    belt = next(m for m in map(load_preset, PRESETS) if m.belt and m.belt.pulley_teeth)
    pitch = belt.belt.pitch_mm
    error, angle = stripe_figures(belt, period_mm=pitch / math.cos(math.radians(5)), contrast_percent=4.0)
    assert error.value == pytest.approx(1000 * position_error(4.0, pitch / math.cos(math.radians(5))))
    assert angle.value == pytest.approx(5.0) and angle.unit == "degrees"
    assert len(stripe_figures(belt, period_mm=0.9 * pitch, contrast_percent=4.0)) == 1  # no belt shortens its pitch


def test_wrap_on_the_larger_pulley_is_what_the_smaller_leaves_of_a_turn():
    """Open belt: the two wraps add to 360 degrees."""
    small, large = 20 * 2.0 / math.pi, 60 * 2.0 / math.pi
    wraps = wrap_on_driven(20, 2.0, large, 100.0), wrap_on_driven(60, 2.0, small, 100.0)
    assert sum(wraps) == pytest.approx(360.0) and wraps[0] == pytest.approx(wrap_angle(small, large, 100.0))
    with pytest.raises(ValueError, match="do not fit"):
        wrap_on_driven(60, 2.0, 300.0, 40.0)


def test_polygon_ripple_agrees_with_a_wheel_turned_in_steps():
    """Simulated chain wheel: pitch-line speed of a polygon of 20 sides over one side."""
    angle = np.linspace(-math.pi / 20, math.pi / 20, 1001)
    speed = np.cos(angle)
    assert (speed.max() - speed.min()) / speed.max() == pytest.approx(polygon_ripple(20), rel=1e-9)


def test_position_error_undoes_the_speed_ripple():
    """5 micrometres at 2 mm: 1.57 % amplitude, 3.14 % peak to peak (derivative)."""
    assert position_error(2 * 100 * speed_ripple(0.005, 2.0), 2.0) == pytest.approx(0.005)


def test_wrap_of_equal_pulleys_is_half_a_turn():
    """Open belt: 180 - 2 asin((D - d) / 2C); 20 and 60 mm at 100 mm: 156.93 degrees."""
    assert wrap_angle(20.0, 20.0, 100.0) == pytest.approx(180.0)
    assert wrap_angle(20.0, 60.0, 100.0) == pytest.approx(180 - 2 * math.degrees(math.asin(0.2)))


def test_tension_splits_as_a_right_triangle():
    """Pythagoras."""
    along, side = tension_parts(50.0, 10.0)
    assert math.hypot(along, side) == pytest.approx(50.0)
    assert side == pytest.approx(50.0 * math.sin(math.radians(10)))


@pytest.mark.parametrize("call", [lambda: path_factor(90), lambda: teeth_in_mesh(0, 90),
                                  lambda: drift_from_angle(5, 0), lambda: polygon_ripple(2),
                                  lambda: travel_per_step(-1, 1.8), lambda: wrap_angle(10, 500, 100),
                                  lambda: position_error(-1, 2), lambda: angle_from_drift(1, math.nan)])
def test_absurd_input_is_refused(call):
    """Bad input."""
    with pytest.raises(ValueError, match="must"):
        call()


def test_cautions_name_the_dangers_of_a_drive_change():
    """Isolation, wrong way round, beam off, low speed, a hand on the stop."""
    text = " ".join(CAUTIONS)
    for word in ("manual", "plug", "other way", "beam off", "low speed", "emergency stop"):
        assert word in text
