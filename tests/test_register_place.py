"""What proves an alignment by artwork: one pattern on two boards against chance, words in common and stripes."""
from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from analysis.register_free import LEAST_FIRST, LEAST_RATIO, LEAST_SHARE, MOST_EVEN
from analysis.register_place import compared, whitened
from analysis.strokes import stroke_depth
from tests.real_textures import available, load

SHAPE, WIDEST = (360, 480), 16.0       # 72 x 96 mm at 5 samples per mm


def texture(seed):
    """Log light of a real texture, s.d. 0.1: wood where a package has some, else grass and gravel."""
    boards = available("wood")
    if boards:
        picture = load(boards[seed % len(boards)])
    else:
        picture = (data.grass(), data.gravel())[seed % 2].astype(np.float32) + 1
    log = cv2.resize(np.log(np.maximum(picture, 1e-3)).astype(np.float32), SHAPE[::-1], interpolation=cv2.INTER_AREA)
    log = log - log.mean()
    return 0.1 * log / log.std()


def artwork(seed, figures=3, size=40):
    """Cover, 0 to 1, of figures of a few mm, all in the middle: rings, lines and letters."""
    rng, cover = np.random.default_rng(1000 + seed), np.zeros(SHAPE, np.uint8)
    for k in range(figures):
        x, y = (int(v) for v in rng.uniform(-size, size, 2) + [SHAPE[1] / 2, SHAPE[0] / 2])
        if k % 3 == 0:
            cv2.circle(cover, (x, y), int(rng.uniform(12, 25)), 255, 3, cv2.LINE_AA)
        elif k % 3 == 1:
            word = "".join(rng.choice(list("ABCDEFGHKMNRSTUXYZ"), 3))
            cv2.putText(cover, word, (x, y), cv2.FONT_HERSHEY_DUPLEX, 1.0, 255, 3, cv2.LINE_AA)
        else:
            cv2.line(cover, (x, y), (x + int(rng.uniform(-60, 60)), y + int(rng.uniform(20, 40))), 255, 3, cv2.LINE_AA)
    return cover / np.float32(255)


def place(first, second, seeds=(1, 2), depths=(0.6, 0.6), stripes=0.0):
    """Compare two covers, each burnt on a board of its own."""
    wave = stripes * np.cos(2 * np.pi * np.arange(SHAPE[1]) / 11.0)
    pictures = [np.exp(texture(seed) - depth * cover + wave).astype(np.float32)
                for cover, seed, depth in zip((first, second), seeds, depths, strict=True)]
    return compared(*(stroke_depth(one, WIDEST) for one in pictures), np.ones(SHAPE, bool), WIDEST)


@pytest.mark.parametrize("depths", [(0.6, 0.6), (1.0, 0.3), (0.2, 0.2)])
def test_few_small_figures_stand_out_of_two_real_textures_however_deep_each_is_burnt(depths):
    found = place(artwork(1), artwork(1), depths=depths)
    assert found.share > LEAST_SHARE
    assert found.ratio > LEAST_RATIO


@pytest.mark.parametrize("seeds", [(1, 2), (3, 5), (6, 1)])
def test_a_pattern_of_one_and_a_half_times_the_texture_is_found_where_it_lies(seeds):
    """0.15 deep on a texture of 0.1 s.d., moved by a known shift; the answer is right to a sample."""
    first, second = artwork(1), np.roll(artwork(1), (9, -14), axis=(0, 1))
    depths = [stroke_depth(np.exp(texture(seed) - 0.15 * cover).astype(np.float32), WIDEST)
              for cover, seed in zip((first, second), seeds, strict=True)]
    surface = whitened(*depths, np.ones(SHAPE, bool), WIDEST).surface
    row, column = np.unravel_index(surface.argmax(), surface.shape)
    assert abs(row - 9) <= 1 and abs(column - surface.shape[1] + 14) <= 1


def test_unlike_figures_never_agree():
    """40 pairs at the place where they agree best, as a search would lay them: the worst stays below both limits."""
    worst = []
    for seed in range(40):
        first, second = artwork(seed), artwork(seed + 100)
        blurred = [cv2.GaussianBlur(one, (0, 0), 2.0) for one in (first, second)]
        spectra = [np.fft.rfft2(one - one.mean()) for one in blurred]
        move = np.unravel_index(np.fft.irfft2(spectra[0] * np.conj(spectra[1]), SHAPE).argmax(), SHAPE)
        worst.append(place(first, np.roll(second, move, axis=(0, 1)), seeds=(seed, seed + 1)))
    assert max(one.share for one in worst) < LEAST_SHARE
    assert max(one.ratio for one in worst) < LEAST_RATIO
    assert max(one.alone for one in worst) < LEAST_RATIO


def row_of_rings(count=6, apart=50):
    """Cover of equal rings in a row, and a word."""
    cover = np.zeros(SHAPE, np.uint8)
    for k in range(count):
        cv2.circle(cover, (90 + apart * k, 200), 20, 255, 3, cv2.LINE_AA)
    cv2.putText(cover, "RXY", (90, 150), cv2.FONT_HERSHEY_DUPLEX, 1.2, 255, 4, cv2.LINE_AA)
    return cover / np.float32(255)


def test_a_row_of_equal_rings_fits_beside_its_place_as_its_own_repetition_tells():
    found = place(row_of_rings(), row_of_rings())
    assert found.ratio < LEAST_RATIO < found.alone
    assert found.ratio > LEAST_FIRST
    assert found.share > LEAST_SHARE


def test_a_row_of_equal_rings_laid_one_ring_farther_is_not_the_first_place():
    found = place(row_of_rings(), np.roll(row_of_rings(), 50, axis=1))
    assert found.ratio < 1.0 < LEAST_FIRST


def test_a_word_in_common_among_other_artwork_is_no_artwork_in_common():
    word = np.zeros(SHAPE, np.uint8)
    cv2.putText(word, "LOT 7", (200, 90), cv2.FONT_HERSHEY_DUPLEX, 1.0, 255, 3, cv2.LINE_AA)
    covers = [np.maximum(word / np.float32(255), artwork(seed, figures=9, size=70)) for seed in (1, 2)]
    assert place(*covers).share < LEAST_SHARE
    assert place(covers[0], covers[0]).share > LEAST_SHARE


@pytest.mark.parametrize("stripes", [0.1, 0.3])
def test_stripes_in_one_place_on_both_boards_prove_nothing_and_hide_nothing(stripes):
    unlike, alike = place(artwork(1), artwork(2), stripes=stripes), place(artwork(1), artwork(1), stripes=stripes)
    assert unlike.share < LEAST_SHARE < alike.share
    assert unlike.ratio < LEAST_RATIO < alike.ratio


def test_bare_boards_and_a_photo_that_shows_nothing_of_the_other_are_no_place():
    bare = place(np.zeros(SHAPE, np.float32), np.zeros(SHAPE, np.float32))
    assert bare.share < LEAST_SHARE or bare.ratio < LEAST_RATIO
    nothing = compared(artwork(1), artwork(1), np.zeros(SHAPE, bool), WIDEST)
    assert (nothing.share, nothing.ratio) == (0.0, 0.0)


@pytest.mark.parametrize("even", [False, True])
def test_artwork_that_looks_alike_half_a_turn_round_agrees_so_wherever_its_middle_lies(even):
    cover = artwork(4, figures=4)
    if even:                               # about a place 3 mm off the picture's middle
        cover = np.roll(np.maximum(cover, cover[::-1, ::-1]), 15, axis=(0, 1))
    found = place(cover, cover)
    assert (found.even > MOST_EVEN) == even
