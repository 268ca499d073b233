"""The command line read into a namespace. Imports nothing numeric: help must come at once."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NoReturn

from app.cli import arguments
from app.errors import UsageError, one_line
from app.version import program_version

DESCRIPTION = """\
Find out how an undocumented two-wire link signals, from oscilloscope captures, and get bits you can trust.
With no command it opens the window, on the files if any are named.
"""


class OneLineParser(argparse.ArgumentParser):
    """Raises `UsageError` with one sentence instead of printing usage and leaving."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{one_line(message)}; see '{self.prog} --help'")


def parse(argv: Sequence[str]) -> argparse.Namespace:
    """``command`` is one of `COMMANDS`, or ``window``; the other attributes are that command's options.

    Raises
    ------
    app.errors.UsageError : anything that cannot be understood.
    SystemExit : help or version was asked for and has been printed.
    """
    given = arguments.join_negative_values([*argv])
    if given and given[0] in COMMANDS:
        help_text, add_options = COMMANDS[given[0]]
        parser = OneLineParser(prog=f"halfturn {given[0]}", description=help_text, allow_abbrev=False)
        add_options(parser)
        return parser.parse_intermixed_args(given[1:], argparse.Namespace(command=given[0]))
    return _window_parser().parse_intermixed_args(given, argparse.Namespace(command="window"))


class _Version(argparse.Action):
    """Looks the version up only when asked for it."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        sys.stdout.write(f"halfturn {program_version()}\n")
        parser.exit()


def _window_parser() -> OneLineParser:
    width = max(map(len, COMMANDS))
    lines = [f"  {name:<{width}}  {help_text}" for name, (help_text, _) in COMMANDS.items()]
    parser = OneLineParser(
        prog="halfturn",
        usage="halfturn [options] [FILE ...]\n       halfturn COMMAND [options]",
        description=DESCRIPTION,
        epilog="commands ('halfturn COMMAND --help' tells the options):\n"
        + "\n".join(lines)
        + "\n\n"
        + _EXITS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and leave")
    parser.add_argument("files", nargs="*", type=Path, metavar="FILE", help="captures or a session to open")
    arguments.add_read_options(parser)
    return parser


def _demo(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--no-window", dest="window", action="store_false", help="print only")
    arguments.add_result_options(parser)


def _info(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    arguments.add_json_option(parser)
    arguments.add_read_options(parser)


def _decode(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    arguments.add_result_options(parser)
    parser.add_argument("--jobs", type=arguments.count, metavar="N", help="files decoded at the same time")
    arguments.add_choice_options(parser)
    arguments.add_settings_options(parser)
    arguments.add_instrument_options(parser)
    arguments.add_read_options(parser)


def _measure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE")
    arguments.add_json_option(parser)
    arguments.add_choice_options(parser)
    arguments.add_settings_options(parser)
    arguments.add_instrument_options(parser)
    arguments.add_read_options(parser)


def _verify(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("session", type=Path, metavar="SESSION")
    arguments.add_json_option(parser)


def _report(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE", help="a capture, or a session with its decodes")
    parser.add_argument(
        "-o",
        "--output",
        metavar="PATH",
        default="report.html",
        help="where to (report.html); - is standard output",
    )
    arguments.add_choice_options(parser)
    arguments.add_settings_options(parser)
    arguments.add_instrument_options(parser)
    arguments.add_read_options(parser)


def _export(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE", help="a session, one capture of it, or a capture")
    parser.add_argument("-o", "--output", metavar="PATH", required=True, help="its ending tells the format")
    parser.add_argument(
        "--what",
        choices=("bits", "bursts", "marks", "samples"),
        default="samples",
        help="bits, bursts: .csv .json; marks: .csv; samples (default): .csv .npy .wav .sigmf-meta",
    )
    arguments.add_choice_options(parser)
    arguments.add_read_options(parser)


def _share(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("session", type=Path, metavar="SESSION")
    parser.add_argument("-o", "--output", type=Path, metavar="PATH", help="without it only the size is told")
    parser.add_argument(
        "--capture", type=int, action="append", metavar="N", help="counted from 0; may be repeated"
    )
    parser.add_argument("--channel", action="append", metavar="NAME", help="may be repeated; all if left out")
    parser.add_argument(
        "--span",
        type=arguments.span,
        action="append",
        metavar="START:END",
        help="may be repeated; all if left out",
    )


COMMANDS: dict[str, tuple[str, Callable[[argparse.ArgumentParser], None]]] = {
    "demo": ("Decode the built-in demo capture and open the window on it.", _demo),
    "info": ("Tell format, channels, rate, length and warnings of captures.", _info),
    "decode": ("Decode captures: a table of bursts and bits, JSON or CSV.", _decode),
    "measure": ("Measure carrier, symbol period and levels of a span.", _measure),
    "report": ("Write one self-contained page: signal sheet, pictures, bursts, frames, digests.", _report),
    "export": ("Write bits, bursts, marks or the samples of a span for other programs.", _export),
    "share": ("Write a copy of a session cut to chosen stretches and channels.", _share),
    "verify": ("Decode again what a session holds and tell whether the bits are the same.", _verify),
}

_EXITS = """\
exit status: 0 done, 1 nothing found, 2 wrong usage, 3 unreadable input; of several files the highest counts\
"""
