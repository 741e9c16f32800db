"""The command line: parse, call, print.

Exit status: 0 a report was made; 2 bad arguments or input, one plain line on
standard error; 3 the photos could not be aligned (the report is still written).
"""
from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from analysis.arguments import check_paths, parse, settings_of
from analysis.errors import PhotoError

__all__ = ["main"]

REPORT_MADE, BAD_INPUT, NOT_ALIGNED, STOPPED = 0, 2, 3, 130
TRACEBACK = "STRIPE_OR_GRAIN_TRACEBACK"        # set it to see where a fault of the program itself comes from


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit status."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):             # a terminal without our letters gets a mark instead
            stream.reconfigure(errors="replace")
    try:
        arguments = parse(sys.argv[1:] if argv is None else argv)
        return _COMMANDS[arguments.command](arguments)
    except PhotoError as problem:
        _complain(str(problem))
        return BAD_INPUT
    except KeyboardInterrupt:
        _complain("Stopped; nothing was written.")
        return STOPPED
    except BrokenPipeError:                            # the reader of our output has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return REPORT_MADE
    except MemoryError:
        _complain("This computer has too little free memory for these photos. Save them at half their size.")
        return BAD_INPUT
    except Exception as problem:
        if os.environ.get(TRACEBACK):
            raise
        _complain(f"The program failed on this input ({type(problem).__name__}: {problem}). "
                  "Try another photo, and report this fault with the photo if you can.")
        return BAD_INPUT


def _complain(words: str) -> None:
    """One plain line on standard error."""
    sys.stderr.write(" ".join(words.split()) + "\n")


def _compare(arguments) -> int:
    _check_outputs(arguments, (arguments.before, arguments.after))
    settings, machine = settings_of(arguments), _machine(arguments)
    from analysis.pipeline import compare
    with _progress(arguments.quiet) as tell:
        result = compare(arguments.before, arguments.after, settings, machine=machine, progress=tell)
    _write(arguments, result, machine)
    if not result.alignment.ok:
        _complain(f"The photos could not be aligned: {result.alignment.reason} "
                  "Each was judged alone.")
        return NOT_ALIGNED
    return REPORT_MADE


def _inspect(arguments) -> int:
    _check_outputs(arguments, (arguments.photo,))
    settings, machine = settings_of(arguments), _machine(arguments)
    from analysis.pipeline import inspect
    with _progress(arguments.quiet) as tell:
        result = inspect(arguments.photo, settings, machine=machine, progress=tell)
    _write(arguments, result, machine)
    return REPORT_MADE


def _show(arguments) -> int:
    from analysis import saved, words
    data = _small_file(arguments.report)
    if arguments.sheet:
        check_paths((arguments.report,), arguments.sheet)
        if not data.startswith(b"PK"):
            raise PhotoError("A sheet needs the pictures, which a JSON report does not hold. "
                             "Give the zip that the page or --save wrote.")
        _write_sheets(arguments.sheet, saved.unpack(data), None)
    print("\n".join(words.answer_lines(saved.open_report(data))))
    return REPORT_MADE


def _sources(arguments) -> int:
    from analysis.machine import load_machine, sources_table
    from analysis.settings import Settings
    scale = Settings(pixels_per_mm=arguments.pixels_per_mm).pixels_per_mm
    print(sources_table(load_machine(arguments.machine), pixels_per_mm=scale))
    return REPORT_MADE


def _batch(arguments) -> int:
    from analysis.batch import run_batch
    return run_batch(arguments.folder, settings_of(arguments), machine_file=arguments.machine,
                     out=arguments.out, jobs=arguments.jobs, again=arguments.again, quiet=arguments.quiet)


_COMMANDS = {"compare": _compare, "inspect": _inspect, "batch": _batch, "show": _show, "sources": _sources}


def _machine(arguments) -> Any:
    """Machine of the file that was named."""
    if arguments.machine is None:
        return None
    from analysis.machine import load_machine
    return load_machine(arguments.machine)


def _check_outputs(arguments, inputs: tuple[str, ...]) -> None:
    """Refuse outputs before the work rather than after it."""
    from analysis.outputs import check_writable
    outputs = [name for name in (arguments.json, *arguments.sheet, arguments.save) if name not in (None, "-")]
    check_paths((*inputs, *([arguments.machine] if arguments.machine else [])), outputs)
    for name in outputs:
        check_writable(name)


def _write(arguments, result, machine) -> None:
    """Print the answer and write the files."""
    from analysis import report
    from analysis.outputs import write_whole
    values = report.to_dict(result)
    text = report.dumps(values)
    if arguments.json not in (None, "-"):
        write_whole(arguments.json, text.encode())
    if arguments.save:
        from analysis.saved import pack
        write_whole(arguments.save, pack(result))
    _write_sheets(arguments.sheet, result, machine)
    if arguments.json == "-":
        sys.stdout.write(text)
    else:
        from analysis.words import answer_lines
        print("\n".join(answer_lines(values)))
    sys.stdout.flush()


def _write_sheets(names: Sequence[str], result: Any, machine: Any) -> None:
    """Write the sheet in each format that a name asks for."""
    if not names:
        return
    from analysis.outputs import write_whole
    from analysis.sheet import make_sheet
    kinds = [Path(name).suffix.lower().lstrip(".") for name in names]
    sheet = make_sheet(result, machine=machine, formats=tuple(dict.fromkeys(kinds)))
    for name, kind in zip(names, kinds, strict=True):
        write_whole(name, getattr(sheet, kind))


def _small_file(name: str) -> bytes:
    """Content of a report or saved result."""
    path = Path(name)
    try:
        if not path.is_file():
            raise PhotoError(f"There is no file {name}. Check the name and the folder.")
        if path.stat().st_size > 100_000_000:
            raise PhotoError(f"{path.name} is too large to be a report. "
                             "Choose the file that the program wrote.")
        return path.read_bytes()
    except (OSError, ValueError) as problem:
        raise PhotoError(f"{path.name} cannot be read. Check its permissions.") from problem


@contextmanager
def _progress(quiet: bool):
    """Progress bar on standard error, only where someone looks at it."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm
    with tqdm(total=100, leave=False, bar_format="{desc} {percentage:3.0f}% |{bar}| {elapsed}") as bar:
        def tell(fraction: float, words: str) -> None:
            bar.set_description_str(words, refresh=False)
            bar.update(round(100 * fraction) - bar.n)
            bar.refresh()
        yield tell


if __name__ == "__main__":
    sys.exit(main())
