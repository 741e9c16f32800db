"""What is to be simulated: stripes, grain, pieces and cameras, in plain numbers.

Piece coordinates are mm: x along the scan axis, y across it and DOWN, (0, 0)
the frame's first outer corner. Angles are degrees anticlockwise as the upright
piece is seen, so a normal at angle a points to (cos a, -sin a).
"""
from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CameraSpec", "GrainSpec", "PieceSpec", "StripeSpec"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripeSpec:
    """One regular artefact: reflectance times 1 + contrast/200 cos(2 pi f.r + phase), and harmonics."""

    period_mm: float                       # at the piece's centre where it drifts
    contrast_percent: float                # peak to peak of the fundamental / mean reflectance
    angle_deg: float = 0.0                 # of the normal from the scan axis
    phase_rad: float = 0.0                 # at (0, 0)
    drift_percent_per_100mm: float = 0.0   # the period grows by this along the normal
    harmonics: tuple[tuple[int, float], ...] = ((2, 0.2),)   # (order, amplitude relative to the fundamental)


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainSpec:
    """One component of the material's texture; several are added in log reflectance."""

    kind: str = "plain"
    contrast_percent: float = 6.0          # 2 sqrt 2 x rms of log reflectance x 100
    angle_deg: float = 0.0                 # of the grain lines from the scan axis
    spacing_mm: float = 2.0                # rings: mean width; plain: width of the widest fibres
    spacing_variation: float = 0.25        # rings: coefficient of variation of the width
    autoregression: float = 0.4            # rings: lag-1 correlation of log width
    latewood_fraction: float = 0.3         # rings: share of a ring that darkens
    sharpness_mm: float = 0.08             # rings: blur of the latewood's edge
    waviness_mm: float = 0.5               # rings: r.m.s. displacement of the lines, slow
    slope: float = 1.2                     # plain: spectral density falls as frequency ** -slope
    elongation: float = 12.0               # plain, pores: length of a fibre over its width
    unevenness: float = 0.3                # log s.d. of the local contrast: not stationary
    coverage: float = 0.35                 # crossed: share of the area broken through to the lower ply
    count: int = 2                         # knots; resin blotches of `crossed`


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceSpec:
    """An engraved test piece on its board."""

    width_mm: float = 80.0                 # frame, outer edge to outer edge, along the scan axis
    height_mm: float = 60.0
    stripes: tuple[StripeSpec, ...] = ()
    grains: tuple[GrainSpec, ...] = (GrainSpec(),)
    artwork: tuple[str, ...] = ("frame", "text", "shapes", "steps")
    artwork_seed: int = 1
    board_seed: int = 1
    frame_width_mm: float = 0.8
    frame_reflectance: float = 0.05
    frame_gaps: int = 0                    # places where the line is missing or worn
    soot_spots: int = 0                    # dark stains, some over the frame
    margin_mm: tuple[float, float, float, float] = (9.0, 8.0, 10.0, 9.0)   # left, top, right, bottom
    ground_reflectance: float = 0.20       # inside the frame; near `raw_reflectance`: not engraved
    raw_reflectance: float = 0.52
    depth_ramp: float = 0.15               # log change of the ground from left to right edge
    smoke: float = 0.2                     # log darkening by smoke, slow
    row_interval_mm: float = 0.1           # engraved rows; contrast 0 leaves them out
    row_contrast_percent: float = 0.0
    planer_period_mm: float = 1.8          # planer-knife marks: regular, but not the engraver's
    planer_contrast_percent: float = 0.0
    planer_angle_deg: float = 35.0
    grain_scale_raw: float = 0.45          # raw wood shows this much of the engraved upper ply's texture
    artwork_reflectance: float = 0.055     # dark strokes
    ragged_mm: float = 0.015               # r.m.s. raggedness of a stroke's edge
    scorch: float = 0.25                   # log darkening of the ground beside a stroke
    thickness_mm: float = 4.0              # three plies show at the board's side


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraSpec:
    """A phone above the bench."""

    size_px: tuple[int, int] = (2000, 1500)
    px_per_mm: float = 16.0                # at the centre of the piece
    tilt_deg: float = 5.0
    tilt_azimuth_deg: float = 30.0         # direction the camera leans to, in the picture
    turn_deg: float = 0.0                  # of the piece, anticlockwise in the picture
    offset_px: tuple[float, float] = (0.0, 0.0)     # of the piece's centre from the photo's
    focal_fraction: float = 0.75           # focal length / longer side; about a 27 mm equivalent lens
    k1: float = 0.0                        # undistorted = centre + r (1 + k1 r^2 / R^2), R half the diagonal
    blur_px: float = 0.7                   # Gaussian s.d. of the lens and focus
    exposure: float = 1.3                  # linear value of a white board at full light
    full_well_electrons: float = 5000.0    # at linear value 1; 0: no noise
    read_electrons: float = 4.0
    bayer: bool = False                    # one colour a pixel, the others interpolated
    sharpen: float = 0.0                   # unsharp amount of the phone's processing
    vignetting: float = 0.25               # loss of light at the corners
    light_gradient: float = 0.3            # relative, over the picture's width
    light_azimuth_deg: float = 140.0
    glare: float = 0.0                     # added linear light at the middle of a soft spot
    glare_at: tuple[float, float] = (0.7, 0.3)      # share of width, height
    shadow: float = 0.0                    # share of light that the phone's shadow takes from a part
    shadow_deg: float = 60.0               # direction of the shadow's edge
    flicker: float = 0.0                   # peak to peak along sensor rows
    flicker_rows: float = 750.0
    warmth: float = 0.0                    # white balance: positive is warmer
    bench: str = "dark"                    # "dark", "bright", "wood", "mat"
    clutter_seed: int | None = 3           # None: empty bench
    jpeg_quality: int = 90
