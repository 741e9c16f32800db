"""Why one photo cannot clear a machine, or blame it, whatever its texture shows; and what to do about it."""
from __future__ import annotations

import numpy as np

from analysis.decide import Cause
from analysis.flatten import Texture
from analysis.geometry import USUAL_FOCAL
from analysis.grain import GrainField
from analysis.photo import Photo
from analysis.plane import STEEPEST_DEG
from analysis.rectify import Piece
from analysis.stripes import StripeField
from analysis.trials import UPRIGHT

__all__ = ["PX_PER_PERIOD", "bench_and_all", "drawn_grid", "length_unit", "lying", "perhaps_rows", "trouble_of"]

PX_PER_PERIOD = 4.0                        # fewer photo pixels a period and the photo itself eats the contrast
COARSEST_ROWS_MM = 0.3     # between the rows of an engraving; common practice, no source
MORE_THAN_WOOD_PERCENT = 60.0              # grain on engraved wood stays below; common practice, no source
FINE_MM = 0.5                              # a stripe that a photo must show to clear a machine
COARSE_PX_PER_MM = 6.0                     # below this it cannot
# A grid is drawn alike in both directions, but one of them may be burnt deeper; common practice, no source
TWIN_SHARE, STRIPS, FAR_CELLS = 0.5, 16, 12
OVER_OTHERS = 2.5          # amplitude over the highest at the frequencies beside it: a hill of rings does not reach it
UNREAD_SLANT_DEG = 5.0                     # of a photo held by hand about square on; common practice, no source


def length_unit(piece: Piece) -> str:
    """Unit of the periods."""
    return "mm" if piece.scale_known else "px"


def trouble_of(piece: Piece, photo: Photo, grain: GrainField, region) -> tuple[str, str] | None:
    """Why this photo cannot clear a machine, and what to do about it."""
    if piece.scale_known and piece.photo_px_per_mm < COARSE_PX_PER_MM:
        return (f"the photo has only {piece.photo_px_per_mm:.1f} pixels per mm",
                "Photograph again from nearer, at 12 pixels per mm or more.")
    if piece.corners_px is None and region is None and grain.contrast_percent > MORE_THAN_WOOD_PERCENT:
        return (f"the part judged varies by {grain.contrast_percent:.0f} %, more than one engraved ground does, "
                "so more than the piece seems to be in view",
                "Give the size of the engraved frame, its corners, or a region that holds only the engraved ground.")
    if piece.corners_px is None and piece.axis_from == "assumed" and region is None:
        # Held by hand, a photo is level within some 3 degrees; a stripe is looked for within 1.5 of the axis
        return (("no piece stands out in the photo, and " if piece.ground_px is None else "")
                + "nothing shows which way the scan axis runs, so a stripe some degrees off would be missed",
                "Give a region that holds only the engraved ground, and the scan axis to a tenth of a degree; or "
                "engrave a frame and give its size.")
    if piece.corners_px is None and piece.tilt_deg is None and region is None:
        spread = _spread_below(piece, photo)
        if spread > (FINE_MM if piece.scale_known else PX_PER_PERIOD):
            return (f"nothing shows how far the photo was slanted, and {UNREAD_SLANT_DEG:g} degrees would spread a "
                    f"stripe finer than {spread:.2g} {length_unit(piece)} out of step",
                    "Photograph the whole piece with its four sides on a plain bench of another lightness, or engrave "
                    "a frame and give its size.")
    return None


def _spread_below(piece: Piece, photo: Photo) -> float:
    """Period below which a slant that nobody read may spread a stripe out of step over the piece.

    Seen from a distance d at a slant t, a stripe at x, y from the middle is x y tan(t) / d aside (central projection).
    A quarter of its period at the corners takes 0.13 of its contrast, and soon all of it.
    """
    distance = (photo.focal_share or USUAL_FOCAL) * max(photo.size_px) / piece.photo_px_per_mm
    rows, columns = piece.reflectance.shape
    aside = rows * columns / (2 * piece.samples_per_mm) ** 2 * np.tan(np.radians(UNREAD_SLANT_DEG)) / distance
    return float(aside / 0.25)


def lying(period_mm: float | None, piece: Piece) -> tuple[str, str] | None:
    """Trouble of a piece that may have been photographed on its side, or None."""
    if period_mm is None:
        return None
    untold = ("the frame does not tell whether the piece lies on its side" if piece.frame_mm is not None
              else "a piece's sides do not tell along which of them the scan ran")
    return (f"even lines every {period_mm:.3g} {length_unit(piece)} run along the scan axis as it is taken, and "
            f"{untold}", UPRIGHT)


def bench_and_all() -> tuple[Cause, tuple[str, str]]:
    """Why a photo whose frame was not found neither blames nor clears a machine: a cause, and a trouble."""
    words = "the frame was not found, so all of the photo was judged, bench and all"
    mend = "Take the photo again with the whole frame free and in view, or give its four corners."
    return Cause(term="bench", words=words, next_step=mend), (words, mend)


def drawn_grid(field: StripeField, texture: Texture, unit: str) -> Cause | None:
    """Why the strongest stripe may be a side of a drawn grid: lines of its spacing run along the scan axis as well."""
    if not field.stripes:
        return None
    stripe = field.stripes[0]
    twin = _contrast_across(texture, 1.0 / stripe.period_mm)
    if twin < TWIN_SHARE * stripe.contrast_percent:
        return None
    return Cause(term="grid", next_step=(
        "Judge a part without the grid: give a region that holds plain engraved ground alone."), words=(
        f"lines of {twin:.1f} % and the same spacing, {stripe.period_mm:.3g} {unit}, run along the scan axis as well: "
        "a drawn grid or a mesh has both, a drive only one"))


def _contrast_across(texture: Texture, frequency: float) -> float:
    """Contrast, percent, of a line at about this frequency down the cross axis; 0 where noise or rings make as much.

    The highest of a fine grid of frequencies and angles, in strips that are summed along the scan first.
    """
    rows, columns = texture.weight.shape
    starts = np.linspace(0, columns, STRIPS + 1).astype(int)
    middles = (starts[:-1] + starts[1:]) / 2
    weight, value = (np.add.reduceat(one, starts[:-1], axis=1) for one in (
        texture.weight, texture.weight * texture.log_reflectance))
    total = float(weight.sum())
    value = value - weight * (float(value.sum()) / total)
    tried = frequency + np.arange(-FAR_CELLS, FAR_CELLS + 0.1, 0.5) * texture.samples_per_mm / rows
    waves = np.exp(-2j * np.pi / texture.samples_per_mm * np.outer(tried, np.arange(rows))) @ value
    slopes = np.tan(np.radians(np.linspace(-STEEPEST_DEG, STEEPEST_DEG, 31)))
    turns = np.exp(-2j * np.pi * frequency / texture.samples_per_mm * np.outer(middles, slopes))
    size = np.abs(waves @ turns).max(axis=1)
    away = np.abs(np.arange(size.size) - size.size // 2)
    highest = float(size[away <= 2].max())
    return 400.0 * highest / total if highest > OVER_OTHERS * size[away > 5].max() else 0.0


def perhaps_rows(field: StripeField, unit: str) -> Cause | None:
    """Why the stripes of a piece that may lie on its side may be the engraving's own rows, or None."""
    if not field.stripes or max(s.period_mm for s in field.stripes) > COARSEST_ROWS_MM or unit != "mm":
        return None
    return Cause(term="rows", next_step=UPRIGHT, words=(
        f"lines every {field.stripes[0].period_mm:.3g} mm are as fine as the rows of an engraving, and the frame "
        "does not tell whether the piece lies on its side"))
