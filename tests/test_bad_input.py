"""Bad input gives a report or one clear sentence: photos, settings, command line.

Common practice, no source: what people hand to a program by mistake.
"""
from __future__ import annotations

import io
import json
import os
import re
import struct
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import photo_files as files
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from analysis.__main__ import main
from analysis.errors import PhotoError
from analysis.photo import load_photo
from analysis.settings import Settings

SOUND_REPORT = {"format": 1, "version": "0.1.0", "photo": {
    "file": "a.jpg", "size_px": [400, 300], "pixels_per_mm": None, "warnings": [], "verdict": "clean",
    "probability_mechanical": 0.1, "stripes": [], "detection_limit_percent": 1.0, "false_alarm_rate": 0.01,
    "grain": {"angle_deg": None, "contrast_percent": 1.0, "spacing_mm": None, "spacing_variation": None}}}
SMALL = files.picture(size=(200, 160))


def heic() -> bytes:
    pytest.importorskip("pillow_heif", reason="the extra `heic` is not installed").register_heif_opener()
    return files.encode(SMALL, "HEIF")


def tiff(*entries: tuple[int, int, int, int], tail: bytes = b"") -> bytes:
    """A TIFF with the given entries (tag, type, count, value) and nothing else."""
    body = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    return b"II*\x00" + struct.pack("<IH", 8, len(entries)) + body + bytes(4) + tail


def jpeg_of_size(width: int, height: int) -> bytes:
    data = bytearray(files.encode(SMALL, "JPEG"))
    at = data.index(b"\xff\xc0")
    data[at + 5:at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def webp_of_size(width: int, height: int) -> bytes:
    head = b"VP8X" + struct.pack("<II", 10, 0) + (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
    return b"RIFF" + struct.pack("<I", 4 + len(head)) + b"WEBP" + head


NOT_PHOTOS = {
    "zero bytes": (b"", "empty"),
    "one byte": (b"\xff", "not a photo"),
    "text": (b"hello, this is a letter\n" * 20, "not a photo"),
    "JSON": (b'{"format": 1}', "text file"),
    "TOML": (b'[belt]\npitch_mm = 2.0\n', "not a photo"),
    "PDF": (b"%PDF-1.7\n%\xe2\xe3\n1 0 obj", "PDF"),
    "zip": (b"PK\x03\x04" + bytes(60), "zip"),
    "SVG": (b'<svg xmlns="x" width="1"/>', "SVG"),
    "XML": (b'<?xml version="1.0"?><svg/>', "SVG"),
    "web page": (b"<!DOCTYPE html><html></html>", "web page"),
    "video": (b"\x00\x00\x00\x18ftypisom" + bytes(100), "video"),
    "AVIF": (b"\x00\x00\x00\x1cftypavif\x00\x00\x00\x00avifmif1miaf" + bytes(100), "AVIF"),
    "JPEG 2000": (b"\x00\x00\x00\x0cjP  \r\n\x87\n" + bytes(100), "JPEG 2000"),
    "layers": (b"8BPS\x00\x01" + bytes(60), "layered"),
    "zeros": (bytes(4000), "not a photo"),
    "noise": (np.random.default_rng(7).bytes(4000), "not a photo"),
    "only the start of JPEG": (b"\xff\xd8\xff", "JPEG"),
    "JPEG of zeros": (b"\xff\xd8\xff\xe0" + bytes(3000), "JPEG"),
    "only the start of PNG": (b"\x89PNG\r\n\x1a\n", "PNG"),
    "PNG of noise": (b"\x89PNG\r\n\x1a\n" + np.random.default_rng(1).bytes(3000), "PNG"),
    "only the start of TIFF": (b"II*\x00", "TIFF"),
    "TIFF that points at itself": (b"MM\x00*\x00\x00\x00\x00" + bytes(20), "TIFF"),
    "TIFF without data": (tiff((256, 3, 1, 400), (257, 3, 1, 300), (258, 3, 1, 8), (259, 3, 1, 1),
                               (262, 3, 1, 1)), "TIFF"),
    "only the start of WebP": (b"RIFF\x10\x00\x00\x00WEBP", "WebP"),
    "only the start of GIF": (b"GIF89a", "GIF"),
    "only the start of BMP": (b"BM" + bytes(40), "BMP"),
    "only the start of HEIC": (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "HEI"),
    "raw photo in TIFF clothes": (tiff((256, 3, 1, 400), (257, 3, 1, 300), (258, 3, 1, 8), (259, 3, 1, 1),
                                       (262, 3, 1, 1), (273, 4, 1, 8), (279, 4, 1, 8), (50706, 1, 4, 0x0401)),
                                  "raw"),
    "whole numbers of 32 bits": (files.encode(Image.fromarray(np.arange(40000, dtype=np.int32).reshape(200, 200)),
                                              "TIFF"), "8 or 16"),
    "NaN in a float TIFF": (files.by_opencv(np.full((200, 200), np.nan, np.float32), ".tiff"), "NaN"),
    "infinity in a float TIFF": (files.by_opencv(np.full((200, 200), np.inf, np.float32), ".tiff"), "NaN"),
    "1 x 1": (files.encode(SMALL[:1, :1]), "1 x 1 pixels"),
    "1 x 1 JPEG": (files.encode(SMALL[:1, :1], "JPEG"), "1 x 1 pixels"),
    "1 x 1 GIF": (files.encode(SMALL[:1, :1], "GIF"), "1 x 1 pixels"),
    "a strip": (files.encode(np.tile(SMALL[:3], (1, 10, 1))), "3 pixels"),
    "an icon": (files.encode(SMALL[:64, :64]), "64 x 64"),
    "PNG that declares 20000 x 20000": (files.png_header(20000, 20000), "megapixels"),
    "PNG that declares 2^31 - 1": (files.png_header(2**31 - 1, 2**31 - 1), "megapixels"),
    "PNG that declares nothing": (files.png_header(0, 0), "PNG"),
    "PNG that lacks its pixels": (files.png_header(400, 300), "PNG"),
    "PNG a pixel high and very long": (files.png_header(100_000, 2), "30000 pixels a side"),
    "JPEG that declares 65500 x 65500": (jpeg_of_size(65500, 65500), "megapixels"),
    "JPEG that declares 0 x 0": (jpeg_of_size(0, 0), "JPEG|pixels"),
    "WebP that declares 16 million squared": (webp_of_size(2**24, 2**24), "megapixels|WebP"),
    "TIFF that declares 60000 x 60000": (tiff((256, 4, 1, 60000), (257, 4, 1, 60000), (258, 3, 1, 8),
                                              (259, 3, 1, 1), (262, 3, 1, 1), (273, 4, 1, 8), (279, 4, 1, 8)),
                                         "megapixels"),
    "GIF that declares 65535 x 65535": (b"GIF89a\xff\xff\xff\xff\x80\x00\x00" + bytes(6) + b",\0\0\0\0\xff\xff\xff\xff"
                                        b"\0\x02\x02L\x01\x00;", "megapixels"),
    "black": (files.encode(np.zeros((200, 200), np.uint8)), "black"),
    "black at 16 bits": (files.by_opencv(np.zeros((200, 200), np.uint16), ".png"), "black"),
    "white": (files.encode(np.full((200, 200, 3), 255, np.uint8), "JPEG"), "white"),
    "one even tone": (files.encode(np.full((200, 200, 3), 120, np.uint8), "JPEG"), "even tone"),
    "all transparent": (files.encode(np.zeros((200, 200, 4), np.uint8)), "white"),
}


@pytest.mark.parametrize("case", NOT_PHOTOS)
def test_what_is_no_photo_gets_its_sentence(case):
    data, words = NOT_PHOTOS[case]
    with pytest.raises(PhotoError, match=words) as problem:
        load_photo(data)
    assert_plain(str(problem.value))


WHOLE = {"JPEG": lambda: files.encode(SMALL, "JPEG"), "progressive JPEG": lambda: files.encode(
    SMALL, "JPEG", progressive=True), "PNG": lambda: files.encode(SMALL), "TIFF": lambda: files.encode(SMALL, "TIFF"),
    "packed TIFF": lambda: files.encode(SMALL, "TIFF", compression="tiff_lzw"),
    "WebP": lambda: files.encode(SMALL, "WebP"), "GIF": lambda: files.encode(SMALL, "GIF"),
    "BMP": lambda: files.encode(SMALL, "BMP"), "HEIC": heic,
    "PNG of 16 bits": lambda: files.by_opencv(SMALL.astype(np.uint16) * 257, ".png"),
    "TIFF of 16 bits": lambda: files.by_opencv(SMALL.astype(np.uint16) * 257, ".tiff")}


@pytest.mark.parametrize("tenths", range(1, 10))
@pytest.mark.parametrize("kind", WHOLE)
def test_a_truncated_file_gets_its_sentence(kind, tenths, capfd):
    data = WHOLE[kind]()
    load_photo(data)
    with pytest.raises(PhotoError) as problem:
        load_photo(data[:len(data) * tenths // 10])
    assert_plain(str(problem.value))
    assert capfd.readouterr().err == ""            # the decoders' own complaints stay out of sight


@pytest.mark.parametrize(("kind", "suffix"), [("JPEG", ".png"), ("PNG", ".jpg"), ("WebP", ".tif"), ("GIF", ".heic"),
                                              ("TIFF", ".txt"), ("BMP", "")])
def test_a_wrong_extension_is_judged_by_the_bytes(kind, suffix, tmp_path):
    path = tmp_path / f"photo{suffix}"
    path.write_bytes(files.encode(SMALL, kind))
    assert load_photo(path).size_px == (200, 160)


@given(st.sampled_from(sorted(WHOLE)), st.lists(st.tuples(st.floats(0, 1), st.binary(min_size=1, max_size=12)),
                                                min_size=1, max_size=4), st.floats(0.0, 1.0))
@settings(max_examples=150)
def test_any_damage_gives_a_photo_or_a_sentence(kind, wounds, end):
    """Fuzz of the decoder path: bytes overwritten at any place, sometimes cut."""
    data = bytearray(WHOLE[kind]())
    for place, content in wounds:
        at = int(place * (len(data) - 1))
        data[at:at + len(content)] = content
    if end < 0.3:
        data = data[:int(len(data) * (0.5 + end))]
    try:
        photo = load_photo(bytes(data))
    except PhotoError as problem:
        assert_plain(str(problem))
    else:
        assert np.isfinite(photo.luminance).all()
        assert photo.luminance.shape == photo.size_px[::-1]


@given(st.binary(max_size=300), st.sampled_from([b"", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\x00", b"GIF89a",
                                                 b"BM", b"RIFF\x40\x00\x00\x00WEBP", b"\x00\x00\x00\x18ftypheic"]))
@settings(max_examples=200)
def test_noise_after_any_magic_number_is_no_photo(noise, start):
    with pytest.raises(PhotoError):
        load_photo(start + noise)


NUMBERS = [("frame_mm", value, "frame") for value in (
    (80,), (80, 60, 40), (0, 60), (-80, 60), (np.nan, 60), (80, np.inf), (80, 1e9), (80, 0.001), "80x60", ("a", "b"),
    (None, 60), 80)] + [
    ("pixels_per_mm", value, "scale") for value in (0, -3, np.nan, np.inf, 1e12, 1e-9, "ten", (1, 2), 10**400)] + [
    ("scan_angle_deg", value, "angle") for value in (np.nan, -np.inf, 1e5, "left")] + [
    ("region_mm", value, "region") for value in (
        (0, 0, 0, 10), (0, 0, 10, -1), (0, 0, np.nan, 1), (1, 2, 3), (0, 0, 1e9, 1), "all", 5)] + [
    ("shortest_period_mm", value, "period") for value in (0, -1, np.nan, 1e6, "short")] + [
    (side, value, "corner") for side in ("before_corners_px", "after_corners_px") for value in (
        ((0, 0), (100, 0), (100, 100)), ((0, 0), (100, 100), (100, 0), (0, 100)),
        ((0, 0), (100, 0), (200, 0), (300, 0)), ((0, 0), (0, 0), (100, 100), (0, 100)),
        ((0, 0), (0, 100), (100, 100), (100, 0)), ((0, 0), (100, 0), (np.nan, 100), (0, 100)),
        ((0, 0), (1e9, 0), (1e9, 1e9), (0, 1e9)), ((0, 0), (100, 0), (20, 20), (0, 100)), "corners",
        ((0, 0), (100, 0), (100, 100), (0,)))]


@pytest.mark.parametrize(("name", "value", "words"), NUMBERS)
def test_an_absurd_setting_gets_its_sentence(name, value, words):
    with pytest.raises(PhotoError, match=re.compile(words, re.IGNORECASE)) as problem:
        Settings(**{name: value})
    assert_plain(str(problem.value))


@given(st.fixed_dictionaries({}, optional={
    "frame_mm": st.tuples(st.floats(), st.floats()), "pixels_per_mm": st.floats(), "scan_angle_deg": st.floats(),
    "region_mm": st.tuples(*[st.floats()] * 4), "shortest_period_mm": st.floats(),
    "before_corners_px": st.tuples(*[st.tuples(st.floats(), st.floats())] * 4)}))
def test_settings_are_sound_or_refused(values):
    try:
        made = Settings(**values)
    except PhotoError as problem:
        assert_plain(str(problem))
    else:
        assert np.isfinite([made.scan_angle_deg, made.shortest_period_mm, made.pixels_per_mm or 1.0]).all()
        hash(made)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two sound photos, and things that are none."""
    path = tmp_path_factory.mktemp("bad")
    (path / "a.png").write_bytes(files.encode(files.picture()))
    (path / "b.png").write_bytes(files.encode(files.picture(8)))
    (path / "empty.jpg").write_bytes(b"")
    (path / "text.jpg").write_text("no photo")
    (path / "bad.toml").write_text("[belt\n")
    (path / "unknown.toml").write_text("colour = 'red'\n")
    (path / "report.json").write_text('{"format": 99}')
    (path / "list.json").write_text("[1, 2]")
    (path / "nothing.zip").write_bytes(b"PK\x05\x06" + bytes(18))
    (path / "wrong.csv").write_text("file,colour\na.png,red\n")
    (path / "number.csv").write_text("file,power_percent\nreport.json,high\n")
    (path / "lost.csv").write_text("file\ngone.json\n")
    (path / "range.csv").write_text("file,power_percent\nsound.json,900\n")
    (path / "bare.csv").write_text("file,label\n")
    (path / "sound.json").write_text(json.dumps(SOUND_REPORT))
    (path / "empty folder").mkdir()
    (path / "lone").mkdir()
    (path / "lone" / "x_before.jpg").write_bytes(b"")
    (path / "dangling.jpg").symlink_to(path / "gone.jpg")
    (path / "circle.jpg").symlink_to(path / "circle.jpg")
    os.mkfifo(path / "pipe.jpg")
    return path


COMMANDS = [
    ("", "required"), ("judge a.png", "invalid choice"), ("inspect", "required.*PHOTO"), ("compare a.png", "AFTER"),
    ("inspect a.png b.png", "unrecognized"), ("inspect a.png --colour red", "unrecognized"),
    ("inspect gone.png", "no file gone.png"), ("inspect 'empty folder'", "folder"), ("inspect empty.jpg", "empty"),
    ("inspect text.jpg", "not a photo"), ("inspect dangling.jpg", "no file"), ("inspect circle.jpg", "cannot be read"),
    ("inspect pipe.jpg", "not an ordinary file"), ("inspect /dev/zero", "not an ordinary file"),
    ("inspect ''", "folder|no file|file name"), ("compare a.png gone.png", "no file gone.png"),
    ("compare gone.png b.png", "no file gone.png"), ("compare a.png text.jpg --frame 80x60", "text.jpg"),
    ("inspect a.png --frame", "expected one"), ("inspect a.png --frame 80", "80x60"),
    ("inspect a.png --frame 80x", "80x60"), ("inspect a.png --frame axb", "80x60"),
    ("inspect a.png --frame 80x60x3", "80x60"), ("inspect a.png --frame 0x60", "frame"),
    ("inspect a.png --frame -80x60", "frame|expected"), ("inspect a.png --frame nanx60", "frame"),
    ("inspect a.png --frame 1e9x60", "frame"), ("inspect a.png --pixels-per-mm 0", "scale"),
    ("inspect a.png --pixels-per-mm -12", "scale"), ("inspect a.png --pixels-per-mm nan", "scale"),
    ("inspect a.png --pixels-per-mm inf", "scale"), ("inspect a.png --pixels-per-mm twelve", "number"),
    ("inspect a.png --pixels-per-mm 1e30", "scale"), ("inspect a.png --scan-angle north", "number"),
    ("inspect a.png --scan-angle nan", "angle"), ("inspect a.png --scan-angle 9999", "angle"),
    ("inspect a.png --region 1,2,3", "x,y,width,height"), ("inspect a.png --region a,b,c,d", "x,y,width,height"),
    ("inspect a.png --region 0,0,-5,5", "region"), ("inspect a.png --region nan,0,5,5", "region"),
    ("inspect a.png --corners 1,2 3,4", "4 arguments"), ("inspect a.png --corners 1,2 3,4 5,6 x,y", "x,y"),
    ("inspect a.png --corners '0,0 100,100 100,0 0,100'", "do not make a frame"),
    ("inspect a.png --corners 0,0 100,0 200,0 300,0", "do not make a frame"),
    ("inspect a.png --corners 0,0 0,100 100,100 100,0", "wrong way round"),
    ("inspect a.png --corners nan,0 100,0 100,100 0,100", "corner"),
    ("compare a.png b.png --before-corners 0,0 9,9 9,9 0,9", "do not make a frame"),
    ("compare a.png b.png --after-corners 0,0 9,9", "4 arguments"),
    ("inspect a.png --machine gone.toml", "gone.toml"), ("inspect a.png --machine bad.toml", "TOML"),
    ("inspect a.png --machine unknown.toml", "colour"), ("inspect a.png --machine a.png", "machine file"),
    ("inspect a.png --sheet sheet.doc", "png or .pdf or .html"),
    ("inspect a.png --sheet sheet", "png or .pdf or .html"),
    ("inspect a.png --json nowhere/r.json", "folder nowhere"), ("inspect a.png --json 'empty folder'", "is a folder"),
    ("inspect a.png --json a.png", "overwritten"), ("compare a.png b.png --sheet b.pdf --json b.pdf", "overwritten"),
    ("inspect a.png --sheet nowhere/s.png", "folder nowhere"), ("inspect a.png --save result.json", ".zip"),
    ("show", "required"), ("show gone.json", "no file"), ("show report.json", "format 99"),
    ("show list.json", "no report"), ("show a.png", "report"), ("show nothing.zip", "saved|zip|report"),
    ("show report.json --sheet s.pdf", "pictures"), ("sources", "required"), ("sources gone.toml", "gone.toml"),
    ("sources bad.toml", "TOML"), ("batch", "required"), ("batch gone", "no folder"),
    ("batch 'empty folder'", "no pairs"), ("batch a.png", "no folder"), ("batch lone --jobs 0", "1 to 64"),
    ("batch lone --jobs many", "1 to 64"), ("batch lone", "no photo AFTER"),
    ("plan", "required"), ("plan piece.pdf", "svg or .dxf"), ("plan nowhere/p.svg", "folder nowhere"),
    ("plan p.svg --frame 1x1", "."), ("plan p.svg --powers high", "10,20,30"), ("plan p.svg --powers -5,200", "."),
    ("plan p.svg --speeds nan", "."), ("plan p.svg p.svg", "overwritten"), ("log", "ACTION"),
    ("log burn", "invalid choice"),
    ("log --logbook l.db show 7", "no entry"), ("log --logbook l.db show seven", "whole number"),
    ("log --logbook text.jpg list", "logbook"), ("log --logbook l.db add ''", "title"),
    ("log --logbook l.db add x --date yesterday", "date"), ("log --logbook l.db add x --report a.png", "report"),
    ("log --logbook l.db export l.txt", "csv or .zip"), ("log --logbook l.db import a.png", "logbook"),
    ("log --logbook nowhere/at/all/l.db show 1", "."),
    ("series", "required"), ("series gone.csv", "no file"), ("series text.jpg", "column"),
    ("series a.png", "plain text"),
    ("series wrong.csv", "'colour'"), ("series number.csv", "Row 1.*power_percent"), ("series lost.csv", "gone.json"),
    ("series range.csv", "power_percent"), ("series bare.csv", "0 rows"), ("series number.csv --csv o.txt", ".csv"),
    ("patches a.png", "PLAN"), ("patches a.png gone.svg", "no file"), ("patches a.png text.jpg", "plan|piece"),
    ("patches a.png empty.jpg", "plan|piece"),
    ("batch lone --frame 3x4", "frame"), ("batch lone --machine bad.toml", "TOML"),
]


@pytest.mark.parametrize(("line", "words"), COMMANDS, ids=[line or "nothing" for line, _ in COMMANDS])
def test_a_bad_command_line_ends_with_status_2_and_one_plain_line(line, words, folder, capsys, monkeypatch):
    import shlex
    monkeypatch.chdir(folder)
    try:
        status = main(shlex.split(line))
    except SystemExit as end:
        status = end.code
    out, err = capsys.readouterr()
    assert status == 2
    assert re.search(words, err, re.IGNORECASE), err
    assert err.count("\n") == 1
    assert_plain(err)
    assert "{" not in out                          # no report


def _noise() -> np.ndarray:
    return np.random.default_rng(7).integers(0, 256, (420, 560, 3), dtype=np.uint8)


def _screenshot() -> np.ndarray:
    """Windows, lines of text, a grid: flat colours and regular spacing, no piece."""
    image = np.full((420, 560, 3), 240, np.uint8)
    for y in range(60, 400, 12):
        for x in range(40, 500, 7):
            if (x * y) % 5:
                cv2.rectangle(image, (x, y), (x + 4, y + 6), (60, 60, 60), -1)
    return cv2.rectangle(image, (10, 10), (549, 409), (90, 60, 30), 2)


def _steps() -> np.ndarray:
    """A ramp with hard bars: nothing else."""
    image = np.tile(np.linspace(40, 200, 560).astype(np.uint8), (420, 1))
    image[:, ::80] = 20
    return image


QUEER = {"noise": _noise, "screenshot": _screenshot, "bars": _steps,
         "nearly black": lambda: (_noise() // 24), "nearly white": lambda: 250 + _noise() // 60,
         "one bright dot": lambda: cv2.circle(np.full((420, 560), 20, np.uint8), (280, 210), 9, 250, -1),
         "half cut off": lambda: np.where(np.arange(560) < 280, _noise()[..., 0], 0).astype(np.uint8),
         "smallest that is taken": lambda: _noise()[:128, :128],
         "very long": lambda: np.random.default_rng(8).integers(0, 256, (130, 4000), dtype=np.uint8)}


OPTIONS = {"no scale": [], "frame": ["--frame", "80x60"],
           "scale and angle": ["--pixels-per-mm", "8", "--scan-angle", "30"],
           "corners": ["--corners", "20,20", "100,22", "98,100", "22,99", "--frame", "80x60"]}
TWO_EACH = [(picture, way) for i, picture in enumerate(QUEER)
            for way in ("frame", ("no scale", "scale and angle", "corners")[i % 3])]


@pytest.mark.parametrize(("picture", "way"), TWO_EACH)
def test_a_queer_photo_gives_a_report_or_one_sentence(picture, way, tmp_path, capsys):
    path = tmp_path / "queer photo.png"
    path.write_bytes(files.encode(QUEER[picture]()))
    status = main(["inspect", str(path), "--json", "-", *OPTIONS[way]])
    out, err = capsys.readouterr()
    if status == 0:
        photo = json.loads(out)["photo"]
        assert photo["verdict"] in ("mechanical", "grain", "mixed", "clean", "undecided")
        assert photo["verdict"] not in ("mechanical", "mixed") or picture in ("screenshot", "bars")
    else:
        assert (status, out, err.count("\n")) == (2, "", 1)
        assert_plain(err)


@pytest.mark.parametrize(("before", "after", "way"), [
    ("noise", "noise", "no scale"), ("noise", "screenshot", "frame"), ("screenshot", "screenshot", "frame"),
    ("bars", "noise", "no scale"), ("very long", "smallest that is taken", "scale and angle")])
def test_queer_pairs_give_a_report_or_one_sentence(before, after, way, tmp_path, capsys):
    for name, kind in (("a.png", before), ("b.png", after)):
        (tmp_path / name).write_bytes(files.encode(QUEER[kind]()))
    status = main(["compare", str(tmp_path / "a.png"), str(tmp_path / "b.png"), "--json", "-", *OPTIONS[way]])
    out, err = capsys.readouterr()
    if status == 2:
        assert (out, err.count("\n")) == ("", 1)
        assert_plain(err)
    else:
        report = json.loads(out)
        assert report["registration"]["ok"] is (status == 0)
        assert status == 0 or report["change"]["verdict"] == "undecided"


@pytest.mark.parametrize(("region", "words"), [("200,200,20,20", "region"), ("-50,-50,10,10", "region"),
                                               ("0,0,0.5,0.5", "region|small"), ("10,10,3,3", "small|region")])
def test_a_region_outside_the_piece_or_tiny_gets_its_sentence(region, words, tmp_path, capsys):
    path = tmp_path / "a.png"
    path.write_bytes(files.encode(_noise()))
    assert main(["inspect", str(path), "--pixels-per-mm", "8", "--region", region]) == 2
    err = capsys.readouterr().err
    assert re.search(words, err) and err.count("\n") == 1
    assert_plain(err)


def test_a_write_protected_folder_is_refused_before_the_work(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    monkeypatch.setattr(os, "access", lambda path, mode: False)        # root may write anywhere
    assert main(["inspect", "a.png", "--json", "r.json"]) == 2
    assert "may not be written to" in capsys.readouterr().err


def test_a_full_disk_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch):
    import errno

    from analysis.outputs import write_whole
    target = tmp_path / "r.json"
    write_whole(target, b"old")

    def full(_handle):
        raise OSError(errno.ENOSPC, "No space left on device")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(PhotoError, match="disk is full"):
        write_whole(target, b"new")
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


EACH_IN_TURN = """
import contextlib, io, resource, sys, time
from analysis.__main__ import main
longest = 0.0
for name in sys.argv[1:]:
    begun = time.monotonic()
    with contextlib.redirect_stderr(io.StringIO()):
        assert main(["inspect", name]) == 2, name
    longest = max(longest, time.monotonic() - begun)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, longest)
"""


def test_no_bad_file_takes_two_gigabytes_or_hangs(tmp_path):
    """Bars of the task: peak memory 2 GB (ru_maxrss is in kB on Linux), 30 s; declared giants among them."""
    pytest.importorskip("resource", reason="this system does not tell a process's peak memory")
    names = []
    for number, (data, _) in enumerate(NOT_PHOTOS.values()):
        names.append(str(tmp_path / f"{number}.jpg"))
        (tmp_path / f"{number}.jpg").write_bytes(data)
    done = subprocess.run([sys.executable, "-c", EACH_IN_TURN, *names], capture_output=True, text=True, timeout=300,
                          cwd=Path(__file__).parents[1])
    assert done.returncode == 0, done.stderr[-2000:]
    kilobytes, longest = map(float, done.stdout.split())
    assert kilobytes < 2e6 and longest < 30


FULL = """
import resource, signal, sys
from analysis.errors import PhotoError
from analysis.logbook import add_entry, list_entries
from analysis.outputs import write_whole
add_entry(title="first", changed="", notes="", tags=(), machine=None, report=None, pictures={})
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, 150_000))
for write in (lambda: add_entry(title="second", changed="", notes="", tags=(), machine=None, report=None,
                                pictures={"before.png": bytes(400_000)}),
              lambda: write_whole(sys.argv[1], bytes(400_000))):
    try:
        write()
        print("no complaint")
    except PhotoError as problem:
        print(problem)
print(len(list_entries()))
"""


def test_a_file_that_may_grow_no_more_gives_a_sentence_and_loses_no_entry(tmp_path):
    """The system's own limit of a file's size stands for a full disk (setrlimit, POSIX)."""
    pytest.importorskip("resource", reason="this system does not limit the size of files")
    done = subprocess.run([sys.executable, "-c", FULL, str(tmp_path / "sheet.pdf")], capture_output=True, text=True,
                          timeout=60, cwd=Path(__file__).parents[1],
                          env=os.environ | {"STRIPE_OR_GRAIN_DATA": str(tmp_path / "data")})
    assert done.returncode == 0, done.stderr[-2000:]
    book, sheet, count = done.stdout.splitlines()
    assert_plain(book)
    assert_plain(sheet)
    assert "no complaint" not in done.stdout and count == "1"
    assert [path.name for path in tmp_path.iterdir()] == ["data"]      # no half sheet


def test_a_pipe_or_device_is_never_replaced_by_a_file(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    assert main(["inspect", "a.png", "--json", "pipe.jpg"]) == 2
    assert "not an ordinary file" in capsys.readouterr().err
    assert (folder / "pipe.jpg").is_fifo()


def test_a_path_with_spaces_and_other_letters_works(tmp_path):
    path = tmp_path / "Probe 試験 № 7 (фото).jpg"
    path.write_bytes(files.encode(SMALL, "JPEG"))
    assert load_photo(path).name == path.name
    path.write_bytes(b"")
    with pytest.raises(PhotoError, match="試験"):
        load_photo(path)


def test_a_name_that_no_system_takes_is_refused():
    for name in ("a\0b.jpg", "x" * 5000 + ".jpg"):
        with pytest.raises(PhotoError):
            load_photo(name)


def test_a_fault_of_the_program_is_one_line_too(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    monkeypatch.delenv("STRIPE_OR_GRAIN_TRACEBACK")

    def broken(*_arguments, **_options):
        raise ZeroDivisionError("division by zero")
    monkeypatch.setattr("analysis.pipeline.inspect", broken)
    assert main(["inspect", "a.png"]) == 2
    err = capsys.readouterr().err
    assert "ZeroDivisionError" in err and err.count("\n") == 1


def assert_plain(words: str) -> None:
    """A sentence for people: ends as one, holds no traceback and no library's words."""
    assert words.strip()[-1] in ".)", words
    assert not re.search(r"Traceback|Error:|cv2|numpy|\.py\b|0x[0-9a-f]{6}", words), words
    assert len(words) < 400


def test_more_than_120_bad_inputs_are_tried():
    assert len(NOT_PHOTOS) + 9 * len(WHOLE) + len(NUMBERS) + len(COMMANDS) >= 120


def test_a_photo_is_readable_from_memory_views():
    data = files.encode(SMALL, "JPEG")
    assert np.array_equal(load_photo(memoryview(data)).luminance, load_photo(io.BytesIO(data).getvalue()).luminance)
    assert cv2.countNonZero(load_photo(bytearray(data)).luminance) > 0
