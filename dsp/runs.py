"""The decided symbols of many transmissions, however they were fitted: flat arrays with an offset for each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from dsp.correlate import Complexes, SymbolSums, Turned, cos_sin, log_cosh
from dsp.detect import LONG, WINDOW
from dsp.fits import Fits, Flags, Ints, bridge_lone, groups_of
from dsp.loads import have_levels, levels
from dsp.on_off import OWN_NATS, change_nats, strongest_runs
from dsp.source import Floats

MARGIN = 8
# part of a symbol and of half a turn by which neighbouring windows disagree if they are of two transmissions, and
# the share of them that may
_TIMING_BREAK = 0.2
_PHASE_BREAK = 0.3
_BREAKS = 0.15
# windows that tell whether their clock wanders, deviations of what they tell from which on it does, and symbols that one of
# them lies off at most where it does not
_FEWEST_WINDOWS, _WANDERS, _BESIDE_CLOCK = 6, 3.0, 0.1


@dataclass(frozen=True, eq=False)
class Runs:
    """Symbols of b transmissions, s in all; those of ``i`` are ``offset[i]`` to ``offset[i + 1]``.

    ``starts`` and ``stops`` (s,) are the symbols' edges in samples of the strip; ``symbols`` (s,) the
    correlations turned to the real axis, in units in which ``variance`` gives unit noise in each component;
    ``gains`` (s,) the length a symbol should have, ``templates`` (s,) what one of unit length correlates to,
    ``across`` (s,) the noise it meets across the phase; ``angles`` (s,) the carrier's phase against the turned
    one at each symbol's middle. ``omega`` (b,) is the mean carrier in radians a sample, ``drift`` (b,) whether it
    was followed, ``nats`` (b,) the log-likelihood ratio against silence. ``before`` and ``after`` (b, 8) are the
    correlations beside the transmission, 0 where there are no samples; the outermost comes first.
    """

    turned: Turned
    variance: float
    offset: Ints
    starts: Floats
    stops: Floats
    symbols: Complexes
    gains: Floats
    templates: Complexes
    across: Floats
    angles: Floats
    omega: Floats
    drift: Flags
    nats: Floats
    before: Complexes
    after: Complexes

    def __len__(self) -> int:
        return int(self.omega.size)

    @property
    def count(self) -> Ints:
        return np.diff(self.offset)

    @property
    def first(self) -> Floats:
        """Leading edge of each transmission."""
        return self.starts[self.offset[:-1]]

    @property
    def last(self) -> Floats:
        """Trailing edge of each transmission."""
        return self.stops[self.offset[1:] - 1]

    @property
    def period(self) -> Floats:
        """Mean symbol period of each in samples."""
        return np.asarray((self.last - self.first) / np.maximum(self.count, 1))

    @property
    def owner(self) -> Ints:
        """Transmission that each symbol is of (s,)."""
        return np.repeat(np.arange(len(self)), self.count)

    @property
    def gain(self) -> Floats:
        """Root mean square of the length of each one's symbols."""
        return np.sqrt(np.add.reduceat(self.gains**2, self.offset[:-1]) / np.maximum(self.count, 1))

    @property
    def amplitude(self) -> Floats:
        """Peak of each carrier in the unit of the samples."""
        return np.asarray(self.gain * np.sqrt(2.0 * self.variance / self.period))

    def take(self, rows: Ints | Flags) -> Runs:
        """These transmissions, in this order."""
        picked: Ints = np.arange(len(self))[rows]
        count = self.count[picked]
        offset = np.concatenate(([0], np.cumsum(count)))
        pick = np.arange(offset[-1]) + np.repeat(self.offset[picked] - offset[:-1], count)
        flat = ("starts", "stops", "symbols", "gains", "templates", "across", "angles")
        each = ("omega", "drift", "nats", "before", "after")
        changed: dict[str, Any] = {name: getattr(self, name)[pick] for name in flat}
        changed |= {name: getattr(self, name)[picked] for name in each}
        return replace(self, offset=offset, **changed)


def join(parts: list[Runs]) -> Runs:
    """In order of time; all over the same sums."""
    parts = [p for p in parts if len(p)] or parts[:1]
    if len(parts) == 1:
        whole = parts[0]
    else:
        offset = np.concatenate(([0], np.cumsum(np.concatenate([p.count for p in parts]))))
        names = [name for name in Runs.__dataclass_fields__ if name not in ("turned", "variance", "offset")]
        changed: dict[str, Any] = {name: np.concatenate([getattr(p, name) for p in parts]) for name in names}
        whole = replace(parts[0], offset=offset, **changed)
    return whole.take(np.argsort(whole.first, kind="stable")) if len(whole) else whole


def nats_of(runs: Runs, variance: float | None = None) -> float:
    """Log-likelihood ratio of all symbols against silence, in noise of this variance or of their own."""
    scale = 1.0 if variance is None else runs.variance / variance
    energy = 0.5 * scale * runs.gains**2 * runs.templates.real
    return float(np.sum(log_cosh(scale * runs.gains * runs.symbols.real) - energy))


def nats_in(runs: Runs, variance: float | None = None) -> float:
    """The same less what noise would gain by as many transmissions."""
    return nats_of(runs, variance) - OWN_NATS * len(runs)


def decided(runs: Runs, odds: Floats) -> Runs:
    """With each symbol on the side that its log-``odds`` (s,) of being positive say, taken over all that is in doubt.

    One whose correlation at the likeliest place and phase says otherwise has the value that its odds stand for.
    """
    real = runs.symbols.real
    along = np.where((odds > 0.0) == (real > 0.0), real, odds / (2.0 * runs.gains))
    return replace(runs, symbols=along + 1j * runs.symbols.imag)


def runs_of(fits: Fits) -> Runs:
    """The symbols of transmissions that one fit each covers."""
    total = int(fits.count.sum())
    offset = np.concatenate(([0], np.cumsum(fits.count)))
    starts, stops, gains, across, angles = (np.empty(total) for _ in range(5))
    symbols, templates = (np.empty(total, dtype=np.complex128) for _ in range(2))
    before, after = (np.zeros((len(fits), MARGIN), dtype=np.complex128) for _ in range(2))
    for rows in groups_of(fits.count):
        part = fits.take(rows)
        edges = part.edges(MARGIN, MARGIN)
        y, angle, template, side = _symbols(part, edges)
        k = np.arange(y.shape[1]) - MARGIN
        inside = (k >= 0) & (k < part.count[:, None])
        into = (offset[rows, None] + k)[inside]
        starts[into], stops[into] = edges[:, :-1][inside], edges[:, 1:][inside]
        symbols[into], angles[into] = y[inside], angle[inside]
        templates[into], across[into] = template[inside], side[inside]
        gain = np.broadcast_to(part.gain[:, None], inside.shape)
        gains[into] = _with_loads(y.real, inside, gain, part.count)[inside]
        held = (edges[:, :-1] >= -0.5) & (edges[:, 1:] <= part.turned.length + 0.5)
        y = np.where(held, y, 0.0)
        before[rows] = y[:, :MARGIN]
        column = part.count[:, None] + MARGIN + np.arange(MARGIN)
        after[rows] = np.take_along_axis(y, column, axis=1)
    return Runs(
        fits.turned, fits.variance, offset, starts, stops, symbols, gains, templates, across, angles,
        fits.omega, np.zeros(len(fits), dtype=np.bool_), fits.nats, before, after,
    )  # fmt: skip


def _with_loads(along: Floats, inside: Flags, gain: Floats, count: Ints) -> Floats:
    """The ``gain`` (b, k) that symbols should have, by how strong they are there where that changes."""
    most = int(count.max(initial=0))
    size = np.where(inside, along * np.tanh(gain * along), 0.0)[:, MARGIN : MARGIN + most]
    rows = np.flatnonzero(have_levels(size, count, gain[:, 0]))
    if not rows.size:
        return gain
    gain = gain.copy()
    for row in rows.tolist():
        own = size[row, : count[row]]
        gain[row, MARGIN : MARGIN + count[row]] *= levels(own, float(gain[row, 0]))
    return gain


def _symbols(fits: Fits, edges: Floats) -> tuple[Complexes, Floats, Complexes, Floats]:
    """Symbols turned to the real axis, their angles, what they are due, and the noise across."""
    sums = fits.turned.sums_of(edges)
    angle = np.ascontiguousarray(np.broadcast_to(fits.angles(edges), sums.length.shape))
    y, template, side = turned_symbols(sums, angle, fits.normal(), fits.period[:, None])
    return y, angle, template, side


def turned_symbols(
    sums: SymbolSums, angle: Floats, normal: Floats, period: Floats
) -> tuple[Complexes, Complexes, Floats]:
    cos, sin = cos_sin(angle)
    y = np.empty(sums.z.shape, dtype=np.complex128)
    y.real = (sums.z.real * cos + sums.z.imag * sin) * normal
    y.imag = (sums.z.imag * cos - sums.z.real * sin) * normal
    cos2, sin2 = cos * cos - sin * sin, 2.0 * sin * cos
    re = sums.double_re * cos2 - sums.double_im * sin2
    im = sums.double_re * sin2 + sums.double_im * cos2
    return y, np.asarray((sums.length + re - 1j * im) / period), np.asarray((sums.length - re) / period)


def assemble(windows: Fits, owner: Ints) -> Runs:
    """Long transmissions from their half-overlapping windows of symbols, each fitted by itself.

    Between the middles of windows, phase and timing are interpolated; neighbouring windows share half their
    symbols, which settles the polarity. ``owner`` (windows,) tells which transmission a window is of.
    """
    parts = [_assembled(windows.take(np.flatnonzero(owner == number))) for number in np.unique(owner)]
    return join([p for p in parts if p is not None] or [runs_of(windows.take(np.zeros(0, dtype=np.int64)))])


def _assembled(windows: Fits) -> Runs | None:
    """One transmission; None if nothing of it is likelier than silence."""
    if not _continuous(windows):
        return None
    steps = _steps(windows)
    count = int(windows.count[0])
    centre_k = count // 2 + np.concatenate(([0], np.cumsum(steps)))
    place = windows.start + (windows.count // 2) * windows.period
    middle = _on_one_clock(centre_k, place, float(np.median(windows.period)))
    total = int(centre_k[-1] + windows.count[-1] - windows.count[-1] // 2)
    k = np.arange(-MARGIN, total + MARGIN + 1)
    edges = np.interp(k, centre_k, middle)
    head, tail = k < centre_k[0], k > centre_k[-1]
    edges[head] = middle[0] - (centre_k[0] - k[head]) * _outward(middle, centre_k, float(windows.period[0]))
    edges[tail] = middle[-1] + (k[tail] - centre_k[-1]) * _outward(
        middle[::-1], centre_k[::-1], float(windows.period[-1])
    )
    turned = windows.turned
    # windows of a wrong period may cross: no symbol is there
    crossed = np.diff(edges) <= 0.0
    mids, lengths = (edges[:-1] + edges[1:]) / 2.0, np.where(crossed, 1.0, np.diff(edges))
    angle, gains = _blend(windows, middle, mids)
    normal = 1.0 / np.sqrt(windows.variance * lengths / 2.0)
    y, template, side = turned_symbols(turned.sums_of(edges), angle, normal, lengths)
    nats = log_cosh(gains * y.real) - 0.5 * gains**2 * template.real
    period = float(np.median(windows.period))
    low, high = float(windows.low.min()), float(windows.high.max())
    barred = crossed | (edges[:-1] < low - 0.5 * period) | (edges[1:] > high + 0.5 * period)
    # the longer a run, the more places there are where noise alone may make it fall
    places = np.log(max(1.0, nats.size / LONG))
    gain = np.array([float(np.median(gains))])
    told = nats[None, :].copy()
    bridge_lone(told, gain)
    told[:, barred] = -1e9
    first, last, _ = strongest_runs(told, change_nats(gain) + places)
    a, b = int(first[0]), int(last[0])
    if b - a < 2:
        return None
    margins: Complexes = np.concatenate((np.zeros(MARGIN, np.complex128), y, np.zeros(MARGIN, np.complex128)))
    cut = slice(a, b)
    # what the phase turns by all along tells the carrier far better than the mean of what windows say
    lever = mids[cut] - mids[cut].mean()
    omega = turned.omega + float(lever @ angle[cut] / (lever @ lever))
    return Runs(
        turned, windows.variance, np.array([0, b - a]), edges[a:b], edges[a + 1 : b + 1], y[cut], gains[cut],
        template[cut], side[cut], angle[cut], np.array([omega]), np.array([True]), np.array([nats[cut].sum()]),
        margins[a : a + MARGIN][None, :], margins[b + MARGIN : b + 2 * MARGIN][None, :],
    )  # fmt: skip


def _on_one_clock(number: Ints, middle: Floats, period: float) -> Floats:
    """Places of windows, symbols of these numbers, on the straight line through them, if they tell no other clock; else as
    they are (n,).

    Each by itself is some tenths of a sample off. They wander if they lie farther from the line than those that share no
    symbols differ from one to the next (von Neumann 1941).
    """
    if middle.size < _FEWEST_WINDOWS:
        return middle
    lever = number - number.mean()
    line = np.asarray(middle.mean() + lever * float(lever @ middle) / float(lever @ lever))
    off = middle - line
    steps = off[4:] - 2.0 * off[2:-2] + off[:-4]
    # the variance of so many, and of so many of them that are their own
    noise, own = float(np.mean(steps**2)) / 6.0, 0.5 * middle.size
    wanders = float(np.mean(off**2)) > (1.0 + _WANDERS / np.sqrt(own)) * noise
    return middle if wanders or float(np.abs(off).max()) > _BESIDE_CLOCK * period else line


def _outward(middle: Floats, centre_k: Ints, period: float) -> float:
    """Samples a symbol beyond the first of windows: as far in as the first one reaches, since the last two may lie so
    close together that their distance is mostly error."""
    far = np.flatnonzero(np.abs(centre_k - centre_k[0]) >= WINDOW // 2)
    if not far.size:
        return period
    return max(1.0, float((middle[far[0]] - middle[0]) / (centre_k[far[0]] - centre_k[0])))


def breaks(windows: Fits) -> Flags:
    """Where timing or phase do not go on from a window to the next (windows - 1,), as they do within a transmission."""
    middle = windows.start + (windows.count // 2) * windows.period
    period = 0.5 * (windows.period[1:] + windows.period[:-1])
    off = np.diff(middle) / period
    here = 0.5 * (middle[1:] + middle[:-1])
    before, after = (
        windows.phase[at] + windows.detune[at] * (here - windows.centre[at])
        for at in (slice(None, -1), slice(1, None))
    )
    # half a turn is a polarity
    turn = (after - before) / np.pi
    return np.asarray(
        (np.abs(off - np.rint(off)) > _TIMING_BREAK) | (np.abs(turn - np.rint(turn)) > _PHASE_BREAK)
    )


def _continuous(windows: Fits) -> bool:
    """Whether windows can be of one transmission; as many may disagree with their neighbours as chance makes."""
    return len(windows) < 2 or bool(np.count_nonzero(breaks(windows)) <= _BREAKS * len(windows))


def _steps(windows: Fits) -> Ints:
    """Symbols between the middles of neighbouring windows, by how far they lie apart."""
    middle = windows.start + (windows.count // 2) * windows.period
    period = np.minimum(windows.period[1:], windows.period[:-1])
    return np.maximum(1, np.rint(np.diff(middle) / period).astype(np.int64))


def _blend(windows: Fits, middle: Floats, mids: Floats) -> tuple[Floats, Floats]:
    """Carrier angle and gain at each symbol's middle from the windows around it."""
    shift = np.zeros(len(windows))
    for i in range(1, len(windows)):
        here = (middle[i - 1] + middle[i]) / 2.0
        one, other = (
            windows.phase[j] + shift[j] + windows.detune[j] * (here - windows.centre[j]) for j in (i - 1, i)
        )
        # whole half turns between the two descriptions: polarity and cycles
        shift[i] = np.pi * np.rint((one - other) / np.pi)
    place = np.clip(np.interp(mids, middle, np.arange(len(windows))), 0, len(windows) - 1)
    low = np.minimum(place.astype(np.int64), max(0, len(windows) - 2))
    high = np.minimum(low + 1, len(windows) - 1)
    part = place - low

    def along(j: Ints) -> Floats:
        return np.asarray(
            windows.phase[j] + shift[j] + windows.detune[j] * (mids - windows.centre[j]), dtype=np.float64
        )

    gain = windows.gain
    return (
        along(low) * (1.0 - part) + along(high) * part,
        gain[low] * (1.0 - part) + gain[high] * part,
    )
