"""Options that several commands share, and the values they take. Imports nothing numeric."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from app.files.capture_options import ReadOptions
from app.jobs.settings import TELLABLE_KINDS
from app.model.quantity import parse_quantity
from dsp.results import LINE_CODES, POLARITIES

Value = Callable[[str], float]


def quantity(*units: str) -> Value:
    """Converter for a number that may carry an SI prefix and one of ``units``."""

    def convert(text: str) -> float:
        try:
            return parse_quantity(text, *units)
        except ValueError as error:
            raise argparse.ArgumentTypeError(f"{error}; write a number such as {_example(units)}") from None

    return convert


def positive(convert: Value) -> Value:
    def checked(text: str) -> float:
        value = convert(text)
        if value <= 0:
            raise argparse.ArgumentTypeError(f"{text!r} must be more than zero")
        return value

    return checked


def not_negative(text: str) -> float:
    value = quantity()(text)
    if value < 0:
        raise argparse.ArgumentTypeError(f"{text!r} must not be negative")
    return value


def count(text: str) -> int:
    """A whole number of one or more."""
    if not (text.isascii() and text.isdigit() and int(text) >= 1):
        raise argparse.ArgumentTypeError(f"{text!r} must be a whole number of 1 or more")
    return int(text)


def byte_count(text: str) -> int:
    if not (text.isascii() and text.isdigit()):
        raise argparse.ArgumentTypeError(f"{text!r} must be a whole number of bytes")
    return int(text)


def span(text: str) -> tuple[float | None, float | None]:
    """``START:END`` in seconds, either end open: ``1.2ms:3.4ms``, ``:3ms``, ``1ms:``."""
    start, colon, end = text.partition(":")
    if not colon or ":" in end:
        raise argparse.ArgumentTypeError(f"{text!r} must be START:END, such as 1.2ms:3.4ms or :3ms")
    second = quantity("s")
    limits = (second(start) if start.strip() else None, second(end) if end.strip() else None)
    if limits[0] is not None and limits[1] is not None and limits[0] >= limits[1]:
        raise argparse.ArgumentTypeError(f"{text!r} ends before it starts; give the earlier time first")
    return limits


def add_read_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("reading", "what the file does not say itself")
    group.add_argument("--rate", type=positive(quantity("Hz", "Sa/s")), help="sample rate, such as 2.5M")
    group.add_argument(
        "--dtype", metavar="TYPE", help="number type of raw binary: int8, uint16, int16, float32 and so on"
    )
    group.add_argument("--channels", type=count, metavar="N", help="channels in raw binary")
    group.add_argument("--scale", type=quantity(), metavar="X", help="value = stored * SCALE + OFFSET")
    group.add_argument("--offset", type=quantity(), metavar="X", help="see --scale")
    group.add_argument("--unit", help="unit of the scaled values (volts if only a scale is given)")
    group.add_argument("--skip", type=byte_count, default=0, metavar="N", help="bytes before raw samples")
    order = group.add_mutually_exclusive_group()
    order.add_argument(
        "--interleaved", action="store_true", default=True, help="raw channels take turns (default)"
    )
    order.add_argument(
        "--planar", dest="interleaved", action="store_false", help="raw channels follow one another"
    )


def add_instrument_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("instrument", "its stated tolerance, part of every uncertainty shown")
    group.add_argument(
        "--timebase-ppm", type=not_negative, metavar="PPM", help="of the time base, plus or minus"
    )
    group.add_argument(
        "--gain-percent", type=not_negative, metavar="PERCENT", help="of the gain, plus or minus"
    )


def add_choice_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("what to work on")
    group.add_argument(
        "--channel", metavar="NAME", help='a channel or an expression such as "A - B" or "highpass(A, 10k)"'
    )
    group.add_argument("--span", type=span, metavar="START:END", help="such as 1.2ms:3.4ms, :3ms or 1ms:")


def add_settings_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("known already", "anything may be told, nothing has to be")
    group.add_argument("--carrier", type=positive(quantity("Hz")), metavar="HZ", help="such as 412k")
    group.add_argument("--symbol-rate", type=positive(quantity("Bd")), metavar="BD", help="such as 9600")
    group.add_argument("--modulation", choices=TELLABLE_KINDS, metavar="KIND", help=", ".join(TELLABLE_KINDS))
    group.add_argument("--line-code", choices=LINE_CODES, metavar="CODE", help=", ".join(LINE_CODES))
    group.add_argument("--polarity", choices=POLARITIES, metavar="P", help=", ".join(POLARITIES))
    group.add_argument(
        "--settings", type=Path, metavar="FILE", help="JSON with these settings; an option goes before it"
    )


def add_json_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--json", metavar="PATH", help="write JSON there; - is standard output, with no table"
    )


def add_result_options(parser: argparse.ArgumentParser) -> None:
    add_json_option(parser)
    parser.add_argument("--csv", metavar="PATH", help="write one row a burst; - is standard output")
    parser.add_argument("--session", type=Path, metavar="PATH", help="save captures and results as a session")
    parser.add_argument(
        "--link", action="store_true", help="in the session, files by path and SHA-256 instead of samples"
    )
    parser.add_argument("--hash", action="store_true", help="SHA-256 of each file in the JSON")


def read_options(given: argparse.Namespace) -> ReadOptions:
    """What `add_read_options` took in.

    Raises
    ------
    app.errors.UsageError : a value no file could be read with.
    """
    return ReadOptions(
        rate_hz=given.rate,
        dtype=given.dtype,
        channels=given.channels,
        scale=given.scale,
        offset=given.offset,
        unit=given.unit,
        skip=given.skip,
        interleaved=given.interleaved,
    )


def join_negative_values(arguments: list[str]) -> list[str]:
    """``--span -1ms:2ms`` as ``--span=-1ms:2ms``: a value that begins with a minus is no option."""
    joined: list[str] = []
    for i, argument in enumerate(arguments):
        before = joined[-1] if joined else ""
        if "--" in arguments[:i]:
            joined.append(argument)
        elif before.startswith("--") and "=" not in before and _starts_as_negative_number(argument):
            joined[-1] = f"{before}={argument}"
        else:
            joined.append(argument)
    return joined


def _starts_as_negative_number(text: str) -> bool:
    return len(text) > 1 and text[0] == "-" and (text[1].isdigit() or text[1] == ".")


def _example(units: tuple[str, ...]) -> str:
    return {"s": "1.2ms", "Bd": "9600 or 500kBd", "Hz": "412k or 1.2MHz"}.get("".join(units[:1]), "1.5")
