"""What one view tells of a rectangle and of the lens: proportions, focal length, distortion."""
from __future__ import annotations

import struct
from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from analysis.errors import PhotoError
from analysis.exif import focal_share
from analysis.frame import find_frame
from analysis.frame_given import frame_at
from analysis.geometry import apply_homography, distort, homography_of, lens_of_photo, seen_proportions, undistort
from analysis.photo import load_photo
from analysis.simulate import CameraSpec, PieceSpec, camera_homography, photograph
from tests.hard_frames import LINEAR

SIZE_PX = (2000, 1500)


def corners_at(tilt, azimuth, focal, size=(80.0, 60.0)):
    spec = PieceSpec(width_mm=size[0], height_mm=size[1])
    camera = CameraSpec(size_px=SIZE_PX, px_per_mm=14.0, tilt_deg=tilt, tilt_azimuth_deg=azimuth,
                        focal_fraction=focal)
    w, h = size
    return apply_homography(camera_homography(spec, camera), np.array([[0, 0], [w, 0], [w, h], [0, h]]))


@pytest.mark.parametrize("tilt", [8.0, 18.0, 28.0])
@pytest.mark.parametrize("azimuth", [35.0, 130.0])
def test_proportions_come_from_two_vanishing_points(tilt, azimuth):
    """Closed form of Zhang and He (2007), section 3.2: n2.n2 and n3.n3 in the metric of the focal length."""
    corners = corners_at(tilt, azimuth, 0.75)
    m = [np.append(c - (np.array(SIZE_PX) - 1) / 2, 1.0) for c in corners[[0, 1, 3, 2]]]       # their order m1 .. m4
    k2 = np.cross(m[0], m[3]) @ m[2] / (np.cross(m[1], m[3]) @ m[2])
    k3 = np.cross(m[0], m[3]) @ m[1] / (np.cross(m[2], m[3]) @ m[1])
    n2, n3 = k2 * m[1] - m[0], k3 * m[2] - m[0]
    f2 = -(n2[0] * n3[0] + n2[1] * n3[1]) / (n2[2] * n3[2])
    metric = np.diag([1 / f2, 1 / f2, 1.0])
    theirs = np.sqrt((n2 @ metric @ n2) / (n3 @ metric @ n3))
    assert np.sqrt(f2) == pytest.approx(0.75 * 2000, rel=1e-6) and theirs == pytest.approx(80 / 60, rel=1e-6)
    ours, sd = seen_proportions(corners, (80.0, 50.0), SIZE_PX, 0.1, 0.75)
    assert np.exp(ours) * 80 / 50 == pytest.approx(theirs, rel=0.01) and abs(ours - np.log(50 / 60)) < 3 * sd


@pytest.mark.parametrize(("stated", "exif"), [(1.06, True), (1.12, False), (1.33, False), (0.9, True)])
def test_a_wrong_size_shows_in_a_slanting_view(stated, exif):
    """Ten views at 22 deg: at least nine differ by more than three stated s.d."""
    rng = np.random.default_rng(3)
    seen = []
    for _ in range(10):
        focal = rng.uniform(0.68, 0.82)
        corners = corners_at(22.0, rng.uniform(0, 360), focal) + rng.normal(0, 0.3, (4, 2))
        value, sd = seen_proportions(corners, (80.0 * stated, 60.0), SIZE_PX, 0.3, focal if exif else None)
        seen.append(abs(value) > 3 * sd)
    assert sum(seen) >= 9


def test_the_stated_spread_of_proportions_covers_the_truth():
    """100 views with the right size: none beyond three stated s.d., whether or not the focal length is known."""
    rng = np.random.default_rng(4)
    for _ in range(100):
        focal = rng.uniform(0.66, 0.84)
        corners = corners_at(rng.uniform(0, 30), rng.uniform(0, 360), focal) + rng.normal(0, 0.3, (4, 2))
        for known in (None, focal * np.exp(rng.normal(0, 0.04))):
            value, sd = seen_proportions(corners, (80.0, 60.0), SIZE_PX, 0.3, known)
            assert abs(value) < 3 * sd


def exif_of(mm=26, size=None, order="<"):
    """An Exif block by hand: Exif 2.32, tags 0x8769, 0xA405, 0xA002, 0xA003."""
    tags = [(0xA405, 3, mm)] + ([] if size is None else [(0xA002, 4, size[0]), (0xA003, 4, size[1])])
    sub = struct.pack(order + "H", len(tags)) + b"".join(
        struct.pack(order + "HHI", tag, kind, 1) + struct.pack(order + ("HH" if kind == 3 else "I"),
                                                               *((v, 0) if kind == 3 else (v,)))
        for tag, kind, v in tags) + bytes(4)
    start = struct.pack(order + "HI", 42, 8) + struct.pack(order + "HHHII", 1, 0x8769, 4, 1, 26) + bytes(4)
    return b"Exif\x00\x00" + (b"II" if order == "<" else b"MM") + start + sub


@pytest.mark.parametrize("order", ["<", ">"])
def test_focal_length_of_the_file(order):
    """26 mm against the 43.27 mm diagonal of 36 x 24 mm: 0.751 of the longer side of a 4:3 picture."""
    assert focal_share(exif_of(order=order), (4000, 3000)) == pytest.approx(26 / 43.2666 * 1.25, rel=1e-4)
    assert focal_share(exif_of(order=order, size=(4000, 3000)), (1500, 2000)) == pytest.approx(0.7511, rel=1e-3)
    assert focal_share(exif_of(order=order, size=(4000, 3000)), (2000, 2000)) is None          # cropped since


@pytest.mark.parametrize("damage", [b"", b"Exif\x00\x00II", exif_of()[:30], exif_of(mm=0), exif_of(mm=9999),
                                    b"\x00" * 50])
def test_damaged_exif_states_no_focal_length(damage):
    assert focal_share(damage, (4000, 3000)) is None


def test_focal_length_survives_loading():
    file = BytesIO()
    picture = np.random.default_rng(1).integers(0, 255, (300, 400, 3), np.uint8)
    Image.fromarray(picture).save(file, "JPEG", exif=exif_of(28))
    assert load_photo(file.getvalue()).focal_share == pytest.approx(28 / 43.2666 * 1.25, rel=1e-3)


@pytest.fixture(scope="module")
def slanting():
    """A frame of 80 x 60 mm at 24 degrees, one pair of sides parallel: its proportions need the focal length."""
    camera = CameraSpec(size_px=(1600, 1200), px_per_mm=11.0, tilt_deg=24.0, tilt_azimuth_deg=90.0, turn_deg=0.0,
                        focal_fraction=0.75, clutter_seed=None)
    shot = photograph(PieceSpec(width_mm=80.0, height_mm=60.0, artwork=("frame", "text")), camera, 2)
    return LINEAR[shot.srgb] @ np.array([0.2126, 0.7152, 0.0722], np.float32), shot


def test_a_wrong_size_is_refused_or_named_and_the_right_one_passes(slanting):
    """80 x 66 fits through a shorter lens only: with the file's focal length it is refused, without it is named."""
    luminance, shot = slanting
    assert not find_frame(luminance, (80.0, 60.0), 0.75).warnings
    with pytest.raises(PhotoError):
        find_frame(luminance, (80.0, 68.0), 0.75)
    given = frame_at(luminance, shot.corners_px, (80.0, 68.0), 2.0, focal_share=0.75)
    assert any("80 x 6" in words and "do not fit" in words for words in given.warnings)
    assert given.shape_scale_sd > 0.04


@pytest.mark.parametrize("k1", [0.02, -0.015])
def test_a_grid_is_straight_again_after_the_frame_s_own_distortion_is_taken_out(k1):
    """Protocol of Devernay and Faugeras, "Straight lines have to be straight", MVA 13 (2001) 14-24.

    Points of a 9 x 7 grid on the piece go through the exact lens (closed form); the k1 that the sides' curvature
    showed must bring each row and column within 0.15 px of a line, from up to several pixels.
    """
    camera = CameraSpec(size_px=(2000, 1500), px_per_mm=19.0, tilt_deg=6.0, turn_deg=3.0, k1=k1, clutter_seed=None)
    spec = PieceSpec(width_mm=80.0, height_mm=60.0, artwork=("frame", "text"), margin_mm=(8.0,) * 4)
    shot = photograph(spec, camera, 5)
    frame = find_frame(LINEAR[shot.srgb] @ np.array([0.2126, 0.7152, 0.0722], np.float32), (80.0, 60.0))
    assert frame.k1 == pytest.approx(k1, abs=4 * frame.k1_sd)
    x, y = np.meshgrid(np.linspace(0, 80, 9), np.linspace(0, 60, 7))
    ideal = apply_homography(shot.homography, np.stack([x, y], axis=-1))
    bent = distort(ideal, lens_of_photo((2000, 1500), k1))
    straight = undistort(bent, lens_of_photo((2000, 1500), frame.k1))

    def worst(points):
        lines = [*points, *np.swapaxes(points, 0, 1)]
        return max(np.abs((line - line.mean(axis=0)) @ np.linalg.svd(line - line.mean(axis=0))[2][1]).max()
                   for line in lines)
    assert worst(bent) > 1.0 and worst(straight) < 0.15
    there = apply_homography(np.linalg.inv(homography_of(undistort(frame.corners_px, lens_of_photo(
        (2000, 1500), frame.k1)), (80.0, 60.0))), straight)
    turned = min(np.abs(one - np.stack([x, y], axis=-1)).max() for one in (there, np.array([80.0, 60.0]) - there))
    assert turned < 0.06
