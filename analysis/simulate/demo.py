"""The demo photos: a workshop that engraves seed-box labels tries its test panel before and after a mend."""
from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path

from analysis.simulate.camera import Shot, encode, photograph
from analysis.simulate.spec import CameraSpec, GrainSpec, PieceSpec, StripeSpec

__all__ = ["demo_shots", "write_demo"]

BELT_PITCH = StripeSpec(period_mm=2.032, contrast_percent=5.2, angle_deg=0.12, phase_rad=0.8,
                        harmonics=((2, 0.25), (3, 0.08)))
CROSSED = (GrainSpec(kind="crossed", contrast_percent=20.0, angle_deg=6.0, spacing_mm=1.6, slope=1.1,
                     elongation=12.0, coverage=0.3, count=2),
           GrainSpec(kind="plain", contrast_percent=6.0, angle_deg=5.0, spacing_mm=0.5, slope=0.8,
                     elongation=10.0),
           GrainSpec(kind="pores", contrast_percent=4.0, angle_deg=5.0, elongation=14.0))
RINGS = (GrainSpec(kind="rings", contrast_percent=15.0, angle_deg=88.3, spacing_mm=2.1,
                   spacing_variation=0.27, autoregression=0.3, latewood_fraction=0.35, waviness_mm=0.5),
         GrainSpec(kind="plain", contrast_percent=6.0, angle_deg=88.0, spacing_mm=0.6, slope=0.9,
                   elongation=14.0))
PANEL = PieceSpec(artwork=("frame", "text", "shapes"), ground_reflectance=0.13, raw_reflectance=0.55,
                  smoke=0.28, frame_reflectance=0.035, artwork_reflectance=0.035, row_interval_mm=0.1,
                  row_contrast_percent=5.0)
PHONE = CameraSpec(px_per_mm=15.6, blur_px=0.8, exposure=1.35, sharpen=0.4, full_well_electrons=4000.0,
                   jpeg_quality=88)

NOTE = ("Simulated photos, no real piece. corners_px: outer corners of the frame in the order "
        "(0,0), (W,0), (W,H), (0,H), in pixels from the centre of the top-left one.")


def demo_shots() -> dict[str, Shot]:
    """Photograph the six pieces; by file name without ending."""
    labels = replace(PANEL, grains=CROSSED, artwork_seed=54)
    rings = replace(PANEL, grains=RINGS, artwork_seed=40, ground_reflectance=0.17, raw_reflectance=0.5)
    shallow = (CROSSED[1], CROSSED[2], replace(CROSSED[0], coverage=0.12))
    smaller = replace(PANEL, grains=shallow, artwork_seed=30, ground_reflectance=0.16)
    ripple = replace(BELT_PITCH, contrast_percent=7.0, phase_rad=-1.1, angle_deg=-0.1)
    plan = {
        "cured_before": (replace(labels, board_seed=5, stripes=(BELT_PITCH,)),
                         replace(PHONE, tilt_deg=7.0, turn_deg=3.5, bench="wood", clutter_seed=12,
                                 light_gradient=0.45, light_azimuth_deg=140.0)),
        "cured_after": (replace(labels, board_seed=6, margin_mm=(8.0, 10.0, 9.0, 8.0), depth_ramp=0.1),
                        replace(PHONE, tilt_deg=9.0, tilt_azimuth_deg=200.0, turn_deg=-5.0, bench="wood",
                                clutter_seed=25, px_per_mm=14.9, light_azimuth_deg=110.0, warmth=0.03)),
        "grain_before": (replace(rings, board_seed=21),
                         replace(PHONE, tilt_deg=5.0, tilt_azimuth_deg=100.0, turn_deg=-2.5, bench="mat",
                                 clutter_seed=31)),
        "grain_after": (replace(rings, board_seed=22, margin_mm=(10.0, 9.0, 8.0, 9.0), smoke=0.35),
                        replace(PHONE, tilt_deg=11.0, tilt_azimuth_deg=320.0, turn_deg=4.0, bench="mat",
                                clutter_seed=36, px_per_mm=15.0, light_azimuth_deg=60.0, warmth=-0.03)),
        "smaller_before": (replace(smaller, board_seed=41, stripes=(ripple,)),
                           replace(PHONE, tilt_deg=8.0, tilt_azimuth_deg=260.0, turn_deg=1.5, bench="dark",
                                   clutter_seed=44)),
        "smaller_after": (replace(smaller, board_seed=42, stripes=(replace(ripple, contrast_percent=2.8),)),
                          replace(PHONE, tilt_deg=4.0, tilt_azimuth_deg=20.0, turn_deg=-3.0, bench="dark",
                                  clutter_seed=47, px_per_mm=14.6, light_gradient=0.4, exposure=1.3)),
    }
    return {name: photograph(*pair, seed) for seed, (name, pair) in enumerate(plan.items())}


def write_demo(folder: str | Path) -> list[Path]:
    """Write the demo photos as JPEG and their truth as `truth.json` into `folder`."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    expected = {"cured": ("mixed", "grain", "removed"),
                "grain": ("grain", "grain", "nothing to compare"),
                "smaller": ("mixed", "mixed", "reduced")}
    shots, written, pairs = demo_shots(), [], {}
    for name, shot in shots.items():
        path = folder / f"{name}.jpg"
        path.write_bytes(encode(shot))
        written.append(path)
    for pair, (before, after, change) in expected.items():
        pairs[pair] = {"frame": "80x60", "change": change,
                       "before": _truth(f"{pair}_before", shots, before),
                       "after": _truth(f"{pair}_after", shots, after)}
    truth = folder / "truth.json"
    truth.write_text(json.dumps({"made_by": "python -m analysis.simulate demo_images",
                                 "note": NOTE,
                                 "pairs": pairs}, indent=1) + "\n")
    return [*written, truth]


def _truth(name, shots, verdict) -> dict:
    shot = shots[name]
    return {"file": f"{name}.jpg", "verdict": verdict,
            "corners_px": [[round(float(v), 2) for v in corner] for corner in shot.corners_px],
            "stripes": [asdict(stripe) for stripe in shot.piece.stripes],
            "grains": [{"kind": g.kind, "contrast_percent": g.contrast_percent, "angle_deg": g.angle_deg,
                        "spacing_mm": g.spacing_mm} for g in shot.piece.grains]}
