"""Following a long transmission whose carrier and symbol clock drift.

A window of symbols with its own carrier, phase, amplitude and timing is fitted by likelihood, moved on by
half its length, and fitted again from where the last one left off. Between the middles of windows, phase
and timing are interpolated; neighbouring windows share half their symbols, which settles the polarity.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.burstfit import Fit, Region, carry, timing_nats
from dsp.correlate import Complexes, Turned, best_run, change_nats, log_cosh, on_runs, turn_back
from dsp.source import Floats

WINDOW = 48
_HALF = WINDOW // 2


@dataclass(frozen=True, eq=False)
class Run:
    """The symbols of one transmission, however it was fitted.

    ``edges`` (n + 1,) are positions in the region; ``symbols`` (n,) the correlations turned to the real axis,
    in units in which ``region.variance`` gives unit noise in each component; ``gains`` (n,) the length a
    symbol should have, ``templates`` (n,) what one of unit length correlates to (`Turned.templates`),
    ``across`` (n,) the noise it meets across the phase. ``phases`` (n,) is the carrier's
    phase at each symbol's middle, ``omega`` its mean frequency in radians a sample, ``drift`` True if it
    was followed.
    """

    region: Region
    edges: Floats
    symbols: Complexes
    gains: Floats
    templates: Complexes
    across: Floats
    phases: Floats
    omega: float
    drift: bool
    sharp: bool
    margin_before: Complexes
    margin_after: Complexes
    turned: Turned

    @property
    def count(self) -> int:
        return self.symbols.size

    @property
    def period(self) -> float:
        return float(self.edges[-1] - self.edges[0]) / max(1, self.count)


def run_of(fit: Fit, margin: int = 8) -> Run:
    """The symbols of a transmission that one fit covers."""
    length = fit.turned.length
    before = int(min(margin, max(0.0, np.floor(fit.start / fit.period))))
    after = int(min(margin, max(0.0, np.floor((length - fit.stop) / fit.period))))
    y = fit.turned_symbols(before, after)
    edges = fit.edges()
    mids = (edges[:-1] + edges[1:]) / 2.0
    return Run(
        fit.region,
        edges,
        y[before : before + fit.count],
        np.full(fit.count, fit.gain),
        fit.turned.templates(edges, fit.turned_phase(edges), fit.period),
        fit.turned.across(edges, fit.turned_phase(edges), fit.period),
        fit.phase + fit.omega * mids,
        fit.omega,
        False,
        fit.turned.sharp,
        y[:before],
        y[before + fit.count :],
        fit.turned,
    )


def follow(fit: Fit, begin: float, end: float) -> tuple[Run, float]:
    """Follow a transmission from a well fitted window to its ends, within ``begin`` to ``end``.

    Returns the run and its log-likelihood ratio against silence.
    """
    lead = carry(replace(fit, count=min(fit.count, WINDOW)))
    ahead = _walk(lead, end, 1)
    back = _walk(lead, begin, -1)
    windows = [*back[::-1], lead, *ahead]
    return _assemble(windows, begin, end)


def _walk(lead: Fit, limit: float, way: int) -> list[Fit]:
    """Windows in one direction until the transmission ends."""
    out: list[Fit] = []
    now, drift = lead, 0.0
    while True:
        start = now.start + way * _HALF * now.period
        highest = start + now.count * now.period
        half = _HALF * now.period
        if (way > 0 and start + half > limit) or (way < 0 and highest - half < limit):
            return out
        middle = now.start + now.count * now.period / 2.0 + way * _HALF * now.period
        omega = now.omega + drift
        guess = replace(now, start=start, omega=omega, phase=now.phase + (now.omega - omega) * middle)
        if abs(omega - guess.turned.omega) * now.period > 0.5:
            guess = replace(guess, turned=turn_back(guess.region.samples, omega, guess.turned.sharp))
        new = _refit(guess)
        fresh = new.symbol_nats()
        fresh = fresh[-_HALF:] if way > 0 else fresh[:_HALF]
        if float(fresh.sum()) <= 0.0:
            # perhaps it ends within this window: keep it for the ends, if any of its fresh symbols was sent
            if best_run(fresh[None, :])[0][0] > 3.0:
                out.append(_refit(replace(guess)))
            return out
        drift = 0.5 * drift + 0.5 * float(
            np.clip(new.omega - now.omega, -0.02 / now.period, 0.02 / now.period)
        )
        out.append(new)
        now = new


def _refit(guess: Fit) -> Fit:
    fit = carry(guess, rounds=3)
    starts = fit.start + np.linspace(-0.12, 0.12, 25) * fit.period
    nats = timing_nats(fit, starts)
    weight = np.exp(nats - nats.max())
    fit = replace(fit, start=float(np.sum(weight * starts) / weight.sum()))
    return carry(fit, rounds=2)


def _assemble(windows: list[Fit], begin: float, end: float) -> tuple[Run, float]:
    first = windows[0]
    count = windows[0].count
    # centre edges of the windows, half a window of symbols apart
    centre_k = np.arange(len(windows)) * _HALF + count // 2
    centre_t = np.array([w.start + (w.count // 2) * w.period for w in windows])
    total = int(centre_k[-1] + count - count // 2)
    left = np.array([w.period for w in windows])
    if len(windows) > 1:
        left = np.maximum(np.gradient(centre_t) / _HALF, 1.0)
    k = np.arange(total + 1)
    edges = np.interp(k, centre_k, centre_t)
    edges[k < centre_k[0]] = centre_t[0] - (centre_k[0] - k[k < centre_k[0]]) * left[0]
    edges[k > centre_k[-1]] = centre_t[-1] + (k[k > centre_k[-1]] - centre_k[-1]) * left[-1]
    mids = (edges[:-1] + edges[1:]) / 2.0
    turned = first.turned
    phase, gains, omegas = _blend(windows, centre_t, mids)
    z = turned.between(edges) / np.sqrt(first.region.variance * np.diff(edges) / 2.0)
    y = z * np.exp(-1j * (phase - turned.omega * mids))
    templates = turned.templates(edges, phase - turned.omega * mids, np.diff(edges))
    nats = log_cosh(gains * y.real) - 0.5 * gains**2 * templates.real
    nats[(edges[:-1] < begin - 0.5 * first.period) | (edges[1:] > end + 0.5 * first.period)] = -1e9
    runs = on_runs(nats, change_nats(float(np.median(gains)))) or [(0, 0)]
    a, b = max(runs, key=lambda run: float(nats[run[0] : run[1]].sum()))
    cut = slice(a, b)
    run = Run(
        first.region,
        edges[cut.start : cut.stop + 1],
        y[cut],
        gains[cut],
        templates[cut],
        turned.across(edges, phase - turned.omega * mids, np.diff(edges))[cut],
        phase[cut],
        float(np.mean(omegas[cut])) if cut.stop > cut.start else first.omega,
        True,
        turned.sharp,
        y[max(0, cut.start - 8) : cut.start],
        y[cut.stop : cut.stop + 8],
        turned,
    )
    return run, float(nats[a:b].sum())


def _blend(windows: list[Fit], centre_t: Floats, mids: Floats) -> tuple[Floats, Floats, Floats]:
    """Carrier phase, gain and frequency at each symbol's middle from the windows around it."""
    phases = [windows[0].phase + windows[0].omega * mids]
    shift = 0.0
    aligned = phases[0]
    stack = [aligned]
    for i in range(1, len(windows)):
        w = windows[i]
        own = w.phase + w.omega * mids
        here = (centre_t[i - 1] + centre_t[i]) / 2.0
        k = int(np.argmin(np.abs(mids - here)))
        # whole half turns between the two descriptions: polarity and cycles
        shift = np.pi * np.rint((stack[-1][k] - own[k]) / np.pi)
        stack.append(own + shift)
    table = np.array(stack)
    place = np.clip(np.interp(mids, centre_t, np.arange(len(windows))), 0, len(windows) - 1)
    low = np.minimum(place.astype(np.int64), max(0, len(windows) - 2))
    part = place - low
    high = np.minimum(low + 1, len(windows) - 1)
    at = np.arange(mids.size)
    phase = table[low, at] * (1.0 - part) + table[high, at] * part
    gain_w = np.array([w.gain for w in windows])
    omega_w = np.array([w.omega for w in windows])
    return (
        phase,
        gain_w[low] * (1.0 - part) + gain_w[high] * part,
        omega_w[low] * (1.0 - part) + omega_w[high] * part,
    )
