"""What transmissions share by who sent them: the uncertainty of their carriers, and talkers told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.fits import Ints
from dsp.source import Floats


def carrier_std(gain: Floats, count: Floats | Ints, period: Floats) -> Floats:
    """Standard uncertainty of carriers in radians a sample.

    Cramer-Rao bound of a tone of unknown phase (Rife and Boorstyn 1974): ``12 / (2 S)`` over the squared
    length, ``S = N g^2 / 2`` being the energy over the noise density.
    """
    count = np.maximum(count, 1)
    return np.asarray(np.sqrt(12.0 / np.maximum(count * gain * gain, 1e-9)) / (count * period))


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
    rows = list(zip(logs.tolist(), logs_u.tolist(), carrier.tolist(), carrier_u.tolist(), strict=True))
    clusters: list[_Cluster] = []
    for i in np.argsort(logs, kind="stable").tolist():
        away = [(cluster.distance(*rows[i]), j) for j, cluster in enumerate(clusters)]
        nearest = min(away, default=(18.0, -1))
        if nearest[0] < 18.0:
            clusters[nearest[1]].add(i, *rows[i])
        else:
            clusters.append(_Cluster(0.0, 0.0, 0.0, 0.0, 0.0, []))
            clusters[-1].add(i, *rows[i])
    out = [0] * logs.size
    for number, cluster in enumerate(sorted(clusters, key=lambda c: min(c.members))):
        for i in cluster.members:
            out[i] = number
    return out
