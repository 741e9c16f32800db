"""Bare boards and benches of the second simulator: trunks cut by a plane, fibres, pores, knots; see other_bench."""
from __future__ import annotations

import cv2
import numpy as np
from PIL import Image, ImageDraw

from tests.real_textures import available, load

__all__ = ["BENCHES", "WOODS", "bench", "lattice", "wood"]

WOODS = ("flat sawn", "quarter sawn", "oblique", "rotary", "plain", "near parallel", "real")
BENCHES = ("steel", "mat", "newsprint", "cloth", "boards")


def lattice(rng, shape, step):
    """Smooth unit-variance noise with features of about `step` samples."""
    small = rng.standard_normal((int(shape[0] / step) + 4, int(shape[1] / step) + 4)).astype(np.float32)
    big = cv2.resize(small, (shape[1] + int(2 * step), shape[0] + int(2 * step)), interpolation=cv2.INTER_CUBIC)
    field = big[:shape[0], :shape[1]]
    return field / field.std()


def ring_tone(rng, radius, mean_mm, variation):
    """Tone in each ring, mean 0: log-normal widths, AR(1) with lag-1 correlation 0.6."""
    count = int(np.ptp(radius) / mean_mm * 2.5) + 30
    spread = np.sqrt(np.log1p(variation ** 2))
    walk = np.empty(count)
    walk[0] = rng.standard_normal()
    for i in range(1, count):
        walk[i] = 0.6 * walk[i - 1] + 0.8 * rng.standard_normal()
    edges = np.cumsum(mean_mm * np.exp(spread * walk - spread ** 2 / 2))
    ring = np.interp(radius - radius.min() + edges[0] * rng.uniform(0.1, 1), edges, np.arange(count))
    share, late = ring % 1, 1 + 0.3 * rng.standard_normal(count + 1)
    power = rng.choice([1.5, 3.0, 6.0])
    tone = share ** power if rng.random() < 0.6 else 0.5 - 0.5 * np.cos(2 * np.pi * share)
    tone = tone * late[ring.astype(int)]
    return ((tone - tone.mean()) / tone.std()).astype(np.float32)


def fibres(rng, along, across, s):
    """Fine structure drawn out along the grain, and pores as short dark dashes."""
    sheet = rng.standard_normal((1024, 1024)).astype(np.float32)
    sheet = sum(cv2.GaussianBlur(sheet[::-1] if k else sheet, (0, 0), sigmaX=6 * 2 ** k, sigmaY=0.6 * 2 ** k) * 2 ** k
                for k in range(3))
    pores = np.zeros_like(sheet)
    for x, y in rng.integers(0, 1000, (int(rng.choice([0, 800, 3000])), 2)):
        cv2.line(pores, (int(x), int(y)), (int(x + rng.integers(6, 40)), int(y)), 1.0, 1)
    sheet = sheet / sheet.std() - 1.5 * pores
    k = 9.0                                # samples of the sheet per mm
    return cv2.remap(sheet, (along * k % 1022).astype(np.float32), (across * k % 1022).astype(np.float32),
                     cv2.INTER_LINEAR)


def wood(rng, kind, x, y, s):
    """Log reflectance of bare wood, mean 0."""
    shape = x.shape
    if kind == "real":
        textures = available("wood") + available("other")[:6]
        picture = load(textures[int(rng.integers(len(textures)))])
        scale = max(0.9 * min(picture.shape) / max(np.ptp(x), np.ptp(y)), 3.0) * rng.uniform(0.9, 1.2)
        a = rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.05)
        u, v = (x * np.cos(a) + y * np.sin(a)) * scale, (y * np.cos(a) - x * np.sin(a)) * scale
        seen = cv2.remap(picture, (u - u.min()).astype(np.float32), (v - v.min()).astype(np.float32),
                         cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        tone = np.log(np.maximum(seen, 0.05))
        return (tone - tone.mean()) * min(1.0, 0.15 / tone.std())
    a = np.radians({"near parallel": 90 + rng.normal(0, 2), "quarter sawn": rng.choice([0, 90]) + rng.normal(0, 6),
                    }.get(kind, rng.uniform(0, 180)))
    wander = 0.25 * lattice(rng, shape, 18 * s) + 0.05 * lattice(rng, shape, 5 * s)
    along, across = x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)
    for _ in range(int(rng.poisson(0.5)) if kind != "near parallel" else 0):
        cx, cy, size = rng.uniform(x.min(), x.max()), rng.uniform(y.min(), y.max()), rng.uniform(2, 5)
        d2 = ((x - cx) ** 2 + (y - cy) ** 2) / size ** 2
        wander = wander + size * np.sign(across - across.mean()) * np.exp(-d2 / 3)
    mean_mm = float(rng.uniform(0.9, 4.0))
    if kind in ("flat sawn", "oblique"):   # a trunk that runs out of the plane: arches
        depth, lean = rng.uniform(3, 60), rng.normal(0, 0.08) if kind == "flat sawn" else rng.normal(0, 0.3)
        radius = np.hypot(across - across.mean() + rng.uniform(-30, 30) + wander, depth + lean * along)
        tone = ring_tone(rng, radius, mean_mm, rng.uniform(0.12, 0.4))
    elif kind in ("quarter sawn", "near parallel"):
        radius = np.hypot(across + rng.uniform(80, 300) + wander * rng.choice([0.1, 0.4]), rng.uniform(0, 20))
        variation = rng.uniform(0.1, 0.3)
        tone = ring_tone(rng, radius, mean_mm if kind == "quarter sawn" else float(rng.uniform(1.2, 3.5)), variation)
    elif kind == "rotary":                 # a peeled sheet meets the rings at a glancing angle
        relief = 2.2 * lattice(rng, shape, 22 * s) + along * 0.01
        tone = 0.7 * ring_tone(rng, relief + 0.15 * wander, mean_mm * 0.5, 0.3)
    else:
        tone = np.zeros(shape, np.float32)
    strength = rng.uniform(0.02, 0.10)
    return (strength * tone + rng.uniform(0.01, 0.04) * fibres(rng, along, across, s)
            + 0.02 * lattice(rng, shape, 30 * s))


def bench(rng, kind, span_mm, s=4.0):
    """Linear RGB of the bench, a square of `span_mm`."""
    n = int(span_mm * s)
    grain = rng.standard_normal((n, n)).astype(np.float32)
    if kind == "steel":
        brushed = cv2.GaussianBlur(grain, (0, 0), sigmaX=25, sigmaY=0.7)
        grey = 0.35 + 0.04 * brushed / brushed.std()
        tint = (0.98, 1.0, 1.02)
    elif kind == "mat":
        grey = 0.10 + 0.005 * grain
        for k in range(0, n, int(10 * s)):
            grey[k:k + 1] = grey[:, k:k + 1] = 0.35
        tint = (0.5, 1.2, 0.9)
    elif kind == "cloth":
        i = np.arange(n, dtype=np.float32)
        grey = 0.06 + 0.02 * np.sin(i * 2.1)[:, None] * np.sin(i * 1.9)[None] + 0.006 * grain
        tint = (0.9, 0.9, 1.3)
    elif kind == "newsprint":
        picture = Image.new("L", (n, n), 150)
        draw = ImageDraw.Draw(picture)
        for column in range(0, n, int(45 * s)):
            for line in range(0, n, int(4 * s)):
                draw.text((column + 4, line), "".join(rng.choice(list("abcdefgh ij klmn"), 24)), 50)
        grey, tint = np.asarray(picture, np.float32) / 255 * 0.9 + 0.01 * grain, (1.0, 0.98, 0.9)
    else:
        y, x = np.mgrid[0:n, 0:n].astype(np.float32) / s
        grey, tint = 0.22 * np.exp(wood(rng, "flat sawn", x, y, s)), (1.2, 1.0, 0.7)
    colour = np.clip(grey[..., None] * np.array(tint, np.float32), 0.01, 1)
    for _ in range(int(rng.integers(0, 5))):   # tools, offcuts, a rule with its ticks
        centre, size = rng.uniform(0, n, 2), rng.uniform(8, 90, 2) * s
        turned = cv2.boxPoints((tuple(map(float, centre)), tuple(map(float, size)), float(rng.uniform(0, 180))))
        shade = float(rng.choice([0.03, 0.2, 0.5, 0.7]))
        cv2.fillConvexPoly(colour, np.round(turned).astype(np.int32), (shade, shade * 0.9, shade * 0.75), cv2.LINE_AA)
        if rng.random() < 0.4:
            side = (turned[1] - turned[0]) / np.hypot(*(turned[1] - turned[0]))
            for k in range(int(np.hypot(*(turned[1] - turned[0])) / s)):
                foot = turned[0] + side * k * s
                tip = foot + (turned[3] - turned[0]) * (0.3 if k % 5 else 0.5)
                cv2.line(colour, tuple(np.int32(foot)), tuple(np.int32(tip)), (0.02, 0.02, 0.02), 1, cv2.LINE_AA)
    return colour
