"""Coherent stripes: lines in the spectrum across the scan axis.

A line at one frequency is tested against its own neighbourhood, so a broad
hill (growth rings) raises the bar that it must clear. Lines are found one
after the other, the strongest first, each taken out before the next search,
so that two families of stripes are both found.

Frequencies are cycles per mm, x along the scan, y down; angles are
anticlockwise as the upright piece is seen.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.by_place import ContrastByPlace, contrast_by_place
from analysis.flatten import Texture
from analysis.limit import detection_limit
from analysis.line import Line, line_wave, measure_line, same_wave, with_envelope
from analysis.odds import Term, directed_false_alarm, line_odds, search_false_alarm
from analysis.peaks import FEWEST_PERIODS, find_peaks, listed_peaks, lowest_per_mm
from analysis.places import demodulate, demodulate_each
from analysis.plane import STEEPEST_DEG, Bands, Plane, make_bands, make_plane, remove_line
from analysis.settings import SHORTEST_PERIOD_MM
from analysis.stripe_map import local_contrast
from analysis.visibility import visible

__all__ = ["CALL_PROBABILITY", "Candidate", "Stripe", "StripeField", "called_candidates", "find_stripes",
           "with_detection_limit"]

CALL_PROBABILITY = 0.65    # on held-out cases this calls fewer than 1 in 100 photos without stripes
SURE = 0.95                # a doubtful line of strong rings must not stand before a sure stripe
SAMPLES_A_PERIOD = 2.5     # Nyquist with room for the resampling kernel
MOST_STRIPES = 4
HIGHEST_ORDER = 6
HARMONIC_SD = 4.5          # of a harmonic's amplitude over its s.d.: about 1 in 10,000 by chance
SIDE_CELLS, SIDE_SHARE = 3.0, 0.2   # resolution cells from a stripe and share of its contrast: its own unevenness
# Percent of drift per 100 mm for each unit of doubt in the scale: a photo without frame, whose scale is known to 1 %,
# may be slanted by 5 degrees, which at a distance of 15 cm changes the scale by 6 % along 100 mm (central projection)
SLANT_DRIFT = 600.0
LEAST_FALSE_ALARM = 1e-30  # smaller numbers mean nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Stripe:
    """One regular artefact; intervals are 95 %."""

    period_mm: float                       # in photo px where no scale is known
    period_interval_mm: tuple[float, float]
    period_px: float                       # in the rectified image
    angle_deg: float                       # of the normal from the scan axis, anticlockwise as seen upright
    angle_interval_deg: tuple[float, float]
    contrast_percent: float                # peak to peak of the fundamental / mean reflectance
    contrast_interval_percent: tuple[float, float]
    phase_rad: float                       # of cos(2 pi (f . r) + phase) at piece coordinates (0, 0)
    phase_sd_rad: float
    coherence: float
    coverage: float
    false_alarm_probability: float         # whole search: more than noise?
    ring_probability: float                # probability that rings make so narrow a line
    periods_in_view: float
    drift_percent_per_100mm: float | None
    harmonics: tuple[tuple[int, float], ...]   # (order, contrast_percent) folded into this fundamental
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A line that was looked at, called or not, with the terms that speak for and against."""

    stripe: Stripe
    line: Line
    probability: float                     # that a machine stripe makes this line
    terms: tuple[Term, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripeField:
    """All that the stripe search found in one texture; without a limit (NaN) until `with_detection_limit`."""

    stripes: tuple[Stripe, ...]            # sure ones (`SURE`) before doubtful ones, each strongest first
    candidates: tuple[Candidate, ...]      # called ones first, then the most likely one that was not called
    frequency_per_mm: NDArray[np.float32]  # (n,) of the spectrum below
    contrast_spectrum_percent: NDArray[np.float32]   # (n,) peak-to-peak contrast a line there would have
    threshold_percent: NDArray[np.float32]           # (n,) contrast that a line must exceed to be called
    profile_x_mm: NDArray[np.float32]      # (m,) along the scan axis
    profile_percent: NDArray[np.float32]   # (m,) mean over the cross axis, deviation from mean in %
    stripe_profile_percent: NDArray[np.float32]      # (m,) the fitted stripes in the same unit
    detection_limit_percent: float
    detection_limit_curve: tuple[tuple[float, float], ...]   # (period_mm, contrast_percent)
    map_percent: NDArray[np.float32]       # (r, c) coarse map of local stripe contrast, NaN where no data
    map_step_mm: float                     # size of a map cell; cell [0, 0] starts at the texture's origin
    by_place: tuple[ContrastByPlace, ...]  # for each stripe: along, across, by tile, against the ground's level
    bands: Bands
    rest: Bands                            # the same with the called stripes taken out
    plane: Plane                           # wavenumber plane of the latter
    model: NDArray[np.float32]             # (rows, columns) the called stripes in log reflectance


def find_stripes(texture: Texture, *, shortest_period_mm: float = SHORTEST_PERIOD_MM,
                 listed_mm: tuple[tuple[float, float], ...] = (), with_limit: bool = True) -> StripeField:
    """Search a texture for coherent stripes within 1.5 degrees of the scan axis' normal.

    Parameters
    ----------
    texture : Texture
    shortest_period_mm : float
        Shortest period searched; the sampling may set a longer one.
    listed_mm : tuple of (period_mm, sd_mm), optional
        Periods that the machine is known to make. A line at one of them has been looked for in
        few places, so a weaker one is believed; the search over all periods goes on beside it.
    with_limit : bool, default True
        Find the detection limit too, as `with_detection_limit` does later.

    Returns
    -------
    StripeField

    Notes
    -----
    Below about eight periods in view, line and rings cannot be told apart by the
    spectrum; the odds model then leans on angle, phase across and coverage.
    """
    bands = make_bands(texture)
    highest = min(1.0 / shortest_period_mm if texture.scale_known else np.inf,
                  texture.samples_per_mm / SAMPLES_A_PERIOD)
    first = plane = make_plane(bands, highest_per_mm=highest)
    called: list[Candidate] = []
    best_other: Candidate | None = None
    rest = bands
    while len(called) < MOST_STRIPES:
        found = _best_candidate(rest, plane, texture, listed_mm)
        if found is None:
            break
        if found.probability < CALL_PROBABILITY:
            best_other = found
            break
        # Twice: only with the line taken out is the noise level known well enough to see a small drift.
        before, line = rest, found.line
        rest = remove_line(before, line_wave(line, bands.x_mm, bands.y_mm))
        plane = make_plane(rest, highest_per_mm=highest)
        again = _measured_again(line, before, plane)
        if not same_wave(again, line, bands.length_mm):
            line = again
            rest = remove_line(before, line_wave(line, bands.x_mm, bands.y_mm))
            plane = make_plane(rest, highest_per_mm=highest)
        called.append(replace(found, line=line))
    taken = called
    called = _settle(called, bands, plane, texture)
    changed = not all(same_wave(a.line, b.line, bands.length_mm) for a, b in zip(taken, called, strict=True))
    called = [c for c in called if c.line.amplitude > 0.0]     # a faint one may be nothing once the others are out
    lines = [c.line for c in called]
    wave = sum((line_wave(line, bands.x_mm, bands.y_mm) for line in lines), np.zeros_like(bands.value))
    if changed:
        rest = remove_line(bands, wave)
        plane = make_plane(rest, highest_per_mm=highest)
    folded = [_with_harmonics(c, rest, plane, lines) for c in _fold(_without_side_lines(called, plane))]
    by_place = tuple(contrast_by_place(texture, remove_line(bands, wave - line_wave(c.line, bands.x_mm, bands.y_mm)),
                                       plane, c.line) for c in folded)
    folded = [_by_area(c, place, texture) for c, place in zip(folded, by_place, strict=True)]
    strongest = [c.line for c in folded] or ([best_other.line] if best_other else [])
    cells, step = local_contrast(bands, strongest)
    keep = plane.fx_per_mm >= 0.5 * lowest_per_mm(plane)
    total = bands.weight.sum(axis=0)
    profile = np.divide((bands.weight * bands.value).sum(axis=0), total, out=np.zeros_like(total), where=total > 0)
    fitted = np.divide((bands.weight * wave).sum(axis=0), total, out=np.zeros_like(total), where=total > 0)
    rows = texture.origin_mm[1] + np.arange(texture.log_reflectance.shape[0]) / texture.samples_per_mm
    model = np.zeros(texture.log_reflectance.shape, np.float32)
    for line in lines:
        model += line_wave(line, bands.x_mm, rows, dtype=np.float32)
    field = StripeField(
        stripes=tuple(c.stripe for c in folded), candidates=tuple(folded) + ((best_other,) if best_other else ()),
        frequency_per_mm=plane.fx_per_mm[keep].astype(np.float32),
        contrast_spectrum_percent=_spectrum(first)[keep].astype(np.float32), threshold_percent=_threshold(plane, ()),
        profile_x_mm=bands.x_mm.astype(np.float32), profile_percent=(100 * profile).astype(np.float32),
        stripe_profile_percent=(100 * fitted).astype(np.float32), detection_limit_percent=np.nan,
        detection_limit_curve=(), map_percent=cells, map_step_mm=step, by_place=by_place, bands=bands, rest=rest,
        plane=plane, model=model)
    return with_detection_limit(field) if with_limit else field


def with_detection_limit(field: StripeField) -> StripeField:
    """The field with its detection limit, found by injection: a quarter of the time that the whole search takes."""
    limit, curve = detection_limit(field.rest, field.plane, CALL_PROBABILITY, lowest_per_mm(field.plane))
    return replace(field, detection_limit_percent=limit, detection_limit_curve=curve,
                   threshold_percent=_threshold(field.plane, curve))


def called_candidates(field: StripeField) -> tuple[Candidate, ...]:
    """Give the candidates that were called: those of `field.stripes`, in the same order."""
    return field.candidates[: len(field.stripes)]


def _settle(called: list[Candidate], bands: Bands, plane: Plane, texture: Texture) -> list[Candidate]:
    """Measure each called line again with the others taken out, against a continuum free of all of them."""
    settled = []
    for this in called:
        others = [line_wave(c.line, bands.x_mm, bands.y_mm) for c in called if c is not this]
        alone = remove_line(bands, sum(others, np.zeros_like(bands.value)))
        line = _measured_again(this.line, alone, plane)
        settled.append(replace(this, line=line,
                               stripe=_stripe(line, texture, this.stripe.false_alarm_probability)))
    return settled


def _measured_again(line: Line, bands: Bands, plane: Plane) -> Line:
    """The line measured against a continuum that is free of it, with its envelope."""
    places = demodulate(bands, line.fx_per_mm, line.fy_per_mm)
    return with_envelope(measure_line(places, plane, settled=True), places)


def _best_candidate(bands, plane, texture, listed_mm=()) -> Candidate | None:
    """Fit the most promising peaks; keep the strongest that would be called, or else the one with the best odds.

    The strongest, since the flanks of a strong line that bends a little are lines too.
    """
    peaks = [(fx, fy, None) for fx, fy in find_peaks(plane)] + listed_peaks(plane, listed_mm,
                                                                           texture.scale_sd_fraction)
    candidates = [_candidate(measure_line(places, plane, drifting=reach is None,
                                          reach_cells=None if reach is None else reach / plane.cell_x_per_mm),
                             plane, texture, listed_mm)
                  for places, (*_, reach) in zip(demodulate_each(bands, [p[:2] for p in peaks]), peaks, strict=True)]
    return max(candidates, default=None, key=lambda c: (
        min(c.probability, CALL_PROBABILITY), c.line.amplitude if c.probability >= CALL_PROBABILITY else 0.0))


def _candidate(line: Line, plane: Plane, texture: Texture, listed_mm=()) -> Candidate:
    """Odds and intervals of a fitted line."""
    false_alarm = search_false_alarm(line, plane, lowest_per_mm=lowest_per_mm(plane), steepest_deg=STEEPEST_DEG)
    directed = directed_false_alarm(line, plane, listed_mm=listed_mm, steepest_deg=STEEPEST_DEG,
                                    scale_sd_fraction=texture.scale_sd_fraction)
    listed, false_alarm = directed < false_alarm, min(false_alarm, directed)
    probability, terms = line_odds(line, false_alarm, listed=listed,
                                   drift_allowed=SLANT_DRIFT * texture.scale_sd_fraction)
    if line.periods < FEWEST_PERIODS - 0.5:
        probability = min(probability, 0.5)
    return Candidate(stripe=_stripe(line, texture, false_alarm), line=line, probability=probability, terms=terms)


def _by_area(found: Candidate, place: ContrastByPlace, texture: Texture) -> Candidate:
    """The candidate with the mean contrast over its area, which is what a person means by it."""
    stripe = _stripe(found.line, texture, found.stripe.false_alarm_probability, place.area_shift_percent)
    return replace(found, stripe=replace(stripe, harmonics=found.stripe.harmonics))


def _stripe(line: Line, texture: Texture, false_alarm: float, area_shift_percent=(0.0, 0.0)) -> Stripe:
    """The line in the person's units, with 95 % intervals."""
    f = np.hypot(line.fx_per_mm, line.fy_per_mm)
    # Student's t for the photo's own noise, whose level rests on the few cells beside the line.
    reach = float(stdtrit(2.0 * max(line.noise_count / 1.5, 2.0), 0.975))
    period = 1.0 / f
    period_half = period * np.hypot(reach * line.fx_sd_per_mm / f, 1.96 * texture.scale_sd_fraction)
    angle = -np.degrees(np.arctan2(line.fy_per_mm, line.fx_per_mm))
    angle_half = np.hypot(reach * np.degrees(line.fy_sd_per_mm / f), 1.96 * texture.axis_sd_deg)
    contrast = max(200.0 * line.amplitude + area_shift_percent[0], 0.0)
    contrast_half = np.linalg.norm([reach * 200.0 * line.amplitude_sd, 1.96 * area_shift_percent[1],
                                    1.96 * texture.transfer_sd_fraction * contrast])
    ring_tail = -line.ring_count * np.log1p(line.ring_snr / line.ring_count)
    return Stripe(
        period_mm=period, period_interval_mm=(period - period_half, period + period_half),
        period_px=period * texture.samples_per_mm, angle_deg=angle,
        angle_interval_deg=(angle - angle_half, angle + angle_half),
        contrast_percent=contrast,
        contrast_interval_percent=(max(contrast - contrast_half, 0.0), contrast + contrast_half),
        phase_rad=line.phase_rad, phase_sd_rad=line.phase_sd_rad,
        coherence=float(np.sqrt(line.coherence_along * line.coherence_across)), coverage=line.coverage,
        false_alarm_probability=max(false_alarm, LEAST_FALSE_ALARM),
        ring_probability=float(max(np.exp(ring_tail), LEAST_FALSE_ALARM)), periods_in_view=line.periods,
        drift_percent_per_100mm=line.drift_percent_per_100mm, harmonics=(),
        notes=(visible(period, contrast).words,) if texture.scale_known and contrast > 0 else ())


def _without_side_lines(called: list[Candidate], plane: Plane) -> list[Candidate]:
    """Called lines less what a strong neighbour's uneven contrast leaves beside it."""
    return [c for c in called if not any(
        c.line.amplitude < SIDE_SHARE * other.line.amplitude
        and abs(c.line.fx_per_mm - other.line.fx_per_mm) < SIDE_CELLS * plane.cell_x_per_mm for other in called)]


def _fold(called: list[Candidate]) -> list[Candidate]:
    """Fold harmonics into their fundamental; sure fundamentals before doubtful ones, each strongest first."""
    left = sorted(called, key=lambda c: c.line.fx_per_mm)
    folded: list[Candidate] = []
    while left:
        base, *others = left
        orders, left = [], []
        for other in others:
            order = round(other.line.fx_per_mm / base.line.fx_per_mm)
            miss = other.line.fx_per_mm - order * base.line.fx_per_mm
            sd = np.hypot(other.line.fx_sd_per_mm, order * base.line.fx_sd_per_mm)
            close = abs(miss) < 3.0 * sd + 0.15 / (base.line.periods / base.line.fx_per_mm)
            # A weak line under a strong one is no fundamental: then the two are named apart.
            strong = base.stripe.contrast_percent > 0.2 * other.stripe.contrast_percent
            if 2 <= order <= HIGHEST_ORDER and close and strong:
                orders.append((order, other.stripe.contrast_percent))
            else:
                left.append(other)
        folded.append(replace(base, stripe=replace(base.stripe, harmonics=tuple(orders))))
    return sorted(folded, key=lambda c: (c.probability < SURE, -c.stripe.contrast_percent))


def _with_harmonics(base: Candidate, rest: Bands, plane: Plane, lines: list[Line]) -> Candidate:
    """Read each low harmonic at its own place, where no line was called: one place, so no search to pay for."""
    found = dict(base.stripe.harmonics)
    fx, fy = base.line.fx_per_mm, base.line.fy_per_mm
    orders = [n for n in range(2, HIGHEST_ORDER + 1)
              if n not in found and n * fx <= plane.fx_per_mm[-1] and base.line.drift_percent_per_100mm is None
              and all(abs(line.fx_per_mm - n * fx) >= 2.0 * plane.cell_x_per_mm for line in lines)]
    for order, places in zip(orders, demodulate_each(rest, [(n * fx, n * fy) for n in orders]), strict=True):
        line = measure_line(places, plane)
        if line.amplitude > HARMONIC_SD * line.amplitude_sd:
            found[order] = 200.0 * line.amplitude
    return replace(base, stripe=replace(base.stripe, harmonics=tuple(sorted(found.items()))))


def _spectrum(plane: Plane) -> NDArray[np.float64]:
    """Contrast that a line at the best angle of each frequency would have, percent."""
    wedge = np.abs(plane.fy_per_mm)[None, :] <= plane.fx_per_mm[:, None] * np.tan(np.radians(STEEPEST_DEG)) \
        + 0.25 * plane.cell_y_per_mm
    return 400.0 * np.sqrt(np.max(np.where(wedge, plane.power, 0.0), axis=1)) / plane.gain


def _threshold(plane: Plane, curve) -> NDArray[np.float32]:
    """Contrast that a line must exceed, percent, at each frequency from half of the lowest that is searched."""
    fx = plane.fx_per_mm
    middle = np.abs(plane.fy_per_mm) <= 1.5 * plane.cell_y_per_mm
    level = 400.0 * np.sqrt(plane.ring[:, middle].max(axis=1)) / plane.gain
    if curve:
        periods, limits = np.array(curve).T
        at = np.interp(np.log(np.maximum(fx, 1e-9)), np.log(1.0 / periods[::-1]), limits[::-1])
        base = np.interp(1.0 / periods, fx, level)
        factor = np.median(limits / np.maximum(base, 1e-12))
        threshold = np.minimum(level * factor, 3.0 * at)
    else:
        threshold = 4.0 * level
    return threshold[fx >= 0.5 * lowest_per_mm(plane)].astype(np.float32)
