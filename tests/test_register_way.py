"""Which way round a piece lies in its frame: faint artwork on real woods, and artwork that looks alike both ways."""
from __future__ import annotations

import cv2
import numpy as np
import pytest

from analysis.geometry import apply_homography
from analysis.register_framed import align_framed
from tests.real_textures import available, load
from tests.textures import piece

S, FRAME_MM = 8.0, (80.0, 60.0)
SHAPE = int(FRAME_MM[1] * S), int(FRAME_MM[0] * S)


def figures(seed, *, even=False, off=0.0):
    """Cover, 0 to 1, of a ring, a word and a line; with `even` the same half a turn round; all `off` samples."""
    rng, cover = np.random.default_rng(seed), np.zeros(SHAPE, np.uint8)
    (x, y), (a, b), (c, d) = (tuple(int(v) for v in rng.uniform([120, 120], [400, 360])) for _ in range(3))
    cv2.circle(cover, (x, y), int(rng.uniform(20, 40)), 255, 5, cv2.LINE_AA)
    cv2.putText(cover, "".join(rng.choice(list("ABCDEFGHKMN"), 3)), (a, b), cv2.FONT_HERSHEY_DUPLEX, 1.6, 255, 5,
                cv2.LINE_AA)
    cv2.line(cover, (c, d), (c + int(rng.uniform(-90, 90)), d + int(rng.uniform(30, 60))), 255, 5, cv2.LINE_AA)
    cover = np.maximum(cover, cover[::-1, ::-1]) if even else cover
    return cv2.warpAffine(cover, np.float32([[1, 0, off], [0, 1, off]]), SHAPE[::-1]) / np.float32(255)


def burnt(seed, cover, depth, frame_mm=FRAME_MM, corners_sd_px=0.1, shrunk=None):
    """A framed piece: a cover burnt on a wood of which the grain's s.d. is 0.1 of the light; all of it `shrunk`."""
    boards = available("wood") or pytest.skip("no wood in the installed packages")
    log = np.log(np.maximum(load(boards[seed % len(boards)]), 1e-3)).astype(np.float32)
    log = cv2.resize(log, cover.shape[::-1], interpolation=cv2.INTER_AREA)
    picture = 0.4 * np.exp(0.1 * (log - log.mean()) / log.std() - depth * cover)
    picture[:6] = picture[-6:] = picture[:, :6] = picture[:, -6:] = 0.06
    shrunk = np.eye(2, 3) if shrunk is None else shrunk
    picture = cv2.warpAffine(picture, shrunk, cover.shape[::-1], flags=cv2.INTER_CUBIC, borderValue=0.4)
    (h, w), s = cover.shape, cover.shape[1] / frame_mm[0]
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]]) - 0.5
    return piece(picture, s=s, frame_mm=frame_mm, corners_px=corners, corners_sd_px=corners_sd_px, method="frame")


@pytest.mark.parametrize("seed", [0, 1])
def test_artwork_as_faint_as_the_grain_tells_the_way_round_where_all_of_it_agrees(seed):
    """Depth 0.12 at a grain of 0.1; unlike artwork, and the same half a turn round, tell another way or none."""
    before = burnt(seed, figures(seed), 0.12)
    match, turned = (align_framed(before, burnt(seed + 1, cover, 0.12))
                     for cover in (figures(seed), figures(seed)[::-1, ::-1]))
    assert match.ok and not match.turned
    assert turned.ok and turned.turned
    assert not align_framed(before, burnt(seed + 1, figures(seed + 50), 0.12)).ok


@pytest.mark.parametrize("off", [0.0, 0.8])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_artwork_that_looks_alike_half_a_turn_round_is_refused(seed, off):
    """Even where it lies a tenth of a millimetre off the frame's middle: corners are not known that well."""
    cover = figures(seed, even=True, off=off)
    match = align_framed(burnt(seed, cover, 0.6), burnt(seed + 1, cover, 0.6))
    assert not match.ok and match.even and "half a turn" in match.reason


def test_artwork_that_looks_alike_a_quarter_turn_round_is_refused_in_a_square():
    cover = figures(3)[:, :480]
    cover = np.maximum.reduce([np.rot90(cover, k) for k in range(4)])
    assert not align_framed(*(burnt(k, cover, 0.6, (60.0, 60.0)) for k in (1, 2))).ok


@pytest.mark.parametrize(("corners_sd_px", "trusted"), [(0.1, True), (1.6, False)])
def test_corners_that_are_known_badly_are_mended_by_the_artwork(corners_sd_px, trusted):
    """A frame taken 0.2 mm too wide on all sides, as a line narrower than its blur may be: 0.4 of 80 mm."""
    scale, middle = 1 - 0.4 / FRAME_MM[0], (np.array(SHAPE[::-1]) - 1) / 2
    shrunk = np.array([[scale, 0, (1 - scale) * middle[0]], [0, scale, (1 - scale) * middle[1]]])
    match = align_framed(burnt(2, figures(2), 0.6, corners_sd_px=corners_sd_px, shrunk=shrunk),
                         burnt(3, figures(2), 0.6))
    far = middle + np.array([[-240, -180], [240, -180], [240, 180], [-240, 180]])
    off = np.hypot(*(apply_homography(match.homography, far) - far @ shrunk[:, :2].T - shrunk[:, 2]).T).max() / S
    assert match.ok and (off > 0.15) == trusted and off < 0.25
