"""The live explanations of a line, with their odds from one judged photo or a pair.

The decision's probability that a regular artefact is there is the anchor; it
is divided among the causes that are regular, and the rest among those that are
not, by what the photo shows. The shares are priors: common practice, no source,
where no other source stands beside them.
"""
from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from analysis.decide import STRIPED
from analysis.machine import NOT_LISTED, NOT_LISTED_PRIOR, Machine, expected_periods

__all__ = ["EXPLANATIONS", "Evidence", "explanation_odds", "gather_evidence"]

EXPLANATIONS = {
    "geometry": "a part of the drive (fixed in mm)",
    "time": "vibration or mains ripple (fixed in Hz)",
    "rings": "growth rings nearly parallel to the stripes",
    "ply": "crossed grain of a lower layer",
    "camera": "the camera",
    "rows": "the engraving's own rows, of a piece that lies on its side",
    "surface": "planer or sanding marks on the board",
    "nothing": "nothing regular at all",
}
SURFACE_SHARE, CAMERA_SHARE = 0.05, 0.03     # of a regular line, before anything else is known
BLAMED = 0.8                # share of the rest where the decision names another cause than the drive
GEOMETRY_SHARE = 0.7        # of machine stripes, where no machine file speaks
GRAIN_SEEN_PERCENT = 2.0    # oriented texture that a person sees at arm's length
CROSSED_DEG, CROSSED_SHARE = 40.0, 0.2       # a second direction this far off, with this share of the energy
PARALLEL_DEG = 15.0         # grain within this of the stripes' own direction could be taken for them
HIDDEN = 0.7                # where no line was found, what could hide: this share of the detection limit
CHANCE_LOCK = 0.2           # a phase within +- 0.6 rad by chance: 0.6 / pi
CERTAIN = 0.995             # no photo alone is surer than this about a cause


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What one judged photo says about its strongest line."""

    probability_regular: float
    called: bool                           # the verdict names a regular artefact
    line_seen: bool                        # a line stands out, called or not
    period_mm: float | None                # None where there is no line or no scale
    period_sd_fraction: float              # 1 s.d. of the period, relative
    contrast_percent: float                # of the line; where none was found, what could hide
    limit_percent: float                   # detection limit
    phase_sd_rad: float
    ring_probability: float
    camera: bool                           # the decision names a cause in the camera
    rows: bool                             # or the engraving's own rows, of a square piece
    grain_percent: float
    grain_crossed: bool                    # grain in two directions that lie far apart
    grain_parallel: bool                   # grain lines within 15 degrees of the stripes
    sources: tuple[dict, ...]
    phase_locked: bool | None
    pixels_per_mm: float | None


def gather_evidence(result: Any) -> Evidence:
    """Take the evidence from a judged photo, an inspection, a comparison, or a report as a dict.

    Of a pair BEFORE counts where it shows a stripe or AFTER shows none, else AFTER.

    Raises
    ------
    ValueError
        `result` is none of these.
    """
    if isinstance(result, dict):
        return _of_report(result)
    if hasattr(result, "decision"):
        return _of_judgement(result, None)
    if hasattr(result, "before"):
        later = not result.before.stripes.stripes and bool(result.after.stripes.stripes)
        return _of_judgement(result.after if later else result.before, result.change.phase_locked)
    if hasattr(result, "photo"):
        return _of_judgement(result.photo, None)
    raise ValueError("expected a judged photo, an inspection, a comparison or a report, got "
                     f"{type(result).__name__}")


def explanation_odds(evidence: Evidence, machine: Machine | None = None) -> dict[str, float]:
    """Give each live explanation its probability; they add up to 1.

    Parameters
    ----------
    evidence : Evidence
    machine : Machine, optional
        Tells whether the likely sources are fixed in mm or in Hz.
    """
    regular = min(max(evidence.probability_regular, 1 - CERTAIN), CERTAIN)
    geometry = _geometry_share(evidence, machine)
    # marks of a planer or the camera meet a listed period only by chance, as a part that is not listed does
    chance = min(_not_listed(evidence) / NOT_LISTED_PRIOR, 1.0)
    surface, camera = SURFACE_SHARE * chance, CAMERA_SHARE * chance
    machine_share = 1 - surface - camera
    weights = {"geometry": regular * machine_share * geometry,
               "time": regular * machine_share * (1 - geometry),
               "surface": regular * surface, "camera": regular * camera, "rows": 0.0}
    rest = 1 - regular
    blamed = "camera" if evidence.camera else "rows" if evidence.rows else None
    if blamed is not None:
        weights[blamed] += rest * BLAMED
        rest *= 1 - BLAMED
    seen = evidence.grain_percent ** 2 / (evidence.grain_percent ** 2 + GRAIN_SEEN_PERCENT ** 2)
    grain = max(seen, min(evidence.ring_probability, 1.0) * 0.5) if evidence.line_seen else seen
    ply = 0.6 if evidence.grain_crossed else 0.1 if evidence.grain_parallel else 0.3
    weights |= {"rings": rest * grain * (1 - ply), "ply": rest * grain * ply, "nothing": rest * (1 - grain)}
    if evidence.phase_locked is not None:
        locked = {"geometry": 0.9, "time": 0.5}      # a vibration starts anew at each line, a ripple does not
        for name in weights:
            chance = locked.get(name, CHANCE_LOCK)
            weights[name] *= chance if evidence.phase_locked else 1 - chance
    total = sum(weights.values())
    return {name: weights[name] / total for name in EXPLANATIONS}


def _geometry_share(evidence: Evidence, machine: Machine | None) -> float:
    """Share of geometry among the machine's causes."""
    if machine is None or not evidence.sources:
        return GEOMETRY_SHARE
    kinds = {p.part: p.kind for p in expected_periods(machine)}
    mass = {"geometry": 0.0, "time": 0.0}
    for source in evidence.sources:
        kind = kinds.get(source["part"])
        if kind is not None:
            mass[kind] += source["probability"]
    none = _not_listed(evidence)
    share = mass["geometry"] + none * GEOMETRY_SHARE
    total = mass["geometry"] + mass["time"] + none
    return min(max(share / total, 1 - CERTAIN), CERTAIN) if total > 0 else GEOMETRY_SHARE


def _not_listed(evidence: Evidence) -> float:
    """Probability that no listed part made the line; the prior where there is no machine file."""
    return next((s["probability"] for s in evidence.sources if s["part"] == NOT_LISTED), NOT_LISTED_PRIOR)


def _of_judgement(judged: Any, phase_locked: bool | None) -> Evidence:
    field, grain = judged.stripes, judged.grain
    stripe = field.stripes[0] if field.stripes else field.candidates[0].stripe if field.candidates else None
    known = judged.piece.scale_known
    return _evidence(
        probability=judged.decision.probability_mechanical, verdict=judged.decision.verdict,
        line_seen=stripe is not None, known=known,
        period=stripe.period_mm if stripe else None, interval=stripe.period_interval_mm if stripe else None,
        angle=stripe.angle_deg if stripe else 0.0, contrast=stripe.contrast_percent if stripe else None,
        limit=judged.decision.detection_limit_percent, phase_sd=stripe.phase_sd_rad if stripe else None,
        ring=stripe.ring_probability if stripe else None,
        causes=[r.term for r in judged.decision.reasons], grain_percent=grain.contrast_percent,
        grain_angle=grain.angle_deg, directions=grain.directions,
        sources=judged.sources[0] if judged.sources else (), phase_locked=phase_locked,
        pixels_per_mm=judged.piece.photo_px_per_mm if known else None)


def _of_report(report: dict) -> Evidence:
    locked = None
    if "before" in report:
        later = not report["before"]["stripes"] and bool(report["after"]["stripes"])
        locked = (report.get("change") or {}).get("phase_locked")
        photo = report["after" if later else "before"]
    elif "photo" in report:
        photo = report["photo"]
    elif "verdict" in report:
        photo = report
    else:
        raise ValueError("expected a report with `photo` or `before`")
    stripe = photo["stripes"][0] if photo["stripes"] else {}
    in_mm = stripe.get("period_mm") is not None
    grain = photo.get("grain") or {}
    return _evidence(
        probability=photo["probability_mechanical"], verdict=photo["verdict"],
        line_seen=bool(stripe), known=in_mm,
        period=stripe.get("period_mm") if in_mm else stripe.get("period_px"),
        interval=stripe.get("period_interval_mm") if in_mm else stripe.get("period_interval_px"),
        angle=stripe.get("angle_deg"), contrast=stripe.get("contrast_percent"),
        limit=photo.get("detection_limit_percent"), phase_sd=stripe.get("phase_sd_rad"),
        ring=stripe.get("ring_probability"),
        causes=[r.get("term") for r in photo.get("reasons") or ()],
        grain_percent=grain.get("contrast_percent"), grain_angle=grain.get("angle_deg"),
        directions=tuple((d["angle_deg"], d["share"]) for d in grain.get("directions") or ()),
        sources=tuple(stripe.get("sources") or ()), phase_locked=locked,
        pixels_per_mm=photo.get("pixels_per_mm"))


def _evidence(*, probability, verdict, line_seen, known, period, interval, angle, contrast, limit, phase_sd,
              ring, causes, grain_percent, grain_angle, directions, sources, phase_locked,
              pixels_per_mm) -> Evidence:
    """Fill what a report may leave out with the value that claims least."""
    limit = limit if limit is not None and math.isfinite(limit) and limit > 0 else 5.0
    share = (interval[1] - interval[0]) / 3.92 / period if period and interval else 0.01
    lines_deg = 90.0 + (angle or 0.0)          # direction of the stripes themselves
    return Evidence(
        probability_regular=0.5 if probability is None else float(probability),
        called=verdict in STRIPED, line_seen=line_seen, period_mm=period if known else None,
        period_sd_fraction=max(share, 1e-4), contrast_percent=contrast if contrast else HIDDEN * limit,
        limit_percent=limit, phase_sd_rad=phase_sd if phase_sd is not None else 0.5,
        ring_probability=ring if ring is not None else 0.1, camera="camera" in causes,
        rows="rows" in causes, grain_percent=grain_percent or 0.0,
        grain_crossed=_crossed(directions),
        grain_parallel=grain_angle is not None and _apart(grain_angle, lines_deg) <= PARALLEL_DEG,
        sources=tuple(sources), phase_locked=phase_locked, pixels_per_mm=pixels_per_mm)


def _apart(first_deg: float, second_deg: float) -> float:
    """Angle between two undirected lines, 0 to 90 degrees."""
    return abs((first_deg - second_deg + 90.0) % 180.0 - 90.0)


def _crossed(directions: tuple[tuple[float, float], ...]) -> bool:
    strong = [angle for angle, share in directions if share >= CROSSED_SHARE]
    return any(_apart(a, b) >= CROSSED_DEG for k, a in enumerate(strong) for b in strong[k + 1:])
