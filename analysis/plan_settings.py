"""What the person chooses for a test piece, checked once at the door."""
from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.errors import PhotoError
from analysis.plan_font import text_width

__all__ = ["PlanSettings", "check_plan_settings"]

STRIP_MM = 12.5            # height of the strips of marks, text and steps at top and bottom
TITLE_MM = 4.0
SIZES_MM = (60.0, 1000.0)
MOST_POWERS, MOST_SPEEDS, MOST_STEPS = 12, 6, 12


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanSettings:
    """What the person chooses; powers and speeds in the machine's own numbers.

    Parameters
    ----------
    width_mm, height_mm : float
        Of the frame, outer edge to outer edge; width along the scan axis.
    powers_percent, speeds_mm_s : tuples of float
        One patch for each pair.
    turned : bool
        One group engraved with the scan axis turned by 90 degrees, at the first speed.
    steps_percent : tuple of float
        Powers of the step scale, which shows how shade follows power.
    line_interval_mm : float
        Distance of the engraved rows.
    title : str
        The text line.
    wavelength_nm : float, optional
        Of the laser, for the caution about eyewear.
    """

    width_mm: float = 160.0
    height_mm: float = 110.0
    powers_percent: tuple[float, ...] = (10.0, 20.0, 30.0, 40.0, 50.0)
    speeds_mm_s: tuple[float, ...] = (200.0, 320.0)
    turned: bool = True
    steps_percent: tuple[float, ...] = (5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0)
    line_interval_mm: float = 0.1
    title: str = "STRIPE TEST"
    wavelength_nm: float | None = None


def check_plan_settings(s: PlanSettings) -> None:
    """Refuse what cannot be meant, by a `PhotoError` whose sentence names the mend."""
    for name, value in (("width", s.width_mm), ("height", s.height_mm)):
        if not _within(value, *SIZES_MM):
            raise PhotoError(f"The piece's {name} must lie between {SIZES_MM[0]:g} and {SIZES_MM[1]:g} mm.")
    lists = (("powers", s.powers_percent, 0.1, 100.0, MOST_POWERS, "%"),
             ("speeds", s.speeds_mm_s, 0.5, 5000.0, MOST_SPEEDS, "mm/s"),
             ("steps", s.steps_percent, 0.1, 100.0, MOST_STEPS, "%"))
    for name, values, low, high, most, unit in lists:
        if not (name == "steps" or values) or len(values) > most or len(set(values)) < len(values) \
                or not all(_within(v, low, high) for v in values):
            raise PhotoError(f"Give up to {most} different {name} between {low:g} and {high:g} {unit}.")
    if not _within(s.line_interval_mm, 0.01, 1.0):
        raise PhotoError("The distance of the engraved rows must lie between 0.01 and 1 mm.")
    if s.wavelength_nm is not None and not _within(s.wavelength_nm, 150.0, 20_000.0):
        raise PhotoError("The laser's wavelength must lie between 150 and 20000 nm, or be left out.")
    if text_width(s.title, TITLE_MM) > s.width_mm - 2 * STRIP_MM:
        raise PhotoError("The text line is too long for the piece. Shorten it, or make the piece wider.")


def _within(value, low, high) -> bool:
    """Test for a plain number between limits; NaN is not."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value) \
        and low <= value <= high
