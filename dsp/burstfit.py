"""Fitting one phase-reversal transmission: timing, carrier, phase, amplitude, first and last symbol.

Everything is maximum likelihood with the bits averaged out. For symbol ``k`` with in-phase correlation
``y`` of unit noise and length ``g`` the log-likelihood ratio against silence is
``ln cosh(g y) - g^2 e / 2``, ``e`` being the symbol's energy relative to its mean (Proakis, section 5.1).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.correlate import (
    Complexes,
    Turned,
    best_run,
    change_nats,
    change_nats_unphased,
    log_bessel,
    log_cosh,
    on_runs,
    turn_back,
)
from dsp.source import Floats


@dataclass(frozen=True, eq=False)
class Region:
    """Conditioned samples of part of a record; ``origin`` is the record's sample at index 0.

    ``variance`` is the noise variance of a sample, from the floor's density near the carrier.
    """

    samples: Floats
    origin: int
    variance: float
    at_first: bool
    at_last: bool


@dataclass(frozen=True, eq=False)
class Fit:
    """One transmission; positions are samples of the region.

    The carrier is ``amplitude cos(omega m + phase)``, ``m`` counted from the region's first sample; symbol
    ``k`` covers ``start + k period`` to ``start + (k + 1) period``. ``nats`` is the log-likelihood ratio
    against silence.
    """

    region: Region
    turned: Turned
    omega: float
    phase: float
    amplitude: float
    period: float
    start: float
    count: int
    nats: float

    @property
    def stop(self) -> float:
        return self.start + self.count * self.period

    @property
    def gain(self) -> float:
        """``sqrt(2 Es/N0)``."""
        return self.amplitude * float(np.sqrt(self.period / (2.0 * self.region.variance)))

    def edges(self, before: int = 0, after: int = 0) -> Floats:
        """Edges of the symbols, with some more symbols on either side."""
        return self.start + np.arange(-before, self.count + after + 1) * self.period

    def turned_symbols(self, before: int = 0, after: int = 0) -> Complexes:
        """Correlations with the fitted carrier: in phase on the real axis, unit noise in each component."""
        edges = self.edges(before, after)
        z = self.turned.between(edges) / np.sqrt(self.region.variance * self.period / 2.0)
        return np.asarray(z * np.exp(-1j * self.turned_phase(edges)))

    def energies(self, before: int = 0, after: int = 0) -> Floats:
        """Energy of each symbol over half the period: 1 but for carriers of a few cycles a symbol."""
        edges = self.edges(before, after)
        return self.turned.energies(edges, self.turned_phase(edges), self.period)

    def turned_phase(self, edges: Floats) -> Floats:
        """Phase of the fitted carrier against the turned one in the middle of each symbol."""
        return self.phase + (self.omega - self.turned.omega) * (edges[..., :-1] + edges[..., 1:]) / 2.0

    def symbol_nats(self, before: int = 0, after: int = 0) -> Floats:
        """Log-likelihood ratio of each symbol being sent at all."""
        g = self.gain
        return log_cosh(g * self.turned_symbols(before, after).real) - 0.5 * g * g * self.energies(
            before, after
        )


def acquire(
    region: Region,
    turned: Turned,
    period: float,
    *,
    span: tuple[float, float] | None = None,
    phases: int = 16,
    longest: int = 1 << 30,
) -> Fit | None:
    """Find the strongest transmission of known carrier and period in a region, and fit it roughly.

    The frequency that ``turned`` turns back may be off by a fifth of the symbol rate, ``period`` by a part of
    symbol over the transmission. Of a transmission of more than ``longest`` symbols only the strongest so
    many are fitted. Returns None if nothing there is likelier than silence.
    """
    omega = turned.omega
    begin, end = span if span is not None else (0.0, float(turned.length))
    starts = begin + np.arange(phases) / phases * period
    count = max(1, int((end - begin) / period))
    edges = starts[:, None] + np.arange(count + 1)[None, :] * period
    u = turned.between(edges) / np.sqrt(region.variance * period / 2.0)
    length = np.abs(u)
    best: tuple[float, int, int, int, float] | None = None
    gain = 1.5
    top = float(length.max(initial=0.0))
    while gain < max(4.0, top):
        value, first, last = best_run(log_bessel(gain * length) - gain * gain / 2.0)
        row = int(np.argmax(value))
        if last[row] > first[row] and (best is None or value[row] > best[0]):
            best = (float(value[row]), row, int(first[row]), int(last[row]), gain)
        gain *= 1.35
    if best is None:
        return None
    _, row, first_k, last_k, gain = best
    first_k, last_k, gain = _split(length[row], first_k, last_k, gain, omega * period / (2.0 * np.pi))
    if last_k - first_k > longest:
        # a drifting carrier must not blur the fit: start from the strongest stretch
        energy = np.convolve(length[row, first_k:last_k] ** 2, np.ones(longest), "valid")
        first_k += int(np.argmax(energy))
        last_k = first_k + longest
    part = u[row, first_k:last_k]
    mids = edges[row, first_k:last_k] + period / 2.0
    # talkers differ by a few percent of the carrier; a carrier of few cycles a symbol has an image at minus
    # its own frequency that must not be taken for it
    widest = float(np.clip(0.05 + 0.01 * omega * period / (2.0 * np.pi), 0.05, 0.22))
    detune, phase = _detune(part, mids, period, widest)
    fit = Fit(
        region,
        turned,
        turned.omega + detune,
        phase,
        gain * float(np.sqrt(2.0 * region.variance / period)),
        period,
        float(edges[row, first_k]),
        last_k - first_k,
        0.0,
    )
    if abs(detune) * period > 0.1:
        fit = replace(fit, turned=turn_back(region.samples, fit.omega))
    return fit


def _split(length: Floats, first: int, last: int, gain: float, cycles: float) -> tuple[int, int, float]:
    """Cut a run where silence lies within it, and keep the likeliest part.

    The best single run bridges a silence that costs less than the next transmission brings.
    """
    for _ in range(2):
        inside = length[first:last]
        own = float(np.sqrt(max(2.0, float(np.median(inside**2)) - 2.0)))
        score = log_bessel(own * inside) - own * own / 2.0
        runs = on_runs(score, change_nats_unphased(own, cycles))
        if not runs:
            return first, last, gain
        a, b = max(runs, key=lambda run: float(score[run[0] : run[1]].sum()))
        if b - a == last - first:
            return first, last, own
        first, last, gain = first + a, first + b, own
    return first, last, gain


def _detune(u: Complexes, mids: Floats, period: float, widest: float) -> tuple[float, float]:
    """Frequency (radians a sample) and phase left in symbols, from their squares.

    Frequencies of at most ``widest`` cycles a symbol are looked at.
    """
    size = 1 << int(np.ceil(np.log2(max(16, 8 * u.size))))
    power = np.abs(np.fft.fft(u * u, size))
    reach_bins = min(size // 2 - 1, int(np.ceil(2.0 * widest * size)))
    near = np.arange(-reach_bins, reach_bins + 1)
    k = int(near[np.argmax(power[near])]) % size
    left, mid, right = power[[k - 1, k, (k + 1) % size]]
    bend = left - 2.0 * mid + right
    shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    cycles = ((k + shift + size / 2) % size - size / 2) / size
    omega = np.pi * cycles / period
    total = np.sum(u * u * np.exp(-2j * omega * mids))
    return float(omega), 0.5 * float(np.angle(total))


def settle(
    fit: Fit,
    *,
    rounds: int = 3,
    hold_carrier: bool = False,
    sharp: bool | None = None,
    span: tuple[float, float] | None = None,
) -> Fit:
    """Bring a rough fit to the maximum of the likelihood, the period held.

    Start, ends, phase, amplitude and (unless held) carrier are improved in turn. Symbols must lie within
    ``span``, but for half a symbol.
    """
    if sharp is not None and sharp != fit.turned.sharp:
        fit = replace(fit, turned=fit.turned.sharpened(sharp))
    for turn in range(rounds):
        fit = carry(fit, hold_carrier=hold_carrier)
        fit = _retime(fit, 0.5 * fit.period / 4.0**turn)
        fit = reach(fit, span=span)
        if fit.count == 0:
            return fit
    return carry(fit, hold_carrier=hold_carrier)


def carry(fit: Fit, *, hold_carrier: bool = False, rounds: int = 4) -> Fit:
    """Phase, carrier and amplitude given the timing: expectation-maximisation over the bits."""
    edges = fit.edges()
    mids = (edges[:-1] + edges[1:]) / 2.0
    z = fit.turned.between(edges) / np.sqrt(fit.region.variance * fit.period / 2.0)
    omega, phase, gain = fit.omega, fit.phase, max(fit.gain, 0.3)
    centre = float(mids.mean())
    spread = float(np.sum((mids - centre) ** 2))
    for _ in range(rounds):
        at = z * np.exp(-1j * (phase + (omega - fit.turned.omega) * mids))
        soft = np.tanh(gain * at.real)
        local = phase + (omega - fit.turned.omega) * mids
        energy = fit.turned.energies(edges, local, fit.period)
        # the derivative of a symbol's energy with the phase, for carriers of a few cycles a symbol
        slope = (fit.turned.energies(edges, local + 1e-4, fit.period) - energy) / 1e-4
        pull = soft * at.imag - 0.5 * gain * slope
        stiff = gain * fit.count
        d_mid = float(np.sum(pull)) / stiff
        d_omega = 0.0
        if not hold_carrier and fit.count >= 3:
            d_omega = float(np.sum(pull * (mids - centre))) / (gain * spread)
        limit = 0.5
        d_mid = float(np.clip(d_mid, -limit, limit))
        omega += d_omega
        phase += d_mid - d_omega * centre
        gain = max(0.3, float(np.sum(soft * at.real) / np.sum(energy)))
    amplitude = gain * float(np.sqrt(2.0 * fit.region.variance / fit.period))
    out = replace(fit, omega=omega, phase=float(np.angle(np.exp(1j * phase))), amplitude=amplitude)
    return replace(out, nats=float(np.sum(out.symbol_nats())))


def timing_nats(fit: Fit, starts: Floats, period: float | None = None) -> Floats:
    """Log-likelihood of the transmission for each first edge in ``starts`` (s,), all else held."""
    period = fit.period if period is None else period
    edges = starts[:, None] + np.arange(fit.count + 1)[None, :] * period
    z = fit.turned.between(edges) / np.sqrt(fit.region.variance * period / 2.0)
    phase = fit.turned_phase(edges)
    y = (z * np.exp(-1j * phase)).real
    gain = fit.amplitude * np.sqrt(period / (2.0 * fit.region.variance))
    energy = fit.turned.energies(edges, phase, period)
    return np.asarray((log_cosh(gain * y) - 0.5 * gain * gain * energy).sum(axis=1))


def _retime(fit: Fit, width: float) -> Fit:
    """The first edge within ``+- width`` samples at which the likelihood is largest.

    The grid shrinks until a step costs far less than one nat: the likelihood falls by up to ``2 g^2`` for
    each symbol by which a flip is misplaced.
    """
    fine = 0.02 * fit.period / (1.0 + fit.gain * fit.gain)
    while True:
        steps = 24
        if fit.turned.sharp:
            steps = int(np.clip(np.ceil(width * 16), 8, 64))
        starts = fit.start + np.linspace(-width, width, 2 * steps + 1)
        nats = timing_nats(fit, starts)
        top = float(nats.max())
        # over a plateau (several starts put the same samples into each symbol) take its middle
        level = np.flatnonzero(nats >= top - 1e-9)
        fit = replace(fit, start=float(starts[level[level.size // 2]]), nats=top)
        width *= 2.0 / steps
        if width < fine or fit.turned.sharp:
            return fit


def reach(fit: Fit, more: int = 6, *, span: tuple[float, float] | None = None) -> Fit:
    """First and last symbol: the run of symbols that is likelier sent than not, within ``span``."""
    low, high = span if span is not None else (0.0, float(fit.turned.length))
    before = int(min(more, max(0.0, np.floor((fit.start - low) / fit.period + 0.5))))
    after = int(min(more, max(0.0, np.floor((high - fit.stop) / fit.period + 0.5))))
    nats = fit.symbol_nats(before, after)
    edges = fit.edges(before, after)
    outside = (edges[:-1] < low - 0.6 * fit.period) | (edges[1:] > high + 0.6 * fit.period)
    nats[outside] = -1e9
    # two silent symbols end a transmission; what follows them is another one
    runs = on_runs(nats, change_nats(fit.gain))
    if not runs:
        _, first, last = best_run(nats[None, :])
        runs = [(int(first[0]), int(last[0]))]
    a, b = max(runs, key=lambda run: float(nats[run[0] : run[1]].sum()))
    return replace(fit, start=fit.start + (a - before) * fit.period, count=b - a, nats=float(nats[a:b].sum()))
