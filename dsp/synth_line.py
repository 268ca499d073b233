"""What a line and a converter add to a transmission, and signals that are no transmission.

Each function returns samples of shape ``(count,)`` to be added, or takes samples and returns them changed.
All are pure; whatever is random takes the generator it draws from.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]


def noise(count: int, sigma: float, rng: np.random.Generator) -> Samples:
    """White Gaussian noise."""
    return rng.normal(0.0, sigma, count)


def tone(
    count: int, rate_hz: float, frequency_hz: float, amplitude: float, phase_rad: float = 0.0
) -> Samples:
    """A bare carrier that is never keyed."""
    turns = np.arange(count, dtype=np.float64) * (frequency_hz / rate_hz)
    return amplitude * np.sin(2 * np.pi * turns + phase_rad)


def gated(samples: Samples, rate_hz: float, spans_s: tuple[tuple[float, float], ...]) -> Samples:
    """The samples inside the spans, 0 outside: bursts of whatever it is."""
    times = np.arange(len(samples)) / rate_hz
    keep = np.zeros(len(samples), bool)
    for start, stop in spans_s:
        keep |= (times >= start) & (times < stop)
    return np.where(keep, samples, 0.0)


def pwm_ripple(
    count: int,
    rate_hz: float,
    frequency_hz: float,
    peak_to_peak: float,
    *,
    duty: float = 0.4,
    corner_hz: float | None = None,
    phase: float = 0.0,
) -> Samples:
    """Ripple of a switching load: a rectangle wave by its harmonics below half the sample rate, no mean.

    ``corner_hz`` is where the supply's impedance begins to smooth it (one pole); ``phase`` in turns.
    """
    turns = frequency_hz * np.arange(count) / rate_hz + phase
    out = np.zeros(count)
    for order in range(1, max(1, int(0.5 * rate_hz / frequency_hz)) + 1):
        strength = 2.0 / (np.pi * order) * np.sin(np.pi * order * duty)
        pole = 1.0 / (1.0 + 1j * order * frequency_hz / corner_hz) if corner_hz else 1.0 + 0j
        out += strength * abs(pole) * np.cos(2 * np.pi * order * turns + np.angle(pole))
    return peak_to_peak * out


def step(count: int, at: int, height: float) -> Samples:
    """0 before sample ``at``, ``height`` from there on."""
    return np.where(np.arange(count) >= at, height, 0.0)


def wander(count: int, rms: float, rng: np.random.Generator) -> Samples:
    """A level that drifts like a random walk."""
    walk = np.cumsum(rng.normal(size=count))
    walk -= walk.mean()
    return np.asarray(rms * walk / walk.std(), np.float64)


def chirp(count: int, rate_hz: float, from_hz: float, to_hz: float, amplitude: float) -> Samples:
    """A sine whose frequency runs evenly from one value to the other."""
    times = np.arange(count) / rate_hz
    slope = (to_hz - from_hz) * rate_hz / count
    return amplitude * np.sin(2 * np.pi * (from_hz * times + 0.5 * slope * times**2))


def many_carriers(
    count: int, rate_hz: float, frequencies_hz: tuple[float, ...], amplitude: float, rng: np.random.Generator
) -> Samples:
    """Steady carriers of equal strength and independent phases."""
    phases = rng.uniform(0, 2 * np.pi, len(frequencies_hz))
    return sum(
        (tone(count, rate_hz, f, amplitude, p) for f, p in zip(frequencies_hz, phases, strict=True)),
        np.zeros(count),
    )


def speech_like(count: int, rate_hz: float, rms: float, rng: np.random.Generator) -> Samples:
    """Voiced syllables and pauses: a buzzing tone of gliding pitch through moving resonances, and hiss."""
    times = np.arange(count) / rate_hz
    duration = count / rate_hz
    knots = np.linspace(0, duration, max(4, int(duration * 5)) + 1)

    def glide(low: float, high: float) -> Samples:
        return np.interp(times, knots, rng.uniform(low, high, len(knots)))

    pitch_turns = np.cumsum(glide(90.0, 180.0)) / rate_hz
    formants = (glide(300, 800), glide(900, 2200), glide(2300, 3000))
    out = np.zeros(count)
    for order in range(1, 26):
        frequency = order * np.gradient(pitch_turns) * rate_hz
        strength = sum(1.0 / (1.0 + ((frequency - f) / 120.0) ** 2) for f in formants)
        out += np.where(frequency < rate_hz / 2, strength, 0.0) * np.sin(2 * np.pi * order * pitch_turns)
    hiss = rng.normal(size=count) * glide(0.0, 0.4)
    loudness = np.interp(times, knots, rng.choice([0.0, 0.3, 1.0], len(knots)))
    out = (out + hiss) * loudness
    scale = out.std()
    return np.asarray(rms * out / scale if scale > 0 else out, np.float64)


def high_pass(samples: Samples, rate_hz: float, corner_hz: float) -> Samples:
    """Coupling droop: one real pole at ``corner_hz``, bilinear, at rest on the first sample."""
    from scipy.signal import lfilter

    warped = np.tan(np.pi * corner_hz / rate_hz)
    start = samples[0] if len(samples) else 0.0
    b, a = [1 / (1 + warped), -1 / (1 + warped)], [1.0, (warped - 1) / (warped + 1)]
    return np.asarray(lfilter(b, a, samples - start), np.float64)


def band_limit(samples: Samples, rate_hz: float, low_hz: float, high_hz: float) -> Samples:
    """Nothing left outside ``[low_hz, high_hz]``: a brick wall in the frequency domain."""
    spectrum = np.fft.rfft(samples)
    frequencies = np.fft.rfftfreq(len(samples), 1 / rate_hz)
    spectrum[(frequencies < low_hz) | (frequencies > high_hz)] = 0
    return np.fft.irfft(spectrum, len(samples))


def clip(samples: Samples, low: float, high: float) -> Samples:
    """A converter that saturates."""
    return np.clip(samples, low, high)


def quantise(samples: Samples, bits: int, low: float, high: float) -> NDArray[np.int32]:
    """Codes ``0 .. 2**bits - 1`` of a converter whose range is ``[low, high)``, saturating."""
    codes: NDArray[np.int32] = np.floor((samples - low) / (high - low) * 2**bits).astype(np.int32)
    return np.clip(codes, 0, 2**bits - 1)
