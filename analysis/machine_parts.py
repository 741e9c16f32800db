"""The moving parts that a machine file may list, each key with its range and its meaning.

Lengths are mm, speeds mm/s, angles degrees. The check of the file, the form on
the page and the error sentences all read these classes.
"""
from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

__all__ = ["Bearing", "Belt", "Fan", "Gear", "Idler", "Machine", "Mains", "MANY", "Motor", "ONE", "Rack",
           "Rail", "Resonance", "Scan", "Screw", "Wheel"]


def _key(kind: str, words: str, low: float = -math.inf, high: float = math.inf, **default: Any):
    """Return one key of the file: its kind, its range and what it means; no default makes it required."""
    return field(metadata={"kind": kind, "low": low, "high": high, "words": words}, **default)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """How the piece was engraved."""

    speed_mm_s: float | None = _key("number", "scan speed of the pieces in the "
                                              "photos", 0.1, 20_000, default=None)
    speed_sd_percent: float = _key("number", "how far the real speed may be off (1 s.d.)", 0, 20, default=0.3)
    other_speeds_mm_s: tuple[float, ...] = _key("numbers", "further scan speeds that you can "
                                                           "set", 0.1, 20_000,
                                                default=())
    line_interval_mm: float | None = _key("number", "distance between engraved lines", 0.005, 5, default=None)
    dot_interval_mm: float | None = _key("number", "distance between dots along a "
                                                   "line", 0.005, 5, default=None)
    both_ways: bool = _key("yes or no", "true where the beam engraves in both directions", default=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Belt:
    """Toothed belt of the scan axis and its driven pulley."""

    pitch_mm: float = _key("number", "distance from tooth to tooth", 0.5, 40)
    pitch_sd_percent: float = _key("number", "how far the real pitch may be off (1 s.d.)", 0, 5, default=0.1)
    pulley_teeth: int | None = _key("whole number", "teeth of the driven pulley", 6, 400, default=None)
    length_mm: float | None = _key("number", "length of the loop, where the belt is endless", 20, 50_000,
                                   default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Screw:
    """Lead screw of the scan axis."""

    pitch_mm: float = _key("number", "distance from thread to thread", 0.2, 100)
    starts: int = _key("whole "
                       "number", "threads side by side; the lead is starts times pitch", 1, 12, default=1)
    pitch_sd_percent: float = _key("number", "how far the real pitch may be off (1 s.d.)", 0, 5, default=0.05)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rack:
    """Rack and pinion of the scan axis."""

    module_mm: float | None = _key("number", "module; the tooth distance is pi times "
                                             "it", 0.2, 10, default=None)
    tooth_pitch_mm: float | None = _key("number", "distance from tooth to tooth, instead of the "
                                                  "module", 0.5, 40,
                                        default=None)
    pinion_teeth: int | None = _key("whole number", "teeth of the pinion", 6, 400, default=None)
    pitch_sd_percent: float = _key("number", "how far the real pitch may be off (1 s.d.)", 0, 5, default=0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Motor:
    """Step motor of the scan axis."""

    step_angle_deg: float = _key("number", "angle of a full step (1.8 or 0.9)", 0.05, 90)
    microsteps: int = _key("whole number", "microsteps in a full step", 1, 1024, default=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gear:
    """Gear pair or reduction belt between motor and pulley, screw or pinion."""

    motor_teeth: int = _key("whole number", "teeth on the motor's side", 5, 1000)
    driven_teeth: int = _key("whole number", "teeth on the driven side", 5, 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """Linear guide whose carriage runs on circulating balls."""

    ball_diameter_mm: float = _key("number", "diameter of a ball", 0.3, 20)
    sd_percent: float = _key("number", "how far the spacing may be off (1 s.d.): balls do not fill the "
                                       "row", 0, 20,
                             default=2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Idler:
    """A pulley or roller that the belt turns."""

    name: str = _key("text", "what you call it", default="")
    diameter_mm: float | None = _key("number", "diameter of a smooth roller", 2, 500, default=None)
    belt_thickness_mm: float = _key("number", "added to the diameter where the belt's back runs on it", 0, 20,
                                    default=0.0)
    diameter_sd_mm: float = _key("number", "how far the diameter may be off (1 s.d.)", 0, 5, default=0.1)
    teeth: int | None = _key("whole number", "teeth, where it is toothed (instead of the diameter)", 6, 400,
                             default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wheel:
    """A wheel that rolls on a rail or profile."""

    name: str = _key("text", "what you call it", default="")
    diameter_mm: float = _key("number", "diameter where it touches the rail", 2, 500)
    diameter_sd_mm: float = _key("number", "how far the diameter may be off (1 s.d.)", 0, 5, default=0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearing:
    """A ball bearing in a turning part."""

    name: str = _key("text", "what you call it", default="")
    turns_with: str = _key("text", "the part it turns with: motor, pulley, screw, pinion, or an idler's or "
                                   "wheel's name")
    ring: str = _key("text", "the ring that turns: inner (a shaft) or outer (an idler, a "
                             "wheel)", default="inner")
    balls: int = _key("whole number", "number of balls", 3, 60)
    ball_diameter_mm: float = _key("number", "diameter of a ball", 0.2, 100)
    pitch_diameter_mm: float = _key("number", "diameter of the circle through the ball centres", 1, 1000)
    contact_angle_deg: float = _key("number", "contact angle; 0 for deep-groove bearings", 0, 60, default=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mains:
    """Mains supply."""

    frequency_hz: float = _key("number", "50 or 60", 10, 1000)
    frequency_sd_hz: float = _key("number", "how far it may be off (1 s.d.)", 0, 10, default=0.05)


@dataclass(frozen=True, slots=True, kw_only=True)
class Resonance:
    """A measured or suspected natural frequency."""

    name: str = _key("text", "what you call it", default="")
    frequency_hz: float = _key("number", "natural frequency", 0.5, 20_000)
    frequency_sd_hz: float | None = _key("number", "how far it may be off (1 s.d.); default 3 % of "
                                                   "it", 0, 5000,
                                         default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fan:
    """A fan or pump that shakes the frame."""

    name: str = _key("text", "what you call it", default="")
    turns_per_minute: float = _key("number", "speed of rotation", 30, 200_000)
    sd_percent: float = _key("number", "how far the speed may be off (1 s.d.)", 0, 30, default=3.0)
    blades: int | None = _key("whole number", "number of blades", 2, 60, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """All that the machine file says; hashable, so answers can be cached."""

    name: str = ""
    scan: Scan = Scan()
    belt: Belt | None = None
    screw: Screw | None = None
    rack: Rack | None = None
    motor: Motor | None = None
    gear: Gear | None = None
    rail: Rail | None = None
    mains: Mains | None = None
    idler: tuple[Idler, ...] = ()
    wheel: tuple[Wheel, ...] = ()
    bearing: tuple[Bearing, ...] = ()
    resonance: tuple[Resonance, ...] = ()
    fan: tuple[Fan, ...] = ()


ONE = {"scan": Scan, "belt": Belt, "screw": Screw, "rack": Rack, "motor": Motor, "gear": Gear, "rail": Rail,
       "mains": Mains}
MANY = {"idler": Idler, "wheel": Wheel, "bearing": Bearing, "resonance": Resonance, "fan": Fan}
