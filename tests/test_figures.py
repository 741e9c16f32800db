"""Pictures, maps and curves: colours, places and fairness."""

from __future__ import annotations

import dataclasses
import io

import colour
import numpy as np
import pytest
from PIL import Image

from analysis import figures, paper
from analysis.views import make_views, map_top
from tests import sample_results


@pytest.fixture(scope="module")
def pair():
    return make_views(sample_results.comparison())


# ---- the colour map ----------------------------------------------------------------------------------


def _ucs(rgb):
    """CAM16-UCS (Li et al. 2017) by colour-science: J', a', b'."""
    return colour.XYZ_to_CAM16UCS(colour.sRGB_to_XYZ(rgb))


def test_ink_is_evenly_spaced_in_cam16_ucs():
    """Steps of a perceptually uniform map are equal; 12 % is left to nodes that are whole 8-bit levels."""
    place = _ucs(figures.ink_map().astype(float))
    steps = np.linalg.norm(np.diff(place, axis=0), axis=1)
    assert steps.std() / steps.mean() < 0.05
    assert steps.max() / steps.mean() < 1.12 and steps.min() / steps.mean() > 0.88


def test_ink_spans_the_lightness_of_paper_to_ink():
    lightness = _ucs(figures.ink_map().astype(float))[:, 0]
    assert lightness[0] > 95 and lightness[-1] < 20


@pytest.mark.filterwarnings("ignore::colour.utilities.ColourUsageWarning")  # tritan matrices are approximate
@pytest.mark.parametrize("deficiency", [None, "Protanomaly", "Deuteranomaly", "Tritanomaly"])
def test_ink_darkens_monotonically_for_every_eye_and_in_grey_print(deficiency):
    """Machado et al. 2009 at full severity, by colour-science; CIE 1976 L* of what is then seen."""
    linear = colour.cctf_decoding(figures.ink_map().astype(float))
    if deficiency:
        linear = np.clip(linear @ colour.blindness.matrix_cvd_Machado2009(deficiency, 1.0).T, 0, 1)
    lightness = colour.XYZ_to_Lab(colour.RGB_to_XYZ(linear, "sRGB"))[:, 0]
    assert np.all(np.diff(lightness[::8]) < 0)
    assert lightness[0] - lightness[-1] > 75
    # No two tenths of the scale look alike: a lightness step of 4 is plain to see side by side.
    assert np.all(-np.diff(lightness[np.linspace(0, 255, 11).astype(int)]) > 4)


def test_ink_map_holds_its_nodes():
    hexes = [
        "#" + "".join(f"{round(float(v) * 255):02x}" for v in rgb) for rgb in figures.ink_map()[[0, 255]]
    ]
    assert hexes == [figures.INK_NODES[0], figures.INK_NODES[-1]]


def _luminance(code):
    linear = colour.cctf_decoding(np.array([int(code[i : i + 2], 16) / 255 for i in (1, 3, 5)]))
    return float(linear @ (0.2126, 0.7152, 0.0722))


@pytest.mark.parametrize("name", ["INK", "SOFT", "FITTED", "LIMIT"])
def test_text_and_thin_lines_stand_out_from_paper(name):
    """WCAG 2.1 success criterion 1.4.3: 4.5 : 1 for small text."""
    assert 1.05 / (_luminance(getattr(figures, name)) + 0.05) >= 4.5


def test_measured_line_stands_out_from_the_band_under_it():
    """WCAG 2.1 success criterion 1.4.11: 3 : 1 between graphical objects; a matter of lightness alone."""
    assert (_luminance(figures.BAND) + 0.05) / (_luminance(figures.INK) + 0.05) >= 3


# ---- maps --------------------------------------------------------------------------------------------


def test_colours_of_the_ends_and_of_no_data():
    shown = figures.colours(np.array([[0.0, 3.0, 9.0, np.nan]]), 3.0)
    assert shown[0, 0].tolist() == [0xFB, 0xF6, 0xEC, 255]
    assert shown[0, 1].tolist() == shown[0, 2].tolist() == [0x1F, 0x20, 0x42, 255]
    assert shown[0, 3, 3] == 0


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan")])
def test_a_scale_needs_a_top(bad):
    with pytest.raises(ValueError, match="top"):
        figures.colours(np.zeros((2, 2)), bad)


def test_a_map_cell_lies_where_it_was_measured(pair):
    """Row 5, column 7 of 2 mm cells from (-2.05, -2.05) mm covers x 11.95 to 13.95, y 7.95 to 9.95."""
    cells = np.zeros((32, 42), np.float32)
    cells[5, 7] = 6.0
    view = dataclasses.replace(pair.photos[0], stripe_map_percent=cells)
    shown = figures.map_rgba(view, "stripes", 6.0, width_px=840)
    rows, columns = np.nonzero(shown[..., 0] < 0x40)
    x, y = view.extent[0] + (columns + 0.5) / 10, view.extent[2] + (rows + 0.5) / 10
    assert (x.min(), x.max()) == pytest.approx((12.0, 13.9), abs=0.051)
    assert (y.min(), y.max()) == pytest.approx((8.0, 9.9), abs=0.051)


def test_a_map_beyond_its_cells_is_transparent(pair):
    left, right, top, bottom = pair.photos[0].extent
    view = dataclasses.replace(pair.photos[0], stripe_extent=(left, (left + right) / 2, top, bottom))
    shown = figures.map_rgba(view, "stripes", 6.0, width_px=400)
    assert not shown[:, 201:, 3].any() and shown[:, :199, 3].any()


def test_an_unknown_map_is_refused(pair):
    with pytest.raises(ValueError, match="stripes"):
        figures.map_rgba(pair.photos[0], "both", 6.0)


def test_one_scale_serves_all_maps(pair):
    """A round number; at most 2 % of the cells of the four maps lie above it."""
    cells = np.concatenate(
        [m[np.isfinite(m)] for v in pair.photos for m in (v.stripe_map_percent, v.grain_map_percent)]
    )
    assert pair.map_top_percent == 6.0
    assert (cells > pair.map_top_percent).mean() <= 0.02
    assert map_top(()) == 1.0


# ---- pictures ----------------------------------------------------------------------------------------


def _brighter(made, factor):
    """The same AFTER photo with another exposure."""
    piece = dataclasses.replace(
        made.after.piece, reflectance=made.after.piece.reflectance * np.float32(factor)
    )
    return dataclasses.replace(made, after=dataclasses.replace(made.after, piece=piece))


def test_exposure_does_not_change_a_picture():
    """Half the light on the same piece: same grey levels, but for rounding."""
    made = sample_results.comparison()
    one, other = make_views(made), make_views(_brighter(made, 0.5))
    difference = one.photos[1].picture.astype(int) - other.photos[1].picture
    assert np.abs(difference).max() <= 1


def test_the_stronger_stripe_looks_stronger_by_its_ratio():
    """Both pictures pass one tone curve, so levels follow contrast: 6 % against 2 % is a ratio of 3."""
    views = make_views(sample_results.comparison(contrasts=(6.0, 2.0)))
    x = views.photos[0].extent[0] + 0.05 + np.arange(840) / 10
    inside = (x > 2) & (x < 66)
    wave = np.exp(2j * np.pi * x[inside] / 2.032)
    means = [v.picture[100:500, inside].mean(axis=0) for v in views.photos]
    level = [abs(((mean - mean.mean()) * wave).mean()) for mean in means]
    assert level[0] / level[1] == pytest.approx(3.0, rel=0.1)


def test_background_of_both_pictures_has_the_same_grey(pair):
    medians = [np.median(v.picture[v.texture > 0]) for v in pair.photos]
    assert abs(medians[0] - medians[1]) <= 1 and 110 < medians[0] < 170


def test_texture_is_blank_exactly_where_nothing_was_analysed():
    made = sample_results.comparison()
    view = make_views(made).photos[0]
    assert np.array_equal(view.texture == 0, made.before.texture.weight == 0)


def test_views_are_small_and_read_only(pair):
    for view in pair.photos:
        assert max(view.picture.shape) <= 1200 and max(view.thumbnail.shape) <= 480
        for field in dataclasses.fields(view):
            value = getattr(view, field.name)
            assert not isinstance(value, np.ndarray) or not value.flags.writeable


def test_checker_takes_squares_in_turn(pair):
    shown = figures.checker(pair, squares=8)[..., 0]
    assert np.array_equal(shown[:105, :105], pair.photos[0].picture[:105, :105])
    assert np.array_equal(shown[:105, 105:210], pair.photos[1].picture[:105, 105:210])
    assert np.array_equal(shown[105:210, 105:210], pair.photos[0].picture[105:210, 105:210])


def test_photos_that_are_not_aligned_are_not_laid_over_one_another():
    with pytest.raises(ValueError, match="not aligned"):
        figures.checker(make_views(sample_results.comparison(aligned=False)))


@pytest.mark.parametrize("squares", [1, 0, -3])
def test_a_checker_has_at_least_two_squares(pair, squares):
    with pytest.raises(ValueError, match="squares"):
        figures.checker(pair, squares=squares)


@pytest.mark.parametrize("shape", [(20, 30), (20, 30, 3), (20, 30, 4)])
def test_png_keeps_every_pixel_and_no_metadata(shape):
    picture = np.random.default_rng(7).integers(0, 256, shape, np.uint8)
    image = Image.open(io.BytesIO(figures.png(picture)))
    assert np.array_equal(np.array(image), picture)
    assert image.info == {}


# ---- curves ------------------------------------------------------------------------------------------


def test_no_spectral_line_is_lost_in_drawing():
    """A line of one bin among 200 000 keeps its height and its period."""
    made = sample_results.inspection()
    frequency = np.linspace(0, 10, 200_001).astype(np.float32)
    contrast = np.full(frequency.size, 0.1, np.float32)
    contrast[98_425] = 5.0
    stripes = dataclasses.replace(
        made.photo.stripes,
        frequency_per_mm=frequency,
        contrast_spectrum_percent=contrast,
        threshold_percent=contrast,
    )
    view = make_views(
        dataclasses.replace(made, photo=dataclasses.replace(made.photo, stripes=stripes))
    ).photos[0]
    assert len(view.spectrum_period) <= 900
    top = np.argmax(view.spectrum_percent)
    assert view.spectrum_percent[top] == 5.0
    assert view.spectrum_period[top] == pytest.approx(1 / float(frequency[98_425]), rel=1e-6)
    assert np.all(np.diff(view.spectrum_period) > 0)


def _axes():
    from matplotlib.figure import Figure

    return Figure(figsize=(4, 3)).add_subplot()


def test_spectrum_marks_each_stripe_at_its_period_and_the_machines_periods(pair):
    """What is drawn is read back from the axes."""
    from analysis import report

    stripes = report.to_dict(sample_results.comparison())["before"]["stripes"]
    part = dataclasses.make_dataclass("Part", ["part", "period_mm"])
    with paper.drawing():
        ax = _axes()
        figures.draw_spectrum(
            ax, pair.photos[0], stripes, expected=(part("belt pitch", 2.0), part("turn", 40.0))
        )
    texts = [t.get_text() for t in ax.texts]
    assert texts == ["2.032 mm"]
    uprights = [
        line.get_xdata() for line in ax.lines if len(line.get_xdata()) == 2 and np.ptp(line.get_xdata()) == 0
    ]
    assert [x[0] for x in uprights] == [2.0]


def test_profile_is_drawn_in_its_unit(pair):
    with paper.drawing():
        ax = _axes()
        figures.draw_profile(ax, pair.photos[0])
    measured = ax.lines[1] if len(ax.lines) > 2 else ax.lines[0]
    assert measured.get_xdata()[0] == pytest.approx(0.0, abs=0.05)
    assert measured.get_xdata()[-1] == pytest.approx(80.0, abs=0.05)


def test_misfit_arrows_are_enlarged_by_what_is_told(pair):
    with paper.drawing():
        ax = _axes()
        factor = figures.draw_misfits(ax, pair)
    arrows = ax.collections[0]
    assert np.allclose(arrows.U, factor * pair.misfits_px[:, 2], rtol=1e-5)
    assert ax.get_ylim()[0] > ax.get_ylim()[1]  # y down, as in the photo


def test_drawing_survives_maps_and_curves_without_data():
    """Nothing was searched and no cell has data: empty axes, no warning (warnings are errors here)."""
    made = sample_results.inspection()
    empty = np.full((3, 4), np.nan, np.float32)
    none = np.zeros(0, np.float32)
    stripes = dataclasses.replace(
        made.photo.stripes,
        stripes=(),
        map_percent=empty,
        frequency_per_mm=none,
        contrast_spectrum_percent=none,
        threshold_percent=none,
        profile_x_mm=none,
        profile_percent=none,
        stripe_profile_percent=none,
    )
    grain = dataclasses.replace(made.photo.grain, map_percent=empty)
    views = make_views(
        dataclasses.replace(made, photo=dataclasses.replace(made.photo, stripes=stripes, grain=grain))
    )
    view = views.photos[0]
    assert views.map_top_percent == 1.0
    with paper.drawing():
        ax = _axes()
        figures.draw_map(ax, view, "stripes", views.map_top_percent)
        figures.draw_picture(_axes(), view)
        figures.draw_profile(_axes(), view)
        figures.draw_spectrum(_axes(), view, [])
        figures.draw_bar(_axes(), 1.0, "contrast, %")
        ax.figure.savefig(io.BytesIO(), format="png")


def test_a_shrunk_picture_keeps_the_mean_of_its_area(pair):
    """Area averages: the mean of a part inside the piece stays, shape follows."""
    view = pair.photos[0]
    small = figures.picture_rgba(view, longest_px=420)
    assert small.shape == (320, 420, 4)
    assert small[50:250, 50:300, 0].mean() == pytest.approx(view.picture[100:500, 100:600].mean(), abs=0.6)
    assert figures.picture_rgba(view, longest_px=5000).shape[:2] == view.picture.shape
