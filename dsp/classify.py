"""What is on the line when it is not phase reversal."""

from __future__ import annotations

from dsp.activity import Active
from dsp.bpsk import Search
from dsp.noise import NoiseFloor
from dsp.results import Refusal, Signalling
from dsp.source import Record


def explain_nothing(
    record: Record, noise: NoiseFloor, active: list[Active], search: Search
) -> tuple[Signalling, Refusal]:
    """Name what was found instead, and say why no bits are given."""
    if search.unmodulated:
        text = f"{len(search.unmodulated)} carrier bursts without any phase reversal: nothing to decode as bits"
        return Signalling("tone", 0.9, (), (text,)), Refusal("unmodulated", text)
    if not active:
        text = "nothing stands out of the noise and the steady lines: no transmissions found"
        return Signalling("none", 0.95, (), (text,)), Refusal("no-bursts", text)
    text = f"{len(active)} active stretches, but no carrier with two opposite phases explains them"
    return Signalling("undecided", 0.5, (), (text,)), Refusal("undecided", text)
