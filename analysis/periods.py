"""From the machine's parts to every stripe period that they can make.

A period fixed in mm comes from geometry; a period fixed in Hz is speed divided
by frequency and moves with the scan speed. Standard deviations are 1 sigma of
the part itself, not of the photo. Published figures: pitches ISO 5296, leads
ISO 261, bearing events by the usual kinematics without slip.
"""
from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analysis.kinematics import bearing_events, folded_period, rack_pitch, travel
from analysis.machine_parts import Machine

__all__ = ["ExpectedPeriod", "expected_periods"]

MOTOR_SD = 0.0005           # step angle errors do not add up over a turn: the belt's pitch rules
CYCLE_STEPS = 4             # full steps in an electrical cycle of a two-phase motor: 7.2 deg at 1.8 deg
SLIP_SD = 0.01              # bearings run 1 to 3 % below the ideal rates (several published calculators)
RESONANCE_SD = 0.03         # a tap test with a phone is about this good; from memory
RASTER_SD = 0.001           # steps per mm are set once and hold
FOLDED_SD = 0.02            # the photo's scale varies over a tilted piece, and the fold magnifies it

# Prior weights, relative: common practice, no source. A harmonic or a multiple is rarely stronger than its
# own fundamental, and each one listed is one more chance to name a part by accident.
USUAL, SELDOM, RARE, HARMONIC = 1.0, 0.4, 0.1, 0.06
CYCLE_SECOND, CYCLE_FOURTH = 0.3, 0.5     # step ripple is strongest at harmonics 1, 2 and 4; from memory
KNOCKS = {"outer ring": "as each ball passes a flaw of the outer ring",
          "inner ring": "as each ball passes a flaw of the inner ring",
          "ball": "once for each spin of a ball", "cage": "once for each turn of the cage"}
BEARING = {"outer ring": 0.3, "inner ring": 0.3, "ball": RARE, "cage": RARE}


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedPeriod:
    """One period that a listed part can make."""

    part: str
    kind: str                              # "geometry": fixed in mm; "time": fixed in Hz
    period_mm: float
    sd_mm: float                           # 1 s.d. of the part, without the photo's scale
    harmonic_of: str | None                # the part whose multiple or fraction this is
    words: str                             # what it looks like
    along: str = "scan"                    # "scan": bands square to the scan axis; "cross": along it
    prior: float = USUAL                   # relative weight before a photo is seen
    frequency_hz: float | None = None      # of a time-based part


def expected_periods(machine: Machine, *, speed_mm_s: float | None = None,
                     pixels_per_mm: float | None = None) -> tuple[ExpectedPeriod, ...]:
    """List every period the machine's parts can make, longest first.

    Parameters
    ----------
    machine : Machine
    speed_mm_s : float, optional
        Scan speed for the time-based parts; default that of the machine file.
    pixels_per_mm : float, optional
        Scale of the photo; with it the engraved lines and dots are given as the photo folds them.

    Returns
    -------
    tuple of ExpectedPeriod
    """
    speed = machine.scan.speed_mm_s if speed_mm_s is None else speed_mm_s
    if speed is not None and not speed > 0:
        raise ValueError(f"speed_mm_s must be positive, got {speed}")
    found = [*_belt(machine), *_screw(machine), *_rack(machine), *_motor(machine), *_gear(machine),
             *_rollers(machine), *_bearings(machine), *_timed(machine, speed),
             *_raster(machine, pixels_per_mm)]
    return tuple(sorted(found, key=lambda p: -p.period_mm))


def _geometry(part: str, period: float, share: float, words: str, prior: float = USUAL, of: str | None = None,
              along: str = "scan") -> ExpectedPeriod:
    """`share` is the relative standard deviation."""
    return ExpectedPeriod(part=part, kind="geometry", period_mm=period, sd_mm=period * share, harmonic_of=of,
                          words=words, along=along, prior=prior)


def _fraction(base: ExpectedPeriod, order: int, words: str, prior: float = HARMONIC) -> ExpectedPeriod:
    """Return the harmonic of this order."""
    suffix = {2: "2nd", 3: "3rd"}.get(order, f"{order}th")
    return replace(base, part=f"{base.part}, {suffix} harmonic", period_mm=base.period_mm / order,
                   sd_mm=base.sd_mm / order, harmonic_of=base.part, words=words, prior=prior * base.prior,
                   frequency_hz=base.frequency_hz and base.frequency_hz * order)


def _turn(part: str, period: float, share: float, words: str) -> list[ExpectedPeriod]:
    """One mark a turn, and two: an oval or bent part."""
    once = _geometry(part, period, share, words)
    return [once, _fraction(once, 2, "two marks a turn: the part is oval or bent")]


def _belt(machine: Machine) -> list[ExpectedPeriod]:
    belt = machine.belt
    if belt is None:
        return []
    share = belt.pitch_sd_percent / 100
    pitch = _geometry("belt pitch", belt.pitch_mm, share,
                      "even stripes square to the scan axis, one a tooth, at every scan speed")
    found = [pitch, _fraction(pitch, 2, "two stripes for each tooth: both flanks touch"),
             _geometry("two belt teeth", 2 * belt.pitch_mm, share, "every other tooth differs", HARMONIC,
                       "belt pitch")]
    if belt.pulley_teeth:
        found += _turn("pulley turn", belt.pitch_mm * belt.pulley_teeth, share,
                       "broad waves, one for each turn of the pulley: it runs out of true or sits askew")
    if belt.length_mm:
        found.append(_geometry("belt length", belt.length_mm, share,
                               "one mark each time the belt's joint or a damaged tooth comes round", SELDOM))
    return found


def _screw(machine: Machine) -> list[ExpectedPeriod]:
    screw = machine.screw
    if screw is None:
        return []
    share = screw.pitch_sd_percent / 100
    found = _turn("screw lead", screw.pitch_mm * screw.starts, share,
                  "one wave for each turn of the screw: bent screw or coupling")
    if screw.starts > 1:
        found.append(_geometry("screw pitch", screw.pitch_mm, share,
                               "one stripe for each thread of a many-start screw", SELDOM, "screw lead"))
    return found


def _rack(machine: Machine) -> list[ExpectedPeriod]:
    if machine.rack is None:
        return []
    pitch, share = rack_pitch(machine), machine.rack.pitch_sd_percent / 100
    tooth = _geometry("rack tooth", pitch, share, "one stripe for each tooth of the rack")
    found = [tooth, _fraction(tooth, 2, "two stripes for each tooth: both flanks touch")]
    if machine.rack.pinion_teeth:
        found += _turn("pinion turn", pitch * machine.rack.pinion_teeth, share,
                       "broad waves, one for each turn of the pinion")
    return found


def _drive_share(machine: Machine) -> float:
    part = machine.belt or machine.screw or machine.rack
    return math.hypot(part.pitch_sd_percent / 100, MOTOR_SD)


def _motor(machine: Machine) -> list[ExpectedPeriod]:
    turn = travel(machine).get("motor")
    if machine.motor is None or turn is None:
        return []
    step, share = turn * machine.motor.step_angle_deg / 360, _drive_share(machine)
    cycle = _geometry("motor electrical cycle", CYCLE_STEPS * step, share,
                      "fine even stripes, one for each electrical cycle (4 full steps): unequal currents")
    found = [cycle,
             _fraction(cycle, 2, "two for each electrical cycle: currents bent near zero", CYCLE_SECOND),
             _geometry("motor full step", step, share, "very fine even stripes, one a full step",
                       CYCLE_FOURTH, "motor electrical cycle")]
    if machine.motor.microsteps > 1:
        found.append(_geometry("microstep", step / machine.motor.microsteps, share,
                               "finer than a photo of the whole piece shows", RARE, "motor full step"))
    if machine.gear is not None:       # without one the motor's turn is the pulley's, screw's or pinion's
        found += _turn("motor turn", turn, share, "one wave for each turn of the motor")
    return found


def _gear(machine: Machine) -> list[ExpectedPeriod]:
    turn = travel(machine).get("motor")
    if machine.gear is None or turn is None:
        return []
    mesh, share = turn / machine.gear.motor_teeth, _drive_share(machine)
    meshes = math.lcm(machine.gear.motor_teeth, machine.gear.driven_teeth)
    found = [_geometry("gear mesh", mesh, share,
                       "even stripes, one for each tooth of the gear or reduction belt that meshes")]
    if meshes > machine.gear.driven_teeth:
        found.append(_geometry("gear hunting tooth", mesh * meshes, share,
                               "the same two teeth meet again: one is worn on each side", RARE,
                               "gear mesh"))
    return found


def _rollers(machine: Machine) -> list[ExpectedPeriod]:
    turns = travel(machine)
    found: list[ExpectedPeriod] = []
    for idler in machine.idler:
        turn = turns[idler.name or "idler"]
        smooth = idler.teeth is None
        share = math.pi * idler.diameter_sd_mm / turn if smooth else machine.belt.pitch_sd_percent / 100
        found += _turn(_named("idler turn", idler.name), turn, share,
                       "one wave for each turn of the idler: its bore is off centre or it wobbles")
    for wheel in machine.wheel:
        turn = turns[wheel.name or "wheel"]
        found += _turn(_named("wheel turn", wheel.name), turn, math.pi * wheel.diameter_sd_mm / turn,
                       "one mark for each turn of the wheel: a flat spot or an off-centre spacer")
    if machine.rail:
        # the carriage moves twice as far as its balls; from memory
        found.append(_geometry("rail balls", 2 * machine.rail.ball_diameter_mm, machine.rail.sd_percent / 100,
                               "a weak ripple as balls enter the carriage's load zone", SELDOM))
    return found


def _bearings(machine: Machine) -> list[ExpectedPeriod]:
    turns = travel(machine)
    found = []
    for bearing in machine.bearing:
        events = bearing_events(balls=bearing.balls, ball_diameter_mm=bearing.ball_diameter_mm,
                                pitch_diameter_mm=bearing.pitch_diameter_mm, ring=bearing.ring,
                                contact_angle_deg=bearing.contact_angle_deg)
        for event, count in events.items():
            part = _named(f"bearing {event}", bearing.name or bearing.turns_with)
            found.append(_geometry(part, turns[bearing.turns_with] / count, SLIP_SD,
                                   f"knocks {KNOCKS[event]}: worn or dirty bearing", BEARING[event]))
    return found


def _timed(machine: Machine, speed: float | None) -> list[ExpectedPeriod]:
    if speed is None:
        return []
    found: list[ExpectedPeriod] = []

    def timed(part: str, hz: float, sd_share: float, words: str, prior: float = USUAL) -> ExpectedPeriod:
        share = math.hypot(sd_share, machine.scan.speed_sd_percent / 100)
        return ExpectedPeriod(part=part, kind="time", period_mm=speed / hz, sd_mm=speed / hz * share,
                              harmonic_of=None, words=words, prior=prior, frequency_hz=hz)

    if machine.mains:
        hz, share = machine.mains.frequency_hz, machine.mains.frequency_sd_hz / machine.mains.frequency_hz
        free = "spacing grows with the scan speed; leans or washes out unless the line time fits"
        found.append(timed("mains frequency", hz, share, free, SELDOM))
        ripple = timed("mains ripple", 2 * hz, share, f"rectified supply: {free}")
        found += [ripple, _fraction(ripple, 2, free)]
    for part in machine.resonance:
        sd = part.frequency_sd_hz / part.frequency_hz if part.frequency_sd_hz is not None else RESONANCE_SD
        found.append(timed(_named("resonance", part.name), part.frequency_hz, sd,
                           "spacing grows with the scan speed; strong at each line's start, then dying away"))
    for fan in machine.fan:
        hz, share = fan.turns_per_minute / 60, fan.sd_percent / 100
        words = "spacing grows with the scan speed; gone with the fan off"
        found.append(timed(_named("fan turn", fan.name), hz, share, words, SELDOM))
        if fan.blades:
            found.append(timed(_named("fan blades", fan.name), hz * fan.blades, share, words, SELDOM))
    return found


def _raster(machine: Machine, pixels_per_mm: float | None) -> list[ExpectedPeriod]:
    """Engraved lines and dots, as engraved or as the photo folds them."""
    found = []
    scan = machine.scan
    for interval, part, along in ((scan.line_interval_mm, "engraved lines", "cross"),
                                  (scan.dot_interval_mm, "engraved dots", "scan")):
        if interval is None:
            continue
        found.append(_geometry(part, interval, RASTER_SD, "the raster itself", RARE, along=along))
        folded = folded_period(interval, pixels_per_mm) if pixels_per_mm else math.inf
        if math.isfinite(folded) and folded > 1.001 * interval:
            found.append(_geometry(f"{part} folded by the photo", folded, FOLDED_SD,
                                   "false stripes: the spacing changes with the camera's distance", SELDOM,
                                   part, along))
    if scan.both_ways and scan.line_interval_mm:
        found.append(_geometry("scan lines in pairs", 2 * scan.line_interval_mm, RASTER_SD,
                               "zigzag edges: the two scan directions are offset (backlash)", SELDOM,
                               "engraved lines", "cross"))
    return found


def _named(part: str, name: str) -> str:
    return f"{part} ({name})" if name else part
