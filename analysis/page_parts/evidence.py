"""Third and fourth step: the answer first, then what it rests on."""

from __future__ import annotations

from typing import Any

import streamlit as st

from analysis import scores, words
from analysis.page_parts import markup
from analysis.page_parts.answers import Answer
from analysis.page_parts.components import put, viewer

PLACE_WORDS = {
    "along": "Stripe and grain contrast against the place along the scan axis",
    "across": "Stripe and grain contrast against the place across the scan axis",
    "level": "Stripe contrast against the brightness of the ground",
}
MOST_IN_ROW = 3  # charts beside each other

__all__ = ["is_dark", "show_answer", "show_evidence"]


def is_dark() -> bool:
    """Whether the browser shows the dark theme."""
    return getattr(getattr(st.context, "theme", None), "type", None) == "dark"


def show_answer(answer: Answer) -> None:
    """The sentence, the verdicts, what to do next, the reasons and the warnings of each photo."""
    report = words.without_options(answer.report)
    put(markup.step("3  Answer"))
    put(markup.answer_cards(report))
    registration = report.get("registration")
    if registration and not registration["ok"]:
        put(markup.warning(registration["reason"] or "The two photos could not be aligned.", "About the alignment"))
    put(markup.next_step(report))
    put(markup.reasons(report))
    for name, photo in words.photos(report):
        if photo["warnings"]:
            put(markup.warning_list(photo["warnings"], f"About the photo {name} ({photo['file']})"))


def show_evidence(answer: Answer, machine) -> None:
    """Pictures, charts, alignment and table of scores."""
    report, dark = answer.report, is_dark()
    put(markup.step("4  Evidence"))
    _pictures(answer)
    _curves(answer, machine, dark)
    if "registration" in report:
        _alignment(answer, dark)
    with st.expander("All figures in a table"):
        names = tuple(name for name, _ in words.photos(report))
        put(markup.table(("Score", *names), scores.score_rows(report), "Scores of each photo"))
        if "change" in report:
            put(markup.table(("Change", "after against before"), scores.change_rows(report), "Scores of the change"))
        st.caption(f"Settings: {words.settings_line(report)}. Ranges are 95 % intervals.")


def _pictures(answer: Answer) -> None:
    st.subheader("The piece, straightened", anchor=False)
    if len(answer.views.photos) == 2:
        st.markdown(
            "Both photos pass one tone curve: a stripe that looks weaker is weaker. The heat maps show where "
            "the stripe and the grain are, all on one scale."
        )
    viewer(key=f"viewer_{answer.key}", data=_viewer_data(answer.key, answer))


def _curves(answer: Answer, machine, dark: bool) -> None:
    from analysis.page_parts import charts

    st.subheader("Along the scan axis", anchor=False)
    st.markdown(
        "The mean brightness along the scan axis: a machine's stripe rises and falls in equal steps, grain does not."
    )
    _profiles(answer, dark)
    st.subheader("Which spacings stand out", anchor=False)
    st.markdown(
        "How strong a regular stripe of each spacing would be (the spectrum). A machine's stripe is one sharp line "
        "above the dashes; grain is a broad hill."
        + (" The short ticks at the foot are the spacings that your machine's parts can make." if machine else "")
    )
    drawn = _specs(answer.key, ("spectra", dark, repr(machine)), lambda: charts.spectra(
        answer.views, answer.report, expected=_expected(machine), dark=dark))
    for place, (view, spec) in enumerate(zip(answer.views.photos, drawn, strict=True)):
        st.caption(f"{view.name}: {_spectrum_key(answer.report, place, view.unit)}")
        st.vega_lite_chart(
            spec=spec,
            width="stretch",
            key=f"spectrum_{place}_{answer.key}",
            alt=_spectrum_words(answer.report, place),
        )
    _sources(answer.report)
    _places(answer, dark)


def _places(answer: Answer, dark: bool) -> None:
    from analysis.page_parts import place_charts

    st.subheader("Contrast by place and depth", anchor=False)
    st.markdown(
        "A machine's stripe goes on over the whole piece; grain comes and goes, and grows with depth. Bars: 95 %."
        + (" BEFORE is drawn solid, AFTER dashed." if len(answer.views.photos) == 2 else "")
    )
    # A photo without a scale shares no axis with one in mm.
    each = [(axis, unit) for unit in dict.fromkeys(view.unit for view in answer.views.photos)
            for axis in ("along", "across")]
    *places, level = _specs(answer.key, ("places", dark), lambda: (
        *(place_charts.by_place(answer.views, answer.report, axis, unit, dark=dark) for axis, unit in each),
        place_charts.by_level(answer.report, dark=dark)))
    shown = [(*one, spec) for one, spec in zip(each, places, strict=True)]
    if level is not None:
        shown.append(("level", "", level))
    rows = [shown] if len(shown) <= MOST_IN_ROW else [shown[:2], shown[2:]]
    for row in rows:
        for column, (name, unit, spec) in zip(st.columns(len(row)), row, strict=True):
            column.vega_lite_chart(spec=spec, width="stretch", key=f"place_{name}_{unit}_{answer.key}",
                                   alt=PLACE_WORDS[name])
    for name, photo in words.photos(answer.report):
        told = scores.by_place(photo["stripes"][0]) if photo["stripes"] else {}
        if told:
            st.caption(f"{name}: " + "; ".join(f"{what[:1].lower()}{what[1:]}: {v}" for what, v in told.items()) + ".")
    if level is not None:
        st.caption("Deeper engraving is darker, so the ground's darkness stands for depth; light that falls unevenly "
                   "looks the same.")


def _sources(report) -> None:
    """Parts that may have made each stripe, with the cautions for whoever goes to look at them."""
    rows = [
        (
            name,
            words.period(stripe),
            one["part"],
            words.length(one["period_mm"]) if one["period_mm"] else "",
            words.probability(one["probability"]),
        )
        for name, photo in words.photos(report)
        for stripe in photo["stripes"]
        for one in stripe["sources"]
    ]
    if not rows:
        return
    st.subheader("Which part makes it", anchor=False)
    head = ("Photo", "Stripe every", "Part", "Would make", "Probability")
    put(markup.table(head, rows, "Likely sources", headed=True))
    put(markup.cautions((words.CAUTION_DRIVE, words.CAUTION_RANK)))


@st.fragment
def _profiles(answer: Answer, dark: bool) -> None:
    """Profiles with one control that zooms all of one unit; moving it redraws nothing else."""
    from analysis.page_parts import charts

    shown = {
        unit: st.slider(
            f"Part of the scan axis that is drawn, {unit}",
            *ends,
            ends,
            format="%.1f",
            key=f"shown_{unit}_{answer.key}",
        )
        for unit, ends in charts.axis_ranges(answer.views).items()
    }
    drawn = _specs(answer.key, ("profiles", dark, *shown.values()), lambda: charts.profiles(
        answer.views, shown=shown, dark=dark))
    for view, spec in zip(answer.views.photos, drawn, strict=True):
        st.caption(f"{view.name}: measured (thin line), stripes found (wide band)")
        st.vega_lite_chart(
            spec=spec,
            width="stretch",
            key=f"profile_{view.name}_{answer.key}",
            alt=f"{view.name}: mean profile along the scan axis with the stripes that were found over it",
        )


def _alignment(answer: Answer, dark: bool) -> None:
    registration = words.without_options(answer.report["registration"])
    st.subheader("How well the two photos lie on each other", anchor=False)
    told = words.registration(registration).rstrip(".")
    st.markdown(f"{told[:1].upper()}{told[1:]}.")
    if registration.get("warnings"):
        put(markup.warning_list(registration["warnings"], "About the alignment"))
    if answer.views.misfits_px is None:
        return
    from analysis.page_parts import charts

    with st.expander("Misfit at each check point"):
        chart, enlarge = charts.misfits(answer.views, dark=dark)
        st.altair_chart(chart, width="content", key=f"misfits_{answer.key}", alt="Arrows of misfit at the check points")
        st.caption(
            f"Arrows are drawn {enlarge:g} times too long. They should point all ways; one common way means a "
            "wrong alignment."
        )


@st.cache_data(max_entries=16, scope="session", show_spinner=False)
def _specs(key: str, which: tuple, _draw) -> tuple[dict[str, Any] | None, ...]:
    """Charts in Vega-Lite, drawn once for an answer: the next widget that is touched would draw them again.

    They are not held against the schema here, which takes as long as drawing them; the tests do it.
    """
    from altair.utils.schemapi import debug_mode

    with debug_mode(False):
        return tuple(None if chart is None else _spec(chart) for chart in _draw())


def _spec(chart) -> dict[str, Any]:
    """One chart; Altair's own width and height go, since the page has its own."""
    spec = chart.to_dict(validate=False)
    for side in ("continuousWidth", "continuousHeight"):
        spec["config"]["view"].pop(side, None)
    return spec


@st.cache_data(max_entries=4, scope="session", show_spinner=False)
def _viewer_data(key: str, _answer: Answer) -> dict[str, Any]:
    from analysis.page_parts.pictures import viewer_data

    return viewer_data(_answer.views)


def _expected(machine):
    if machine is None:
        return ()
    from analysis.machine import expected_periods

    return tuple(part for part in expected_periods(machine) if part.along == "scan")


def _spectrum_key(report, place: int, unit: str) -> str:
    """What each line of a spectrum is, without what it does not show."""
    from analysis.views import elsewhere

    told = [photo for _, photo in words.photos(report)]
    found = ", found (arrow)" if told[place]["stripes"] else ""
    dots = ", found in the other photo (dots)" if elsewhere(told, place, unit) else ""
    return f"measured (thin line), needed to be called (dashes){found}{dots}"


def _spectrum_words(report, place: int) -> str:
    name, photo = words.photos(report)[place]
    found = "; ".join(words.stripe_line(stripe) for stripe in photo["stripes"]) or "no line above the threshold"
    return f"{name}: contrast against spacing. Found: {found}"
