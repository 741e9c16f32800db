"""Logbook: nothing lost when killed, two programs at once, newer and older files, search, export, import."""
from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
import random
import sqlite3
import subprocess
import sys
import zipfile
from contextlib import closing
from pathlib import Path

import cv2
import numpy as np
import pytest
import sample_results
from killed_writer import check_all_kept, write_and_kill

from analysis import logbook_store
from analysis.errors import PhotoError
from analysis.logbook import (
    add_entry,
    chart_rows,
    get_entry,
    list_entries,
    logbook_path,
    result_pictures,
    search_entries,
    set_notes,
    set_tags,
)
from analysis.logbook_compare import _ratio, compare_entries
from analysis.logbook_export import export_csv, export_zip, import_zip
from analysis.machine import load_machine, load_preset
from analysis.report import to_dict


@pytest.fixture
def book(tmp_path):
    """Path of a logbook that does not exist yet, in a folder that does not either."""
    return tmp_path / "new folder ñ" / "log.sqlite"


def test_entry_comes_back_as_it_was_written(book):
    """Every field, pictures to the byte, report equal."""
    result, machine = sample_results.comparison(), load_preset("belt_mxl")
    pictures = result_pictures(result) | {"sheet.pdf": bytes(range(256)) * 100}
    number = add_entry(title=" New idler ", changed="idler 12 to 16 mm", notes="line 1\nline 2",
                       tags=["Belt", "belt "], made="2026-03-01", machine=machine, report=to_dict(result),
                       pictures=pictures, path=book)
    entry = get_entry(number, path=book)
    assert (entry.line.title, entry.line.changed) == ("New idler", "idler 12 to 16 mm")
    assert entry.line.made == "2026-03-01"
    assert entry.notes == "line 1\nline 2"
    assert entry.line.tags == ("belt",)
    assert entry.report == to_dict(result)
    assert entry.pictures == pictures
    assert load_machine(entry.machine.encode()) == machine
    assert [r["place"] for r in entry.line.readings] == ["before", "after"]
    stripe = to_dict(result)["before"]["stripes"][0]
    assert entry.line.readings[0]["contrast_percent"] == stripe["contrast_percent"]


def test_thumbnail_is_a_small_picture_with_the_right_colours():
    """OpenCV decodes it: longest side at most 640 px, RGB order kept."""
    result = sample_results.inspection()
    colours = np.zeros((900, 1600, 3), np.uint8)
    colours[..., 0] = 200                                  # red
    photo = dataclasses.replace(result.photo.photo, preview=colours)
    result = dataclasses.replace(result, photo=dataclasses.replace(result.photo, photo=photo))
    data = result_pictures(result)["photo.jpg"]
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape == (360, 640, 3)
    assert picture[..., 2].mean() > 190
    assert picture[..., 0].mean() < 10
    assert b"Exif" not in data


def test_killed_writer_loses_no_confirmed_entry(book):
    """15 kills at random moments of writing; the file is checked after each (200 in tests/benchmarks)."""
    rng, confirmed = random.Random(7), {}
    for kill in range(15):
        confirmed |= write_and_kill(book, f"writer {kill}", rng.uniform(0.0, 0.06))
        check_all_kept(book, confirmed)
    assert len(confirmed) >= 15
    assert len(list_entries(path=book)) >= len(confirmed)


def test_two_programs_at_once_lose_nothing(book):
    """Two processes of 25 entries each on a file that neither finds; all 50 are there."""
    code = ("import sys\nfrom analysis.logbook import add_entry, list_entries\n"
            "for n in range(25):\n    add_entry(title=f'{sys.argv[2]} {n}', path=sys.argv[1])\n"
            "    list_entries(path=sys.argv[1])\n")
    running = [subprocess.Popen([sys.executable, "-c", code, str(book), name], stderr=subprocess.PIPE,
                                text=True, cwd=Path(__file__).parent.parent) for name in ("one", "two")]
    for process in running:
        assert process.communicate(timeout=60)[1] == ""
        assert process.returncode == 0
    titles = {line.title for line in list_entries(path=book)}
    assert titles == {f"{name} {n}" for name in ("one", "two") for n in range(25)}


def test_failed_entry_leaves_no_trace(book):
    """All or nothing: the second picture cannot be stored."""
    add_entry(title="good", path=book)
    with pytest.raises(sqlite3.Error):
        add_entry(title="bad", pictures={"a.jpg": b"1", "b.jpg": [2]}, path=book)
    with closing(sqlite3.connect(book)) as connection:
        assert connection.execute("SELECT title FROM entry").fetchall() == [("good",)]
        assert connection.execute("SELECT count(*) FROM picture").fetchone() == (0,)


def test_newer_file_is_refused_in_words_and_left_alone(book):
    """A newer program's file must not be changed."""
    add_entry(title="kept", path=book)
    with closing(sqlite3.connect(book)) as connection:
        connection.execute(f"PRAGMA user_version = {logbook_store.VERSION + 1}")
    with pytest.raises(PhotoError, match="newer version"):
        add_entry(title="lost", path=book)
    with closing(sqlite3.connect(book)) as connection:
        assert connection.execute("SELECT title FROM entry").fetchall() == [("kept",)]


def test_older_file_is_brought_up_and_a_copy_kept(book):
    """Version 1 had no readings: they are filled from the reports; the old file stays beside it."""
    report = to_dict(sample_results.comparison())
    book.parent.mkdir()
    with closing(sqlite3.connect(book, isolation_level=None)) as connection:
        logbook_store._first(connection)
        connection.execute(f"PRAGMA application_id = {logbook_store.APPLICATION_ID}")
        connection.execute("PRAGMA user_version = 1")
        connection.execute("INSERT INTO entry (uid, written, made, title, changed, machine, notes, report, "
                           "search) VALUES ('a', '2026-01-01T00:00:00+00:00', '2026-01-01', 'old', '', '', "
                           "'', ?, 'old')", (json.dumps(report),))
    line = list_entries(path=book)[0]
    assert line.title == "old"
    assert line.readings[0]["contrast_percent"] == report["before"]["stripes"][0]["contrast_percent"]
    copy = book.with_name("log.version1.sqlite")
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
        assert connection.execute("SELECT title FROM entry").fetchall() == [("old",)]


def test_file_of_another_program_or_damaged_is_refused_in_words(tmp_path):
    """Bad input: text, another program's database, a page torn out."""
    text = tmp_path / "text.sqlite"
    text.write_text("this is no database " * 100)
    with pytest.raises(PhotoError, match="damaged or is no logbook"):
        list_entries(path=text)
    other = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE thing (x)")
    with pytest.raises(PhotoError, match="another program"):
        list_entries(path=other)
    torn = tmp_path / "torn.sqlite"
    add_entry(title="x", pictures={"a.jpg": bytes(50_000)}, path=torn)
    with closing(sqlite3.connect(torn)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = bytearray(torn.read_bytes())
    data[4096:] = b"\xff" * (len(data) - 4096)
    torn.write_bytes(data)
    with pytest.raises(PhotoError, match="damaged"):
        list_entries(path=torn)


def test_folder_that_cannot_be_made_is_refused_in_words(tmp_path):
    """A file stands where the folder should be."""
    (tmp_path / "file").write_text("")
    with pytest.raises(PhotoError, match="cannot be opened or written"):
        add_entry(title="x", path=tmp_path / "file" / "log.sqlite")


def test_path_follows_argument_then_environment_then_the_users_folder(monkeypatch, tmp_path):
    """Order of the three."""
    monkeypatch.setenv(logbook_store.FOLDER_VARIABLE, str(tmp_path))
    assert logbook_path() == tmp_path / "logbook.sqlite"
    assert logbook_path(tmp_path / "x") == tmp_path / "x"
    monkeypatch.delenv(logbook_store.FOLDER_VARIABLE)
    assert "stripe-or-grain" in str(logbook_path())


def test_search_finds_every_word_in_any_letter_case_and_alphabet(book):
    """Case folding of Unicode; % and _ are letters, not wild cards."""
    first = add_entry(title="Größe der Rolle", notes="50 % power", tags=["Ремень"], path=book)
    add_entry(title="other", path=book)

    def found(text):
        return [line.id for line in search_entries(text, path=book)]

    assert found("GRÖSSE rolle") == [first]
    assert found("ремень") == [first]
    assert found("50 %") == [first]
    assert found("%o") == []
    assert found("rolle other") == []
    assert len(found("")) == 2
    set_notes(first, "nothing", path=book)
    assert found("power") == []
    set_tags(first, ["fresh"], path=book)
    assert found("ремень") == []
    assert [line.id for line in list_entries(tag="FRESH", path=book)] == [first]


def test_list_is_newest_test_first(book):
    """By the day of the test, not of the writing."""
    for day in ("2026-02-01", "2026-03-01", "2026-01-01"):
        add_entry(title=day, made=day, path=book)
    assert [line.made for line in list_entries(path=book)] == ["2026-03-01", "2026-02-01", "2026-01-01"]
    assert [row["made"] for row in chart_rows(path=book)] == []


def _report(contrast, *, limit=0.6, period=2.032):
    stripe = {"period_mm": period, "contrast_percent": contrast,
              "contrast_interval_percent": [0.9 * contrast, contrast / 0.9]} if contrast else None
    return {"format": 1, "version": "0", "photo": {
        "file": "a.jpg", "verdict": "mechanical" if contrast else "clean", "probability_mechanical": 0.9,
        "stripes": [stripe] if stripe else [], "grain": {"contrast_percent": 2.0},
        "detection_limit_percent": limit}}


def test_compared_entries_give_the_ratio_with_its_interval(book):
    """Closed form: logarithms normal, variances add; earlier first, whichever is named first."""
    a = add_entry(title="a", made="2026-01-01", report=_report(4.0), path=book)
    b = add_entry(title="b", made="2026-03-02", report=_report(1.0), path=book)
    compared = compare_entries(b, a, path=book)
    assert compared.days == 60
    assert compared.ratio == pytest.approx(0.25)
    wide = math.exp(math.sqrt(2) * math.log(1 / 0.9) * 1.96 * 2 / 3.92)
    assert compared.ratio_interval == pytest.approx((0.25 / wide, 0.25 * wide))
    assert compared.sentence.startswith("60 days later")


def test_ratio_interval_of_entries_holds_the_truth(book):
    """Simulated: 1000 pairs of 5 % errors in the logarithm through the same function; 95 +- 2.1 %."""
    rng, held = np.random.default_rng(7), 0
    for x, y in 0.05 * rng.standard_normal((1000, 2)):
        rows = [{"contrast_percent": c, "contrast_low_percent": c * math.exp(-0.098), "period_mm": 2.0,
                 "contrast_high_percent": c * math.exp(0.098), "limit_percent": 0.5}
                for c in (4 * math.exp(x), 2 * math.exp(y))]
        low, high = _ratio(*rows)[1]
        held += low <= 0.5 <= high
    assert 0.929 <= held / 1000 <= 0.971


def test_gone_stripe_is_bounded_by_the_detection_limit(book):
    """4 % before, nothing above 0.6 % after: less than about 15 to 17 % is left."""
    a = add_entry(title="a", made="2026-01-01", report=_report(4.0), path=book)
    b = add_entry(title="b", made="2026-01-01", report=_report(None), path=book)
    compared = compare_entries(a, b, path=book)
    assert compared.ratio is None
    assert compared.ratio_interval[0] == 0.0
    assert 0.15 <= compared.ratio_interval[1] <= 0.17
    assert "On the same day" in compared.sentence


def test_other_spacing_is_not_compared(book):
    """Two causes: their strengths have no ratio."""
    a = add_entry(title="a", report=_report(4.0), path=book)
    b = add_entry(title="b", report=_report(4.0, period=3.2), path=book)
    assert compare_entries(a, b, path=book).ratio is None
    assert "different causes" in compare_entries(a, b, path=book).sentence
    c = add_entry(title="c", path=book)
    assert "no report" in compare_entries(a, c, path=book).sentence


def test_changed_keys_of_the_machine_are_listed(book):
    """From 18 to 20 teeth, and an idler that was not given."""
    old = "[belt]\npitch_mm = 2.032\npulley_teeth = 18\n"
    new = "[belt]\npitch_mm = 2.032\npulley_teeth = 20\n[[idler]]\ndiameter_mm = 12\n"
    a = add_entry(title="a", machine=old, path=book)
    b = add_entry(title="b", machine=new, path=book)
    assert compare_entries(a, b, path=book).machine_changes == (
        "belt.pulley_teeth: 18 -> 20", "idler[1].diameter_mm: not given -> 12")


def test_csv_reads_back_with_the_same_numbers(book):
    """Python's csv reader; a text that a spreadsheet would run as a formula is kept a text."""
    add_entry(title="=SUM(A1)", changed='with "quotes", and\nlines', report=_report(4.0), path=book)
    add_entry(title="bare", path=book)
    rows = list(csv.DictReader(io.StringIO(export_csv(path=book), newline="")))
    assert [row["title"] for row in rows] == ["'=SUM(A1)", "bare"]
    assert rows[0]["changed"] == 'with "quotes", and\nlines'
    assert float(rows[0]["contrast_percent"]) == 4.0
    assert rows[1]["contrast_percent"] == ""


def test_zip_brings_everything_to_another_logbook(book, tmp_path):
    """All fields equal; a second import adds nothing."""
    result = sample_results.comparison()
    add_entry(title="a", changed="c", notes="n", tags=["t"], made="2026-01-01", report=to_dict(result),
              machine=load_preset("belt_2mm"), pictures=result_pictures(result), path=book)
    add_entry(title="b", path=book)
    data, other = export_zip(path=book), tmp_path / "other.sqlite"
    assert import_zip(data, path=other).added == 2
    for line in list_entries(path=book):
        twin = next(t for t in list_entries(path=other) if t.uid == line.uid)
        mine, theirs = get_entry(line.id, path=book), get_entry(twin.id, path=other)
        assert (mine.notes, mine.machine, mine.report, mine.pictures) == (
            theirs.notes, theirs.machine, theirs.report, theirs.pictures)
        assert (line.made, line.written, line.tags, line.readings) == (
            twin.made, twin.written, twin.tags, twin.readings)
    assert import_zip(data, path=other) == import_zip(data, path=other)
    assert len(list_entries(path=other)) == 2


def test_import_keeps_both_where_an_entry_differs(book):
    """Notes were edited here since the export: neither text is lost, and once is enough."""
    number = add_entry(title="a", notes="old", path=book)
    data = export_zip(path=book)
    set_notes(number, "new", path=book)
    assert import_zip(data, path=book).added == 1
    assert import_zip(data, path=book).added == 0
    assert {get_entry(line.id, path=book).notes for line in list_entries(path=book)} == {"old", "new"}


def _zip(**members):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in members.items():
            archive.writestr(name.replace("__", "/").replace("_json", ".json"), data)
    return out.getvalue()


UID = "0" * 32
ENTRY = {"title": "a", "changed": "", "notes": "", "made": "2026-01-01", "machine": "", "tags": [],
         "report": None, "written": "2026-01-01T00:00:00+00:00"}


@pytest.mark.parametrize(("data", "said"), [
    (b"", "not a whole zip"),
    (b"PK\x03\x04 and no more", "not a whole zip"),
    (_zip(other="x"), "`logbook.json` is missing"),
    (_zip(logbook_json="{"), "`logbook.json` in this zip file is faulty"),
    (_zip(logbook_json='{"format": 99}'), "newer program"),
    (_zip(logbook_json='{"format": 1, "entries": ["../../etc"]}'), "faulty"),
    (_zip(logbook_json=json.dumps({"format": 1, "entries": [UID]})), "is missing"),
    (_zip(logbook_json=json.dumps({"format": 1, "entries": [UID]}),
          **{f"entries__{UID}_json": json.dumps(ENTRY | {"title": 3})}), "faulty"),
    (_zip(logbook_json=json.dumps({"format": 1, "entries": [UID]}),
          **{f"entries__{UID}_json": json.dumps(ENTRY | {"written": "soon"})}), "faulty"),
    (_zip(logbook_json=json.dumps({"format": 1, "entries": [UID]}),
          **{f"entries__{UID}_json": json.dumps(ENTRY | {"made": "soon"})}), "year-month-day"),
    (_zip(logbook_json=json.dumps({"format": 1, "entries": [UID]}),
          **{f"entries__{UID}_json": json.dumps(ENTRY | {"machine": "[bellt]"})}), "unknown section"),
    (_zip(logbook_json=json.dumps({"format": 1, "entries": [UID]}),
          **{f"entries__{UID}_json": json.dumps(ENTRY | {"report": {"format": 1}})}), "faulty"),
])
def test_faulty_zip_is_refused_in_words_and_adds_nothing(book, data, said):
    """Bad input from outside; the logbook stays as it was."""
    add_entry(title="mine", path=book)
    with pytest.raises(PhotoError) as problem:
        import_zip(data, path=book)
    assert said in str(problem.value)
    assert [line.title for line in list_entries(path=book)] == ["mine"]


def test_good_entry_of_the_faulty_cases_is_taken(book):
    """The frame of the cases above is sound: without its fault it imports."""
    data = _zip(logbook_json=json.dumps({"format": 1, "entries": [UID]}),
                **{f"entries__{UID}_json": json.dumps(ENTRY)})
    assert import_zip(data, path=book).added == 1


def test_zip_truncated_anywhere_is_refused(book):
    """Every tenth of a good export."""
    add_entry(title="a", pictures={"a.jpg": bytes(20_000)}, path=book)
    data = export_zip(path=book)
    for tenth in range(10):
        with pytest.raises(PhotoError):
            import_zip(data[:len(data) * tenth // 10], path=book)


@pytest.mark.parametrize(("values", "said"), [
    ({"title": " "}, "no title"), ({"title": "x" * 300}, "longer than 200"), ({"notes": 3}, "plain text"),
    ({"made": "25.11.2026"}, "year-month-day"), ({"tags": [str(n) for n in range(40)]}, "30 tags"),
    ({"machine": "[belt]"}, "belt.pitch_mm"), ({"pictures": {"../x": b""}}, "one word"),
    ({"pictures": {"x.jpg": bytes(30_000_001)}}, "30 MB")])
def test_faulty_entry_gets_its_sentence(book, values, said):
    """Bad input: nothing is written."""
    with pytest.raises(PhotoError) as problem:
        add_entry(**({"title": "x", "path": book} | values))
    assert said in str(problem.value)
    assert list_entries(path=book) == ()


def test_unknown_entry_gets_its_sentence(book):
    """Bad input: a number that is not there."""
    for call in (lambda: get_entry(7, path=book), lambda: set_notes(7, "x", path=book),
                 lambda: set_tags(7, ["x"], path=book), lambda: compare_entries(7, 8, path=book)):
        with pytest.raises(PhotoError, match="no entry 7"):
            call()
