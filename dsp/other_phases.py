"""Whether what is sent surely takes neither one phase nor two, before any model is tried.

Of a carrier that takes two opposite phases, of whatever pulses, and complex Gaussian noise, with powers S and N, the square
has a line of power S^2, while twice the squared mean power less the mean of its square is ``2 S^2 - E[a^4]``, at most S^2
(moments of Gaussian noise; Proakis, Digital Communications, section 5.2, for the line). Several such carriers at once add
up in the latter, while the strongest makes the line: where that is more than half of the power squared, the line is no less
than half of it. Shifted frequencies and more phases have an even strength and spread the line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.activity import blocks_of, find_activity
from dsp.carrier import baseband
from dsp.correlate import Complexes
from dsp.noise import NoiseFloor, without_modulated_lines
from dsp.outcome import Keyed
from dsp.segment import Piece, cut, windows_of
from dsp.source import Floats, Record, Watch

# transmissions looked at, the most telling, and samples of one
_PIECES, _SAMPLES = 8, 1 << 14
# blocks of a record in which something is looked for
_BLOCKS = 2
# independent values of a while in which lines are sought: a carrier that drifts by 2 % over 20,000 symbols stays a line
# within some tens of symbols; the largest of so many by chance is 5 % of their power
_WHILE = 96
# values that tell the moments to a twentieth
_FEWEST = 384
# share of the power squared that is of even strength at least, and share of that in a line below which there are no two
# phases: a half, less what a line between two bins, noise and filters take
_EVEN, _LINE = 0.5, 0.4
# the same without a line, the largest of many by chance: what is even, and the share of it in a line of the square, which
# is all of it for two phases (1.07 and more was met), and some for smooth changes of frequency (0.47 and less)
_REST, _OPPOSITE = 0.2, 0.7
# times the band of a piece, which may hold one side of the carrier only: of that alone the square has hardly a line
_WIDER = 2.5


@dataclass(frozen=True)
class Moments:
    """Shares of the mean power, squared: what is ``even``, and what stands in one line of the square (``two``); of the mean
    power what stands in ``one`` line. ``power`` is the mean square of it all, around ``middle_hz`` and to about
    ``half_hz`` from there."""

    even: float
    one: float
    two: float
    rest_even: float
    rest_two: float
    power: float
    middle_hz: float
    half_hz: float


def of_other_phases(record: Record, pieces: list[Piece]) -> Keyed | None:
    """What pieces of activity are if surely neither a tone nor of two opposite phases; None if they may be.

    Its symbol period is told no better than by the band that was looked at.
    """
    seen = moments(record, pieces)
    if seen is None or not _takes_others(seen, _EVEN):
        return None
    wide = moments(record, pieces, _WIDER)
    if wide is None or not _takes_others(wide, _REST):
        return None
    return Keyed(seen.middle_hz, record.rate_hz / seen.half_hz, seen.power)


def _takes_others(seen: Moments, least: float) -> bool:
    """Whether at ``least`` so much is of even strength, and hardly any of it stands in a line."""
    if seen.even < least or seen.rest_even < min(least, _REST):
        return False
    if seen.one > _LINE * np.sqrt(seen.even) or seen.two > _LINE * seen.even:
        return False
    # two phases by less than half a turn apart are opposite ones about a line
    return seen.rest_two < _OPPOSITE * seen.rest_even


def suspected(record: Record, noise: NoiseFloor) -> Keyed | None:
    """The same of what stands out most clearly of a floor that it may be a part of."""
    flat = noise.flattened()
    if flat is None:
        return None
    seen = without_modulated_lines(record, flat)
    blocks = blocks_of(record)
    step = max(1, len(blocks) // _BLOCKS)
    active = find_activity(record, seen, Watch(), blocks=blocks[step // 2 :: step])
    if not active:
        return None
    clearest = max(active, key=lambda one: one.best.nats)
    nothing = np.zeros((0, 2))
    return of_other_phases(
        record,
        [piece for window in windows_of(record, clearest) for piece in cut(record, seen, window, nothing)],
    )


def moments(record: Record, pieces: list[Piece], wider: float = 1.0) -> Moments | None:
    """What the most telling of some pieces show within the band of each, or one ``wider`` so many times; None if they
    are too short to tell."""
    sums = np.zeros(6)
    whiles = weight = middle_hz = half_hz = 0.0
    values = 0
    for piece in sorted(pieces, key=lambda p: -p.nats)[:_PIECES]:
        middle, half = 0.5 * (piece.low_hz + piece.high_hz), 0.5 * wider * (piece.high_hz - piece.low_hz)
        if half <= 0.0 or piece.stop - piece.start < _WHILE:
            continue
        samples = record.read_centred(piece.start, min(piece.stop, piece.start + _SAMPLES))
        z, rate_hz, centre_hz = baseband(samples.astype(np.float64), record.rate_hz, middle, half)
        # a flat band and its raised-cosine flanks, squared; as long a while however wide it is
        length = round(_WHILE * wider * rate_hz / (2.75 * half))
        count = z.size // length
        if not count:
            continue
        rows = z[: count * length].reshape(count, length)
        mean = (np.abs(rows) ** 2).mean(axis=1)
        line, at = _line(rows)
        rest = rows - _wave_at(rows, at)
        parts = (
            mean**2,
            _even(rows),
            mean * line,
            _line(rows**2)[0],
            _even(rest),
            _line(rest**2)[0],
        )
        sums += np.array([float(part.sum()) for part in parts])
        values += count * _WHILE
        own = float(mean.sum())
        turned = float(np.angle(np.vdot(rows[:, :-1], rows[:, 1:])))
        whiles += count
        middle_hz += own * (centre_hz + turned * rate_hz / (2.0 * np.pi))
        half_hz += own * half
        weight += own
    if values < _FEWEST or sums[0] <= 0.0:
        return None
    even, one, two, rest_even, rest_two = (sums[1:] / sums[0]).tolist()
    return Moments(
        even, one, two, rest_even, rest_two, 0.5 * weight / whiles, middle_hz / weight, half_hz / weight
    )


def _even(rows: Complexes) -> Floats:
    """Mean power squared of each row (rows, n) less the variance of the power."""
    power = np.abs(rows) ** 2
    return np.asarray(power.mean(axis=1) ** 2 - power.var(axis=1))


def _line(rows: Complexes) -> tuple[Floats, float]:
    """Power of the strongest line of each row (rows, n), and the frequency, in cycles a value, of that of all rows."""
    from scipy.fft import fft, next_fast_len

    # four times as long: between two bins a line has lost a twentieth
    size = next_fast_len(4 * rows.shape[1])
    spectrum = np.abs(fft(rows, size, axis=1)) ** 2
    at = int(np.argmax(spectrum.sum(axis=0))) / size
    return np.asarray(spectrum.max(axis=1)) / rows.shape[1] ** 2, at


def _wave_at(rows: Complexes, at: float) -> Complexes:
    """What each row (rows, n) has at a frequency in cycles a value."""
    wave = np.exp(2j * np.pi * at * np.arange(rows.shape[1]))
    return np.asarray(wave * np.mean(rows * np.conj(wave), axis=1, keepdims=True))
