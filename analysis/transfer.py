"""What share of a stripe's contrast a photo lets through: blur, slant, and light that the ground does not reflect."""
from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.flatten import glare_share
from analysis.line import Line
from analysis.photo import Photo
from analysis.photo_waves import in_photo, wave_in_photo
from analysis.ranks import median, percentile
from analysis.rectify import Piece
from analysis.stripes import Stripe, StripeField

__all__ = ["PHOTO_TRANSFER_SD", "blur_transfer", "highest_contrast", "likely_blur_mm", "slant_transfer",
           "transfer_between", "with_transfer"]

# Veiling glare, sharpening, tone curves and compression change contrast from photo to photo: of one photo beyond what
# its interval allows for blur and light, as the contrasts of 92 stripes by three renderers scatter (noise aside); of
# each photo of a pair, as the ratios of 84 pairs scatter
PHOTO_TRANSFER_SD, RATIO_TRANSFER_SD = 0.035, 0.08
# Of the blur that edges state, in the logarithm of what it lets through: what is there on average (84 pairs), and how
# far single photos lie from that (16 photos by another renderer, whose blur is known)
BLUR_SHARE, BLUR_SHARE_SD = 1 / 3, 0.23
# Of what a photo's blur less its sharpening adds to the variance of an edge, px^2, whatever its edges state: their
# overshoot steepens them, char softens them. Phones halve a contrast at 0.15 to 0.35 cycles a pixel (0.3 to 1.5 px^2,
# s.d. 0.36), and sharpening of 0 to 1 at a radius of 1 px takes off 0 to 1 px^2 (s.d. 0.3); from memory
CAMERA_SD_PX2 = 0.5
GLARE_TOLD = 0.1           # share of the contrast from which a bright spot is worth a word; common practice, no source
VEIL = 0.01                # of the photo's mean light, scattered over it by a clean small lens; from memory
LEAST_LET_THROUGH = 0.4                    # a softer photo is past correcting: its edges tell the blur to a fifth
LEAST_SEEN = 0.1           # of a stripe's contrast, the least that a photo which shows it is taken to let through
FANS = np.linspace(-1.5, 1.5, 61)      # turns at the corners: 5 degrees of slant fan stripes of 1 mm out by 0.7
FAN_GAIN = 18.0            # over the noise power of a place's amplitude, which has mean 2: 1 in 10,000 by chance


def with_transfer(field: StripeField, piece: Piece, photo: Photo, glare: float) -> StripeField:
    """Let each contrast's interval reach up to what the piece would have if blur, slant and light ate all they may.

    `glare` is the share of the ground's light that is a lamp's own reflection.
    """
    light = (1.0 - glare) * (1.0 - _veil(piece, photo))
    spot = () if glare < GLARE_TOLD else (
        f"A bright spot on the ground may be a lamp's reflection, which hides up to {100 * glare:.0f} % of the "
        "contrast. Photograph again with the light from the side.",)

    def reach(candidate):
        low, high = candidate.stripe.contrast_interval_percent
        let_through = max(blur_transfer(candidate.stripe, piece, photo), LEAST_SEEN)
        slanted = slant_transfer(candidate.line) if piece.corners_px is None else 1.0
        notes = candidate.stripe.notes + spot
        if let_through < 0.9:
            hidden = 100 * (1 - let_through)
            notes += (f"The photo's blur may hide up to {hidden:.0f} % of so fine a stripe's contrast.",)
        most = highest_contrast(candidate.stripe.contrast_percent, high, let_through * slanted * light)
        return replace(candidate, stripe=replace(candidate.stripe, notes=notes, contrast_interval_percent=(low, most)))
    found = tuple(reach(c) for c in field.candidates)
    return replace(field, candidates=found, stripes=tuple(c.stripe for c in found[: len(field.stripes)]))


def highest_contrast(contrast_percent: float, high_percent: float, least_share: float) -> float:
    """Upper end of a contrast's interval where the photo may hide some of it.

    What the photo lets through lies anywhere between all of it and `least_share`, evenly in its logarithm (25 stripes
    by a renderer that blurs, sharpens and bends tones); that and the measurement's own doubt add as independent errors.
    """
    if contrast_percent <= 0:
        return high_percent / least_share
    half = -0.5 * np.log(least_share)
    return float(contrast_percent * np.exp(half + np.hypot(half, np.log(high_percent / contrast_percent))))


def _veil(piece: Piece, photo: Photo) -> float:
    """Share of the ground's light that may be stray light; it cannot be more than the photo's darkest part."""
    ground = float(median(piece.reflectance[::7][piece.valid[::7]]))
    few = photo.luminance[::8, ::8]
    return float(min(VEIL * few.mean(), percentile(few, 0.1)) / max(ground, 1e-6)) if ground > 0 else 0.0


def transfer_between(judged) -> tuple[float, float]:
    """Log of AFTER's over BEFORE's share of contrast that the photos let through, and its s.d.

    A photo's edges tell the most that its blur may eat, since charred edges are soft by themselves. Of what they state
    a third is there on average, in one photo more and in the other less: two soft photos of a fine stripe may part by
    much though their edges are alike. Light, tone and sharpening part two photos by 0.11 besides (84 pairs by two
    simulators, one of them made apart from this program). What the lens blurs and the camera sharpens again, no edge
    tells apart: few pixels a period in either photo make the ratio doubtful.
    A bright spot hides anything between nothing and its share, evenly in the logarithm.
    """
    found = judged[0].stripes.stripes or judged[1].stripes.stripes
    # Where one photo has too few edges to tell, the other's blur stands for it: mostly it is the same camera's.
    photos = [replace(j.photo, blur_px=other.photo.blur_px) if j.photo.blur_px is None else j.photo
              for j, other in zip(judged, reversed(judged), strict=True)] if found else []
    blurs = [np.log(max(blur_transfer(found[0], j.piece, photo), LEAST_LET_THROUGH))
             for j, photo in zip(judged, photos, strict=True)] if found else [0.0, 0.0]
    before, after = (0.5 * np.log(1.0 - glare_share(j.texture)) for j in judged)
    cameras = [2.0 * np.pi ** 2 * CAMERA_SD_PX2 * np.square(wave_in_photo(found[0], j.piece)).sum()
               for j in judged] if found else [0.0, 0.0]
    sds = (np.sqrt(2.0) * RATIO_TRANSFER_SD, np.hypot(*cameras), BLUR_SHARE_SD * np.hypot(*blurs),
           np.hypot(before, after) / np.sqrt(3.0))
    return float(BLUR_SHARE * (blurs[1] - blurs[0]) + after - before), float(np.linalg.norm(sds))


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


def likely_blur_mm(piece: Piece, photo: Photo) -> float:
    """S.d. along the scan of the blur that the photo may well have: of what its edges state, one s.d. over the average.

    0 where the photo has too few edges to tell.
    """
    if photo.blur_px is None:
        return 0.0
    share = BLUR_SHARE + BLUR_SHARE_SD     # in the logarithm of what is let through, so of the variance
    return float(np.sqrt(share) * photo.blur_px * np.hypot(*in_photo((1.0, 0.0), piece)))


def slant_transfer(line: Line) -> float:
    """Share of a stripe's contrast that an unknown slant of the photo leaves in one phase.

    Seen at a slant, parallel stripes fan out: the phase gains a term x times y (central projection), which no search
    for one frequency and angle follows. 1 where such a term adds no more than noise would.
    """
    used = np.isfinite(line.cells_sd)
    weight = np.where(used, 1.0 / np.where(used, line.cells_sd, 1.0) ** 2, 0.0)
    v, u = (np.linspace(-1.0, 1.0, n) for n in line.cells.shape)
    turns = np.exp(2j * np.pi * FANS[:, None, None] * v[:, None] * u)
    power = np.abs((turns * weight * line.cells).sum(axis=(1, 2))) ** 2 / weight.sum()
    straight = power[FANS.size // 2]
    return float(np.sqrt(straight / power.max())) if power.max() > straight + FAN_GAIN else 1.0
