"""The sheet that goes to the machine with a test piece: cautions, settings, how to run and photograph it."""
from __future__ import annotations

import base64
from html import escape

from analysis.plan import Plan
from analysis.plan_files import plan_svg
from analysis.provable import Provable, provable

__all__ = ["photo_px_per_mm", "plan_page", "prove_plan"]

PHOTO_PX = 4000.0          # longer side of a 12-megapixel photo
PHOTO_MARGIN = 1.15        # the piece with some bench around it

CAUTIONS = (
    "The machine's own manual and your local rules come first; this sheet does not replace them.",
    "{eyes}",
    "Keep enclosure and interlocks closed and working. Never lift a guard to take a photo: let the "
    "piece cool, take it out, photograph it elsewhere.",
    "Never leave the machine while it runs. Extinguisher at hand, bed clear, air assist and extraction "
    "on. The highest powers may light thin board: start with the lowest.",
    "Extract the fumes; wood smoke harms. No board of unknown glue or coating, no PVC, no artificial "
    "leather: chlorine compounds hurt lungs and machine.",
    "Keep hands, hair and sleeves away from belts and rails. Before touching the drive: switch off, "
    "unplug, wait.",
)
STEPS = (
    "Open the SVG (or the DXF) at its true size: the frame measures {w:g} x {h:g} mm from outer edge to"
    " outer edge. One layer or colour stands for one setting, as in the table.",
    "Take a flat, even, pale board, at least {bw:.0f} x {bh:.0f} mm. Photograph the bare board first: "
    "planing and sanding leave regular marks of their own.",
    "Lay the board with its grain at a slant of about 45 degrees if you can: then no patch, turned or not, "
    "has grain lines where the machine's stripes would lie.",
    "Set row distance {rows:g} mm, both scan directions as you usually work. Turn off any correction of"
    " power by speed only if the manual allows it, and note what you chose.",
    "Engrave all layers in one go and do not move the board between layers. Layers ending in TURNED are"
    " engraved with the scan axis turned by 90 degrees.",
    "Engrave the same plan before and after a change of the machine, on the same kind of board.",
)
PHOTO = (
    "From straight above, the whole frame in the picture, as large as it will go: at least {px:.0f} "
    "pixels per mm, which a 12 megapixel phone reaches here.",
    "Even light from the side, no flash, no shadow of the phone, no glare. The same place for both "
    "pieces.",
    "High dynamic range and filters off; the original file, not one that a messenger has shrunk.",
    "If something fine is claimed: a second photo from another distance, and one with the piece turned "
    "by 90 degrees.",
)
STYLE = """
body{font:15px/1.45 system-ui,sans-serif;max-width:52rem;margin:1.5rem auto;padding:0 1rem;
color:#111;background:#fff}
h1{font-size:1.5rem}
h2{font-size:1.1rem;margin:1.4rem 0 .4rem}
table{border-collapse:collapse}
td,th{border:1px solid #888;padding:.2rem .6rem;text-align:left}
td.n{text-align:right}
img{width:100%;height:auto}
.caution{border:2px solid #a40000;padding:.2rem 1rem .6rem}
.swatch{display:inline-block;width:1.1em;height:1.1em;vertical-align:-.2em;border:1px solid #555}
@media print{body{margin:0}h2,table{break-inside:avoid}}
"""


def photo_px_per_mm(plan: Plan) -> float:
    """Photo pixels for each mm when a 12-megapixel photo shows the whole piece with some bench around it."""
    s = plan.settings
    return PHOTO_PX / (PHOTO_MARGIN * max(s.width_mm, s.height_mm * 4.0 / 3.0))


def prove_plan(plan: Plan, *, px_per_mm: float | None = None, grain_percent: float = 5.0) -> Provable:
    """Compute what one patch of the main group proves; `provable` says how."""
    patch = next(p for p in plan.patches if not p.turned)
    return provable(patch.region_mm[2], patch.region_mm[3], px_per_mm or photo_px_per_mm(plan),
                    grain_percent=grain_percent)


def plan_page(plan: Plan, proof: Provable | None = None) -> str:
    """Write the instructions as one HTML page that needs nothing else.

    Parameters
    ----------
    plan : Plan
    proof : Provable, optional
        From `prove_plan`; without it the page does not state what the piece can prove.
    """
    s = plan.settings
    words = {"w": s.width_mm, "h": s.height_mm, "bw": s.width_mm + 15, "bh": s.height_mm + 15,
             "rows": s.line_interval_mm, "px": min(12.0, photo_px_per_mm(plan)),
             "eyes": _eyes(s.wavelength_nm)}
    picture = base64.b64encode(plan_svg(plan)).decode()
    parts = [
        f"<h1>{escape(s.title)}: test piece, {s.width_mm:g} x {s.height_mm:g} mm</h1>",
        '<div class="caution"><h2>Before you start</h2>', _list("ul", CAUTIONS, words), "</div>",
        f'<p><img alt="Test piece: frame, corner marks, {len(plan.patches)} patches, step scale" '
        f'src="data:image/svg+xml;base64,{picture}"></p>',
        "<h2>How to run it</h2>", _list("ol", STEPS, words),
        "<h2>Settings of the layers</h2>", _layer_table(plan),
        "<h2>How to photograph it</h2>", _list("ol", PHOTO, words),
    ]
    if proof is not None:
        parts += ["<h2>What one patch can prove</h2>", _proof(proof)]
    body = "\n".join(parts)
    head = ('<meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>Test piece: {escape(s.title)}</title><style>{STYLE}</style>")
    return f'<!DOCTYPE html>\n<html lang="en"><head>{head}</head><body>\n{body}\n</body></html>\n'


def _eyes(wavelength_nm) -> str:
    """Return the caution about eyes, with the wavelength where it is known."""
    which = f"{wavelength_nm:g} nm" if wavelength_nm else "your laser's wavelength (see its plate or manual)"
    return ("Laser light burns eyes and skin, scattered light too. Everybody in the room wears eyewear for "
            f"{which} and for its power (EN 207 in Europe, ANSI Z136 in the US), unless the machine is fully "
            "enclosed.")


def _list(kind, lines, words) -> str:
    """Return an HTML list."""
    return f"<{kind}>" + "".join(f"<li>{escape(line.format(**words))}</li>" for line in lines) + f"</{kind}>"


def _layer_table(plan: Plan) -> str:
    """Return layers with colour, power and speed; the person's own values stay empty."""
    rows = []
    for layer in plan.layers:
        numbers = "".join('<td class="n">' + ("your own" if v is None else f"{v:g} {unit}") + "</td>"
                          for v, unit in ((layer.power_percent, "%"), (layer.speed_mm_s, "mm/s")))
        swatch = f'<span class="swatch" style="background:{layer.colour}"></span>'
        rows.append(f"<tr><td>{swatch} {escape(layer.name)}</td><td>{escape(layer.purpose)}</td>"
                    f"{numbers}</tr>")
    head = "<tr><th>layer</th><th>what</th><th>power</th><th>speed</th></tr>"
    return f"<table>{head}{''.join(rows)}</table>"


def _proof(proof: Provable) -> str:
    """Return the table of provable periods, and how to read it."""
    rows = "".join(f'<tr><td class="n">{period:.2g} mm</td><td class="n">{middle:.2g} %</td>'
                   f'<td class="n">{worst:.2g} %</td></tr>'
                   for (period, middle), (_, worst) in zip(proof.curve, proof.worst_curve, strict=True))
    head = "<tr><th>stripe every</th><th>needs at least</th><th>in awkward grain</th></tr>"
    return (f"<p>From a photo with {proof.px_per_mm:.0f} pixels per mm, on a board whose grain has "
            f"{proof.grain_percent:g} % contrast. A stripe of this contrast (peak to peak) is found about 9 "
            "times in 10; the last column is for the grain that hides it best. Finer than "
            f"{proof.shortest_mm:.2g} mm the photo loses the stripe; above {proof.longest_mm:.2g} mm the "
            f"patch holds too few periods to tell stripes from rings.</p><table>{head}{rows}</table>"
            "<p>Found by simulating such boards and searching them as photos are searched.</p>")
