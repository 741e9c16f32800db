"""Drive calculator: steps, teeth in mesh, belts that run at an angle, and what they do to the period.

A belt that leaves its pulley at an angle t to the travel moves the carriage by
1 / cos t of its own path. Where pulley and clamp stand `offset` apart sideways,
t grows as the carriage comes near the pulley, so the period is longest there
and drifts: a measured drift can be traced to the angle.
"""
from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.kinematics import travel
from analysis.machine_parts import Machine

__all__ = ["CAUTIONS", "BeltAngle", "DriveFigure", "angle_from_drift", "angle_from_period",
           "drift_from_angle", "drive_figures", "fault_figures", "path_factor", "polygon_ripple", "position_error",
           "runout_ripple", "speed_ripple", "stripe_figures", "teeth_in_mesh", "tension_parts", "travel_per_step",
           "wrap_angle", "wrap_on_driven"]

MOST_STRETCH = 0.03         # of the period over the pitch: 14 degrees; more is another part
LEAST_TEETH = 6             # teeth in mesh: the usual advice; common practice, no source
CAUTIONS = (
    "The machine's manual comes first.",
    "Before you touch belts, pulleys, motor or wiring: switch off, pull the plug, wait for the capacitors "
    "and prove that it is dead; keep fingers, hair and sleeves away. Tube supplies kill: trained persons "
    "only.",
    "Never plug or unplug a motor while its driver has power.",
    "After the change the axis may run the other way and homing may run into the stop: beam off, move it by "
    "hand through the full travel first, then low speed, one axis, a hand on the emergency stop.",
    "Check steps per mm, end stops and belt tension again before the beam goes on.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BeltAngle:
    """Angle of a belt to its travel, traced from a measured drift or period."""

    angle_deg: float
    interval_deg: tuple[float, float]      # 95 %
    offset_mm: float | None                # sideways distance of clamp and pulley; None: cannot be told
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveFigure:
    """One line of the calculator."""

    name: str
    value: float
    unit: str
    words: str
    warning: str = ""                      # empty where nothing is wrong


def travel_per_step(travel_per_turn_mm: float, step_angle_deg: float, microsteps: int = 1) -> float:
    """Return the travel in mm of one step (or microstep) of a motor with this travel per turn."""
    if travel_per_turn_mm <= 0 or not 0 < step_angle_deg <= 360 or microsteps < 1:
        raise ValueError("travel, step angle and microsteps must be positive, "
                         f"got {travel_per_turn_mm}, {step_angle_deg}, {microsteps}")
    return travel_per_turn_mm * step_angle_deg / 360.0 / microsteps


def teeth_in_mesh(teeth: int, wrap_deg: float) -> int:
    """Return the whole teeth in mesh where the belt wraps so much of a pulley; at least 6 is usual advice."""
    if teeth < 1 or not 0 <= wrap_deg <= 360:
        raise ValueError("teeth must be positive and the wrap from 0 to 360 degrees, "
                         f"got {teeth}, {wrap_deg}")
    return math.floor(teeth * wrap_deg / 360.0 + 1e-9)


def wrap_angle(small_diameter_mm: float, large_diameter_mm: float, centre_distance_mm: float) -> float:
    """Return the wrap in degrees on the smaller of two pulleys: 180 - 2 asin((D - d) / 2C)."""
    reach = (large_diameter_mm - small_diameter_mm) / (2 * centre_distance_mm)
    if small_diameter_mm <= 0 or not 0 <= reach < 1:
        raise ValueError("the pulleys do not fit: half the difference of the diameters must be below the "
                         "centre distance, "
                         f"got {small_diameter_mm}, {large_diameter_mm}, {centre_distance_mm}")
    return 180.0 - 2.0 * math.degrees(math.asin(reach))


def wrap_on_driven(teeth: int, pitch_mm: float, other_diameter_mm: float, centre_distance_mm: float) -> float:
    """Return the wrap in degrees on a toothed pulley whose belt runs on to another one, larger or smaller."""
    own = teeth * pitch_mm / math.pi
    wrap = wrap_angle(min(own, other_diameter_mm), max(own, other_diameter_mm), centre_distance_mm)
    return wrap if own <= other_diameter_mm else 360.0 - wrap


def path_factor(angle_deg: float) -> float:
    """Return the belt's path for 1 mm of travel where it runs at this angle to the travel: cos(angle)."""
    _check_angle(angle_deg)
    return math.cos(math.radians(angle_deg))


def drift_from_angle(angle_deg: float, distance_mm: float) -> float:
    """Drift of the period in percent per 100 mm of travel away from the pulley.

    Parameters
    ----------
    angle_deg : float
        Angle of belt to travel where the carriage stands.
    distance_mm : float
        Distance from pulley to clamp there, along the travel.

    Returns
    -------
    float
        Never positive: the period shrinks away from the pulley.

    Notes
    -----
    The belt's length is sqrt(x^2 + h^2), its path per travel cos t with tan t = h / x, the period
    pitch / cos t; so d(ln period)/dx = -sin(t)^2 / x.
    """
    _check_angle(angle_deg)
    if not distance_mm > 0:
        raise ValueError(f"distance_mm must be positive, got {distance_mm}")
    return -1e4 * math.sin(math.radians(angle_deg)) ** 2 / distance_mm


def angle_from_drift(drift_percent_per_100mm: float, distance_mm: float, *,
                     drift_sd: float = 0.0) -> BeltAngle:
    """Trace a measured drift of the period to the angle of the belt: the inverse of `drift_from_angle`.

    Parameters
    ----------
    drift_percent_per_100mm : float
        Along the travel away from the pulley or towards it: the sign only says which end the pulley is at.
    distance_mm : float
        Distance from pulley to the middle of the engraved piece.
    drift_sd : float
        Its standard deviation.
    """
    if not distance_mm > 0 or drift_sd < 0:
        raise ValueError("distance must be positive and drift_sd not negative, "
                         f"got {distance_mm}, {drift_sd}")
    size = abs(drift_percent_per_100mm)

    def angle(drift: float) -> float:
        return math.degrees(math.asin(math.sqrt(min(max(drift, 0.0) * distance_mm / 1e4, 1.0))))

    value = angle(size)
    interval = (angle(size - 1.96 * drift_sd), angle(size + 1.96 * drift_sd))
    offset = distance_mm * math.tan(math.radians(value)) if value < 89.0 else None
    if size * distance_mm > 1e4 or offset is None:
        words = "No belt angle makes so large a drift: look for another cause, or check the distance."
    elif interval[0] == 0.0:
        words = f"The drift is not certain: the belt may run straight, at most {interval[1]:.1f} degrees off."
    else:
        end, side = ("falling", "start") if drift_percent_per_100mm < 0 else ("rising", "end")
        words = (f"A belt {value:.1f} degrees off its travel would do this: bring clamp and pulley into "
                 f"line, by about {offset:.1f} mm. The spacing is {end} along the scan axis, so the pulley "
                 f"is at the {side}.")
    return BeltAngle(angle_deg=value, interval_deg=interval, offset_mm=offset, words=words)


def angle_from_period(period_mm: float, pitch_mm: float, *, period_sd_mm: float = 0.0) -> BeltAngle:
    """Trace a period that is a little longer than the pitch to a steady angle: cos t = pitch / period.

    Raises
    ------
    ValueError
        A value that is not positive.
    """
    if period_mm <= 0 or pitch_mm <= 0 or period_sd_mm < 0:
        raise ValueError(f"period and pitch must be positive, got {period_mm}, {pitch_mm}, {period_sd_mm}")

    def angle(period: float) -> float:
        return math.degrees(math.acos(min(pitch_mm / max(period, 1e-9), 1.0)))

    value, interval = angle(period_mm), (angle(period_mm - 1.96 * period_sd_mm),
                                         angle(period_mm + 1.96 * period_sd_mm))
    if interval[0] == 0.0:
        words = f"The spacing fits a straight belt; at most {interval[1]:.1f} degrees off."
    else:
        words = (f"The spacing is {100 * (period_mm / pitch_mm - 1):.2f} % longer than the pitch, as a belt "
                 f"{value:.1f} degrees off its travel makes it; wrong steps per mm or a wrong scale would "
                 "too.")
    return BeltAngle(angle_deg=value, interval_deg=interval, offset_mm=None, words=words)


def tension_parts(tension_n: float, angle_deg: float) -> tuple[float, float]:
    """Split a belt's tension in N into its pull along the travel and its side pull.

    The tension must point along the travel: the side pull is lost for holding and bends the guide.
    """
    _check_angle(angle_deg)
    if tension_n < 0:
        raise ValueError(f"tension_n must not be negative, got {tension_n}")
    return tension_n * math.cos(math.radians(angle_deg)), tension_n * math.sin(math.radians(angle_deg))


def polygon_ripple(teeth: int) -> float:
    """Return a chain's bound on the speed ripple, peak to peak: 1 - cos(pi / teeth).

    A toothed belt stays far below it.
    """
    if teeth < 3:
        raise ValueError(f"teeth must be at least 3, got {teeth}")
    return 1.0 - math.cos(math.pi / teeth)


def speed_ripple(position_error_mm: float, period_mm: float) -> float:
    """Return the relative amplitude of speed of a position error a sin(2 pi x / period): 2 pi a / period."""
    if period_mm <= 0:
        raise ValueError(f"period_mm must be positive, got {period_mm}")
    return 2.0 * math.pi * position_error_mm / period_mm


def runout_ripple(eccentricity_mm: float, pitch_mm: float, teeth: int) -> float:
    """Return the relative amplitude of speed of a pulley whose centre is off by `eccentricity_mm`."""
    return speed_ripple(eccentricity_mm, pitch_mm * teeth)


def position_error(contrast_percent: float, period_mm: float, slope: float = 1.0) -> float:
    """Return the amplitude in mm of the position error behind a stripe.

    Dose is power over speed, so a peak-to-peak contrast c needs a speed ripple of amplitude c / 200 / slope,
    where `slope` is the change of log reflectance with log dose (from a step scale; 1 where unknown). Holds
    where the power is not corrected for the actual speed.
    """
    if contrast_percent < 0 or period_mm <= 0 or slope <= 0:
        raise ValueError("contrast must not be negative, period and slope must be positive, "
                         f"got {contrast_percent}, {period_mm}, {slope}")
    return contrast_percent / 200.0 / slope * period_mm / (2.0 * math.pi)


def drive_figures(machine: Machine, *, wrap_deg: float = 180.0, angle_deg: float = 0.0,
                  distance_mm: float = 200.0) -> tuple[DriveFigure, ...]:
    """List the calculator's figures for a machine.

    Parameters
    ----------
    machine : Machine
    wrap_deg : float
        How far the belt wraps the driven pulley.
    angle_deg, distance_mm : float
        Angle of the belt to the travel, and distance from pulley to clamp.
    """
    figures = [DriveFigure(name=f"travel per turn: {part}", value=value, unit="mm", words="one turn")
               for part, value in travel(machine).items()]
    turn = travel(machine).get("motor")
    if machine.motor and turn:
        step = travel_per_step(turn, machine.motor.step_angle_deg)
        micro = travel_per_step(turn, machine.motor.step_angle_deg, machine.motor.microsteps)
        figures += [DriveFigure(name="travel per full step", value=step, unit="mm", words="motor full step"),
                    DriveFigure(name="travel per microstep", value=micro, unit="mm", words="least command"),
                    DriveFigure(name="steps per mm", value=1 / micro, unit="per mm",
                                words="to set in the controller")]
    if machine.belt and machine.belt.pulley_teeth:
        figures.append(_mesh(machine.belt.pulley_teeth, wrap_deg))
    if machine.belt:
        factor = path_factor(angle_deg)
        figures += [DriveFigure(name="belt path at the angle", value=100 * (factor - 1), unit="%",
                                words="change of the belt's path for the same travel"),
                    DriveFigure(name="stripe period at the angle", value=machine.belt.pitch_mm / factor,
                                unit="mm", words="the belt's pitch as the piece shows it"),
                    DriveFigure(name="side pull at the angle", value=100 * tension_parts(1.0, angle_deg)[1],
                                unit="% of the tension",
                                words="lost for holding and bends the guide: the tension must point along the travel"),
                    DriveFigure(name="drift of the period", value=drift_from_angle(angle_deg, distance_mm),
                                unit="% per 100 mm", words="along the travel, away from the pulley")]
    return tuple(figures)


def fault_figures(machine: Machine, *, eccentricity_mm: float = 0.05) -> tuple[DriveFigure, ...]:
    """List what a pulley that runs out of true, and its teeth as a polygon, do to the scan speed.

    Notes
    -----
    The dose is power over speed, so a relative speed ripple of amplitude a makes a contrast of 2 a peak to
    peak, where the reflectance follows the dose one to one and the power is not corrected for the speed.
    """
    if not machine.belt or not machine.belt.pulley_teeth:
        return ()
    teeth, pitch = machine.belt.pulley_teeth, machine.belt.pitch_mm
    speed, polygon = runout_ripple(eccentricity_mm, pitch, teeth), polygon_ripple(teeth)
    return (
        DriveFigure(name="speed ripple of the runout", value=100 * speed, unit="%",
                    words=f"amplitude, once a turn: every {teeth * pitch:.4g} mm"),
        DriveFigure(name="contrast that it would make", value=200 * speed, unit="%",
                    words="about, where the power is not corrected for the speed"),
        DriveFigure(name="ripple of the teeth as a polygon", value=100 * polygon, unit="%",
                    words=f"at most, once a tooth: every {pitch:.4g} mm; a toothed belt stays far below it"),
    )


def stripe_figures(machine: Machine, *, period_mm: float, contrast_percent: float) -> tuple[DriveFigure, ...]:
    """List what a measured stripe says of the drive: how far the carriage is off, and the belt's steady angle."""
    off = position_error(contrast_percent, period_mm)
    figures = [DriveFigure(name="position error behind the stripe", value=1000 * off, unit="\N{MICRO SIGN}m",
                           words="amplitude, where the power is not corrected for the speed")]
    if machine.belt and 0 < period_mm / machine.belt.pitch_mm - 1 < MOST_STRETCH:
        angle = angle_from_period(period_mm, machine.belt.pitch_mm)
        figures.append(DriveFigure(name="belt angle that the spacing asks for", value=angle.angle_deg,
                                   unit="degrees", words=angle.words))
    return tuple(figures)


def _mesh(teeth: int, wrap_deg: float) -> DriveFigure:
    count = teeth_in_mesh(teeth, wrap_deg)
    few = (f"Fewer than {LEAST_TEETH} teeth carry the load (the usual least): wrap the pulley further with "
           "an idler, or take a larger pulley.")
    return DriveFigure(name="teeth in mesh", value=float(count), unit="teeth",
                       words=f"at {wrap_deg:g} degrees of wrap", warning=few if count < LEAST_TEETH else "")


def _check_angle(angle_deg: float) -> None:
    if not 0 <= angle_deg < 90:
        raise ValueError(f"angle_deg must be from 0 to below 90, got {angle_deg}")
