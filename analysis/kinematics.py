"""What a turn of each part means: travel, bearing events, folded intervals, leaning stripes."""
from __future__ import annotations

import math

from analysis.machine_parts import Machine

__all__ = ["bearing_events", "folded_period", "rack_pitch", "stripe_angle", "travel"]


def travel(machine: Machine) -> dict[str, float]:
    """Travel in mm of one turn of the pulley, screw or pinion, the motor, and idlers and wheels by name.

    Only what the file gives is in the answer.
    """
    turns: dict[str, float] = {}
    if machine.belt and machine.belt.pulley_teeth:
        turns["pulley"] = machine.belt.pitch_mm * machine.belt.pulley_teeth
    if machine.screw:
        turns["screw"] = machine.screw.pitch_mm * machine.screw.starts
    if machine.rack and machine.rack.pinion_teeth:
        turns["pinion"] = rack_pitch(machine) * machine.rack.pinion_teeth
    if machine.motor and turns:
        ratio = machine.gear.motor_teeth / machine.gear.driven_teeth if machine.gear else 1.0
        turns["motor"] = next(iter(turns.values())) * ratio
    for idler in machine.idler:
        name = idler.name or "idler"
        if idler.teeth is not None and machine.belt:
            turns[name] = idler.teeth * machine.belt.pitch_mm
        elif idler.diameter_mm is not None:
            turns[name] = math.pi * (idler.diameter_mm + idler.belt_thickness_mm)
    for wheel in machine.wheel:
        turns[wheel.name or "wheel"] = math.pi * wheel.diameter_mm
    return turns


def bearing_events(*, balls: int, ball_diameter_mm: float, pitch_diameter_mm: float,
                   contact_angle_deg: float = 0.0, ring: str = "inner") -> dict[str, float]:
    """Events in one turn of the turning ring.

    Parameters
    ----------
    balls : int
        Number of balls.
    ball_diameter_mm, pitch_diameter_mm : float
        d and D, mm.
    contact_angle_deg : float
        Contact angle; enters as d / D cos(angle).
    ring : {"inner", "outer"}
        The ring that turns. The usual tables take the inner one; idlers and wheels turn the outer one.

    Returns
    -------
    dict
        "outer ring", "inner ring": balls passing a mark on that ring; "ball": a ball's own spin;
        "cage": turns of the cage.

    Notes
    -----
    With k = d / D cos(angle) and the inner ring turning: n/2 (1 - k), n/2 (1 + k), D/2d (1 - k^2), (1 - k)/2.
    With the outer ring turning the cage makes (1 + k)/2 turns, so the fixed inner ring sees n/2 (1 + k) and
    the turning outer ring n/2 (1 - k), the same two figures; only the cage differs. Slip lowers all of them
    by 1 to 3 %.
    """
    if ring not in ("inner", "outer"):
        raise ValueError(f"ring must be 'inner' or 'outer', got {ring!r}")
    k = ball_diameter_mm / pitch_diameter_mm * math.cos(math.radians(contact_angle_deg))
    return {"outer ring": balls / 2 * (1 - k), "inner ring": balls / 2 * (1 + k),
            "ball": pitch_diameter_mm / (2 * ball_diameter_mm) * (1 - k * k),
            "cage": (1 + k) / 2 if ring == "outer" else (1 - k) / 2}


def folded_period(interval_mm: float, pixels_per_mm: float) -> float:
    """Period in mm that lines `interval_mm` apart show in a photo of `pixels_per_mm` (sampling theorem).

    `math.inf` where the lines fall on whole pixels; the interval itself where the photo resolves it.
    """
    if not (interval_mm > 0 and pixels_per_mm > 0):
        raise ValueError(f"interval and scale must be positive, got {interval_mm} mm and {pixels_per_mm} "
                         "px/mm")
    cycles_per_px = 1.0 / (interval_mm * pixels_per_mm)
    folded = abs(cycles_per_px - round(cycles_per_px))
    return 1.0 / (folded * pixels_per_mm) if folded > 1e-9 else math.inf


def stripe_angle(frequency_hz: float, line_time_s: float, speed_mm_s: float,
                 line_interval_mm: float) -> float:
    """Angle in degrees of a free-running ripple's stripes from the scan normal.

    The ripple advances by frequency times line time from line to line; only the part beyond whole cycles
    shows, and it leans the stripe by (that part) x period / line interval.
    """
    cycles = frequency_hz * line_time_s
    shift_mm = (cycles - round(cycles)) * speed_mm_s / frequency_hz
    return math.degrees(math.atan2(shift_mm, line_interval_mm))


def rack_pitch(machine: Machine) -> float:
    """Return the tooth distance of the rack, mm."""
    rack = machine.rack
    return rack.tooth_pitch_mm if rack.tooth_pitch_mm is not None else math.pi * rack.module_mm
