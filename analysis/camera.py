"""Regular marks that the camera makes, judged in the photo's own pixels.

What turns with the piece is in the piece; what stays with the photo's rows and
columns at a spacing that the file format or the sensor makes is not.
"""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.stripes import Stripe, StripeField

__all__ = ["blur_transfer", "camera_cause", "wave_in_photo", "without_camera_lines"]

AXIS_TOLERANCE_DEG = 0.6   # how well a stripe must follow the photo's columns to be laid to the blocks
BLOCK_TOLERANCE = 0.008    # relative; a real stripe falls in by chance about once in a hundred
ORDERS = (1, 2, 4)         # a block edge prints these harmonics of its spacing
BEYOND = 0.06              # the ground beyond the frame begins this share of the piece's width outside it
BEYOND_SHARE = 0.5         # of the stripe's contrast that must go on there
BEYOND_POWER = 14.0        # its power over that at frequencies beside it; noise reaches it once in 100,000 looks


def wave_in_photo(stripe: Stripe, piece: Piece) -> tuple[float, float]:
    """Spatial frequency of a stripe in the photo at the middle of the piece.

    Returns
    -------
    kx, ky : float
        Cycles per photo pixel along the photo's x and y.
    """
    to_photo = np.linalg.inv(piece.photo_to_piece)
    rows, columns = piece.reflectance.shape
    middle = np.array([piece.origin_mm[0] + columns / 2 / piece.samples_per_mm,
                       piece.origin_mm[1] + rows / 2 / piece.samples_per_mm])

    def photo_point(point):
        u, v, w = to_photo @ np.array([point[0], point[1], 1.0])
        return np.array([u / w, v / w])
    jacobian = np.stack([photo_point(middle + step) - photo_point(middle - step)
                         for step in (np.array([0.5, 0.0]), np.array([0.0, 0.5]))], axis=1)
    a = np.radians(stripe.angle_deg)
    wave = np.array([np.cos(a), -np.sin(a)]) / stripe.period_mm
    kx, ky = np.linalg.solve(jacobian.T, wave)
    return float(kx), float(ky)


def blur_transfer(stripe: Stripe, piece: Piece, photo: Photo) -> float:
    """Share of a stripe's contrast that the photo's blur lets through, as far as its edges tell.

    A Gaussian blur of s.d. s passes exp(-2 pi^2 s^2 k^2) at k cycles per pixel (its Fourier
    transform); 1 where the photo has too few edges to tell its blur. Charred edges are soft by
    themselves, so the blur is rather over- than underrated.
    """
    if photo.blur_px is None:
        return 1.0
    k = np.hypot(*wave_in_photo(stripe, piece))
    return float(np.exp(-2.0 * np.pi ** 2 * photo.blur_px ** 2 * k ** 2))


def without_camera_lines(field: StripeField, piece: Piece, photo: Photo
                         ) -> tuple[StripeField, str | None, tuple[str, ...]]:
    """Leave out called lines that the camera could have made, as long as another line is called beside them.

    Returns
    -------
    field : StripeField
    cause : str or None
        What in the camera could make the first candidate, where nothing else is called.
    warnings : tuple of str
        One sentence for each line that was left out.
    """
    count = len(field.stripes)
    causes = [camera_cause(c.stripe, piece, photo) for c in field.candidates[: max(count, 1)]]
    if count == 0 or None not in causes:
        return field, causes[0] if causes else None, ()
    kept = [k for k, cause in enumerate(causes) if cause is None]
    unit = "mm" if piece.scale_known else "px"
    told = tuple(f"A line every {s.period_mm:.3f} {unit} ({s.contrast_percent:.1f} %) was left out: {cause}."
                 for s, cause in zip(field.stripes, causes, strict=True) if cause is not None)
    stripes, places, found = (tuple(a[k] for k in kept) for a in (field.stripes, field.by_place, field.candidates))
    return replace(field, stripes=stripes, by_place=places, candidates=found + field.candidates[count:]), None, told


def camera_cause(stripe: Stripe, piece: Piece, photo: Photo) -> str | None:
    """Say which cause in the camera could make this stripe, or None.

    Returns
    -------
    str or None
        A clause for the reader: what it is and the figure that points to it.
    """
    kx, ky = wave_in_photo(stripe, piece)
    along, other = max(abs(kx), abs(ky)), min(abs(kx), abs(ky))
    if np.degrees(np.arctan2(other, along)) > AXIS_TOLERANCE_DEG:
        return None
    if _goes_on_beyond(stripe, piece, photo, along, rows=abs(ky) > abs(kx)):
        lines = "rows" if abs(ky) > abs(kx) else "columns"
        return (f"it follows the photo's own {lines} and goes on beyond the frame, so it is not engraved "
                "(a flickering lamp makes such bands)")
    for block in {8, photo.block_px} if photo.block_px > 0 else ():
        for order in ORDERS:
            if abs(along * block / order - 1.0) < BLOCK_TOLERANCE:
                return (f"its spacing in the photo is {1 / along:.2f} pixels, which the file's compression makes "
                        f"in blocks of {block} pixels")
    return None


def _goes_on_beyond(stripe: Stripe, piece: Piece, photo: Photo, frequency: float, *, rows: bool) -> bool:
    """Whether stripes along the photo's rows (or columns) are there on the ground beyond the frame too.

    A lamp that flickers while the sensor reads its rows one after the other puts bands over the whole photo.
    """
    if piece.corners_px is None:
        return False
    middle = piece.corners_px.mean(axis=0)
    hull = (middle + (1.0 + 2.0 * BEYOND) * (piece.corners_px - middle)).round().astype(np.int32)
    outside = np.ones(photo.luminance.shape, np.uint8)
    cv2.fillConvexPoly(outside, cv2.convexHull(hull), 0)
    level = np.log(np.maximum(photo.luminance, 1e-3)) * outside
    weight = outside.astype(np.float32)
    profile, count = (array.sum(axis=1 if rows else 0, dtype=np.float64) for array in (level, weight))
    if (count > 0.03 * outside.shape[1 if rows else 0]).sum() < 6.0 / frequency:
        return False
    # The mean over a part of each row that differs from row to row jumps with the ground; a period's mean is taken off.
    mean = np.divide(profile, count, out=np.zeros_like(profile), where=count > 0)
    size = 2 * round(0.5 / frequency) + 1
    smooth = [np.convolve(a, np.ones(size) / size, mode="same") for a in (mean * (count > 0), count > 0)]
    rest = (mean - smooth[0] / np.maximum(smooth[1], 1e-9)) * (count > 0)
    used = np.sqrt(count / max(count.max(), 1.0))
    cell = 1.0 / rest.size
    at = frequency + cell * np.arange(-12, 13, 0.5)
    sums = np.exp(-2j * np.pi * np.outer(at, np.arange(rest.size))) @ (used * rest)
    power, near = np.abs(sums) ** 2, np.abs(at - frequency) <= 2.0 * cell
    strength = 2.0 * np.sqrt(power[near].max()) / used.sum()
    return bool(power[near].max() > BEYOND_POWER * power[~near].mean()
                and strength > BEYOND_SHARE * stripe.contrast_percent / 200.0)
