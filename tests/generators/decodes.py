"""Results of a decode put together by hand, for tests that must not depend on the decoder."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from app.model.capture import Capture, Channel, Segment
from dsp.results import Alternative, Burst, Decode, DecodeSettings, Notice, Refusal, Signalling

BURST = Burst(
    start_s=0.00021,
    end_s=0.00061,
    start_probability=0.98,
    end_probability=0.95,
    cut_at_start=False,
    cut_at_end=True,
    talker=0,
    amplitude=0.8,
    amplitude_std=0.002,
    carrier_hz=203_710.25,
    carrier_std_hz=3.5,
    symbol_rate_bd=10_000.5,
    symbol_rate_std_bd=0.25,
    symbol_rate_alternatives_bd=(20_001.0,),
    cycles_per_symbol=20.37,
    esn0_db=17.5,
    esn0_std_db=0.5,
    first_symbol_s=0.00021,
    flips_s=(0.00031, 0.00041),
    flips_interval_s=((0.0003, 0.00032), (0.0004, 0.00042)),
    bits_per_symbol=1,
    symbols="1011",
    confidence=(0.999, 0.99, 0.97, 1.0),
    line_code="plain",
    bits="1011",
    characters=None,
    warnings=("the burst is cut by the end of the span",),
)


def burst(**changes: Any) -> Burst:
    return replace(BURST, **changes)


def keyed(*bursts: Burst, settings: DecodeSettings | None = None) -> Decode:
    """A decode of keyed bursts, one with every field filled unless others are given."""
    return Decode(
        settings or DecodeSettings(),
        Signalling("bpsk", 0.97, (Alternative("qpsk", 0.02),), ("a line at twice the carrier",)),
        bursts or (BURST,),
        None,
        (Notice("low-sampling", "six samples make a cycle", 1, None),),
    )


def refused() -> Decode:
    """A decode that found nothing and says why."""
    signalling = Signalling("none", 0.999, (), ("nothing rises above the noise",))
    return Decode(DecodeSettings(), signalling, (), Refusal("no-bursts", "no transmission stands out"))


def capture(*channels: np.ndarray, rate_hz: float = 1e6, start_s: float = 0.0, **changes: Any) -> Capture:
    """A capture of channels A, B, … in one segment."""
    return Capture(
        "line.npy",
        "npy",
        rate_hz,
        start_s,
        tuple(Channel(chr(65 + i), values) for i, values in enumerate(channels)),
        changes.pop("segments", (Segment(0, len(channels[0]), start_s),)),
        **changes,
    )
