"""One photo judged: all the steps after its piece has been laid on the grid."""
from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np

from analysis.bank import share_square_to_axis
from analysis.camera import without_camera_lines
from analysis.decide import VETOED, Cause, Decision, Reason, decide
from analysis.doubts import PX_PER_PERIOD, bench_and_all, drawn_grid, length_unit, lying, perhaps_rows, trouble_of
from analysis.flatten import Texture, flatten, glare_share, lost_to_artwork, strength_of, turned_a_quarter
from analysis.grain import GrainField, measure_grain
from analysis.ground_part import engraved_part
from analysis.machine import Machine, expected_periods, name_sources
from analysis.margin import striped_part
from analysis.memory import afresh, aside
from analysis.mixing import with_mixed_named
from analysis.next_test import NextTest, next_step_sentence, rank_next_tests
from analysis.photo import Photo
from analysis.print_quality import PrintQuality, print_quality
from analysis.rectify import Piece
from analysis.settings import Settings
from analysis.stripe_map import local_contrast
from analysis.stripes import StripeField, called_candidates, find_stripes, with_detection_limit
from analysis.transfer import PHOTO_TRANSFER_SD, likely_blur_mm, with_transfer

__all__ = ["Judgement", "judge", "length_unit", "with_map_at", "without_frame"]

NEAR_LISTED = 0.01         # of a listed period: a stripe so near is told by itself
SHORTEST_LISTED_MM = 0.3                   # shorter ones lie too close together to direct a search
MAY_BE_LOST, PLAINLY_LOST = 0.1, 0.02       # share of a stripe's contrast that the search for artwork ate
TURNED = ("Photograph the piece again, turned by about 20 degrees and a little nearer: what the piece shows turns "
          "with it.")
FLOOR_PERCENT = 0.2        # of contrast: no photo shows less for sure; common practice, no source
FILTER_STEP_MM = 2.0
FILTERS_AGREE = 0.11                       # share of the energy at a spacing; 1/12 where nothing has a direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """One photo with the result of every step."""

    photo: Photo
    piece: Piece
    texture: Texture
    stripes: StripeField
    grain: GrainField
    decision: Decision
    warnings: tuple[str, ...]
    sources: tuple[tuple[dict, ...], ...]  # per stripe: {"part", "period_mm", "probability"}; empty without a machine
    print_quality: PrintQuality            # graininess, mottle and banding as of printed matter
    next_tests: tuple[NextTest, ...] = ()  # most informative first
    part_mm: tuple[float, float, float, float] | None = None   # x, y, w, h judged where not all is engraved


def judge(photo: Photo, piece: Piece, settings: Settings, machine: Machine | None, *,
          region: tuple[float, float, float, float] | None, also_mm: tuple[tuple[float, float], ...] = (),
          part: tuple[float, float, float, float] | None = None, run=afresh, pool: Executor | None = None) -> Judgement:
    """All steps after the piece, for one photo.

    Parameters
    ----------
    photo, piece, settings, machine
    region : (x, y, w, h) or None
        Part of the piece to judge, mm.
    also_mm : tuple of (period, s.d.)
        Spacings to look at beside those of the machine's parts.
    part : (x, y, w, h), optional
        The same where the other photo's lines told it; looked for here where nothing is said.
    run : callable
        Runs a step: `afresh`, or a `Memory`.
    pool : Executor, optional
        Its idle threads do what no other step waits for.

    Raises
    ------
    PhotoError
        Nothing of the piece is left to judge.
    """
    if part is None and region is None:
        part = run(engraved_part, piece)
    texture = run(_texture, piece, part or region)
    listed = _listed(machine, piece)
    search = {"shortest_period_mm": settings.shortest_period_mm, "listed_mm": listed + also_mm,
              "with_limit": False}
    field = run(find_stripes, texture, **search)
    if part is None and piece.corners_px is None and region is None:
        part = striped_part(field)
        if part is not None:
            texture = run(_texture, piece, part)
            field = run(find_stripes, texture, **search)
    beside = run(_texture_beside, piece, part or region, texture, field)
    if beside is not texture:
        texture, field = beside, run(find_stripes, beside, **search)
    limit = aside(pool, run, with_detection_limit, field, FLOOR_PERCENT, listed, texture.scale_sd_fraction,
                  likely_blur_mm(piece, photo))
    quality = aside(pool, run, print_quality, texture)
    field, camera, left_out = without_camera_lines(_above_floor(field), piece, photo, texture)
    share = aside(pool, run, _square_share, texture, field.stripes[0].period_mm) if field.stripes else None
    grain = run(measure_grain, texture, stripe_model=field.model if field.stripes else None)
    field = _with_limit_of(limit(), field)
    field = with_mixed_named(field, length_unit(piece))
    field = with_transfer(field, piece, photo, glare_share(texture))
    warnings = tuple(dict.fromkeys(photo.warnings + piece.warnings + texture.warnings
                                   + _sampling_warnings(piece, settings) + _part_words(part, piece) + left_out))
    trouble = trouble_of(piece, photo, grain, region)
    either_way = piece.axis_from == "assumed" and piece.frame_mm is not None
    if trouble is None and not field.stripes and (either_way or piece.axis_from == "edges"):
        trouble = lying(run(_sideways, texture, settings.shortest_period_mm), piece)
    cause = drawn_grid(field, texture, length_unit(piece))
    if cause is None and either_way:
        cause = perhaps_rows(field, length_unit(piece))
    if camera is not None:
        cause = Cause(term="camera", words=camera, next_step=TURNED)
    decision = decide(field, grain, unit=length_unit(piece), cause=cause, trouble=trouble)
    if share is not None:
        decision = replace(decision, reasons=decision.reasons + (_filters(share()),))
    decision = replace(decision, reasons=decision.reasons + _cleared(field))
    sources: tuple = ()
    if machine is not None and piece.scale_known:
        sources = tuple(name_sources(s.period_mm, s.period_interval_mm, machine, harmonics=s.harmonics,
                                     pixels_per_mm=piece.photo_px_per_mm,
                                     drift_percent_per_100mm=s.drift_percent_per_100mm) for s in field.stripes)
    judged = Judgement(photo=photo, piece=piece, texture=texture, stripes=field, grain=grain, decision=decision,
                       warnings=warnings, sources=sources, print_quality=quality(), part_mm=part)
    tests = rank_next_tests(judged, machine)
    if cause is None and not decision.poor_photo:
        judged = replace(judged, decision=replace(decision, next_step=next_step_sentence(tests)))
    return replace(judged, next_tests=tests)


def without_frame(judged: Judgement) -> Judgement:
    """The same of a photo whose stated frame was not found: what else is in it may make lines, or hide them."""
    cause, trouble = bench_and_all()
    return replace(judged, decision=decide(judged.stripes, judged.grain, unit=length_unit(judged.piece), cause=cause,
                                           trouble=trouble))


def _part_words(part, piece: Piece) -> tuple[str, ...]:
    """Say which part was judged where not all of the piece is engraved."""
    if part is None:
        return ()
    x, y, w, h = part
    return (f"Only the part that is engraved was judged, where the ground or its lines end: {w:.0f} x {h:.0f} "
            f"{length_unit(piece)} from ({x:.0f}, {y:.0f}). Give the part (--region) if another is meant.",)


def _texture(piece: Piece, region, stripes=None) -> Texture:
    """The piece's texture, with what a photo does to contrast."""
    return replace(flatten(piece, region_mm=region, stripes=stripes), transfer_sd_fraction=PHOTO_TRANSFER_SD)


def _texture_beside(piece: Piece, region, texture: Texture, field: StripeField) -> Texture:
    """The texture with artwork looked for without the stripes found, or the same one where that changes them little."""
    if not field.stripes or lost_to_artwork(texture, field.model) < MAY_BE_LOST:
        return texture
    beside = _texture(piece, region, field.model)
    first, second = (strength_of(t, field.model) for t in (texture, beside))
    return beside if abs(second / first - 1.0) > PLAINLY_LOST else texture


def _above_floor(field: StripeField) -> StripeField:
    """Leave out lines so faint that the sensor's own pattern, interpolation and coding make as much.

    One that may be stronger, by its interval, stays in doubt.
    """
    found = called_candidates(field)
    strong = [max(s.contrast_percent, *(c for _, c in s.harmonics), 0.0) >= FLOOR_PERCENT for s in field.stripes]
    called = tuple(c for c, keep in zip(found, strong, strict=True) if keep)
    doubtful = tuple(c for c, keep in zip(found, strong, strict=True) if not keep) + field.candidates[len(found):]
    others = tuple(replace(c, probability=min(c.probability, VETOED)) for c in doubtful
                   if c.stripe.contrast_interval_percent[1] >= FLOOR_PERCENT)
    return replace(field, candidates=called + others, stripes=tuple(c.stripe for c in called),
                   by_place=tuple(b for b, keep in zip(field.by_place, strong, strict=True) if keep))


def _with_limit_of(limited: StripeField, field: StripeField) -> StripeField:
    """The field with another's detection limit."""
    return replace(field, detection_limit_percent=limited.detection_limit_percent,
                   detection_limit_curve=limited.detection_limit_curve, listed_limits=limited.listed_limits,
                   threshold_percent=limited.threshold_percent)


def _square_share(texture: Texture, period_mm: float) -> float:
    """What the oriented filters see at the strongest stripe's spacing: a second look that owes nothing to the first."""
    step_mm = FILTER_STEP_MM if texture.scale_known else texture.log_reflectance.shape[1] / 40
    return share_square_to_axis(texture.log_reflectance, texture.weight, texture.samples_per_mm,
                                period_mm=period_mm, step_mm=step_mm)


def _cleared(field: StripeField) -> tuple[Reason, ...]:
    """What the photo says of the periods that the machine file lists and at which nothing was found."""
    free = [(p, c) for p, c in field.listed_limits
            if all(abs(p / s.period_mm - 1.0) > NEAR_LISTED for s in field.stripes)]
    if not free:
        return ()
    each = ", ".join(f"{p:.3g} mm {c:.2g} %" for p, c in free)
    return (Reason(term="listed periods", weight=0.0, words=(
        f"At the spacings that the machine file lists, stripes of so much contrast would have been found: {each}.")),)


def _filters(share: float) -> Reason:
    """The second look in words."""
    says = "they agree" if share > FILTERS_AGREE else "they cannot tell it from the grain, so an eye hardly will"
    return Reason(term="oriented filters", weight=0.0, words=(
        f"Of the local texture at this spacing, oriented filters find {100 * share:.0f} % square to the scan axis "
        f"({100 / 12:.0f} % is chance): {says}."))


def _sideways(texture: Texture, shortest_period_mm) -> float | None:
    """Period of what would be called a stripe if the scan axis ran the other way, or None."""
    found = _above_floor(find_stripes(turned_a_quarter(texture), shortest_period_mm=shortest_period_mm,
                                      with_limit=False))
    return found.stripes[0].period_mm if found.stripes else None


def _listed(machine: Machine | None, piece: Piece) -> tuple[tuple[float, float], ...]:
    """Periods of the machine's parts with their s.d., the photo's scale error included."""
    if machine is None or not piece.scale_known:
        return ()
    return tuple((e.period_mm, float(np.hypot(e.sd_mm, e.period_mm * piece.scale_sd_fraction)))
                 for e in expected_periods(machine) if e.along == "scan" and SHORTEST_LISTED_MM <= e.period_mm)


def _sampling_warnings(piece: Piece, settings: Settings) -> tuple[str, ...]:
    """Too few photo pixels per mm for the shortest period asked for, or a strong tilt."""
    found = []
    if piece.scale_known:
        shortest = PX_PER_PERIOD / piece.photo_px_per_mm
        if shortest > max(settings.shortest_period_mm, 0.5):
            found.append(f"This photo has {piece.photo_px_per_mm:.1f} pixels per mm, too few for stripes finer than "
                         f"{shortest:.2f} mm. Photograph from nearer, at 12 pixels per mm or more.")
    if piece.tilt_deg is not None and np.isfinite(piece.tilt_deg) and piece.tilt_deg > 25.0:
        found.append(f"The photo was taken at a slant of about {piece.tilt_deg:.0f} degrees. "
                     "Photograph from straight above.")
    return tuple(found)


def with_map_at(after: Judgement, before: Judgement) -> Judgement:
    """AFTER's map shows BEFORE's stripes too, so that the two maps answer the same question."""
    lines, own = ([c.line for c in called_candidates(j.stripes)] for j in (before, after))
    new = [line for line in lines
           if all(abs(line.fx_per_mm - o.fx_per_mm) > 0.006 * line.fx_per_mm for o in own)]
    cells, step = local_contrast(after.stripes.bands, own + new, own=len(own))
    return replace(after, stripes=replace(after.stripes, map_percent=cells, map_step_mm=step))
