"""Photo files to upright linear light."""
from __future__ import annotations

import io
import sys
import tracemalloc

import colour
import cv2
import numpy as np
import photo_files as files
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from PIL import Image, ImageCms, ImageOps

from analysis.decode import MAX_PIXELS, decode, lost_to_compression_percent
from analysis.errors import PhotoError
from analysis.icc import profile_curves, read_profile
from analysis.photo import load_photo
from analysis.sharpness import blur_px, half_contrast_period_px
from analysis.tone import linear_to_srgb, luminance_curves, srgb_to_linear

# D50-adapted primaries of the Display P3 profile (published with the profile; colour-science agrees below)
P3_D50 = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))


@pytest.mark.parametrize(("code", "linear"), [
    (0, 0.0), (10, 0.003035270), (11, 0.003346536), (128, 0.215860500), (188, 0.502886458), (255, 1.0)])
def test_srgb_curve_has_the_values_of_the_standard(code, linear):
    """IEC 61966-2-1:1999: c / 12.92 up to 0.04045 (code 10), ((c + 0.055) / 1.055)^2.4 above."""
    assert srgb_to_linear(np.array(code / 255)) == pytest.approx(linear, abs=1e-8)


def test_eighteen_percent_grey_is_code_117_65():
    """IEC 61966-2-1:1999, the inverse at linear 0.18."""
    assert 255 * linear_to_srgb(np.array(0.18)) == pytest.approx(117.646, abs=1e-3)


def test_all_codes_agree_with_colour_science():
    codes = np.arange(256) / 255
    assert srgb_to_linear(codes) == pytest.approx(colour.models.eotf_sRGB(codes), abs=1e-12)


def test_the_curve_is_undone_by_its_inverse():
    codes = np.linspace(0, 1, 65536)
    assert_allclose(linear_to_srgb(srgb_to_linear(codes)), codes, atol=3e-8, rtol=0)


def test_luminance_of_a_colour_photo_is_y_of_linear_srgb():
    """Y = 0.2126 R + 0.7152 G + 0.0722 B in linear light (IEC 61966-2-1); reference: colour-science."""
    array = files.picture()
    reference = colour.models.eotf_sRGB(array / 255) @ np.array([0.2126, 0.7152, 0.0722])
    photo = load_photo(files.encode(array))
    assert_allclose(photo.luminance, reference, atol=2e-7, rtol=0)
    assert photo.luminance.dtype == np.float32


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WebP", "TIFF"])
def test_exif_orientation_is_honoured_as_by_pillow(kind, orientation):
    """Table of tag 0x0112 in Exif 2.32; reference: Pillow's exif_transpose."""
    options = {"lossless": True} if kind == "WebP" else {"quality": 95} if kind == "JPEG" else {}
    data = files.with_orientation(files.picture(), orientation, kind, **options)
    reference = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))
    photo = load_photo(data)
    assert photo.size_px == reference.shape[1::-1]
    assert np.abs(photo.preview.astype(int) - reference).max() <= (2 if kind == "JPEG" else 0)


@pytest.mark.parametrize("lacking", ["memfd_create", "no memory files", None])
def test_a_file_in_memory_is_decoded_as_the_bytes_are(monkeypatch, lacking):
    """As `cv2.imdecode` decodes the same bytes; where the system has no such file it is what decodes them."""
    data = cv2.imencode(".jpg", np.random.default_rng(3).integers(0, 256, (150, 200, 3), np.uint8))[1].tobytes()
    if lacking == "memfd_create":
        monkeypatch.delattr("os.memfd_create", raising=False)
    elif lacking:
        def refuse(_name):
            raise OSError(38, "Function not implemented")
        monkeypatch.setattr("os.memfd_create", refuse, raising=False)
    np.testing.assert_array_equal(decode(data).pixels, cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR))


def test_orientation_six_puts_the_first_row_on_the_right():
    """Exif 2.32: value 6 means that row 0 of the file is the picture's right-hand side."""
    array = np.full((240, 320, 3), 90, np.uint8)
    array[:40] = 200
    photo = load_photo(files.with_orientation(array, 6, "PNG"))
    assert photo.size_px == (240, 320)
    assert photo.luminance[:, -30:].min() > 2 * photo.luminance[:, :100].max()


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_heic_is_turned_once_and_not_twice(orientation):
    """Phones store HEIC with both a turn of the container and the EXIF tag; the turn counts once."""
    heif = pytest.importorskip("pillow_heif", reason="the extra `heic` is not installed")
    heif.register_heif_opener()
    array = np.full((256, 384, 3), 90, np.uint8)
    array[:60, :120] = 210
    image = Image.fromarray(array)
    exif = image.getexif()
    exif[0x0112] = orientation
    out = io.BytesIO()
    image.save(out, "HEIF", quality=95, exif=exif.tobytes())
    reference = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(out.getvalue()))).convert("RGB"))
    expected = np.asarray(ImageOps.exif_transpose(_tagged(image, orientation)))
    assert np.abs(reference.astype(int) - expected).mean() < 3     # Pillow's reader and the plain turn agree
    photo = load_photo(out.getvalue(), "a.heic")
    assert photo.size_px == expected.shape[1::-1]
    assert np.abs(photo.preview.astype(int) - expected).mean() < 3


def _tagged(image: Image.Image, orientation: int) -> Image.Image:
    return Image.open(io.BytesIO(files.with_orientation(np.asarray(image), orientation, "PNG")))


def test_heic_without_its_reader_names_the_extra(monkeypatch):
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    monkeypatch.setitem(sys.modules, "pillow_heif.as_plugin", None)
    with pytest.raises(PhotoError, match=r"extra `heic`.*JPEG"):
        load_photo(b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(100))


@pytest.mark.parametrize("suffix", [".png", ".tiff"])
@pytest.mark.parametrize("channels", [1, 3])
def test_sixteen_bits_are_kept(suffix, channels):
    """A step of one in 65 536 at mid grey is still there: reference colour-science."""
    codes = np.linspace(20000, 21000, 320 * 240).reshape(240, 320).astype(np.uint16)
    codes[0, :50] = 60000
    array = codes if channels == 1 else np.repeat(codes[..., None], 3, axis=2)
    photo = load_photo(files.by_opencv(array, suffix))
    assert photo.bits == 16
    assert_allclose(photo.luminance, colour.models.eotf_sRGB(codes / 65535), rtol=2e-6)
    assert len(np.unique(photo.luminance)) > 900


def test_floating_point_tiff_is_taken_as_linear_light():
    array = np.linspace(0.1, 0.9, 320 * 240, dtype=np.float32).reshape(240, 320)
    photo = load_photo(files.by_opencv(array, ".tiff"))
    assert_allclose(photo.luminance, array, atol=1e-7, rtol=0)
    assert photo.preview[0, 0, 0] == round(255 * float(colour.models.eotf_inverse_sRGB(0.1)))


@pytest.mark.parametrize(("array", "mode", "kind"), [
    (files.grey_picture(), None, "PNG"), (files.grey_picture(), None, "TIFF"),
    (files.grey_picture(), None, "BMP"),
    (files.grey_picture(), None, "WebP"), (np.repeat(files.grey_picture()[..., None], 3, 2), None, "PNG"),
    (np.repeat(files.grey_picture()[..., None], 3, 2), "RGBA", "PNG"),
    (np.repeat(files.grey_picture()[..., None], 3, 2), "RGBA", "TIFF")])
def test_grey_is_the_same_in_every_container(array, mode, kind):
    options = {"lossless": True} if kind == "WebP" else {}
    photo = load_photo(files.encode(array, kind, mode=mode, **options))
    assert_allclose(photo.luminance, srgb_to_linear(files.grey_picture() / 255), atol=2e-7, rtol=0)
    assert photo.warnings == ()


def test_palette_gif_and_png_show_their_colours():
    image = Image.fromarray(files.picture()).quantize(200)
    reference = srgb_to_linear(np.asarray(image.convert("RGB")) / 255) @ np.array([0.2126, 0.7152, 0.0722])
    for kind in ("GIF", "PNG"):
        assert_allclose(load_photo(files.encode(image, kind)).luminance, reference, atol=3e-7, rtol=0)


def test_transparent_parts_are_white_and_said():
    rgba = np.dstack([files.picture(), np.full((240, 320), 255, np.uint8)])
    rgba[:20, :20, 3] = 0
    photo = load_photo(files.encode(rgba))
    assert_allclose(photo.luminance[:20, :20], 1.0, atol=1e-6, rtol=0)
    assert any("transparent" in warning for warning in photo.warnings)


def test_print_colours_are_read_and_said():
    photo = load_photo(files.encode(files.picture(), "JPEG", mode="CMYK"))
    assert any("CMYK" in warning for warning in photo.warnings)
    reference = srgb_to_linear(files.picture()[..., 1] / 255)
    assert np.corrcoef(photo.luminance.ravel(), reference.ravel())[0, 1] > 0.8


def test_first_frame_of_an_animation_is_used_and_said():
    frames = [Image.fromarray(files.picture(seed)) for seed in (1, 2, 3)]
    for kind in ("GIF", "WebP", "PNG", "TIFF"):
        options = {"lossless": True} if kind == "WebP" else {}
        photo = load_photo(files.encode(frames[0], kind, save_all=True, append_images=frames[1:], **options))
        assert any("3 pictures" in warning for warning in photo.warnings), kind
        reference = load_photo(files.encode(frames[0], kind, **options))
        assert np.abs(photo.luminance - reference.luminance).mean() < 0.01, kind


@pytest.mark.parametrize(("subsampling", "block"), [(0, 8), (1, 16), (2, 16)])
def test_block_size_follows_the_colour_subsampling(subsampling, block):
    """ISO/IEC 10918-1, A.2: the smallest coded unit is 8 px times the largest sampling factor."""
    assert load_photo(files.encode(files.picture(), "JPEG", subsampling=subsampling)).block_px == block


def test_block_size_of_grey_jpeg_is_8_and_of_png_none():
    assert load_photo(files.encode(files.grey_picture(), "JPEG")).block_px == 8
    assert load_photo(files.encode(files.grey_picture())).block_px == 0


def test_display_p3_photo_agrees_with_colour_science():
    icc = files.profile(P3_D50, files.srgb_like_curve())
    array = files.picture()
    photo = load_photo(files.encode(array, icc_profile=icc))
    linear = colour.models.eotf_sRGB(array / 255) @ colour.matrix_RGB_to_RGB("Display P3", "sRGB").T
    assert_allclose(photo.luminance, linear @ np.array([0.2126, 0.7152, 0.0722]), rtol=2e-3)
    shown = colour.models.eotf_inverse_sRGB(np.clip(linear, 0, 1)) * 255
    assert np.abs(photo.preview - shown).max() < 3      # the profile's numbers have four digits
    assert photo.warnings == ()


def test_the_profile_of_srgb_itself_changes_nothing():
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    array = files.picture()
    plain, tagged = load_photo(files.encode(array)), load_photo(files.encode(array, icc_profile=icc))
    assert_allclose(tagged.luminance, plain.luminance, rtol=1e-3)
    assert np.array_equal(tagged.preview, plain.preview)


@pytest.mark.parametrize("gamma", [1.0, 1.8, 2.2])
def test_grey_profile_with_a_power_curve_is_undone(gamma):
    """curveType with one entry is Y = X^gamma (ICC.1:2022, 10.6)."""
    icc = files.profile((), files.gamma_curve(gamma), b"GRAY")
    array = files.grey_picture()
    photo = load_photo(files.encode(array, icc_profile=icc))
    exact = round(gamma * 256) / 256
    assert_allclose(photo.luminance, (array / 255.0) ** exact, atol=2e-6, rtol=0)


def test_profile_by_table_is_interpolated():
    table = np.round(65535 * np.linspace(0, 1, 64) ** 2.0).astype(">u2")
    curve = b"curv" + bytes(4) + (64).to_bytes(4, "big") + table.tobytes()
    found = profile_curves(read_profile(files.profile((), curve, b"GRAY")), 256, 1)[0]
    bound = 2.0 / 63**2 / 8 + 1 / 65535        # a parabola between the table's points, and its 16 bits
    assert_allclose(found, np.linspace(0, 1, 256) ** 2, atol=bound, rtol=0)


def test_a_damaged_profile_is_said_and_srgb_assumed():
    array = files.picture()
    photo = load_photo(files.encode(array, icc_profile=b"no profile at all" * 20))
    assert any("profile" in warning for warning in photo.warnings)
    assert np.array_equal(photo.luminance, load_photo(files.encode(array)).luminance)


@given(st.binary(max_size=600), st.integers(0, 500))
@settings(max_examples=300)
def test_no_profile_makes_the_reader_fail(noise, at):
    sound = files.profile(P3_D50, files.srgb_like_curve())
    read_profile(noise)
    found = read_profile(sound[:at] + noise + sound[at + len(noise):])
    assert found is None or all(np.isfinite(curve).all() for curve in found.curves)


def test_preview_is_small_and_its_scale_is_that_of_the_photo():
    photo = load_photo(files.encode(files.picture(size=(3000, 1000)), "JPEG"))
    assert photo.preview.shape == (667, 2000, 3)
    assert photo.preview_scale == pytest.approx(2 / 3)
    assert photo.clipped.shape == (667, 2000)


def test_results_are_read_only():
    photo = load_photo(files.encode(files.picture()))
    for array in (photo.luminance, photo.preview, photo.clipped):
        assert not array.flags.writeable


def test_glare_is_marked_where_any_channel_is_at_full_scale():
    array = files.picture()
    array[:80, :100, 0] = 255
    photo = load_photo(files.encode(array))
    assert photo.clipped[:80, :100].all() and not photo.clipped[90:].any()
    assert any("glare" in warning for warning in photo.warnings)


def test_a_dark_photo_is_said():
    assert any("dark" in warning for warning in load_photo(files.encode(files.picture() // 8)).warnings)
    assert not load_photo(files.encode(files.picture())).warnings


@pytest.mark.parametrize(("array", "words"), [(np.zeros((240, 320, 3), np.uint8), "black"),
                                              (np.full((240, 320, 3), 255, np.uint8), "white"),
                                              (np.full((240, 320, 3), 130, np.uint8), "even tone")])
def test_blank_pictures_are_refused(array, words):
    with pytest.raises(PhotoError, match=words):
        load_photo(files.encode(array))


def _edges(sigma: float, noise: float, angle: float = 6.0) -> np.ndarray:
    """Dark bars with exact Gaussian edges: the integral of a Gaussian across a line is the normal curve."""
    from scipy.special import ndtr
    y, x = np.mgrid[:900, :1200].astype(np.float32)
    a = np.radians(angle)
    out = np.full(x.shape, 0.5)
    for u in (x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)):
        for place in (200, 500, 800):
            out -= 0.2 * (ndtr((u - place) / sigma) - ndtr((u - place - 60) / sigma))
    return (out + noise * np.random.default_rng(7).standard_normal(x.shape)).astype(np.float32)


@pytest.mark.parametrize("noise", [0.0, 0.005])
@pytest.mark.parametrize("sigma", [0.8, 1.5, 2.5, 4.0])
def test_blur_of_exact_edges_is_found_within_a_fifth(sigma, noise):
    """Truth by construction. The slant over the 5 px mean adds 0.15 px; the sharpest fifth takes some off."""
    assert blur_px(_edges(sigma, noise)) == pytest.approx(sigma, rel=0.2)


def test_blur_in_one_direction_counts_in_full():
    moved = cv2.GaussianBlur(_edges(0.8, 0.0), (0, 1), sigmaX=3.0, sigmaY=0.01)
    assert blur_px(moved) == pytest.approx(np.hypot(0.8, 3.0), rel=0.2)


def test_blur_of_a_photo_without_edges_is_unknown():
    assert blur_px(np.full((400, 500), 0.4, np.float32)) is None


def test_half_contrast_period_is_that_of_a_gaussian():
    """MTF of a Gaussian: exp(-2 pi^2 s^2 / p^2) = 1/2; checked by blurring a cosine."""
    sigma = 3.0
    period = half_contrast_period_px(sigma)
    assert np.exp(-2 * np.pi**2 * sigma**2 / period**2) == pytest.approx(0.5)
    x = np.arange(4000, dtype=np.float32)
    wave = np.cos(2 * np.pi * x / period)[None]
    blurred = cv2.GaussianBlur(wave, (0, 1), sigmaX=sigma, sigmaY=0.01)[0, 500:-500]
    assert np.ptp(blurred) / 2 == pytest.approx(0.5, abs=0.01)


def test_a_blurred_photo_is_said_with_the_period_it_eats():
    def coded(sigma):
        return np.round(255 * linear_to_srgb(np.clip(_edges(sigma, 0.003), 0, 1))).astype(np.uint8)
    assert not load_photo(files.encode(coded(1.0))).warnings
    warning, = load_photo(files.encode(coded(5.0))).warnings
    assert "blurred" in warning


def test_nothing_of_the_exif_data_is_kept():
    image = Image.fromarray(files.picture())
    exif = image.getexif()
    exif[0x010F], exif[0x9003] = "MAKER-NAME", "2020:01:02 03:04:05"
    exif.get_ifd(0x8825)[2] = (48.0, 51.0, 30.0)
    photo = load_photo(files.encode(image, "JPEG", exif=exif), "/home/someone/secret/a.jpg")
    assert photo.name == "a.jpg"
    assert load_photo(files.encode(image, "JPEG"), "C:\\Users\\someone\\b.jpg").name == "b.jpg"
    assert "MAKER-NAME" not in repr(photo) and not hasattr(photo, "exif")


def test_a_size_beyond_the_limit_is_refused_before_decoding():
    """A declared 20 000 x 20 000 picture would take 1.2 GB; refusing it takes next to nothing."""
    tracemalloc.start()
    with pytest.raises(PhotoError, match="20000 x 20000.*120 megapixels"):
        load_photo(files.png_header(20000, 20000))
    assert tracemalloc.get_traced_memory()[1] < 5e6
    tracemalloc.stop()
    assert MAX_PIXELS == 120_000_000


def test_curves_carry_the_weights_of_luminance():
    red, green, blue = luminance_curves(256)
    assert (red[255], green[255], blue[255]) == pytest.approx((0.2126, 0.7152, 0.0722))
    assert red[255] + green[255] + blue[255] == pytest.approx(1.0, abs=1e-7)


def test_a_jpeg_damaged_inside_is_said_and_only_that_one(capfd):
    """Zeros in the middle of the coded picture: the decoder goes on with wrong blocks. Two threads, one sound file."""
    from concurrent.futures import ThreadPoolExecutor
    sound = files.encode(files.picture(size=(1200, 900)), "JPEG", quality=95)
    middle = len(sound) // 2
    damaged = sound[:middle] + bytes(2000) + sound[middle + 2000:]
    with ThreadPoolExecutor(4) as pool:
        photos = list(pool.map(load_photo, [sound, damaged] * 6))
    for i, photo in enumerate(photos):
        assert any("damaged" in warning for warning in photo.warnings) == (i % 2 == 1)
    assert capfd.readouterr().err == ""


def test_standard_error_comes_back_after_use(capfd):
    import os

    from analysis.quiet import quietly
    with quietly() as heard:
        os.write(2, b"a library's complaint\n")
    os.write(2, b"ours\n")
    assert heard.text == "a library's complaint\n"
    assert capfd.readouterr().err == "ours\n"


@pytest.mark.parametrize("length", [2**32 - 1, 2**31 - 1, 100_000])
def test_a_png_chunk_longer_than_the_file_is_refused_without_its_memory(length):
    """Found by the fuzz run: the decoder took 4 GB and half a minute for such a file."""
    data = bytearray(files.by_opencv(files.picture().astype(np.uint16) * 257, ".png"))
    at = data.index(b"IDAT") - 4
    data[at:at + 4] = length.to_bytes(4, "big")
    with pytest.raises(PhotoError, match="cut short|damaged"):
        load_photo(bytes(data))


@pytest.mark.parametrize("quality", [30, 50, 70])
def test_what_compression_swallows_is_where_the_formula_says(quality):
    """A noise-free cosine of 16 px: gone at 0.7 of the computed contrast, there at 1.4 of it."""
    data = files.encode(np.full((64, 64), 128, np.uint8), "JPEG", quality=quality)
    table = Image.open(io.BytesIO(data)).quantization[0]
    limit = lost_to_compression_percent({0: [table[1]] * 64})
    x = np.arange(512)
    for factor, there in ((0.7, False), (1.4, True)):
        amplitude = factor * limit / 200 * 142.0 / 2.4         # codes: contrast / 2 over the slope at code 128
        wave = np.rint(128 + amplitude * np.cos(np.pi * (2 * x + 1) / 16))
        coded = files.encode(np.tile(wave.astype(np.uint8), (64, 1)), "JPEG", quality=quality)
        back = np.asarray(Image.open(io.BytesIO(coded)), np.float64).mean(axis=0)
        left = 2 * np.abs(np.mean((back - 128) * np.exp(1j * np.pi * x / 8)))
        assert (left > 0.5 * amplitude) == there


def test_strong_compression_is_said_and_a_phones_own_is_not():
    strong, mild = (load_photo(files.encode(files.picture(), "JPEG", quality=q)) for q in (40, 92))
    assert any("compressed" in warning for warning in strong.warnings)
    assert mild.warnings == ()
