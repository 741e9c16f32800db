"""Commands beside `compare` and `inspect`: each returns its exit status."""
from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from analysis.argument_types import check_paths
from analysis.errors import PhotoError
from analysis.outputs import check_writable, write_whole
from analysis.progress import progress_bar

__all__ = ["batch", "log", "patches", "plan", "series", "show", "sources", "write_sheets"]

LARGEST_FILE = 200_000_000     # bytes of a report, a saved result, or an exported logbook


def show(arguments) -> int:
    """Print a saved report, or make its sheet."""
    from analysis import saved
    from analysis.terminal import answer_lines
    data = _content(arguments.report)
    if arguments.sheet:
        check_paths((arguments.report,), arguments.sheet)
        if not data.startswith(b"PK"):
            raise PhotoError("A sheet needs the pictures, which a JSON report does not hold. "
                             "Give the zip that the page or --save wrote.")
        write_sheets(arguments.sheet, saved.unpack(data), None)
    print("\n".join(answer_lines(saved.open_report(data))))
    return 0


def sources(arguments) -> int:
    """Print the periods that a machine's parts can make."""
    from analysis.machine import load_machine, sources_table
    from analysis.settings import Settings
    scale = Settings(pixels_per_mm=arguments.pixels_per_mm).pixels_per_mm
    print(sources_table(load_machine(arguments.machine), pixels_per_mm=scale))
    return 0


def batch(arguments) -> int:
    """Compare all pairs of a folder."""
    from analysis.arguments import settings_of
    from analysis.batch import run_batch
    return run_batch(arguments.folder, settings_of(arguments), machine_file=arguments.machine,
                     out=arguments.out, jobs=arguments.jobs, again=arguments.again, quiet=arguments.quiet)


def plan(arguments) -> int:
    """Write a test piece and say what it can prove."""
    from analysis.plan import PlanSettings, make_plan
    from analysis.plan_files import plan_dxf, plan_json, plan_svg
    from analysis.plan_page import plan_page, prove_plan
    check_paths((), arguments.files)
    for name in arguments.files:
        check_writable(name)
    chosen = {"powers_percent": arguments.powers, "speeds_mm_s": arguments.speeds, "steps_percent": arguments.steps,
              "line_interval_mm": arguments.row_interval, "title": arguments.title,
              "wavelength_nm": arguments.wavelength, "turned": False if arguments.no_turned else None}
    if arguments.frame:
        chosen |= {"width_mm": arguments.frame[0], "height_mm": arguments.frame[1]}
    made = make_plan(PlanSettings(**{key: value for key, value in chosen.items() if value is not None}))
    proof = prove_plan(made, px_per_mm=_photo_scale(arguments.pixels_per_mm))
    makers = {".svg": plan_svg, ".dxf": plan_dxf, ".json": lambda piece: plan_json(piece).encode(),
              ".html": lambda piece: plan_page(piece, proof).encode()}
    for name in arguments.files:
        write_whole(name, makers[Path(name).suffix.lower()](made))
    print("\n".join(_plan_lines(made, proof, arguments.files)))
    return 0


def patches(arguments) -> int:
    """Judge each patch of a planned piece."""
    from analysis.plan_files import read_plan
    from analysis.plan_photo import judge_plan
    from analysis.series_files import patch_points, series_lines
    _check_table(arguments.csv, arguments.photo, arguments.plan)
    made = read_plan(_content(arguments.plan))
    with progress_bar(arguments.quiet) as tell:
        result = judge_plan(arguments.photo, made, progress=tell)
    points = patch_points(result)
    _write_points(arguments.csv, points)
    lines = series_lines(points) if points else ["No patch could be judged."]
    for one in result.patches:
        if one.patch.turned and one.decision is not None:
            lines.append(f"{one.patch.name}, turned by 90 degrees: {one.decision.sentence}")
        elif one.why_not:
            lines.append(f"{one.patch.name} was not judged: {one.why_not}")
    print("\n".join([*lines, *(f"Warning, {text}" for text in result.warnings)]))
    return 0


def series(arguments) -> int:
    """Judge all photos of a list."""
    from analysis.arguments import settings_of
    from analysis.series_files import read_series, series_lines
    _check_table(arguments.csv, arguments.list)
    with progress_bar(arguments.quiet) as tell:
        points, problems = read_series(arguments.list, settings_of(arguments), progress=tell)
    for problem in problems:
        sys.stderr.write(" ".join(problem.split()) + "\n")
    if not points:
        return 2
    _write_points(arguments.csv, points)
    print("\n".join(series_lines(points)))
    return 0


def _check_table(name: str | None, *inputs: str) -> None:
    if name:
        check_paths(inputs, (name,))
        check_writable(name)


def _write_points(name: str | None, points) -> None:
    if name:
        from analysis.series import series_csv
        write_whole(name, series_csv(points).encode("utf-8-sig"))


def _plan_lines(made, proof, files: Sequence[str]) -> list[str]:
    """What the piece can prove, and the cautions before it is engraved."""
    from analysis.formats import percent, significant
    from analysis.words import CAUTION_ENGRAVE, CAUTION_RANK
    _, _, width, height = next(patch for patch in made.patches if not patch.turned).region_mm
    lines = [f"{len(made.patches)} patches on {made.settings.width_mm:g} x {made.settings.height_mm:g} mm: "
             f"{', '.join(files)}", "",
             f"Each long patch shows {significant(width, 3)} x {significant(height, 3)} mm. In a photo of "
             f"{proof.px_per_mm:.3g} px per mm it carries stripes from {significant(proof.shortest_mm, 2)} to "
             f"{significant(proof.longest_mm, 2)} mm, of this contrast or more on a board of "
             f"{proof.grain_percent:g} % grain:", "", f"{'period':>10}{'typical board':>16}{'worst board':>14}"]
    for (period, typical), (_, worst) in zip(proof.curve, proof.worst_curve, strict=True):
        lines.append(f"{significant(period, 3) + ' mm':>10}{percent(typical):>16}{percent(worst):>14}")
    eyes = ("" if made.settings.wavelength_nm is None
            else f" Eyewear must be rated for {made.settings.wavelength_nm:g} nm.")
    return [*lines, "", CAUTION_ENGRAVE + eyes, CAUTION_RANK]


def _photo_scale(value: float | None) -> float | None:
    from analysis.settings import Settings
    return Settings(pixels_per_mm=value).pixels_per_mm


def log(arguments) -> int:
    """Read or write the logbook."""
    return _LOG[arguments.action](arguments, arguments.logbook)


def _log_add(arguments, path) -> int:
    from analysis import logbook, machine, saved
    report, pictures = None, {}
    if arguments.report:
        data = _content(arguments.report)
        report = saved.open_report(data)
        if data.startswith(b"PK"):
            pictures = {"result.zip": data}
    drive = machine.load_machine(arguments.machine) if arguments.machine else None
    number = logbook.add_entry(title=arguments.title, changed=arguments.changed, notes=arguments.notes,
                               tags=arguments.tag, made=arguments.date, machine=drive, report=report,
                               pictures=pictures, path=path)
    print(f"Entry {number} is in the logbook.")
    return 0


def _log_list(arguments, path) -> int:
    from analysis.logbook import list_entries
    return _print_lines(list_entries(tag=arguments.tag, path=path))


def _log_search(arguments, path) -> int:
    from analysis.logbook import search_entries
    return _print_lines(search_entries(" ".join(arguments.words), path=path))


def _log_show(arguments, path) -> int:
    from analysis.logbook import get_entry
    from analysis.terminal import answer_lines
    entry = get_entry(arguments.number, path=path)
    _print_lines((entry.line,))
    for name, text in (("Notes", entry.notes), ("Machine", entry.machine)):
        if text:
            print(f"\n{name}:\n{text.rstrip()}")
    if entry.report:
        print("\n" + "\n".join(answer_lines(entry.report)))
    return 0


def _log_compare(arguments, path) -> int:
    from analysis.logbook_compare import compare_entries
    found = compare_entries(arguments.first, arguments.second, path=path)
    print("\n".join([found.sentence, *(f"  {change}" for change in found.machine_changes)]))
    return 0


def _log_export(arguments, path) -> int:
    from analysis.logbook_export import export_csv, export_zip
    check_writable(arguments.file)
    table = Path(arguments.file).suffix.lower() == ".csv"
    write_whole(arguments.file, export_csv(path=path).encode("utf-8-sig") if table else export_zip(path=path))
    return 0


def _log_import(arguments, path) -> int:
    from analysis.logbook_export import import_zip
    done = import_zip(_content(arguments.file), path=path)
    print(f"{done.added} entries added, {done.already_there} were there already.")
    return 0


_LOG = {"add": _log_add, "list": _log_list, "search": _log_search, "show": _log_show, "compare": _log_compare,
        "export": _log_export, "import": _log_import}


def _print_lines(lines) -> int:
    """One entry a line; what was changed and the strongest stripe of the last photo beside it."""
    from analysis.formats import percent
    if not lines:
        print("No entry.")
    for line in lines:
        last = line.readings[-1] if line.readings else {}
        contrast = "" if last.get("contrast_percent") is None else f", stripe {percent(last['contrast_percent'])}"
        tags = f" [{', '.join(line.tags)}]" if line.tags else ""
        print(f"{line.id:>4}  {line.made}  {line.title}{tags}" + (f"  {last['verdict']}{contrast}" if last else ""))
        if line.changed:
            print(f"      changed: {line.changed}")
    return 0


def write_sheets(names: Sequence[str], result: Any, machine: Any) -> None:
    """Write the sheet in each format that a name asks for."""
    from analysis.sheet import make_sheet
    for name in names:
        check_writable(name)
    kinds = [Path(name).suffix.lower().lstrip(".") for name in names]
    sheet = make_sheet(result, machine=machine, formats=tuple(dict.fromkeys(kinds)))
    for name, made in zip(names, kinds, strict=True):
        write_whole(name, getattr(sheet, made))


def _content(name: str) -> bytes:
    """Content of a report, a saved result, or an exported logbook."""
    path = Path(name)
    try:
        if not path.is_file():
            raise PhotoError(f"There is no file {name}. Check the name and the folder.")
        if path.stat().st_size > LARGEST_FILE:
            raise PhotoError(f"{path.name} is too large to be a report. Choose the file that the program wrote.")
        return path.read_bytes()
    except (OSError, ValueError) as problem:
        raise PhotoError(f"{path.name} cannot be read. Check its permissions.") from problem
