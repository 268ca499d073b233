"""Pictures of rows: time folded at a period, bursts laid on one another, and how far apart flips are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dsp.errors import BadInputError
from dsp.picture_phase import line_phase
from dsp.probe import Floats, carrier_at, values_at
from dsp.source import Record


@dataclass(frozen=True, eq=False)
class Rows:
    """``values`` of shape (rows, columns), row ``r`` beginning at ``starts_s[r]``; columns are evenly spaced over
    ``length_s``. ``left_out`` is how many rows there would have been beyond those."""

    values: Floats
    starts_s: Floats
    length_s: float
    left_out: int


def folded(
    record: Record, start_s: float, end_s: float, period_s: float, *, most: int = 400, columns: int = 240
) -> Rows:
    """The trace cut into rows of one period, each less its own mean, one under another.

    Every row begins ``period_s`` after the one before. A row that is turned over shows the other sign throughout,
    provided the period is a whole number of carrier cycles. At most ``most`` rows, from the start on.

    Raises
    ------
    BadInputError : the span is shorter than one period, or the period not positive.
    """
    if not period_s > 0 or end_s - start_s < period_s:
        raise BadInputError("the span is shorter than one fold")
    # a row that only rounding keeps from being whole is whole
    count = int((end_s - start_s) / period_s + 1e-9)
    starts = start_s + np.arange(min(count, most), dtype=np.float64) * period_s
    times = starts[:, None] + (np.arange(columns) + 0.5) / columns * period_s
    return Rows(_centred(values_at(record, times)), starts, period_s, max(count - most, 0))


def stacked(
    record: Record,
    starts_s: Sequence[float],
    length_s: float,
    *,
    carrier_hz: float | None = None,
    most: int = 200,
    columns: int = 1200,
) -> Rows:
    """Bursts aligned on ``starts_s``, a row each, shape (bursts, columns): as voltage less its mean, or with
    ``carrier_hz`` as the carrier's projection on its own phase, the first symbol counted as positive, in multiples of
    the burst's usual amplitude, so that the weak ones show as well.

    Raises
    ------
    BadInputError : no burst, or a length that is not positive.
    """
    if not starts_s or not length_s > 0:
        raise BadInputError("there is no burst to lay on another")
    starts = np.asarray(starts_s, np.float64)[:most]
    offsets = (np.arange(columns) + 0.5) / columns * length_s
    times = starts[:, None] + offsets
    if carrier_hz is None:
        values = _centred(values_at(record, times))
    else:
        z = carrier_at(record, times, carrier_hz)
        values = np.full(z.shape, np.nan)
        for row in range(starts.size):
            turned = (z[row] * np.exp(-1j * line_phase(z[row]))).real
            usual = float(np.nanmedian(np.abs(turned))) if np.isfinite(turned).any() else 0.0
            values[row] = turned / usual if usual > 0 else turned
        lead = values[:, : max(columns // 40, 2)]
        values *= np.where(np.nansum(lead, axis=1) < 0, -1.0, 1.0)[:, None]
    return Rows(values, starts, length_s, max(len(starts_s) - most, 0))


def flip_intervals(flips_s: Sequence[Sequence[float]], carrier_hz: float) -> Floats:
    """Carrier cycles from each flip to the next of the same burst, shape (intervals,); none reaches across bursts."""
    steps = [np.diff(np.sort(np.asarray(one, np.float64))) * carrier_hz for one in flips_s if len(one) > 1]
    return np.concatenate(steps) if steps else np.zeros(0)


def interval_bins(
    intervals: Floats, *, symbol_cycles: float | None = None, most: int = 400
) -> tuple[Floats, Floats]:
    """Edges, shape (bins + 1,), and counts, shape (bins,), of a histogram of intervals in cycles.

    The bins are an eighth of a symbol wide and centred on whole symbols, or a quarter cycle without a symbol period;
    wider where there would be more than ``most``.
    """
    if not intervals.size:
        return np.zeros(1), np.zeros(0)
    width = symbol_cycles / 8 if symbol_cycles else 0.25
    width *= max(1.0, np.ceil(float(intervals.max()) / width / most))
    first = np.floor(float(intervals.min()) / width + 0.5) - 0.5
    bins = int(np.ceil(float(intervals.max()) / width - first))
    edges = (first + np.arange(max(bins, 1) + 1)) * width
    counts, _ = np.histogram(intervals, edges)
    return edges, counts.astype(np.float64)


def _centred(values: Floats) -> Floats:
    finite = np.isfinite(values)
    means = np.where(finite, values, 0.0).sum(axis=1) / np.maximum(finite.sum(axis=1), 1)
    centred: Floats = values - means[:, None]
    return centred
