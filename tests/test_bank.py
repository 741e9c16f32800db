"""The filter bank against closed forms, OpenCV's direct filter and scikit-image's Gabor filter."""
from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.filters import gabor

from analysis.bank import _gather, direction_share, gabor_kernel, oriented_energy, pool_energy
from analysis.bank_filters import STRIDE, WAVELENGTH


def texture(shape, seed=7):
    """Noise with structure at every scale of the bank."""
    rng = np.random.default_rng(seed)
    field = rng.standard_normal(shape, dtype=np.float32)
    return field + 8 * cv2.GaussianBlur(field, (0, 0), 3) + 40 * cv2.GaussianBlur(field, (0, 0), 15)


def wave(shape, wavelength, line_deg, amplitude=0.1):
    """Cosine whose lines run at `line_deg` anticlockwise as seen, y down."""
    y, x = np.mgrid[:shape[0], :shape[1]].astype(np.float64)
    a = np.radians(line_deg)
    return (amplitude * np.cos(2 * np.pi * (x * np.sin(a) + y * np.cos(a)) / wavelength)).astype(np.float32)


def pooled(energy, scale, shape, step=32.0):
    """Direct energies pooled as the bank pools its own."""
    cell = STRIDE * _gather(scale) * 2 ** scale
    rows, columns = (n // cell for n in energy.shape)
    means = cv2.resize(energy[: rows * cell, : columns * cell], (columns, rows), interpolation=cv2.INTER_AREA)
    return pool_energy(means[None], None, cell, WAVELENGTH * 2 ** scale, step, shape)[0]


@pytest.mark.parametrize("scale", range(5))
@pytest.mark.parametrize("direction", [0, 1, 4, 6, 9])
def test_a_cosine_at_a_band_centre_has_its_squared_amplitude_as_energy(scale, direction):
    """Closed form: a Gabor filter of unit gain answers a cos with modulus a."""
    maps = oriented_energy(wave((640, 704), 4.0 * 2 ** scale, maps_angle(direction)))
    inner = maps.energy[scale, :, 6:-6, 6:-6]
    assert inner[direction].mean() == pytest.approx(0.01, rel=0.02)
    assert np.argmax(inner.mean(axis=(1, 2))) == direction


def maps_angle(direction):
    """Line angle of a direction."""
    return 90.0 - 15.0 * direction


def test_the_neighbouring_direction_answers_as_the_gaussian_in_the_spectrum_says():
    """Closed form: gain exp(-2 (pi sigma d)^2), d = 2 sin(7.5 deg) / wavelength, sigma = 0.56 wavelength."""
    maps = oriented_energy(wave((512, 512), 8.0, 90.0))
    gain = np.exp(-2 * (np.pi * 0.56 * 2 * np.sin(np.radians(7.5))) ** 2) ** 2
    ratio = maps.energy[1, [1, 11], 5:-5, 5:-5].mean(axis=(1, 2)) / maps.energy[1, 0, 5:-5, 5:-5].mean()
    assert ratio == pytest.approx([gain, gain], rel=0.02)


def test_energy_maps_equal_the_direct_filter_of_opencv():
    """cv2.filter2D with the same kernels at full size; 2 % of the band's mean energy at every place."""
    image = texture((704, 832))
    maps = oriented_energy(image)
    for scale, direction in [(0, 0), (0, 5), (1, 3), (2, 8), (3, 11), (4, 2)]:
        kernel = gabor_kernel(4.0 * 2 ** scale, 15.0 * direction)
        even, odd = (cv2.filter2D(image, cv2.CV_32F, np.ascontiguousarray(part),
                                  borderType=cv2.BORDER_REFLECT_101) for part in (kernel.real, kernel.imag))
        direct = pooled(even ** 2 + odd ** 2, scale, maps.energy.shape[2:])
        rim = 6 if scale >= 3 else 3                # a picture of half the size is mirrored at another place
        here = np.s_[rim:-rim, rim:-rim]
        miss = np.abs(maps.energy[scale, direction][here] - direct[here])
        assert miss.max() < 0.02 * direct[here].mean()


@pytest.mark.parametrize("scale", [0, 1, 2])
def test_energy_maps_equal_scikit_image_gabor_on_a_crop(scale):
    """skimage.filters.gabor, sigma 0.56 wavelength: unit gain halves a cosine, so its energy is a quarter."""
    image = texture((320, 320), seed=8)
    wavelength = 4.0 * 2 ** scale
    maps = oriented_energy(image)
    for direction in (0, 2, 7):
        even, odd = gabor(image, 1 / wavelength, theta=np.radians(15.0 * direction), n_stds=4,
                          sigma_x=0.56 * wavelength, sigma_y=0.56 * wavelength, mode="reflect")
        reference = pooled((4 * (even ** 2 + odd ** 2)).astype(np.float32), scale, maps.energy.shape[2:])
        here = np.s_[2:-2, 2:-2]
        assert maps.energy[scale, direction][here] == pytest.approx(reference[here], rel=0.03)


def test_what_lies_under_weight_zero_does_not_matter():
    """Property: nothing is filled in from, or read at, masked places."""
    image = texture((384, 384))
    weight = np.ones_like(image)
    weight[100:180, 60:330] = 0
    other = np.where(weight > 0, image, np.float32(50))
    first, second = (oriented_energy(i, weight).energy for i in (image, other))
    assert np.array_equal(first, second, equal_nan=True)
    assert np.isnan(first[0, 0, 4, 6])


def test_holes_leave_the_mean_energy_of_an_even_texture_alone():
    """Normalised convolution is unbiased: a third of the texture missing in patches, mean within 10 %.

    The bound is the sampling error of what is left, from 6 seeds; a zero fill would lose a third. Holes as
    narrow as the wavelength leave some of the low frequencies in: so wavelengths up to 16 samples.
    """
    ratios = []
    for seed in range(6):
        image = texture((512, 512), seed)
        holes = cv2.GaussianBlur(np.random.default_rng(seed).standard_normal(image.shape), (0, 0), 12)
        weight = (holes < np.quantile(holes, 0.67)).astype(np.float32)
        whole, part = oriented_energy(image).energy[:3], oriented_energy(image, weight).energy[:3]
        good = np.isfinite(part)
        ratios.append([part[s][good[s]].mean() / whole[s][good[s]].mean() for s in range(3)])
    assert np.mean(ratios, axis=0) == pytest.approx(np.ones(3), abs=0.1)


def test_the_rim_of_a_hole_in_a_shaded_texture_is_no_line():
    """A slow shade cut by a mask is a step; were the local mean left in, it would outshine the texture."""
    rng = np.random.default_rng(3)
    image = 0.01 * rng.standard_normal((384, 384)).astype(np.float32)
    shade = np.linspace(-0.3, 0.3, 384, dtype=np.float32)[None, :]
    weight = np.ones_like(image)
    weight[:, 180:220] = 0
    flat, shaded = (np.nanmean(oriented_energy(i, weight).energy[0, 0]) for i in (image, image + shade))
    assert shaded == pytest.approx(flat, rel=0.1)


def test_frequencies_follow_the_sampling():
    """Definition: the finest wavelength is 4 samples."""
    image = texture((256, 256))
    maps = oriented_energy(image, samples_per_mm=10.0, step_mm=4.0)
    assert maps.frequency_per_mm[:2] == pytest.approx([2.5, 1.25])
    assert maps.energy.shape[2:] == (6, 6)
    assert maps.step_mm == 4.0


def test_energy_is_never_negative_and_ends_with_the_picture():
    """Odd sizes: a part block at the rim is dropped; fewer scales in a small picture."""
    maps = oriented_energy(texture((201, 333)))
    assert maps.energy.shape == (3, 12, 6, 10)
    assert (maps.energy >= 0).all()


@pytest.mark.parametrize("case", ["line", "small", "weight", "scale", "step"])
def test_bad_input_is_refused(case):
    """Bad input."""
    image = np.zeros((128, 128), np.float32)
    calls = {"line": lambda: oriented_energy(image[0]), "small": lambda: oriented_energy(image[:40]),
             "weight": lambda: oriented_energy(image, image[:64]),
             "scale": lambda: oriented_energy(image, samples_per_mm=0.0),
             "step": lambda: oriented_energy(image, step_mm=-1.0)}
    with pytest.raises(ValueError):
        calls[case]()


def test_the_share_of_a_direction_tells_lines_from_noise():
    """Closed form for lines: 1 / sum of exp(-4 (pi sigma d)^2), d = 2 sin(a / 2) / wavelength; noise: 1 / 12."""
    lines = oriented_energy(wave((512, 512), 8.0, 90.0) + 0, samples_per_mm=10.0)
    noise = oriented_energy(np.random.default_rng(5).standard_normal((512, 512), dtype=np.float32),
                            samples_per_mm=10.0)
    turns = np.radians(np.array([0, 15, 30, 45, 60, 75, 90, 75, 60, 45, 30, 15]))
    gain = np.exp(-4 * (np.pi * 0.56 * 2 * np.sin(turns / 2)) ** 2)
    inner = np.s_[4:-4, 4:-4]
    assert direction_share(lines, period_mm=0.8)[inner].mean() == pytest.approx(1 / gain.sum(), rel=0.02)
    assert direction_share(lines, period_mm=0.8, line_deg=0.0)[inner].mean() < 0.01
    assert direction_share(noise, period_mm=1.1).mean() == pytest.approx(1 / 12, rel=0.1)
    with pytest.raises(ValueError):
        direction_share(noise, period_mm=0.0)
