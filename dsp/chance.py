"""Whether noise alone, looked through for as long and with as many models, would show the like by chance.

The bits averaged out, a likelihood ratio has the mean 1 in noise, and whatever of ``m`` transmissions is tried it exceeds
``e^x`` with a probability of at most ``m e^-x``; along one transmission, however long it gets, no more often than at its
end (Ville 1939). So what was chosen for its likelihood must exceed what it was chosen from: the number of starts,
carriers, periods, phases and amplitudes that the samples tell apart, which is the room each was sought in over the width
of the likelihood's peak there (MacKay 2003, chapter 28; Gross and Vitells 2010 on trial factors).

Of ``n`` symbols of squared length ``g^2``, ``E = n g^2``, the curvatures of the logarithm are ``E`` for the phase and the
logarithm of the amplitude, and ``E (n T)^2 / 12`` for the carrier in radians a sample. Start and period are seen by the
reversals alone, one in two edges: it falls by ``2 g^2`` for each symbol that one is off (Hinkley 1970), so that peaks are
``2 / E`` symbols wide in the start and ``8 / (E n)`` in the logarithm of the period.
"""

from __future__ import annotations

import numpy as np

from dsp.extract import Model
from dsp.results import DecodeSettings
from dsp.runs import Runs
from dsp.source import Floats

# links that noise may show in a sample: a tenth of one in 10^8, since hypotheses are counted to within a factor of a few
_A_SAMPLE = 1e-9
# cycles a symbol that there are; of longer symbols none is expected, the less so the longer
_CYCLES = 48.0
# factor over which the amplitude is open: what is stronger still is in no doubt, what is weaker is not found
_AMPLITUDES = float(np.e)
# share by which a period may differ from the one told
_TOLD = 0.02
# cycles a symbol by which carriers of one link differ, while that is not known
_SPREAD = 0.05


def beyond_chance(runs: Runs, model: Model, samples: int, rate_hz: float, settings: DecodeSettings) -> bool:
    """Whether transmissions found in so many ``samples`` are likelier than noise makes them anywhere in a record."""
    return float(np.sum(runs.nats)) > chance_nats(runs, model, samples, rate_hz, settings)


def chance_nats(runs: Runs, model: Model, samples: int, rate_hz: float, settings: DecodeSettings) -> float:
    """Log-likelihood ratio (nats) against silence that all runs together reach in noise, once in 10^9 samples.

    The first of them may begin at any sample of a record, the others anywhere in ``samples``, in any order.
    """
    count = runs.count.astype(np.float64)
    energy = count * runs.gain**2
    peak = np.sqrt(energy / (2.0 * np.pi))
    each = np.log(0.5 * energy / runs.period) + np.log(np.pi * peak) + np.log(np.log(_AMPLITUDES) * peak)
    first = int(np.argmax(runs.nats))
    told_carrier = settings.carrier_hz is not None and _near(
        model.carrier_hz - settings.carrier_hz, _SPREAD * rate_hz / model.period
    )
    told_period = settings.symbol_rate_bd is not None and _near(
        model.period * settings.symbol_rate_bd / rate_hz - 1.0, _TOLD
    )
    spread = _SPREAD if model.spread is None else model.spread
    beside = np.log(np.maximum(1.0, _carriers(4.0 * np.pi * spread, count, energy)))
    anywhere = np.log(_carriers(np.pi * model.period, count, energy))
    cycles = model.carrier_hz * model.period / rate_hz
    room = 2.0 * _TOLD if told_period else float(np.log(_CYCLES))
    nats = -np.log(_A_SAMPLE) + each[first] + (beside if told_carrier else anywhere)[first]
    nats += max(0.0, float(np.log(room * energy[first] * count[first] / 8.0)))
    # the density falls with the square of the length
    nats += 2.0 * max(0.0, float(np.log(cycles / _CYCLES)))
    others = np.delete(np.maximum(0.0, each + np.log(samples) + beside), first)
    return float(nats + np.sum(others) - np.sum(np.log(np.arange(1, others.size + 1))))


def _near(difference: float, reach: float) -> bool:
    return abs(difference) <= reach


def _carriers(room: float, count: Floats, energy: Floats) -> Floats:
    """Carriers that are told apart over so many radians a symbol."""
    return np.asarray(room * count * np.sqrt(energy / (24.0 * np.pi)))
