"""Channels by name and derived channels by arithmetic, such as ``A - B`` or ``lowpass(A + B, 20k) / 2``.

The text is cut into numbers, operators and channel names here; Python's ``ast`` only gives the order
of operations. Nothing is evaluated but a handful of node types, and nothing is computed before a
slice of the channel is asked for.
"""

from __future__ import annotations

import ast
import math
import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import UsageError
from app.model.capture import Capture, Channel, Samples
from app.model.channel_functions import FUNCTIONS, ChannelFunction, applied
from app.model.quantity import parse_quantity

Values = NDArray[np.float32] | NDArray[np.float64]

LONGEST_TEXT = 1000
DEEPEST_NESTING = 200

_OPERATORS: dict[type[ast.operator], Callable[[Any, Any], Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}
_NUMBER = re.compile(r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?(?:[pnuµμmkKMGT](?!\w))?")
_QUOTED = re.compile(r"`([^`]*)`|\"([^\"]*)\"|'([^']*)'")
_NAME = re.compile(r"[^\W\d]\w*")
_SIGNS = "+-*/(),"
_CALL = re.compile(rf"({'|'.join(FUNCTIONS)})\s*\(")


@dataclass(frozen=True, eq=False)
class ChannelSource:
    """A channel or an expression on channels, read by slices: ``source[a:b]`` are values in ``unit``.

    ``stored``, ``scale`` and ``offset`` are what a decoder takes: of a plain channel its stored
    samples, of an expression the source itself with scale 1 and offset 0. ``inputs`` are the channels an expression
    is worked out from, ``recipe`` all else that its values depend on.
    """

    name: str
    unit: str
    length: int
    read: Callable[[int, int], Values]
    channel: Channel | None = None
    inputs: tuple[Channel, ...] = ()
    recipe: tuple[object, ...] = ()
    reach: int = 0

    def __len__(self) -> int:
        return self.length

    def __getitem__(self, key: slice, /) -> Values:
        if not isinstance(key, slice):
            raise TypeError("a channel is read by slices, source[a:b]")
        start, stop, step = key.indices(self.length)
        if step != 1:
            raise ValueError("a channel is read by slices of step 1")
        return self.read(start, max(start, stop))

    @property
    def stored(self) -> Samples | ChannelSource:
        return self.channel.stored if self.channel is not None else self

    @property
    def scale(self) -> float:
        return self.channel.scale if self.channel is not None else 1.0

    @property
    def offset(self) -> float:
        return self.channel.offset if self.channel is not None else 0.0


def channel_source(capture: Capture, text: str | None = None) -> ChannelSource:
    """The channel called ``text``, or the expression it spells; None is the first channel.

    Operators are ``+ - * /``, unary minus and parentheses, functions those of `app.model.channel_functions`; a number
    may have an SI prefix. A name with blanks or odd characters may
    stand in backquotes or quotes; where it cannot be mistaken it needs none.

    Raises
    ------
    app.errors.UsageError : unknown channel, bad syntax, no channel in it, or too long an expression.
    """
    if text is None:
        return _plain(capture.channels[0])
    channels = {channel.name: channel for channel in capture.channels}
    asked = text.strip()
    # a file may name its channels with blanks around them
    for name in (text, asked):
        if name in channels:
            return _plain(channels[name])
    if not asked or len(asked) > LONGEST_TEXT:
        raise UsageError(f"a channel expression has 1 to {LONGEST_TEXT} characters, this one {len(asked)}")
    code, names = _tokens(asked, channels)
    try:
        tree = ast.parse(code, mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        raise UsageError(
            f"cannot read the expression '{asked}'; write it like A - B or lowpass(A, 20k)"
        ) from error
    if isinstance(tree, ast.Name):
        return _plain(channels[names[tree.id]])
    term = _Builder(asked, capture, channels, names).build(tree, 0)
    if term.constant is not None:
        raise UsageError(f"the expression '{asked}' names no channel; {_have(channels)}")

    def read(start: int, stop: int) -> Values:
        # a quotient of channels may well pass through zero; that sample is infinite, not a failure
        with np.errstate(all="ignore"):
            values: Values = term.read(start, stop)
        return values

    used = tuple(channels[name] for name in names.values())
    scales = tuple((channel.scale, channel.offset) for channel in used)
    recipe = (code, scales, capture.rate_hz, capture.segments)
    return ChannelSource(
        asked, term.unit or "", capture.samples, read, inputs=used, recipe=recipe, reach=term.reach
    )


def _plain(channel: Channel) -> ChannelSource:
    return ChannelSource(channel.name, channel.unit, len(channel), channel.values, channel)


def _have(channels: Mapping[str, Channel]) -> str:
    return "the capture has " + ", ".join(channels)


def _tokens(text: str, channels: Mapping[str, Channel]) -> tuple[str, dict[str, str]]:
    """The expression with every channel name replaced by a plain identifier, and what each stands for."""
    longest_first = sorted(channels, key=len, reverse=True)
    parts: list[str] = []
    names: dict[str, str] = {}
    at = 0
    while at < len(text):
        if text[at].isspace():
            at += 1
            continue
        if text[at] in _SIGNS:
            parts.append(text[at])
            at += 1
            continue
        if number := _NUMBER.match(text, at):
            try:
                parts.append(repr(parse_quantity(number[0])))
            except ValueError as error:
                raise UsageError(f"the number {number[0]} in '{text}' is too large") from error
            at = number.end()
            continue
        if call := _CALL.match(text, at):
            parts.append(f"f_{call[1]}(")
            at = call.end()
            continue
        name, at = _name_at(text, at, longest_first)
        if name not in channels:
            raise UsageError(f"there is no channel '{name}'; {_have(channels)}")
        key = f"c{len(names)}"
        names[key] = name
        parts.append(key)
    return " ".join(parts), names


def _name_at(text: str, at: int, longest_first: list[str]) -> tuple[str, int]:
    if quoted := _QUOTED.match(text, at):
        return next(group for group in quoted.groups() if group is not None), quoted.end()
    for name in longest_first:
        end = at + len(name)
        # "A" must not be found at the head of "Ab"
        whole = end >= len(text) or not (
            text[end - 1].isalnum() and (text[end].isalnum() or text[end] == "_")
        )
        if name and text.startswith(name, at) and whole:
            return name, end
    if plain := _NAME.match(text, at):
        return plain[0], plain.end()
    raise UsageError(
        f"cannot read '{text[at]}' in the expression '{text}'; allowed are names, numbers, functions, + - * / ( )"
    )


@dataclass(frozen=True)
class _Term:
    """One node of the expression: a constant, or values to be read; ``unit`` is None of a bare number."""

    read: Callable[[int, int], Any]
    unit: str | None = None
    constant: float | None = None
    reach: int = 0


@dataclass(frozen=True)
class _Builder:
    text: str
    capture: Capture
    channels: Mapping[str, Channel]
    names: Mapping[str, str]

    def build(self, node: ast.expr, depth: int) -> _Term:
        if depth > DEEPEST_NESTING:
            raise UsageError(f"the expression is nested more than {DEEPEST_NESTING} deep; write it shorter")
        match node:
            case ast.Name(id=key):
                channel = self.channels[self.names[key]]
                return _Term(channel.values, channel.unit)
            case ast.Constant(value=float(value)):
                return _constant(value)
            case ast.UnaryOp(op=ast.UAdd()):
                return self.build(node.operand, depth + 1)
            case ast.UnaryOp(op=ast.USub()):
                return self._negative(self.build(node.operand, depth + 1))
            case ast.BinOp(op=op) if type(op) in _OPERATORS:
                left = self.build(node.left, depth + 1)
                right = self.build(node.right, depth + 1)
                return self._combined(type(op), left, right)
            case ast.Call(func=ast.Name(id=key), args=arguments, keywords=[]) if key.startswith("f_"):
                return self._called(FUNCTIONS[key.removeprefix("f_")], arguments, depth)
        raise UsageError(
            f"the expression '{self.text}' has more in it than names, numbers, functions, + - * / ( )"
        )

    def _called(self, function: ChannelFunction, arguments: list[ast.expr], depth: int) -> _Term:
        if len(arguments) != 1 + len(function.constants):
            raise UsageError(f"in '{self.text}' {function.name} is to be written as {function.usage}")
        inner, *rest = (self.build(one, depth + 1) for one in arguments)
        constants = tuple(one.constant for one in rest if one.constant is not None)
        if inner.constant is not None or len(constants) != len(rest):
            raise UsageError(
                f"in '{self.text}' {function.name} takes a channel and then numbers: {function.usage}"
            )
        read, reach = applied(function, inner.read, constants, self.capture)
        return _Term(read, inner.unit, reach=inner.reach + reach)

    def _negative(self, inner: _Term) -> _Term:
        if inner.constant is not None:
            return _constant(-inner.constant)
        return _Term(lambda start, stop: -inner.read(start, stop), inner.unit, reach=inner.reach)

    def _combined(self, op: type[ast.operator], left: _Term, right: _Term) -> _Term:
        combine = _OPERATORS[op]
        if op is ast.Div and right.constant == 0:
            raise UsageError(f"the expression '{self.text}' divides by zero")
        if left.constant is not None and right.constant is not None:
            value = combine(left.constant, right.constant)
            if not math.isfinite(value):
                raise UsageError(f"a number in the expression '{self.text}' is too large")
            return _constant(value)

        def read(start: int, stop: int) -> Any:
            return combine(left.read(start, stop), right.read(start, stop))

        return _Term(read, _unit(op, left.unit, right.unit), reach=max(left.reach, right.reach))


def _constant(value: float) -> _Term:
    return _Term(lambda start, stop: value, None, value)


def _unit(op: type[ast.operator], left: str | None, right: str | None) -> str:
    """Unit of a combination; empty where two units do not go together."""
    if op in (ast.Add, ast.Sub):
        return (left or right or "") if left is None or right is None or left == right else ""
    if right is None:
        return left or ""
    if op is ast.Mult:
        return right if left is None else "·".join(filter(None, (left, right)))
    if left is None:
        return f"1/{right}" if right else ""
    return "" if left == right else f"{left}/{right}"
