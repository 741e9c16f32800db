"""What is drawn of a result: pictures, maps and curves at the size of a screen or a page.

A `View` holds all that page and sheet draw of one photo, small enough to be
saved beside the report, so that an old comparison is drawn as it was. Pictures
are upright: row 0 is the top (y = smallest), column 0 the left. Extents are
(left, right, top, bottom) in mm of the piece, at the edges of the outer
samples; in photo px where no scale is known.

Both pictures of a pair pass the same tone curve: each photo's exposure is set
so that the background's median reflectance is the same grey, then one raising of
contrast serves both (artwork may run into black). A stripe that looks weaker is weaker.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.ranks import median, percentile

if TYPE_CHECKING:
    from analysis.pipeline import Comparison, Inspection, Judgement

__all__ = ["Extent", "View", "Views", "elsewhere", "make_views", "map_top"]

Extent = tuple[float, float, float, float]

SAME_PERIOD = 0.01                         # relative: nearer spacings are one
LONGEST_PX = 1200                          # of a picture; 300 dpi over 100 mm of paper
THUMBNAIL_PX = 480
MOST_POINTS = 900                          # of a curve, as many as a screen or a page can show
MID_GREY = 0.36                            # linear light given to the background's median: near pale wood
BACKGROUND = 140                           # of 255: grey of that median on screen and paper
LEAST_REACH = 0.03                         # coded levels; a smooth board is not blown up to its camera noise
TOPS = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 75.0, 100.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One photo's pictures and curves."""

    name: str                              # "BEFORE", "AFTER", "PHOTO"
    unit: str                              # "mm" or "px"
    picture: NDArray[np.uint8]             # (h, w) grey sRGB of the rectified piece
    texture: NDArray[np.uint8]             # (h, w) what was analysed, contrast raised; 0 = left out
    valid: NDArray[np.bool_]               # (h, w) the piece
    thumbnail: NDArray[np.uint8]           # (h, w, 3) sRGB of the photo itself, upright
    extent: Extent
    stripe_map_percent: NDArray[np.float32]    # (r, c), NaN where no data
    stripe_extent: Extent
    grain_map_percent: NDArray[np.float32]     # (r, c), NaN where no data
    grain_extent: Extent
    profile_x: NDArray[np.float32]         # (m,) along the scan axis
    profile_percent: NDArray[np.float32]   # (m,)
    fitted_percent: NDArray[np.float32]    # (m,) the stripes that were found
    spectrum_period: NDArray[np.float32]   # (n,) rising
    spectrum_percent: NDArray[np.float32]  # (n,)
    threshold_percent: NDArray[np.float32]     # (n,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Views:
    """Views of a result."""

    photos: tuple[View, ...]               # BEFORE and AFTER, or PHOTO
    aligned: bool                          # both pictures lie on the same grid
    map_top_percent: float                 # upper end of the one colour scale of all maps
    misfits_px: NDArray[np.float32] | None = None    # (n, 4) x, y, dx, dy in BEFORE photo px


def make_views(result: Comparison | Inspection) -> Views:
    """Shrink a result to what is drawn.

    Parameters
    ----------
    result : Comparison or Inspection

    Returns
    -------
    Views
        Arrays are read-only.
    """
    if hasattr(result, "photo"):
        judged, aligned, misfits = [("PHOTO", result.photo)], True, None
    else:
        judged, aligned = [("BEFORE", result.before), ("AFTER", result.after)], bool(result.alignment.ok)
        misfits = result.alignment.misfits_px
    exposures = [_exposure(one) for _, one in judged]
    reach = max(LEAST_REACH, 1.35 * max(reach for _, reach in exposures))
    raise_by = _texture_range([one for _, one in judged])
    photos = tuple(_view(name, one, (gain, reach), raise_by)
                   for (name, one), (gain, _) in zip(judged, exposures, strict=True))
    return Views(photos=photos, aligned=aligned and _same_grid(photos), map_top_percent=map_top(photos),
                 misfits_px=None if misfits is None or not len(misfits)
                 else _frozen(np.asarray(misfits, np.float32).reshape(-1, 4)))


def elsewhere(photos: list[dict[str, Any]], index: int, unit: str) -> tuple[float, ...]:
    """Periods that only the other photo of a report shows, so that one sees what stands there in this one."""
    mine = [stripe[f"period_{unit}"] for stripe in photos[index]["stripes"]]
    return tuple(stripe[f"period_{unit}"] for i, photo in enumerate(photos) if i != index
                 for stripe in photo["stripes"]
                 if all(abs(stripe[f"period_{unit}"] / period - 1) > SAME_PERIOD for period in mine))


def map_top(photos: tuple[View, ...]) -> float:
    """Upper end of the shared colour scale: a round number that all but 2 % of the cells stay under."""
    values = np.concatenate([m[np.isfinite(m)] for v in photos
                             for m in (v.stripe_map_percent, v.grain_map_percent)] or [np.zeros(0)])
    reach = float(np.percentile(values, 98)) if values.size else 0.0
    return next((top for top in TOPS if reach <= top), TOPS[-1])


def _view(name: str, judged: Judgement, tone: tuple[np.float32, float], raise_by: float) -> View:
    piece, texture, stripes, grain = judged.piece, judged.texture, judged.stripes, judged.grain
    rows, columns = piece.reflectance.shape
    picture = _picture(piece, *tone)
    size = picture.shape[::-1]
    valid = cv2.resize(piece.valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST).astype(bool)
    period, contrast, threshold = _spectrum(stripes)
    x, profile, fitted = _profile(stripes)
    step = 1.0 / piece.samples_per_mm
    return View(
        name=name, unit="mm" if piece.scale_known else "px", picture=_frozen(picture),
        texture=_frozen(_texture(texture, size, raise_by)), valid=_frozen(valid),
        thumbnail=_frozen(_thumbnail(judged.photo.preview)),
        extent=_extent(piece.origin_mm, columns * step, rows * step, step / 2),
        stripe_map_percent=_frozen(np.asarray(stripes.map_percent, np.float32)),
        stripe_extent=_map_extent(texture, stripes.map_percent, stripes.map_step_mm),
        grain_map_percent=_frozen(np.asarray(grain.map_percent, np.float32)),
        grain_extent=_map_extent(texture, grain.map_percent, grain.map_step_mm),
        profile_x=x, profile_percent=profile, fitted_percent=fitted,
        spectrum_period=period, spectrum_percent=contrast, threshold_percent=threshold)


def _extent(origin, width, height, half_step) -> Extent:
    left, top = origin[0] - half_step, origin[1] - half_step
    return (float(left), float(left + width), float(top), float(top + height))


def _map_extent(texture, cells, step) -> Extent:
    """Extent of a coarse map whose cell [0, 0] starts at the texture's origin."""
    rows, columns = cells.shape
    return _extent(texture.origin_mm, columns * step, rows * step, 0.5 / texture.samples_per_mm)


def _same_grid(photos: tuple[View, ...]) -> bool:
    return len({(view.picture.shape, view.extent) for view in photos}) == 1


# ---- pictures ----------------------------------------------------------------------------------------

def _coded(linear: NDArray[np.float32]) -> NDArray[np.float32]:
    """Code linear light by the sRGB tone curve (IEC 61966-2-1)."""
    linear = np.clip(linear, 0, 1)
    high = 1.055 * linear ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, 12.92 * linear, high).astype(np.float32)


def _exposure(judged: Judgement) -> tuple[np.float32, float]:
    """Gain that gives the background's median the same grey, and how far its levels then reach from it."""
    reflectance, weight = judged.piece.reflectance, judged.texture.weight
    step = max(1, round((weight.size / 80_000) ** 0.5))
    reflectance, where = reflectance[::step, ::step], weight[::step, ::step] > 0
    sample = reflectance[where if where.any() else judged.piece.valid[::step, ::step]]
    if not sample.size:
        return np.float32(1), LEAST_REACH
    gain = np.float32(MID_GREY / max(float(median(sample)), 1e-4))
    ends = percentile(_coded(sample * gain), (0.5, 99.5)) - _coded(np.float32(MID_GREY))
    return gain, float(np.abs(ends).max())


def _shrunk(size: tuple[int, int], longest: int = LONGEST_PX) -> tuple[int, int]:
    share = min(1.0, longest / max(size))
    return max(1, round(size[0] * share)), max(1, round(size[1] * share))


def _picture(piece, gain: np.float32, reach: float) -> NDArray[np.uint8]:
    """Rectified piece: coded levels about the background's grey, contrast raised alike in all pictures."""
    size = _shrunk(piece.reflectance.shape[::-1])
    small = cv2.resize(piece.reflectance, size, interpolation=cv2.INTER_AREA)
    level = _coded(small * gain) - _coded(np.float32(MID_GREY))
    return np.clip(BACKGROUND + BACKGROUND * level / reach + 0.5, 0, 255).astype(np.uint8)


def _thumbnail(preview) -> NDArray[np.uint8]:
    """Small copy of the photo; carries no metadata."""
    return cv2.resize(preview, _shrunk(preview.shape[1::-1], THUMBNAIL_PX), interpolation=cv2.INTER_AREA)


def _texture_range(judged: list[Judgement]) -> float:
    """Log reflectance that is drawn white; the same for all textures."""
    samples = [np.abs(one.texture.log_reflectance[::3, ::3][one.texture.weight[::3, ::3] > 0]) for one in judged]
    spreads = [float(percentile(sample, 98)) for sample in samples if sample.size]
    return max([0.02, *spreads])


def _texture(texture, size, top: float) -> NDArray[np.uint8]:
    """Log reflectance without trend, 1 to 255 about grey; 0 where nothing was analysed."""
    used = (texture.weight > 0).astype(np.float32)
    share = cv2.resize(used, size, interpolation=cv2.INTER_AREA)
    value = cv2.resize(texture.log_reflectance * used, size, interpolation=cv2.INTER_AREA)
    value = value / np.maximum(share, 1e-6)
    level = np.clip(128 + 127 * value / top, 1, 255).astype(np.uint8)
    return np.where(share > 0.5, level, np.uint8(0))


# ---- curves ------------------------------------------------------------------------------------------

def _profile(stripes):
    """Profile and fit at no more points than can be drawn, as means of equal runs."""
    x, y, fit = (np.asarray(a, np.float32) for a in (stripes.profile_x_mm, stripes.profile_percent,
                                                      stripes.stripe_profile_percent))
    if not len(x):
        return tuple(_frozen(np.array(a, np.float32)) for a in ((0.0, 1.0), (0.0, 0.0), (0.0, 0.0)))
    if not stripes.stripes:                            # a line that the camera made is fitted too, yet no stripe
        fit = np.zeros_like(fit)
    used = np.flatnonzero((y != 0) | (fit != 0))       # beyond the analysed part the profile is exactly 0
    if used.size:
        x, y, fit = (a[used[0]: used[-1] + 1] for a in (x, y, fit))
    run = max(1, -(-len(x) // (3 * MOST_POINTS)))
    whole = len(x) // run * run
    return tuple(_frozen(a[:whole].reshape(-1, run).mean(axis=1)) for a in (x, y, fit))


def _spectrum(stripes):
    """Spectrum over period, with the highest of every group of lines kept, so that no peak is lost."""
    frequency = np.asarray(stripes.frequency_per_mm, np.float64)
    good = (frequency > 0) & np.isfinite(stripes.contrast_spectrum_percent)
    if not good.any():                     # nothing was searched: an empty axis, not a fault
        return tuple(_frozen(np.array(a, np.float32)) for a in ((1.0, 10.0), (0.0, 0.0), (np.nan, np.nan)))
    f, c, t = (np.asarray(a)[good] for a in (frequency, stripes.contrast_spectrum_percent,
                                             stripes.threshold_percent))
    if len(f) > MOST_POINTS:
        group = np.floor(np.interp(np.log(f), (np.log(f[0]), np.log(f[-1])), (0, MOST_POINTS - 1e-6)))
        starts = np.flatnonzero(np.diff(group, prepend=-1.0))
        ends = np.append(starts[1:], len(f))
        peak = np.array([a + int(np.argmax(c[a:b])) for a, b in zip(starts, ends, strict=True)])
        f, c, t = f[peak], c[peak], t[peak]
    return tuple(_frozen(np.ascontiguousarray(a[::-1], dtype=np.float32)) for a in (1.0 / f, c, t))


def _frozen(array: Any) -> Any:
    array.setflags(write=False)
    return array
