"""Pauses within what one fit explains, where symbols are no rectangles: with their pulse known, they show.

Tails of the symbols on either side reach into a pause of two symbols, and rectangles gather as much there as of a pulse that
is short because the phase turns. With all symbols that are decided taken off but those asked about, a filter matched to the
pulse (Proakis, Digital Communications, section 5.1) tells how strong these are; without them the samples are likelier by so
much.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from dsp.fits import Fits, Flags, Ints, join
from dsp.on_off import own_nats
from dsp.parting import FEWEST
from dsp.pulse import REACH, Pulse, seen_of
from dsp.runs import Runs
from dsp.settling import settle
from dsp.source import Floats

# strength of a symbol, over that of those around it, below which it may be silent: tails of others that are taken off and
# silent, too, add to it; and how few of them are no pause, and how many are one that would have been seen
_QUIET, _FEWEST_SILENT, _MOST_SILENT = 0.7, 2, 8
# probability below which what is there is no noise
_CHANCE = 0.01


def without_pauses(fits: Fits, runs: Runs, pulse: Pulse) -> tuple[Fits, Floats, Ints]:
    """Fits cut where there is a pause, the middles (m,) of these in samples, and which of ``fits`` each part is of (b,).

    ``runs`` are their symbols. Each part has its own phase, carrier and timing.
    """
    parts: list[Fits] = []
    owner: list[int] = []
    walls: list[float] = []
    pauses = _pauses(runs, pulse)
    for row in sorted(pauses):
        whole = fits.take(np.array([row]))
        at, ends = [0], []
        for first, last in pauses[row]:
            if first - at[-1] >= FEWEST and int(whole.count[0]) - last >= FEWEST:
                ends.append(first)
                at.append(last)
        if not ends:
            continue
        for begin, end in zip(at, [*ends, int(whole.count[0])], strict=True):
            parts.append(_part(whole, begin, end))
            owner.append(row)
        walls += [0.5 * float(a.stop[0] + b.start[0]) for a, b in pairwise(parts[-len(at) :])]
    if not parts:
        return fits, np.zeros(0), np.arange(len(fits))
    stay = np.setdiff1d(np.arange(len(fits)), owner)
    cut = join([fits.take(stay), settle(join(parts), ends=False, width=0.06)])
    order = np.argsort(cut.start, kind="stable")
    return cut.take(order), np.sort(walls), np.concatenate((stay, owner))[order]


def _part(whole: Fits, begin: int, end: int) -> Fits:
    part = replace(whole, start=whole.start + begin * whole.period, count=np.array([end - begin]))
    return replace(part, phase=part.phase + part.detune * (part.middle - part.centre), centre=part.middle)


def _pauses(runs: Runs, pulse: Pulse) -> dict[int, list[tuple[int, int]]]:
    """First symbols of pauses, and those after them, in each transmission that has any."""
    parts, wide = pulse.parts, 2 * REACH + 1
    first = runs.offset[:-1]
    pull, weight = seen_of(runs, np.arange(runs.symbols.size), parts, pulse.variance)
    sign = np.where(runs.symbols.real > 0.0, 1.0, -1.0)
    # rows of each transmission with as many of nothing beside them as a pulse reaches
    at = np.arange(sign.size) + REACH * (2 * runs.owner + 1)
    size = sign.size + 2 * REACH * len(runs)
    bits = np.zeros(size)
    bits[at] = sign
    left, held = np.zeros((size, parts)), np.zeros((size, parts))
    held[at] = weight
    due = sum(bits[at + REACH - j, None] * pulse.shape[j] for j in range(wide))
    left[at] = pull - weight * due
    energy = sum(held[at - REACH + j] @ pulse.shape[j] ** 2 for j in range(wide))
    beyond = sign * sum(left[at - REACH + j] @ pulse.shape[j] for j in range(wide))
    strength = 1.0 + beyond / np.maximum(energy, 1e-9)
    each = 0.5 * np.add.reduceat(energy, first) / np.maximum(runs.count, 1)
    out: dict[int, list[tuple[int, int]]] = {}
    for begin, end in _stretches(strength < _QUIET, runs.owner):
        row = int(runs.owner[begin])
        low, high = int(at[begin]) - REACH, int(at[end - 1]) + REACH + 1
        own = np.zeros((end - begin, high - low, parts))
        for k in range(end - begin):
            own[k, k : k + wide] = sign[begin + k] * pulse.shape
        silent = _silent(left[low:high], held[low:high], own, float(own_nats(each[row])))
        if silent is not None:
            before = begin - int(first[row])
            out.setdefault(row, []).append((before + silent[0], before + silent[1]))
    return out


def _stretches(quiet: Flags, owner: Ints) -> list[tuple[int, int]]:
    """First and one after the last of rows of quiet symbols of one transmission, of no fewer than a pause has."""
    known = np.concatenate(([-1], np.where(quiet, owner, -1), [-1]))
    change = np.flatnonzero(np.diff(known))
    return [(a, b) for a, b in pairwise(change.tolist()) if known[a + 1] >= 0 and b - a >= _FEWEST_SILENT]


def _silent(left: Floats, held: Floats, own: Floats, least: float) -> tuple[int, int] | None:
    """First and one after the last of the symbols (k,) that are silent; None if none are.

    ``left`` and ``held`` (n, m) are what is left of the samples' pull with all symbols taken off, and their weight; ``own``
    (k, n, m) is what each symbol adds to them. Without the silent ones the samples must be likelier by ``least`` nats.
    """
    from scipy.special import chdtrc

    coupled = np.einsum("inm,jnm,nm->ij", own, own, held)
    told = np.einsum("inm,nm->i", own, left)
    best, out = least, None
    for a in range(len(own) - _FEWEST_SILENT + 1):
        for b in range(a + _FEWEST_SILENT, min(len(own), a + _MOST_SILENT) + 1):
            some = coupled[a:b, a:b]
            # that they were sent is half as likely with either sign
            gained = (b - a) * np.log(2.0) - float(told[a:b].sum()) - 0.5 * float(some.sum())
            # what a filter matched to each gathers once all of them are off
            gathered = told[a:b] + some.sum(axis=1)
            heard = float(gathered @ np.linalg.solve(some, gathered))
            if gained > best and chdtrc(b - a, heard) > _CHANCE:
                best, out = gained, (a, b)
    return out
