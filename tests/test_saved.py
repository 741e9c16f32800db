"""The saved result: whole round trip, and nothing trusted on the way back."""

from __future__ import annotations

import dataclasses
import io
import json
import struct
import zipfile
from datetime import UTC, datetime

import numpy as np
import pytest

from analysis import report, saved, sheet
from analysis.errors import PhotoError
from analysis.figures import png
from analysis.terminal import answer_lines
from analysis.views import make_views
from tests import sample_results

MADE = datetime(2026, 11, 25, 14, 5, tzinfo=UTC)


@pytest.fixture(scope="module")
def packed():
    return saved.pack(sample_results.comparison(), title="Belt moved", notes="Second tooth.", made=MADE)


def _rewritten(data, *, change=None, drop=(), add=()):
    """The same zip with entries changed, dropped or added: (name, bytes) pairs."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            if name not in drop:
                new.writestr(name, (change or {}).get(name, old.read(name)))
        for name, content in add:
            new.writestr(name, content)
    return out.getvalue()


def _json(data, name, **values):
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return json.dumps(json.loads(archive.read(name)) | values).encode()


@pytest.mark.parametrize("scale_known", [True, False])
@pytest.mark.parametrize("aligned", [True, False])
def test_round_trip_keeps_report_pictures_maps_and_curves(scale_known, aligned):
    made = sample_results.comparison(scale_known=scale_known, aligned=aligned)
    back = saved.unpack(saved.pack(made, title="τίτλος", notes="две\nстроки", made=MADE))
    assert back.report == report.to_dict(made)
    assert (back.title, back.notes, back.made) == ("τίτλος", "две\nстроки", MADE)
    views = make_views(made)
    assert (back.views.aligned, back.views.map_top_percent) == (views.aligned, views.map_top_percent)
    for one, two in zip(views.photos, back.views.photos, strict=True):
        for field in dataclasses.fields(one):
            a, b = getattr(one, field.name), getattr(two, field.name)
            assert (
                np.array_equal(a, b, equal_nan=True)
                if isinstance(a, np.ndarray) and a.dtype != bool
                else np.all(a == b)
            )
            assert not isinstance(b, np.ndarray) or not b.flags.writeable
    if views.misfits_px is not None:
        assert np.array_equal(views.misfits_px, back.views.misfits_px)


def test_one_inspected_photo_is_saved_too():
    made = sample_results.inspection(verdict="grain")
    back = saved.unpack(saved.pack(made, made=MADE))
    assert back.report["photo"]["verdict"] == "grain" and len(back.views.photos) == 1


def test_a_sheet_from_the_saved_file_is_the_sheet_of_the_result(packed):
    one = sheet.make_sheet(
        sample_results.comparison(), title="Belt moved", notes="Second tooth.", made=MADE, formats=("png",)
    )
    two = sheet.make_sheet(saved.unpack(packed), made=MADE, formats=("png",))
    assert one.png == two.png


def test_saving_again_keeps_every_byte(packed):
    assert saved.pack(saved.unpack(packed)) == packed


def test_it_is_small_enough_to_send(packed):
    """Under 5 MB, which mail lets through; common practice, no source."""
    assert len(packed) < 5_000_000


def test_it_holds_no_clock_but_the_date_it_was_made_and_no_path(packed):
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert all(not name.startswith("/") and ".." not in name for name in archive.namelist())
        assert archive.testzip() is None
    private = saved.pack(sample_results.comparison(names=("/home/me/here/b.jpg", "C:\\me\\a.jpg")), made=MADE)
    assert b"/home/me" not in private
    assert saved.unpack(private).report["before"]["file"] == "b.jpg"


def test_report_opens_from_either_file(packed):
    made = report.to_dict(sample_results.comparison())
    assert saved.open_report(packed) == saved.open_report(report.dumps(made).encode()) == made
    assert answer_lines(saved.open_report(packed)) == answer_lines(made)


# ---- what is refused ---------------------------------------------------------------------------------


@pytest.mark.parametrize("data", [b"", b"PK", b"PK\x03\x04", b"not a zip", b"\x89PNG\r\n\x1a\n" + b"0" * 100])
def test_what_is_no_zip_gets_one_sentence(data):
    with pytest.raises(PhotoError, match="no saved result"):
        saved.unpack(data)


def test_another_zip_is_named_as_such(packed):
    with pytest.raises(PhotoError, match="`manifest.json` is missing"):
        saved.unpack(_rewritten(packed, drop=("manifest.json",)))
    with pytest.raises(PhotoError, match="no saved result"):
        saved.unpack(
            _rewritten(packed, change={"manifest.json": _json(packed, "manifest.json", kind="other")})
        )


def test_a_newer_format_is_refused_with_both_numbers(packed):
    with pytest.raises(PhotoError, match="format 2.*up to format 1"):
        saved.unpack(_rewritten(packed, change={"manifest.json": _json(packed, "manifest.json", format=2)}))


@pytest.mark.parametrize(
    "key",
    [
        {"format": 0},
        {"format": "1"},
        {"format": True},
        {"made": "yesterday"},
        {"made": 3},
        {"title": 3},
        {"notes": ["a"]},
    ],
)
def test_a_faulty_manifest_names_its_key(packed, key):
    with pytest.raises(PhotoError, match=next(iter(key))):
        saved.unpack(_rewritten(packed, change={"manifest.json": _json(packed, "manifest.json", **key)}))


@pytest.mark.parametrize(
    "key",
    [
        {"photos": []},
        {"photos": None},
        {"aligned": 1},
        {"map_top_percent": 0},
        {"map_top_percent": None},
        {"map_top_percent": float("nan")},
    ],
)
def test_a_faulty_layout_names_its_key(packed, key):
    with pytest.raises(PhotoError, match=next(iter(key))):
        saved.unpack(_rewritten(packed, change={"views.json": _json(packed, "views.json", **key)}))


@pytest.mark.parametrize(
    "extent", [None, [0, 1, 2], [1, 0, 0, 1], [0, 1, 1, 1], ["a", 1, 0, 1], [0, 1e12, 0, 1]]
)
def test_a_faulty_extent_is_refused(packed, extent):
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        layout = json.loads(archive.read("views.json"))
    layout["photos"][1]["grain_extent"] = extent
    with pytest.raises(PhotoError, match="grain_extent"):
        saved.unpack(_rewritten(packed, change={"views.json": json.dumps(layout).encode()}))


def test_every_entry_is_needed(packed):
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        names = archive.namelist()
    assert len(names) == 4 + 2 * 12
    for name in names:
        with pytest.raises(PhotoError, match=f"`{name}` is missing"):
            saved.unpack(_rewritten(packed, drop=(name,)))


@pytest.mark.parametrize(
    "name", ["../../evil.txt", "/etc/evil", "0/../evil", "C:\\evil", "0/picture.png/evil"]
)
def test_names_that_lead_elsewhere_are_never_written_nor_read(packed, name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert saved.unpack(_rewritten(packed, add=((name, b"evil"),))).report["format"] == 1
    assert list(tmp_path.iterdir()) == []


def test_a_zip_bomb_is_refused_before_it_is_unpacked(packed):
    """200 MB of zeros pack to 0.2 MB; the directory states the size."""
    with pytest.raises(PhotoError, match="unpacks to more"):
        saved.unpack(_rewritten(packed, change={"0/stripe_map_percent.npy": bytes(200_000_000)}))


def test_an_entry_that_lies_about_its_size_is_refused(packed):
    """The directory states 100 bytes for 3 MB; reading stops there, where the check sum differs."""
    data = bytearray(_rewritten(packed, change={"report.json": b" " * 3_000_000}))
    place = data.rindex(b"report.json") - 46
    assert data[place : place + 4] == b"PK\x01\x02"
    data[place + 24 : place + 28] = struct.pack("<I", 100)
    with pytest.raises(PhotoError):
        saved.unpack(bytes(data))


def test_too_many_entries_and_a_name_twice_are_refused(packed):
    with pytest.raises(PhotoError, match="more than such a file"):
        saved.unpack(_rewritten(packed, add=tuple((f"x{i}", b"") for i in range(60))))
    with pytest.warns(UserWarning, match="Duplicate"):
        twice = _rewritten(packed, add=(("report.json", b"{}"),))
    with pytest.raises(PhotoError, match="twice"):
        saved.unpack(twice)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\x93NUMPY",
        b"\x93NUMPY\x01\x00\xff\xff",
        bytes(1000),
        b"\x93NUMPY\x01\x00\x46\x00{'descr': '<f4', 'fortran_order': False, 'shape': (99999999999, 4)}"
        b"      \n",
    ],
)
def test_a_faulty_array_is_refused(packed, content):
    with pytest.raises(PhotoError, match="grain_map_percent"):
        saved.unpack(_rewritten(packed, change={"0/grain_map_percent.npy": content}))


@pytest.mark.parametrize(
    "array",
    [
        np.zeros(5, "<f4"),
        np.zeros((2, 3), "<f8"),
        np.zeros((2, 0), "<f4"),
        np.asfortranarray(np.zeros((2, 3), "<f4")),
        np.array([[{}]], object),
    ],
)
def test_an_array_of_another_kind_is_refused_and_no_object_is_unpickled(packed, array):
    out = io.BytesIO()
    np.save(out, array, allow_pickle=True)
    with pytest.raises(PhotoError, match="grain_map_percent"):
        saved.unpack(_rewritten(packed, change={"0/grain_map_percent.npy": out.getvalue()}))


@pytest.mark.parametrize(
    "picture",
    [
        b"",
        b"\x89PNG\r\n\x1a\n",
        png(np.zeros((4, 4, 3), np.uint8)),
        png(np.zeros((3000, 3000), np.uint8)),
        png(np.zeros((9, 9), np.uint8)),
    ],
)
def test_a_faulty_picture_is_refused(packed, picture):
    """Not a PNG, another kind, too large, and one of another size than its mask."""
    with pytest.raises(PhotoError, match="picture"):
        saved.unpack(_rewritten(packed, change={"0/picture.png": picture}))


def test_a_picture_that_declares_a_huge_size_is_refused_unread(packed):
    """50 000 x 50 000 in a header of a few bytes."""
    small = bytearray(png(np.zeros((4, 4), np.uint8)))
    small[16:24] = struct.pack(">II", 50_000, 50_000)
    with pytest.raises(PhotoError, match="picture"):
        saved.unpack(_rewritten(packed, change={"0/picture.png": bytes(small)}))


def test_curves_of_unequal_length_are_refused(packed):
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        other = archive.read("0/spectrum_percent.npy")
    with pytest.raises(PhotoError, match="one length"):
        saved.unpack(_rewritten(packed, change={"0/profile_percent.npy": other}))


def test_a_file_cut_off_or_damaged_anywhere_gets_a_sentence(packed):
    for tenth in range(1, 10):
        with pytest.raises(PhotoError):
            saved.unpack(packed[: len(packed) * tenth // 10])
    rng = np.random.default_rng(7)
    caught = 0
    for place in rng.integers(0, len(packed), 60):
        broken = bytearray(packed)
        broken[place] ^= 0xFF
        try:
            saved.unpack(bytes(broken))
        except PhotoError:
            caught += 1
    assert caught > 50  # every byte of content is under a check sum
