"""From fitted runs to the bursts that are reported."""

from __future__ import annotations

import math

import numpy as np

from dsp.bpsk import Link, Talker
from dsp.flips import flip_times
from dsp.linecode import to_bits
from dsp.quality import confidence, end_probabilities
from dsp.results import Burst, DecodeSettings
from dsp.source import Record
from dsp.track import Run


def bursts_of(record: Record, links: tuple[Link, ...], settings: DecodeSettings) -> tuple[Burst, ...]:
    """Every run as a burst, in time order; talkers are numbered over all links."""
    out: list[Burst] = []
    number = 0
    for link in links:
        for talker in link.talkers:
            out.extend(_burst(record, link, talker, run, number, settings) for run in talker.runs)
            number += 1
    out.sort(key=lambda burst: burst.start_s)
    order: dict[int, int] = {}
    for burst in out:
        if burst.talker is not None:
            order.setdefault(burst.talker, len(order))
    return tuple(_renumbered(burst, order) for burst in out)


def _renumbered(burst: Burst, order: dict[int, int]) -> Burst:
    from dataclasses import replace

    return burst if burst.talker is None else replace(burst, talker=order[burst.talker])


def _burst(
    record: Record, link: Link, talker: Talker, run: Run, number: int, settings: DecodeSettings
) -> Burst:
    noise = talker.fitness.noise
    rate = record.rate_hz
    signs = np.sign(run.symbols.real)
    symbols = "".join("1" if s == signs[0] else "0" for s in signs)
    sure = confidence(run, noise)
    first_p, last_p = end_probabilities(run, noise)
    where, interval = flip_times(run, noise)

    def at(position: float) -> float:
        return record.time_s(run.region.origin + position, run.region.origin)

    line_code = settings.line_code or "plain"
    gain = float(np.sqrt(np.mean(run.gains**2)))
    count = run.count
    amplitude = gain * math.sqrt(2.0 * run.region.variance / run.period)
    carrier, carrier_std = _carrier(record, talker, run, gain, noise)
    period, period_std = _period(talker, run, gain, noise)
    cut_start = run.region.at_first and float(run.edges[0]) < 0.6 * run.period
    cut_end = run.region.at_last and run.turned.length - float(run.edges[-1]) < 0.6 * run.period
    return Burst(
        start_s=at(float(run.edges[0])),
        end_s=at(float(run.edges[-1])),
        start_probability=first_p,
        end_probability=last_p,
        cut_at_start=bool(cut_start),
        cut_at_end=bool(cut_end),
        talker=number,
        amplitude=amplitude,
        amplitude_std=amplitude * math.sqrt(noise / count) / gain,
        carrier_hz=carrier,
        carrier_std_hz=carrier_std,
        symbol_rate_bd=rate / period,
        symbol_rate_std_bd=rate / period * period_std / period,
        symbol_rate_alternatives_bd=tuple(rate / other for other, _ in link.rivals),
        cycles_per_symbol=carrier * period / rate,
        esn0_db=10.0 * math.log10(gain * gain / (2.0 * noise)),
        esn0_std_db=20.0
        / math.log(10.0)
        * math.sqrt(noise / (count * gain * gain) + 0.5 / max(1, talker.fitness.symbols)),
        first_symbol_s=at(float(run.edges[0])),
        flips_s=tuple(at(float(w)) for w in where),
        flips_interval_s=tuple((at(float(a)), at(float(b))) for a, b in interval),
        bits_per_symbol=1,
        symbols=symbols,
        confidence=tuple(float(c) for c in sure),
        line_code=line_code,
        bits=to_bits(symbols, line_code, settings.polarity),
        characters=None,
        warnings=_warnings(run, bool(cut_start), bool(cut_end)),
    )


def _carrier(record: Record, talker: Talker, run: Run, gain: float, noise: float) -> tuple[float, float]:
    if talker.carrier_hz is not None and talker.carrier_std_hz is not None:
        return talker.carrier_hz, talker.carrier_std_hz * math.sqrt(noise)
    to_hz = record.rate_hz / (2.0 * math.pi)
    std = math.sqrt(12.0 * noise / (run.count * gain * gain)) / (run.count * run.period)
    return run.omega * to_hz, std * to_hz


def _period(talker: Talker, run: Run, gain: float, noise: float) -> tuple[float, float]:
    if run.drift:
        return run.period, run.period * max(1e-9, 0.7 / (1.0 + gain * gain / noise)) / run.count
    return talker.period.value, talker.period.std


def _warnings(run: Run, cut_start: bool, cut_end: bool) -> tuple[str, ...]:
    out = []
    if cut_start:
        out.append("the capture begins within this burst: its first symbols may be missing")
    if cut_end:
        out.append("the capture ends within this burst: its last symbols may be missing")
    samples_per_cycle = 2.0 * math.pi / max(1e-12, run.omega)
    if samples_per_cycle < 5.0:
        out.append(
            f"only {samples_per_cycle:.1f} samples a carrier cycle: a carrier above half the sample rate "
            "that was folded back cannot be told from this one"
        )
    return tuple(out)
