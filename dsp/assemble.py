"""From fitted talkers to the bursts that are reported."""

from __future__ import annotations

import gc
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np

from dsp.fits import Ints
from dsp.linecode import to_bits
from dsp.outcome import Link
from dsp.period import period_through
from dsp.pool import carrier_std, group_talkers
from dsp.results import Burst, DecodeSettings
from dsp.source import Floats, Record
from dsp.talkers import Talker
from dsp.told import CELL_CODES, are_no_cells, broken_cells

_TO_DB = 20.0 / math.log(10.0)


@dataclass(frozen=True)
class _Shared:
    """What the bursts of a talker have in common, over all strips: number and carrier, if they share one."""

    number: int
    carrier_hz: float | None
    carrier_std_hz: float | None


def bursts_of(record: Record, links: tuple[Link, ...], settings: DecodeSettings) -> tuple[Burst, ...]:
    """Every run as a burst, in time order; talkers are numbered over all links by when they are first heard."""
    out: list[Burst] = []
    number = 0
    for link in links:
        shared = _numbered(record, link, number)
        number += 1 + max((s.number - number for s in shared), default=-1)
        with _uncollected():
            for talker, common in zip(link.talkers, shared, strict=True):
                out.extend(_bursts(record, link, talker, common, settings))
    out.sort(key=lambda burst: burst.start_s)
    order: dict[int, int] = {}
    for burst in out:
        if burst.talker is not None:
            order.setdefault(burst.talker, len(order))
    if all(number == first for first, number in order.items()):
        return tuple(out)
    return tuple(_renumbered(burst, order) for burst in out)


@contextmanager
def _uncollected() -> Iterator[None]:
    """Without the collector of cycles, which would go through millions of results again and again and find none."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on and not gc.get_freeze_count():
            # among what is old already, as if it had been looked at
            gc.freeze()
            gc.unfreeze()
        if was_on:
            gc.enable()


def _made(**values: Any) -> Burst:
    """A burst of all its fields. To set one after the other, as a frozen class does, takes a third of the time of
    making thousands."""
    burst = object.__new__(Burst)
    vars(burst).update(values)
    return burst


def _renumbered(burst: Burst, order: dict[int, int]) -> Burst:
    from dataclasses import replace

    if burst.talker is None or order[burst.talker] == burst.talker:
        return burst
    return replace(burst, talker=order[burst.talker])


def _numbered(record: Record, link: Link, first: int) -> list[_Shared]:
    """Number the talkers of a link from ``first`` on; those of several strips may be one."""
    to_hz = record.rate_hz / (2.0 * math.pi)
    talkers = link.talkers
    if all(t.strip is talkers[0].strip for t in talkers):
        return [
            _Shared(
                first + i,
                None if t.carrier is None else t.carrier * to_hz,
                None if t.carrier_std is None else t.carrier_std * to_hz,
            )
            for i, t in enumerate(talkers)
        ]
    weight = [t.runs.gain**2 * t.runs.count**3.0 for t in talkers]
    omega = np.array(
        [float(np.sum(w * t.runs.omega) / np.sum(w)) for w, t in zip(weight, talkers, strict=True)]
    )
    omega_u = np.array(
        [
            float(np.sum(carrier_std(t.runs.gain, t.runs.count, t.runs.period) ** -2.0)) ** -0.5
            for t in talkers
        ]
    )
    amplitude = np.array([float(np.mean(t.runs.amplitude)) for t in talkers])
    total = np.array([float(np.sum(t.runs.gain**2 * t.runs.count)) for t in talkers])
    # a carrier wanders more between strips than within one
    spread = np.hypot(omega_u, 1e-5 * omega)
    groups = np.array(group_talkers(amplitude, amplitude / np.sqrt(total), omega, spread))
    out: list[_Shared] = []
    for i, talker in enumerate(talkers):
        mine = np.flatnonzero(groups == groups[i])
        if talker.carrier is None:
            out.append(_Shared(first + int(groups[i]), None, None))
            continue
        w = 1.0 / omega_u[mine] ** 2
        mean = float(np.sum(w * omega[mine]) / w.sum())
        agree = float(np.sum(w * (omega[mine] - mean) ** 2)) < mine.size + 4.0 * math.sqrt(2.0 * mine.size)
        if agree:
            out.append(_Shared(first + int(groups[i]), mean * to_hz, float(w.sum()) ** -0.5 * to_hz))
        else:
            std = omega_u[i] if talker.carrier_std is None else talker.carrier_std
            out.append(_Shared(first + int(groups[i]), talker.carrier * to_hz, float(std) * to_hz))
    return out


def _bursts(
    record: Record, link: Link, talker: Talker, common: _Shared, settings: DecodeSettings
) -> list[Burst]:
    """The bursts of one talker; figures are made for all of them at once, since there may be thousands."""
    runs, strip, rate = talker.runs, talker.strip, record.rate_hz
    to_hz = rate / (2.0 * math.pi)
    shift = strip.shift(0.5 * (runs.first + runs.last))
    part = strip.part(0.5 * (runs.first + runs.last))
    count, gain = runs.count, runs.gain
    period, period_std = _periods(link, talker)
    carrier_hz = runs.omega * to_hz
    carrier_u = carrier_std(gain, count, runs.period) * to_hz
    if common.carrier_hz is not None and common.carrier_std_hz is not None:
        carrier_hz = np.full(len(runs), common.carrier_hz)
        carrier_u = np.full(len(runs), common.carrier_std_hz) if strip.wander is None else carrier_u
    if strip.wander is not None:
        # how it wanders is known from the same symbols, no better than from each transmission's own
        carrier_hz = carrier_hz + to_hz * strip.wander.omega_at(0.5 * (runs.first + runs.last) + shift)
    positive = runs.symbols.real > 0.0
    sure = _confidence(talker)
    same = positive == np.repeat(positive[runs.offset[:-1]], count)
    text = np.where(same, np.uint8(ord("1")), np.uint8(ord("0"))).tobytes().decode()
    cut_start = strip.at_first[part] & (runs.first - strip.begins[part] < 0.6 * runs.period)
    cut_end = strip.at_last[part] & (strip.ends[part] - runs.last < 0.6 * runs.period)
    known = 0.5 / max(1, talker.fitness.symbols)
    esn0_db = 10.0 * np.log10(talker.matched * gain * gain / 2.0)
    esn0_std = _TO_DB * np.sqrt(1.0 / (count * gain * gain) + known)
    times = _Times(record, shift, part, strip.origins)
    columns = zip(
        times.of(runs.first).tolist(),
        times.of(runs.last).tolist(),
        talker.ends.start_probability.tolist(),
        talker.ends.end_probability.tolist(),
        cut_start.tolist(),
        cut_end.tolist(),
        runs.amplitude.tolist(),
        (runs.amplitude / (gain * np.sqrt(count))).tolist(),
        carrier_hz.tolist(),
        carrier_u.tolist(),
        (rate / period).tolist(),
        (rate * period_std / period**2).tolist(),
        (carrier_hz * period / rate).tolist(),
        esn0_db.tolist(),
        esn0_std.tolist(),
        (rate / np.maximum(carrier_hz, 1e-12 * rate)).tolist(),
        strict=True,
    )
    flips = talker.flips
    owner = np.repeat(np.arange(len(runs)), np.diff(flips.offset))
    where, low, high = (tuple(times.of(at, owner).tolist()) for at in (flips.where, flips.low, flips.high))
    # parts of tuples are tuples, without a list of each
    between = tuple(zip(low, high, strict=True))
    sure_each, at, flip_at = tuple(sure.tolist()), runs.offset.tolist(), flips.offset.tolist()
    line_code = settings.line_code or "plain"
    has_cells = line_code in CELL_CODES
    rivals = tuple(rate / other for other in link.rivals)
    shared = _shared_note(talker)
    out = []
    for i, row in enumerate(columns):
        symbols = text[at[i] : at[i + 1]]
        span = slice(flip_at[i], flip_at[i + 1])
        out.append(
            _made(
                start_s=row[0],
                end_s=row[1],
                start_probability=row[2],
                end_probability=row[3],
                cut_at_start=row[4],
                cut_at_end=row[5],
                talker=common.number,
                amplitude=row[6],
                amplitude_std=row[7],
                carrier_hz=row[8],
                carrier_std_hz=row[9],
                symbol_rate_bd=row[10],
                symbol_rate_std_bd=row[11],
                symbol_rate_alternatives_bd=rivals,
                cycles_per_symbol=row[12],
                esn0_db=row[13],
                esn0_std_db=row[14],
                first_symbol_s=row[0],
                flips_s=where[span],
                flips_interval_s=between[span],
                bits_per_symbol=1,
                symbols=symbols,
                confidence=sure_each[at[i] : at[i + 1]],
                line_code=line_code,
                bits=to_bits(symbols, line_code, settings.polarity),
                characters=None,
                warnings=_warnings(row[4], row[5], row[15])
                + shared
                + (_code_note(symbols, line_code) if has_cells else ()),
            )
        )
    return out


def _confidence(talker: Talker) -> Floats:
    """Probability (symbols,) that each sign is right; one that is as likely wrong is at least even."""
    y = talker.runs.symbols.real
    odds = np.where(y > 0.0, talker.odds, -talker.odds) / talker.fitness.noise
    return np.asarray(1.0 / (1.0 + np.exp(-np.maximum(odds, 0.0))))


@dataclass(frozen=True, eq=False)
class _Times:
    """From positions in a strip to the time axis of the record's stretches."""

    record: Record
    shift: Ints
    part: Ints
    origins: Ints

    def of(self, position: Floats, owner: Ints | None = None) -> Floats:
        """Times of positions, each of the run ``owner`` (default: one for each run)."""
        stretches = self.record.stretches
        firsts = np.array([s.first for s in stretches])
        starts = np.array([s.start_s for s in stretches])
        origin = self.origins[self.part]
        number = np.searchsorted(firsts, origin, "right") - 1
        shift, first, start = self.shift, firsts[number], starts[number]
        if owner is not None:
            shift, first, start = shift[owner], first[owner], start[owner]
        return np.asarray(start + (position + shift - first) / self.record.rate_hz)


def _periods(link: Link, talker: Talker) -> tuple[Floats, Floats]:
    """Symbol period and its standard uncertainty for each run: its own where it was followed."""
    runs = talker.runs
    shared = talker.period or link.period
    value, std = np.full(len(runs), shared.value), np.full(len(runs), shared.std)
    for row in np.flatnonzero(runs.drift).tolist():
        value[row], std[row] = _own_period(talker, row)
    return value, std


def _own_period(talker: Talker, row: int) -> tuple[float, float]:
    """Period and standard uncertainty of one run by the instants of its flips, where it has any; how far it reaches says
    less, since its ends may rest.

    An edge is known to ``0.7 / g^2`` of a symbol, and no better than the scatter of the flips.
    """
    runs, flips = talker.runs, talker.flips
    period, count, gain = float(runs.period[row]), int(runs.count[row]), float(runs.gain[row])
    edge = period * max(1e-9, 0.7 / (1.0 + gain**2))
    where = flips.where[flips.offset[row] : flips.offset[row + 1]]
    starts = runs.starts[runs.offset[row] : runs.offset[row + 1]]
    number = np.rint(np.interp(where, starts, np.arange(starts.size)))
    found = period_through(where, number, np.zeros(where.size, dtype=np.int64), np.full(where.size, edge))
    return (found.value, found.std) if found is not None else (period, edge / max(count, 1))


def _shared_note(talker: Talker) -> tuple[str, ...]:
    if talker.ends.shared is None:
        return ()
    return (
        f"this talker's bursts share their length, most often {talker.ends.shared} symbols, which was used "
        "to decide where each begins and ends",
    )


def _code_note(symbols: str, line_code: str) -> tuple[str, ...]:
    broken = broken_cells(symbols, line_code)
    if not broken:
        return ()
    cells = len(symbols) // 2
    why = "this is no Manchester code as told" if are_no_cells(broken, cells) else "symbols are wrong there"
    return (f"{broken} of {cells} cells do not change in their middle: {why}",)


def _warnings(cut_start: bool, cut_end: bool, samples_per_cycle: float) -> tuple[str, ...]:
    out = []
    if cut_start:
        out.append("the capture begins within this burst: its first symbols may be missing")
    if cut_end:
        out.append("the capture ends within this burst: its last symbols may be missing")
    if samples_per_cycle < 5.0:
        out.append(
            f"only {samples_per_cycle:.1f} samples a carrier cycle: a carrier above half the sample rate "
            "that was folded back cannot be told from this one"
        )
    return tuple(out)
