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
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analysis.by_place import ContrastByPlace, contrast_by_place
from analysis.candidate import Candidate, Stripe, by_area, candidate_of, stripe_of
from analysis.envelope import fit_envelope
from analysis.flatten import Texture
from analysis.harmonics import fold, with_harmonics, without_side_lines
from analysis.limit import detection_limit, listed_limits
from analysis.line import Line, line_wave, measure_line, same_wave
from analysis.peaks import find_peaks, listed_peaks, lowest_per_mm, near_square
from analysis.places import demodulate, demodulate_each
from analysis.plane import Bands, Plane, make_bands, make_plane, remove_line
from analysis.settings import SHORTEST_PERIOD_MM
from analysis.stripe_map import local_contrast

__all__ = ["CALL_PROBABILITY", "Candidate", "Stripe", "StripeField", "called_candidates", "find_stripes",
           "with_detection_limit"]

CALL_PROBABILITY = 0.65    # on held-out cases this calls fewer than 1 in 100 photos without stripes
SAMPLES_A_PERIOD = 2.5     # Nyquist with room for the resampling kernel
MOST_STRIPES = 4
PASSES = 2                 # over all called lines, each measured without the others
FUNDAMENTALS = (2, 3)      # times a called period: what is called first may be a harmonic, and is looked behind
LEAST_SHOWN = 0.6          # of the contrast: a blur that would hide more is past telling from the photo's edges


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
    listed_limits: tuple[tuple[float, float], ...] = ()      # (period_mm, contrast_percent) at listed periods


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
    plane_of = partial(make_plane, highest_per_mm=min(1.0 / shortest_period_mm if texture.scale_known else np.inf,
                                                      texture.samples_per_mm / SAMPLES_A_PERIOD))
    first = plane_of(bands)
    taken, other, rest, plane = _search(bands, first, plane_of, texture, listed_mm)
    called = _settle(taken, bands, plane, texture, plane_of, listed_mm)
    as_taken = all(same_wave(a.line, b.line, bands.length_mm) for a, b in zip(taken, called, strict=True))
    called = [c for c in called if c.line.amplitude > 0.0]     # a faint one may be nothing once the others are out
    lines = [c.line for c in called]
    wave = sum((line_wave(line, bands.x_mm, bands.y_mm) for line in lines), np.zeros_like(bands.value))
    if not as_taken:
        rest = remove_line(bands, wave)
        plane = plane_of(rest)
    found = [with_harmonics(c, rest, plane, lines) for c in fold(without_side_lines(called, plane))]
    by_place = tuple(contrast_by_place(texture, remove_line(bands, wave - line_wave(c.line, bands.x_mm, bands.y_mm)),
                                       plane, c.line) for c in found)
    found = [by_area(c, place, texture) for c, place in zip(found, by_place, strict=True)]
    cells, step = local_contrast(bands, [c.line for c in found or other])
    keep = plane.fx_per_mm >= 0.5 * lowest_per_mm(plane)
    field = StripeField(
        stripes=tuple(c.stripe for c in found), candidates=tuple(found + other),
        frequency_per_mm=plane.fx_per_mm[keep].astype(np.float32),
        contrast_spectrum_percent=_spectrum(first)[keep].astype(np.float32), threshold_percent=_threshold(plane, ()),
        profile_x_mm=bands.x_mm.astype(np.float32), profile_percent=_profile_percent(bands, bands.value),
        stripe_profile_percent=_profile_percent(bands, wave), detection_limit_percent=np.nan,
        detection_limit_curve=(), map_percent=cells, map_step_mm=step, by_place=by_place, bands=bands, rest=rest,
        plane=plane, model=_model(lines, bands, texture))
    return with_detection_limit(field) if with_limit else field


def with_detection_limit(field: StripeField, least_percent: float = 0.0,
                         listed_mm: tuple[tuple[float, float], ...] = (), scale_sd_fraction: float = 0.0,
                         blur_mm: float = 0.0) -> StripeField:
    """The field with its detection limit, found by injection; contrasts below `least_percent` are not called.

    With `listed_mm`, periods and their s.d. as for `find_stripes`, also with the limit at each of them. `blur_mm` is
    the s.d. of a blur along the scan that the photo has over the piece: the limits are the piece's contrasts.
    """
    def let_through(period_mm):
        return np.maximum(np.exp(-2.0 * np.pi ** 2 * (blur_mm / np.asarray(period_mm)) ** 2), LEAST_SHOWN)
    given = field.rest, field.plane, CALL_PROBABILITY, lowest_per_mm(field.plane)
    limit, curve = detection_limit(*given, least_percent, let_through)
    return replace(field, detection_limit_percent=limit, detection_limit_curve=curve,
                   listed_limits=listed_limits(*given, listed_mm, scale_sd_fraction, least_percent, let_through),
                   threshold_percent=_threshold(field.plane, tuple((p, c * let_through(p)) for p, c in curve)))


def called_candidates(field: StripeField) -> tuple[Candidate, ...]:
    """Give the candidates that were called: those of `field.stripes`, in the same order."""
    return field.candidates[: len(field.stripes)]


def _search(bands: Bands, first: Plane, plane_of, texture: Texture, listed_mm
            ) -> tuple[list[Candidate], list[Candidate], Bands, Plane]:
    """Call one line after the other.

    Returns
    -------
    called : list of Candidate
    other : list of Candidate
        The most likely one that was not called, if any.
    rest, plane
        Bands with the called lines taken out, and their plane.
    """
    called: list[Candidate] = []
    rest, plane = bands, first
    while len(called) < MOST_STRIPES:
        found = _best_candidate(rest, plane, texture, listed_mm)
        if found is None or found.probability < CALL_PROBABILITY:
            return called, [found] if found else [], rest, plane
        called, rest, plane = _relaxed([*called, found], bands, plane_of)
        listed_mm += _behind([called[-1].line])
    return called, [], rest, plane


def _relaxed(called: list[Candidate], bands: Bands, plane_of) -> tuple[list[Candidate], Bands, Plane]:
    """Measure called lines again, the newest first, each with the others taken out; what is left, and its plane.

    Only with a line taken out is the noise level known well enough to see a small drift. Several leak into each
    other's places, as unevenness and drift that none of them has, until each has been measured without the others
    (RELAX: J. Li, P. Stoica, IEEE Trans. Signal Process. 44(2), 281-295 (1996), from memory).
    """
    lines = [c.line for c in called]
    waves = [line_wave(line, bands.x_mm, bands.y_mm) for line in lines]
    rest = remove_line(bands, sum(waves))
    plane = plane_of(rest)
    for _ in range(1 if len(lines) == 1 else PASSES):
        settled = True
        for k in reversed(range(len(lines))):
            again = _measured_again(lines[k], remove_line(rest, -waves[k]), plane)
            if same_wave(again, lines[k], bands.length_mm):
                continue
            wave, settled = line_wave(again, bands.x_mm, bands.y_mm), False
            rest = remove_line(rest, wave - waves[k])
            lines[k], waves[k] = again, wave
        if settled:
            break
        plane = plane_of(rest)
    return [replace(c, line=line) for c, line in zip(called, lines, strict=True)], rest, plane


def _settle(called: list[Candidate], bands: Bands, plane: Plane, texture: Texture, plane_of, listed_mm
            ) -> list[Candidate]:
    """Measure each called line again with the others taken out, against a continuum free of all of them.

    Its odds are those that it has without the others: beside a strong one it was found uneven.
    """
    settled = []
    for this in called:
        others = [c.line for c in called if c is not this]
        waves = [line_wave(line, bands.x_mm, bands.y_mm) for line in others]
        alone = remove_line(bands, sum(waves, np.zeros_like(bands.value)))
        line = _measured_again(this.line, alone, plane)
        if others:
            its_plane = plane_of(alone)
            found = measure_line(demodulate(alone, line.fx_per_mm, line.fy_per_mm), its_plane)
            this = candidate_of(found, its_plane, texture, listed_mm + _behind(others))
        settled.append(replace(this, line=line,
                               stripe=stripe_of(line, texture, this.stripe.false_alarm_probability)))
    return settled


def _behind(lines: list[Line]) -> tuple[tuple[float, float], ...]:
    """Periods, mm, with their s.d., whose harmonics called lines may be."""
    return tuple((n / line.fx_per_mm, n * line.fx_sd_per_mm / line.fx_per_mm ** 2)
                 for line in lines for n in FUNDAMENTALS)


def _measured_again(line: Line, bands: Bands, plane: Plane) -> Line:
    """The line measured against a continuum that is free of it, with its envelope."""
    places = demodulate(bands, line.fx_per_mm, line.fy_per_mm)
    found = measure_line(places, plane, settled=True)
    return replace(found, envelope=fit_envelope(found.amplitude, found.cells, found.cells_sd, places))


def _best_candidate(bands, plane, texture, listed_mm=()) -> Candidate | None:
    """Fit the most promising peaks; keep the strongest that would be called, or else the one with the best odds.

    The strongest, since the flanks of a strong line that bends a little are lines too.
    """
    peaks = [(fx, fy, None) for fx, fy in find_peaks(plane)] + listed_peaks(plane, listed_mm,
                                                                           texture.scale_sd_fraction)
    candidates = [candidate_of(measure_line(places, plane, drifting=reach is None,
                                          reach_cells=None if reach is None else reach / plane.cell_x_per_mm),
                             plane, texture, listed_mm)
                  for places, (*_, reach) in zip(demodulate_each(bands, [p[:2] for p in peaks]), peaks, strict=True)]
    return max(candidates, default=None, key=lambda c: (
        min(c.probability, CALL_PROBABILITY), c.line.amplitude if c.probability >= CALL_PROBABILITY else 0.0))


def _profile_percent(bands: Bands, value) -> NDArray[np.float32]:
    """Mean over the cross axis, percent; 0 where there is no data."""
    total = bands.weight.sum(axis=0)
    mean = np.divide((bands.weight * value).sum(axis=0), total, out=np.zeros_like(total), where=total > 0)
    return (100 * mean).astype(np.float32)


def _model(lines: list[Line], bands: Bands, texture: Texture) -> NDArray[np.float32]:
    """The lines' waves at the texture's own samples."""
    rows = texture.origin_mm[1] + np.arange(texture.log_reflectance.shape[0]) / texture.samples_per_mm
    model = np.zeros(texture.log_reflectance.shape, np.float32)
    for line in lines:
        model += line_wave(line, bands.x_mm, rows, dtype=np.float32)
    return model


def _spectrum(plane: Plane) -> NDArray[np.float64]:
    """Contrast that a line at the best angle of each frequency would have, percent."""
    return 400.0 * np.sqrt(np.max(np.where(near_square(plane), plane.power, 0.0), axis=1)) / plane.gain


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
