"""The page without a browser: its parts by themselves, and the whole path through AppTest."""

from __future__ import annotations

import dataclasses
import io
import json
import re
import warnings
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from sample_results import comparison, inspection
from streamlit.testing.v1 import AppTest
from test_bad_input import NOT_PHOTOS, QUEER

from analysis.break_through import BreakThrough
from analysis.by_place_chart import level_rows, place_reach, place_rows
from analysis.errors import PhotoError
from analysis.machine import list_presets, load_preset
from analysis.page_parts import charts, choices, markup, pictures, place_charts, record_charts
from analysis.page_parts.answers import opened
from analysis.page_parts.assets import asset
from analysis.report import to_dict
from analysis.saved import pack
from analysis.series import series_cells, series_points, series_rows
from analysis.series_files import read_series
from analysis.settings import Settings
from analysis.views import make_views
from analysis.words import photos

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "demo_images"


@pytest.fixture
def fresh(monkeypatch, tmp_path):
    """A page nobody has used, with a logbook of its own."""
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("STRIPE_OR_GRAIN_DATA", str(tmp_path))
    return AppTest.from_file(str(ROOT / "streamlit_app.py"), default_timeout=90).run()


def told(page) -> str:
    """All that the page wrote as HTML, text and messages."""
    parts = [element.value for element in page.get("html") if not element.value.startswith("<style>")]
    return "\n".join(
        parts + [m.value for kind in ("markdown", "error", "info", "success", "caption") for m in getattr(page, kind)]
    )


def healthy(page) -> bool:
    """No traceback and no fault of the program's own."""
    return not page.exception and not any("fault of its own" in error.value for error in page.error)


def upload(page, key: str, name: str, data: bytes, kind: str = "image/jpeg"):
    return page.file_uploader(key=key).set_value((name, data, kind)).run()


# ---- the path ----------------------------------------------------------------------------------------


def test_the_first_page_offers_the_demo_and_two_uploads(fresh):
    assert healthy(fresh)
    assert fresh.button(key="demo_cured").label == "Try the demo pair"
    assert {u.key for u in fresh.file_uploader} >= {"before", "after", "saved"}
    assert "take it out of the machine" in told(fresh)  # a photo is never a reason to lift a guard


def test_one_click_on_the_demo_gives_the_answer_that_the_truth_file_has(fresh):
    truth = json.loads((DEMO / "truth.json").read_text())["pairs"]["cured"]
    page = fresh.button(key="demo_cured").click().run()
    assert healthy(page)
    answer = page.session_state["shown_answer"]
    assert answer.report["change"]["verdict"] == truth["change"]
    assert answer.report["before"]["stripes"][0]["period_mm"] == pytest.approx(
        truth["before"]["stripes"][0]["period_mm"], rel=0.005
    )  # the bar of issue 2: 0.5 %
    shown = told(page)
    assert shown.index("sg-answer") < shown.index("sg-cards")  # the sentence first
    assert ">Gone<" in re.sub(r"<span[^>]*></span>", "", shown)
    # The same photos again: kept by content, the very same object.
    page = page.button(key="leave_demo").click().run().button(key="demo_cured").click().run()
    assert page.session_state["shown_answer"] is answer


def test_settings_fold_to_a_line_with_the_answer_and_unfold_where_they_do_not_fit(fresh):
    page = fresh.button(key="demo_cured").click().run()
    assert "Engraved frame, 80 by 60 mm; spacings from 0.15 mm." in told(page)
    assert any("Change the scale" in expander.label for expander in page.expander)
    page = page.number_input(key="frame_w").set_value(300.0).run()
    assert healthy(page) and any("300 x 60 mm" in error.value for error in page.error)
    assert not any("Change the scale" in expander.label for expander in page.expander)
    assert not any("--" in error.value for error in page.error)
    page = page.number_input(key="frame_w").set_value(80.0).run()
    assert healthy(page) and not page.error and "sg-answer" in told(page)


def test_settings_are_told_in_the_words_of_their_fields():
    told_of = choices.settings_words
    assert told_of(Settings(frame_mm=(80.0, 60.5))) == "Engraved frame, 80 by 60.5 mm; spacings from 0.15 mm."
    by_hand = Settings(frame_mm=(80.0, 60.0), before_corners_px=((0, 0), (90, 0), (90, 70), (0, 70)))
    assert "corners by hand" in told_of(by_hand)
    assert told_of(Settings(pixels_per_mm=12.0, scan_angle_deg=-2.5)).startswith("12 pixels per mm, scan axis at -2.5")
    assert told_of(Settings()).startswith("Scale not known")
    assert "part of 40 by 30 mm at 5, 6" in told_of(Settings(frame_mm=(80.0, 60.0), region_mm=(5, 6, 40, 30)))


def test_one_photo_alone_is_judged_when_asked_and_twice_the_frame_is_twice_the_spacing(fresh):
    page = upload(fresh, "before", "piece.jpg", (DEMO / "cured_before.jpg").read_bytes())
    assert "This is one photo" in told(page)
    page = page.checkbox(key="alone").check().run().button(key="go").click().run()
    assert healthy(page)
    (first, *_) = page.session_state["shown_answer"].report["photo"]["stripes"]
    page.number_input(key="frame_w").set_value(160.0)
    page = page.number_input(key="frame_h").set_value(120.0).run()  # after the first answer no button is needed
    (second, *_) = page.session_state["shown_answer"].report["photo"]["stripes"]
    assert healthy(page) and second["period_mm"] / first["period_mm"] == pytest.approx(2.0, rel=2e-3)


@pytest.mark.parametrize("way", ["points", "scale", "none"])
def test_every_way_to_give_the_scale_leads_to_the_answer_button(fresh, way):
    page = upload(fresh, "before", "piece.jpg", (DEMO / "cured_before.jpg").read_bytes())
    page = page.checkbox(key="alone").check().run().radio(key="scale_by").set_value(way).run()
    assert healthy(page) and not page.error
    assert page.button(key="go").label == "Get the answer"


def test_corners_typed_as_numbers_are_used(fresh):
    truth = json.loads((DEMO / "truth.json").read_text())["pairs"]["cured"]["before"]
    page = upload(fresh, "before", "piece.jpg", (DEMO / "cured_before.jpg").read_bytes())
    page = page.checkbox(key="alone").check().run().toggle(key="by_hand").set_value(True).run()
    fields = [f for f in page.number_input if f.key.startswith("before_corners_")]
    for field, value in zip(fields, np.ravel(truth["corners_px"]), strict=True):
        field.set_value(value)
    page = page.button(key="before_corners_use").click().run().button(key="go").click().run()
    assert healthy(page) and not page.error
    photo = page.session_state["shown_answer"].report["photo"]
    assert photo["scale"]["method"] == "corners"
    assert photo["stripes"][0]["period_mm"] == pytest.approx(truth["stripes"][0]["period_mm"], rel=0.005)
    page = page.checkbox(key="use_region").check().run()                 # a part of the piece: 40 x 30 mm of 80 x 60
    assert healthy(page) and not page.error
    assert page.session_state["shown_answer"].report["settings"]["region_mm"] == [5.0, 5.0, 40.0, 30.0]


def test_a_saved_comparison_opens_again_with_its_numbers(fresh):
    made = comparison()
    page = upload(fresh, "saved", "old.zip", pack(made, title="Old belt"), "application/zip")
    assert healthy(page)
    assert to_dict(made)["change"]["sentence"] in told(page)
    assert any(field.value == "Old belt" for field in page.text_input)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b"no photo at all", "not a photo"),
        ((DEMO / "cured_before.jpg").read_bytes()[:2000], "cut short"),
    ],
    ids=["empty", "text", "truncated"],
)
def test_a_bad_photo_gives_one_sentence_and_loses_nothing(fresh, data, said):
    page = upload(fresh, "before", "a.jpg", data)
    page = page.checkbox(key="alone").check().run().button(key="go").click().run()
    assert healthy(page)
    assert len(page.error) == 1 and said in page.error[0].value
    assert page.number_input(key="frame_w").value == 80.0 and page.checkbox(key="alone").value


def test_a_file_that_is_no_saved_comparison_gives_one_sentence(fresh):
    page = upload(fresh, "saved", "x.zip", b"PK\x03\x04 but no more", "application/zip")
    assert healthy(page) and "saved result" in page.error[0].value


def test_a_preset_fills_the_machine_form_and_lists_its_spacings(fresh):
    page = fresh.segmented_control(key="view").set_value("machine").run()
    page = page.selectbox(key="preset").select("belt_mxl").run().button(key="take_preset").click().run()
    assert healthy(page)
    assert page.session_state["machine"].belt.pitch_mm == 2.032  # ISO 5296: MXL, 0.080 in
    assert "belt pitch" in told(page) and "switch off" in told(page)  # the drive comes with its cautions
    page = page.button(key="use_machine").click().run()  # the untouched form gives the same machine
    assert healthy(page) and page.session_state["machine"].belt.pitch_mm == 2.032


def test_a_test_piece_is_drawn_and_a_wrong_power_gives_one_sentence(fresh):
    page = fresh.segmented_control(key="view").set_value("plan").run()
    assert healthy(page) and "13 patches" in told(page)  # 5 powers x 2 speeds, and 3 turned
    assert "eye protection" in told(page)  # a person is about to engrave
    page = page.text_input(key="plan_powers").set_value("10, lots").run()
    assert healthy(page) and "powers must be numbers" in page.error[0].value
    assert page.text_input(key="plan_powers").value == "10, lots"


def test_an_entry_written_from_the_answer_stands_in_the_logbook(fresh):
    page = upload(fresh, "saved", "old.zip", pack(comparison()), "application/zip")
    field = next(f for f in page.text_input if f.key.startswith("changed_"))
    page = field.set_value("new belt clamp").run().button(key="write_entry").click().run()
    assert healthy(page) and "Entry 1" in page.success[0].value
    page = page.segmented_control(key="view").set_value("logbook").run()
    assert healthy(page) and "new belt clamp" in told(page)


def test_the_drive_calculator_takes_the_stripe_of_the_answer(fresh):
    page = fresh.button(key="demo_cured").click().run()
    stripe = page.session_state["shown_answer"].report["before"]["stripes"][0]
    page = page.segmented_control(key="view").set_value("machine").run()
    preset = next(name for name, _ in list_presets() if (m := load_preset(name)).belt and m.belt.pulley_teeth)
    page = page.selectbox(key="preset").set_value(preset).run().button(key="take_preset").click().run()
    assert healthy(page)
    typed = [field for field in page.number_input if field.key and field.key.startswith("stripe_period")]
    assert typed[0].value == pytest.approx(stripe["period_mm"])
    shown = told(page)
    for words in ("Position error behind the stripe", "Speed ripple of the runout", "Teeth in mesh", "pull the plug"):
        assert words in shown, words
    page.number_input(key="centre").set_value(100.0)
    page = page.number_input(key="other").set_value(400.0).run()
    assert healthy(page) and page.error  # half the difference of the diameters is more than 100 mm
    page = page.number_input(key="other").set_value(20.0).run()
    assert healthy(page) and not page.error


LIST = """file,label,date,speed_mm_s,power_percent,depth_mm
cured_before.jpg,A,2026-01-10,200,40,1.2
cured_after.jpg,B,2026-02-01,320,20,
smaller_before.jpg,=1+1,2026-05-01,320,50,1.4
"""


def series_page(page, files):
    page = page.segmented_control(key="view").set_value("series").run()
    page = page.file_uploader(key="series_upload").set_value(files).run()
    return page.button(key="series_go").click().run() if page.get("button") and not page.error else page


def test_a_series_on_the_page_shows_the_numbers_of_the_command_line(fresh, tmp_path):
    names = ("cured_before.jpg", "cured_after.jpg", "smaller_before.jpg")
    files = [(name, (DEMO / name).read_bytes(), "image/jpeg") for name in names]
    page = series_page(fresh, [*files, ("list.csv", LIST.encode(), "text/csv")])
    assert healthy(page) and not page.error
    for name, data, _ in files:
        (tmp_path / name).write_bytes(data)
    (tmp_path / "list.csv").write_text(LIST)
    points, _ = read_series(str(tmp_path / "list.csv"), Settings(frame_mm=(80.0, 60.0)))
    table = next(part.value for part in page.get("html") if "a row for each piece" in part.value)
    found = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in re.findall(r"<tr>(.*?)</tr>", table)[1:]]
    wanted = [[*cells[:-1], markup.BIG[cells[-1]]] for cells in series_cells(points)]
    assert found == wanted and found[0][5].startswith("5.0")
    assert "at least 6" in told(page)  # too few for a break-through, said in words
    page = page.selectbox(key="series_against").set_value("date").run()
    assert healthy(page)
    page = page.segmented_control(key="view").set_value("machine").run()
    page = page.segmented_control(key="view").set_value("series").run()
    assert healthy(page) and "In use: 4 files" in told(page) and "a row for each piece" in told(page)


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ([("list.csv", b"photo\na.jpg\n", "text/csv")], "column 'photo'"),
        ([("list.csv", b"file\na.jpg\n", "text/csv")], "names a.jpg, which is not here"),
        ([("list.csv", b"file\na.jpg\nb.jpg\n", "text/csv")], "a.jpg and 1 more"),
        ([("list.csv", b"\xff\xfe\x00", "text/csv")], "not plain text"),
        ([("a.csv", b"file\n", "text/csv"), ("b.csv", b"file\n", "text/csv")], "2 lists"),
        ([("a.jpg", b"", "image/jpeg")], "a.jpg: "),
        ([("a.jpg", b"not a photo", "image/jpeg")], "a.jpg: "),
        ([("a.json", b"{}", "application/json")], "a.json: This file is no report"),
        (
            [("list.csv", b"file,power_percent\na.jpg,much\n", "text/csv"), ("a.jpg", b"x", "image/jpeg")],
            "power_percent must be a number",
        ),
    ],
)
def test_a_faulty_series_gives_its_sentence(fresh, files, said):
    page = series_page(fresh, files)
    assert healthy(page) and any(said in error.value for error in page.error), told(page)


def test_the_chart_of_a_series_marks_where_the_grain_comes_through_and_what_could_hide():
    report = to_dict(inspection())
    clean = to_dict(inspection(contrast_percent=0.3, verdict="clean"))
    items = [{"report": report if p > 20 else clean, "power_percent": p} for p in (10.0, 20.0, 30.0, 40.0)]
    rise = BreakThrough(
        found=True, middle=27.0, middle_interval=(22.0, 33.0), dominates_from=None, dominates_interval=None,
        below_percent=1.0, above_percent=5.0, p_value=0.01, words="",
    )  # fmt: skip
    chart = record_charts.series(series_rows(series_points(items)), "power_percent", "Power, %", rise).to_dict()
    assert {"at": 27.0, "low": 22.0, "high": 33.0} in [row for rows in chart["datasets"].values() for row in rows]
    hidden = [row for rows in chart["datasets"].values() for row in rows if row.get("limit") is not None]
    limit = clean["photo"]["detection_limit_percent"]
    assert {(row["at"], row["limit"]) for row in hidden} == {(10.0, limit), (20.0, limit)}
    assert all(rows for rows in chart["datasets"].values())
    dated = [item | {"date": f"2026-0{i + 1}-01"} for i, item in enumerate(items)]
    record_charts.series(series_rows(series_points(dated)), "date", "Date").to_dict(validate=True)


def test_a_logbook_that_cannot_be_written_gives_a_sentence_and_keeps_the_answer(fresh, monkeypatch, tmp_path):
    page = fresh.button(key="demo_cured").click().run()
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv("STRIPE_OR_GRAIN_DATA", str(tmp_path / "file"))
    page = page.button(key="write_entry").click().run()
    assert healthy(page) and page.error and "sg-answer" in told(page)
    page = page.segmented_control(key="view").set_value("logbook").run()
    assert healthy(page) and page.error


def test_two_sessions_do_not_see_each_other(fresh):
    upload(fresh, "saved", "old.zip", pack(comparison()), "application/zip")
    other = AppTest.from_file(str(ROOT / "streamlit_app.py"), default_timeout=90).run()
    assert "sg-answer" not in told(other) and "shown_answer" not in other.session_state


@pytest.fixture(scope="module")
def waiting(tmp_path_factory):
    """A page that judges each photo that it is given, as soon as it is given."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(ROOT)
        patch.setenv("STRIPE_OR_GRAIN_DATA", str(tmp_path_factory.mktemp("data")))
        page = AppTest.from_file(str(ROOT / "streamlit_app.py"), default_timeout=90).run()
        page = upload(page, "before", "a.jpg", b"")
        yield page.checkbox(key="alone").check().run().button(key="go").click().run()


@pytest.mark.parametrize("case", NOT_PHOTOS)
def test_what_is_no_photo_gives_its_sentence_on_the_page(waiting, case):
    data, said = NOT_PHOTOS[case]
    page = upload(waiting, "before", f"{case}.jpg", data() if callable(data) else data)
    assert healthy(page)
    (error,) = page.error
    assert re.search(said, error.value) and "\n" not in error.value and page.checkbox(key="alone").value


@pytest.mark.parametrize("case", QUEER)
def test_a_queer_photo_gives_a_report_or_its_sentence_on_the_page(waiting, case):
    picture = QUEER[case]
    out = io.BytesIO()
    Image.fromarray(picture() if callable(picture) else picture).save(out, "PNG")
    before = waiting.session_state["shown_answer"] if "shown_answer" in waiting.session_state else None
    page = waiting.radio(key="scale_by").set_value("none").run()
    page = upload(page, "before", f"{case}.png", out.getvalue(), "image/png")
    assert healthy(page)
    answered = "shown_answer" in page.session_state and page.session_state["shown_answer"] is not before
    assert answered or len(page.error) == 1


# ---- choices -----------------------------------------------------------------------------------------


def test_two_points_give_scale_and_axis_by_geometry():
    points = [[100, 400], [400, 0]]  # 3-4-5: 500 px, rising to the right
    assert choices.pixels_per_mm_of_points(points, 50.0) == pytest.approx(10.0)
    assert choices.axis_of_points(points) == pytest.approx(53.13010235415598)  # atan(4/3)
    assert choices.axis_of_points(points[::-1]) == pytest.approx(53.13010235415598)  # an axis has no head
    assert choices.axis_of_points([[0, 9], [0, 0]]) == 90.0


@pytest.mark.parametrize(
    ("points", "distance"),
    [([[5, 5], [6, 6]], 10.0), ([[0, 0], [500, 0]], 0.0), ([[0, 0], [500, 0]], float("nan"))],
)
def test_points_that_make_no_scale_are_refused_in_words(points, distance):
    with pytest.raises(PhotoError, match=r"\. [A-Z]"):  # what is wrong, then the mend
        choices.pixels_per_mm_of_points(points, distance)


def test_what_belongs_to_another_way_is_left_out():
    made = choices.settings_of(by="scale", pixels_per_mm=12.0, scan_angle_deg=3.0, frame_mm=(80, 60))
    assert made == Settings(pixels_per_mm=12.0, scan_angle_deg=3.0)


def test_turning_the_corners_four_times_changes_nothing():
    corners = choices.inset_corners((400, 300))
    again = corners
    for _ in range(4):
        again = choices.turned(again)
    assert again == corners and choices.turned(corners)[0] == corners[1]


def test_the_key_follows_content_not_name_order_or_time():
    a, b = ("a.jpg", b"1"), ("b.jpg", b"2")
    key = choices.answer_key((a, b), Settings(), "")
    assert key == choices.answer_key((a, b), Settings(), "")
    assert (
        len(
            {
                key,
                choices.answer_key((b, a), Settings(), ""),
                choices.answer_key((a, b), Settings(frame_mm=(80, 60)), ""),
                choices.answer_key((a, ("b.jpg", b"3")), Settings(), ""),
                choices.answer_key((a, b), Settings(), "m"),
            }
        )
        == 5
    )


# ---- markup ------------------------------------------------------------------------------------------


class Tags(HTMLParser):
    """Check that tags close in order; collect text."""

    def __init__(self, text):
        super().__init__()
        self.open, self.seen, self.text = [], [], ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.seen.append(tag)
        if tag not in ("img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


@pytest.mark.parametrize(
    "made",
    [comparison(), comparison(aligned=False, scale_known=False),
     comparison(aligned=False, after_scale_known=False), inspection()],
    ids=["pair", "not aligned", "AFTER without scale", "one"],
)
def test_markup_is_well_formed_and_holds_each_verdict_in_words(made):
    report = to_dict(made)
    tags = Tags(markup.answer_cards(report) + markup.reasons(report) + markup.next_step(report))
    assert not tags.open
    assert tags.text.count("Machine's stripe") == (1 if "photo" in report else 2)


def test_a_file_name_cannot_write_markup():
    report = to_dict(comparison(names=("<img src=x onerror=alert(1)>.jpg", "b.jpg")))
    assert "img" not in Tags(markup.answer_cards(report)).seen


def test_every_verdict_has_its_own_word_and_its_own_sign():
    from analysis.words import CHANGE_WORDS, VERDICT_WORDS

    assert set(markup.BIG) == set(VERDICT_WORDS) and set(markup.BIG_CHANGE) == set(CHANGE_WORDS)
    assert len(set(markup.BIG.values())) == len(markup.BIG)
    for verdict in [*VERDICT_WORDS, *(v.split()[0] for v in CHANGE_WORDS)]:
        assert f".sg-{verdict}" in asset("page.css") and markup._SIGNS[verdict]


def test_a_warning_is_split_into_what_and_mend():
    tags = Tags(markup.warning("Glare covers 3 % of the piece. Turn the lamp away.", "BEFORE"))
    assert "Mend: Turn the lamp away." in tags.text and "Glare covers 3 % of the piece." in tags.text


def test_the_page_names_its_field_not_the_command_lines_option():
    said = markup.warning("Read from a ruler. Check it, and give pixels per mm (--pixels-per-mm) if it is wrong.")
    assert "<b>Mend:</b> Check it, and give pixels per mm if it is wrong." in said


def test_five_short_lines_say_how_to_photograph():
    assert len(markup.HOW_TO) == 5 and max(map(len, markup.HOW_TO)) < 110


# ---- charts and pictures -----------------------------------------------------------------------------


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize(
    "made",
    [comparison(), comparison(aligned=False, scale_known=False),
     comparison(aligned=False, after_scale_known=False), inspection()],
    ids=["pair", "not aligned", "AFTER without scale", "one"],
)
def test_charts_are_valid_and_hold_the_found_period(made, dark):
    views, report = make_views(made), to_dict(made)
    drawn = [
        *charts.profiles(views, shown=charts.axis_ranges(views), dark=dark),
        *charts.spectra(views, report, dark=dark),
        *(place_charts.by_place(views, report, axis, view.unit, dark=dark)
          for axis in ("along", "across") for view in views.photos),
        *filter(None, [place_charts.by_level(report, dark=dark)]),
    ]
    drawn += [charts.misfits(views, dark=dark)[0]] if views.misfits_px is not None else []
    for chart in drawn:
        chart.to_dict(validate=True)  # against the schema of Vega-Lite
        assert all(rows for rows in chart.to_dict().get("datasets", {}).values())  # no layer is a nameless empty one
    assert ("2.032 mm" in json.dumps(charts.spectra(views, report)[0].to_dict())) == (views.photos[0].unit == "mm")


def test_a_photo_without_a_scale_shares_no_axis_with_one_in_mm():
    """80 mm of a board and 800 px: on one axis the board would be a dot."""
    made = comparison(aligned=False, after_scale_known=False)
    views, report = make_views(made), to_dict(made)
    ranges = charts.axis_ranges(views)
    assert list(ranges) == ["mm", "px"] and ranges["mm"][1] < 85 < 700 < ranges["px"][1]
    assert "Along the scan axis, px" in json.dumps(charts.profiles(views, shown=ranges)[1].to_dict())
    for unit, name in (("mm", "BEFORE"), ("px", "AFTER")):
        drawn = json.dumps(place_charts.by_place(views, report, "along", unit).to_dict(validate=False))
        assert f"Along the scan axis, {unit}" in drawn and f'"photo": "{name}"' in drawn
        assert all(f'"photo": "{n}"' not in drawn for n in {"BEFORE", "AFTER"} - {name})


def test_a_line_that_the_camera_made_is_not_drawn_as_a_found_stripe():
    made = inspection()
    vetoed = dataclasses.replace(made, photo=dataclasses.replace(
        made.photo, stripes=dataclasses.replace(made.photo.stripes, stripes=())))
    assert np.any(made.photo.stripes.stripe_profile_percent) and np.any(make_views(made).photos[0].fitted_percent)
    assert not np.any(make_views(vetoed).photos[0].fitted_percent)


@pytest.mark.parametrize(("axis", "factors"), [("along", np.linspace(0.83, 1.17, 8)), ("across", np.ones(6))])
@pytest.mark.parametrize("scale_known", [True, False])
def test_contrast_by_place_holds_the_stretches_of_the_result_and_the_means_of_its_map(axis, factors, scale_known):
    made = inspection(scale_known=scale_known)
    view, photo = make_views(made).photos[0], to_dict(made)["photo"]
    rows = place_rows(view, photo, axis)
    stripes, grain = ([row for row in rows if row.what == what] for what in ("stripes", "grain"))
    assert [row.contrast_percent for row in stripes] == pytest.approx(4.2 * factors)
    assert all(row.high_percent - row.low_percent == pytest.approx(0.6) for row in stripes)
    length = {"along": 80, "across": 60}[axis] * (1 if scale_known else 10)
    assert np.mean([row.place for row in stripes]) == pytest.approx(length / 2)
    cells = made.photo.grain.map_percent
    assert 0 <= min(row.place for row in grain) and max(row.place for row in grain) <= length
    assert min(row.contrast_percent for row in grain) >= np.nanmin(cells)
    assert len(place_rows(view, photo | {"stripes": []}, axis)) > len(grain)  # the map stands for a stripe not found


def test_contrast_against_depth_runs_from_light_to_dark_and_is_left_out_on_even_ground():
    report = to_dict(inspection())
    rows = level_rows(report["photo"])
    assert [row.place for row in rows] == sorted((row.place for row in rows), reverse=True)
    assert [row.contrast_percent / 4.2 for row in rows] == pytest.approx([0.9, 0.95, 1.05, 1.1])
    report["photo"]["stripes"][0]["by_place"]["by_level"] = []
    assert place_charts.by_level(report) is None


def test_the_axis_of_contrast_holds_every_interval():
    made = comparison()
    rows = [place_rows(v, p, "along") for v, (_, p) in zip(make_views(made).photos, photos(to_dict(made)), strict=True)]
    assert place_reach(rows) > max(row.high_percent or row.contrast_percent for part in rows for row in part)


def test_a_spacing_found_in_the_other_photo_is_dotted_where_it_is_gone():
    made = comparison(contrasts=(4.2, 0.0))
    views, report = make_views(made), to_dict(made)
    report["after"]["stripes"] = []
    before, after = (chart.to_dict(validate=True) for chart in charts.spectra(views, report))

    def dotted(chart):
        return [row["period"] for layer in chart["layer"] if layer["mark"].get("strokeDash") == [2, 3]
                for row in chart["datasets"][layer["data"]["name"]]]

    assert dotted(before) == [] and dotted(after) == pytest.approx([report["before"]["stripes"][0]["period_mm"]])


def test_misfit_arrows_are_the_misfits_times_the_stated_factor():
    views = make_views(comparison())
    chart, enlarge = charts.misfits(views)
    data = next(iter(chart.to_dict()["datasets"].values()))
    for row, (x, y, dx, dy) in zip(data, views.misfits_px, strict=True):
        assert (row["x2"] - row["x"], row["y2"] - row["y"]) == pytest.approx((enlarge * dx, enlarge * dy), abs=1e-3)
        assert (row["x"], row["y"]) == pytest.approx((x, y))


def test_the_history_shows_no_stripe_as_what_could_hide_not_as_zero():
    row = {
        "made": "2026-11-25",
        "title": "t",
        "changed": "",
        "verdict": "clean",
        "contrast_low_percent": None,
        "contrast_high_percent": None,
        "limit_percent": 0.6,
    }
    rows = [
        row | {"place": "after", "contrast_percent": None},
        row | {"place": "before", "contrast_percent": 4.0, "contrast_low_percent": 3.8, "contrast_high_percent": 4.2},
    ]
    chart = record_charts.history(rows).to_dict(validate=True)
    hollow = [layer for layer in chart["layer"] if layer["mark"].get("filled") is False]
    assert [layer["encoding"]["y"]["field"] for layer in hollow] == ["limit_percent"]
    data = chart["datasets"][hollow[0]["data"]["name"]]
    assert [one["limit_percent"] for one in data] == [0.6]


def test_the_chart_of_patches_holds_stripe_and_grain_of_each_power():
    report = to_dict(inspection())
    points = series_points(
        {"report": report, "power_percent": p, "speed_mm_s": v} for p in (10.0, 20.0) for v in (200.0, 320.0)
    )
    chart = record_charts.series(series_rows(points), "power_percent", "Power, %").to_dict(validate=True)
    rows = max(chart["datasets"].values(), key=len)
    found = {(row["what"], row["at"], row["group"]): row["contrast"] for row in rows}
    assert len(found) == 8 and found["stripes", 10.0, "320 mm/s"] == report["photo"]["stripes"][0]["contrast_percent"]
    assert found["grain", 20.0, "200 mm/s"] == report["photo"]["grain"]["contrast_percent"]


def relative_luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast_ratio(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    high, low = sorted((relative_luminance(one), relative_luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def theme(name: str) -> dict[str, str]:
    import tomllib

    return tomllib.loads((ROOT / ".streamlit" / "config.toml").read_text())["theme"][name]


@pytest.mark.parametrize("name", ["light", "dark"])
def test_text_and_charts_stand_out_from_their_ground(name):
    """WCAG 2.2: text 4.5 : 1 (1.4.3); graphics 3 : 1 (1.4.11)."""
    colours = theme(name)
    for ground in ("backgroundColor", "secondaryBackgroundColor"):
        assert contrast_ratio(colours["textColor"], colours[ground]) >= 7.0
        assert contrast_ratio(colours["linkColor"], colours[ground]) >= 4.5
    palette = charts.DARK if name == "dark" else charts.LIGHT
    for colour in (palette.ink, palette.soft, palette.found, palette.limit):
        assert contrast_ratio(colour, colours["backgroundColor"]) >= 3.0
    assert contrast_ratio("#ffffff", colours["primaryColor"]) >= 3.9  # label of a pressed button, bold


@pytest.mark.parametrize("name", ["light", "dark"])
def test_found_and_limit_differ_to_colour_blind_eyes(name):
    """Machado et al. (IEEE TVCG 15 (2009) 1291), severity 1, by colour-science: deuteranomaly and protanomaly."""
    palette = charts.DARK if name == "dark" else charts.LIGHT
    pair = np.array([[int(c[i : i + 2], 16) / 255 for i in (1, 3, 5)] for c in (palette.found, palette.limit)])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reference library warns on import
        import colour

        for kind in ("Deuteranomaly", "Protanomaly"):
            seen = np.clip(colour.cctf_decoding(pair) @ colour.matrix_cvd_Machado2009(kind, 1.0).T, 0, 1)
            lab = colour.XYZ_to_Lab(colour.RGB_to_XYZ(seen, "sRGB", apply_cctf_decoding=False))
            assert np.linalg.norm(lab[0] - lab[1]) > 20.0  # some 2.3 is just noticeable (Mahy 1994)


def test_pictures_carry_no_metadata_and_open():
    views = make_views(comparison())
    data = pictures.viewer_data(views)
    assert [mode for mode, _ in data["modes"]] == ["swipe", "blend", "beside"]
    assert data["scale"]["top"] == views.map_top_percent
    import base64

    for photo in data["photos"]:
        for layer in ("picture", "texture", "stripes", "grain"):
            image = Image.open(io.BytesIO(base64.b64decode(photo[layer].split(",", 1)[1])))
            image.load()
            assert not image.getexif() and not set(image.info) - {
                "jfif",
                "jfif_version",
                "jfif_unit",
                "jfif_density",
            }
        assert photo["alt"] and photo["map_alt"]["stripes"]


def test_a_photo_at_a_glance_is_upright_small_and_without_metadata():
    """EXIF orientation 6: turn by 90 degrees clockwise to show upright (CIPA DC-008)."""
    out, exif = io.BytesIO(), Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "maker"
    Image.new("RGB", (1600, 800), "white").save(out, "JPEG", exif=exif)
    with Image.open(io.BytesIO(pictures.small_photo(out.getvalue()))) as small:
        assert small.size == (240, 480) and not small.getexif()


@pytest.mark.parametrize(
    "data", [b"", b"text", b"\xff\xd8\xff\xe0 cut", (DEMO / "cured_before.jpg").read_bytes()[:2000]]
)
def test_a_photo_that_cannot_be_shown_is_left_to_the_analysis(data):
    assert pictures.small_photo(data) is None


def test_photos_that_are_not_aligned_are_shown_side_by_side_only():
    assert pictures.viewer_data(make_views(comparison(aligned=False)))["modes"] == [["beside", "side by side"]]


def test_an_opened_answer_makes_the_same_sheet_numbers():
    made = comparison()
    answer = opened(pack(made, title="t", notes="n"))
    assert answer.report == json.loads(json.dumps(to_dict(made))) and (answer.title, answer.notes) == (
        "t",
        "n",
    )


@pytest.mark.parametrize(
    "name", ["picker.js", "viewer.js", "picker.css", "viewer.css", "page.css", "howto.svg", "mark.svg"]
)
def test_the_parts_of_the_page_name_no_outside_address(name):
    text = asset(name).replace("http://www.w3.org/2000/svg", "")  # a name, not fetched
    assert not re.search(r"https?:|//[a-z]+\.[a-z]|@import|url\((?!\"\$)", text)
    assert "\n" in text  # inline scripts without a line end are taken for a path


def test_streamlit_stays_in_the_page():
    own = {
        p.relative_to(ROOT).as_posix()
        for p in (ROOT / "analysis").rglob("*.py")
        if re.search(r"^\s*(import|from) streamlit", p.read_text(encoding="utf-8"), re.M)
    }
    assert all(path.startswith("analysis/page_parts/") for path in own)
    plain = {"assets", "markup", "charts", "record_charts", "pictures", "choices"}
    assert not {f"analysis/page_parts/{name}.py" for name in plain} & own
