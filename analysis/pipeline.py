"""The steps in order: compare two photos, or inspect one."""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from os import PathLike

from analysis.change import Change
from analysis.decide import Decision
from analysis.flatten import Texture
from analysis.grain import GrainField
from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.register import Alignment
from analysis.settings import Settings
from analysis.stripes import StripeField

__all__ = ["Comparison", "Inspection", "Judgement", "compare", "inspect"]

Progress = Callable[[float, str], None]    # (fraction 0 to 1, words)
Source = bytes | str | PathLike[str]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two photos judged, aligned and compared. AFTER's piece is on BEFORE's grid where alignment.ok."""

    before: Judgement
    after: Judgement
    alignment: Alignment
    change: Change
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """One photo judged."""

    photo: Judgement
    settings: Settings


def compare(before: Source, after: Source, settings: Settings | None = None, *, names=(None, None),
            machine=None, progress: Progress | None = None) -> Comparison:
    raise NotImplementedError


def inspect(photo: Source, settings: Settings | None = None, *, name=None, machine=None,
            progress: Progress | None = None) -> Inspection:
    raise NotImplementedError
