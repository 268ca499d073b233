"""Frozen results of a decode; the field names are those of the JSON contract.

All times are seconds on the axis of the samples that were given (``start_s`` of the first sample),
all frequencies hertz, all symbol rates baud. Standard uncertainties carry ``_std``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

KINDS = (
    "bpsk",
    "qpsk",
    "ook",
    "ask",
    "fsk",
    "baseband",
    "dominant-recessive",
    "pulses",
    "tone",
    "chirp",
    "multi-carrier",
    "none",
    "undecided",
)
LINE_CODES = ("plain", "differential", "nrzi", "manchester", "differential-manchester")
POLARITIES = ("normal", "inverted")


@dataclass(frozen=True)
class DecodeSettings:
    """What the caller knows already; ``None`` means: find out.

    ``modulation`` is one of `KINDS`, ``line_code`` one of `LINE_CODES`.
    """

    carrier_hz: float | None = None
    symbol_rate_bd: float | None = None
    modulation: str | None = None
    line_code: str | None = None
    polarity: str = "normal"


@dataclass(frozen=True)
class Notice:
    """Something the user must know about the samples or the result (``warnings`` in the JSON)."""

    code: str
    text: str
    count: int = 1
    first_sample: int | None = None


@dataclass(frozen=True)
class Refusal:
    """Why no bits are given."""

    code: str
    text: str


@dataclass(frozen=True)
class Alternative:
    """Another kind of signalling that the samples do not rule out."""

    kind: str
    probability: float


@dataclass(frozen=True)
class Signalling:
    """What the line does, and the evidence for it."""

    kind: str
    probability: float
    alternatives: tuple[Alternative, ...] = ()
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Character:
    """One start-stop character."""

    start_s: float
    value: int
    parity_ok: bool | None
    stop_ok: bool


@dataclass(frozen=True)
class Burst:
    """One contiguous transmission; see section 6 of the README for each field.

    ``confidence`` has one value a symbol. ``flips_interval_s`` has the 95 % interval of each flip.
    """

    start_s: float
    end_s: float
    start_probability: float
    end_probability: float
    cut_at_start: bool
    cut_at_end: bool
    talker: int | None
    amplitude: float
    amplitude_std: float | None
    carrier_hz: float | None
    carrier_std_hz: float | None
    symbol_rate_bd: float | None
    symbol_rate_std_bd: float | None
    symbol_rate_alternatives_bd: tuple[float, ...]
    cycles_per_symbol: float | None
    esn0_db: float | None
    esn0_std_db: float | None
    first_symbol_s: float
    flips_s: tuple[float, ...]
    flips_interval_s: tuple[tuple[float, float], ...]
    bits_per_symbol: int
    symbols: str
    confidence: tuple[float, ...]
    line_code: str
    bits: str
    characters: tuple[Character, ...] | None = None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Decode:
    """Everything found in one channel over one span."""

    settings: DecodeSettings
    signalling: Signalling
    bursts: tuple[Burst, ...]
    refusal: Refusal | None = None
    warnings: tuple[Notice, ...] = field(default=())
