"""What kind of file it is, by its first bytes and never by its name."""
from __future__ import annotations

from analysis.errors import PhotoError

__all__ = ["file_kind"]

HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
OTHERS = ((b"%PDF", "a PDF document"), (b"PK\x03\x04", "a zip or office file"), (b"<svg", "an SVG drawing"),
          (b"<?xml", "an XML or SVG file"), (b"<!DOC", "a web page"), (b"<html", "a web page"),
          (b"{", "a text file"), (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 file"),
          (b"8BPS", "a layered drawing"), (b"\x1aE\xdf\xa3", "a video"))
READ = "Choose a JPEG, PNG, TIFF, WebP or HEIC photo."


def file_kind(data: bytes) -> str:
    """Name of the photo format.

    Raises
    ------
    PhotoError
        Of another kind; the sentence says which, where that shows.
    """
    if not data:
        raise PhotoError(f"This file is empty (0 bytes). {READ}")
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] in (b"II*\x00", b"MM\x00*"):
        return "TIFF"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WebP"
    if data[:6] in (b"GIF87a", b"GIF89a"):
        return "GIF"
    if data[:2] == b"BM" and len(data) > 26:
        return "BMP"
    if data[4:8] == b"ftyp":
        end = min(64, int.from_bytes(data[:4], "big"))
        brands = {data[8:12]} | {data[i:i + 4] for i in range(16, end, 4)}
        if data[8:12] in HEIF_BRANDS and b"avif" not in brands:
            return "HEIF"
        what = "an AVIF photo" if b"avif" in brands else "a raw photo" if b"crx " in brands else "a video"
        raise PhotoError(f"This is {what}, which the program does not read. Save it as JPEG.")
    start = data[:64].lstrip().lower()
    for magic, what in OTHERS:
        if start.startswith(magic.lower()) or data.startswith(magic):
            raise PhotoError(f"This is {what}, not a photo. {READ}")
    raise PhotoError(f"This file is not a photo that the program can read. {READ}")
