"""Oriented band-pass filters: how much texture of each width and direction there is at each place.

Twelve directions, octave scales, a quadrature pair of Gabor filters each. The
finest scale has a wavelength of four samples; each further scale is the same
filter on a picture of half the size. A Gabor filter with a round envelope is a
product of a filter along y and one along x, so that each is a small matrix
product, and its output needs computing once per wavelength only.

Angles are those of the LINES that a filter answers to, anticlockwise from the
scan axis as the piece is seen (y is down): lines square to the scan axis, as a
machine's stripes are, have 90 degrees. The energy is the squared amplitude of
the cosine that would answer as strongly: 2 sqrt(energy) is its peak-to-peak
contrast in log reflectance.
"""
from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.bank_filters import (
    BLOCK,
    DIRECTIONS,
    ENVELOPE,
    HALO,
    OUTPUTS,
    REACH,
    STRIDE,
    WAVELENGTH,
    filter_matrices,
)
from analysis.bank_maps import BankMaps, direction_share, pool_energy

__all__ = ["BankMaps", "direction_share", "gabor_kernel", "oriented_energy", "pool_energy",
           "share_square_to_axis"]

SCALES = 5
STRIP = 48                 # blocks of a strip at most: so small a matrix product starts no threads of BLAS


def oriented_energy(image: NDArray[np.float32], weight: NDArray[np.float32] | None = None,
                    samples_per_mm: float = 1.0, *, step_mm: float | None = None,
                    scales: int = SCALES) -> BankMaps:
    """Energy of the filter bank on a coarse grid of places.

    Parameters
    ----------
    image : ndarray, shape (rows, columns), float32
        Log reflectance.
    weight : ndarray, same shape, 0 to 1, optional
        0 where there is no data. Nothing is filled in: the local mean of the
        data is taken off, and what answers is compared with what could answer.
    samples_per_mm : float
    step_mm : float, optional
        Cell of the maps, 32 samples by default. Each energy is pooled over
        about one cell or 1.5 wavelengths, whichever is more.
    scales : int, default 5
        Octaves; fewer are made where the picture is too small.

    Returns
    -------
    BankMaps

    Raises
    ------
    ValueError
        Not a plane of at least 64 x 64 samples, shapes that differ, a scale or step that is not positive.

    Notes
    -----
    Away from the rim within 3 % of the same filters at full size
    (tests/test_bank.py; 1.1 % at most in tests/benchmarks/bench_bank.py). The
    bandwidth is an octave, far wider than a line: the bank serves to look and
    to map, never to decide on a stripe.

    References
    ----------
    .. [1] J. G. Daugman, "Uncertainty relation for resolution in space, spatial frequency, and
           orientation", J. Opt. Soc. Am. A 2(7), 1160-1169 (1985). doi:10.1364/JOSAA.2.001160
    .. [2] H. Knutsson, C.-F. Westin, "Normalized and differential convolution", CVPR 1993, 515-523.
    """
    _check(image, weight, samples_per_mm, step_mm, scales)
    step = (step_mm or 32.0 / samples_per_mm) * samples_per_mm
    shape = tuple(max(1, int(n / step)) for n in image.shape)
    level = np.ascontiguousarray(image, np.float32)
    data = None if weight is None else np.ascontiguousarray(weight, np.float32)
    maps: list[NDArray[np.float32]] = []
    for scale in range(scales):
        if min(level.shape) < 2 * BLOCK:
            break
        last = scale == scales - 1
        energy, support, half, half_data = _level(level, data, scale, halve=not last)
        pitch = STRIDE * 2 ** scale
        maps.append(pool_energy(energy, support, pitch * _gather(scale), WAVELENGTH * 2 ** scale, step, shape,
                                pitch=pitch))
        level, data = half, half_data
    energy = np.stack(maps)
    energy.setflags(write=False)
    frequency = samples_per_mm / WAVELENGTH / 2.0 ** np.arange(len(maps))
    return BankMaps(frequency_per_mm=frequency, angle_deg=_line_angles(), energy=energy,
                    step_mm=float(step / samples_per_mm))


def share_square_to_axis(image: NDArray[np.float32], weight: NDArray[np.float32], samples_per_mm: float, *,
                         period_mm: float, step_mm: float) -> float:
    """Median share of the local energy at one spacing that lies in lines square to the scan axis.

    The picture is first averaged down until the period is the finest filter's own wavelength: the answer is that
    of one filter and not mixed from two, and its cost does not grow with the sampling.

    Parameters
    ----------
    image, weight, samples_per_mm, step_mm
        As in `oriented_energy`.
    period_mm : float
        Spacing looked at.

    Returns
    -------
    float
        1/12 where nothing has a direction; about 1/2 where all of it is such lines; NaN where no place has data.
    """
    factor = min(period_mm * samples_per_mm / WAVELENGTH, min(image.shape) / 64)
    if factor > 1:
        size = tuple(round(n / factor) for n in image.shape[::-1])
        share = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
        mean = cv2.resize(image * weight, size, interpolation=cv2.INTER_AREA)
        image, weight = mean / np.maximum(share, 1e-3), share
    factor = max(factor, 1.0)
    maps = oriented_energy(image, weight, samples_per_mm / factor, step_mm=step_mm, scales=2)
    share = direction_share(maps, period_mm=period_mm)
    return float(np.nanmedian(share)) if np.isfinite(share).any() else float("nan")


def gabor_kernel(wavelength: float, normal_deg: float) -> NDArray[np.complex64]:
    """Return the bank's filter at full size: what `oriented_energy` computes by a shorter way.

    Parameters
    ----------
    wavelength : float
        Samples.
    normal_deg : float
        Direction of the wave vector from +x, clockwise as seen (y down).

    Returns
    -------
    ndarray, shape (n, n), complex64
        Even part real, odd part imaginary; answers a cosine of amplitude a with modulus a.
    """
    sigma = ENVELOPE / WAVELENGTH * wavelength
    reach = int(np.ceil(REACH / WAVELENGTH * wavelength))
    t = np.arange(-reach, reach + 1)
    envelope = np.exp(-0.5 * (t / sigma) ** 2)
    envelope /= envelope.sum()
    turn = 2 * np.pi / wavelength * np.exp(1j * np.radians(normal_deg))
    along_x, along_y = envelope * np.exp(1j * turn.real * t), envelope * np.exp(1j * turn.imag * t)
    return (2 * np.outer(along_y, along_x)).astype(np.complex64)


def _check(image, weight, samples_per_mm, step_mm, scales) -> None:
    """Refuse what cannot be filtered."""
    if image.ndim != 2 or min(image.shape) < 64:
        raise ValueError(f"image must be a plane of at least 64 x 64 samples, got shape {image.shape}")
    if weight is not None and weight.shape != image.shape:
        raise ValueError(f"weight has shape {weight.shape}, image {image.shape}")
    if not samples_per_mm > 0 or (step_mm is not None and not step_mm > 0) or scales < 1:
        raise ValueError("samples_per_mm, step_mm and scales must be positive")


def _gather(scale) -> int:
    """Return how many outputs per side are averaged at once: many at the fine scales."""
    return max(1, OUTPUTS >> scale)


def _line_angles() -> NDArray[np.float64]:
    """Line angles of the directions: the wave vector turns clockwise as seen, from +x."""
    normal = np.arange(DIRECTIONS) * 180.0 / DIRECTIONS
    return 90.0 - normal


def _level(level, data, scale, *, halve):
    """Energies of one octave on cells, their support, and the picture of half the size."""
    rows, columns = level.shape
    gather = _gather(scale)
    size = (rows // (STRIDE * gather), columns // (STRIDE * gather))
    along_y, along_x = filter_matrices(scale)
    if data is None:
        energy, half = _block_pass(level, along_y, along_x, gather, cv2.BORDER_REFLECT_101, halve=halve)
        return energy[:, :size[0], :size[1]], None, half[:rows // 2, :columns // 2] if halve else None, None
    mean = _local_mean(level, data)
    energy, _ = _block_pass((level - mean) * data, along_y, along_x, gather, cv2.BORDER_CONSTANT, halve=False)
    support = _support(data, gather, size)
    if not halve:
        return energy[:, :size[0], :size[1]], support, None, None
    half, share = (_block_pass(a, along_y, along_x, gather, cv2.BORDER_CONSTANT, energy=False)[1]
                   [:rows // 2, :columns // 2] for a in (level * data, data))
    there = share > 0.5
    half = np.where(there, half / np.maximum(share, 0.5), np.float32(0))
    return energy[:, :size[0], :size[1]], support, half, np.where(there, np.minimum(share, 1), np.float32(0))


def _local_mean(level, data):
    """Mean of the data about each sample, so that the rim of a hole is no edge; the filters do not see it."""
    there = cv2.GaussianBlur(data, (0, 0), WAVELENGTH, borderType=cv2.BORDER_CONSTANT)
    mean = cv2.GaussianBlur(level * data, (0, 0), WAVELENGTH, borderType=cv2.BORDER_CONSTANT)
    return mean / np.maximum(there, 1e-3)


def _support(data, gather, size):
    """Energy of white texture under this weight, same cells: squared weight by squared envelope."""
    squared = cv2.GaussianBlur(data * data, (0, 0), ENVELOPE / np.sqrt(2), borderType=cv2.BORDER_CONSTANT)
    cell = STRIDE * gather
    return cv2.resize(squared[: size[0] * cell, : size[1] * cell], size[::-1], interpolation=cv2.INTER_AREA)


def _block_pass(level, along_y, along_x, gather, border, *, energy=True, halve=True):
    """Filter block by block along y, then along x, then square and average; halve on the way.

    A row of blocks is laid out as strips, and in each strip a block's columns
    apart, so that a filter's windows along x are the same array shifted by
    whole blocks: no window is ever copied.
    """
    rows, columns = level.shape
    nr, nc = -(-rows // BLOCK), -(-columns // BLOCK)
    strips = -(-nc // STRIP)
    wide = -(-nc // strips)                        # blocks of a strip
    laid = _laid_out(level, nr, strips, wide, border)
    kept = OUTPUTS // gather
    maps = np.empty((DIRECTIONS, nr, kept, strips, wide, kept), np.float32) if energy else None
    half = np.empty((nr, BLOCK // 2, strips, wide, BLOCK // 2), np.float32) if halve else None
    groups, pair = DIRECTIONS // 2 + 1, 2 * OUTPUTS
    wanted = along_y[0 if energy else pair * groups: None if halve else pair * groups]
    for block in range(nr):                        # a second thread would contend for the interpreter: 10 % slower
        window = laid[:, :, block * BLOCK: block * BLOCK + BLOCK + 2 * HALO]
        filtered = np.matmul(wanted, window)       # (strip, column of a block, filter, block)
        if halve:
            half[block] = _along_x(filtered[:, :, -BLOCK // 2:], along_x[-1]).transpose(2, 0, 3, 1)
        for j in range(groups if energy else 0):
            part = _along_x(filtered[:, :, pair * j: pair * j + pair], along_x[j])
            even, odd = part[:, :OUTPUTS], part[:, OUTPUTS:]
            (cc, cs), (sc, ss) = (np.split(half_x, 2, axis=2) for half_x in (even, odd))
            _put(maps[j, block], cc - ss, sc + cs, gather)
            if 0 < j < groups - 1:                 # the same products give the mirrored direction
                _put(maps[DIRECTIONS - j, block], cc + ss, sc - cs, gather)
    if energy:
        maps = maps.reshape(DIRECTIONS, nr * kept, strips * wide * kept)
    return maps, half.reshape(nr * BLOCK // 2, strips * wide * BLOCK // 2) if halve else None


def _laid_out(level, nr, strips, wide, border) -> NDArray[np.float32]:
    """Lay out as (strip, column of a block, row, block), two blocks of overlap between strips."""
    rows, columns = level.shape
    padded = cv2.copyMakeBorder(level, HALO, nr * BLOCK - rows + HALO, HALO,
                                (strips * wide + 2) * BLOCK - columns - HALO, border)
    blocks = padded.reshape(len(padded), strips * wide + 2, BLOCK)
    laid = np.empty((strips, BLOCK, len(padded), wide + 2), np.float32)
    for k in range(strips):
        laid[k] = blocks[:, k * wide: k * wide + wide + 2].transpose(2, 0, 1)
    return laid


def _along_x(filtered, along_x):
    """Filter (strip, 16, n, blocks + 2) along x: outputs (strip, m, n, blocks)."""
    flat = filtered.reshape(*filtered.shape[:2], -1)
    result = np.matmul(along_x[:, :BLOCK], flat)
    result[..., :-1] += np.matmul(along_x[:, BLOCK: 2 * BLOCK], flat[..., 1:])
    result[..., :-2] += np.matmul(along_x[:, 2 * BLOCK:], flat[:, : 2 * HALO - BLOCK, 2:])
    return result.reshape(*result.shape[:2], *filtered.shape[2:])[..., :-2]


def _put(place, real, imaginary, gather) -> None:
    """Square, average over `gather` outputs each way, store; (strip, x, y, block) to (y, strip, block, x)."""
    square = real * real
    square += imaginary * imaginary
    if gather > 1:
        strips, n, _, wide = square.shape
        square = square.reshape(strips, n // gather, gather, n // gather, gather, wide).sum(axis=(2, 4))
        square *= np.float32(1 / gather ** 2)
    place[...] = square.transpose(2, 0, 3, 1)
