"""What real lines do to a signal, one named case each: bursts of known truth, the samples after the harm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from dsp import synth_line as line
from dsp.synth import BurstSpec, Synthetic, amplitude_for, random_symbols, transmissions

RATE_HZ = 2_500_000.0
CARRIER_HZ = 310_000.0
CYCLES = 6.0
SIGMA = 0.2


def _bursts(rng: np.random.Generator, count: int = 12, **changes: object) -> list[BurstSpec]:
    esn0_db = float(changes.pop("esn0_db", 14.0))  # type: ignore[arg-type]
    gap = float(changes.pop("gap", 0.0))  # type: ignore[arg-type]
    carrier = float(changes.pop("carrier_hz", CARRIER_HZ))  # type: ignore[arg-type]
    symbol_rate = float(changes.pop("symbol_rate_bd", carrier / CYCLES))  # type: ignore[arg-type]
    now, out = 12.3 / symbol_rate, []
    for _ in range(count):
        length = int(rng.integers(24, 65))
        spec = BurstSpec(
            now,
            random_symbols(length, rng),
            symbol_rate,
            carrier,
            amplitude_for(esn0_db, SIGMA, RATE_HZ, symbol_rate),
            rng.uniform(0, 2 * np.pi),
        )
        out.append(replace(spec, **changes))  # type: ignore[arg-type]
        now = spec.end_s + (gap or rng.uniform(4, 25)) / symbol_rate
    return out


def _clean(bursts: list[BurstSpec], rng: np.random.Generator) -> Synthetic:
    end = max(b.end_s + 15 / b.symbol_rate_bd for b in bursts)
    made = transmissions(bursts, RATE_HZ, int(end * RATE_HZ))
    return made + line.noise(len(made.samples), SIGMA, rng)


def _changed(made: Synthetic, samples: np.ndarray) -> Synthetic:
    return replace(made, samples=samples)


def supply_level(rng: np.random.Generator) -> Synthetic:
    """48 V under a signal of 20 mV."""
    made = _clean(_bursts(rng), rng)
    return _changed(made, 48.0 + made.samples * 0.02 / made.bursts[0].amplitude)


def ripple_beside_the_band(rng: np.random.Generator) -> Synthetic:
    made = _clean(_bursts(rng), rng)
    return made + line.pwm_ripple(len(made.samples), RATE_HZ, 37_000.0, 5.0, duty=0.31, corner_hz=20e3)


def ripple_inside_the_band(rng: np.random.Generator) -> Synthetic:
    """A harmonic 2 % beside the carrier, a fifth of its height."""
    made = _clean(_bursts(rng), rng)
    height = 0.2 * made.bursts[0].amplitude
    harmful = line.tone(len(made.samples), RATE_HZ, 1.02 * CARRIER_HZ, height)
    return made + harmful + line.pwm_ripple(len(made.samples), RATE_HZ, 10_200.0, 3.0, corner_hz=9e3)


def coupling_droop(rng: np.random.Generator) -> Synthetic:
    made = transmissions(_bursts(rng), RATE_HZ, 0)
    made = transmissions(made.bursts, RATE_HZ, int((made.bursts[-1].end_s + 2e-4) * RATE_HZ))
    drooped = line.high_pass(made.samples, RATE_HZ, CARRIER_HZ / 3)
    return _changed(made, drooped + line.noise(len(drooped), SIGMA, rng))


def band_limit(rng: np.random.Generator) -> Synthetic:
    """Carrier plus and minus one symbol rate."""
    made = transmissions(_bursts(rng), RATE_HZ, 0)
    made = transmissions(made.bursts, RATE_HZ, int((made.bursts[-1].end_s + 2e-4) * RATE_HZ))
    reach = CARRIER_HZ / CYCLES
    narrow = line.band_limit(made.samples, RATE_HZ, CARRIER_HZ - reach, CARRIER_HZ + reach)
    return _changed(made, narrow + line.noise(len(narrow), SIGMA, rng))


def raised_cosine_pulses(rng: np.random.Generator) -> Synthetic:
    return _clean(_bursts(rng, pulse="root-raised-cosine", rolloff=0.35), rng)


def soft_edges(rng: np.random.Generator) -> Synthetic:
    return _clean(_bursts(rng, pulse="soft", rolloff=0.5), rng)


def _converted(bits: int) -> Callable[[np.random.Generator], Synthetic]:
    def make(rng: np.random.Generator) -> Synthetic:
        made = _clean(_bursts(rng), rng)
        top = float(np.max(np.abs(made.samples)))
        return _changed(
            made, line.quantise(made.samples, bits, -top, top).astype(np.int8 if bits < 8 else np.int16)
        )

    return make


def clipping(rng: np.random.Generator) -> Synthetic:
    """To half the amplitude."""
    made = _clean(_bursts(rng), rng)
    half = made.bursts[0].amplitude / 2
    return _changed(made, line.clip(made.samples, -half, half))


def two_talkers(rng: np.random.Generator) -> Synthetic:
    """20 dB apart, carriers 0.5 % apart, taking turns; the weak one has the 14 dB."""
    weak = _bursts(rng, 16)
    bursts = []
    for k, b in enumerate(weak):
        if k % 2:
            carrier = b.carrier_hz * 1.005
            bursts.append(replace(b, amplitude=10 * b.amplitude, carrier_hz=carrier, talker=1))
        else:
            bursts.append(b)
    return _clean(bursts, rng)


def gap_of_two_symbols(rng: np.random.Generator) -> Synthetic:
    return _clean(_bursts(rng, gap=2.0), rng)


def carrier_drift(rng: np.random.Generator) -> Synthetic:
    """2 % over 20,000 symbols in one transmission; 4,000 of them are made."""
    rate = CARRIER_HZ / CYCLES
    slope = 0.02 * CARRIER_HZ / (20_000 / rate)
    (first,) = _bursts(rng, 1, drift_hz_per_s=slope)
    return _clean([replace(first, symbols=random_symbols(4000, rng))], rng)


def doppler(rng: np.random.Generator) -> Synthetic:
    """Carrier and symbol rate move by 0.4 % while 24 bursts pass, fastest in the middle."""
    bursts = []
    for k, b in enumerate(_bursts(rng, 24)):
        scale = 1 - 0.002 * np.tanh((k - 11.5) / 4)
        bursts.append(replace(b, carrier_hz=scale * b.carrier_hz, symbol_rate_bd=scale * b.symbol_rate_bd))
    return _clean(bursts, rng)


def sample_clock_error(rng: np.random.Generator) -> Synthetic:
    """Carrier and symbol rate both off by 300 parts in a million."""
    return _clean(_bursts(rng, carrier_hz=CARRIER_HZ * 1.0003), rng)


def flips_at_any_phase(rng: np.random.Generator) -> Synthetic:
    return _clean(_bursts(rng, symbol_rate_bd=CARRIER_HZ / 3.217), rng)


def cut_by_both_ends(rng: np.random.Generator) -> Synthetic:
    made = _clean(_bursts(rng, 5), rng)
    first, last = made.bursts[0], made.bursts[-1]
    a = int((first.start_s + 10.3 / first.symbol_rate_bd) * RATE_HZ)
    b = int((last.end_s - 11.6 / last.symbol_rate_bd) * RATE_HZ)
    moved = tuple(replace(s, start_s=s.start_s - a / RATE_HZ) for s in made.bursts)
    return Synthetic(made.samples[a:b], RATE_HZ, moved)


CASES: dict[str, Callable[[np.random.Generator], Synthetic]] = {
    "48 V under 20 mV": supply_level,
    "ripple beside the band": ripple_beside_the_band,
    "ripple inside the band": ripple_inside_the_band,
    "coupling droop, a third of the carrier": coupling_droop,
    "band of carrier +- symbol rate": band_limit,
    "root-raised-cosine pulses": raised_cosine_pulses,
    "soft edges over half a symbol": soft_edges,
    "8-bit converter": _converted(8),
    "6-bit converter": _converted(6),
    "5-bit converter": _converted(5),
    "clipped to half": clipping,
    "talkers 20 dB and 0.5 % apart": two_talkers,
    "gap of two symbols": gap_of_two_symbols,
    "drift of 2 % over 20,000 symbols": carrier_drift,
    "Doppler of 0.4 % over 24 bursts": doppler,
    "sample clock off by 300 ppm": sample_clock_error,
    "flips at any phase": flips_at_any_phase,
    "cut by both ends of the capture": cut_by_both_ends,
}
