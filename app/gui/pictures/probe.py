"""The keyboard's twin of the mouse pointer in a picture: a place that arrow keys move, and what it means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from app.gui.pictures.api import Picture, Pixels, Place, Points
from app.model.quantity import format_value

_SMALL, _LARGE = 0.01, 0.1  # of what is shown

Span = tuple[float, float]


@dataclass(frozen=True)
class Probe:
    """Where in the axes of a picture the keyboard points."""

    x: float
    y: float


def first_probe(picture: Picture, x: Span, y: Span) -> Probe:
    """In the middle of what is shown; where there are points, on the nearest to that."""
    middle = Probe((x[0] + x[1]) / 2, (y[0] + y[1]) / 2)
    at = _points(picture)
    if at is None:
        return middle
    distance = np.hypot((at[0] - middle.x) / (x[1] - x[0]), (at[1] - middle.y) / (y[1] - y[0]))
    k = int(np.argmin(distance))
    return Probe(float(at[0][k]), float(at[1][k]))


def moved(
    picture: Picture, probe: Probe, step: tuple[int, int], x: Span, y: Span, *, far: bool = False
) -> Probe:
    """One step to the right or left, up or down: to the next point where there are points, to the next row of an
    image, else a hundredth of what is shown, ``far`` a tenth."""
    at = _points(picture)
    if at is not None:
        return _next_point(at, probe, step, 10 if far else 1)
    share = _LARGE if far else _SMALL
    image = next((one for one in picture.layers if isinstance(one, Pixels)), None)
    new_x = probe.x + step[0] * share * (x[1] - x[0])
    if image is not None:
        # rows count from the top
        rows = image.values.shape[0]
        row = int(np.clip(np.floor(probe.y) - step[1] * (10 if far else 1), 0, rows - 1))
        return Probe(min(max(new_x, image.x[0]), image.x[1]), row + 0.5)
    new_y = probe.y + step[1] * share * (y[1] - y[0])
    return Probe(min(max(new_x, x[0]), x[1]), min(max(new_y, y[0]), y[1]))


def value_text(picture: Picture, probe: Probe) -> str:
    """Where the probe is, in the units of the axes."""
    words = [f"{picture.x_label} {format_value(probe.x, picture.x_unit, 5)}".strip()]
    if any(isinstance(one, Pixels) for one in picture.layers):
        words.append(f"row {int(probe.y) + 1}")
    else:
        words.append(f"{picture.y_label} {format_value(probe.y, picture.y_unit, 4)}".strip())
    return ", ".join(words)


def meaning(place: Place | None, verb: str) -> str:
    """What a click, or Return, does at a place; empty if nothing."""
    if place is None:
        return ""
    parts = []
    if place.burst is not None:
        parts.append(f"select burst {place.burst + 1}")
    if place.time_s is not None:
        parts.append(f"bring the cursor to {format_value(place.time_s, 's')}")
    return f"{verb}: {', '.join(parts)}" if parts else ""


def _points(picture: Picture) -> tuple[np.ndarray, np.ndarray] | None:
    layers = [one for one in picture.layers if isinstance(one, Points)]
    if not layers:
        return None
    x = np.concatenate([one.x for one in layers])
    y = np.concatenate([one.y for one in layers])
    finite = np.isfinite(x) & np.isfinite(y)
    return (x[finite], y[finite]) if finite.any() else None


def _next_point(at: tuple[np.ndarray, np.ndarray], probe: Probe, step: tuple[int, int], count: int) -> Probe:
    """In the order along the axis of the step; points of one value follow one another along the other axis."""
    first, second = (at[0], at[1]) if step[0] else (at[1], at[0])
    order = np.lexsort((second, first))
    here = int(np.argmin(np.hypot(_scaled(at[0], probe.x), _scaled(at[1], probe.y))[order]))
    there = order[int(np.clip(here + count * (step[0] or step[1]), 0, order.size - 1))]
    return Probe(float(at[0][there]), float(at[1][there]))


def _scaled(values: np.ndarray, about: float) -> np.ndarray:
    scaled: np.ndarray = (values - about) / (float(np.ptp(values)) or 1.0)
    return scaled
