"""The steps in order: compare two photos, or inspect one."""
from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from os import PathLike

import numpy as np

from analysis.bank import share_square_to_axis
from analysis.camera import blur_transfer, camera_cause
from analysis.change import Change, compare_stripes
from analysis.decide import STRIPED, Decision, Reason, decide
from analysis.errors import PhotoError
from analysis.flatten import Texture, flatten
from analysis.grain import GrainField, measure_grain
from analysis.machine import Machine, expected_periods, name_sources
from analysis.next_test import NextTest, next_step_sentence, rank_next_tests
from analysis.photo import Photo, load_photo
from analysis.rectify import Piece, rectify, rectify_through
from analysis.register import Alignment, register
from analysis.settings import Settings
from analysis.stripe_map import local_contrast
from analysis.stripes import StripeField, called_candidates, find_stripes

__all__ = ["Comparison", "Inspection", "Judgement", "compare", "inspect"]

Progress = Callable[[float, str], None]    # (fraction 0 to 1, words)
Source = bytes | str | PathLike[str]

PX_PER_PERIOD = 4.0                        # fewer photo pixels a period and the photo itself eats the contrast
SHORTEST_LISTED_MM = 0.3                   # shorter ones lie too close together to direct a search
# Blur, veiling glare and compression change contrast by a few percent from photo to photo; common practice, no source
PHOTO_TRANSFER_SD = 0.03
LEAST_LET_THROUGH = 0.4                    # a softer photo is past correcting: its edges tell the blur to a fifth
FILTER_STEP_MM = 2.0
FILTERS_AGREE = 0.11                       # share of the energy at a spacing; 1/12 where nothing has a direction
MORE_THAN_WOOD_PERCENT = 60.0              # grain on engraved wood stays below; common practice, no source
COARSE_PX_PER_MM = 6.0                     # below this a photo cannot clear a machine of a 0.5 mm stripe


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
    next_tests: tuple[NextTest, ...] = ()  # most informative first


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two photos judged, aligned and compared. AFTER's piece is on BEFORE's grid where alignment.ok."""

    before: Judgement
    after: Judgement
    alignment: Alignment
    change: Change
    settings: Settings
    next_tests: tuple[NextTest, ...] = ()  # of the pair, most informative first


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """One photo judged."""

    photo: Judgement
    settings: Settings


def compare(before: Source, after: Source, settings: Settings | None = None, *,
            names: tuple[str | None, str | None] = (None, None), machine: Machine | None = None,
            progress: Progress | None = None) -> Comparison:
    """Judge two photos, align AFTER to BEFORE, and say what changed.

    Parameters
    ----------
    before, after : bytes or path
        Image files.
    settings : Settings, optional
    names : (str, str), optional
        File names to show where bytes are given.
    machine : Machine, optional
        Moving parts and speeds, to name the likely source.
    progress : callable, optional
        Called with (fraction from 0 to 1, words) as the steps begin.

    Returns
    -------
    Comparison

    Raises
    ------
    PhotoError
        A photo or a setting cannot be used; the sentence names the mend.
    """
    settings = settings or Settings()
    tell = progress or _silent
    with ThreadPoolExecutor(2) as pool:
        tell(0.0, "Reading the photos")
        photos = list(pool.map(load_photo, (before, after), names))
        tell(0.15, "Finding the piece in each photo")
        later = pool.submit(_after_piece, photos[1], settings)
        first = _piece(photos[0], settings, settings.before_corners_px)
        second = later.result()
        tell(0.35, "Aligning AFTER to BEFORE")
        alignment = register(photos[0], photos[1], first, second)
        if alignment.ok:
            second = rectify_through(photos[1], first, alignment.homography_undistorted, alignment.after_lens)
        elif second is None:
            second = rectify(photos[1])
        tell(0.5, "Looking for stripes and grain")
        judged = list(pool.map(
            lambda pair: _judge(*pair, settings, machine, region=_region(pair[1], first, settings, alignment)),
            zip(photos, (first, second), strict=True)))
    judged = _look_again(judged, (first, second), settings, machine, alignment)
    tell(0.9, "Comparing")
    before_called, after_called = (j.decision.verdict in STRIPED for j in judged)
    change = compare_stripes(
        judged[0].stripes, judged[1].stripes, before_called=before_called, after_called=after_called,
        aligned=alignment.ok, same_place_sd_mm=alignment.residual_mm, unit=_unit(first),
        transfer_sd_fraction=_transfer_sd(judged),
        doubtful=any(j.decision.verdict == "undecided" for j in judged),
        blind=any(j.decision.blind for j in judged))
    if alignment.ok and before_called:
        judged[1] = _with_map_at(judged[1], judged[0])
    result = Comparison(before=judged[0], after=judged[1], alignment=alignment, change=change, settings=settings)
    tell(1.0, "Done")
    return replace(result, next_tests=rank_next_tests(result, machine))


def inspect(photo: Source, settings: Settings | None = None, *, name: str | None = None,
            machine: Machine | None = None, progress: Progress | None = None) -> Inspection:
    """Judge one photo; parameters and errors as in `compare`."""
    settings = settings or Settings()
    tell = progress or _silent
    tell(0.0, "Reading the photo")
    loaded = load_photo(photo, name)
    tell(0.2, "Finding the piece")
    piece = _piece(loaded, settings, settings.before_corners_px)
    tell(0.5, "Looking for stripes and grain")
    judged = _judge(loaded, piece, settings, machine, region=settings.region_mm)
    tell(1.0, "Done")
    return Inspection(photo=judged, settings=settings)


def _silent(_fraction: float, _words: str) -> None:
    """Progress that nobody watches."""


def _unit(piece: Piece) -> str:
    """Unit of the periods."""
    return "mm" if piece.scale_known else "px"


def _piece(photo: Photo, settings: Settings, corners) -> Piece:
    """BEFORE's piece, or the one photo's."""
    return rectify(photo, frame_mm=settings.frame_mm, corners_px=corners, pixels_per_mm=settings.pixels_per_mm,
                   scan_angle_deg=settings.scan_angle_deg)


def _after_piece(photo: Photo, settings: Settings) -> Piece | None:
    """AFTER's piece by its own frame or corners; None leaves it to the registration."""
    if settings.frame_mm is None and settings.after_corners_px is None:
        return None
    try:
        return rectify(photo, frame_mm=settings.frame_mm, corners_px=settings.after_corners_px)
    except PhotoError:
        if settings.after_corners_px is not None:
            raise
        return None


def _region(piece, first, settings, alignment):
    """The region counts on BEFORE's piece; AFTER alone is judged whole unless it has the same frame."""
    if piece is first or alignment.ok or settings.frame_mm is not None:
        return settings.region_mm
    return None


def _look_again(judged, pieces, settings, machine, alignment) -> list[Judgement]:
    """Look in one photo at the spacing that the other shows: one place is searched, so a weaker stripe is believed."""
    called = [j.decision.verdict in STRIPED for j in judged]
    if called[0] == called[1] or not alignment.ok or not all(p.scale_known for p in pieces):
        return judged
    here = called.index(False)
    periods = tuple((s.period_mm, (s.period_interval_mm[1] - s.period_interval_mm[0]) / 3.92)
                    for s in judged[1 - here].stripes.stripes)
    region = _region(pieces[here], pieces[0], settings, alignment)
    return [_judge(j.photo, piece, settings, machine, region=region, also_mm=periods, texture=j.texture)
            if k == here else j for k, (j, piece) in enumerate(zip(judged, pieces, strict=True))]


def _judge(photo: Photo, piece: Piece, settings: Settings, machine, *, region, also_mm=(),
           texture: Texture | None = None) -> Judgement:
    """All steps after the piece, for one photo."""
    texture = texture or replace(flatten(piece, region_mm=region), transfer_sd_fraction=PHOTO_TRANSFER_SD)
    field = find_stripes(texture, shortest_period_mm=settings.shortest_period_mm,
                         listed_mm=_listed(machine, piece) + also_mm)
    field = _with_blur(field, piece, photo)
    grain = measure_grain(texture, stripe_model=field.model if field.stripes else None)
    camera = camera_cause(field.candidates[0].stripe, piece, photo) if field.candidates else None
    warnings = tuple(dict.fromkeys(photo.warnings + piece.warnings + texture.warnings
                                   + _sampling_warnings(piece, settings)))
    decision = decide(field, grain, unit=_unit(piece), camera=camera,
                      trouble=_trouble(piece, grain, region))
    if field.stripes:
        decision = replace(decision, reasons=decision.reasons + (_filters(texture, field),))
    sources: tuple = ()
    if machine is not None and piece.scale_known:
        sources = tuple(name_sources(s.period_mm, s.period_interval_mm, machine, harmonics=s.harmonics,
                                     pixels_per_mm=piece.photo_px_per_mm) for s in field.stripes)
    judged = Judgement(photo=photo, piece=piece, texture=texture, stripes=field, grain=grain, decision=decision,
                       warnings=warnings, sources=sources)
    tests = rank_next_tests(judged, machine)
    if camera is None and not decision.poor_photo:
        judged = replace(judged, decision=replace(decision, next_step=next_step_sentence(tests)))
    return replace(judged, next_tests=tests)


def _with_blur(field: StripeField, piece: Piece, photo: Photo) -> StripeField:
    """Let each contrast's interval reach up to what the piece would have if the photo's blur ate all that it may."""
    def reach(candidate):
        low, high = candidate.stripe.contrast_interval_percent
        let_through = max(blur_transfer(candidate.stripe, piece, photo), LEAST_LET_THROUGH)
        notes = candidate.stripe.notes
        if let_through < 0.9:
            hidden = 100 * (1 - let_through)
            notes += (f"The photo's blur may hide up to {hidden:.0f} % of so fine a stripe's contrast.",)
        return replace(candidate, stripe=replace(candidate.stripe, notes=notes,
                                                 contrast_interval_percent=(low, high / let_through)))
    found = tuple(reach(c) for c in field.candidates)
    return replace(field, candidates=found, stripes=tuple(c.stripe for c in found[: len(field.stripes)]))


def _filters(texture: Texture, field: StripeField) -> Reason:
    """What the oriented filters see at the strongest stripe's spacing: a second look that owes nothing to the first."""
    share = share_square_to_axis(
        texture.log_reflectance, texture.weight, texture.samples_per_mm, period_mm=field.stripes[0].period_mm,
        step_mm=FILTER_STEP_MM if texture.scale_known else texture.log_reflectance.shape[1] / 40)
    says = "they agree" if share > FILTERS_AGREE else "they cannot tell it from the grain, so an eye hardly will"
    return Reason(term="oriented filters", weight=0.0, words=(
        f"Of the local texture at this spacing, oriented filters find {100 * share:.0f} % square to the scan axis "
        f"({100 / 12:.0f} % is chance): {says}."))


def _transfer_sd(judged) -> float:
    """Relative s.d. of what the photos do to the ratio: a few percent each, and half of their difference in blur."""
    if not judged[0].stripes.stripes:
        return np.sqrt(2.0) * PHOTO_TRANSFER_SD
    first, second = (max(blur_transfer(judged[0].stripes.stripes[0], j.piece, j.photo), 0.05) for j in judged)
    return float(np.sqrt(2.0 * PHOTO_TRANSFER_SD ** 2 + (0.5 * np.log(second / first)) ** 2))


def _trouble(piece: Piece, grain: GrainField, region) -> tuple[str, str] | None:
    """Why this photo cannot clear a machine, and what to do about it."""
    if piece.scale_known and piece.photo_px_per_mm < COARSE_PX_PER_MM:
        return (f"the photo has only {piece.photo_px_per_mm:.1f} pixels per mm",
                "Photograph again from nearer, at 12 pixels per mm or more.")
    if piece.corners_px is None and region is None and grain.contrast_percent > MORE_THAN_WOOD_PERCENT:
        return (f"the part judged varies by {grain.contrast_percent:.0f} %, more than one engraved ground does, "
                "so more than the piece seems to be in view",
                "Give the size of the engraved frame, its corners, or a region that holds only the engraved ground.")
    return None


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


def _with_map_at(after: Judgement, before: Judgement) -> Judgement:
    """AFTER's map shows BEFORE's stripes too, so that the two maps answer the same question."""
    lines, own = ([c.line for c in called_candidates(j.stripes)] for j in (before, after))
    new = [line for line in lines
           if all(abs(line.fx_per_mm - o.fx_per_mm) > 0.006 * line.fx_per_mm for o in own)]
    cells, step = local_contrast(after.stripes.bands, own + new, own=len(own))
    return replace(after, stripes=replace(after.stripes, map_percent=cells, map_step_mm=step))
