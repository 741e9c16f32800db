"""Regular marks that the camera makes, judged in the photo's own pixels.

What turns with the piece is in the piece; what stays with the photo's rows and
columns at a spacing that the file format or the sensor makes is not.
"""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from analysis.brightness import only_uneven
from analysis.flatten import Texture
from analysis.folded_rows import folded_rows
from analysis.photo import Photo
from analysis.photo_waves import HELD_SHARE, SeenLine, piece_wave, wave_in_photo
from analysis.plane import Bands
from analysis.rectify import Piece
from analysis.stripes import Stripe, StripeField

__all__ = ["camera_cause", "without_camera_lines"]

ORDERS = (1, 2, 4)         # a block edge prints these harmonics of its spacing
# Of contrast, the most that blocks are taken to make. A block that is coded flat turns a slope into a staircase: for
# 1 % from blocks of 8 pixels the ground would have to change by 1.6 % a block all over the piece. Files of quality 15
# to 55 left 0.1 % at most (14 photos).
BLOCKS_MOST_PERCENT = 1.0
NEAR_BLOCKS = 0.1          # of the blocks' frequency: how far the middle of a slanted photo is looked at
OWN_GRID_CELLS = 4.0       # of the photo's length from the file's own blocks: there the file itself jumps
BEYOND = 0.06              # the ground beyond the frame begins this share of the piece's width outside it
STRIPS = 96                # across the bands: the ground beyond is looked at in so many
FEWEST_BEYOND = 5.0        # periods in view there
BEYOND_SHARE = 0.5         # of the stripe's contrast that must go on there
LINE_POWER = 14.0          # power over that at frequencies beside it; noise reaches it once in 100,000 looks
LOWEST_BLOCKS = 1.0 / 18   # cycles a pixel: of a resized file's blocks; common practice, no source
# Of the strongest stripe's contrast, what blocks leave beside it at most, by the stripe's order: a stripe of few pixels
# a period loses so much to them that half of what is left stands beside it (4 of 129 photos of one stripe)
SIDE_SHARE = {1: 0.6, 2: 0.1, 3: 0.1}
NEAR_SIDE = 0.15           # of the blocks' frequency: how far the middle of a slanted photo is looked at
BLOCKS_OVER_STRIPE = 4.0   # beat of the second difference over the stripe's own amplitude
LINES = 600                # lines of the photo that the grid of blocks is read from


def without_camera_lines(field: StripeField, piece: Piece, photo: Photo, texture: Texture
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
    causes = [camera_cause(c.stripe, piece, photo, field.bands) for c in field.candidates[: max(count, 1)]]
    causes = [cause or _enlarged(s, texture, field.bands)
              for cause, s in zip(causes, field.stripes, strict=True)] if count else causes
    if photo.block_px > 0:
        causes = [cause or _side_line(field.stripes[k], field.stripes[0], piece, field.bands) if 0 < k < count
                  else cause for k, cause in enumerate(causes)]
    if count == 0 or None not in causes:
        return field, causes[0] if causes else None, ()
    kept = [k for k, cause in enumerate(causes) if cause is None]
    unit = "mm" if piece.scale_known else "px"
    told = tuple(f"A line every {s.period_mm:.3f} {unit} ({s.contrast_percent:.1f} %) was left out: {cause}."
                 for s, cause in zip(field.stripes, causes, strict=True) if cause is not None)
    stripes, places, found = (tuple(a[k] for k in kept) for a in (field.stripes, field.by_place, field.candidates))
    return replace(field, stripes=stripes, by_place=places, candidates=found + field.candidates[count:]), None, told


def camera_cause(stripe: Stripe, piece: Piece, photo: Photo, bands: Bands) -> str | None:
    """Say which cause in the camera could make this stripe, or None; `bands` hold the texture it was found in.

    Returns
    -------
    str or None
        A clause for the reader: what it is and the figure that points to it.
    """
    seen = SeenLine.of(stripe, piece, bands)
    interval = folded_rows(stripe, piece, seen)
    if interval is not None:
        return (f"engraved rows {interval:.3f} mm apart, too fine for the photo's pixels, would show as just this "
                "spacing at this turn of the piece")
    blocks = _as_blocks(stripe, piece, photo, seen)
    if blocks is not None:
        return blocks
    for axis, lines in ((0, "columns"), (1, "rows")):
        along = seen.in_step_with(axis)
        if along is None:
            continue
        if _goes_on_beyond(stripe, piece, photo, along, rows=axis == 1):
            return (f"it follows the photo's own {lines} and goes on beyond the frame, so it is not engraved "
                    "(a flickering lamp makes such bands)")
        if stripe.contrast_percent <= BLOCKS_MOST_PERCENT and _resized_blocks(stripe, photo, along, rows=axis == 1):
            return (f"the photo itself jumps every {1 / along:.2f} pixels, as a file does that was compressed and then "
                    "resized")
    return None


def _enlarged(stripe: Stripe, texture: Texture, bands: Bands) -> str | None:
    """Say that a picture enlarged from fewer pixels could make a line, or None."""
    return ("at its spacing the ground is more and less uneven, hardly brighter and darker, as a picture is that was "
            "enlarged from fewer pixels" if only_uneven(stripe, texture, bands) else None)


def _as_blocks(stripe: Stripe, piece: Piece, photo: Photo, seen: SeenLine) -> str | None:
    """Say that the file's own blocks could make a faint line, or None.

    Their wave is known exactly in the photo. Laid on the piece through the photo's own perspective it must hold what
    the line holds; a stripe of nearly the same spacing falls out of step with it along the piece.
    """
    if photo.block_px <= 0 or stripe.contrast_percent > BLOCKS_MOST_PERCENT:
        return None
    middle = wave_in_photo(stripe, piece)
    for block in {8, photo.block_px}:
        for order in ORDERS:
            for axis in (0, 1):
                turns = seen.at_px[..., axis] * np.copysign(order / block, middle[axis])
                if abs(abs(middle[axis]) * block / order - 1.0) < NEAR_BLOCKS and seen.share(turns) > HELD_SHARE:
                    return (f"its spacing in the photo is {block / order:.2f} pixels, which the file's compression "
                            f"makes in blocks of {block} pixels")
    return None


def _side_line(stripe: Stripe, strongest: Stripe, piece: Piece, bands: Bands) -> str | None:
    """Say that a faint line is what compression in blocks of 8 pixels makes of a strong stripe, or None.

    Each block is rounded by itself: that multiplies the stripe and its harmonics by something of the blocks' period.
    """
    k, base = (np.array(wave_in_photo(s, piece)) for s in (stripe, strongest))
    seen = SeenLine.of(stripe, piece, bands)
    for order in (-3, -2, -1, 1, 2, 3):
        if stripe.contrast_percent > SIDE_SHARE[abs(order)] * strongest.contrast_percent:
            continue
        rest = 8.0 * (k - order * base)
        added = np.round(rest)
        turns = order * (seen.at_mm @ piece_wave(strongest)) + seen.at_px @ added / 8.0
        if added.any() and np.abs(rest - added).max() < NEAR_SIDE and seen.share(turns) > HELD_SHARE:
            return "compression in blocks of 8 pixels makes such a line beside a strong stripe"
    return None


def _resized_blocks(stripe: Stripe, photo: Photo, frequency: float, *, rows: bool) -> bool:
    """Whether the photo has jumps at this spacing, as a grid of blocks has that was resized after its compression.

    A block jumps at its edge, so the size of the second difference beats at the grid's spacing by much more than the
    stripe's own contrast; and blocks are square, so it beats along the photo's other axis too, where the stripe has no
    part. The file's own blocks beat as well and say nothing of a line beside them: those are looked at by themselves.
    """
    cell = 1.0 / min(photo.luminance.shape)
    own = 8.0 * frequency if photo.block_px > 0 else 0.5
    if frequency < LOWEST_BLOCKS or abs(own - np.round(own)) < 8.0 * OWN_GRID_CELLS * cell:
        return False
    beats = []
    for along_rows in (rows, not rows):
        there, beat = _beat(photo.luminance if along_rows else photo.luminance.T, frequency)
        beats.append(beat if there else 0.0)
    return min(beats) > BLOCKS_OVER_STRIPE * stripe.contrast_percent / 200.0


def _beat(level, frequency) -> tuple[bool, float]:
    """Whether the size of the second difference down the rows beats at a frequency, and by what share of its mean."""
    level = np.ascontiguousarray(level[:, :: max(1, level.shape[1] // LINES)])
    jumps = np.abs(2.0 * level[1:-1] - level[:-2] - level[2:])
    profile = np.minimum(jumps, 4.0 * jumps.mean()).mean(axis=1, dtype=np.float64)   # artwork's edges count little
    window = np.hanning(profile.size)
    there, size = _stands_out((profile - profile.mean()) * window, frequency)
    return there, 2.0 * size / max(float(profile.mean() * window.sum()), 1e-12)


def _stands_out(profile, frequency) -> tuple[bool, float]:
    """Whether a profile has a line at a frequency (cycles a sample), and the size of its sum there."""
    cell = 1.0 / profile.size
    at = frequency + cell * np.arange(-12, 13, 0.5)
    at = at[at > 1.5 * cell]
    sums = np.abs(np.exp(-2j * np.pi * np.outer(at, np.arange(profile.size))) @ profile)
    near = np.abs(at - frequency) <= 2.0 * cell
    return bool(sums[near].max() ** 2 > LINE_POWER * np.mean(sums[~near] ** 2)), float(sums[near].max())


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
    level = photo.luminance
    if not rows:
        level, outside = level.T, outside.T
    size = (min(STRIPS, level.shape[1]), level.shape[0])
    level, share = (cv2.resize(np.ascontiguousarray(a, np.float32), size, interpolation=cv2.INTER_AREA)
                    for a in (level, outside))
    level, used = np.log(np.maximum(level, 1e-3)), (share > 0.99).astype(np.float32)
    if used.any(axis=1).sum() < FEWEST_BEYOND / frequency:
        return False
    # The ground jumps at edges and the bands go on over them: each strip is held against its own mean over a period,
    # and where that jumps nothing is read.
    window = (1, 2 * round(0.5 / frequency) + 1)
    rest = (level - cv2.blur(level * used, window) / np.maximum(cv2.blur(used, window), 1e-6)) * used
    used *= np.abs(rest) < 3.0 * 1.4826 * np.median(np.abs(rest[used > 0]))
    there, size = _stands_out((rest * used).sum(axis=1, dtype=np.float64), frequency)
    return there and 2.0 * size / max(float(used.sum()), 1.0) > BEYOND_SHARE * stripe.contrast_percent / 200.0
