"""A line of the piece as a wave in the photo's own pixels, through the photo's perspective."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import apply_homography, distort
from analysis.places import demodulate
from analysis.plane import Bands
from analysis.rectify import Piece
from analysis.stripes import Stripe

__all__ = ["HELD_SHARE", "SeenLine", "in_photo", "piece_wave", "wave_in_photo"]

HELD_SHARE = 0.8          # of the line that the camera's own wave must hold: half a resolution cell apart is too far


def wave_in_photo(stripe: Stripe, piece: Piece) -> tuple[float, float]:
    """Spatial frequency of a stripe in the photo at the middle of the piece.

    Returns
    -------
    kx, ky : float
        Cycles per photo pixel along the photo's x and y.
    """
    return in_photo(piece_wave(stripe), piece)


def in_photo(wave, piece: Piece) -> tuple[float, float]:
    """The same of a wave on the piece, cycles per mm along x and y."""
    kx, ky = np.linalg.solve(_px_per_mm(piece).T, wave)
    return float(kx), float(ky)


def piece_wave(stripe: Stripe) -> NDArray[np.float64]:
    """Spatial frequency on the piece, cycles per mm along x and y."""
    a = np.radians(stripe.angle_deg)
    return np.array([np.cos(a), -np.sin(a)]) / stripe.period_mm


def _px_per_mm(piece: Piece) -> NDArray[np.float64]:
    """What 1 mm along the piece's x and y (columns) is in photo pixels, at its middle."""
    rows, columns = piece.reflectance.shape
    middle = np.asarray(piece.origin_mm) + np.array([columns, rows]) / 2 / piece.samples_per_mm
    ends = apply_homography(np.linalg.inv(piece.photo_to_piece),
                            middle + np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
    return np.stack([ends[0] - ends[1], ends[2] - ends[3]], axis=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenLine:
    """A line at coarse places of the piece, and where these lie in the photo: perspective bends the camera's waves."""

    sums: NDArray[np.complex128]           # (groups, segments) of the bands, the line's own wave taken off
    at_mm: NDArray[np.float64]             # (groups, segments, 2)
    at_px: NDArray[np.float64]             # (groups, segments, 2)
    wave: NDArray[np.float64]              # cycles per mm along x and y

    @classmethod
    def of(cls, stripe: Stripe, piece: Piece, bands: Bands) -> SeenLine:
        """Bands demodulated at the stripe."""
        wave = piece_wave(stripe)
        places = demodulate(bands, *wave)
        at_mm = np.stack(np.meshgrid(places.x_mm, places.y_mm), axis=-1)
        return cls(sums=places.sums, at_mm=at_mm, wave=wave,
                   at_px=distort(apply_homography(np.linalg.inv(piece.photo_to_piece), at_mm), piece.lens))

    def share(self, turns) -> float:
        """What a wave holds of the bands, over what the line holds; `turns` (groups, segments) have passed of it."""
        rest = turns - self.at_mm @ self.wave
        return float(abs(np.sum(self.sums * np.exp(-2j * np.pi * rest))) / max(abs(self.sums.sum()), 1e-30))

    def slope(self, values, axis) -> NDArray[np.float64]:
        """Change of values (groups, segments) per mm along x (0) or y (1)."""
        where = self.at_mm[0, :, 0] if axis == 0 else self.at_mm[:, 0, 1]
        return np.gradient(values, where, axis=1 - axis) if where.size > 1 else np.zeros_like(values)

    def in_step_with(self, axis) -> float | None:
        """Frequency, cycles per pixel, of a wave along one axis of the photo that the line may be; or None."""
        px = self.at_px[..., axis]
        along, across = (self.slope(px, k) for k in (0, 1))
        if np.abs(along).mean() < np.abs(across).mean():
            return None
        cell = 1.0 / max(np.ptp(px), 1.0)
        local = self.wave[0] / along
        tried = np.arange(local.min() - cell, local.max() + cell, 0.25 * cell)
        shares = [self.share(f * px) for f in tried]
        return float(abs(tried[np.argmax(shares)])) if max(shares) > HELD_SHARE else None
