"""The symbol period, found together with symbol timing by the likelihood of the whole transmission.

For a carrier frequency known to a fraction of the transmission's resolution, every period and start on a
fine grid is scored with the likelihood of phase reversals at random (bits averaged out: ``ln cosh``),
phase and remaining frequency fitted for each. Averaging over the bits rather than taking the best ones
is what tells a period from its half: each further symbol that the data do not ask for costs
``ln 2`` (Proakis, section 5.3; MacKay 2003, chapter 28, on the evidence of nested models).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.correlate import Turned, best_run, log_cosh
from dsp.source import Floats


@dataclass(frozen=True)
class Timing:
    """One hypothesis: period and first edge in samples, frequency still left (cycles a sample), its score."""

    period: float
    start: float
    count: int
    detune: float
    nats: float


@dataclass(frozen=True, eq=False)
class PeriodSearch:
    """Score of each period tried (natural units), and the best timing at each."""

    periods: Floats
    nats: Floats
    timings: tuple[Timing, ...]

    def best(self) -> Timing:
        return self.timings[int(np.argmax(self.nats))]


def period_grid(shortest: float, longest: float, span: float, step: float = 0.25) -> Floats:
    """Periods between which no edge of a transmission of ``span`` samples moves by over ``step`` symbols."""
    periods = [shortest]
    while periods[-1] < longest:
        p = periods[-1]
        periods.append(p + step * p / max(4.0, span / p))
    return np.array(periods)


def search_period(
    turned: Turned,
    periods: Floats,
    variance: float,
    amplitude: float,
    *,
    phases: int = 8,
    detune_steps: int = 2,
) -> PeriodSearch:
    """Score every period.

    Parameters
    ----------
    turned : the samples turned back by the carrier.
    periods : (p,) symbol periods in samples.
    variance : noise variance of a sample.
    amplitude : peak of the carrier, same unit.
    """
    timings = [
        score_period(turned, float(p), variance, amplitude, phases=phases, detune_steps=detune_steps)
        for p in periods
    ]
    return PeriodSearch(periods, np.array([t.nats for t in timings]), tuple(timings))


def score_period(
    turned: Turned,
    period: float,
    variance: float,
    amplitude: float,
    *,
    phases: int = 8,
    detune_steps: int = 2,
    starts: Floats | None = None,
) -> Timing:
    """Best timing at one period; ``starts`` (s,) overrides the even grid of first edges."""
    if starts is None:
        starts = np.arange(phases) / phases * period
    count = max(1, int((turned.length - period) / period) + 1)
    edges = starts[:, None] + np.arange(count + 1)[None, :] * period
    u = turned.between(edges) / np.sqrt(variance * period / 2.0)
    gain = amplitude * np.sqrt(period / (2.0 * variance))
    square = u * u
    # residual frequencies in steps of half the resolution of the squared symbols
    detunes = np.arange(-detune_steps, detune_steps + 1) / (4.0 * count * period)
    centres = (np.arange(count) - (count - 1) / 2.0) * period
    sums = square @ np.exp(-4j * np.pi * np.outer(centres, detunes))
    pick = np.argmax(np.abs(sums), axis=1)
    rows = np.arange(starts.size)
    phase = 0.5 * np.angle(sums[rows, pick])
    turn = np.exp(-1j * (phase[:, None] + 2.0 * np.pi * detunes[pick][:, None] * centres[None, :]))
    score = log_cosh(gain * (u * turn).real) - gain * gain / 2.0
    value, first, last = best_run(score)
    # noise alone gives a likelihood above zero at the best of many starts; ends cost their own prior
    row = int(np.argmax(value))
    return Timing(
        period,
        float(starts[row] + first[row] * period),
        int(last[row] - first[row]),
        float(detunes[pick[row]]),
        float(value[row]),
    )
