"""Photographs of wood and other grounds without a stripe: how often are they called, and how surely?

    python -m tests.benchmarks.bench_woods [--trials 300] [--first 0] [--mirrored]

Each trial is a part of one photograph of `tests/real_textures.py`: turned, most with the grain nearly square to the
scan, which is the hard case; at 0.45 to 2.5 of its pixels a sample, so enlarged and reduced; its contrast raised to
a power of 0.35 to 1, as char evens it out; and mostly sharpened, noisy and coded as a phone does. With --mirrored the
photograph is first joined with its mirror images, as book-matched veneer is. The period of what is called is printed
in the photograph's own pixels too: what recurs at one number of them is in the photograph.
"""
from __future__ import annotations

import argparse

import cv2
import numpy as np
from tqdm import tqdm

from analysis.camera import without_camera_lines
from analysis.decide import STRIPED, Cause, decide
from analysis.flatten import flatten
from analysis.grain import measure_grain
from analysis.judge import FLOOR_PERCENT, _above_floor, _with_limit_of
from analysis.photo import load_photo
from analysis.stripes import find_stripes, with_detection_limit
from tests.benchmarks.texture_cases import plain_piece
from tests.real_textures import _cut, _largest_zoom, available, load

GREY = 0.3                 # mean reflectance that the photo shows
ZOOMS = 0.45, 2.5          # photograph's pixels a sample


def draw(seed: int, mirrored: bool) -> tuple | None:
    """Photograph's name, coded picture, samples a mm and the photograph's pixels a sample; None where it is too small.

    Returns
    -------
    (str, bytes, float, float) or None
    """
    rng = np.random.default_rng([seed, 777])
    grounds = available("wood" if rng.random() < 0.8 else None)
    texture = grounds[int(rng.integers(len(grounds)))]
    picture, s = load(texture), float(rng.uniform(7, 12))
    if texture.lines_deg is not None and rng.random() < 0.6:
        angle = 90.0 - texture.lines_deg + rng.normal(0, 1.5)
    else:
        angle = rng.uniform(-90, 90) if rng.random() < 0.5 else rng.choice([0, 90, 180, 270]) + rng.normal(0, 0.5)
    if mirrored:
        picture = np.block([[picture, picture[:, ::-1]], [picture[::-1], picture[::-1, ::-1]]])
    size = np.array([rng.uniform(55, 100), rng.uniform(40, 70)]) * s
    shapes = [tuple((shrink * size).astype(int)) for shrink in (1.0, 0.85, 0.72, 0.6, 0.5)]
    fitting = [n for n in shapes if _largest_zoom(picture.shape, n, angle) >= ZOOMS[0]]
    if not fitting:
        return None
    zoom = rng.uniform(ZOOMS[0], min(_largest_zoom(picture.shape, fitting[0], angle), ZOOMS[1]))
    level = _cut(picture, fitting[0], angle, zoom, rng) ** np.float32(rng.uniform(0.35, 1.0))
    level = np.clip(GREY * level / level.mean(), 0.0, 1.0)
    coded = np.where(level <= 0.0031308, 12.92 * level, 1.055 * level ** (1 / 2.4) - 0.055)      # IEC 61966-2-1
    quality = 100
    if rng.random() < 0.6:
        sharpness, quality = rng.uniform(0.0, 0.7), int(rng.integers(75, 97))
        coded = coded + sharpness * (coded - cv2.GaussianBlur(coded, (0, 0), 1.2))
    coded = coded + rng.uniform(0.001, 0.01) * rng.standard_normal(coded.shape)
    data = cv2.imencode(".jpg", np.clip(255 * coded + 0.5, 0, 255).astype(np.uint8),
                        [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
    return texture.name, data, s, float(zoom)


def judge(seed: int, mirrored: bool) -> dict | None:
    """Verdict on one part of a photograph, by the steps that follow the piece."""
    given = draw(seed, mirrored)
    if given is None:
        return None
    name, data, s, zoom = given
    photo = load_photo(data)
    piece = plain_piece(photo.luminance, s)
    texture = flatten(piece)
    found = find_stripes(texture, with_limit=False)
    kept, camera, _ = without_camera_lines(_above_floor(found), piece, photo, texture)
    field = _with_limit_of(with_detection_limit(found, FLOOR_PERCENT), kept)
    cause = Cause(term="camera", words=camera, next_step="") if camera else None
    grain = measure_grain(texture, stripe_model=field.model if field.stripes else None)
    decision = decide(field, grain, cause=cause)
    return {"seed": seed, "name": name, "p": decision.probability_mechanical, "called": decision.verdict in STRIPED,
            "periods": [(c.stripe.period_mm, c.stripe.period_px * zoom, c.probability) for c in field.candidates],
            "camera": camera}


if __name__ == "__main__":
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=300)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--mirrored", action="store_true", help="join each photograph with its mirror images")
    given = parser.parse_args()
    rows = [judge(seed, given.mirrored) for seed in tqdm(range(given.first, given.first + given.trials),
                                                         mininterval=20)]
    rows = [r for r in rows if r is not None]
    for row in rows:
        if row["called"] or row["camera"]:
            print(f"  {row['seed']} {row['name']}: {row['p']:.2f}, " + ", ".join(
                f"{mm:.3f} mm ({px:.2f} px of the photograph) {p:.2f}" for mm, px, p in row["periods"]),
                row["camera"] or "")
    print(f"{len(rows)} parts of {len({r['name'] for r in rows})} photographs; called "
          f"{sum(r['called'] for r in rows)}, over 0.9: {sum(r['p'] > 0.9 for r in rows)}, "
          f"over 0.95: {sum(r['p'] > 0.95 for r in rows)}; laid to the camera {sum(bool(r['camera']) for r in rows)}")
