"""Naming how a carrier is keyed: swept, in frequency, in strength, on and off, in phase, or not at all."""

from __future__ import annotations

from math import exp, log10

from dsp.features import Unit, View, hertz, seconds
from dsp.kinds_carrier import Amplitude, Carried, amplitude_of, coherence
from dsp.kinds_many import judge_side_by_side
from dsp.kinds_switching import Switching, frequency_levels, on_off, strength_levels, sweep_of
from dsp.results import Refusal
from dsp.verdict import Verdict, weigh

# variance of power over its mean squared: what filtering and merged stretches leave of an even strength
_EVEN = 0.2
_TELL = "select a span in which something else is sent, or tell the modulation"


def judge_carrier(view: View, carried: Carried) -> Verdict | None:
    """A verdict if the band holds one carrier keyed in a way that can be named, or several; else None."""
    amplitude = amplitude_of(carried)
    facts = (
        f"{len(carried.runs)} stretches stand {10.0 * log10(max(amplitude.snr, 1e-3)):.0f} dB above the noise within "
        f"{hertz(2.0 * carried.half_hz)} around {hertz(carried.centre_hz)}; within them the power varies by "
        f"{amplitude.variation:.2f} of its square (0 is constant, 1 is noise)",
    )
    return (
        _swept(carried, amplitude.variation, facts)
        or _shifted(carried, amplitude.variation, facts)
        or judge_side_by_side(view, carried)
        or _phased(carried, amplitude, facts)
    )


def _swept(carried: Carried, variation: float, facts: tuple[str, ...]) -> Verdict | None:
    sweep = sweep_of(carried)
    part = sweep.span_hz / (2.0 * carried.half_hz)
    sure = weigh(sweep.fit, 0.6, 0.06) * weigh(part, 0.25, 0.05) * weigh(0.5 - variation, 0.0, 0.08)
    if sure < 0.4:
        return None
    way = "rises" if sweep.hz_per_s > 0.0 else "falls"
    reason = (
        f"the frequency {way} evenly by {hertz(abs(sweep.hz_per_s))} a second over {hertz(sweep.span_hz)} "
        f"({100.0 * sweep.fit:.0f} % of it at one slope)"
    )
    text = f"a carrier swept evenly over {hertz(sweep.span_hz)} carries no symbols that can be told; {_TELL}"
    others: tuple[tuple[str, float], ...] = (("fsk", 0.02), ("multi-carrier", 0.02), ("undecided", 0.02))
    return Verdict("chirp", 0.97 * sure, others, (*facts, reason), Refusal("chirp", text))


def _shifted(carried: Carried, variation: float, facts: tuple[str, ...]) -> Verdict | None:
    found = frequency_levels(carried)
    if found is None:
        return None
    apart = found.levels.separation()
    sure = (
        weigh(apart, 4.0, 0.2)
        * weigh(min(found.levels.weights), 0.1, 0.02)
        * weigh(0.22 - variation, 0.0, 0.03)
    )
    sure *= found.clocked
    if sure < 0.4:
        return None
    low, high = (carried.centre_hz + level for level in found.levels.levels)
    reasons = (
        f"the frequency dwells at {hertz(low)} and {hertz(high)} by turns, {apart:.1f} times its scatter apart, "
        f"and changes {found.edges} times",
        _unit_text(found.unit, carried.rate_hz),
    )
    text = f"the carrier is shifted between {hertz(low)} and {hertz(high)}, not turned over: no phase reversals to decode"
    others: tuple[tuple[str, float], ...] = (("multi-carrier", 0.03), ("bpsk", 0.02), ("qpsk", 0.02))
    return Verdict("fsk", 0.97 * sure, others, (*facts, *reasons), Refusal("frequency-shift", text))


def _unit_text(unit: Unit | None, rate_hz: float) -> str:
    if unit is None:
        return "there are too few changes to tell whether their distances share a unit"
    return (
        f"times between changes fit multiples of {seconds(unit.length / rate_hz)} to {unit.fit:.2f} "
        "(1 is perfect, 0 what chance gives)"
    )


def _phased(carried: Carried, amplitude: Amplitude, facts: tuple[str, ...]) -> Verdict | None:
    one, chance, at_hz = coherence(carried, 1)
    two, _, _ = coherence(carried, 2)
    four, _, quarter_hz = coherence(carried, 4)
    reason = (
        f"on one phase lies {one:.2f} of the carrier, on two opposite ones {two:.2f}, on four {four:.2f} "
        f"(chance gives {min(chance, 1.0):.2f})"
    )
    facts = (*facts, reason)
    snr = amplitude.snr
    # on-off keying in noise leaves less on one phase than a tone, but its strength varies
    least = 0.3 if amplitude.variation > _EVEN else 0.6
    if one > least and one > 1.8 * chance and two < 1.5 * one:
        return _unmodulated(carried, at_hz, amplitude.variation, amplitude.decay, facts)
    # what noise leaves of the coherence of phases multiplied by 2 and by 4
    due_two, due_four = exp(-4.0 / (2.0 * snr)) ** 2, exp(-16.0 / (2.0 * snr)) ** 2
    if two > 0.25 * due_two and two > 3.0 * max(one, chance):
        text = (
            f"two opposite phases at {hertz(at_hz)} show, but no symbol period explains enough of them; "
            "select a single burst, or tell carrier and symbol rate"
        )
        # next to zero frequency two phases are two levels
        level = weigh(
            0.15, (carried.centre_hz - carried.half_hz) / (carried.centre_hz + carried.half_hz), 0.05
        )
        others: tuple[tuple[str, float], ...] = (
            ("bpsk", 0.6 - 0.3 * level),
            ("baseband", 0.3 * level),
            ("qpsk", 0.05),
            ("none", 0.05),
        )
        return Verdict("undecided", 0.25, others, facts, Refusal("two-phases-unclear", text))
    if four > 0.15 * due_four and four > 3.0 * max(one, two, chance):
        sure = weigh(four / due_four, 0.15, 0.03) * weigh(four / max(one, two, chance), 3.0, 0.5)
        text = f"the carrier at {hertz(quarter_hz)} takes four phases a quarter turn apart: no half-turn reversals to decode"
        others = (("bpsk", 0.02), ("fsk", 0.03), ("undecided", 0.1))
        return Verdict("qpsk", 0.96 * sure, others, facts, Refusal("four-phases", text))
    return None


def _unmodulated(
    carried: Carried, at_hz: float, variation: float, decay: float, facts: tuple[str, ...]
) -> Verdict:
    """One phase throughout: what is left is the strength."""
    if decay > 0.45 and len(carried.runs) >= 3:
        reason = f"each stretch fades: its first half holds {50.0 * (1.0 + decay):.0f} % of its energy"
        text = f"damped oscillations at {hertz(at_hz)}, as a load step makes them ring, carry no symbols that can be told"
        others: tuple[tuple[str, float], ...] = (("none", 0.3), ("ook", 0.08), ("tone", 0.05))
        return Verdict("pulses", 0.55, others, (*facts, reason), Refusal("ringing", text))
    keyed = on_off(carried)
    strengths = strength_levels(carried)
    if strengths is not None:
        low, high = strengths.levels.levels
        two = weigh(strengths.levels.separation(), 3.1, 0.2) * weigh(
            min(strengths.levels.weights), 0.12, 0.02
        )
        two *= strengths.clocked
        if two > 0.5 and low > 0.22 * high:
            return _in_strength(carried, strengths, two, at_hz, facts)
    if keyed.clocked > 0.5:
        reasons = (f"the carrier is switched {keyed.edges} times", _unit_text(keyed.unit, carried.rate_hz))
        text = (
            f"the carrier at {hertz(at_hz)} is keyed on and off with one phase: no phase reversals to decode"
        )
        others = (("ask", 0.07), ("tone", 0.05), ("pulses", 0.02))
        return Verdict("ook", 0.95 * keyed.clocked, others, (*facts, *reasons), Refusal("on-off", text))
    if variation > _EVEN:
        reason = "the strength varies far more than noise would, but at no regular times that were found"
        text = f"the carrier at {hertz(at_hz)} varies in strength in a way that cannot be told; {_TELL}"
        others = (("ask", 0.3), ("ook", 0.3), ("tone", 0.1), ("multi-carrier", 0.05))
        return Verdict("undecided", 0.25, others, (*facts, reason), Refusal("strength-unclear", text))
    return _tone(carried, keyed, at_hz, facts)


def _in_strength(
    carried: Carried, found: Switching, sure: float, at_hz: float, facts: tuple[str, ...]
) -> Verdict:
    low, high = found.levels.levels
    reasons = (
        f"the carrier's strength changes {found.edges} times between two levels, the lower {100.0 * low / high:.0f} % "
        "of the upper",
        _unit_text(found.unit, carried.rate_hz),
    )
    text = f"the carrier at {hertz(at_hz)} is keyed in strength with one phase: no phase reversals to decode"
    deep = weigh(0.4 - low / high, 0.0, 0.08)
    others: tuple[tuple[str, float], ...] = (("ook", 0.03 + 0.3 * deep), ("tone", 0.03))
    return Verdict(
        "ask", (0.95 - 0.3 * deep) * sure, others, (*facts, *reasons), Refusal("two-strengths", text)
    )


def _tone(carried: Carried, keyed: Switching, at_hz: float, facts: tuple[str, ...]) -> Verdict:
    whole = carried.runs[0][1] - carried.runs[0][0] > 0.95 * carried.z.size
    if whole:
        text = (
            f"a tone at {hertz(at_hz)} that keeps its phase carries no bits; select a span in which something is "
            "sent, or tell a carrier"
        )
        others: tuple[tuple[str, float], ...] = (("ask", 0.08), ("ook", 0.04), ("none", 0.03))
        return Verdict("tone", 0.85, others, facts, Refusal("steady-tone", text))
    many = len(carried.runs)
    reasons = (*facts, _unit_text(keyed.unit, carried.rate_hz))
    text = (
        f"{many} bursts of a tone at {hertz(at_hz)} without any phase reversal and with no common unit of "
        "duration: nothing to decode as bits"
    )
    # few durations cannot show that they share no unit
    open_end = 0.35 if keyed.edges < 16 else 0.1
    others = (("ook", open_end), ("pulses", 0.03), ("none", 0.03))
    return Verdict("tone", 0.92 - open_end, others, reasons, Refusal("unmodulated", text))
