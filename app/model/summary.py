"""What the line does, summed up over all bursts of a decode, in figures and in one sentence."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from app.model.quantity import format_quantity
from app.model.tolerance import Tolerance
from dsp.results import Burst, Decode, Signalling

KIND_WORDS = {
    "bpsk": "keyed by half turns of a carrier",
    "qpsk": "keyed by quarter turns of a carrier",
    "ook": "keyed by switching a carrier on and off",
    "ask": "keyed in the amplitude of a carrier",
    "fsk": "keyed in the frequency of a carrier",
    "baseband": "keyed between levels, without a carrier",
    "dominant-recessive": "keyed between a driven and a resting level",
    "pulses": "keyed by pulses",
    "tone": "a tone that is not keyed",
    "chirp": "a tone whose frequency glides",
    "multi-carrier": "made of several carriers",
    "none": "without any transmission",
    "undecided": "of a kind that these samples do not decide",
}


@dataclass(frozen=True)
class Estimate:
    """A value pooled over ``count`` independent estimates.

    ``birge_ratio`` is the root of chi-squared over its degrees of freedom; above 1 the estimates scatter more
    than they claim, and ``std`` is already widened by it.
    """

    value: float
    std: float | None
    count: int
    birge_ratio: float = 1.0

    def text(self, unit: str) -> str:
        return format_quantity(self.value, self.std, unit)


@dataclass(frozen=True)
class TalkerSummary:
    """The bursts of one talker; ``talker`` is None for bursts that no talker was told for."""

    talker: int | None
    bursts: int
    amplitude: Estimate | None
    carrier_hz: Estimate | None
    symbol_rate_bd: Estimate | None
    cycles_per_symbol: Estimate | None
    symbol_counts: tuple[int, ...]


@dataclass(frozen=True)
class Summary:
    """All bursts of a decode. ``length_probability`` is the mean probability that both ends of a burst are
    right to the symbol; ``symbol_counts`` has each length once, ascending."""

    signalling: Signalling
    refusal: str | None
    unit: str
    bursts: int
    carrier_hz: Estimate | None
    symbol_rate_bd: Estimate | None
    cycles_per_symbol: Estimate | None
    symbol_counts: tuple[int, ...]
    length_probability: float | None
    talkers: tuple[TalkerSummary, ...]


def pool(pairs: Iterable[tuple[float | None, float | None]]) -> Estimate | None:
    """Mean of ``(value, std)`` pairs weighted by inverse variance; None if there is no value.

    Equal pairs count once: bursts of one talker may share one estimate. Scatter beyond what the standard
    uncertainties explain widens the result by the Birge ratio (R. T. Birge, Phys. Rev. 40, 207, 1932).
    Where none of the pairs has an uncertainty, the scatter alone gives it.
    """
    known = sorted({(v, s) for v, s in pairs if v is not None and math.isfinite(v)}, key=lambda p: p[0])
    weighted = [(v, s) for v, s in known if s is not None and math.isfinite(s) and s > 0]
    if weighted:
        return _weighted_mean(weighted)
    if not known:
        return None
    values = [value for value, _ in known]
    mean = math.fsum(values) / len(values)
    if len(values) == 1:
        return Estimate(mean, None, 1)
    scatter = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1))
    return Estimate(mean, scatter / math.sqrt(len(values)), len(values))


def summarise(decode: Decode, unit: str, tolerance: Tolerance | None = None) -> Summary:
    """Pool what the bursts of ``decode`` share; amplitudes are in ``unit``.

    The instrument's tolerance is common to all bursts, so it is added after pooling, not averaged away.
    """
    known = tolerance or Tolerance()
    bursts = decode.bursts
    names = sorted({b.talker for b in bursts}, key=lambda t: (t is None, t or 0))
    certain = [b.start_probability * b.end_probability for b in bursts]
    return Summary(
        signalling=decode.signalling,
        refusal=decode.refusal.text if decode.refusal else None,
        unit=unit,
        bursts=len(bursts),
        carrier_hz=_timed(pool((b.carrier_hz, b.carrier_std_hz) for b in bursts), known),
        symbol_rate_bd=_timed(pool((b.symbol_rate_bd, b.symbol_rate_std_bd) for b in bursts), known),
        cycles_per_symbol=pool(_cycles(b) for b in bursts),
        symbol_counts=_counts(bursts),
        length_probability=math.fsum(certain) / len(certain) if certain else None,
        talkers=tuple(_talker(t, [b for b in bursts if b.talker == t], known) for t in names),
    )


def sentence(summary: Summary, left_out: int = 0) -> str:
    """One sentence for people: kind, carrier, symbol rate, talkers and burst lengths, with uncertainties.

    What the talkers do not share is told of each of them. ``left_out`` bursts, in no figure, were left out by hand.
    """
    kind = summary.signalling.kind
    head = (
        f"The line is {KIND_WORDS.get(kind, kind)} ({kind}, probability {summary.signalling.probability:.3g})"
    )
    if not summary.bursts and left_out:
        return f"{head}; all its bursts are left out by hand."
    if not summary.bursts:
        return f"{head}; no bits are given: {summary.refusal or 'no bursts were found'}."
    shared = [q for q in _QUANTITIES if _is_shared(summary, q)]
    own = [q for q in _QUANTITIES if q not in shared]
    talkers = "one talker" if len(summary.talkers) == 1 else f"{len(summary.talkers)} talkers"
    bursts = "1 burst" if summary.bursts == 1 else f"{summary.bursts} bursts"
    parts = [q.text(summary) for q in shared]
    parts += [
        f"{bursts} by {talkers}, each length right with probability "
        + probability_text(summary.length_probability)
    ]
    told = "; ".join(_talker_text(talker, own, summary.unit) for talker in summary.talkers)
    return f"{head}: {', '.join(part for part in parts if part)}: {told}."


@dataclass(frozen=True)
class _Quantity:
    """A pooled quantity that a summary and each of its talkers have."""

    field: str
    words: str
    unit: str

    def of(self, owner: Summary | TalkerSummary) -> Estimate | None:
        found: Estimate | None = getattr(owner, self.field)
        return found

    def text(self, owner: Summary | TalkerSummary) -> str:
        estimate = self.of(owner)
        return "" if estimate is None else self.words.format(estimate.text(self.unit))


_QUANTITIES = (
    _Quantity("carrier_hz", "carrier {}", "Hz"),
    _Quantity("symbol_rate_bd", "symbol rate {}", "Bd"),
    _Quantity("cycles_per_symbol", "{} carrier cycles per symbol", ""),
)
# beyond this many standard uncertainties of scatter the talkers are told apart by the quantity
_SHARED_BIRGE_RATIO = 3.0


def _is_shared(summary: Summary, quantity: _Quantity) -> bool:
    each = [quantity.of(talker) for talker in summary.talkers]
    apart = pool((estimate.value, estimate.std) for estimate in each if estimate is not None)
    return apart is None or apart.birge_ratio <= _SHARED_BIRGE_RATIO


def _weighted_mean(pairs: list[tuple[float, float]]) -> Estimate:
    least = min(std for _, std in pairs)
    weights = [(least / std) ** 2 for _, std in pairs]
    total = math.fsum(weights)
    # relative to one of the values: large frequencies with small scatter keep their digits
    base = pairs[0][0]
    mean = base + math.fsum(w * (v - base) for w, (v, _) in zip(weights, pairs, strict=True)) / total
    std = least / math.sqrt(total)
    if len(pairs) == 1:
        return Estimate(mean, std, 1)
    chi_squared = math.fsum(((v - mean) / s) ** 2 for v, s in pairs)
    ratio = math.sqrt(chi_squared / (len(pairs) - 1))
    return Estimate(mean, std * max(1.0, ratio), len(pairs), ratio)


def _timed(estimate: Estimate | None, tolerance: Tolerance) -> Estimate | None:
    if estimate is None:
        return None
    return replace(estimate, std=tolerance.time_std(estimate.value, estimate.std))


def _talker(name: int | None, bursts: list[Burst], tolerance: Tolerance) -> TalkerSummary:
    amplitude = pool((b.amplitude, b.amplitude_std) for b in bursts)
    if amplitude is not None:
        amplitude = replace(amplitude, std=tolerance.gain_std(amplitude.value, amplitude.std))
    return TalkerSummary(
        talker=name,
        bursts=len(bursts),
        amplitude=amplitude,
        carrier_hz=_timed(pool((b.carrier_hz, b.carrier_std_hz) for b in bursts), tolerance),
        symbol_rate_bd=_timed(pool((b.symbol_rate_bd, b.symbol_rate_std_bd) for b in bursts), tolerance),
        cycles_per_symbol=pool(_cycles(b) for b in bursts),
        symbol_counts=_counts(bursts),
    )


def _cycles(burst: Burst) -> tuple[float | None, float | None]:
    """Cycles per symbol with the uncertainty of the ratio; the time base cancels in it."""
    cycles, carrier, rate = burst.cycles_per_symbol, burst.carrier_hz, burst.symbol_rate_bd
    carrier_std, rate_std = burst.carrier_std_hz, burst.symbol_rate_std_bd
    if cycles is None or not carrier or not rate or carrier_std is None or rate_std is None:
        return cycles, None
    return cycles, cycles * math.hypot(carrier_std / carrier, rate_std / rate)


def _counts(bursts: Iterable[Burst]) -> tuple[int, ...]:
    return tuple(sorted({len(b.symbols) for b in bursts}))


def _talker_text(talker: TalkerSummary, own: list[_Quantity], unit: str) -> str:
    name = "unassigned" if talker.talker is None else f"talker {talker.talker}"
    parts = [f"amplitude {talker.amplitude.text(unit)}" if talker.amplitude else ""]
    parts += [quantity.text(talker) for quantity in own]
    return f"{name} {', '.join(part for part in parts if part)}, {_lengths_text(talker)}"


def _lengths_text(talker: TalkerSummary) -> str:
    counts = talker.symbol_counts
    shown = counts if len(counts) <= 3 else (counts[0], counts[-1])
    joint = " or " if len(counts) <= 3 else " to "
    noun = "burst" if talker.bursts == 1 else "bursts"
    text = f"{talker.bursts} {noun} of {joint.join(str(count) for count in shown)} symbols"
    rate = talker.symbol_rate_bd
    if rate is None or rate.value <= 0:
        return text
    return f"{text} ({joint.join(duration_text(count, rate) for count in shown)})"


def probability_text(probability: float | None) -> str:
    """Three digits, and never as if something were certain."""
    if probability is None or not math.isfinite(probability):
        return "unknown"
    return "above 0.999" if probability > 0.9995 else f"{probability:.3g}"


def duration_text(symbols: int, rate_bd: Estimate) -> str:
    """How long so many symbols take, with the uncertainty of the rate."""
    seconds = symbols / rate_bd.value
    std = None if rate_bd.std is None else seconds * rate_bd.std / rate_bd.value
    return format_quantity(seconds, std, "s")
