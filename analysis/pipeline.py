"""The steps in order: compare two photos, or inspect one."""
from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from os import PathLike

from analysis.change import Change, compare_stripes
from analysis.decide import STRIPED
from analysis.errors import PhotoError
from analysis.judge import Judgement, judge, length_unit, with_map_at, without_frame
from analysis.machine import Machine
from analysis.memory import Memory, afresh
from analysis.next_test import NextTest, rank_next_tests
from analysis.photo import Photo, load_photo
from analysis.piece_framed import at_full_scale
from analysis.rectify import Piece, rectify, rectify_through
from analysis.register import Alignment, register
from analysis.register_work import WORK_PER_MM
from analysis.settings import Settings
from analysis.transfer import transfer_between

__all__ = ["Comparison", "Inspection", "Judgement", "compare", "inspect"]

Progress = Callable[[float, str], None]    # (fraction 0 to 1, words)
Source = bytes | str | PathLike[str]

SWITCH_S = 2e-4            # a thread that comes back from OpenCV waits no longer for the other one's small steps


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
            progress: Progress | None = None, memory: Memory | None = None) -> Comparison:
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
    memory : Memory, optional
        Steps done before with the same photos (as bytes) and settings are taken from it.

    Returns
    -------
    Comparison

    Raises
    ------
    PhotoError
        A photo or a setting cannot be used; the sentence names the mend.
    """
    settings = settings or Settings()
    tell, run = progress or _silent, memory or Memory()
    with _short_turns(), ThreadPoolExecutor(2) as pool:
        tell(0.0, "Reading the photos")
        photos = list(pool.map(lambda source, name: _load(source, name, memory or afresh), (before, after), names))
        tell(0.15, "Finding the piece in each photo")
        framed = settings.frame_mm, settings.after_corners_px
        work = [pool.submit(_piece, photos[0], settings, run),
                pool.submit(run, _after_piece, photos[1], *framed, settings.frame_mm and WORK_PER_MM)]
        with _naming("BEFORE"):
            first = work[0].result()
        with _naming("AFTER"):
            second, lost = work[1].result()
        tell(0.35, "Aligning AFTER to BEFORE")
        # BEFORE is judged meanwhile: its small steps would otherwise wait for AFTER's, and AFTER's for them
        jobs = [pool.submit(judge, photos[0], first, settings, machine, region=settings.region_mm, run=run,
                            pool=pool)]
        alignment = pool.submit(run, register, photos[0], photos[1], first, second).result()
        if lost is not None and not alignment.ok:      # why AFTER's frame was not found says how to mend it
            alignment = replace(alignment, reason=f"AFTER: {lost}")
        if alignment.ok:
            second = pool.submit(run, rectify_through, photos[1], first, alignment.homography_undistorted,
                                 alignment.after_lens).result()
        else:
            second = run(rectify, photos[1]) if second is None else run(at_full_scale, photos[1], second)
        tell(0.5, "Looking for stripes and grain")
        regions = [settings.region_mm, _after_region(settings, alignment)]
        jobs.append(pool.submit(judge, photos[1], second, settings, machine, region=regions[1], run=run, pool=pool))
        judged = []
        for which, job in zip(("BEFORE", "AFTER"), jobs, strict=True):
            with _naming(which):
                judged.append(job.result())
        judge_again = partial(judge, settings=settings, machine=machine, run=run, pool=pool)
        if lost is not None and not alignment.ok:
            judged[1] = without_frame(judged[1])
        if alignment.ok:
            judged = _on_one_part(judged, regions, judge_again)
            judged = _look_again(judged, regions, judge_again)
    tell(0.9, "Comparing")
    before_called, after_called = (j.decision.verdict in STRIPED for j in judged)
    change = compare_stripes(
        judged[0].stripes, judged[1].stripes, before_called=before_called, after_called=after_called,
        aligned=alignment.ok, same_place_sd_mm=alignment.residual_mm, unit=length_unit(first),
        transfer_log=transfer_between(judged),
        doubtful=any(j.decision.verdict == "undecided" for j in judged),
        blind=any(j.decision.blind for j in judged))
    if alignment.ok and before_called:
        judged[1] = with_map_at(judged[1], judged[0])
    result = Comparison(before=judged[0], after=judged[1], alignment=alignment, change=change, settings=settings)
    tell(1.0, "Done")
    return replace(result, next_tests=rank_next_tests(result, machine))


def inspect(photo: Source, settings: Settings | None = None, *, name: str | None = None,
            machine: Machine | None = None, progress: Progress | None = None,
            memory: Memory | None = None) -> Inspection:
    """Judge one photo; parameters and errors as in `compare`."""
    settings = settings or Settings()
    tell, run = progress or _silent, memory or afresh
    tell(0.0, "Reading the photo")
    loaded = _load(photo, name, run)
    tell(0.2, "Finding the piece")
    piece = _piece(loaded, settings, run)
    tell(0.5, "Looking for stripes and grain")
    with _short_turns(), ThreadPoolExecutor(1) as pool:
        judged = judge(loaded, piece, settings, machine, region=settings.region_mm, run=run, pool=pool)
    tell(1.0, "Done")
    return Inspection(photo=judged, settings=settings)


@contextmanager
def _short_turns() -> Iterator[None]:
    """Let threads take turns sooner than after Python's own 5 ms: 5 % less time for two photos on two cores.

    Comparisons that overlap may leave the shorter turns behind, which harms nothing.
    """
    usual = sys.getswitchinterval()
    sys.setswitchinterval(min(usual, SWITCH_S))
    try:
        yield
    finally:
        sys.setswitchinterval(usual)


def _silent(_fraction: float, _words: str) -> None:
    """Progress that nobody watches."""


@contextmanager
def _naming(which: str) -> Iterator[None]:
    """Say of which photo a complaint is."""
    try:
        yield
    except PhotoError as problem:
        raise PhotoError(f"{which}: {problem}") from problem


def _load(source: Source, name: str | None, run) -> Photo:
    """Read a photo; a file may change between two looks, so only bytes are remembered."""
    return run(load_photo, source, name) if isinstance(source, bytes) else load_photo(source, name)


def _piece(photo: Photo, settings: Settings, run) -> Piece:
    """BEFORE's piece, or the one photo's."""
    return run(rectify, photo, frame_mm=settings.frame_mm, corners_px=settings.before_corners_px,
               pixels_per_mm=settings.pixels_per_mm, scan_angle_deg=settings.scan_angle_deg,
               find_piece=settings.region_mm is None)


def _after_piece(photo: Photo, frame_mm, corners_px, samples_per_mm) -> tuple[Piece | None, str | None]:
    """AFTER's piece by its own frame or corners; without one the registration finds it; and why none was found.

    For the registration it need be no finer than that works: once aligned, AFTER is sampled on BEFORE's grid.
    """
    if frame_mm is None and corners_px is None:
        return None, None
    try:
        return rectify(photo, frame_mm=frame_mm, corners_px=corners_px, samples_per_mm=samples_per_mm), None
    except PhotoError as problem:
        if corners_px is not None:
            raise
        return None, str(problem)


def _after_region(settings, alignment):
    """The region counts on BEFORE's piece; AFTER alone is judged whole unless it has the same frame."""
    return settings.region_mm if alignment.ok or settings.frame_mm is not None else None


def _on_one_part(judged, regions, judge_again) -> list[Judgement]:
    """Judge both photos on the part that one of them shows to be engraved, BEFORE's where both do."""
    part = judged[0].part_mm or judged[1].part_mm
    return [j if j.part_mm == part else judge_again(j.photo, j.piece, region=region, part=part)
            for j, region in zip(judged, regions, strict=True)]


def _look_again(judged, regions, judge_again) -> list[Judgement]:
    """Look in one photo at the spacing that the other shows: one place is searched, so a weaker stripe is believed."""
    called = [j.decision.verdict in STRIPED for j in judged]
    if called[0] == called[1] or not all(j.piece.scale_known for j in judged):
        return judged
    here = called.index(False)
    periods = tuple((s.period_mm, (s.period_interval_mm[1] - s.period_interval_mm[0]) / 3.92)
                    for s in judged[1 - here].stripes.stripes)
    again = judge_again(judged[here].photo, judged[here].piece, region=regions[here], also_mm=periods,
                        part=judged[here].part_mm)
    return [again, judged[1]] if here == 0 else [judged[0], again]
