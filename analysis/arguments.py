"""The command line's words: parsers, and arguments to settings."""
from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

from analysis import __version__
from analysis.errors import PhotoError

__all__ = ["check_paths", "parse", "settings_of"]

PROGRAM = "stripe-or-grain"
SHEET_KINDS = (".png", ".pdf", ".html")
CORNER_OPTIONS = ("--before-corners", "--after-corners", "--corners")
NEGATIVE = re.compile(r"-[\d.][\d.,eE+\-]*")
EPILOG = ("The machine's manual and local rules come first: eye protection for the wavelength, extraction "
          "on, never unattended; isolate the mains before you touch the drive.")


class Parser(argparse.ArgumentParser):
    """A parser whose complaint is one line."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and where to read more; exit status 2."""
        message = message.replace("argument ", "", 1) if message.startswith("argument ") else message
        sys.stderr.write(f"{message[:1].upper()}{message[1:]} (see {self.prog} --help)\n")
        raise SystemExit(2)


def parse(argv: Sequence[str]) -> argparse.Namespace:
    """Parse the arguments; exits with status 2 and one line where they are wrong."""
    parser = Parser(prog=PROGRAM, epilog=EPILOG, description=(
        "Tell from photos of an engraved test piece whether its stripes are a regular artefact of the "
        "machine or grain of the material, and whether a change has helped."))
    parser.add_argument("--version", action="version", version=f"{PROGRAM} {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=Parser)
    _compare(commands)
    _inspect(commands)
    _batch(commands)
    _show(commands)
    _sources(commands)
    return parser.parse_args(_shaped(argv))


def _compare(commands: Any) -> None:
    parser = commands.add_parser(
        "compare", epilog=EPILOG, help="two photos: before and after a change",
        description="Compare the photo of a piece engraved before a change with one engraved after it.")
    parser.add_argument("before", metavar="BEFORE", help="photo of the piece engraved before the change")
    parser.add_argument("after", metavar="AFTER", help="photo of the piece engraved after it")
    for name in ("before", "after"):
        parser.add_argument(f"--{name}-corners", nargs=4, type=_point, metavar="x,y",
                            help=f"the frame's outer corners in the {name.upper()} photo's pixels, "
                                 "clockwise, the first side along the scan axis; overrides the search")
    _common(parser)
    _outputs(parser)


def _inspect(commands: Any) -> None:
    parser = commands.add_parser("inspect", epilog=EPILOG, help="one photo alone",
                                 description="Judge one photo alone.")
    parser.add_argument("photo", metavar="PHOTO", help="photo of an engraved piece")
    parser.add_argument("--corners", nargs=4, type=_point, metavar="x,y",
                        help="the frame's outer corners in the photo's pixels, clockwise, the first side "
                             "along the scan axis; overrides the search")
    _common(parser)
    _outputs(parser)


def _batch(commands: Any) -> None:
    parser = commands.add_parser(
        "batch", epilog=EPILOG, help="a folder of pairs",
        description="Compare all pairs in a folder: NAME_before.jpg with NAME_after.jpg. Writes one report "
                    "a pair, and one row a pair in pairs.csv. Run it again to go on where it stopped.")
    parser.add_argument("folder", metavar="FOLDER", help="folder with the photos")
    parser.add_argument("--out", metavar="FOLDER", help="where to write; default FOLDER/reports")
    parser.add_argument("--jobs", type=_whole, metavar="N", help="pairs at once; default one for each core")
    parser.add_argument("--again", action="store_true", help="do all pairs anew, finished ones too")
    _common(parser)


def _show(commands: Any) -> None:
    parser = commands.add_parser(
        "show", help="print a saved report",
        description="Print a report (JSON) or a saved result (zip) as text, or make its sheet.")
    parser.add_argument("report", metavar="REPORT", help="JSON report, or zip saved by the page")
    parser.add_argument("--sheet", metavar="FILE", action="append", type=_sheet, default=[],
                        help="write the sheet of a saved result (zip): .png, .pdf or .html")


def _sources(commands: Any) -> None:
    parser = commands.add_parser("sources", epilog=EPILOG, help="periods that a machine's parts can make",
                                 description="Print the table of expected periods for a machine file.")
    parser.add_argument("machine", metavar="MACHINE.toml", help="machine file")
    parser.add_argument("--pixels-per-mm", type=_number, metavar="N",
                        help="adds how the engraved rows would fold in a photo of this scale")


def _common(parser: argparse.ArgumentParser) -> None:
    """Options of everything that judges photos."""
    parser.add_argument("--frame", type=_frame, metavar="WxH",
                        help="outer size in mm of the engraved frame; the first number along the scan axis")
    parser.add_argument("--pixels-per-mm", type=_number, metavar="N",
                        help="scale of the (BEFORE) photo where there is no frame")
    parser.add_argument("--scan-angle", type=_number, default=0.0, metavar="DEG",
                        help="direction of the scan axis, degrees anticlockwise from the photo's +x; "
                             "default 0")
    parser.add_argument("--region", type=_region, metavar="x,y,w,h",
                        help="part to analyse, mm in the rectified (BEFORE) piece")
    parser.add_argument("--shortest-period", type=_number, metavar="MM",
                        help="shortest stripe period to search")
    parser.add_argument("--machine", metavar="FILE.toml",
                        help="the machine's moving parts and scan speed, to name the likely source")
    parser.add_argument("--quiet", action="store_true", help="no progress bar")


def _outputs(parser: argparse.ArgumentParser) -> None:
    """Options for files of one result."""
    parser.add_argument("--json", metavar="FILE", help="write the report; - for standard output")
    parser.add_argument("--sheet", metavar="FILE", action="append", type=_sheet, default=[],
                        help="write the comparison sheet: .png, .pdf or .html; may be given more than once")
    parser.add_argument("--save", metavar="FILE.zip", type=_zip,
                        help="save the result with its pictures in one file that the page opens again")


def settings_of(arguments: argparse.Namespace) -> Any:
    """Make settings of parsed arguments.

    Raises
    ------
    PhotoError
        A value that cannot be meant.
    """
    from analysis.settings import SHORTEST_PERIOD_MM, Settings
    before = getattr(arguments, "before_corners", None) or getattr(arguments, "corners", None)
    shortest = arguments.shortest_period
    return Settings(frame_mm=arguments.frame, before_corners_px=before,
                    after_corners_px=getattr(arguments, "after_corners", None),
                    pixels_per_mm=arguments.pixels_per_mm, scan_angle_deg=arguments.scan_angle,
                    region_mm=arguments.region,
                    shortest_period_mm=SHORTEST_PERIOD_MM if shortest is None else shortest)


def check_paths(inputs: Sequence[str], outputs: Sequence[str]) -> None:
    """Refuse to write over a file that is read, or two results into one file.

    Raises
    ------
    PhotoError
        Names the file.
    """
    seen = {_place(name) for name in inputs}
    for name in outputs:
        if _place(name) in seen:
            raise PhotoError(f"{name} is named twice and would be overwritten. "
                             "Give every output a name of its own.")
        seen.add(_place(name))


def _place(name: str) -> str:
    try:
        return str(Path(name).resolve())
    except (OSError, ValueError, RuntimeError):        # RuntimeError: links that go round in a circle
        return name


def _shaped(argv: Sequence[str]) -> list[str]:
    """Arguments as argparse can take them: four corners in one word split, negative numbers no options."""
    shaped: list[str] = []
    for word in argv:
        option, equals, value = word.partition("=")
        if equals and option in CORNER_OPTIONS:
            shaped += [option, *value.split()]
        elif shaped and shaped[-1] in CORNER_OPTIONS and len(word.split()) > 1:
            shaped += word.split()
        else:
            shaped.append(word)
    return [" " + word if NEGATIVE.fullmatch(word) else word for word in shaped]


def _floats(text: str, separator: str, count: int) -> tuple[float, ...] | None:
    """`count` numbers in a text, or None."""
    parts = re.split(separator, text.strip())
    try:
        found = tuple(float(part) for part in parts)
    except ValueError:
        return None
    return found if len(found) == count else None


def _number(text: str) -> float:
    value = _floats(text, r"\s+", 1)
    if value is None:
        raise argparse.ArgumentTypeError(f"give one number, not {text.strip()!r}")
    return value[0]


def _whole(text: str) -> int:
    if not text.strip().isascii() or not text.strip().isdigit() or not 1 <= int(text) <= 64:
        raise argparse.ArgumentTypeError(f"give a whole number from 1 to 64, not {text.strip()!r}")
    return int(text)


def _frame(text: str) -> tuple[float, ...]:
    value = _floats(text, "[xX\N{MULTIPLICATION SIGN}]", 2)
    if value is None:
        raise argparse.ArgumentTypeError(f"give width x height in mm, such as 80x60, not {text!r}")
    return value


def _point(text: str) -> tuple[float, ...]:
    value = _floats(text, ",", 2)
    if value is None:
        raise argparse.ArgumentTypeError(f"give a corner as x,y in photo pixels, such as 12,98, not {text!r}")
    return value


def _region(text: str) -> tuple[float, ...]:
    value = _floats(text, ",", 4)
    if value is None:
        raise argparse.ArgumentTypeError(f"give x,y,width,height in mm, such as 10,10,40,30, not {text!r}")
    return value


def _sheet(text: str) -> str:
    if Path(text).suffix.lower() not in SHEET_KINDS:
        raise argparse.ArgumentTypeError(f"the sheet's name must end in .png, .pdf or .html, not {text!r}")
    return text


def _zip(text: str) -> str:
    if Path(text).suffix.lower() != ".zip":
        raise argparse.ArgumentTypeError(f"the saved result's name must end in .zip, not {text!r}")
    return text
