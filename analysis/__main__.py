"""The command line: parse, call, print.

Exit status: 0 a report was made; 2 bad arguments or input, one plain line on
standard error; 3 the photos could not be aligned (the report is still written).
"""
from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from typing import Any

from analysis.argument_types import check_paths
from analysis.arguments import parse, settings_of
from analysis.errors import PhotoError
from analysis.process import share_one_heap
from analysis.progress import progress_bar

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
        share_one_heap()
        return _COMMANDS.get(arguments.command, _other)(arguments)
    except PhotoError as problem:
        _complain(str(problem))
        return BAD_INPUT
    except KeyboardInterrupt:
        _complain("Stopped. A batch goes on where it stopped when it is run again.")
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
    with progress_bar(arguments.quiet) as tell:
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
    with progress_bar(arguments.quiet) as tell:
        result = inspect(arguments.photo, settings, machine=machine, progress=tell)
    _write(arguments, result, machine)
    return REPORT_MADE


def _other(arguments) -> int:
    from analysis import commands
    return getattr(commands, arguments.command)(arguments)


_COMMANDS = {"compare": _compare, "inspect": _inspect}


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
    if arguments.sheet:
        from analysis.commands import write_sheets
        write_sheets(arguments.sheet, result, machine)
    if arguments.log:
        from analysis import logbook
        logbook.add_entry(title=arguments.log, report=values, machine=machine,
                          pictures=logbook.result_pictures(result))
    if arguments.json == "-":
        sys.stdout.write(text)
    else:
        from analysis.terminal import answer_lines
        print("\n".join(answer_lines(values)))
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
