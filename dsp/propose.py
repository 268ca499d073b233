"""What a lead by itself may be: carriers and symbol periods that fit it, likeliest first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dsp.along_axis import may_reverse
from dsp.carrier import CarrierLine, busiest_hz, squared_lines
from dsp.correlate import Turned, turn_back
from dsp.extract import Model
from dsp.fits import Fits
from dsp.leads import centre_hz
from dsp.merge import climb
from dsp.on_off import OWN_NATS
from dsp.rate import period_grid, search_period
from dsp.refine import first_fits, polish
from dsp.results import DecodeSettings
from dsp.segment import Piece
from dsp.source import Floats
from dsp.strip import Strip

# energy over the noise density that tells a period well
_TELLING_ENERGY = 500.0
# but so much of a lead is always looked at
_TELLING_SHARE = 0.45
# symbols that a short piece may have
_SYMBOLS_SOUGHT = 80.0
# symbols in the frame that a piece is seen with, as a rule
_SYMBOLS_IN_FRAME = 2.5
# and symbol rates, as symbols in the piece, whose bandwidth is tried
_SYMBOLS_IN_BAND = (6.0, 12.0, 24.0, 48.0, 96.0)
_FOGGED_ESN0 = 40.0
_FEWEST_CYCLES = 0.9
_FEWEST_SAMPLES = 16
# how many models are heard that come close to the best, where there is noise that they may owe it to
RIVALS = 3


def are_same(one: Model, other: Model) -> bool:
    """Whether two proposals differ by no more than a single transmission leaves open."""
    return abs(one.period / other.period - 1.0) < 3e-3 and abs(one.carrier_hz / other.carrier_hz - 1.0) < 3e-3


def come_close(nats: float, best_nats: float) -> bool:
    """Whether another model may be the right one, while neither ends nor amplitude nor noise are right.

    What a fit has of its own gains it so much in noise.
    """
    return nats >= best_nats - OWN_NATS


def propose(
    piece: Piece, lead: Strip, rate_hz: float, settings: DecodeSettings, whole: Sequence[Floats] = ()
) -> Iterator[Model]:
    """Models that fit a lead: with what was told first, and what the samples say by themselves as well.

    Of the latter only those that the samples (n,) of the ``whole`` pieces do not speak against.
    """
    if lead.size < _FEWEST_SAMPLES:
        return
    lines = _lines(lead, piece, rate_hz)
    lead = _telling_part(lead, piece)
    least = max(10.0, 0.15 * lines[0].contrast) if lines else 10.0
    carriers = [line.freq_hz for line in lines if line.contrast > least][:3]
    # what was told may be wrong
    told = settings.carrier_hz
    if told is not None and piece.low_hz - told < piece.high_hz - piece.low_hz > told - piece.high_hz:
        carriers = [told, *carriers]
    if settings.symbol_rate_bd is not None:
        around = rate_hz / settings.symbol_rate_bd * (1.0 + np.linspace(-0.02, 0.02, 41))
        for carrier in carriers:
            rough = _rough(lead, rate_hz, piece, carrier)
            fits, _ = _fits(rough, around)
            yield from _models(rough, fits, float(fits[0].nats[0]) if fits else 0.0, rate_hz)
    for carrier in carriers:
        yield from _of_any_period(lead, rate_hz, piece, carrier, whole)


def _lines(lead: Strip, piece: Piece, rate_hz: float) -> list[CarrierLine]:
    """Lines of the squared lead, band-limited to whatever symbol rates the piece may have.

    Too wide a band lets in noise, which squaring multiplies; the right one is that of the unknown symbol rate.
    """
    half = (piece.high_hz - piece.low_hz) / 2.0
    spans = [(centre_hz(piece), tuple(half * k for k in (0.25, 0.5, 1.0, 2.0)))]
    duration_s = (piece.stop - piece.start) / rate_hz
    spans += [
        (busiest_hz(lead.samples, rate_hz, piece.low_hz, piece.high_hz, width), (width,))
        for width in (symbols / duration_s for symbols in _SYMBOLS_IN_BAND)
        if 2.0 * width < half
    ]
    lines = [
        line for centre, widths in spans for line in squared_lines(lead.samples, rate_hz, centre, widths)
    ]
    lines.sort(key=lambda line: -line.contrast)
    kept: list[CarrierLine] = []
    for line in lines:
        if all(abs(line.freq_hz - other.freq_hz) > 0.5 / duration_s for other in kept):
            kept.append(line)
    return kept


def _telling_part(lead: Strip, piece: Piece) -> Strip:
    """As much of a strong lead as tells the period well, where most energy is: the search grows with its square."""
    share = max(
        _TELLING_SHARE, (piece.stop - piece.start) * _TELLING_ENERGY / max(piece.energy, 1.0) / lead.size
    )
    length = int(max(16 * piece.frame, share * lead.size))
    if length + 4 * piece.frame >= lead.size:
        return lead
    sums = np.concatenate(([0.0], np.cumsum(lead.samples.astype(np.float64) ** 2)))
    first = int(np.argmax(sums[length:] - sums[:-length]))
    start, stop = max(0, first - 2 * piece.frame), min(lead.size, first + length + 2 * piece.frame)
    return replace(lead, samples=lead.samples[start:stop], size=stop - start)


@dataclass(frozen=True, eq=False)
class _Rough:
    """A lead turned back by a carrier, and what is known of that before any fit: amplitude and noise variance.

    ``foggy`` is the variance to look for a period with: on a very clean line the likelihood is so rugged that no grid
    finds its top. ``points`` says that samples may be ideal points.
    """

    turned: Turned
    amplitude: float
    variance: float
    foggy: float
    points: bool


def _rough(lead: Strip, rate_hz: float, piece: Piece, carrier_hz: float) -> _Rough:
    turned = turn_back(lead.samples, 2.0 * np.pi * carrier_hz / rate_hz)
    bins = max(2.0, (piece.high_hz - piece.low_hz) * piece.frame / rate_hz)
    power = max(piece.ratio - 1.0, 0.05) * lead.variance * bins * 2.0 / piece.frame
    amplitude = float(np.sqrt(2.0 * power))
    fog = amplitude * amplitude * piece.frame / (4.0 * _FOGGED_ESN0)
    return _Rough(turned, amplitude, lead.variance, max(lead.variance, fog), piece.frame <= 16)


def _of_any_period(
    lead: Strip, rate_hz: float, piece: Piece, carrier_hz: float, whole: Sequence[Floats]
) -> Iterator[Model]:
    """The best fits to a lead over all periods but those far shorter than a frame; and over these, if they come close.

    Few pieces are found with frames so much longer than their symbols, and looking there costs most.
    """
    # a short piece may have been
    least = min(piece.frame / 5.0, (piece.stop - piece.start) / _SYMBOLS_SOUGHT)
    # under one cycle a symbol a steady level looks like reversals at every zero crossing
    shortest = max(2.0, least, _FEWEST_CYCLES * rate_hz / carrier_hz)
    if shortest > 4.0 * piece.frame:
        return
    span = min(lead.samples.size, 2 * (piece.stop - piece.start))
    periods = period_grid(shortest, 8.0 * piece.frame, span)
    periods = periods[may_reverse(whole, 2.0 * np.pi * carrier_hz / rate_hz, periods)]
    rough = _rough(lead, rate_hz, piece, carrier_hz)
    likely = periods >= piece.frame / _SYMBOLS_IN_FRAME
    best_nats = rough_nats = 0.0
    for some in (periods[likely], periods[~likely]):
        if not some.size:
            continue
        fits, top_nats = _fits(rough, some, rough_nats)
        rough_nats = max(rough_nats, top_nats)
        best_nats = max([best_nats, *(float(fit.nats[0]) for fit in fits[:1])])
        yield from _models(rough, fits, best_nats, rate_hz, merges=True)


def _fits(rough: _Rough, periods: Floats, rough_nats: float = 0.0) -> tuple[list[Fits], float]:
    """Single fits over periods, the best first, and the log-likelihood ratio of the best rough one.

    What is far below ``rough_nats`` is not fitted.
    """
    timings = search_period(rough.turned, periods, rough.foggy, rough.amplitude)
    top_nats = float(timings.nats.max())
    some = first_fits(timings, rough.turned, rough.foggy, rough.amplitude, rough_nats)
    if not len(some):
        return [], top_nats
    options = [polish(some)]
    if rough.points:
        options.append(polish(replace(some, turned=rough.turned.sharpened(True))))
    fits = [option.take(np.array([row])) for option in options for row in range(len(option))]
    return sorted(fits, key=lambda fit: -float(fit.nats[0])), top_nats


def _models(
    rough: _Rough, fits: list[Fits], best_nats: float, rate_hz: float, *, merges: bool = False
) -> Iterator[Model]:
    """What fits that come close to ``best_nats`` say the link is, in the lead's own noise, each once.

    ``merges`` lets several symbols be taken for one.
    """
    out: list[Model] = []
    most = 1 + (RIVALS if rough.foggy == rough.variance else 0)
    for rival in fits:
        if len(out) == most or not come_close(float(rival.nats[0]), best_nats):
            break
        fit = climb(rival) if merges else rival
        if rough.foggy > rough.variance:
            fit = polish(replace(fit, variance=rough.variance), rounds=5)
        model = _model(fit, rate_hz)
        if model is not None and not any(are_same(model, other) for other in out):
            out.append(model)
            yield model


def _model(fit: Fits, rate_hz: float) -> Model | None:
    """What a fit says the link is, if it can be one."""
    if not len(fit):
        return None
    omega, period = float(fit.omega[0]), float(fit.period[0])
    if int(fit.count[0]) < 4 or not 0.0 < omega < np.pi or omega * period / (2.0 * np.pi) <= _FEWEST_CYCLES:
        return None
    return Model(omega * rate_hz / (2.0 * np.pi), period, fit.turned.sharp)
