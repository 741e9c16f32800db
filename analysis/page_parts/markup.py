"""What the page writes as HTML: verdicts, reasons, warnings, tables. Every text from outside is escaped."""

from __future__ import annotations

import re
from html import escape
from typing import Any

from analysis import words
from analysis.formats import signed
from analysis.page_parts.assets import asset, svg_address

__all__ = [
    "BIG",
    "HOW_TO",
    "answer_cards",
    "cautions",
    "header",
    "how_to_photograph",
    "next_step",
    "next_tests",
    "reasons",
    "step",
    "style",
    "table",
    "warning",
    "warning_list",
]

BIG = {
    "mechanical": "Machine",
    "grain": "Grain",
    "mixed": "Both",
    "clean": "Neither",
    "undecided": "Cannot tell",
}
BIG_CHANGE = {
    "removed": "Gone",
    "reduced": "Weaker",
    "unchanged": "No difference",
    "worse": "Stronger",
    "appeared": "New stripe",
    "nothing to compare": "Nothing to compare",
    "undecided": "Cannot tell",
}
MEANS = {
    "mechanical": "a stripe of equal spacing: the machine makes it",
    "grain": "the material's own pattern, no stripe of the machine",
    "mixed": "a stripe of the machine, and the material's grain",
    "clean": "no stripe of the machine, little grain",
    "undecided": "this photo does not settle it",
}
MEANS_CHANGE = {
    "removed": "AFTER shows nothing of the stripe in BEFORE",
    "reduced": "the stripe is still there, with less contrast",
    "unchanged": "the stripe is as strong as before",
    "worse": "the stripe has more contrast than before",
    "appeared": "BEFORE does not show it",
    "nothing to compare": "no stripe in either photo",
    "undecided": "these photos do not settle it",
}
HOW_TO = (
    "Let the piece cool and take it out of the machine; leave every guard and interlock as it is.",
    "Hold the phone straight above it, level, with the whole frame in the picture.",
    "Let the frame fill most of the picture: 12 pixels or more for each mm of the piece.",
    "One soft light from the side, no flash, no glare; the same for both photos.",
    "Same phone, same distance; no zoom, no filter, no picture mode that retouches; send the original file.",
)
HOW_DRAWN = (
    "A phone held straight above the engraved piece, which fills most of its picture; a lamp shines low from the side."
)
_BARS = '<path d="M6 4V30M13 4V30M20 4V30M27 4V30M34 4V30"/>'
_WAVES = '<path d="M5 4C1 14 10 20 6 30M17 4C21 12 12 22 16 30M27 4C22 12 30 18 28 30M39 4C35 9 42 24 37 30"/>'
_SIGNS = {
    "mechanical": _BARS,
    "grain": _WAVES,
    "mixed": '<path d="M5 4V30M11 4V30M17 4V30M26 4C22 12 30 20 26 30M38 4C34 12 41 20 37 30"/>',
    "clean": '<rect x="6" y="5" width="30" height="24" rx="2"/>',
    "undecided": '<path d="M15 11C15 3 28 3 28 11C28 16 21 16 21 21M21 28V28.5"/>',
    "removed": '<path d="M8 18 18 28 36 6"/>',
    "reduced": '<path d="M8 4V30M17 10V30M26 17V30M35 24V30"/>',
    "unchanged": '<path d="M8 13H36M8 22H36"/>',
    "worse": '<path d="M8 24V30M17 17V30M26 10V30M35 4V30"/>',
    "appeared": '<path d="M22 5V29M10 17H34"/>',
    "nothing": '<path d="M8 17H36"/>',
}


def style() -> str:
    """Style sheet of the page."""
    return f"<style>{asset('page.css')}</style>"


def header() -> str:
    """Name of the program and what it is for."""
    return (
        f'<header class="sg-top">{_mask(asset("mark.svg"), "sg-mark")}<div><h1>Stripe or Grain</h1>'
        "<p>Stripes in your engraving: is it the machine or the material, and did the change help?</p></div></header>"
    )


def step(title: str) -> str:
    """Heading of one step of the path."""
    return f'<div class="sg-step"><h2>{escape(title)}</h2></div>'


def answer_cards(report: dict[str, Any]) -> str:
    """The answer in a sentence, then one large verdict for each photo and for the change."""
    cards = [_photo_card(name, photo) for name, photo in words.photos(report)]
    if "change" in report:
        cards.append(_change_card(report["change"]))
    return f'<p class="sg-answer">{escape(words.answer(report))}</p><div class="sg-cards">{"".join(cards)}</div>'


def reasons(report: dict[str, Any]) -> str:
    """Reasons for and against each verdict, in words with the figure beside them."""
    return f'<div class="sg-why">{"".join(_why(name, photo) for name, photo in words.photos(report))}</div>'


def next_step(report: dict[str, Any]) -> str:
    """What to do next, with the cautions where it asks to engrave or to touch the drive."""
    todo = words.next_step(report)
    if not todo:
        return ""
    careful = cautions(words.cautions(todo))
    return f'<section class="sg-next"><h3>Do this next</h3><p>{escape(todo)}</p>{careful}</section>'


def cautions(texts: tuple[str, ...]) -> str:
    """Safety cautions in their box."""
    if not texts:
        return ""
    lines = "".join(f"<p>{escape(text)}</p>" for text in texts)
    return f'<div class="sg-caution" role="note"><p><b>Caution</b></p>{lines}</div>'


def warning(text: str, about: str = "") -> str:
    """One warning beside what it concerns; its last sentence is the mend."""
    what, _, mend = words.without_options(text).rstrip().rpartition(". ")
    told = f"<p>{escape(what)}.</p><p><b>Mend:</b> {escape(mend)}</p>" if what else f"<p>{escape(mend)}</p>"
    lead = f"<p><b>{escape(about)}</b></p>" if about else ""
    return f'<div class="sg-warn" role="note">{lead}{told}</div>'


def warning_list(texts, about: str = "") -> str:
    """Several warnings about one thing."""
    return "".join(warning(text, about) for text in texts)


def table(head: tuple[str, ...], rows, caption: str, *, headed: bool = False) -> str:
    """Table whose first column names the rows; `headed` where a heading above says what the caption says."""
    top = "".join(f'<th scope="col">{escape(name)}</th>' for name in head)
    body = "".join(
        f'<tr><th scope="row">{escape(row[0])}</th>' + "".join(f"<td>{escape(cell)}</td>" for cell in row[1:]) + "</tr>"
        for row in rows
    )
    wide = " sg-wide" if len(head) > 4 else ""  # scrolls sideways on a phone
    named = "" if headed else f"<caption>{escape(caption)}</caption>"
    return (
        f'<div class="sg-scroll" tabindex="0" role="region" aria-label="{escape(caption)}">'
        f'<table class="sg-table{wide}">{named}<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>'
    )


def how_to_photograph() -> str:
    """Five lines and a drawing."""
    lines = "".join(f"<li>{escape(line)}</li>" for line in HOW_TO)
    drawing = svg_address(asset("howto.svg"))
    return f'<div class="sg-how"><ol>{lines}</ol><img class="sg-howto" src="{drawing}" alt="{HOW_DRAWN}"></div>'


def next_tests(tests) -> str:
    """Ranked tests, each with what its outcomes would mean and the cautions it needs."""
    careful = tuple(dict.fromkeys(test.caution for test in tests if test.caution))
    return cautions(careful) + "".join(_test(place, test) for place, test in enumerate(tests, 1))


def _sign(kind: str) -> str:
    """Sign of a verdict: a mask, so that it takes the colour of its card in either theme."""
    drawing = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 44 34"><g fill="none" stroke="#000" stroke-width="3.2" '
        f'stroke-linecap="round" stroke-linejoin="round">{_SIGNS[kind]}</g></svg>'
    )
    return _mask(drawing, "sg-sign")


def _mask(drawing: str, name: str) -> str:
    where = f"url({svg_address(drawing)})"
    return f'<span class="{name}" aria-hidden="true" style="mask-image:{where};-webkit-mask-image:{where}"></span>'


def _card(kind: str, who: str, right: str, big: str, means: str, rows) -> str:
    facts = "".join(f"<dt>{escape(what)}</dt><dd>{escape(value)}</dd>" for what, value in rows)
    return (
        f'<section class="sg-card sg-{kind}" aria-label="{escape(who)}"><div class="who"><b>{escape(who)}</b>'
        f'<span>{escape(right)}</span></div><div class="big">{_sign(kind)}{escape(big)}</div>'
        f'<p class="means">{escape(means)}</p><dl>{facts}</dl></section>'
    )


def _photo_card(name: str, photo: dict[str, Any]) -> str:
    rows = [("Machine's stripe", f"{words.probability(photo['probability_mechanical'])} probable")]
    for stripe in photo["stripes"][:2]:
        rows += [
            ("Spacing", words.period(stripe)),
            ("Contrast", words.contrast(stripe["contrast_percent"], stripe["contrast_interval_percent"])),
        ]
        likely = words.source(stripe)
        rows += [("Likely source", likely)] if likely else []
    if not photo["stripes"]:
        rows.append(("Would show from", f"{words.percent(photo['detection_limit_percent'])} contrast"))
    rows.append(
        (
            "Grain",
            words.contrast(photo["grain"]["contrast_percent"], photo["grain"].get("contrast_interval_percent")),
        )
    )
    return _card(
        photo["verdict"],
        name,
        photo["file"],
        BIG[photo["verdict"]],
        MEANS[photo["verdict"]],
        rows,
    )


def _change_card(change: dict[str, Any]) -> str:
    rows = []
    if change["ratio"] is not None:
        rows.append(("Left of the stripe", words.left_over(change["ratio"], change["ratio_interval"])))
    elif change["ratio_interval"]:
        rows.append(("Left of the stripe", f"at most {words.share(change['ratio_interval'][1])}"))
    verdict = change["verdict"]
    if change["phase_locked"] is not None:
        rows.append(("Same place in both", "yes: points to the machine" if change["phase_locked"] else "no"))
    return _card(
        verdict.split()[0], "CHANGE", "after against before", BIG_CHANGE[verdict], MEANS_CHANGE[verdict], rows
    )


def _why(name: str, photo: dict[str, Any]) -> str:
    """Two strongest reasons for the verdict and the strongest against it; the others on demand."""
    sign = -1.0 if photo["verdict"] in ("grain", "clean") else 1.0
    listed = sorted(photo.get("reasons") or [], key=lambda r: -abs(r["weight"] or 0.0))
    sides: dict[str, list[str]] = {"For": [], "Against": [], "Also seen": []}
    for one in listed:
        weight = sign * (one["weight"] or 0.0)
        side = "For" if weight > 0 else "Against" if weight < 0 else "Also seen"
        figure = f"<small>{escape(one['term'])}: log odds {signed(one['weight'], 1)}</small>" if weight else ""
        sides[side].append(f"<li><b>{side}</b><span>{escape(_together(one['words']))}{figure}</span></li>")
    first = sides["For"][:2] + sides["Against"][:1] or sides["Also seen"][:2]
    rest = [line for lines in sides.values() for line in lines if line not in first]
    if not first:
        return ""
    more = f"<details><summary>{len(rest)} more</summary><ul>{''.join(rest)}</ul></details>" if rest else ""
    title = f"Why {name} reads as: {BIG[photo['verdict']]}"
    return f"<section><h3>{escape(title)}</h3><ul>{''.join(first)}</ul>{more}</section>"


def _together(text: str) -> str:
    """Text whose numbers stay with their units when lines break."""
    return re.sub(r" (?=(%|mm|px)(\W|$))", "\N{NO-BREAK SPACE}", text)


def _test(place: int, test) -> str:
    outcomes = "".join(
        f"<li>{words.probability(o.probability)}: {escape(o.words)}. Then: {escape(o.meaning)}.</li>"
        for o in test.outcomes
    )
    full = f"{100 * min(test.information_bits, 1.0):.0f}%"
    name = test.name[:1].upper() + test.name[1:]
    return (
        f'<section class="sg-test"><h3>{place}. {escape(name)}</h3><p>{escape(test.words)}</p>'
        f'<p><small>Teaches {test.information_bits:.2f} bit <span class="sg-meter" aria-hidden="true">'
        f'<i style="width:{full}"></i></span>; {escape(test.cost_words)}</small></p><ul>{outcomes}</ul></section>'
    )
