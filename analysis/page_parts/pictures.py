"""Pictures of a result as data addresses for the page's components."""

from __future__ import annotations

import base64
import hashlib
import io
import warnings
from typing import Any

import numpy as np
from PIL import Image, ImageOps

from analysis.decode import MAX_PIXELS
from analysis.figures import BAR_STEPS, INK_NODES, map_rgba, picture_rgba, png
from analysis.views import View, Views

__all__ = ["jpeg", "picker_image", "small_photo", "thumbnail_png", "viewer_data"]

GLANCE_PX = 480  # longest side of a photo at a glance
LEAST_GLANCE_PX = 4  # a strip thinner than this is nothing to look at
GROUND = 205  # grey beyond the piece
PICKER_PX = 1600  # longest side of a photo to click on
MAP_PX = 480  # width of a heat map; its cells are far larger
QUALITY = 86


def viewer_data(views: Views) -> dict[str, Any]:
    """All that the viewer shows: pictures, textures and maps of one or two photos, and the one colour scale."""
    photos = [_photo(view, views.map_top_percent) for view in views.photos]
    modes = [["beside", "side by side"]]
    if views.aligned and len(views.photos) == 2:
        modes = [["swipe", "swipe"], ["blend", "blend"], ["beside", "side by side"]]
    left, right, top, bottom = views.photos[0].extent
    digest = hashlib.sha256("".join(photo["picture"] for photo in photos).encode()).hexdigest()[:16]
    return {
        "id": digest,
        "photos": photos,
        "modes": modes,
        "ratio": (right - left) / (bottom - top),
        "scale": _scale(views.map_top_percent),
    }


def picker_image(preview: np.ndarray) -> str:
    """A photo's preview, shape (h, w, 3), to click on."""
    picture = Image.fromarray(preview)
    picture.thumbnail((PICKER_PX, PICKER_PX))
    return jpeg(np.asarray(picture))


def jpeg(array: np.ndarray) -> str:
    """Grey or RGB picture as a data address."""
    out = io.BytesIO()
    Image.fromarray(array).save(out, "JPEG", quality=QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()


def small_photo(data: bytes) -> bytes | None:
    """A photo at a glance as JPEG, upright and without metadata; `None` where the analysis will have to say why.

    JPEG is decoded at an eighth or so of its size, which is fast; the size in the
    header is checked before any pixel is decoded.
    """
    try:
        with warnings.catch_warnings(), Image.open(io.BytesIO(data)) as photo:
            warnings.simplefilter("ignore")
            if photo.width * photo.height > MAX_PIXELS:
                return None
            photo.draft("RGB", (GLANCE_PX, GLANCE_PX))
            upright = ImageOps.exif_transpose(photo)
            upright.thumbnail((GLANCE_PX, GLANCE_PX))
            if min(upright.size) < LEAST_GLANCE_PX:
                return None
            out = io.BytesIO()
            Image.fromarray(np.asarray(upright.convert("RGB"))).save(out, "JPEG", quality=QUALITY)
    except Exception:  # whatever a damaged file does to the decoder, the analysis puts it in words
        return None
    return out.getvalue()


def thumbnail_png(view: View) -> bytes:
    """Small copy of the photo."""
    return png(view.thumbnail)


def _photo(view: View, top: float) -> dict[str, Any]:
    maps = {
        which: "data:image/png;base64," + base64.b64encode(png(map_rgba(view, which, top, width_px=MAP_PX))).decode()
        for which in ("stripes", "grain")
    }
    span = f"{view.extent[1] - view.extent[0]:.0f} by {view.extent[3] - view.extent[2]:.0f} {view.unit}"
    return {
        "name": view.name,
        "picture": jpeg(_on_ground(picture_rgba(view))),
        "texture": jpeg(_on_ground(picture_rgba(view, texture=True))),
        **maps,
        "alt": f"{view.name}: the piece, straightened, {span}",
        "map_alt": {
            "stripes": f"{view.name}: heat map of stripe contrast, {_spread(view.stripe_map_percent)}",
            "grain": f"{view.name}: heat map of grain contrast, {_spread(view.grain_map_percent)}",
        },
    }


def _on_ground(rgba: np.ndarray) -> np.ndarray:
    """Grey picture on an even ground."""
    return np.where(rgba[..., 3] > 0, rgba[..., 0], np.uint8(GROUND))


def _spread(cells: np.ndarray) -> str:
    """Middle and highest value of a map in words."""
    known = cells[np.isfinite(cells)]
    if not known.size:
        return "no data"
    return f"middle {np.median(known):.1f} %, highest {known.max():.1f} %"


def _scale(top: float) -> dict[str, Any]:
    step = next(step for step in BAR_STEPS if top / step <= 6.5)
    return {
        "top": top,
        "ticks": [round(float(t), 6) for t in np.arange(0, top * 1.001, step)],
        "colours": list(INK_NODES),
    }
