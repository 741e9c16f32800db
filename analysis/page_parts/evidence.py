"""Third and fourth step: the answer first, then what it rests on."""
from __future__ import annotations

from typing import Any

import streamlit as st

from analysis import words
from analysis.page_parts import markup
from analysis.page_parts.answers import Answer
from analysis.page_parts.components import viewer

__all__ = ["is_dark", "show_answer", "show_evidence"]


def is_dark() -> bool:
    """Whether the browser shows the dark theme."""
    return getattr(getattr(st.context, "theme", None), "type", None) == "dark"


def show_answer(answer: Answer) -> None:
    """The sentence, the verdicts, what to do next, the reasons and the warnings of each photo."""
    report = answer.report
    st.html(markup.step("3  Answer"))
    st.html(markup.answer_cards(report))
    st.html(markup.next_step(report))
    st.html(markup.reasons(report))
    for name, photo in words.photos(report):
        if photo["warnings"]:
            st.html(markup.warning_list(photo["warnings"], f"About the photo {name} ({photo['file']})"))


def show_evidence(answer: Answer, machine) -> None:
    """Pictures, charts, alignment and table of scores."""
    report, dark = answer.report, is_dark()
    st.html(markup.step("4  Evidence"))
    _pictures(answer)
    _curves(answer, machine, dark)
    if "registration" in report:
        _alignment(answer, dark)
    with st.expander("All figures in a table"):
        names = tuple(name for name, _ in words.photos(report))
        st.html(markup.table(("Score", *names), words.score_rows(report), "Scores of each photo"))
        if "change" in report:
            st.html(markup.table(("Change", "after against before"), words.change_rows(report), "Scores of the change"))
        st.caption(f"Settings: {words.settings_line(report)}. Ranges are 95 % intervals.")


def _pictures(answer: Answer) -> None:
    st.subheader("The piece, straightened", anchor=False)
    if len(answer.views.photos) == 2:
        st.markdown("Both photos pass one tone curve: a stripe that looks weaker is weaker. The heat maps show where "
                    "the stripe and the grain are, all on one scale.")
    viewer(key=f"viewer_{answer.key}", data=_viewer_data(answer.key, answer))


def _curves(answer: Answer, machine, dark: bool) -> None:
    from analysis.page_parts import charts
    st.subheader("Along the scan axis", anchor=False)
    st.markdown("The mean brightness along the scan axis: a machine stripe rises and falls in equal steps, grain does not. "
                "Scroll over a chart to zoom.")
    st.altair_chart(charts.profiles(answer.views, dark=dark), width="stretch", key=f"profiles_{answer.key}",
                    alt="Mean profile along the scan axis of each photo, with the stripes that were found over it")
    st.subheader("Which spacings stand out", anchor=False)
    st.markdown("How strong a regular stripe of each spacing would be (the spectrum). A machine's stripe is one sharp line above "
                "the dashes; grain is a broad hill."
                + (" The short ticks at the foot are the spacings that your machine's parts can make." if machine else ""))
    st.altair_chart(charts.spectra(answer.views, answer.report, expected=_expected(machine), dark=dark), width="stretch",
                    key=f"spectra_{answer.key}", alt=_spectrum_words(answer.report))
    st.subheader("Contrast by place", anchor=False)
    st.markdown("A machine's stripe goes on over the whole piece; grain comes and goes, and grows with depth.")
    st.altair_chart(charts.along_axis(answer.views, dark=dark), width="stretch", key=f"places_{answer.key}",
                    alt="Stripe and grain contrast against the place along the scan axis")


def _alignment(answer: Answer, dark: bool) -> None:
    registration = answer.report["registration"]
    st.subheader("How well the two photos lie on each other", anchor=False)
    st.markdown(words.registration(registration)[:1].upper() + words.registration(registration)[1:] + ".")
    if registration.get("warnings"):
        st.html(markup.warning_list(registration["warnings"], "About the alignment"))
    if answer.views.misfits_px is None:
        return
    from analysis.page_parts import charts
    with st.expander("Misfit at each check point"):
        chart, enlarge = charts.misfits(answer.views, dark=dark)
        st.altair_chart(chart, width="stretch", key=f"misfits_{answer.key}", alt="Arrows of misfit at the check points")
        st.caption(f"Arrows are drawn {enlarge:g} times too long. They should point all ways; one common way means a "
                   "wrong alignment.")


@st.cache_data(max_entries=4, scope="session", show_spinner=False)
def _viewer_data(key: str, _answer: Answer) -> dict[str, Any]:
    from analysis.page_parts.pictures import viewer_data
    return viewer_data(_answer.views)


def _expected(machine):
    if machine is None:
        return ()
    from analysis.machine import expected_periods
    return tuple(part for part in expected_periods(machine) if part.along == "scan")


def _spectrum_words(report) -> str:
    told = [f"{name}: " + ("; ".join(words.stripe_line(s) for s in photo["stripes"]) or "no line above the threshold")
            for name, photo in words.photos(report)]
    return "Contrast against spacing. " + ". ".join(told)
