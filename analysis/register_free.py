"""Align two photos without a frame, by the features of their strokes."""
from __future__ import annotations

from analysis.register_framed import Match

__all__ = ["align_free"]

NOT_ALIGNED = ("No artwork that both photos share was found. Engrave a frame of known size or give the corners "
               "of both pieces.")


def align_free(before, after, before_piece) -> Match:
    """Refuse until features are matched."""
    return Match(ok=False, homography=None, residual_px=None, before_px_per_mm=None, overlap_fraction=0.0,
                 reason=NOT_ALIGNED, method="artwork")
