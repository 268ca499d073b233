"""Energy that is no single carrier: several carriers at once, multiplexed symbols, or nothing that can be named."""

from __future__ import annotations

import numpy as np

from dsp.features import View, hertz, seconds
from dsp.kinds_carrier import Carried, amplitude_of
from dsp.kinds_lines import find_lines, judge_lines
from dsp.results import Refusal
from dsp.verdict import Verdict, weigh


def judge_side_by_side(view: View, carried: Carried) -> Verdict | None:
    """Lines that stand side by side as long as the longest transmission lasts."""
    begin, end = max(carried.runs, key=lambda run: run[1] - run[0])
    scale = view.rate_hz / carried.rate_hz
    margin = 0.05 * (end - begin) + 2.0 * carried.smooth
    start, stop = int((begin + margin) * scale), int((end - margin) * scale)
    if stop - start < 512:
        return None
    part = View(view.samples[start:stop], view.origin + start, view.rate_hz)
    verdict = judge_lines(part, find_lines(part))
    if verdict is None or verdict.kind != "multi-carrier":
        return None
    where = f"within a stretch of {seconds((stop - start) / view.rate_hz)}:"
    return Verdict(
        verdict.kind, 0.95 * verdict.probability, verdict.others, (where, *verdict.reasons), verdict.refusal
    )


def judge_repeating(carried: Carried) -> Verdict | None:
    """Noise-like symbols that end as they began: the guard interval of orthogonal carriers."""
    amplitude = amplitude_of(carried)
    if not 0.7 < amplitude.variation < 1.3:
        return None
    on = np.where(carried.on, carried.z, 0.0)
    size = 1 << int(np.ceil(np.log2(2 * on.size)))
    alike = np.abs(np.fft.ifft(np.abs(np.fft.fft(on, size)) ** 2))[: on.size // 4]
    alike /= alike[0]
    # of n independent values any lag has a Rayleigh magnitude of mean square 1 / n; as many lags are looked at
    held = carried.independent(float(np.sum(np.abs(on) ** 2)) ** 2 / float(np.sum(np.abs(on) ** 4)))
    tries = float(np.log(carried.independent(float(alike.size))))
    middle = float(np.median(alike[alike.size // 4 :]))
    chance = float(np.sqrt(tries)) * max(1.0 / float(np.sqrt(held)), middle / float(np.sqrt(np.log(2.0))))
    low = np.flatnonzero(alike[8 * carried.smooth :] < chance)
    if low.size == 0 or chance <= 0.0:
        return None
    first = 8 * carried.smooth + int(low[0])
    lag = first + int(np.argmax(alike[first:]))
    again = float(alike[min(2 * lag, alike.size - 1)]) if 2 * lag < alike.size else 0.0
    height = float(alike[lag])
    sure = (
        weigh(height / chance, 1.7, 0.12)
        * weigh(0.35 - height, 0.0, 0.04)
        * weigh(0.5 * height - again, 0.0, 0.05 * height)
    )
    if sure < 0.4:
        return None
    reason = (
        f"the signal is as noise-like as many carriers together, and repeats itself to {100.0 * height:.0f} % after "
        f"{seconds(lag / carried.rate_hz)} but not after twice that"
    )
    text = (
        f"many carriers together fill {hertz(2.0 * carried.half_hz)} around {hertz(carried.centre_hz)}: "
        "no single one to decode; tell one as carrier"
    )
    others: tuple[tuple[str, float], ...] = (("undecided", 0.1), ("none", 0.1))
    return Verdict("multi-carrier", 0.9 * sure, others, (reason,), Refusal("many-carriers", text))


def unnamed(carried: Carried, *, gated: bool, plain: bool) -> Verdict:
    """What is left when no kind fits: steady noise is nothing, noise that comes and goes may be something.

    ``plain`` says that it is there all the time and has no line in it.
    """
    amplitude = amplitude_of(carried)
    reason = (
        f"within {hertz(2.0 * carried.half_hz)} around {hertz(carried.centre_hz)} neither level, strength, frequency "
        f"nor phase keeps to a few values; the power varies by {amplitude.variation:.2f} of its square "
        "(0 is constant, 1 is noise)"
    )
    # the variance of an exponential's sample variance is 8 / n, as that of its mean squared 4 / n
    stray = min(0.3, 0.05 + 3.0 * float(np.sqrt(20.0 / carried.independent(float(carried.on.sum())))))
    if plain and abs(amplitude.variation - 1.0) < stray:
        text = (
            "only noise, stronger in some bands than in others, is on the line all the time; select a span in which "
            "something is sent, or tell a carrier"
        )
        others: tuple[tuple[str, float], ...] = (("undecided", 0.08), ("multi-carrier", 0.04), ("qpsk", 0.02))
        return Verdict("none", 0.85, others, (reason,), Refusal("noise", text))
    many = len(carried.runs)
    stretches = f"{many} stretches of energy come and go" if gated else "something is sent all the time"
    text = f"{stretches}, but no kind of signalling that is known fits; select a part, or tell carrier and modulation"
    constant = weigh(0.3 - amplitude.variation, 0.0, 0.05)
    keyed = (("fsk", 0.25), ("bpsk", 0.2), ("qpsk", 0.2), ("tone", 0.08), ("chirp", 0.05))
    others = (
        ("none", 0.3 * (1.0 - constant)),
        ("multi-carrier", 0.1),
        ("ask", 0.1 * (1.0 - constant)),
        *((kind, part * (0.15 + 0.85 * constant)) for kind, part in keyed),
    )
    sure = 1.0 - sum(part for _, part in others)
    return Verdict("undecided", max(0.2, sure), tuple(others), (reason,), Refusal("undecided", text))
