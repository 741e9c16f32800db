"""The command line as people run it: whole processes on the demo photos, whose truth is known.

The contract (options, exit status, names and units of the report) is that of format 1.
"""
from __future__ import annotations

import csv
import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import cv2
import numpy as np
import photo_files as files
import pytest

from analysis.__main__ import main
from analysis.report import load

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "demo_images"
TRUTH = json.loads((DEMO / "truth.json").read_text())["pairs"]
PHOTO = {"file": str, "size_px": list, "pixels_per_mm": float, "warnings": list, "verdict": str,
         "probability_mechanical": float, "stripes": list, "grain": dict, "detection_limit_percent": float,
         "false_alarm_rate": float}
STRIPE = {"period_mm": float, "period_interval_mm": list, "period_px": float, "angle_deg": float,
          "contrast_percent": float, "contrast_interval_percent": list, "coherence": float, "coverage": float,
          "false_alarm_probability": float, "sources": list}
GRAIN = ("angle_deg", "contrast_percent", "spacing_mm", "spacing_variation")
VERDICTS = ("mechanical", "grain", "mixed", "clean", "undecided")
CHANGES = ("removed", "reduced", "unchanged", "worse", "appeared", "nothing to compare", "undecided")


def run(*arguments, cwd=ROOT, **environment):
    """A whole process: (exit status, standard output, standard error)."""
    plain = {key: value for key, value in os.environ.items() if key != "STRIPE_OR_GRAIN_TRACEBACK"}
    done = subprocess.run([sys.executable, "-m", "analysis", *map(str, arguments)], cwd=cwd, capture_output=True,
                          text=True, encoding="utf-8", timeout=120,
                          env=plain | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"} | environment)
    return done.returncode, done.stdout, done.stderr


@pytest.fixture(scope="module")
def compared(tmp_path_factory):
    """The cured pair with everything that can be written."""
    folder = tmp_path_factory.mktemp("Vergleich № 1")
    for name in ("cured_before.jpg", "cured_after.jpg", "machine.toml"):
        shutil.copy(DEMO / name, folder)
    status, out, err = run("compare", "cured_before.jpg", "cured_after.jpg", "--frame", TRUTH["cured"]["frame"],
                           "--machine", "machine.toml", "--json", "report.json", "--sheet", "sheet.pdf", "--sheet",
                           "sheet.png", "--save", "saved.zip", cwd=folder)
    assert (status, err) == (0, "")
    return folder, out, json.loads((folder / "report.json").read_text(encoding="utf-8"))


def test_the_report_has_every_key_of_the_contract_in_its_type(compared):
    _, _, report = compared
    assert report["format"] == 1
    assert re.fullmatch(r"\d+\.\d+\.\d+", report["version"])
    for side in ("before", "after"):
        check_photo(report[side])
    registration, change = report["registration"], report["change"]
    assert registration["ok"] is True and registration["reason"] is None
    assert np.shape(registration["homography"]) == (3, 3)
    assert registration["residual_mm"] < 0.3 and registration["residual_px"] < 5
    assert 0.9 < registration["overlap_fraction"] <= 1
    assert change["verdict"] in CHANGES
    assert set(change) >= {"verdict", "ratio", "ratio_interval", "phase_locked"}


def check_photo(photo):
    """Keys, types and ranges of PHOTO; a number may be null where the contract says so."""
    for key, kind in PHOTO.items():
        value = photo[key]
        assert isinstance(value, (kind, int) if kind is float else kind) or (key == "pixels_per_mm" and value is None)
    assert photo["verdict"] in VERDICTS
    assert 0 <= photo["probability_mechanical"] <= 1
    assert photo["false_alarm_rate"] == 0.01
    assert "/" not in photo["file"]
    assert set(photo["grain"]) >= set(GRAIN)
    for stripe in photo["stripes"]:
        for key, kind in STRIPE.items():
            assert isinstance(stripe[key], (kind, int) if kind is float else kind) or photo["pixels_per_mm"] is None
        assert -90 < stripe["angle_deg"] <= 90
        assert 0 <= stripe["coherence"] <= 1 and 0 <= stripe["coverage"] <= 1
        low, high = stripe["contrast_interval_percent"]
        assert low <= stripe["contrast_percent"] <= high


def test_the_answer_is_the_truth_of_the_demo(compared):
    """demo_images/truth.json: what the simulator put in. Period within 0.5 %, contrast within its interval x 2."""
    _, _, report = compared
    truth = TRUTH["cured"]
    put_in = truth["before"]["stripes"][0]
    assert report["before"]["verdict"] in ("mechanical", "mixed")
    assert report["after"]["verdict"] in ("grain", "clean")
    assert report["change"]["verdict"] == truth["change"] == "removed"
    found = report["before"]["stripes"][0]
    assert found["period_mm"] == pytest.approx(put_in["period_mm"], rel=0.005)
    assert found["contrast_percent"] == pytest.approx(put_in["contrast_percent"], rel=0.15)
    assert found["angle_deg"] == pytest.approx(put_in["angle_deg"], abs=0.3)
    assert found["sources"][0]["part"].startswith("belt")


def test_the_homography_lays_after_on_before(compared):
    """Corners of both photos from truth.json; 0.5 mm is 7 px here."""
    _, _, report = compared
    after = np.array(TRUTH["cured"]["after"]["corners_px"], np.float64).reshape(-1, 1, 2)
    laid = cv2.perspectiveTransform(after, np.array(report["registration"]["homography"])).reshape(-1, 2)
    misfit = np.hypot(*(laid - np.array(TRUTH["cured"]["before"]["corners_px"])).T)
    assert misfit.max() < 7.0


def test_the_text_answers_first_and_names_the_cautions(compared):
    _, out, report = compared
    assert out.splitlines()[0] == report["change"]["sentence"].replace("\N{MINUS SIGN}", "-")
    assert "cured_before.jpg" in out and "%" in out


def test_sheets_are_a_pdf_and_a_png_of_a4_at_200_dpi(compared):
    """ISO 216: A4 is 297 x 210 mm; at 200 dots per 25.4 mm 2339 x 1654 px."""
    from pypdf import PdfReader
    folder, _, _ = compared
    page, = PdfReader(folder / "sheet.pdf").pages
    assert float(page.mediabox.width) / 72 * 25.4 == pytest.approx(297, abs=0.5)
    assert float(page.mediabox.height) / 72 * 25.4 == pytest.approx(210, abs=0.5)
    assert "cured_before" in page.extract_text()
    height, width = cv2.imread(str(folder / "sheet.png")).shape[:2]
    assert (width, height) == pytest.approx((2339, 1654), abs=2)


def test_nothing_but_the_named_files_is_written(compared):
    folder, _, _ = compared
    assert {path.name for path in folder.iterdir()} == {
        "cured_before.jpg", "cured_after.jpg", "machine.toml", "report.json", "sheet.pdf", "sheet.png", "saved.zip"}


def test_a_saved_report_prints_the_same_answer(compared, capsys, tmp_path):
    folder, out, _ = compared
    for name in ("report.json", "saved.zip"):
        assert main(["show", str(folder / name)]) == 0
        assert capsys.readouterr().out == out
    sheet = tmp_path / "again.html"
    assert main(["show", str(folder / "saved.zip"), "--sheet", str(sheet)]) == 0
    assert sheet.read_bytes().lstrip().lower().startswith(b"<!doctype html")
    assert zipfile.is_zipfile(folder / "saved.zip")


def test_a_result_goes_into_the_logbook_and_comes_out_again(compared, capsys, tmp_path):
    folder, out, report = compared
    book = ["log", "--logbook", str(tmp_path / "book.sqlite")]
    assert main([*book, "add", "belt tightened", "--changed", "belt", "--tag", "belt", "--report",
                 str(folder / "saved.zip"), "--machine", str(folder / "machine.toml")]) == 0
    assert main([*book, "add", "plain", "--report", str(folder / "report.json")]) == 0
    capsys.readouterr()
    assert main([*book, "show", "1"]) == 0
    shown = capsys.readouterr().out
    assert out in shown and "belt tightened" in shown
    assert main([*book, "search", "BELT", "tight"]) == 0
    assert capsys.readouterr().out.count("belt tightened") == 1
    assert main([*book, "compare", "1", "2"]) == 0
    assert main([*book, "export", str(tmp_path / "book.csv")]) == 0
    rows = list(csv.DictReader((tmp_path / "book.csv").read_text("utf-8-sig").splitlines()))
    period = next(float(row["period_mm"]) for row in rows if row["place"] == "before")
    assert period == pytest.approx(report["before"]["stripes"][0]["period_mm"])


def test_json_on_standard_output_is_the_report_and_nothing_else():
    status, out, err = run("inspect", DEMO / "grain_before.jpg", "--frame", TRUTH["grain"]["frame"], "--json", "-")
    report = load(out)
    assert (status, err) == (0, "")
    check_photo(report["photo"])
    assert report["photo"]["verdict"] in ("grain", "clean")
    assert set(report) >= {"format", "version", "photo"}


def test_photos_that_cannot_be_aligned_end_with_status_3_and_a_report(tmp_path, monkeypatch, capsys):
    """Two boards with different artwork: refused with its reason, each judged alone."""
    monkeypatch.chdir(tmp_path)
    for seed, name in ((1, "a.png"), (2, "b.png")):
        (tmp_path / name).write_bytes(files.encode(unrelated(seed)))
    status = main(["compare", "a.png", "b.png", "--pixels-per-mm", "10", "--json", "r.json"])
    err = capsys.readouterr().err
    report = json.loads((tmp_path / "r.json").read_text())
    assert status == 3
    assert err.count("\n") == 1 and "could not be aligned" in err
    assert report["registration"]["ok"] is False and report["registration"]["reason"]
    assert report["change"]["verdict"] == "undecided"
    check_photo(report["before"])
    check_photo(report["after"])


def unrelated(seed: int) -> np.ndarray:
    """A photo of texture with artwork of its own."""
    rng = np.random.default_rng(seed)
    field = cv2.GaussianBlur(rng.standard_normal((600, 800)).astype(np.float32), (0, 0), 1.5)
    image = (140 + 60 * field).clip(30, 230).astype(np.uint8)
    for _ in range(6):
        x, y, w, h = (int(v) for v in rng.integers((50, 50, 40, 30), (650, 450, 140, 120)))
        cv2.rectangle(image, (x, y), (x + w, y + h), 25, 5)
    return image


@pytest.mark.parametrize("arguments", [["--help"], ["compare", "--help"], ["log", "add", "--help"], ["--version"]])
def test_help_and_version_go_to_standard_output(arguments, capsys):
    with pytest.raises(SystemExit) as end:
        main(arguments)
    out, err = capsys.readouterr()
    assert (end.value.code, err) == (0, "")
    assert "stripe-or-grain" in out


def test_help_names_every_option_of_the_contract(capsys):
    for command, options in (("compare", ("--before-corners", "--after-corners")), ("inspect", ("--corners",))):
        with pytest.raises(SystemExit):
            main([command, "--help"])
        out = capsys.readouterr().out
        for option in (*options, "--frame", "--pixels-per-mm", "--scan-angle", "--region", "--machine", "--json",
                       "--sheet", "--quiet"):
            assert option in out


def test_negative_numbers_and_quoted_corners_are_taken():
    from analysis.arguments import parse, settings_of
    corners = ((-3.0, -4.5), (1900.0, 10.0), (1880.0, 1450.0), (10.0, 1440.0))
    words = [",".join(f"{v:g}" for v in point) for point in corners]
    for given in (["--corners", *words], ["--corners", " ".join(words)], [f"--corners={' '.join(words)}"]):
        made = settings_of(parse(["inspect", "a.jpg", *given, "--scan-angle", "-12.5", "--region", "-1,0,20,20"]))
        assert made.before_corners_px == corners
        assert made.scan_angle_deg == -12.5
        assert made.region_mm == (-1.0, 0.0, 20.0, 20.0)


def test_bad_input_in_a_process_is_one_line_without_traceback(tmp_path):
    (tmp_path / "a.jpg").write_bytes(files.encode(files.picture(), "JPEG")[:3000])
    status, out, err = run("inspect", "a.jpg", cwd=tmp_path)
    assert (status, out) == (2, "")
    assert err == "a.jpg: This JPEG file is cut short: its end is missing. Copy it from the phone again.\n"


@pytest.fixture
def no_system_libraries(tmp_path):
    """A Python whose loader finds neither GL nor GLib, and an OpenCV that says so as the loader does."""
    (tmp_path / "cv2.py").write_text("raise ImportError('libGL.so.1: cannot open shared object file')\n")
    (tmp_path / "sitecustomize.py").write_text(
        "import ctypes\n"
        "class Missing(ctypes.CDLL):\n"
        "    def __init__(self, name, *rest, **more):\n"
        "        if name and ('GL' in name or 'glib' in name or 'gthread' in name):\n"
        "            raise OSError(name + ': cannot open shared object file')\n"
        "        super().__init__(name, *rest, **more)\n"
        "ctypes.CDLL = Missing\n")
    return f"{tmp_path}{os.pathsep}{ROOT}"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the packages are those of Debian")
def test_missing_system_libraries_are_named_in_one_sentence(no_system_libraries):
    status, out, err = run("--help", PYTHONPATH=no_system_libraries)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1 and "libgl1" in err and "libglib2.0-0" in err
    done = subprocess.run([sys.executable, "-c", "import analysis"], capture_output=True, text=True, cwd=ROOT,
                          env=os.environ | {"PYTHONPATH": no_system_libraries}, timeout=60)
    last = done.stderr.strip().splitlines()[-1]
    assert "libgl1" in last and "libglib2.0-0" in last
    assert "shared object" not in done.stderr


def test_a_folder_of_pairs_gives_a_table_and_goes_on_where_it_stopped(tmp_path, capsys):
    """Two sound pairs, one damaged, one without its partner; the second run does only what is missing."""
    for name in ("cured", "grain"):
        for side in ("before", "after"):
            photo = cv2.imread(str(DEMO / f"{name}_{side}.jpg"))       # at half size, to be quick
            cv2.imwrite(str(tmp_path / f"{name}_{side}.jpg"), cv2.resize(photo, None, fx=0.5, fy=0.5,
                                                                         interpolation=cv2.INTER_AREA))
    (tmp_path / "lone-before.png").write_bytes(b"x")
    (tmp_path / "bad before.jpg").write_bytes(b"no photo")
    (tmp_path / "bad after.jpg").write_bytes(b"no photo")
    (tmp_path / "notes.txt").write_text("not a photo, not a pair")
    command = ["batch", str(tmp_path), "--frame", "80x60", "--quiet", "--jobs", "2"]
    assert main(command) == 0
    first = capsys.readouterr()
    table = tmp_path / "reports" / "pairs.csv"
    rows = {row["pair"]: row for row in csv.DictReader(table.read_text("utf-8-sig").splitlines())}
    assert set(rows) == {"bad", "cured", "grain", "lone"}
    assert rows["cured"]["change"] == "removed" and rows["grain"]["change"] == "nothing to compare"
    assert float(rows["cured"]["before_period_mm"]) == pytest.approx(2.032, rel=0.005)
    assert "not a photo" in rows["bad"]["problem"] and "AFTER" in rows["lone"]["problem"]
    assert first.err.count("\n") == 2 and "2 with a report, 2 skipped" in first.out
    report = tmp_path / "reports" / "cured.json"
    assert load(report.read_bytes())["change"]["verdict"] == "removed"
    made, kept = report.stat().st_mtime_ns, table.read_bytes()
    (tmp_path / "reports" / "grain.json").unlink()
    assert main(command) == 0
    assert report.stat().st_mtime_ns == made
    assert table.read_bytes() == kept
