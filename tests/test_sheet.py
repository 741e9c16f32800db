"""The sheet: what is printed, that it is legible, whole and the same as the report."""

from __future__ import annotations

import base64
import dataclasses
import functools
import html
import io
import json
import re
import shutil
from datetime import UTC, datetime

import numpy as np
import pypdf
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen
from matplotlib import font_manager
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from PIL import Image

from analysis import figures, paper, report, scores, sheet, words
from analysis.errors import PhotoError
from analysis.views import make_views
from tests import sample_results

MADE = datetime(2026, 11, 25, 14, 5, tzinfo=UTC)
Part = dataclasses.make_dataclass("Part", ["part", "period_mm"])

LONG = "a very long name that somebody typed without ever stopping to breathe " * 5
MEND = ("The photo is blurred: stripes closer than 7 pixels lose half of their contrast or more, and what the artwork "
        "hides of them cannot be told from it either. Wipe the lens, rest the phone on something steady, and tap on "
        "the piece to focus")
WORST = {
    "pair": {},
    "not aligned": {"aligned": False},
    "no scale": {"scale_known": False},
    "AFTER without scale": {"aligned": False, "after_scale_known": False},
    "long names": {"names": (LONG.replace(" ", "_") + ".jpg", "x" * 255)},
    "other alphabets": {"names": ("δοκίμιο πριν.jpg", "Образец после.jpg")},
    "many warnings": {"warnings": ((LONG,) * 6, (LONG, "Short."))},
    "warnings of two lines": {"warnings": ((MEND,) * 3, (MEND,))},
    "both undecided": {"verdicts": ("undecided", "undecided"), "contrasts": (0.4, 0.4)},
    "both mixed": {"verdicts": ("mixed", "mixed"), "contrasts": (12.0, 13.0)},
}


@functools.cache
def _made(name):
    if name.startswith("one photo"):
        return sample_results.inspection(verdict="mixed", scale_known="no scale" not in name)
    return sample_results.comparison(**WORST[name])


@functools.cache
def _sheet(name="pair", paper_="A4"):
    """PDF of a case; of the plain pair the PNG too."""
    formats = ("png", "pdf") if name == "pair" else ("pdf",)
    return sheet.make_sheet(_made(name), paper=paper_, made=MADE, formats=formats)


def _pdf(name="pair"):
    return _sheet(name).pdf


def _text(pdf):
    return " ".join(pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split())


# ---- same numbers as the report ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["pair", "not aligned", "no scale", "both mixed", "one photo", "one photo no scale"]
)
def test_pdf_text_holds_every_score_of_the_report_to_the_digit(name):
    """Text drawn by matplotlib, read back by pypdf."""
    text, made = _text(_pdf(name)), report.to_dict(_made(name))
    assert " ".join(words.answer(made).split()) in text
    for what, *values in scores.score_rows(made):
        for part in (what, *values):
            assert part in text, part
    if "change" in made:
        for what, value in scores.change_rows(made):
            assert what in text and value in text, (what, value)


def test_the_numbers_on_the_sheet_are_those_of_the_result():
    """By hand from the sample: period 2.032 +- 0.0021, contrast 4.2 (3.78 to 4.58), and so on."""
    text = _text(_pdf())
    for number in (
        "2.032 ± 0.002 mm",
        "4.2 % (3.8 to 4.6)",
        "0.3° (−0.1 to 0.7)",
        "0.93",
        "96 %",
        "1.91 mm, varies by 34 %",
        "0.12 (0.08 to 0.19)",
        "misfit 0.037 mm = 0.60 px, overlap 97 %",
        "16.31 px/mm ± 0.12 %",
        "less than 1 in a million",
        "more than 99 %",
        "2000 x 1500 px",
        "25 November 2026",
    ):
        assert number in text, number


def test_no_millimetre_is_claimed_without_a_scale():
    """But for the shortest period asked for, which is a setting in mm, and the sample's own sentences."""
    text = _text(_pdf("no scale"))
    for sentence in ("one stripe every 2.032 mm", "periods from 0.15 mm", "period of 2.032 mm"):
        text = text.replace(sentence, "")
    assert not re.search(r"\d ?mm", text)
    assert "20.32 ± 0.02 px" in text


def test_cautions_stand_by_a_step_that_touches_the_drive():
    text = _text(_pdf("both mixed"))
    assert "CAUTION" in text and "unplug" in text and "never unattended" in text
    assert "CAUTION" not in _text(_pdf())


# ---- the PDF and the PNG as files --------------------------------------------------------------------


def test_every_font_is_embedded_as_outlines():
    """ISO 32000-1: FontFile2 holds TrueType outlines (Type 42); there is no Type 3 font."""
    reader = pypdf.PdfReader(io.BytesIO(_pdf("other alphabets")))
    seen = 0
    for font in reader.pages[0]["/Resources"]["/Font"].get_object().values():
        font = font.get_object()
        assert font["/Subtype"] == "/Type0"
        inner = font["/DescendantFonts"][0].get_object()
        assert "/FontFile2" in inner["/FontDescriptor"].get_object()
        assert "/ToUnicode" in font
        seen += 1
    assert seen >= 2


def test_charts_are_vectors_and_only_pictures_are_images():
    """Six pictures and maps and one colour bar; the curves are path segments."""
    page = pypdf.PdfReader(io.BytesIO(_pdf())).pages[0]
    assert (
        len(
            [
                x
                for x in page["/Resources"]["/XObject"].values()
                if x.get_object()["/Subtype"] == "/Image" and "/SMask" in x.get_object()
            ]
        )
        <= 7
    )
    assert page.get_contents().get_data().count(b" l\n") > 1000


@pytest.mark.parametrize(("paper_", "size"), [("A4", (297.0, 210.0)), ("Letter", (279.4, 215.9))])
def test_one_page_of_the_paper_asked_for(paper_, size):
    """ISO 216 A4 and ANSI/ASME Y14.1 A (US Letter), landscape, mm."""
    made = _sheet("pair", paper_)
    reader = pypdf.PdfReader(io.BytesIO(made.pdf))
    assert len(reader.pages) == 1
    box = reader.pages[0].mediabox
    assert (float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72) == pytest.approx(size, abs=0.02)
    image = Image.open(io.BytesIO(made.png))
    assert image.size == (int(size[0] / 25.4 * 200), int(size[1] / 25.4 * 200))
    assert image.info["dpi"] == pytest.approx((200, 200), abs=0.1)


def test_files_carry_program_and_date_and_nothing_else():
    made = sheet.make_sheet(sample_results.comparison(names=("/home/me/secret.jpg", "b.jpg")), made=MADE)
    data = pypdf.PdfReader(io.BytesIO(made.pdf)).metadata
    assert set(data) == {"/Creator", "/Producer", "/CreationDate"}
    assert data["/Creator"].startswith("Stripe or Grain") and data["/Producer"].startswith("Stripe or Grain")
    info = Image.open(io.BytesIO(made.png)).info
    assert set(info) == {"Software", "Creation Time", "dpi"}
    assert b"/home/me" not in made.pdf and "/home/me" not in _text(made.pdf)


def test_the_same_result_and_date_make_the_same_files():
    one, two = sheet.make_sheet(sample_results.comparison(), made=MADE), _sheet("pair")
    assert one.png == two.png
    assert one.pdf == two.pdf
    again = sheet.make_sheet(_made("pair"), made=MADE, formats=("html",)).html
    assert again.decode() == _html("pair")


def test_only_the_formats_asked_for_are_made():
    made = sheet.make_sheet(_made("one photo"), made=MADE, formats=("png",))
    assert made.png and made.pdf is None and made.html is None


def test_unknown_paper_and_format_are_refused():
    with pytest.raises(PhotoError, match="Choose A4 or Letter"):
        sheet.make_sheet(_made("one photo"), paper="B5")
    with pytest.raises(ValueError, match="gif"):
        sheet.make_sheet(_made("one photo"), formats=("gif",))


# ---- legible and whole -------------------------------------------------------------------------------


def _drawn(name, paper_="A4", title=None, notes=None, expected=()):
    """Page as drawn, with every visible text and its box in mm."""
    made = _made(name)
    with paper.drawing():
        page = sheet._page(report.to_dict(made), make_views(made), title, notes, paper_, MADE, expected)
        page.figure.set_dpi(100)
        canvas = FigureCanvasAgg(page.figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        found, unseen = [], _unseen(page.figure)
        for text in page.figure.findobj(Text):
            if not (text.get_visible() and text.get_text().strip()):
                continue
            box = text.get_window_extent(renderer)
            if box.width and id(text) not in unseen:
                found.append(
                    (
                        text,
                        box.x0 / 100 * 25.4,
                        page.height - box.y1 / 100 * 25.4,
                        box.x1 / 100 * 25.4,
                        page.height - box.y0 / 100 * 25.4,
                    )
                )
    return page, found


def _unseen(figure):
    """Tick labels beyond the limits of their axis: they exist and are never drawn."""
    found = set()
    for ax in figure.axes:
        for axis, place, limits in ((ax.xaxis, 0, ax.get_xlim()), (ax.yaxis, 1, ax.get_ylim())):
            for tick in axis.majorTicks:
                for label in (tick.label1, tick.label2):
                    if not min(limits) - 1e-9 <= label.get_position()[place] <= max(limits) + 1e-9:
                        found.add(id(label))
    return found


CASES = [(name, "A4") for name in [*WORST, "one photo", "one photo no scale"]] + [
    ("pair", "Letter"),
    ("many warnings", "Letter"),
]


@pytest.mark.parametrize(("name", "paper_"), CASES)
def test_no_text_is_cut_or_overlaps_another_and_none_is_small(name, paper_):
    """Every text lies within 5 mm of no edge (common practice of printers), 7 pt or more, and alone."""
    page, texts = _drawn(
        name,
        paper_,
        title=LONG,
        notes=LONG * 3,
        expected=(Part("belt pitch", 2.032), Part("pulley turn", 12.0)),
    )
    assert len(texts) > 60
    for text, left, top, right, bottom in texts:
        assert text.get_fontsize() >= 7.0, text
        assert left >= 5 and top >= 5 and right <= page.width - 5 and bottom <= page.height - 5, text
    for i, (one, *a) in enumerate(texts):
        for other, *b in texts[i + 1 :]:
            apart = a[2] <= b[0] + 0.05 or b[2] <= a[0] + 0.05 or a[3] <= b[1] + 0.45 or b[3] <= a[1] + 0.45
            assert apart, (one.get_text(), a, other.get_text(), b)


@pytest.mark.parametrize("name", ["pair", "many warnings", "one photo"])
def test_no_text_runs_over_a_picture_or_a_chart_that_is_not_its_own(name):
    page, texts = _drawn(name, notes=LONG)
    for ax in page.figure.axes:
        box = ax.get_window_extent()
        left, right = box.x0 / 100 * 25.4, box.x1 / 100 * 25.4
        top, bottom = page.height - box.y1 / 100 * 25.4, page.height - box.y0 / 100 * 25.4
        for text, x0, y0, x1, y1 in texts:
            if text.axes is not ax:
                assert x1 <= left + 0.1 or x0 >= right - 0.1 or y1 <= top + 0.4 or y0 >= bottom - 0.1, text


@pytest.mark.parametrize("count", [0, 1, 3, 12])
def test_warnings_that_do_not_fit_are_counted(count):
    """Shown and hidden warnings add up; the next step and its caution stay whole."""
    made = sample_results.comparison(
        verdicts=("mixed", "mixed"), warnings=(tuple(f"Warning {i}. {LONG}" for i in range(count)), ())
    )
    text = _text(sheet.make_sheet(made, notes=LONG, made=MADE, formats=("pdf",)).pdf)
    shown = len(re.findall(r"BEFORE: Warning \d+\.", text))
    more = re.search(r"(\d+) more in the report", text)
    assert shown + (int(more.group(1)) if more else 0) == count
    assert made.after.decision.next_step in text and "local rules come first." in text


@pytest.mark.parametrize("count", [1, 2, 4, 8])
def test_every_warning_on_the_sheet_keeps_its_mend(count):
    """A warning of three lines stands whole or is counted as left out: its last words say what to do."""
    made = sample_results.comparison(
        verdicts=("mixed", "mixed"), warnings=(tuple(f"{MEND} at place {i}." for i in range(count)), ()))
    text = " ".join(_text(sheet.make_sheet(made, notes=LONG, made=MADE, formats=("pdf",)).pdf).split())
    shown = text.count("BEFORE: The photo is blurred")
    assert shown >= min(count, 2)
    assert [int(i) for i in re.findall(r"to focus at place (\d)\.", text)] == list(range(shown))


def test_both_photos_and_all_maps_share_their_scales():
    page, _ = _drawn("pair")
    pictures = [
        ax
        for ax in page.figure.axes
        if ax.images and len(ax.images[0].get_array().shape) == 3 and ax.get_xlim()[1] > 10
    ]
    assert len(pictures) == 6
    assert len({(ax.get_xlim(), ax.get_ylim()) for ax in pictures}) == 1
    charts = [ax for ax in page.figure.axes if ax.lines]
    assert len({ax.get_ylim() for ax in charts if ax.get_xscale() == "log"}) == 1
    plain = [ax.get_ylim() for ax in charts if ax.get_xscale() == "linear"]
    assert len({ends for ends in plain if ends[0] < 0}) == 1  # profiles
    assert len(plain) == 4 and len({ends for ends in plain if ends[0] == 0}) == 1  # contrast by place


@pytest.mark.parametrize(("name", "units"), [("pair", {"mm"}), ("not aligned", {"mm"}), ("no scale", {"px"}),
                                             ("AFTER without scale", {"mm", "px"})])
def test_every_axis_is_labelled_in_the_unit_of_its_photo(name, units):
    page, _ = _drawn(name)
    labels = [ax.get_xlabel() for ax in page.figure.axes if ax.get_xlabel()]
    assert len(labels) == (3 if name in ("pair", "no scale") else 6)      # photos apart from each other share no axis
    for what in ("position along the scan axis", "period", "position"):
        assert {label.removeprefix(f"{what}, ") for label in labels if label.startswith(f"{what}, ")} == units


def test_the_sheet_names_no_option_of_the_command_line():
    made = sample_results.comparison(warnings=(("The axis was assumed. Give its angle (--scan-angle) if it is wrong.",),
                                               ("No scale is known. Give pixels per mm (--pixels-per-mm).",)))
    done = sheet.make_sheet(made, made=MADE, formats=("pdf", "html"))
    for text in (_text(done.pdf), html.unescape(done.html.decode())):
        text = " ".join(text.split())
        assert "Give its angle if it is wrong." in text and "Give pixels per mm." in text
        assert "--scan-angle" not in text and "--pixels-per-mm" not in text


def test_a_standing_piece_fits_too():
    """Portrait: pictures are bounded by height."""
    made = _made("pair")
    turned = []
    for one in (made.before, made.after):
        piece = dataclasses.replace(
            one.piece,
            reflectance=np.ascontiguousarray(one.piece.reflectance.T),
            valid=np.ascontiguousarray(one.piece.valid.T),
            frame_mm=(60.0, 80.0),
        )
        texture = dataclasses.replace(
            one.texture,
            weight=np.ascontiguousarray(one.texture.weight.T),
            log_reflectance=np.ascontiguousarray(one.texture.log_reflectance.T),
        )
        stripes = dataclasses.replace(
            one.stripes, map_percent=np.ascontiguousarray(one.stripes.map_percent.T)
        )
        grain = dataclasses.replace(one.grain, map_percent=np.ascontiguousarray(one.grain.map_percent.T))
        turned.append(dataclasses.replace(one, piece=piece, texture=texture, stripes=stripes, grain=grain))
    made = dataclasses.replace(made, before=turned[0], after=turned[1])
    with paper.drawing():
        page = sheet._page(report.to_dict(made), make_views(made), None, None, "A4", MADE, ())
    feet = [page.height * (1 - ax.get_position().y0) for ax in page.figure.axes]
    assert max(feet) < page.height - 15


@pytest.mark.parametrize(
    "title",
    [
        "Δοκίμιο αριθ. 7",
        "Проба № 12",
        "試験片 木材",
        "$x^2$ \\alpha & <b>",
        "a\tb\nc\x00d",
        "\u202eright to left",
        "\ud800 lone",
        "🪵 wood",
    ],
)
def test_any_alphabet_makes_a_header_without_a_warning(title, no_other_fonts):
    """Warnings are errors in this suite; what no font has shows as a box."""
    with paper.drawing():
        page = paper.Page()
        sheet._header(page, report.to_dict(_made("one photo")), title, MADE)
        text = _text(sheet._save_pdf(page, report.to_dict(_made("one photo")), MADE))
    assert paper.printable(title).split()[0] in text
    if title.startswith("試"):
        assert "□□□ □□" in text


def forget_fonts():
    for kept in (paper._installed, paper._family, paper._families, paper._points_wide, paper._font):
        kept.cache_clear()


@pytest.fixture
def no_other_fonts(monkeypatch):
    """A computer with no font but matplotlib's own."""
    own = [font for font in font_manager.fontManager.ttflist if "matplotlib" in font.fname]
    monkeypatch.setattr(font_manager.fontManager, "ttflist", own)
    forget_fonts()
    yield own
    forget_fonts()


def font_with(letters: str, path, outlines: bool = True):
    """A font made on the spot: each letter a square, or nothing."""
    names = {ord(letter): f"u{ord(letter):x}" for letter in letters}
    order = [".notdef", *names.values()]
    pen = TTGlyphPen(None)
    for i, corner in enumerate([(100, 0), (100, 800), (900, 800), (900, 0)]):
        pen.lineTo(corner) if i else pen.moveTo(corner)
    pen.closePath()
    square, nothing = pen.glyph(), TTGlyphPen(None).glyph()
    builder = FontBuilder(1000, isTTF=True)
    builder.setupGlyphOrder(order)
    builder.setupCharacterMap(names)
    builder.setupGlyf({name: square if outlines and name != ".notdef" else nothing for name in order})
    builder.setupHorizontalMetrics(dict.fromkeys(order, (1000, 100)))
    builder.setupHorizontalHeader(ascent=900, descent=-200)
    builder.setupNameTable({"familyName": path.stem, "styleName": "Regular", "psName": path.stem})
    builder.setupOS2()
    builder.setupPost()
    builder.save(path)
    return path


def test_letters_of_another_script_come_from_a_font_of_the_computer_that_has_them(no_other_fonts, tmp_path):
    title = "Probe \N{CJK UNIFIED IDEOGRAPH-8A66}\N{CJK UNIFIED IDEOGRAPH-9A13} 7"
    for name, letters, outlines in (("Empty", title, False), ("Han", title[6:8], True)):
        font_manager.fontManager.addfont(font_with(letters, tmp_path / f"{name}.ttf", outlines))
    forget_fonts()
    one = sample_results.comparison(names=(title[6:8] + ".jpg", "b.jpg"))
    made = sheet.make_sheet(one, title=title, notes=title, made=MADE)
    assert _text(made.pdf).count(title) == 2 and paper.MISSING not in _text(made.pdf)
    reader = pypdf.PdfReader(io.BytesIO(made.pdf))
    fonts = [font.get_object()["/BaseFont"] for font in reader.pages[0]["/Resources"]["/Font"].values()]
    assert any("Han" in font for font in fonts) and not any("Empty" in font for font in fonts)
    assert paper.text_width(title[6:8], 100.0) == pytest.approx(2 * 100 * 25.4 / 72, rel=0.01)  # two squares of an em


def test_a_letter_that_no_font_has_is_told_of_once(no_other_fonts):
    title = "\N{CJK UNIFIED IDEOGRAPH-8A66}"
    assert paper.missing(title) and not paper.missing("Проба Δ 12 " + paper.MISSING)
    told = "stands for a letter that no font of this computer has"
    assert _text(sheet.make_sheet(_made("pair"), title=title, made=MADE, formats=("pdf",)).pdf).count(told) == 1
    assert told not in _text(sheet.make_sheet(_made("pair"), title="a", made=MADE, formats=("pdf",)).pdf)


def test_a_damaged_font_of_the_computer_is_passed_over(no_other_fonts, tmp_path):
    path = font_with("\N{CJK UNIFIED IDEOGRAPH-8A66}", tmp_path / "Han.ttf")
    font_manager.fontManager.addfont(path)
    path.write_bytes(path.read_bytes()[:300])
    forget_fonts()
    assert paper.printable("\N{CJK UNIFIED IDEOGRAPH-8A66}") == paper.MISSING


def test_a_whole_sheet_takes_any_title_name_and_note():
    odd = "Δοκίμιο № 7 試験片 🪵 $x^2$ \\alpha & <b> \x00 \u202e \ud800 end"
    made = sheet.make_sheet(
        sample_results.comparison(names=(odd, odd)),
        title=odd,
        notes=odd,
        made=MADE,
        formats=("png", "pdf", "html"),
    )
    assert _text(made.pdf).count("$x^2$ \\alpha") >= 2
    page = made.html.decode()
    assert page.count("試験片 🪵") == 3            # title, heading, notes
    assert "<title>Δοκίμιο" in page


def test_the_machines_periods_are_marked():
    from analysis.machine import list_presets, load_preset

    machine = load_preset(list_presets()[0][0])
    made = sheet.make_sheet(_made("pair"), machine=machine, made=MADE, formats=("pdf",))
    assert "parts (ticks)" in _text(made.pdf)


# ---- text fitting ------------------------------------------------------------------------------------


def test_text_width_is_that_of_matplotlibs_own_layout():
    with paper.drawing():
        page = paper.Page()
        page.figure.set_dpi(720)
        text = page.figure.text(0, 0, "Contrast 4.2 % (3.8 to 4.6), Проба", size=7)
        box = text.get_window_extent(FigureCanvasAgg(page.figure).get_renderer())
    assert paper.text_width("Contrast 4.2 % (3.8 to 4.6), Проба", 7) == pytest.approx(
        box.width / 720 * 25.4, rel=0.02
    )


@pytest.mark.parametrize("text", ["a few plain words and some more of them", LONG, "x" * 500, "", "Δ " * 80])
def test_wrapped_lines_fit_and_lose_nothing(text):
    lines = paper.wrap(text, 40.0, 7.0)
    assert all(paper.text_width(line, 7.0) <= 40.0 for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())


def test_a_number_keeps_its_unit_when_lines_break():
    lines = paper.wrap("limit is 0.62 % and the period is 2.032 ± 0.002 mm here " * 6, 30.0, 7.0)
    assert not any(line.startswith(("%", "mm", "±")) or line.endswith(("±",)) for line in lines)


def test_a_text_cut_to_its_lines_ends_in_an_ellipsis():
    lines = paper.wrap(LONG, 40.0, 7.0, most=2)
    assert len(lines) == 2 and lines[-1].endswith("…") and paper.text_width(lines[-1], 7.0) <= 40.0


@pytest.mark.parametrize("name", ["short.jpg", "long_" * 60 + "ending.jpg", "я" * 3000])
def test_a_shortened_name_keeps_start_and_ending(name):
    short = paper.fit(name, 50.0, 7.0)
    assert paper.text_width(short, 7.0) <= 50.0
    assert short[0] == name[0] and short[-1] == name[-1]


# ---- HTML --------------------------------------------------------------------------------------------


@functools.cache
def _html(name="pair"):
    return sheet.make_sheet(_made(name), made=MADE, formats=("html",)).html.decode()


def _plain(page):
    text = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.S)
    return " ".join(html.unescape(text).split())


@pytest.mark.parametrize("name", ["pair", "not aligned", "no scale", "one photo"])
def test_html_holds_every_score_of_the_report(name):
    text, made = _plain(_html(name)), report.to_dict(_made(name))
    for row in [*scores.score_rows(made), *(scores.change_rows(made) if "change" in made else ())]:
        for part in row:
            assert part in text, part


def test_html_asks_for_nothing_outside():
    """No address but XML name spaces (names, never fetched), and a policy that forbids any."""
    page = _html()
    charts = [
        base64.b64decode(data).decode() for data in re.findall(r"data:image/svg\+xml;base64,([^\"]+)", page)
    ]
    assert len(charts) == 8  # profile, spectrum, by place of each; misfits; by depth of the one with a stripe
    for text in (page, *charts):
        addresses = re.findall(r"[a-z]+://[^\s\"'<>)]+", re.sub(r"base64,[^\"]+", "", text))
        assert all(a.startswith("http://www.w3.org/") for a in addresses), addresses
        assert "<script" not in text and "@import" not in text
    assert "default-src 'none'" in page


def test_html_shows_a_name_as_text_whatever_it_holds():
    made = sample_results.comparison(names=("<script>alert(1)<script>.jpg", "a&b\"'.jpg"))
    page = sheet.make_sheet(
        made, title="<img src=x>", notes="<b>bold</b>", made=MADE, formats=("html",)
    ).html.decode()
    assert "<script>" not in page and "<img src=x>" not in page and "<b>bold</b>" not in page
    assert "&lt;img src=x&gt;" in page


def test_html_pictures_have_words_in_their_place():
    """WCAG 2.1 success criterion 1.1.1: a text for every picture."""
    images = re.findall(r"<img [^>]+>", _html())
    assert len(images) == 15
    assert all(re.search(r'alt="[^"]{10,}"', image) for image in images)


def test_map_colours_in_html_are_the_scale_of_its_bar():
    stops = re.search(r"linear-gradient\(90deg, ([^)]+)\)", _html()).group(1).split(", ")
    assert tuple(stops) == figures.INK_NODES


@pytest.mark.skipif(not (shutil.which("chromium") and shutil.which("chromedriver")), reason="no Chromium here")
def test_html_opens_on_a_phone_with_all_pictures_and_asks_for_nothing(tmp_path):
    """390 px wide: nothing to scroll sideways; the only address asked for is the file itself."""
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for switch in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(switch)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    file = tmp_path / "sheet.html"
    file.write_text(_html(), encoding="utf-8")
    driver = webdriver.Chrome(
        options=options, service=webdriver.ChromeService(shutil.which("chromedriver"))
    )
    try:
        driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True},
        )
        driver.get(file.as_uri())
        width, pictures, shown = driver.execute_script(
            "return [document.documentElement.scrollWidth, document.images.length,"
            " [...document.images].every(i => i.complete && i.naturalWidth > 0)]"
        )
        assert (width, pictures, shown) == (390, 15, True)
        assert driver.get_log("browser") == []
        asked = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
        urls = [m["params"]["request"]["url"] for m in asked if m["method"] == "Network.requestWillBeSent"]
        assert {url for url in urls if not url.startswith("data:")} == {file.as_uri()}
    finally:
        driver.quit()
