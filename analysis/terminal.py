"""The whole answer as plain lines for the terminal."""
from __future__ import annotations

from typing import Any

from analysis.formats import minus
from analysis.report import to_dict
from analysis.scores import change_rows, photo_rows
from analysis.words import CHANGE_WORDS, VERDICT_WORDS, answer, cautions, next_step, photos, reasons, warnings

__all__ = ["answer_lines"]


def answer_lines(result: Any) -> list[str]:
    """Put the whole answer into lines of plain text for the terminal.

    Parameters
    ----------
    result : Comparison, Inspection or dict
        A result, or its report, fresh or read back.
    """
    report = result if isinstance(result, dict) else to_dict(result)
    lines = [answer(report), ""]
    if "change" in report:
        change = report["change"]
        lines += [f"CHANGE  {change['verdict']}: {CHANGE_WORDS[change['verdict']]}"]
        lines += [f"  {what:<28}{value}" for what, value in change_rows(report)]
        lines += [f"  because  {text}" for text in change.get("reasons") or ()]
        lines.append("")
    for name, photo in photos(report):
        lines += [f"{name}  {photo['file']}: {photo['verdict']} ({VERDICT_WORDS[photo['verdict']]})"]
        if photo.get("sentence") and photo["sentence"] != lines[0]:
            lines.append(f"  {photo['sentence']}")
        lines += [f"  {what:<28}{value}" for what, value in photo_rows(photo).items()]
        speak, other = reasons(photo)
        lines += [f"  for      {text}" for text in speak] + [f"  against  {text}" for text in other]
        lines.append("")
    lines += [f"Warning, {text}" for text in warnings(report)]
    step = next_step(report)
    if step:
        lines += [f"Next: {step}", *cautions(step)]
    return [line.replace(minus("-"), "-") for line in lines]
