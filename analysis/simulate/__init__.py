"""Engraved pieces and phone photos with exactly known truth, for demo, tests and calibration."""
from __future__ import annotations

from analysis.simulate.camera import Shot, camera_homography, distort, encode, photograph, to_srgb8, undistort
from analysis.simulate.cases import (
    CASE_KINDS,
    TextureCase,
    random_camera,
    random_case,
    random_grains,
    random_piece,
    random_stripe,
    texture_case,
)
from analysis.simulate.piece import render_piece, stripe_modulation
from analysis.simulate.spec import CameraSpec, GrainSpec, PieceSpec, StripeSpec
from analysis.simulate.texture import coloured_noise, grain_field, ring_widths

__all__ = ["CASE_KINDS", "CameraSpec", "GrainSpec", "PieceSpec", "Shot", "StripeSpec", "TextureCase",
           "camera_homography", "coloured_noise", "distort", "encode", "grain_field", "photograph",
           "random_camera", "random_case", "random_grains", "random_piece", "random_stripe", "render_piece",
           "ring_widths", "stripe_modulation", "texture_case", "to_srgb8", "undistort"]
