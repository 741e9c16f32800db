"""Whether two photos laid on each other show the same artwork there: what proves an alignment by artwork.

All the artwork is asked at once, as an ideal observer of a known pattern among
coloured noise would: whatever a board's texture and stripes are made of, every
spatial frequency counts by how little of it there is anyhow. Long fibres and
stripes fill few frequencies, so that hardly anything of them is left.
"""
from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.photo import Photo
from analysis.ranks import median
from analysis.rectify import Piece
from analysis.register_map import PlaneMap, moved_to, scale_of, warp
from analysis.register_start import inside, shrunk
from analysis.strokes import stroke_depth

__all__ = ["LEAST_RATIO", "REACH", "Place", "Whitened", "compared", "place_of", "white_spectrum", "whitened"]

WORK_PX = 1.5e6            # samples, at most
ACROSS = 16.0              # samples across the widest stroke
FAINTEST, DEEPEST = -0.3, 1.0          # log depth: what lies beyond is no deeper a stroke
REACH = 3.0                # of the correlation that is the texture's own, over the widest stroke
FINE = 0.1                 # blur, over the widest stroke: boards do not repeat what is finer
NEAR, APART = 0.125, 1.0   # over the widest stroke: the same place, and another
STANDS_OUT = 4.0           # robust s.d. of what is left: artwork
LEAST_RATIO = 3.0          # in `Place`, for artwork that both show; 150 unlike pairs without frames: 2.6 at most


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """How well two pictures agree where they lie."""

    share: float           # of what stands out in either, that both show in one place: 1 all of it
    ratio: float           # of the correlation there to the highest anywhere else
    alone: float           # the same, what both pictures repeat of themselves left out: rows of equal figures
    even: float            # of the highest correlation half a turn round, wherever, to that in the place


@dataclass(frozen=True, slots=True, kw_only=True)
class Whitened:
    """Two pictures in which every frequency counts alike."""

    surface: NDArray[np.floating]          # their correlation by the second's shift, (rows, columns), wrapped round
    pictures: tuple[NDArray[np.float32], NDArray[np.float32]]
    spectra: tuple[NDArray[np.complexfloating], NDArray[np.complexfloating]]      # half, of the padded pictures


def place_of(piece: Piece, after: Photo, plane: PlaneMap, at: NDArray[np.float64], widest: float,
             shades: tuple[bool, bool], ground: NDArray[np.float64] | None = None) -> Place:
    """Compare the artwork of two photos laid on each other.

    Parameters
    ----------
    piece : Piece
        BEFORE's.
    after : Photo
    plane : PlaneMap
        BEFORE's grid samples to AFTER's photo px.
    at : ndarray, shape (2,)
        Where the artwork lies on BEFORE's grid.
    widest : float
        Stroke, samples of BEFORE's grid.
    shades : tuple of bool
        Whether BEFORE's and AFTER's artwork is light.
    ground : ndarray, shape (4, 2), optional
        On BEFORE's grid, where no piece stood out of its photo: a bench is no artwork.

    Returns
    -------
    Place
    """
    first = shrunk(piece.reflectance, max(1.0, widest / ACROSS, np.sqrt(piece.reflectance.size / WORK_PX)))
    valid = cv2.resize(piece.valid.astype(np.uint8), first.picture.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    valid &= inside(first, ground) > 0
    near, here = moved_to(plane, first.to_source), widest / first.to_source[0, 0]
    scale = scale_of(plane.homography, at) * first.to_source[0, 0]
    second = shrunk(after.luminance, max(1.0, scale))
    warped, seen = warp(second.picture, np.linalg.inv(second.to_source), near, valid.shape)
    depths = (stroke_depth(picture, here, light=light) for picture, light in zip((first.picture, warped), shades,
                                                                                strict=True))
    return compared(*depths, valid & seen, here)


def compared(before: NDArray[np.float32], after: NDArray[np.float32], use: NDArray[np.bool_], widest: float) -> Place:
    """Compare two pictures of strokes, each frequency by how little of it there is anyhow.

    Parameters
    ----------
    before, after : ndarray, shape (rows, columns)
        Depth of strokes, log light, positive where artwork is.
    use : ndarray of bool, same shape
        Where both are seen.
    widest : float
        Stroke, samples.

    Returns
    -------
    Place

    Notes
    -----
    Generalised correlation with the smoothed coherence transform (Carter,
    Nuttall and Cable, Proc. IEEE 61 (1973) 1497): both spectra are divided by
    the fourth root of the product of both smoothed powers. Of the places where
    one board's pattern stands out of its own texture, the other's is asked for
    its slope on it; the geometric mean of both slopes is 1 for one pattern
    however deep each board shows it, and texture where nothing stands out does
    not count.
    """
    if use.sum() < widest ** 2:
        return Place(share=0.0, ratio=0.0, alone=0.0, even=1.0)
    white = whitened(before, after, use, widest)
    here, elsewhere = _window(NEAR * widest), _window(APART * widest)
    best, shape, (first, second) = float(white.surface[here].max()), white.surface.shape, white.spectra
    # One pattern with powers a and b correlates by sqrt(a b) times what it does with itself
    own = [np.maximum(fft.irfft2(np.abs(one) ** 2, shape), 0.0) for one in white.spectra]
    others, beside = white.surface.copy(), white.surface - np.sqrt(own[0] * own[1])
    others[elsewhere] = beside[elsewhere] = 0
    turned = fft.irfft2(first * second, shape)           # half round, about any place: a convolution turns one of both
    pair = [picture[use] for picture in white.pictures]
    slopes = [_slope(*pair), _slope(*pair[::-1])]
    return Place(share=float(np.sqrt(slopes[0] * slopes[1])), ratio=best / max(float(others.max()), 1e-12),
                 alone=best / max(float(beside.max()), 1e-12), even=float(turned.max()) / max(best, 1e-12))


def whitened(before: NDArray[np.float32], after: NDArray[np.float32], use: NDArray[np.bool_],
             widest: float) -> Whitened:
    """Two pictures of strokes with every frequency divided by how much of it there is anyhow; see `compared`."""
    shape = [fft.next_fast_len(int(n + REACH * widest), real=True) for n in use.shape]
    spectra = [_spectrum(depth, use, shape) for depth in (before, after)]
    power = _smoothed(spectra[0], shape, widest) * _smoothed(spectra[1], shape, widest)
    white = _lowpass(shape, FINE * widest) / np.maximum(power, 1e-12 * power.max()) ** 0.25
    spectra = [white * spectrum for spectrum in spectra]
    return Whitened(surface=fft.irfft2(np.conj(spectra[0]) * spectra[1], shape), spectra=tuple(spectra),
                    pictures=tuple(fft.irfft2(one, shape)[:use.shape[0], :use.shape[1]].astype(np.float32)
                                   for one in spectra))


def white_spectrum(depth: NDArray[np.float32], use: NDArray[np.bool_], shape, widest: float) -> NDArray:
    """Half spectrum of a picture of strokes, every frequency divided by how much of it there is anyhow."""
    spectrum = _spectrum(depth, use, shape)
    power = _smoothed(spectrum, shape, widest)
    return _lowpass(shape, FINE * widest) / np.sqrt(np.maximum(power, 1e-12 * power.max())) * spectrum


def _spectrum(depth, use, shape) -> NDArray[np.complexfloating]:
    """Spectrum of a picture where it counts."""
    cut = np.clip(depth, np.float32(FAINTEST), np.float32(DEEPEST))
    return fft.rfft2((cut - cut[use].mean()) * use, shape)


def _smoothed(spectrum, shape, widest) -> NDArray[np.floating]:
    """Power of a spectrum without what makes one picture's own: of its autocorrelation, what lies near."""
    rows, columns = (np.exp(-0.5 * (fft.fftfreq(n, 1 / n) / (REACH * widest)) ** 2) for n in shape)
    near = fft.irfft2(np.abs(spectrum) ** 2, shape) * rows[:, None] * columns
    return np.maximum(fft.rfft2(near).real, 1e-12)


def _lowpass(shape, sigma) -> NDArray[np.floating]:
    """Spectrum of a Gaussian blur."""
    rows, columns = (np.exp(-2 * (np.pi * sigma * f) ** 2) for f in (fft.fftfreq(shape[0]), fft.rfftfreq(shape[1])))
    return rows[:, None] * columns


def _window(reach):
    """Shifts of so many samples, every way."""
    reach = max(1, round(reach))
    return np.ix_(range(-reach, reach + 1), range(-reach, reach + 1))


def _slope(first, second) -> float:
    """Slope of the second on the first where the first stands out, none below 0."""
    there = first > STANDS_OUT * 1.4826 * median(np.abs(first))
    return max(0.0, float(first[there] @ second[there]) / max(float(first[there] @ first[there]), 1e-12))
