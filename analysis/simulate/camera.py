"""A phone photo of a board on a bench: geometry, light, lens, electrons, tone curve, compression."""
from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from analysis.simulate.bench import bench_picture
from analysis.simulate.piece import board_origin_mm, board_size_mm, board_without_stripes, engraved_factor
from analysis.simulate.spec import CameraSpec, PieceSpec

__all__ = ["Shot", "camera_homography", "distort", "encode", "photograph", "to_srgb8", "undistort",
           "wood_colour"]

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)   # ITU-R BT.709 primaries, as sRGB has them
TILE_ROWS = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A photo with its exact truth."""

    srgb: NDArray[np.uint8]                # (h, w, 3), RGB
    corners_px: NDArray[np.float64]        # (4, 2) of (0,0), (W,0), (W,H), (0,H), lens distortion included
    homography: NDArray[np.float64]        # 3x3, piece mm -> UNDISTORTED photo px
    piece: PieceSpec
    camera: CameraSpec
    seed: int


def camera_homography(piece: PieceSpec, camera: CameraSpec, below_mm: float = 0.0) -> NDArray[np.float64]:
    """Map piece mm to undistorted photo pixels; `below_mm` for a plane under the piece's upper face.

    A pinhole camera looks at the piece's centre from `focal / px_per_mm`.
    """
    w, h = camera.size_px
    focal = camera.focal_fraction * max(w, h)
    tilt, azimuth, turn = np.deg2rad([camera.tilt_deg, camera.tilt_azimuth_deg, camera.turn_deg])

    def about_z(angle):
        return np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])

    lean = np.array([[np.cos(tilt), 0, np.sin(tilt)], [0, 1, 0], [-np.sin(tilt), 0, np.cos(tilt)]])
    # Picture y is down, so an anticlockwise turn as seen has a minus sign.
    rotation = about_z(-azimuth) @ lean @ about_z(azimuth) @ about_z(-turn)
    distance = focal / camera.px_per_mm
    intrinsic = np.array([[focal, 0, (w - 1) / 2 + camera.offset_px[0]],
                          [0, focal, (h - 1) / 2 + camera.offset_px[1]], [0, 0, 1]])
    pose = np.column_stack([rotation[:, 0], rotation[:, 1], [0, 0, distance] + below_mm * rotation[:, 2]])
    centre = np.array([[1, 0, -piece.width_mm / 2], [0, 1, -piece.height_mm / 2], [0, 0, 1]])
    result = intrinsic @ pose @ centre
    return result / result[2, 2]


def undistort(points, camera: CameraSpec) -> NDArray[np.float64]:
    """Photo pixels to undistorted pixels: centre + r (1 + k1 |r|^2 / R^2), R half the diagonal."""
    points = np.asarray(points, np.float64)
    w, h = camera.size_px
    centre = np.array([(w - 1) / 2, (h - 1) / 2])
    r = points - centre
    return centre + r * (1 + camera.k1 * (r ** 2).sum(-1, keepdims=True) / ((w / 2) ** 2 + (h / 2) ** 2))


def distort(points, camera: CameraSpec) -> NDArray[np.float64]:
    """Inverse of `undistort` by fixed-point iteration; exact to 1e-9 px for |k1| <= 0.1."""
    points = np.asarray(points, np.float64)
    guess = points.copy()
    for _ in range(40):
        guess = guess + (points - undistort(guess, camera))
    return guess


def photograph(piece: PieceSpec, camera: CameraSpec, seed: int = 0,
               texture: NDArray[np.float32] | None = None) -> Shot:
    """Photograph a board on a bench.

    Parameters
    ----------
    piece : PieceSpec
    camera : CameraSpec
    seed : int
        Of the photo's noise; board, artwork and clutter have seeds of their own.
    texture : ndarray, shape (rows, columns), optional
        A real material's reflectance, mean 1, laid over the board's width.

    Returns
    -------
    Shot

    Notes
    -----
    The board is sampled at twice the photo's resolution on each axis and
    averaged; stripes are evaluated at those points, not resampled. Blur,
    light and noise act in linear light, then comes the sRGB curve. Photo
    pixels have their origin at the centre of the top-left pixel.
    """
    rng = np.random.default_rng([seed, 5])
    homography = camera_homography(piece, camera)
    level, cover = _board_in_photo(piece, camera, homography, texture)
    colour = _compose(level, cover, piece, camera, homography)
    colour = cv2.GaussianBlur(colour, (0, 0), camera.blur_px) if camera.blur_px > 0.05 else colour
    colour *= _light(camera)[..., None]
    if camera.warmth:
        gain = np.array([1 + camera.warmth, 1, 1 - camera.warmth], np.float32)
        colour *= gain / float(gain @ LUMINANCE)
    if camera.glare > 0:
        colour += _glare(camera)[..., None]
    colour = _expose(colour, camera, rng)
    frame = np.array([[0, 0], [piece.width_mm, 0], [piece.width_mm, piece.height_mm], [0, piece.height_mm]])
    ideal = cv2.perspectiveTransform(frame.reshape(-1, 1, 2), homography).reshape(-1, 2)
    return Shot(srgb=to_srgb8(colour), corners_px=distort(ideal, camera), homography=homography, piece=piece,
                camera=camera, seed=seed)


def encode(shot: Shot, format: str = "JPEG", quality: int | None = None) -> bytes:
    """File bytes of a shot; `quality` of JPEG defaults to the camera's."""
    buffer = BytesIO()
    options = {}
    if format.upper() in ("JPEG", "WEBP"):
        options["quality"] = shot.camera.jpeg_quality if quality is None else quality
    Image.fromarray(shot.srgb).save(buffer, format=format, **options)
    return buffer.getvalue()


def to_srgb8(linear: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Linear light 0 to 1 to 8-bit sRGB (IEC 61966-2-1), by a table of 16 bits."""
    grid = np.arange(65536) / 65535.0
    coded = np.where(grid <= 0.0031308, 12.92 * grid, 1.055 * grid ** (1 / 2.4) - 0.055)
    table = np.round(coded * 255).astype(np.uint8)
    scaled = linear * np.float32(65535)
    return table[np.clip(scaled, 0, 65535, out=scaled).astype(np.uint16)]


def wood_colour(level: NDArray[np.float32]) -> NDArray[np.float32]:
    """Colour of wood from its luminance: pale straw, brown, near-black char. The luminance stays exact."""
    stops = np.array([0.0, 0.03, 0.08, 0.18, 0.35, 0.6, 1.0])
    red = np.array([1.08, 1.20, 1.62, 1.68, 1.42, 1.19, 1.04])
    blue = np.array([0.92, 0.80, 0.50, 0.42, 0.52, 0.70, 0.90])
    grid = np.linspace(0, 1, 1024)
    r, b = np.interp(grid, stops, red), np.interp(grid, stops, blue)
    g = (1 - LUMINANCE[0] * r - LUMINANCE[2] * b) / LUMINANCE[1]
    tint = np.stack([r, g, b], axis=-1).astype(np.float32)
    return level[..., None] * tint[np.clip(level * 1023, 0, 1023).astype(np.int16)]


def _board_in_photo(piece, camera, homography, texture):
    """Luminance of the board and its cover (0 to 1) at each photo pixel, from 2 x 2 samples a pixel."""
    w, h = camera.size_px
    s = float(np.clip(1.5 * camera.px_per_mm, 8, 40))
    board = board_without_stripes(piece, s, texture)
    left, top = board_origin_mm(piece)
    width, height = board_size_mm(piece)
    inverse = np.linalg.inv(homography)
    level, cover = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)
    y0, y1, x0, x1 = _reach(piece, camera, homography)
    columns = x0 - 0.25 + 0.5 * np.arange(2 * (x1 - x0))
    for start in range(y0, y1, TILE_ROWS):
        stop = min(start + TILE_ROWS, y1)
        rows = start - 0.25 + 0.5 * np.arange(2 * (stop - start))
        x, y = _to_piece(columns, rows, inverse, camera)
        value = cv2.remap(board, (x - np.float32(left)) * np.float32(s) - np.float32(0.5),
                          (y - np.float32(top)) * np.float32(s) - np.float32(0.5), cv2.INTER_LINEAR,
                          borderMode=cv2.BORDER_REPLICATE)
        value *= engraved_factor(piece, x, y)
        on = ((x >= left) & (x <= left + width) & (y >= top) & (y <= top + height)).astype(np.float32)
        size = (x1 - x0, stop - start)
        level[start:stop, x0:x1] = cv2.resize(value * on, size, interpolation=cv2.INTER_AREA)
        cover[start:stop, x0:x1] = cv2.resize(on, size, interpolation=cv2.INTER_AREA)
    return level, cover


def _reach(piece, camera, homography):
    """Rows and columns of the photo that may hold the board."""
    left, top = board_origin_mm(piece)
    width, height = board_size_mm(piece)
    w, h = camera.size_px
    t = np.linspace(0, 1, 9)
    across, down, same = left + width * t, top + height * t, np.ones_like(t)
    edge = np.concatenate([np.c_[across, same * top], np.c_[across, same * (top + height)],
                           np.c_[same * left, down], np.c_[same * (left + width), down]])
    points = distort(cv2.perspectiveTransform(edge.reshape(-1, 1, 2), homography).reshape(-1, 2), camera)
    low = np.clip(np.floor(points.min(0)) - 4, 0, [w, h]).astype(int)
    high = np.clip(np.ceil(points.max(0)) + 5, 0, [w, h]).astype(int)
    return low[1], max(high[1], low[1]), low[0], max(high[0], low[0])


def _to_piece(columns, rows, inverse, camera):
    """Piece mm at photo pixels (columns x rows), lens undone."""
    w, h = camera.size_px
    cx, cy = (w - 1) / 2, (h - 1) / 2
    u = (columns - cx).astype(np.float32)[None, :]
    v = (rows - cy).astype(np.float32)[:, None]
    if camera.k1:
        stretch = 1 + np.float32(camera.k1 / ((w / 2) ** 2 + (h / 2) ** 2)) * (u * u + v * v)
        u, v = u * stretch, v * stretch
    # About the photo's centre, so that single precision keeps 1e-5 px.
    m = inverse @ np.array([[1, 0, cx], [0, 1, cy], [0, 0, 1]])
    m = (m / m[2, 2]).astype(np.float32)
    down = 1 / (m[2, 0] * u + m[2, 1] * v + 1)
    return (m[0, 0] * u + m[0, 1] * v + m[0, 2]) * down, (m[1, 0] * u + m[1, 1] * v + m[1, 2]) * down


def _compose(level, cover, piece, camera, homography):
    """Board over the bench with a soft shadow at its edge, in colour."""
    bench = bench_picture(piece, camera, homography)
    shift = camera.px_per_mm * 1.6
    a = np.deg2rad(camera.light_azimuth_deg)
    matrix = np.array([[0.25, 0, -0.25 * shift * np.cos(a)], [0, 0.25, 0.25 * shift * np.sin(a)]])
    h, w = cover.shape
    small = cv2.warpAffine(cover, matrix, (w // 4 + 1, h // 4 + 1), flags=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), max(0.25 * camera.px_per_mm * 0.9, 0.6))
    shadow = cv2.warpAffine(small, np.array([[4.0, 0, 0], [0, 4.0, 0]]), (w, h))
    bench *= (1 - np.float32(0.6) * shadow * (1 - cover))[..., None]
    _sides(bench, piece, camera)
    bench *= (1 - cover)[..., None]
    bench += wood_colour(level / np.maximum(cover, np.float32(1e-3))) * cover[..., None]
    return bench


def _sides(picture, piece, camera):
    """Show the board's thickness: plies of unlike tone between its upper and its lower face."""
    if piece.thickness_mm <= 0:
        return
    left, top = board_origin_mm(piece)
    width, height = board_size_mm(piece)
    outline = np.array([[left, top], [left + width, top], [left + width, top + height], [left, top + height]])
    for depth, tone in ((1.0, 0.10), (0.72, 0.24), (0.38, 0.13), (0.12, 0.26)):
        plane = camera_homography(piece, camera, below_mm=depth * piece.thickness_mm)
        points = cv2.perspectiveTransform(outline.reshape(-1, 1, 2), plane).reshape(-1, 2)
        points = np.round(distort(points, camera) * 16).astype(np.int32)
        x, y, w, h = cv2.boundingRect((points // 16).reshape(-1, 1, 2))
        x0, y0 = max(0, x - 2), max(0, y - 2)
        x1, y1 = min(picture.shape[1], x + w + 3), min(picture.shape[0], y + h + 3)
        if x1 <= x0 or y1 <= y0:
            continue
        mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
        cv2.fillConvexPoly(mask, points - np.array([x0, y0], np.int32) * 16, 255, cv2.LINE_AA, 4)
        cover = (mask.astype(np.float32) / 255)[..., None]
        colour = wood_colour(np.float32([tone]))
        picture[y0:y1, x0:x1] = picture[y0:y1, x0:x1] * (1 - cover) + colour * cover


def _light(camera):
    """Illumination over the picture: gradient, vignetting, flicker of the rolling shutter."""
    w, h = camera.size_px
    x = np.linspace(-0.5, 0.5, w, dtype=np.float32)[None, :]
    y = (np.linspace(-0.5, 0.5, h, dtype=np.float32) * np.float32(h / w))[:, None]
    a = np.deg2rad(camera.light_azimuth_deg)
    slope = x * np.float32(np.cos(a)) - y * np.float32(np.sin(a))
    r2 = (x * x + y * y) / np.float32(0.25 * (1 + (h / w) ** 2))
    light = (1 + np.float32(camera.light_gradient) * slope) * (1 - np.float32(camera.vignetting) * r2)
    if camera.flicker:
        rows = np.arange(h, dtype=np.float32)[:, None]
        wave = np.cos(rows * np.float32(2 * np.pi / camera.flicker_rows))
        light = light * (1 + np.float32(camera.flicker / 2) * wave)
    if camera.shadow:
        a = np.deg2rad(camera.shadow_deg)
        beyond = x * np.float32(np.cos(a)) - y * np.float32(np.sin(a)) - np.float32(0.08)
        light = light * (1 - np.float32(camera.shadow) / (1 + np.exp(np.clip(-beyond * 60, -30, 30))))
    return light * np.float32(camera.exposure)


def _glare(camera):
    """Make a soft bright spot, to be added."""
    w, h = camera.size_px
    x = ((np.arange(w) / w - camera.glare_at[0]) / 0.10).astype(np.float32)[None, :]
    y = ((np.arange(h) / h - camera.glare_at[1]) / 0.07).astype(np.float32)[:, None]
    return np.float32(camera.glare) * np.exp(-0.5 * (x * x + y * y))


def _expose(colour, camera, rng):
    """Shot and read noise in electrons, then the phone's colour interpolation and sharpening."""
    if camera.full_well_electrons > 0:
        well = np.float32(camera.full_well_electrons)
        spread = np.sqrt(np.maximum(colour, 0) / well + np.float32((camera.read_electrons / well) ** 2))
        spread *= rng.standard_normal(colour.shape, dtype=np.float32)
        colour = colour + spread
    if camera.bayer:
        colour = _demosaiced(colour)
    if camera.sharpen > 0:
        colour = colour + np.float32(camera.sharpen) * (colour - cv2.GaussianBlur(colour, (0, 0), 1.2))
    return colour


def _demosaiced(colour):
    """Keep one colour a pixel as a Bayer sensor does, and fill in the others bilinearly."""
    raw = colour[..., 1].copy()
    raw[0::2, 0::2] = colour[0::2, 0::2, 0]
    raw[1::2, 1::2] = colour[1::2, 1::2, 2]
    coded = np.clip(raw * np.float32(32768), 0, 65535).astype(np.uint16)
    # OpenCV names a pattern by its second row, second and third column: red at (0, 0) is "BG".
    return cv2.demosaicing(coded, cv2.COLOR_BayerBG2RGB).astype(np.float32) * np.float32(1 / 32768)
