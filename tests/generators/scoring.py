"""What was sent against what came out, in the fields of the JSON contract."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol


class Truth(Protocol):
    """Any description of a burst that was sent: `generators.lines.Sent`, `dsp.synth.BurstSpec`."""

    @property
    def start_s(self) -> float: ...
    @property
    def end_s(self) -> float: ...
    @property
    def symbols(self) -> str: ...
    @property
    def carrier_hz(self) -> float: ...
    @property
    def symbol_rate_bd(self) -> float: ...


@dataclass(frozen=True)
class Pair:
    """One burst sent and the burst found for it; errors of time in symbols, ``_z`` in reported deviations."""

    truth: Any
    found: dict[str, Any]
    wrong: tuple[int, ...]
    compared: int
    start_error: float
    end_error: float
    carrier_z: float | None
    rate_z: float | None

    @property
    def length_error(self) -> int:
        return len(self.found["symbols"]) - len(self.truth.symbols)

    @property
    def right_rate(self) -> bool:
        return abs(self.found["symbol_rate_bd"] / self.truth.symbol_rate_bd - 1) < 0.02


@dataclass(frozen=True)
class Score:
    """Of one capture: ``missed`` were sent and not found, ``extra`` were found and not sent."""

    pairs: tuple[Pair, ...]
    missed: tuple[Any, ...] = ()
    extra: tuple[dict[str, Any], ...] = ()
    kind: str = ""
    refusal: dict[str, Any] | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def wrong_symbols(self) -> int:
        return sum(len(p.wrong) for p in self.pairs)

    @property
    def compared(self) -> int:
        return sum(p.compared for p in self.pairs)

    def complaints(self) -> list[str]:
        """One line for each thing that is not as it was sent; empty when all is."""
        out = [f"missed burst at {t.start_s:.6g} s of {len(t.symbols)} symbols" for t in self.missed]
        out += [f"extra burst at {b['start_s']:.6g} s of {len(b['symbols'])} symbols" for b in self.extra]
        for p in self.pairs:
            where = f"burst at {p.truth.start_s:.6g} s ({len(p.truth.symbols)} symbols)"
            if p.wrong:
                out.append(f"{where}: {len(p.wrong)} of {p.compared} symbols wrong, first {p.wrong[:5]}")
            if p.length_error:
                out.append(
                    f"{where}: {p.length_error:+d} symbols, ends {p.start_error:+.2f} {p.end_error:+.2f}"
                )
            if not p.right_rate:
                out.append(f"{where}: {p.found['symbol_rate_bd']:.6g} Bd, sent {p.truth.symbol_rate_bd:.6g}")
        if out and (self.refusal or self.kind != "bpsk"):
            out.append(f"kind {self.kind!r}, refusal {self.refusal}")
        return out


def score(sent: Sequence[Truth], result: dict[str, Any], polarity_known: bool = False) -> Score:
    """Each burst sent is paired with the burst found that shares most time with it."""
    left = list(result["bursts"])
    pairs, missed = [], []
    for truth in sent:
        shared = [_overlap(truth, burst) for burst in left]
        best = max(range(len(left)), key=shared.__getitem__, default=None)
        if best is None or shared[best] < 0.4 * (truth.end_s - truth.start_s):
            missed.append(truth)
            continue
        pairs.append(_pair(truth, left.pop(best), polarity_known))
    return Score(tuple(pairs), tuple(missed), tuple(left), result["signalling"]["kind"], result["refusal"])


def _overlap(truth: Truth, burst: dict[str, Any]) -> float:
    return float(min(truth.end_s, burst["end_s"]) - max(truth.start_s, burst["start_s"]))


def _pair(truth: Truth, found: dict[str, Any], polarity_known: bool) -> Pair:
    period = 1.0 / truth.symbol_rate_bd
    agree, differ = [], []
    for k, symbol in enumerate(found["symbols"]):
        centre = found["first_symbol_s"] + (k + 0.5) / found["symbol_rate_bd"]
        place = (centre - truth.start_s) / period
        if 0 <= place < len(truth.symbols):
            (agree if truth.symbols[int(place)] == symbol else differ).append(k)
    wrong = differ if polarity_known or len(differ) <= len(agree) else agree
    return Pair(
        truth,
        found,
        tuple(wrong),
        len(agree) + len(differ),
        (found["start_s"] - truth.start_s) / period,
        (found["end_s"] - truth.end_s) / period,
        _z(found["carrier_hz"], truth.carrier_hz, found["carrier_std_hz"]),
        _z(found["symbol_rate_bd"], truth.symbol_rate_bd, found["symbol_rate_std_bd"]),
    )


def _z(found: float | None, sent: float, std: float | None) -> float | None:
    return (found - sent) / std if found is not None and std else None
