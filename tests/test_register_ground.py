"""Sides of the engraved ground in an alignment without frame: a simulated field whose corners hold no artwork."""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from test_register import FRAME_MM, board, corner_error_mm, shot

from analysis.rectify import rectify
from analysis.register import register
from analysis.register_ground import _misfit
from analysis.register_tiles import Tiles

PX_PER_MM = 11.0


def photo_of(board_seed, field_mm, *, margin_mm=12.0, fading=False, **view):
    """Photo and true corners of a board with a darker field (x0, y0, x1, y1), on a darker bench."""
    picture, scale, margin = board(board_seed, frame=False, margin_mm=margin_mm)
    if field_mm is not None:
        x0, y0, x1, y1 = (int(round((n + margin) * scale)) for n in field_mm)
        gain = np.ones_like(picture)
        gain[y0:y1, x0:x1] = np.linspace(0.45, 1.0 if fading else 0.45, x1 - x0)
        picture = picture * gain
    photo, corners = shot((picture.astype(np.float32), scale, margin), board_seed, px_per_mm=PX_PER_MM, **view)
    grey = np.uint8(255 * np.clip(photo.luminance / 0.5, 0, 1) ** 0.45)
    preview = np.ascontiguousarray(np.repeat(cv2.resize(grey, (600, 450), interpolation=cv2.INTER_AREA)[..., None], 3,
                                             axis=2))
    return replace(photo, preview=preview, preview_scale=0.5, clipped=np.zeros((450, 600), bool)), corners


def aligned(field, other, **options):
    """Result and worst corner error, mm; other boards, other views."""
    before, here = photo_of(3, field)
    after, there = photo_of(4, other, turn_deg=3.0, tilt=(2e-4, -1e-4), **options)
    result = register(before, after, rectify(before, pixels_per_mm=PX_PER_MM), None)
    return result, corner_error_mm(result, here, there, PX_PER_MM)


def test_sides_of_the_ground_hold_the_corners_of_the_field():
    # Simulated truth: the field's corners; sides straight to a fraction of a pixel
    field = (0.0, 0.0, *FRAME_MM)
    result, error = aligned(field, field)
    _, without = aligned(None, None)
    assert result.ok
    assert error < 0.08
    assert error < without


def test_three_sides_suffice_where_the_fourth_fades_away():
    # Simulated truth: a burn that gets fainter to the right, until it has no edge there
    field = (0.0, 0.0, *FRAME_MM)
    result, error = aligned(field, field, fading=True)
    _, without = aligned(None, None)
    assert result.ok and error < min(0.1, without)


@pytest.mark.parametrize("margin", [5.0, 15.0])
def test_an_outline_elsewhere_against_the_artwork_moves_nothing(margin):
    # A board's own outline, cut elsewhere on each board, on a darker bench
    result, error = aligned(None, None, margin_mm=margin)
    assert result.ok
    assert error < 0.5


def test_tiles_that_are_off_only_along_what_they_cannot_tell_misfit_by_nothing():
    # Closed form: 0; in floating point some of these squares come out at -1e-18, whose root is no number
    for angle in np.linspace(0.0, np.pi, 200):
        across, along = np.array([-np.sin(angle), np.cos(angle)]), np.array([np.cos(angle), np.sin(angle)])
        tile = Tiles(at=np.zeros((1, 2)), move=along[None], precision=np.outer(across, across)[None],
                     agreement=np.ones(1), corners=np.zeros(1), firm=np.ones(1, int))
        assert _misfit(tile, 0.1 * along[None], np.ones(1)) == pytest.approx(0.0, abs=1e-7)
