"""One candidate line: fitted below the search grid, then put to the question "line or rings?".

The bands are demodulated at the candidate's frequency and summed to a coarse
array of places (groups of bands by segments along the scan). Everything that
follows works on that small complex array: the peak is refined on it, amplitude
and phase are read from it, and the phase against position is compared with a
random walk, which is what rings of unequal spacing make of it.
"""
from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from analysis.aslant import aslant_courses, clear
from analysis.envelope import Envelope, envelope_terms
from analysis.phase_walk import WalkModel, steady_over_walk, walk_model
from analysis.places import Places, demodulate
from analysis.plane import Bands, Plane
from analysis.refine import DRIFT_GAIN, bend, drift_of, refine, turn
from analysis.rings import RingModel, line_over_rings, ring_model

__all__ = ["Line", "Surroundings", "fit_line", "line_wave", "measure_line", "same_wave", "surroundings"]

UNDER_LINE = 1.2           # power under a line over that of its flanks, mean over simulated and real textures
FIRST_REACH = 0.35         # resolution cells; rings beside the line must not draw the first step to themselves
SEARCH_DRIFT = 1.03        # and in the search, where the noise level is not yet sure, this factor of the power
SAME = 0.25                # of the noise's s.d.: fits that differ by less leave the same texture, to 6 % of the noise


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What else could make a line, set up once where lines of several strengths are laid on the same places."""

    amplitude_sd: float                    # 1 s.d. of a line's amplitude there
    rings: RingModel
    walk: WalkModel


@dataclass(frozen=True, slots=True, kw_only=True)
class _Steadied:
    """Places in which the line stands still."""

    sums: NDArray[np.complex128]           # (groups, segments)
    offset: tuple[float, float]            # of (fx, fy) from where the bands were demodulated, cycles per mm
    drift: float | None
    centre_mm: tuple[float, float]
    variance: float                        # of the sum over all places
    floor: float                           # the same from the level under hills
    count: float                           # independent cells that `variance` rests on


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A fitted line; 1 s.d. uncertainties from the local continuum."""

    fx_per_mm: float
    fy_per_mm: float
    fx_sd_per_mm: float
    fy_sd_per_mm: float
    amplitude: float                       # of log reflectance, noise's share taken off
    amplitude_sd: float
    phase_rad: float                       # of cos(2 pi (fx x + fy y) + phase) at piece (0, 0)
    phase_sd_rad: float
    drift_percent_per_100mm: float | None  # of the period along x, about the middle of the data
    centre_mm: tuple[float, float]         # middle of the data: where frequency and phase are uncorrelated
    snr: float                             # peak power / continuum power
    noise_count: float                     # independent cells in that continuum
    ring_snr: float                        # peak power / continuum over the ring window
    ring_count: float
    line_over_rings: float                 # log likelihood ratio, line on rings against rings alone
    line_over_rings_ideal: float           # what it would be for a steady line of this strength on the floor alone
    steady_over_walk: float                # log Bayes factor of a steady phase against one that walks as rings' does
    coherence_along: float
    coherence_across: float
    coverage: float
    periods: float
    cells: NDArray[np.complex128]          # (groups, segments) amplitude at each place, phase against the common one
    cells_sd: NDArray[np.float64]          # (groups, segments) 1 s.d. of each, inf where no data
    envelope: Envelope | None = None       # how the amplitude changes over the piece, where it plainly does


def fit_line(bands: Bands, plane: Plane, fx: float, fy: float) -> Line:
    """Refine a peak of the plane and measure the line there: `demodulate`, then `measure_line`."""
    return measure_line(demodulate(bands, fx, fy), plane)


def measure_line(places: Places, plane: Plane, *, settled: bool = False, around: Surroundings | None = None,
                 drifting: bool = True, reach_cells: float | None = None) -> Line:
    """Measure the line near the frequency at which the bands were demodulated.

    Parameters
    ----------
    places : Places
        From `demodulate`, started within half a resolution cell of the peak.
    plane : Plane
        Of the same bands; gives the continuum.
    settled : bool, default False
        True where the line is already taken out of `plane`: the intervals then rest on the
        unbiased local level instead of the careful one that the search needs.
    around : Surroundings, optional
        Prepared by `surroundings` for these places; saves time where a line alone is added to them.
    drifting : bool, default True
        Look for a drift of the period too.
    reach_cells : float, optional
        How far along the scan's axis the frequency may lie from where the bands were demodulated, in resolution
        cells; a little more than the search grid where nothing is said.

    Notes
    -----
    Standard deviations are the Cramer-Rao bounds of a real tone [1]_ with the
    noise variance replaced by the local spectral level, since wood is not white.

    References
    ----------
    .. [1] D. C. Rife and R. R. Boorstyn, "Single-tone parameter estimation from
           discrete-time observations", IEEE Trans. Inf. Theory 20, 591-598 (1974).
    """
    fx, fy = places.fx_per_mm, places.fy_per_mm
    weights, xs, ys = places.weights, places.x_mm, places.y_mm
    *_, ring, _, ring_count = _continuum_at(plane, fx, fy, settled)
    found = _steadied(places, plane, settled=settled, drifting=drifting, reach=reach_cells)
    sums, drift, (gx, gy), centre = found.sums, found.drift, found.offset, found.centre_mm
    a_sum = places.squares / places.squares.sum()
    variance, variances, quiet = found.variance, found.variance * a_sum, found.floor * a_sum
    by_x, by_y = weights.sum(axis=0), weights.sum(axis=1)
    fx, fy = fx + gx, fy + gy
    total, gain = sums.sum(), weights.sum()
    common = np.angle(total)
    # The bands were demodulated about (0, 0); the refinement turned about the centre.
    at_origin = common - 2 * np.pi * (gx * centre[0] + gy * centre[1])
    strength = max(2.0 * abs(total) ** 2 / variance, 1.0)           # (amplitude / its s.d.)^2
    spread_x, spread_y = _spread(by_x, xs - centre[0]), _spread(by_y, ys - centre[1])
    lever = np.sqrt(1 + (centre[0] / spread_x) ** 2 + (centre[1] / spread_y) ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        cells = np.where(weights > 0, 2.0 * sums / weights, 0) * np.exp(-1j * common)
        cells_sd = np.where(weights > 0, np.sqrt(2.0 * variances) / weights, np.inf)
    # Against the floor, not the noise level: flanks of a hill of rings must not pass for noise here.
    along, across, coverage = _coherences(sums * np.exp(-1j * common), weights, quiet)
    peak = abs(total) ** 2 / variance
    rings, walk = (around.rings, around.walk) if around else _other_makers(places, plane, found.floor, fx)
    beam = sums.sum(axis=0)
    over_rings, ideal = line_over_rings(beam, rings)
    return Line(
        fx_per_mm=float(fx), fy_per_mm=float(fy),
        fx_sd_per_mm=float(1.0 / (2 * np.pi * spread_x * np.sqrt(strength))),
        fy_sd_per_mm=float(1.0 / (2 * np.pi * spread_y * np.sqrt(strength))),
        amplitude=float(2.0 / gain * np.sqrt(max(abs(total) ** 2 - variance, 0.0))),
        amplitude_sd=float(2.0 / gain * np.sqrt(variance / 2.0)),
        phase_rad=float(np.angle(np.exp(1j * at_origin))), phase_sd_rad=float(lever / np.sqrt(strength)),
        drift_percent_per_100mm=drift, centre_mm=(float(centre[0]), float(centre[1])),
        snr=float(peak), noise_count=found.count,
        ring_snr=float(abs(total) ** 2 * plane.square_sum / (ring * places.squares.sum())), ring_count=ring_count,
        line_over_rings=over_rings, line_over_rings_ideal=ideal, steady_over_walk=steady_over_walk(beam, walk),
        coherence_along=along, coherence_across=across, coverage=coverage, periods=float(fx * places.length_mm),
        cells=cells, cells_sd=cells_sd)


def surroundings(places: Places, plane: Plane) -> Surroundings:
    """What any line at these places, or near them, is measured against."""
    noise, floor, *_ = _continuum_at(plane, places.fx_per_mm, places.fy_per_mm, False)
    share = places.squares.sum() / plane.square_sum
    rings, walk = _other_makers(places, plane, floor * share, places.fx_per_mm)
    return Surroundings(amplitude_sd=float(np.sqrt(2.0 * noise * share) / places.weights.sum()), rings=rings, walk=walk)


def _other_makers(places, plane, floor, fx) -> tuple[RingModel, WalkModel]:
    """What else than a machine makes a line at `fx`, set up for these places."""
    quiet = floor * places.squares.sum(axis=0) / places.squares.sum()
    by_x = places.weights.sum(axis=0)
    return (ring_model(by_x, quiet, places.x_mm, fx, plane.cell_x_per_mm), walk_model(by_x, quiet, places.x_mm, fx))


def _steadied(places, plane, *, settled=False, drifting=False, reach=None) -> _Steadied:
    """Find the exact frequency, take out what stands aslant, and turn the places so that the line is steady."""
    sums, weights = places.sums, places.weights
    noise, floor, _, count, _ = _continuum_at(plane, places.fx_per_mm, places.fy_per_mm, settled)
    share = places.squares.sum() / plane.square_sum                 # of a level of the plane, in the sum of all
    variance, floor = noise * share, floor * share
    by_x, by_y = weights.sum(axis=0), weights.sum(axis=1)
    centre = (float(by_x @ places.x_mm / by_x.sum()), float(by_y @ places.y_mm / by_y.sum()))
    dx, dy = places.x_mm - centre[0], places.y_mm - centre[1]
    cells = plane.cell_x_per_mm, plane.cell_y_per_mm
    gx, gy, best = refine(sums, dx, dy, *cells, FIRST_REACH, reach)
    along, across = turn(gx, gy, dx, dy)
    first = sums * across[:, None] * along
    courses = aslant_courses(first, weights) * np.conj(along)
    if len(courses):
        sums = clear(first, weights, courses * along).sums * np.conj(across[:, None] * along)
    if len(courses) or max(abs(gx) / cells[0], abs(gy) / cells[1]) > FIRST_REACH:
        gx, gy, best = refine(sums, dx, dy, *cells, reach_x=reach)
    drift = None
    if drifting:
        least = max(best + DRIFT_GAIN * variance, best * (1.0 if settled else SEARCH_DRIFT))
        gx, drift = drift_of(sums, dx, dy, places.fx_per_mm, (gx, gy), cells[0], least)
    along, across = turn(gx, gy, dx, dy, bend(drift, places.fx_per_mm + gx, dx))
    turned = across[:, None] * along
    sums = sums * turned
    sums = sums - np.conj(sums.sum() / weights.sum()) * places.mirror * turned ** 2
    if len(courses):
        cleared = clear(sums, weights, courses * along)
        sums, variance, count = cleared.sums, cleared.variance * (UNDER_LINE if settled else 1.0), cleared.count
        floor = min(floor, cleared.floor)
    return _Steadied(sums=sums, offset=(gx, gy), drift=drift, centre_mm=centre, variance=float(variance),
                     floor=float(floor), count=count)


def line_wave(line: Line, x_mm, y_mm, *, dtype=np.float64) -> NDArray[np.floating]:
    """Log reflectance of the fitted line at the outer product of y (rows) and x (columns)."""
    x, y = np.asarray(x_mm, float), np.asarray(y_mm, float)
    bent = bend(line.drift_percent_per_100mm, line.fx_per_mm, x - line.centre_mm[0])
    along = np.exp(2j * np.pi * (line.fx_per_mm * x + bent))[None, :]
    across = line.amplitude * np.exp(1j * (2 * np.pi * line.fy_per_mm * y + line.phase_rad))[:, None]
    if line.envelope is not None:
        by_x, by_y = envelope_terms(line.envelope.edges_mm, x, y)
        along = line.envelope.coefficients @ by_x.T * along
        across = across * by_y
    # The real part of across @ along, as one product of real matrices.
    return (np.concatenate([across.real, -across.imag], axis=1).astype(dtype)
            @ np.concatenate([along.real, along.imag], axis=0).astype(dtype))


def same_wave(a: Line, b: Line, length_mm: float) -> bool:
    """Whether two fits differ by less than a quarter of the noise all over the piece: one stands for the other."""
    if any(line.drift_percent_per_100mm is not None or line.envelope is not None for line in (a, b)):
        return False
    ends = a.centre_mm[0] + np.array([-0.5, 0.5]) * length_mm
    middle = a.centre_mm[1]

    def at_ends(line):
        turns = line.fx_per_mm * ends + line.fy_per_mm * middle
        return line.amplitude * np.exp(1j * (2 * np.pi * turns + line.phase_rad))
    return bool(np.abs(at_ends(a) - at_ends(b)).max() < SAME * min(a.amplitude_sd, b.amplitude_sd))


def _continuum_at(plane, fx, fy, settled):
    """Continuum levels and counts at the nearest bin."""
    i = int(np.argmin(np.abs(plane.fx_per_mm - fx)))
    j = int(np.argmin(np.abs(plane.fy_per_mm - fy)))
    level = UNDER_LINE * plane.local[i, j] if settled else plane.noise[i, j]
    counts = float(plane.noise_count[i, j]), float(plane.ring_count[i, 0])
    return level, plane.floor[i, j], plane.ring[i, j], *counts


def _spread(weight, distance):
    """Weighted r.m.s. distance from the middle, mm, with the width of the places themselves."""
    step = (distance[-1] - distance[0]) / max(distance.size - 1, 1)
    return float(np.sqrt(weight @ distance ** 2 / weight.sum() + step ** 2 / 12.0) + 1e-9)


def _coherences(sums, weights, variances):
    """Share of the line's energy in one phase, along and across, and the share of the area that carries it.

    With z the amplitude at a place and v its noise, |mean z|^2 / mean |z|^2, both less the noise's part,
    is 1 for one steady phase and q where only a share q of the places carries the line.
    """
    def ratio(z, w, v, real=False):        # sums, weights and variances of places; z / w is the amplitude
        ok = w > 0.2 * w.max()
        z, w, v = z[ok], w[ok], v[ok]
        mean_power = (abs(z.sum()) ** 2 - v.sum()) / w.sum()
        each_power = ((z.real ** 2 - v / 2 if real else z.real ** 2 + z.imag ** 2 - v) / w).sum()
        return float(mean_power / max(each_power, mean_power)) if mean_power > 0 else 0.0
    along = ratio(sums.sum(axis=0), weights.sum(axis=0), variances.sum(axis=0))
    across = ratio(sums.sum(axis=1), weights.sum(axis=1), variances.sum(axis=1))
    # 3 x 4 places: large enough for a steady amplitude in each, small enough to see a gap.
    gy, gx = (_starts(size, most) for size, most in zip(sums.shape, (6, 8), strict=True))

    def gather(array):
        return np.add.reduceat(np.add.reduceat(array, gx, axis=1), gy, axis=0).ravel()
    return along, across, ratio(gather(sums), gather(weights), gather(variances), real=True)


@cache
def _starts(size: int, most: int) -> NDArray[np.intp]:
    """Where each of at most `most` parts of a row of `size` places begins."""
    starts = np.linspace(0, size, min(most, size) + 1).round().astype(int)[:-1]
    starts.setflags(write=False)
    return starts
