"""Axes and marks of a picture as SVG, by plain code."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from app.report.markup import Element, element

# Okabe and Ito, Color Universal Design, 2008; the light yellow is left out, being faint on white
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
DASHES = ("", "6 3", "2 2", "8 2 2 2", "1 3", "4 4")
INK = "#222222"
# thousands of strokes side by side: lighter, so that printing it takes little ink
TRACE = "#7A7A7A"
FAINT = "#BBBBBB"

_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}
_LEFT, _RIGHT, _TOP, _BOTTOM = 64.0, 12.0, 10.0, 38.0
_SCALED_UNITS = ("s", "Hz", "V", "A", "Bd")


@dataclass(frozen=True)
class Axis:
    """From ``low`` to ``high`` in ``unit``; SI prefixes are chosen for the units that take them.

    ``without_sign`` writes an axis of negative numbers, which counts from above, without their sign.
    """

    low: float
    high: float
    name: str
    unit: str = ""
    without_sign: bool = False

    @property
    def power(self) -> int:
        largest = max(abs(self.low), abs(self.high))
        if self.unit not in _SCALED_UNITS or largest == 0 or not math.isfinite(largest):
            return 0
        return max(-12, min(12, 3 * math.floor(math.log10(largest) / 3)))

    @property
    def title(self) -> str:
        unit = f"{_PREFIXES[self.power]}{self.unit}"
        return f"{self.name} / {unit}" if unit else self.name

    def ticks(self, about: int) -> list[float]:
        """Round values within the axis, some ``about`` of them."""
        width = self.high - self.low
        if not (math.isfinite(width) and width > 0):
            return [self.low]
        rough = width / max(about, 1)
        size = 10.0 ** math.floor(math.log10(rough))
        step = next(size * n for n in (1, 2, 5, 10) if size * n >= rough * 0.999)
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return [n * step for n in range(first, last + 1)]

    def label(self, value: float, step: float) -> str:
        scale = 10.0**-self.power
        decimals = max(0, min(9, -math.floor(math.log10(step * scale) + 1e-9))) if step > 0 else 0
        text = f"{(abs(value) if self.without_sign else value) * scale:.{decimals}f}"
        return "0" if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


class Plot:
    """A picture with two axes. Coordinates given are those of the axes; what lies outside is clipped."""

    def __init__(
        self, name: str, x: Axis, y: Axis, *, width: float = 720, height: float = 220, about: str = ""
    ) -> None:
        self.x, self.y = _widened(x), _widened(y)
        self.width, self.height = width, height
        self.root = element(
            "svg",
            element("title", about or name),
            viewBox=f"0 0 {width:g} {height:g}",
            role="img",
            xmlns="http://www.w3.org/2000/svg",
            font_size="11",
        )
        self._clip = f"clip-{name}"
        box = self._rectangle(_LEFT, _TOP, self._inner_width, self._inner_height)
        self.root.append(element("defs", element("clipPath", box, id=self._clip)))
        self._draw_axes()
        self.body = element("g", clip_path=f"url(#{self._clip})")
        self.root.append(self.body)

    @property
    def _inner_width(self) -> float:
        return self.width - _LEFT - _RIGHT

    @property
    def _inner_height(self) -> float:
        return self.height - _TOP - _BOTTOM

    def at_x(self, value: float) -> float:
        return _LEFT + (value - self.x.low) / (self.x.high - self.x.low) * self._inner_width

    def at_y(self, value: float) -> float:
        return _TOP + (self.y.high - value) / (self.y.high - self.y.low) * self._inner_height

    def line(
        self, xs: Sequence[float], ys: Sequence[float], colour: str = COLOURS[0], **more: object
    ) -> None:
        """A line through the points, parted where one is no number."""
        path = []
        pen = "M"
        for x, y in zip(xs, ys, strict=True):
            if not (math.isfinite(x) and math.isfinite(y)):
                pen = "M"
                continue
            path.append(f"{pen}{self.at_x(x):.2f} {self._within(self.at_y(y)):.2f}")
            pen = "L"
        style: dict[str, object] = {"stroke": colour, "stroke_width": 1, "fill": "none"}
        self.body.append(element("path", d="".join(path), **(style | more)))

    def envelope(
        self, xs: Sequence[float], lows: Sequence[float], highs: Sequence[float], colour: str
    ) -> None:
        """A vertical stroke from low to high at each ``x``."""
        strokes = []
        for x, low, high in zip(xs, lows, highs, strict=True):
            if math.isfinite(low) and math.isfinite(high):
                top, bottom = self._within(self.at_y(high)), self._within(self.at_y(low))
                strokes.append(f"M{self.at_x(x):.2f} {top:.2f}V{max(bottom, top + 0.8):.2f}")
        self.body.append(element("path", d="".join(strokes), stroke=colour, stroke_width=1, fill="none"))

    def points(self, xs: Sequence[float], ys: Sequence[float], colour: str, radius: float = 2.5) -> None:
        for x, y in zip(xs, ys, strict=True):
            if math.isfinite(x) and math.isfinite(y):
                self.body.append(
                    element(
                        "circle", cx=f"{self.at_x(x):.2f}", cy=f"{self.at_y(y):.2f}", r=radius, fill=colour
                    )
                )

    def bars(self, edges: Sequence[float], heights: Sequence[float], colour: str) -> None:
        for left, right, height in zip(edges, edges[1:], heights, strict=False):
            if height > 0:
                top = self.at_y(height)
                x = self.at_x(left)
                box = self._rectangle(x, top, max(self.at_x(right) - x - 0.5, 0.5), self.at_y(0.0) - top)
                box.set("fill", colour)
                self.body.append(box)

    def shade(self, low: float, high: float, colour: str, opacity: float = 0.18) -> None:
        """A stretch of the x axis."""
        left, right = self.at_x(low), self.at_x(high)
        box = self._rectangle(left, _TOP, max(right - left, 0.8), self._inner_height)
        box.set("fill", colour)
        box.set("fill-opacity", f"{opacity:g}")
        self.body.append(box)

    def upright(
        self, x: float, colour: str = INK, *, dash: str = "", top: float = 0.0, bottom: float = 1.0
    ) -> None:
        """A vertical line at ``x`` from ``top`` to ``bottom``, as fractions of the height from above."""
        at = f"{self.at_x(x):.2f}"
        y1, y2 = (_TOP + part * self._inner_height for part in (top, bottom))
        line = element("line", x1=at, x2=at, y1=f"{y1:.2f}", y2=f"{y2:.2f}", stroke=colour, stroke_width=1)
        if dash:
            line.set("stroke-dasharray", dash)
        self.body.append(line)

    def box(self, low: float, high: float, top: float, bottom: float, **style: object) -> None:
        """A rectangle over a stretch of the x axis; ``top`` and ``bottom`` as fractions of the height from above."""
        left = self.at_x(low)
        y = _TOP + top * self._inner_height
        made = self._rectangle(left, y, max(self.at_x(high) - left, 0.3), (bottom - top) * self._inner_height)
        for name, value in style.items():
            made.set(name.rstrip("_").replace("_", "-"), str(value))
        self.body.append(made)

    def text(
        self, x: float, height: float, words: str, *, anchor: str = "middle", size: float = 11, **more: object
    ) -> None:
        """Words at ``x``; ``height`` is a fraction of the picture's height from above."""
        y = _TOP + height * self._inner_height
        style: dict[str, object] = {"text_anchor": anchor, "font_size": f"{size:g}", "fill": INK}
        self.body.append(element("text", words, x=f"{self.at_x(x):.2f}", y=f"{y:.2f}", **(style | more)))

    def _within(self, y: float) -> float:
        return min(max(y, -10.0), self.height + 10.0)

    def _rectangle(self, x: float, y: float, width: float, height: float) -> Element:
        return element("rect", x=f"{x:.2f}", y=f"{y:.2f}", width=f"{width:.2f}", height=f"{height:.2f}")

    def _draw_axes(self) -> None:
        marks: list[str] = []
        words: list[Element] = []
        xs, ys = self.x.ticks(8), self.y.ticks(max(2, int(self._inner_height / 40)))
        bottom, right = _TOP + self._inner_height, _LEFT + self._inner_width
        for x in xs:
            at = self.at_x(x)
            marks.append(f"M{at:.2f} {_TOP:g}V{bottom:.2f}")
            words.append(
                element(
                    "text",
                    self.x.label(x, _step(xs)),
                    x=f"{at:.2f}",
                    y=f"{bottom + 14:.2f}",
                    text_anchor="middle",
                )
            )
        for y in ys:
            at = self.at_y(y)
            marks.append(f"M{_LEFT:g} {at:.2f}H{right:.2f}")
            words.append(
                element(
                    "text",
                    self.y.label(y, _step(ys)),
                    x=f"{_LEFT - 5:g}",
                    y=f"{at + 4:.2f}",
                    text_anchor="end",
                )
            )
        self.root.append(element("path", d="".join(marks), stroke=FAINT, stroke_width="0.5", fill="none"))
        frame = self._rectangle(_LEFT, _TOP, self._inner_width, self._inner_height)
        frame.set("fill", "none")
        frame.set("stroke", INK)
        frame.set("stroke-width", "0.8")
        self.root.append(frame)
        for one in words:
            self.root.append(one)
        middle = _LEFT + self._inner_width / 2
        self.root.append(
            element("text", self.x.title, x=f"{middle:.1f}", y=f"{self.height - 6:g}", text_anchor="middle")
        )
        up = _TOP + self._inner_height / 2
        self.root.append(
            element(
                "text", self.y.title, transform=f"translate(13 {up:.1f}) rotate(-90)", text_anchor="middle"
            )
        )


def span_of(values: Iterable[float], margin: float = 0.06) -> tuple[float, float]:
    """Least and largest finite value, with a margin on either side."""
    finite = [value for value in values if math.isfinite(value)]
    if not finite:
        return 0.0, 1.0
    low, high = min(finite), max(finite)
    room = margin * (high - low) or abs(high) * 0.05 or 1.0
    return low - room, high + room


def _widened(axis: Axis) -> Axis:
    if axis.high > axis.low:
        return axis
    room = abs(axis.low) * 1e-3 or 1.0
    return replace(axis, low=axis.low - room, high=axis.high + room)


def _step(ticks: Sequence[float]) -> float:
    return ticks[1] - ticks[0] if len(ticks) > 1 else abs(ticks[0]) if ticks else 1.0
