"""Finding the steady tones of a record, so that they can be taken off (`dsp.tones`).

The stretch is cut into rows. A tone's complex amplitude is measured in each by one bin of its spectrum, beside which
other bins tell how much else there is: rows in which somebody sends count by so much less (weighted least squares,
Aitken 1935), so that what is sent hardly pulls at the tone. Where amplitude and phase wander, straight lines are
drawn between as few instants as the rows call for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.noise import NoiseFloor, estimate_noise
from dsp.source import Record, Stretch
from dsp.steady_lines import bands
from dsp.tones import Complexes, Floats, Tone, Tones

# rows of a stretch, at least, and samples of a row
_FEWEST_ROWS = 16
_ROW = (64, 16384)
_ROWS_AT_ONCE = 1 << 18
# bins to either side that tell what else there is; the window's main lobe ends at the fourth
BESIDE = (5, 6, 7)
# of what else there is in a row, in quiet ones: a tone that has less power is left to the filter
_STANDS_OUT = 1.0
# share of its highest amplitude that a steady tone never falls below: what is keyed or reversed does
_CALM = 0.5
# share of rows that are taken to be quiet
_QUIET = 0.15
# share of what is beside a tone that mirrors each other if its amplitude is keyed
_ALIKE = 0.4
# rows over which changes from row to row are averaged
_NEAR = 5
_TONES_AT_MOST = 32
# by what rows are shorter than the longest in each round: shorter ones follow tones that wander, and the longest at
# last tell tones apart that stand too close for the others
_SHORTER = (2, 16, 128, 1)
# bins of a row by which a line may be off, and rows that tell where it is if it may be by more
_BINS_OFF, _ROWS_LOOKED_UP = 1.0, 64
# natural units that another instant must gain for its amplitude and phase, and rows between instants at least
_GAINED = 3.0
_ROWS_APART = 8
# frequencies below this share of the sample rate are the slow part's (`dsp.baseline`)
_LOWEST = 1.0 / 400.0


def without_tones(record: Record, noise: NoiseFloor) -> tuple[Record, NoiseFloor]:
    """The record less its steady tones, and the floor of what is left; both as they were if there are none.

    ``noise`` is the floor of the record with its lines. Lines that are no tones, too weak or too restless, stay.
    """
    for shorter in _SHORTER:
        peaks = _peaks(noise)
        if not peaks:
            break
        found = [_of_stretch(record, stretch, noise, peaks, shorter) for stretch in record.stretches]
        found = [tones for tones in found if tones.tones]
        if not found:
            continue
        record = replace(record, tones=(*record.tones, *found))
        left = estimate_noise(record)
        if left is None:
            break
        noise = left
    return record, noise


def _peaks(noise: NoiseFloor) -> list[tuple[float, float]]:
    """Frequencies in hertz of the strongest lines, and by how much each may be off."""
    out = []
    step_hz = float(noise.lines_hz[1] - noise.lines_hz[0])
    for a, b in bands(noise.lines > 1.0):
        # a plateau of the widened line: its middle
        same = np.flatnonzero(noise.lines[a:b] == noise.lines[a:b].max())
        at = float(noise.lines_hz[a + round(float(same.mean()))])
        if _LOWEST * noise.rate_hz < at < 0.49 * noise.rate_hz:
            off = 0.5 * float(same[-1] - same[0]) * step_hz
            out.append((float(noise.lines[a:b].max()) * float(noise.density(at)), at, off))
    return [(at, off) for _, at, off in sorted(out, reverse=True)[:_TONES_AT_MOST]]


def _looked_up(
    record: Record, stretch: Stretch, length: int, peaks: list[tuple[float, float]], window: Floats
) -> list[float]:
    """Frequencies in hertz of lines that are known to within a bin of rows, or to less: where most power is then.

    What only short spectra show is known to no more than theirs; a bin off, a tone would turn once a row too often.
    """
    from scipy.fft import rfft

    bin_hz = record.rate_hz / length
    if all(off < _BINS_OFF * bin_hz for _, off in peaks):
        return [at for at, _ in peaks]
    starts = np.linspace(stretch.first, stretch.last - length, _ROWS_LOOKED_UP).astype(np.int64)
    rows = np.stack([record.read_centred(start, start + length) for start in starts.tolist()])
    spectrum = rfft(rows * window.astype(np.float32), axis=1)
    power = np.log(np.mean(spectrum.real**2 + spectrum.imag**2, axis=0, dtype=np.float64) + 1e-300)
    out = []
    for at, off in peaks:
        low, high = (int(np.clip(round((at + side * off) / bin_hz), 1, power.size - 2)) for side in (-1, 1))
        top = low + int(np.argmax(power[low : high + 1]))
        left, middle, right = power[top - 1 : top + 2]
        bend = left - 2.0 * middle + right
        shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
        out.append((top + float(np.clip(shift, -0.5, 0.5))) * bin_hz if off >= _BINS_OFF * bin_hz else at)
    return out


@dataclass(frozen=True, eq=False)
class Rows:
    """One bin of each row (r,), the power of what else there is beside it, where bin and line lie (radians a sample).

    ``mirrored`` (r,) is the mean product of the bins as far to the left and to the right of it.
    """

    values: Complexes
    beside: Floats
    mirrored: Complexes
    omega: float
    peak: float
    length: int


def _of_stretch(
    record: Record, stretch: Stretch, noise: NoiseFloor, peaks: list[tuple[float, float]], shorter: int
) -> Tones:
    none = Tones(stretch.first, stretch.last, ())
    length = max(_ROW[0], int(np.clip(noise.lines_hz.size - 1, *_ROW)) // shorter)
    if len(stretch) < _FEWEST_ROWS * length:
        return none
    window = row_window(length)
    known = _looked_up(record, stretch, length, peaks, window)
    lines = {round(at / record.rate_hz * length): 2.0 * np.pi * at / record.rate_hz for at in known}
    lines = {b: at for b, at in lines.items() if min(BESIDE) <= b <= length // 2 - min(BESIDE)}
    if not lines:
        return none
    tones = []
    for rows in _measured(record, stretch, length, lines, window):
        tone = fitted(rows, window)
        if tone is not None:
            tones.append(tone)
    return Tones(stretch.first, stretch.last, tuple(tones))


def row_window(length: int) -> Floats:
    """Four terms, the minimum of three derivatives at the ends left aside (Harris 1978, table 1: -92 dB)."""
    turn = 2.0 * np.pi * np.arange(length) / length
    terms = (0.35875, -0.48829, 0.14128, -0.01168)
    return np.asarray(sum(a * np.cos(k * turn) for k, a in enumerate(terms)), dtype=np.float64)


def _measured(
    record: Record, stretch: Stretch, length: int, lines: dict[int, float], window: Floats
) -> list[Rows]:
    """Rows without overlap over the whole stretch, for each bin at which there is a line."""
    from scipy.fft import rfft

    count = len(stretch) // length
    step = max(1, _ROWS_AT_ONCE // length)
    at = np.array(list(lines))
    wanted = np.clip(at[:, None] + np.array([0, *(-b for b in BESIDE), *BESIDE]), 1, length // 2 - 1)
    parts = []
    for row in range(0, count, step):
        rows = min(step, count - row)
        start = stretch.first + row * length
        values = record.read_centred(start, start + rows * length).reshape(rows, length)
        parts.append(rfft(values * window.astype(np.float32), axis=1)[:, wanted].astype(np.complex128))
    whole = np.concatenate(parts)
    power = whole.real**2 + whole.imag**2
    left, right = np.split(whole[:, :, 1:], 2, axis=2)
    mirrored = (left * right).mean(axis=2)
    return [
        Rows(
            whole[:, i, 0],
            power[:, i, 1:].mean(axis=1),
            mirrored[:, i],
            2.0 * np.pi * b / length,
            peak,
            length,
        )
        for i, (b, peak) in enumerate(lines.items())
    ]


def fitted(rows: Rows, window: Floats) -> Tone | None:
    """The tone of these rows; None if it does not stand out of what else there is, or is keyed."""
    number = np.arange(rows.values.size)
    rough = _weight(rows, np.zeros(number.size))
    turned = rows.values * np.exp(-1j * advance_of(rows.values * rough) * number)
    # what is sent close to the tone's frequency may have little beside it, but changes from row to row
    weight = _weight(rows, np.abs(np.diff(turned, prepend=turned[:1])) ** 2 / 2.0)
    advance = advance_of(rows.values * weight)
    # a tone half-way between two bins turns by half a turn a row, either way
    due = (rows.peak - rows.omega) * rows.length
    advance += 2.0 * np.pi * round((due - advance) / (2.0 * np.pi))
    turned = rows.values * np.exp(-1j * advance * number)
    # and by what slope of the phase is left
    mean = np.sum(weight * turned) / weight.sum()
    lever = number - np.sum(weight * number) / weight.sum()
    slope = float(np.sum(weight * lever * (turned * np.conj(mean)).imag))
    advance += slope / max(abs(mean) ** 2 * float(np.sum(weight * lever**2)), 1e-300)
    apart, knots = straight_lines(rows.values * np.exp(-1j * advance * number), weight)
    height = np.abs(np.interp(number + 0.5, np.arange(knots.size) * apart, knots))
    if float(np.sum(weight * height**2)) < _STANDS_OUT * height.size or height.min() < _CALM * height.max():
        return None
    if _is_keyed(rows, weight):
        return None
    omega = rows.omega + advance / rows.length
    # what the window makes of a tone of amplitude one so far beside the bin
    gain = np.sum(window * np.exp(1j * (omega - rows.omega) * np.arange(rows.length))) / 2.0
    return Tone(omega, apart * rows.length, knots / gain)


def _is_keyed(rows: Rows, weight: Floats) -> bool:
    """Whether what is beside the tone is the same on both sides, as it is if the tone's own amplitude is keyed.

    Then the tone is the carrier of something; less the tone, a keyed amplitude would look like reversals.
    """
    turn = rows.values / np.maximum(np.abs(rows.values), 1e-300)
    alike = float(np.sum(weight * (rows.mirrored * np.conj(turn) ** 2).real)) / float(
        np.sum(weight * rows.beside)
    )
    return alike > _ALIKE


def _weight(rows: Rows, restless: Floats) -> Floats:
    """One over the power of what else is in each row (r,): of the bins beside, or of what changes if that is more."""
    from scipy.ndimage import uniform_filter1d

    quiet = max(float(np.quantile(rows.beside, _QUIET)), 1e-300)
    changes = uniform_filter1d(restless, _NEAR, mode="nearest")
    return np.asarray(1.0 / np.maximum(np.maximum(rows.beside, changes), 0.5 * quiet))


def advance_of(values: Complexes) -> float:
    """Turn in radians from row to row that explains most of the values (r,)."""
    from scipy.fft import fft, next_fast_len

    size = next_fast_len(4 * values.size)
    power = np.abs(fft(values, size)) ** 2
    top = int(np.argmax(power))
    left, middle, right = power[top - 1], power[top], power[(top + 1) % size]
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    turn = 2.0 * np.pi * (top + shift) / size
    return float(turn - 2.0 * np.pi if turn > np.pi else turn)


def straight_lines(values: Complexes, weight: Floats) -> tuple[int, Complexes]:
    """Rows between knots, and the knots' values; as few as the rows call for, but no more than one in eight rows.

    Each knot is a complex amplitude that noise alone would lower the weighted squares by one for.
    """
    apart = 1 << int(np.ceil(np.log2(values.size)))
    tried = [(apart, *_knots(values, weight, apart))]
    while apart > _ROWS_APART:
        apart //= 2
        tried.append((apart, *_knots(values, weight, apart)))
    apart, knots, _ = min(tried, key=lambda one: one[2] + _GAINED * one[1].size)
    return apart, knots


def _knots(values: Complexes, weight: Floats, apart: int) -> tuple[Complexes, float]:
    """Least squares of straight lines between knots ``apart`` rows, and the weighted squares that are left."""
    from scipy.linalg import solveh_banded

    place = (np.arange(values.size) + 0.5) / apart
    left = np.floor(place).astype(np.int64)
    part = place - left
    count = int(left[-1]) + 2

    def summed(of_left: Floats | Complexes, of_right: Floats | Complexes) -> Complexes:
        both = np.concatenate((of_left, of_right)).astype(np.complex128)
        at = np.concatenate((left, left + 1))
        return np.bincount(at, both.real, count) + 1j * np.bincount(at, both.imag, count)

    main = summed(weight * (1.0 - part) ** 2, weight * part**2).real
    # knots that hardly any row speaks for follow their neighbours
    main = main + 1e-6 * main.max()
    beside = summed(np.zeros(left.size), weight * part * (1.0 - part)).real
    right = summed(weight * (1.0 - part) * values, weight * part * values)
    knots = np.asarray(solveh_banded(np.stack((beside, main)), right))
    shown = knots[left] * (1.0 - part) + knots[left + 1] * part
    return knots, float(np.sum(weight * np.abs(values - shown) ** 2))
