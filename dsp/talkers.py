"""Who sent what: transmissions grouped by transmitter, each group fitted with what it shares."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.candidates import retimed
from dsp.doubt import sign_odds
from dsp.end_noise import end_noise
from dsp.ends import Ends, decide_ends, run_ends
from dsp.extract import Found
from dsp.fits import Fits, Ints, carry, in_groups, join, walled
from dsp.flips import Flips, flip_times
from dsp.own_period import with_own_period
from dsp.parting import FEWEST
from dsp.period import Period
from dsp.pool import carrier_std, group_talkers, on_shared_carrier, towards_shared, with_carrier
from dsp.pulse import Pulse, pulse_of
from dsp.pulse_ends import Room, decide_followed_ends, decide_pulse_ends
from dsp.pulse_pauses import without_pauses
from dsp.pulse_timing import straightened
from dsp.quality import Fitness, fitness, judged_each, of_one_clock, one_phase, plausible
from dsp.rejoin import rejoined
from dsp.runs import Runs, assemble, decided, runs_of
from dsp.runs import join as join_runs
from dsp.settling import settle
from dsp.source import Floats
from dsp.strip import Strip

# a group so large may take in others, if they lose no more than a carrier of their own gains in noise
# symbols without a reversal that random ones have in one of 256 transmissions
_TELLING_SYMBOLS = 9
_MANY = 6
_FREE_NATS = 10.0
# times by which amplitudes of one talker differ at most, those of weak transmissions in noise included
_AS_STRONG = 2.0
# cycles a symbol by which the phase may run away: a symbol is then short by 3 %
_RUNS_AWAY = 0.1
# natural units by which two phases must be likelier than any phases in each transmission of a talker that is far weaker
# than another: the best fit to noise gains up to nine (measured), ten symbols at 7 dB 8 to 17, 24 symbols at 5 dB over 16
_TELLING_NATS = 10.0
# squared length of a symbol that ten and more symbols of noise do not reach
_NOISE_GAIN2 = 5.0
# squared length of a symbol above which a carrier of its own costs a transmission nothing to speak of
_HOLD_BELOW = 24.0
_NONE: Floats = np.zeros(0)


@dataclass(frozen=True, eq=False)
class Talker:
    """Transmissions of one strip that one transmitter may have sent, and what they share.

    The noise of ``runs`` is one. ``carrier`` (radians a sample) and its standard uncertainty are None if the
    transmissions do not share it. ``odds`` (symbols,) are the log-odds of each symbol being positive;
    ``period`` is its own symbol period where that is not the one of all. ``matched`` is the energy over noise of a
    symbol, by a filter matched to its pulse, over that by a rectangle.
    """

    strip: Strip
    runs: Runs
    ends: Ends
    flips: Flips
    fitness: Fitness
    carrier: float | None
    carrier_std: float | None
    odds: Floats
    period: Period | None = None
    matched: float = 1.0

    def released(self) -> Talker:
        """Without the samples, which a long record cannot keep."""
        empty = np.zeros(0)
        turned = replace(self.runs.turned, sums=np.zeros(1, dtype=np.complex128))
        return replace(
            self,
            strip=replace(self.strip, samples=empty, size=self.strip.size),
            runs=replace(self.runs, turned=turned),
        )


def believable(found: Found) -> tuple[Found, Runs]:
    """Without what cannot be phase reversal when judged by itself; and the symbols of all that stays."""
    fits = found.fits
    short = runs_of(fits)
    keep = np.zeros(0, dtype=np.bool_)
    if len(short):
        judged = judged_each(short)
        keep = plausible(short, judged)
        if len(short) > 1 and not (clocked := of_one_clock(short, judged)).all():
            fits = retimed(fits, keep & ~clocked)
            short = runs_of(fits)
            keep &= of_one_clock(short, judged_each(short))
    short = short if keep.all() else short.take(keep)
    runs = [short] if len(short) else []
    windows, owner = found.windows, found.owner
    if len(windows):
        stay = []
        for number in np.unique(owner):
            run = assemble(windows.take(owner == number), owner[owner == number])
            if len(run) and plausible(run)[0]:
                stay.append(number)
                runs.append(run)
        good = np.isin(owner, stay)
        windows, owner = windows.take(good), owner[good]
    left = Found(fits.take(keep), windows, owner, found.variance, short, found.held)
    return left, join_runs(runs) if runs else short


def talkers_of(strip: Strip, found: Found) -> list[Talker]:
    """Group what was found by transmitter, and let each group share its carrier if it has one."""
    fits = found.fits
    long = assemble(found.windows, found.owner) if len(found.windows) else None
    amplitude, omega, gain, count, period = (
        np.concatenate((one, np.asarray(other)))
        for one, other in (
            (fits.amplitude, long.amplitude if long is not None else ()),
            (fits.omega, long.omega if long is not None else ()),
            (fits.gain, long.gain if long is not None else ()),
            (fits.count, long.count if long is not None else ()),
            (fits.period, long.period if long is not None else ()),
        )
    )
    if not amplitude.size:
        return []
    carrier_u = carrier_std(gain, count, period)
    amplitude_u = amplitude / np.maximum(gain * np.sqrt(count), 1e-9)
    groups = np.array(group_talkers(amplitude, amplitude_u, omega, carrier_u))
    fits, groups = _adopted(fits, groups, carrier_u)
    runs = found.runs if fits is found.fits and found.runs is not None else runs_of(fits)
    line = _line(strip, runs if long is None else join_runs([runs, long]))
    if line.pulse is not None and len(fits):
        before = len(fits)
        fits, pauses, whole = without_pauses(fits, runs, line.pulse)
        if pauses.size:
            runs = runs_of(fits)
            line = _line(strip, runs if long is None else join_runs([runs, long]), pauses)
            groups = np.concatenate((groups[whole], groups[before:]))
            carrier_u = np.concatenate((carrier_std(fits.gain, fits.count, fits.period), carrier_u[before:]))
    # whoever sent those before and after
    fits = walled(fits, *((long.first, long.last) if long is not None else (_NONE, _NONE)))
    out: list[Talker] = []
    for number in range(int(groups.max()) + 1):
        mine = np.flatnonzero(groups == number)
        short, followed = mine[mine < len(fits)], mine[mine >= len(fits)] - len(fits)
        if followed.size and long is not None:
            out.append(_followed(strip, long.take(followed), line))
        if short.size:
            known = runs if short.size == len(runs) else runs.take(short)
            out.append(_fitted(strip, fits.take(short), carrier_u[short], known, line, held=found.held))
    return _worth_a_talker(out)


@dataclass(frozen=True, eq=False)
class _Line:
    """The room that transmissions of a strip have, and the ``pulse`` that all show, where symbols are no rectangles.

    None crosses ``borders`` (m,): where samples are missing, and pauses that the pulse tells.
    """

    pulse: Pulse | None
    room: Room
    borders: Floats

    def of(self, runs: Runs) -> Pulse | None:
        """The pulse of one talker, where that is no rectangle either."""
        return None if self.pulse is None else pulse_of(runs, self.pulse)


def _line(strip: Strip, runs: Runs, pauses: Floats = _NONE) -> _Line:
    borders = np.sort(np.append(strip.begins[1:], pauses)).astype(np.float64)
    walls = np.concatenate((strip.begins[:1], borders, [float(strip.size)]))
    return _Line(pulse_of(runs), Room.shared(walls, runs.first, runs.last), borders)


def _worth_a_talker(talkers: list[Talker]) -> list[Talker]:
    """Without what is no talker beside another one.

    That is what never turns over: part of a tone that stands near the carrier. And what is far weaker, or as weak as
    noise taken for symbols, and hardly tells two phases: noise that is stronger just there than the floor says.
    """
    if len(talkers) < 2:
        return talkers
    most = max(talkers, key=lambda talker: int(talker.runs.count.sum()))
    strongest = max(talkers, key=lambda talker: float(np.sum(talker.runs.gains**2)))
    return [
        talker
        for talker in talkers
        if (talker is most or int(talker.runs.count.max()) < _TELLING_SYMBOLS or not one_phase(talker.runs))
        and (
            talker.fitness.gain**2 > max(0.25 * strongest.fitness.gain**2, _NOISE_GAIN2)
            or talker is strongest
            or talker.fitness.nats > _TELLING_NATS * len(talker.runs)
        )
    ]


def _adopted(fits: Fits, groups: Ints, carrier_u: Floats) -> tuple[Fits, Ints]:
    """Transmissions that stand alone, fitted with the carrier of the largest group where that does as well.

    The carrier of a weak transmission may be off by a step of its resolution (Rife and Boorstyn 1974: the
    threshold of frequency estimation); then part of its symbols is turned over. ``groups`` (transmissions,) may be
    longer than ``fits``.
    """
    own = groups[: len(fits)]
    sizes = np.bincount(own, minlength=1)
    most = int(np.argmax(sizes))
    alone = np.flatnonzero((own != most) & (sizes[own] <= max(1, sizes[most] // 10)))
    if sizes[most] < _MANY or not alone.size:
        return fits, groups
    mine = own == most
    weight = 1.0 / carrier_u[: len(fits)][mine] ** 2
    omega = float(np.sum(weight * fits.omega[mine]) / weight.sum())
    tried = with_carrier(fits.take(alone), omega)
    tried = replace(tried, phase=np.zeros(len(tried)))
    edges = tried.edges()
    y = tried.turned.between(edges) * np.exp(-1j * tried.angles(edges))
    square = np.sum(np.where(tried.inside(), y * y, 0.0), axis=1)
    tried = settle(replace(tried, phase=0.5 * np.angle(square)), hold_carrier=True)
    good = (tried.nats > fits.nats[alone] - _FREE_NATS) & (tried.count >= FEWEST)
    # what is left of something else in noise fits any carrier, but is not as strong
    strength = tried.amplitude / float(np.median(fits.amplitude[mine]))
    good &= (strength > 1.0 / _AS_STRONG) & (strength < _AS_STRONG)
    if not good.any():
        return fits, groups
    rows = np.arange(len(fits))
    order = np.concatenate((np.delete(rows, alone[good]), alone[good]))
    whole = join([fits.take(np.delete(rows, alone[good])), tried.take(good)])
    groups = groups.copy()
    groups[alone[good]] = most
    # numbers without a gap
    groups = np.unique(groups, return_inverse=True)[1]
    return whole.take(np.argsort(order, kind="stable")), groups


def _followed(strip: Strip, runs: Runs, line: _Line) -> Talker:
    pulse, ends = line.of(runs), None
    if pulse is not None:
        runs = straightened(runs, pulse)
        pulse = line.of(runs) or pulse
        runs, ends = decide_followed_ends(runs, pulse, line.room)
    judged = fitness(runs)
    room = line.room.of(0.5 * (runs.first + runs.last))
    noise = end_noise(runs, *room).over(judged.noise)
    runs = _renormed(runs, judged.noise)
    if ends is None and noise.alike:
        ends = run_ends(runs, *room)
    elif ends is None:
        runs, ends = decide_followed_ends(runs, None, line.room, noise)
    return Talker(
        strip,
        runs,
        ends,
        flip_times(runs, 1.0),
        replace(judged, noise=1.0),
        None,
        None,
        2.0 * runs.gains * runs.symbols.real,
        matched=_matched(runs, pulse),
    )


def _matched(runs: Runs, pulse: Pulse | None) -> float:
    """Es/N0 by a filter matched to the pulse over that by a rectangle (Proakis, Digital Communications, section 5.1).

    What neighbours reach into a rectangle is no noise where the pulse that does so is known.
    """
    return 1.0 if pulse is None else pulse.energy * runs.variance / pulse.variance


def _renormed(runs: Runs, noise: float) -> Runs:
    """The same symbols in units in which the noise that was met is one."""
    root = 1.0 / float(np.sqrt(noise))
    return replace(
        runs,
        variance=runs.variance * noise,
        symbols=runs.symbols * root,
        gains=runs.gains * root,
        before=runs.before * root,
        after=runs.after * root,
    )


def _turned_to_their_own(strip: Strip, fits: Fits) -> Fits:
    """Fits over sums turned back by the carrier they have themselves, where that of the sums is far from it.

    Over a symbol in which the phase runs away, the sum falls short by ``sinc`` of the cycles that it runs.
    """
    omega = float(np.median(fits.omega))
    shift = fits.turned.omega - omega
    if abs(shift) * float(np.median(fits.period)) < 2.0 * np.pi * _RUNS_AWAY:
        return fits
    turned = strip.turned(omega, fits.turned.sharp)
    phase = np.remainder(fits.phase + shift * fits.centre + np.pi, 2.0 * np.pi) - np.pi
    own = replace(fits, turned=turned, detune=fits.detune + shift, phase=phase)
    return settle(own, ends=False, width=0.06)


def _fitted(strip: Strip, fits: Fits, carrier_u: Floats, runs: Runs, line: _Line, *, held: bool) -> Talker:
    """One talker's transmissions, with a symbol period of its own where its flips show one."""
    # once they share what they are turned back by, parts of one are known as such
    own = _turned_to_their_own(strip, fits)
    none = np.zeros(0, dtype=np.int64)
    own, _, _ = rejoined(own, own.take(none), none, line.borders, follow=False, held=held)
    if len(own) < len(fits):
        carrier_u = carrier_std(own.gain, own.count, own.period)
    if own.turned is not fits.turned or len(own) < len(fits):
        runs = runs_of(own)
    fits = own
    talker = _finished(strip, fits, carrier_u, runs, line)
    fits, period = with_own_period(fits, float(np.median(fits.period)), talker.runs, talker.flips)
    if period is None:
        return talker
    return replace(_finished(strip, fits, carrier_u, runs_of(fits), line), period=period)


def _finished(strip: Strip, fits: Fits, carrier_u: Floats, runs: Runs, line: _Line) -> Talker:
    """One talker's transmissions with what they share, their ends, flips and odds, the symbol period held.

    ``runs`` are their symbols as they are.
    """
    weight = 1.0 / carrier_u**2
    mean = float(np.sum(weight * fits.omega) / weight.sum())
    shared = len(fits) > 1 and agree(fits.omega, mean, carrier_u)
    judged = fitness(runs)
    noise = end_noise(runs, *line.room.of(0.5 * (runs.first + runs.last))).over(judged.noise)
    # a load that comes on within a transmission leaves its ends unlike
    first, last = (runs.gains[at] / fits.gain for at in (runs.offset[:-1], runs.offset[1:] - 1))
    # in units of the noise that was met, so that likelihoods are what they say
    fits = replace(fits, variance=fits.variance * judged.noise)
    hold = shared and float(np.median(fits.gain)) ** 2 < _HOLD_BELOW
    std = float(1.0 / np.sqrt(weight.sum())) * float(np.sqrt(judged.noise))
    if hold:
        fits, mean, less_sure = on_shared_carrier(fits, mean)
        std *= less_sure
    pulse = line.of(runs)
    if pulse is None:
        fits, ends = decide_ends(fits, (first, last), noise=noise)
    else:
        fits, ends = decide_pulse_ends(fits, pulse, line.room)
    fits = in_groups(fits, lambda rows: carry(rows, hold_carrier=hold, rounds=2))
    amplitude_u = fits.amplitude / np.maximum(fits.gain * np.sqrt(fits.count), 1e-9)
    level = replace(fits, amplitude=towards_shared(fits.amplitude, amplitude_u))
    runs = runs_of(fits)
    odds = sign_odds(level, runs.symbols.real, hold_carrier=hold)
    runs = decided(runs, odds)
    return Talker(
        strip,
        runs,
        ends,
        flip_times(runs, 1.0),
        replace(judged, noise=1.0, gain=float(np.sqrt(np.mean(runs.gains**2)))),
        mean if shared else None,
        std if shared else None,
        odds,
        matched=_matched(runs, pulse),
    )


def agree(values: Floats, mean: float, std: Floats) -> bool:
    """Whether carriers or periods (n,) differ by no more than chance: below the 99.9 % point of chi-square
    (Wilson-Hilferty)."""
    k = max(1, values.size - 1)
    limit = k * (1.0 - 2.0 / (9.0 * k) + 3.09 * np.sqrt(2.0 / (9.0 * k))) ** 3
    return bool(np.sum(((values - mean) / std) ** 2) < limit)
