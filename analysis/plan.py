"""A test piece to engrave: patches over power and speed that settle what makes the stripes.

Long patches carry as many periods as the piece allows; one group is turned by
90 degrees, so that what turns with the machine and what turns with the board
come apart. Corner marks, frame and lettering carry scale and direction.

Millimetres on the piece: x along the scan axis, y down, (0, 0) the frame's
first outer corner.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2

from analysis.errors import PhotoError
from analysis.marks import FAMILY, MarkLayout, mark_corners_mm
from analysis.plan_font import text_strokes, text_width
from analysis.plan_settings import STRIP_MM, PlanSettings, check_plan_settings

__all__ = ["Layer", "Patch", "Plan", "PlanSettings", "Shape", "make_plan", "mark_fields", "patches",
           "rectangle"]

Point = tuple[float, float]

FRAME_LINE_MM = 0.8
EDGE_MM = 3.0              # patches keep this far from the frame's outer edge
GAP_MM = 3.0               # plain board between patches: a control of the board itself
LABEL_MM = 1.8             # capitals of a patch's label
LABEL_GAP_MM = 0.7
TURNED_WIDTH_MM = 9.0
STEP_MM = 5.5
RIM_MM = 0.6               # of a patch that is left out of the analysis: turning points of the head
LEAST_LONG_MM, LEAST_SHORT_MM = 24.0, 6.0      # 12 periods of 2 mm, and bands enough for the angle


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """Shapes that are engraved with the same settings."""

    name: str
    purpose: str
    power_percent: float | None            # None: the person's own setting for dark, clear lines
    speed_mm_s: float | None
    turned: bool                           # scan along y
    filled: bool                           # False: plain lines, engraved once along the stroke
    colour: str                            # "#rrggbb", each layer its own


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One outline or line; outlines of one `group` fill together (a hole is an outline inside an outline)."""

    layer: str
    points_mm: tuple[Point, ...]
    closed: bool
    group: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """One patch, judged by itself."""

    name: str
    power_percent: float
    speed_mm_s: float
    turned: bool                           # its stripes would lie across y
    outline_mm: tuple[float, float, float, float]    # x, y, w, h as engraved
    region_mm: tuple[float, float, float, float]     # the part to analyse


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The whole piece."""

    settings: PlanSettings
    layers: tuple[Layer, ...]
    shapes: tuple[Shape, ...]
    patches: tuple[Patch, ...]


def make_plan(settings: PlanSettings | None = None) -> Plan:
    """Lay out a test piece.

    Parameters
    ----------
    settings : PlanSettings, optional

    Returns
    -------
    Plan

    Raises
    ------
    PhotoError
        A value that cannot be meant, or more patches than the piece holds; the sentence names the mend.
    """
    settings = settings or PlanSettings()
    check_plan_settings(settings)
    found = patches(settings)
    steps = _steps(settings)
    layers = _layers(found, steps)
    shapes: list[Shape] = []

    def add(layer, *outlines, closed=True):
        group = shapes[-1].group + 1 if shapes else 0
        for points in outlines:
            shapes.append(Shape(layer=layer, points_mm=tuple((round(x, 4), round(y, 4)) for x, y in points),
                                closed=closed, group=group))
    w, h = settings.width_mm, settings.height_mm
    add("FRAME", rectangle(0, 0, w, h), rectangle(FRAME_LINE_MM, FRAME_LINE_MM, w - 2 * FRAME_LINE_MM,
                                                  h - 2 * FRAME_LINE_MM))
    for number, ((x, y), *_) in mark_corners_mm((w, h)).items():
        add("MARKS", *(rectangle(x + a, y + b, c, d) for a, b, c, d in mark_fields(number)))
    for patch in found:
        add(_patch_layer(patch), rectangle(*patch.outline_mm))
    for power, place in steps:
        add(f"STEP_P{power:g}", rectangle(*place))
    for stroke in _lettering(settings, found, steps):
        add("TEXT", stroke, closed=False)
    return Plan(settings=settings, layers=layers, shapes=tuple(shapes), patches=found)


def patches(plan: Plan | PlanSettings) -> tuple[Patch, ...]:
    """Patches of a plan with their regions in mm: main group row by row, then the turned group.

    Notes
    -----
    A patch's `region_mm` is what `Settings.region_mm` takes. For a turned patch
    the piece is to be read with its second side as scan axis.
    """
    settings = plan.settings if isinstance(plan, Plan) else plan
    top, bottom = STRIP_MM, settings.height_mm - STRIP_MM
    turned_powers = _turned_powers(settings)
    beside = len(turned_powers) * (TURNED_WIDTH_MM + LABEL_MM + LABEL_GAP_MM + GAP_MM)
    right = settings.width_mm - EDGE_MM - beside
    columns, rows = len(settings.speeds_mm_s), len(settings.powers_percent)
    long = (right - EDGE_MM - (columns - 1) * GAP_MM) / columns
    pitch = (bottom - top + GAP_MM / 2) / rows
    short = pitch - GAP_MM / 2 - LABEL_MM - LABEL_GAP_MM
    _check_room(long, short, bottom - top if turned_powers else None)
    found = []
    for i, power in enumerate(settings.powers_percent):
        for j, speed in enumerate(settings.speeds_mm_s):
            x, y = EDGE_MM + j * (long + GAP_MM), top + i * pitch + LABEL_MM + LABEL_GAP_MM
            found.append(_patch(power, speed, False, (x, y, long, short)))
    for k, power in enumerate(turned_powers):
        x = right + (k + 1) * (GAP_MM + LABEL_MM + LABEL_GAP_MM) + k * TURNED_WIDTH_MM
        found.append(_patch(power, settings.speeds_mm_s[0], True, (x, top, TURNED_WIDTH_MM, bottom - top)))
    return tuple(found)


def mark_fields(number: int) -> list[tuple[float, float, float, float]]:
    """Black fields of a corner mark as rectangles (x, y, w, h), mm from its top left; none overlap."""
    dictionary = cv2.aruco.getPredefinedDictionary(FAMILY)
    side = dictionary.markerSize + 2
    black = cv2.aruco.generateImageMarker(dictionary, number, side, borderBits=1) < 128
    field = MarkLayout().side_mm / side
    found = []
    for row in range(side):
        column = 0
        while column < side:
            start = column
            while column < side and black[row, column]:
                column += 1
            if column > start:
                found.append((start * field, row * field, (column - start) * field, field))
            column += 1
    return found


def rectangle(x: float, y: float, w: float, h: float) -> tuple[Point, ...]:
    """Corners, clockwise as seen."""
    return ((x, y), (x + w, y), (x + w, y + h), (x, y + h))


def _check_room(long, short, turned_long) -> None:
    """Refuse patches too small to prove anything."""
    if long < LEAST_LONG_MM:
        raise PhotoError(f"The patches would be only {max(long, 0):.0f} mm long, too short to tell stripes "
                         "from grain. Make the piece wider, or take fewer speeds.")
    if short < LEAST_SHORT_MM:
        raise PhotoError(f"The patches would be only {max(short, 0):.1f} mm high. "
                         "Make the piece higher, or take fewer powers.")
    if turned_long is not None and turned_long < LEAST_LONG_MM:
        raise PhotoError("The turned patches would be too short. Make the piece higher, or leave them out.")


def _turned_powers(s: PlanSettings) -> tuple[float, ...]:
    """Least, middle and most power."""
    if not s.turned:
        return ()
    order = sorted(s.powers_percent)
    return tuple(dict.fromkeys((order[0], order[len(order) // 2], order[-1])))


def _patch(power, speed, turned, outline) -> Patch:
    """Round to a hundredth, and leave the rim out of the region."""
    x, y, w, h = (round(v, 2) for v in outline)
    region = tuple(round(v, 2) for v in (x + RIM_MM, y + RIM_MM, w - 2 * RIM_MM, h - 2 * RIM_MM))
    return Patch(name=f"P{power:g} V{speed:g}{' T' if turned else ''}", power_percent=power, speed_mm_s=speed,
                 turned=turned, outline_mm=(x, y, w, h), region_mm=region)


def _steps(s: PlanSettings) -> list[tuple[float, tuple[float, float, float, float]]]:
    """Squares of the step scale: as many powers, evenly chosen, as fit between the lower marks."""
    room = s.width_mm - 2 * STRIP_MM - 1.0
    pitch = STEP_MM + 2.5
    n = max(0, min(len(s.steps_percent), int((room + 2.5) // pitch)))
    chosen = [s.steps_percent[round(i * (len(s.steps_percent) - 1) / max(n - 1, 1))] for i in range(n)]
    return [(p, (STRIP_MM + 0.5 + i * pitch, s.height_mm - 3.0 - STEP_MM, STEP_MM, STEP_MM))
            for i, p in enumerate(chosen)]


def _patch_layer(patch: Patch) -> str:
    """Layer of a patch: letters, digits and underscores, which every format takes."""
    return f"P{patch.power_percent:g}_V{patch.speed_mm_s:g}{'_TURNED' if patch.turned else ''}"


def _layers(found, steps) -> tuple[Layer, ...]:
    """One layer for each setting of the machine."""
    raw = [("FRAME", "frame, dark and clear", None, None, False, True),
           ("MARKS", "corner marks, dark and clear", None, None, False, True),
           ("TEXT", "labels, one light line along each stroke", None, None, False, False)]
    for p in found:
        way = "along y (the job turned by 90 degrees)" if p.turned else "along x"
        raw.append((_patch_layer(p), f"patch, scan {way}", p.power_percent, p.speed_mm_s, p.turned, True))
    first_speed = found[0].speed_mm_s
    raw += [(f"STEP_P{p:g}", "step scale, scan along x", p, first_speed, False, True) for p, _ in steps]
    return tuple(Layer(name=n, purpose=u, power_percent=p, speed_mm_s=v, turned=t, filled=f,
                       colour=_colour(i, len(raw))) for i, (n, u, p, v, t, f) in enumerate(raw))


def _colour(i, n) -> str:
    """Hues as far apart as the number of layers allows, dark enough for white paper."""
    if i == 0:
        return "#000000"
    hue, value = i / n * 6.0, (0.85, 0.6)[i % 2]
    ramp = [max(0.0, min(1.0, abs((hue + shift) % 6 - 3) - 1)) for shift in (0, 4, 2)]
    return "#" + "".join(f"{round(255 * value * (0.1 + 0.9 * channel)):02x}" for channel in ramp)


def _lettering(s: PlanSettings, found, steps):
    """All strokes of title, size line and labels."""
    yield from text_strokes(s.title, STRIP_MM + 0.5, 2.5, 4.0)
    line = f"{s.width_mm:g} X {s.height_mm:g} MM  ROWS {s.line_interval_mm:g}  X: SCAN AXIS"
    if text_width(line, LABEL_MM) <= s.width_mm - 2 * STRIP_MM:
        yield from text_strokes(line, STRIP_MM + 0.5, 8.2, LABEL_MM)
    for p in found:
        x, y, _, h = p.outline_mm
        if p.turned:
            yield from text_strokes(p.name, x - LABEL_GAP_MM - LABEL_MM, y + h, LABEL_MM, turned=True)
        else:
            yield from text_strokes(p.name, x, y - LABEL_GAP_MM - LABEL_MM, LABEL_MM)
    for power, (x, y, _, _) in steps:
        yield from text_strokes(f"{power:g}", x, y - LABEL_GAP_MM - 1.5, 1.5)
