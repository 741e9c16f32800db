"""The command line's words: parsers, and arguments to settings."""
from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any

from analysis import __version__
from analysis.argument_types import Parser, floats, frame, kind, number, point, region, shaped, whole

__all__ = ["parse", "settings_of"]

PROGRAM = "stripe-or-grain"
MOST_ENTRIES = 10_000_000
SHEET_KINDS = (".png", ".pdf", ".html")
EPILOG = ("The machine's manual and local rules come first: eye protection for the wavelength, extraction "
          "on, never unattended; isolate the mains before you touch the drive.")


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
    _plan(commands)
    _patches(commands)
    _series(commands)
    _log(commands)
    return parser.parse_args(shaped(argv))


def _compare(commands: Any) -> None:
    parser = commands.add_parser(
        "compare", epilog=EPILOG, help="two photos: before and after a change",
        description="Compare the photo of a piece engraved before a change with one engraved after it.")
    parser.add_argument("before", metavar="BEFORE", help="photo of the piece engraved before the change")
    parser.add_argument("after", metavar="AFTER", help="photo of the piece engraved after it")
    for name in ("before", "after"):
        parser.add_argument(f"--{name}-corners", nargs=4, type=point, metavar="x,y",
                            help=f"the frame's outer corners in the {name.upper()} photo's pixels, "
                                 "clockwise, the first side along the scan axis; overrides the search")
    _common(parser)
    _outputs(parser)


def _inspect(commands: Any) -> None:
    parser = commands.add_parser("inspect", epilog=EPILOG, help="one photo alone",
                                 description="Judge one photo alone.")
    parser.add_argument("photo", metavar="PHOTO", help="photo of an engraved piece")
    parser.add_argument("--corners", nargs=4, type=point, metavar="x,y",
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
    parser.add_argument("--jobs", type=whole(64), metavar="N", help="pairs at once; default one for each core")
    parser.add_argument("--again", action="store_true", help="do all pairs anew, finished ones too")
    _common(parser)


def _show(commands: Any) -> None:
    parser = commands.add_parser(
        "show", help="print a saved report",
        description="Print a report (JSON) or a saved result (zip) as text, or make its sheet.")
    parser.add_argument("report", metavar="REPORT", help="JSON report, or zip saved by the page")
    parser.add_argument("--sheet", metavar="FILE", action="append", type=kind(*SHEET_KINDS), default=[],
                        help="write the sheet of a saved result (zip): .png, .pdf or .html")


def _sources(commands: Any) -> None:
    parser = commands.add_parser("sources", epilog=EPILOG, help="periods that a machine's parts can make",
                                 description="Print the table of expected periods for a machine file.")
    parser.add_argument("machine", metavar="MACHINE.toml", help="machine file")
    parser.add_argument("--pixels-per-mm", type=number, metavar="N",
                        help="adds how the engraved rows would fold in a photo of this scale")


def _plan(commands: Any) -> None:
    parser = commands.add_parser(
        "plan", epilog=EPILOG, help="a test piece to engrave",
        description="Write a test piece with patches over power and speed as SVG, DXF or JSON, and say which "
                    "periods it can prove. Powers and speeds are the machine's own numbers.")
    parser.add_argument("files", metavar="FILE", nargs="+", type=kind(".svg", ".dxf", ".json", ".html"),
                        help="where to write: .svg, .dxf, .json; .html is the sheet that goes to the machine")
    parser.add_argument("--frame", type=frame, metavar="WxH", help="outer size in mm; default 160x110")
    parser.add_argument("--powers", type=floats, metavar="P,P", help="powers in %%; default 10,20,30,40,50")
    parser.add_argument("--speeds", type=floats, metavar="V,V", help="speeds in mm/s; default 200,320")
    parser.add_argument("--steps", type=floats, metavar="P,P", help="powers in %% of the step scale")
    parser.add_argument("--row-interval", type=number, metavar="MM", help="distance of the engraved rows; default 0.1")
    parser.add_argument("--no-turned", action="store_true", help="leave out the group turned by 90 degrees")
    parser.add_argument("--title", help="the text line on the piece")
    parser.add_argument("--wavelength", type=number, metavar="NM", help="of the laser, for the caution about eyewear")
    parser.add_argument("--pixels-per-mm", type=number, metavar="N",
                        help="of the photo to be taken; default that of a 12-megapixel photo of the whole piece")


def _patches(commands: Any) -> None:
    parser = commands.add_parser("patches", epilog=EPILOG, help="a photo of a planned piece, patch by patch",
                                 description="Find a planned piece by its corner marks and judge each patch.")
    parser.add_argument("photo", metavar="PHOTO", help="photo of the engraved test piece")
    parser.add_argument("plan", metavar="PLAN", help="the plan it was engraved from: .svg or .json")
    parser.add_argument("--csv", metavar="FILE.csv", type=kind(".csv"), help="write the table")
    parser.add_argument("--quiet", action="store_true", help="no progress bar")


def _series(commands: Any) -> None:
    parser = commands.add_parser(
        "series", epilog=EPILOG, help="many photos against power, depth, speed and date",
        description="Judge all photos of a list (CSV with the columns file, label, date, speed_mm_s, power_percent, "
                    "depth_mm; a file may be a report) and print them as one table.")
    parser.add_argument("list", metavar="LIST.csv", help="one row a photo or report")
    parser.add_argument("--csv", metavar="FILE.csv", type=kind(".csv"), help="write the table")
    _common(parser)


def _log(commands: Any) -> None:
    parser = commands.add_parser("log", help="the logbook: add, list, search, show, compare, export, import",
                                 description="The logbook of tests: the machine's state, what was changed, the report.")
    parser.add_argument("--logbook", metavar="FILE", help="the logbook's file; default the user's own")
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True, parser_class=Parser)
    add = actions.add_parser("add", help="write an entry")
    add.add_argument("title", metavar="TITLE")
    add.add_argument("--changed", metavar="TEXT", default="", help="what was changed on the machine before this test")
    add.add_argument("--notes", metavar="TEXT", default="")
    add.add_argument("--tag", metavar="WORD", action="append", default=[])
    add.add_argument("--date", metavar="YYYY-MM-DD", help="day of the test; default today")
    add.add_argument("--report", metavar="FILE", help="JSON report, or a saved result (zip)")
    add.add_argument("--machine", metavar="FILE.toml")
    actions.add_parser("list", help="all entries, newest first").add_argument("--tag", metavar="WORD")
    actions.add_parser("search", help="entries that hold all words").add_argument("words", metavar="WORD", nargs="+")
    actions.add_parser("show", help="one entry").add_argument("number", metavar="N", type=whole(MOST_ENTRIES))
    pair = actions.add_parser("compare", help="two entries")
    pair.add_argument("first", metavar="N", type=whole(MOST_ENTRIES))
    pair.add_argument("second", metavar="M", type=whole(MOST_ENTRIES))
    export = actions.add_parser("export", help="the whole logbook as CSV (a table) or zip (everything)")
    export.add_argument("file", metavar="FILE", type=kind(".csv", ".zip"))
    actions.add_parser("import", help="entries of an exported zip").add_argument("file", metavar="FILE.zip")


def _common(parser: argparse.ArgumentParser) -> None:
    """Options of everything that judges photos."""
    parser.add_argument("--frame", type=frame, metavar="WxH",
                        help="outer size in mm of the engraved frame; the first number along the scan axis")
    parser.add_argument("--pixels-per-mm", type=number, metavar="N",
                        help="scale of the (BEFORE) photo where there is no frame")
    parser.add_argument("--scan-angle", type=number, default=0.0, metavar="DEG",
                        help="direction of the scan axis, degrees anticlockwise from the photo's +x; "
                             "default 0")
    parser.add_argument("--region", type=region, metavar="x,y,w,h",
                        help="part to analyse, mm in the rectified (BEFORE) piece")
    parser.add_argument("--shortest-period", type=number, metavar="MM",
                        help="shortest stripe period to search")
    parser.add_argument("--machine", metavar="FILE.toml",
                        help="the machine's moving parts and scan speed, to name the likely source")
    parser.add_argument("--quiet", action="store_true", help="no progress bar")


def _outputs(parser: argparse.ArgumentParser) -> None:
    """Options for files of one result."""
    parser.add_argument("--json", metavar="FILE", help="write the report; - for standard output")
    parser.add_argument("--sheet", metavar="FILE", action="append", type=kind(*SHEET_KINDS), default=[],
                        help="write the comparison sheet: .png, .pdf or .html; may be given more than once")
    parser.add_argument("--log", metavar="TITLE", help="write an entry with this title into the logbook")
    parser.add_argument("--save", metavar="FILE.zip", type=kind(".zip"),
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
