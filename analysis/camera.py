"""Regular marks that the camera makes, judged in the photo's own pixels.

What turns with the piece is in the piece; what stays with the photo's rows and
columns at a spacing that the file format or the sensor makes is not.
"""
from __future__ import annotations

import numpy as np

from analysis.photo import Photo
from analysis.rectify import Piece
from analysis.stripes import Stripe

__all__ = ["blur_transfer", "camera_cause", "wave_in_photo"]

AXIS_TOLERANCE_DEG = 0.6   # how well a stripe must follow the photo's columns to be laid to the blocks
BLOCK_TOLERANCE = 0.008    # relative; a real stripe falls in by chance about once in a hundred
ORDERS = (1, 2, 4)         # a block edge prints these harmonics of its spacing


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


def camera_cause(stripe: Stripe, piece: Piece, photo: Photo) -> str | None:
    """Say which cause in the camera could make this stripe, or None.

    Returns
    -------
    str or None
        A clause for the reader: what it is and the figure that points to it.
    """
    if photo.block_px <= 0:
        return None
    kx, ky = wave_in_photo(stripe, piece)
    along, other = max(abs(kx), abs(ky)), min(abs(kx), abs(ky))
    if np.degrees(np.arctan2(other, along)) > AXIS_TOLERANCE_DEG:
        return None
    for block in {8, photo.block_px}:
        for order in ORDERS:
            if abs(along * block / order - 1.0) < BLOCK_TOLERANCE:
                return (f"its spacing in the photo is {1 / along:.2f} pixels, which the file's compression makes "
                        f"in blocks of {block} pixels")
    return None
