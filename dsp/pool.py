"""What transmissions share by who sent them: the uncertainty of their carriers, and talkers told apart."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.fits import Fits, Ints, carry, in_groups
from dsp.pauses import sure_pieces
from dsp.settling import settle
from dsp.source import Floats

# squared distance within which a burst agrees with others: three standard uncertainties of amplitude and of carrier
_AGREE = 18.0
# rounds of expectation and maximisation, and the part of its uncertainty below which a carrier no longer moves
_ROUNDS = 8
_STILL = 0.02
# symbols beside a transmission within which a better fit may move its ends
_ROOM = 1.5


def carrier_std(gain: Floats, count: Floats | Ints, period: Floats) -> Floats:
    """Standard uncertainty of carriers in radians a sample.

    Cramer-Rao bound of a tone of unknown phase (Rife and Boorstyn 1974): ``12 / (2 S)`` over the squared
    length, ``S = N g^2 / 2`` being the energy over the noise density.
    """
    count = np.maximum(count, 1)
    return np.asarray(np.sqrt(12.0 / np.maximum(count * gain * gain, 1e-9)) / (count * period))


def with_carrier(fits: Fits, omega: float) -> Fits:
    """The same with one carrier (radians a sample), turned about their middles."""
    middle = fits.middle
    return replace(
        fits,
        detune=np.full(len(fits), omega - fits.turned.omega),
        phase=fits.phase + fits.detune * (middle - fits.centre),
        centre=middle,
    )


def shared_carrier(fits: Fits, omega: float) -> float:
    """The carrier, from near ``omega`` (radians a sample), that explains all transmissions best together.

    Maximum likelihood by expectation-maximisation over the symbols (Dempster, Laird and Rubin 1977), each
    transmission with a phase of its own. The mean of their single carriers is worse where they are weak: below the
    threshold of frequency estimation (Rife and Boorstyn 1974) single ones lie far off.
    """
    weight = carrier_std(fits.gain, fits.count, fits.period) ** -2.0
    still = _STILL * float(weight.sum()) ** -0.5
    rows = with_carrier(fits, omega)
    for _ in range(_ROUNDS):
        rows = in_groups(rows, lambda some: carry(some, hold_carrier=True, rounds=2))
        moved = in_groups(rows, lambda some: carry(some, rounds=1))
        step = float(np.sum(weight * (moved.detune - rows.detune)) / weight.sum())
        omega += step
        rows = with_carrier(rows, omega)
        if abs(step) < still:
            break
    return omega


def on_shared_carrier(fits: Fits, omega: float) -> tuple[Fits, float, float]:
    """Fitted again with the carrier that all share, from near ``omega``; that carrier (radians a sample), and how many times
    less sure it is than if the phase of each went on all through it.

    It is told by what is one transmission beyond doubt (`dsp.pauses.sure_pieces`).
    """
    room = _ROOM * fits.period
    same = replace(
        with_carrier(fits, omega),
        low=np.maximum(fits.low, fits.start - room),
        high=np.minimum(fits.high, fits.stop + room),
    )
    same = settle(same, hold_carrier=True, width=0.06)
    pieces = sure_pieces(same)
    omega = shared_carrier(pieces, omega)
    told, whole = (
        float(np.sum(carrier_std(some.gain, some.count, some.period) ** -2.0)) for some in (pieces, same)
    )
    return with_carrier(same, omega), omega, float(np.sqrt(whole / told))


@dataclass
class _Cluster:
    """Running sums of the bursts of one talker."""

    log_sum: float
    log_u_sum: float
    weight: float
    carrier_sum: float
    carrier_u_sum: float
    members: list[int]

    def distance(self, log: float, log_u: float, carrier: float, carrier_u: float) -> float:
        """Squared distance of a burst in standard uncertainties."""
        n = len(self.members)
        away = (log - self.log_sum / n) ** 2 / (log_u**2 + (self.log_u_sum / n) ** 2 / n)
        mean_u = self.carrier_u_sum / n
        return away + (carrier - self.carrier_sum / self.weight) ** 2 / (carrier_u**2 + mean_u**2 / n)

    def add(self, number: int, log: float, log_u: float, carrier: float, carrier_u: float) -> None:
        self.log_sum += log
        self.log_u_sum += log_u
        self.weight += carrier_u**-2.0
        self.carrier_sum += carrier * carrier_u**-2.0
        self.carrier_u_sum += carrier_u
        self.members.append(number)


def group_talkers(amplitude: Floats, amplitude_u: Floats, carrier: Floats, carrier_u: Floats) -> list[int]:
    """Number the talkers: bursts whose amplitude and carrier agree within their uncertainty are one's.

    All arrays have shape (bursts,). Each burst, in order of amplitude, joins the closest group if it agrees with
    it within three standard uncertainties (amplitudes within 4 % count as equal: lines load unevenly).
    """
    logs = np.log(np.maximum(amplitude, 1e-300))
    logs_u = np.hypot(amplitude_u / np.maximum(amplitude, 1e-300), 0.04)
    carrier_u = np.hypot(carrier_u, 1e-5 * np.abs(carrier))
    order = np.argsort(logs, kind="stable")
    if _are_one(*(values[order] for values in (logs, logs_u, carrier, carrier_u))):
        return [0] * logs.size
    rows = list(zip(logs.tolist(), logs_u.tolist(), carrier.tolist(), carrier_u.tolist(), strict=True))
    clusters: list[_Cluster] = []
    for i in order.tolist():
        away = [(cluster.distance(*rows[i]), j) for j, cluster in enumerate(clusters)]
        nearest = min(away, default=(_AGREE, -1))
        if nearest[0] < _AGREE:
            clusters[nearest[1]].add(i, *rows[i])
        else:
            clusters.append(_Cluster(0.0, 0.0, 0.0, 0.0, 0.0, []))
            clusters[-1].add(i, *rows[i])
    out = [0] * logs.size
    for number, cluster in enumerate(sorted(clusters, key=lambda c: min(c.members))):
        for i in cluster.members:
            out[i] = number
    return out


def _are_one(logs: Floats, logs_u: Floats, carrier: Floats, carrier_u: Floats) -> bool:
    """Whether each burst (b,), in this order, agrees with all those before it, as `_Cluster.distance` has it."""
    n = np.arange(1.0, logs.size)
    weight = carrier_u**-2.0
    before = [np.cumsum(values)[:-1] for values in (logs, logs_u, weight, carrier * weight, carrier_u)]
    away = (logs[1:] - before[0] / n) ** 2 / (logs_u[1:] ** 2 + (before[1] / n) ** 2 / n)
    away += (carrier[1:] - before[3] / before[2]) ** 2 / (carrier_u[1:] ** 2 + (before[4] / n) ** 2 / n)
    return bool((away < _AGREE).all())


def towards_shared(amplitude: Floats, std: Floats) -> Floats:
    """Amplitudes (b,) of one talker, each drawn towards the mean by as much as its own ``std`` (b,) leaves open.

    By how much they differ apart from that is estimated from them (empirical Bayes, Efron and Morris 1975; the moment
    estimator of DerSimonian and Laird 1986).
    """
    if amplitude.size < 3:
        return amplitude
    weight = 1.0 / (std * std)
    total = float(weight.sum())
    mean = float(np.sum(weight * amplitude)) / total
    over = float(np.sum(weight * (amplitude - mean) ** 2)) - (amplitude.size - 1)
    between = max(0.0, over / (total - float(np.sum(weight * weight)) / total))
    return np.asarray(mean + (amplitude - mean) * between / (between + std * std))
