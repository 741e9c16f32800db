"""Whether the stripe stands at the same place on the machine in both pieces, and whether that could be chance.

On two boards the grain lies where it will; only the machine puts a stripe at the same machine position twice.
On one board photographed twice the grain itself stands at the same place, so there it proves nothing.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d

from analysis.line import Line, line_wave

__all__ = ["PhaseLock", "phase_lock", "same_ground"]

LEAST_RAD = 0.35           # two engravings of one machine repeat a stripe's place no better; common practice, no source
MOST_SD_RAD = np.pi / 8    # with more doubt than this a chance agreement is too likely
GROUND_ALIKE = 0.35        # correlation of the grounds; two boards stay below 0.1, one board is well above
GROUND_MM = 4.0            # slower changes are light and smoke


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseLock:
    """Phase of AFTER's stripe against BEFORE's at the same machine position."""

    locked: bool | None                    # None: cannot be told, or would prove nothing
    difference_rad: float
    chance: float                          # that two stripes which know nothing of each other agree as well
    shift_mm: float                        # along the scan, to the nearest period


def phase_lock(before: Line, after: Line, amplitude: complex, amplitude_sd: float, centre_mm: tuple[float, float],
               same_place_sd_mm: float) -> PhaseLock:
    """Compare the phases of one stripe in two aligned pieces.

    Parameters
    ----------
    before : Line
    after : Line
        Where AFTER was read: its own called line, or BEFORE's.
    amplitude, amplitude_sd : complex, float
        AFTER's reading about `centre_mm`.
    same_place_sd_mm : float
        1 s.d. of the registration along the scan.

    Notes
    -----
    Phases that know nothing of each other differ by an angle spread evenly over the circle, so they agree within
    d by chance with probability d / pi.
    """
    turns = [line.fx_per_mm * centre_mm[0] + line.fy_per_mm * centre_mm[1] for line in (before, after)]
    bend = 0.0
    if before.drift_percent_per_100mm is not None:
        bend = -before.fx_per_mm * before.drift_percent_per_100mm * 0.5e-4 * (centre_mm[0] - before.centre_mm[0]) ** 2
    gap = np.angle(amplitude) + 2 * np.pi * turns[1] - before.phase_rad - 2 * np.pi * (turns[0] + bend)
    difference = float(np.angle(np.exp(1j * gap)))
    sd = float(np.sqrt((before.amplitude_sd / max(before.amplitude, 1e-12)) ** 2
                       + (amplitude_sd / max(abs(amplitude), 1e-12)) ** 2
                       + (2 * np.pi * before.fx_per_mm * same_place_sd_mm) ** 2))
    within = max(2.0 * sd, LEAST_RAD)
    return PhaseLock(locked=bool(abs(difference) < within) if sd <= MOST_SD_RAD else None, difference_rad=difference,
                     chance=min(within / np.pi, 1.0), shift_mm=difference / (2 * np.pi * before.fx_per_mm))


def same_ground(before, after) -> bool:
    """Whether two aligned textures (`StripeField`) are of one board: their grounds, lines taken out, correlate."""
    if before.bands.value.shape != after.bands.value.shape:
        return False
    rest, weights = [], []
    for field in (before, after):
        bands = field.bands
        lines = [c.line for c in field.candidates] + [c.line for c in before.candidates]
        value = bands.value - uniform_filter1d(bands.value, max(3, round(GROUND_MM / bands.step_mm)), axis=1)
        for line in lines:                 # whatever stands at a candidate's spacing, in the phase that it has here
            for turn in (0.0, np.pi / 2):
                wave = line_wave(_unit(line, turn), bands.x_mm, bands.y_mm)
                value = value - wave * (bands.weight * value * wave).sum() / (bands.weight * wave * wave).sum()
        rest.append(value)
        weights.append(bands.weight)
    weight = weights[0] * weights[1]
    return bool((weight * rest[0] * rest[1]).sum() > GROUND_ALIKE * np.sqrt(
        (weight * rest[0] ** 2).sum() * (weight * rest[1] ** 2).sum()))


def _unit(line: Line, turn: float) -> Line:
    """The line with amplitude 1 and its phase turned."""
    return replace(line, amplitude=1.0, phase_rad=line.phase_rad + turn, envelope=None)
