"""The words of a report, for a reader who has nothing but the page."""

from __future__ import annotations

from app.report.markup import Element, facts

WORDS = (
    (
        "capture",
        "one recording of the line: channels of equally spaced samples; its segments are triggered records with gaps between",
    ),
    ("burst", "one contiguous transmission"),
    (
        "talker",
        "a transmitter, told from others by amplitude, carrier and timing; the numbers are the program's, and begin anew "
        "in each capture",
    ),
    ("carrier", "the tone that the bits are keyed on"),
    ("flip", "an instant at which the phase of the carrier turns by half a turn"),
    (
        "symbol, Bd",
        "the shortest piece of a transmission that carries something of its own; so many in a second are the symbol rate in "
        "baud (Bd), so many carrier cycles in one are the cycles per symbol",
    ),
    ("bits, line code", "symbols become bits by the line code; plain: a bit is the symbol itself"),
    ("frame", "the bits of a burst read as one message; those of one talker and length are lined up"),
    (
        "amplitude",
        "peak of the carrier of a burst, or half the swing between two levels; the levels of “the line” are of all "
        "samples of the span, whatever is sent: their mean, root mean square and extremes, and the noise as it is "
        "within the whole band of the capture",
    ),
    (
        "Es/N0",
        "energy of a symbol over the one-sided density of the noise, in decibels: how far the signal stands above the noise",
    ),
    (
        "answer time, gap",
        "from the end of a burst to the start of the next; called an answer where another talker follows, and sooner "
        "than the first one follows it",
    ),
    (
        "(digits)",
        "standard uncertainty in the last digits of the value, as of JCGM 100 (the GUM): 412.37(4) is 412.37 ± 0.04",
    ),
    (
        "Birge ratio",
        "scatter of the estimates over what their uncertainties explain; far above 1 they are not estimates of one value",
    ),
    ("probability", "of the things said with 0.9, nine in ten are right"),
    (
        "SHA-256",
        "a digest: whoever has the file can work it out again, and any change of the file gives another",
    ),
    (
        "bpsk, qpsk, ook, ask, fsk",
        "a carrier keyed by half turns, by quarter turns, on and off, in amplitude, in frequency",
    ),
)


def word_list() -> Element:
    """What the words mean, in the order of the page."""
    return facts(WORDS)
