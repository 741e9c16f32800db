"""Realistic results for tests of report, sheet and page, built from the result types alone.

The pictures are computed: a board with rings and, where asked, a stripe of
known period and contrast. The numbers beside them are the truth of those
pictures with intervals of a fitting size. Nothing here runs the analysis, so
these tests hold while its steps change.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from analysis.by_place import ContrastByPlace, Stretch
from analysis.change import Change
from analysis.decide import Decision, Reason
from analysis.flatten import Texture
from analysis.grain import GrainField
from analysis.photo import Photo
from analysis.pipeline import Comparison, Inspection, Judgement
from analysis.print_quality import PrintQuality
from analysis.rectify import Lens, Piece
from analysis.register import Alignment
from analysis.settings import Settings
from analysis.stripes import Stripe, StripeField

SAMPLES_PER_MM = 10.0
FRAME_MM = (80.0, 60.0)
MAP_STEP_MM = 2.0
MARGIN_MM = 2.0


def comparison(
    *,
    names=("before.jpg", "after.jpg"),
    scale_known=True,
    after_scale_known=None,
    aligned=True,
    contrasts=(4.2, 0.5),
    verdicts=("mechanical", "clean"),
    warnings=(("Glare covers 3 % of the piece. Turn the lamp away.",), ()),
    settings=None,
) -> Comparison:
    """A pair: a board with a 2.032 mm stripe before, all but gone after; AFTER's scale is as BEFORE's unless told."""
    before = judgement(
        names[0],
        contrast_percent=contrasts[0],
        verdict=verdicts[0],
        seed=3,
        scale_known=scale_known,
        warnings=warnings[0],
    )
    after = judgement(
        names[1],
        contrast_percent=contrasts[1],
        verdict=verdicts[1],
        seed=8,
        scale_known=scale_known if after_scale_known is None else after_scale_known,
        warnings=warnings[1],
    )
    if aligned:
        rng = np.random.default_rng(5)
        points = np.column_stack([rng.uniform(200, 1800, (24, 2)), rng.normal(0, 0.5, (24, 2))])
        alignment = _make(
            Alignment,
            ok=True,
            homography=np.array([[1.01, 0.02, -14.0], [-0.015, 0.99, 22.0], [1e-6, -2e-6, 1.0]]),
            residual_px=0.6,
            residual_mm=0.0368 if scale_known else None,
            overlap_fraction=0.973,
            reason=None,
            method="frame and artwork",
            misfits_px=points,
        )
        change = _make(
            Change,
            verdict="reduced",
            ratio=0.119,
            ratio_interval=(0.081, 0.187),
            phase_locked=True,
            sentence="The change helped: 12 % of the stripe is left (8 to 19 %).",
            phase_difference_rad=0.11,
            before_contrast_percent=4.2,
            after_contrast_percent=0.5,
            reasons=("The stripe's contrast fell from 4.2 % to 0.5 % at the same period of 2.032 mm.",),
        )
    else:
        alignment = _make(
            Alignment,
            ok=False,
            homography=None,
            residual_px=None,
            residual_mm=None,
            overlap_fraction=0.0,
            reason="The two photos share no artwork. Engrave the same frame on both pieces.",
            method="artwork",
        )
        change = _make(
            Change,
            verdict="undecided",
            ratio=None,
            ratio_interval=None,
            phase_locked=None,
            sentence="The photos could not be aligned, so the change cannot be judged.",
            phase_difference_rad=None,
            before_contrast_percent=None,
            after_contrast_percent=None,
        )
    return Comparison(
        before=before,
        after=after,
        alignment=alignment,
        change=change,
        settings=settings or Settings(frame_mm=FRAME_MM if scale_known else None),
    )


def inspection(**options) -> Inspection:
    """One photo judged; options as for `judgement`."""
    scale = options.get("scale_known", True)
    return Inspection(photo=judgement(**options), settings=Settings(frame_mm=FRAME_MM if scale else None))


def judgement(
    name="photo.jpg",
    *,
    contrast_percent=4.2,
    period_mm=2.032,
    verdict="mechanical",
    seed=3,
    scale_known=True,
    warnings=(),
) -> Judgement:
    """One photo with every step's result."""
    piece, log_reflectance = _piece(name, contrast_percent, period_mm, seed, scale_known)
    texture = _make(
        Texture,
        name=name,
        log_reflectance=log_reflectance,
        weight=piece.valid.astype(np.float32),
        trend=np.zeros((6, 8), np.float32),
        samples_per_mm=piece.samples_per_mm,
        origin_mm=piece.origin_mm,
        scale_known=scale_known,
        longest_period_mm=20.0 / _unit(scale_known),
        artwork_fraction=0.137,
        warnings=(),
    )
    photo = _make(
        Photo,
        name=name,
        luminance=np.full((30, 40), 0.3, np.float32),
        preview=np.full((150, 200, 3), 120, np.uint8),
        preview_scale=0.1,
        size_px=(2000, 1500),
        clipped=np.zeros((150, 200), bool),
        block_px=8,
        bits=8,
    )
    stripes = _stripes(texture, contrast_percent, period_mm, scale_known)
    sources = (
        tuple(
            (
                {"part": "belt pitch", "period_mm": 2.032, "probability": 0.93},
                {"part": "none of the listed parts", "period_mm": None, "probability": 0.05},
            )
            for _ in stripes.stripes
        )
        if scale_known
        else tuple(() for _ in stripes.stripes)
    )
    return _make(
        Judgement,
        photo=photo,
        piece=piece,
        texture=texture,
        stripes=stripes,
        grain=_grain(texture, scale_known),
        decision=_decision(verdict),
        warnings=tuple(warnings),
        sources=sources,
        print_quality=PrintQuality(graininess=0.031, mottle=0.012, banding=0.0041, banding_across=0.002, tiles=600),
    )


def _make(kind, **values):
    """Build a result; what the steps hand to each other only (not to report, sheet or page) is None."""
    required = [
        f.name
        for f in dataclasses.fields(kind)
        if f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
    ]
    return kind(**(dict.fromkeys(required) | values))


def _unit(scale_known) -> float:
    """Piece units per sample unit: mm, or photo pixels of which ten make one mm."""
    return 1.0 if scale_known else 0.1


def _piece(name, contrast_percent, period_mm, seed, scale_known):
    rng = np.random.default_rng(seed)
    columns = round((FRAME_MM[0] + 2 * MARGIN_MM) * SAMPLES_PER_MM)
    rows = round((FRAME_MM[1] + 2 * MARGIN_MM) * SAMPLES_PER_MM)
    x = -MARGIN_MM + np.arange(columns) / SAMPLES_PER_MM
    y = -MARGIN_MM + np.arange(rows) / SAMPLES_PER_MM
    along = np.cos(np.radians(17)) * y[:, None] + np.sin(np.radians(17)) * x[None, :]
    rings = np.cumsum(rng.normal(1.9, 0.6, 90).clip(0.5)) - 30
    phase = np.interp(along, rings, 2 * np.pi * np.arange(90))
    log = 0.025 * np.cos(phase) + contrast_percent / 200 * np.cos(2 * np.pi * x / period_mm)[None, :]
    log = (log + rng.normal(0, 0.02, log.shape)).astype(np.float32)
    reflectance = (0.42 * np.exp(log)).astype(np.float32)
    inside = ((x >= 0) & (x <= FRAME_MM[0]))[None, :] & ((y >= 0) & (y <= FRAME_MM[1]))[:, None]
    inner = ((x >= 1) & (x <= FRAME_MM[0] - 1))[None, :] & ((y >= 1) & (y <= FRAME_MM[1] - 1))[:, None]
    reflectance[inside & ~inner] = 0.07
    corner = inside & (x > 68)[None, :] & (y > 50)[:, None]
    valid = inside & ~corner
    scale = _unit(scale_known)
    piece = _make(
        Piece,
        name=name,
        reflectance=reflectance,
        valid=valid,
        samples_per_mm=SAMPLES_PER_MM * scale,
        origin_mm=(-MARGIN_MM / scale, -MARGIN_MM / scale),
        scale_known=scale_known,
        photo_to_piece=np.array([[0.0613, 0.001, -12.0], [-0.001, 0.0613, -10.0], [0, 0, 1.0]]),
        lens=Lens(),
        photo_px_per_mm=16.31 if scale_known else 1.0,
        scale_sd_fraction=0.0006,
        axis_sd_deg=0.05,
        method="frame" if scale_known else "pixels",
        frame_mm=FRAME_MM if scale_known else None,
        corners_px=np.array([[210.0, 180.0], [1512.2, 190.5], [1508.9, 1166.3], [205.1, 1159.0]]),
        corners_sd_px=0.3,
        residual_px=0.4,
        tilt_deg=6.2,
    )
    return piece, np.where(valid, log, 0).astype(np.float32)


def _stripes(texture, contrast_percent, period_mm, scale_known) -> StripeField:
    unit = _unit(scale_known)
    half = 0.0021
    stripe = _make(
        Stripe,
        period_mm=period_mm / unit,
        period_interval_mm=((period_mm - half) / unit, (period_mm + half) / unit),
        period_px=period_mm * SAMPLES_PER_MM,
        angle_deg=0.31,
        angle_interval_deg=(-0.12, 0.74),
        contrast_percent=contrast_percent,
        contrast_interval_percent=(max(contrast_percent - 0.42, 0.0), contrast_percent + 0.38),
        phase_rad=0.4,
        phase_sd_rad=0.05,
        coherence=0.934,
        coverage=0.957,
        false_alarm_probability=3.2e-9,
        ring_probability=0.004,
        periods_in_view=38.4,
        drift_percent_per_100mm=0.21 if scale_known else None,
        harmonics=((2, 0.61),),
        notes=("The stripe goes on through both plies.",),
    )
    x = texture.origin_mm[0] + np.arange(texture.log_reflectance.shape[1]) / texture.samples_per_mm
    keep = texture.weight.any(axis=0)
    mean = np.divide((texture.log_reflectance * texture.weight).sum(0), np.maximum(texture.weight.sum(0), 1))
    fitted = contrast_percent / 2 * np.cos(2 * np.pi * x * unit / period_mm)
    found = contrast_percent > 1.0
    frequency = np.linspace(0, 5, 2001)
    rng = np.random.default_rng(1)
    level = 0.2 + 1.2 / (1 + (frequency / 0.4) ** 2)
    spectrum = level * np.sqrt(-np.log(rng.uniform(0.05, 1, frequency.size)))
    spectrum += contrast_percent * np.abs(np.sinc((frequency - 1 / period_mm) * 80))
    depth = np.linspace(0.8, 1.2, 42)[None, :] * np.ones((32, 1))
    map_percent = contrast_percent * depth + np.random.default_rng(2).normal(0, 0.25, (32, 42))
    map_percent[_outside()] = np.nan
    return _make(
        StripeField,
        stripes=(stripe,) if found else (),
        frequency_per_mm=(frequency * unit).astype(np.float32),
        contrast_spectrum_percent=spectrum.astype(np.float32),
        threshold_percent=(2.6 * level).astype(np.float32),
        profile_x_mm=x[keep].astype(np.float32),
        profile_percent=(100 * mean[keep]).astype(np.float32),
        stripe_profile_percent=(fitted[keep] if found else 0 * fitted[keep]).astype(np.float32),
        detection_limit_percent=0.62,
        detection_limit_curve=((0.5 / unit, 1.1), (2.0 / unit, 0.62), (8.0 / unit, 0.9)),
        map_percent=np.abs(map_percent).astype(np.float32),
        map_step_mm=MAP_STEP_MM / unit,
        by_place=(_by_place(contrast_percent, unit),) if found else (),
    )


def _by_place(contrast_percent, unit) -> ContrastByPlace:
    """Contrast that rises along the scan axis as the map does, even across it, higher on dark ground."""

    def stretches(ends, factors):
        return tuple(
            Stretch(
                start=a,
                end=b,
                contrast_percent=contrast_percent * f,
                interval_percent=(contrast_percent * f - 0.3, contrast_percent * f + 0.3),
                share=1 / len(factors),
            )
            for a, b, f in zip(ends[:-1], ends[1:], factors, strict=True)
        )

    return _make(
        ContrastByPlace,
        along=stretches(np.linspace(0, 80 / unit, 9).tolist(), np.linspace(0.83, 1.17, 8).tolist()),
        across=stretches(np.linspace(0, 60 / unit, 7).tolist(), [1.0] * 6),
        by_level=stretches([0.85, 0.95, 1.0, 1.05, 1.2], [1.1, 1.05, 0.95, 0.9]),
        dark_minus_light_percent=0.2 * contrast_percent,
        dark_minus_light_interval_percent=(0.2 * contrast_percent - 0.5, 0.2 * contrast_percent + 0.5),
        uneven_probability=2e-4,
    )


def _outside():
    """Map cells outside the frame, under the cut-off corner, or under a line of letters."""
    rows, columns = np.mgrid[0:32, 0:42]
    x, y = columns * MAP_STEP_MM - MARGIN_MM, rows * MAP_STEP_MM - MARGIN_MM
    return (
        (x < 0)
        | (y < 0)
        | (x >= 80)
        | (y >= 60)
        | ((x > 68) & (y > 50))
        | ((abs(y - 12) < 3) & (abs(x - 26) < 16))
    )


def _grain(texture, scale_known) -> GrainField:
    unit = _unit(scale_known)
    waves = (
        3.1 + 1.6 * np.sin(np.mgrid[0:32, 0:42][0] / 5) + np.random.default_rng(4).normal(0, 0.3, (32, 42))
    )
    waves[_outside()] = np.nan
    return _make(
        GrainField,
        angle_deg=-17.2,
        angle_spread_deg=6.4,
        contrast_percent=5.13,
        contrast_interval_percent=(4.61, 5.72),
        spacing_mm=1.91 / unit,
        spacing_variation=0.342,
        directions=((-17.2, 0.81), (71.0, 0.12)),
        map_percent=np.abs(waves).astype(np.float32),
        map_angle_deg=np.full((32, 42), -17.2, np.float32),
        map_step_mm=MAP_STEP_MM / unit,
    )


def _decision(verdict) -> Decision:
    probability = {"mechanical": 0.996, "mixed": 0.97, "grain": 0.03, "clean": 0.02, "undecided": 0.48}[
        verdict
    ]
    sentence = {
        "mechanical": "A regular artefact: one stripe every 2.032 mm, square to the scan axis.",
        "mixed": "Both: a stripe every 2.032 mm, and grain at -17 deg.",
        "grain": "The marks are grain: their distances differ by 34 % and they lie at -17 deg.",
        "clean": "No stripe above 0.6 % and little grain.",
        "undecided": "Cannot tell: the piece shows only 5 periods. Engrave a longer piece.",
    }[verdict]
    sign = 1 if probability > 0.5 else -1
    return _make(
        Decision,
        verdict=verdict,
        probability_mechanical=probability,
        sentence=sentence,
        reasons=(
            Reason(
                term="equal spacing",
                words="The distances are equal within 0.1 % over 38 periods.",
                weight=4.1 * sign,
            ),
            Reason(
                term="square",
                words="The stripes stand square to the scan axis within 0.4 deg.",
                weight=2.2 * sign,
            ),
            Reason(
                term="harmonics",
                words="The second harmonic has 0.6 %, which rings show as well.",
                weight=-0.4 * sign,
            ),
        ),
        next_step={
            "mechanical": "Engrave it again at another speed: a spacing that stays is the drive's geometry.",
            "mixed": "Check the belt and its pulley for wear, then engrave the same piece again.",
            "grain": "Engrave on another board with a lighter cut that stays in the top layer.",
            "clean": "Keep this piece as the reference for later changes.",
            "undecided": "Photograph the piece again from straight above, at least 12 px per mm.",
        }[verdict],
        detection_limit_percent=0.62,
    )
