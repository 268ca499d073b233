"""Captures without any decodable signal, each of them something that a line or a probe really shows."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

RATE_HZ = 250_000.0
COUNT = 60_000


def _noise(source: np.random.RandomState, sigma: float = 1.0) -> np.ndarray:
    return source.standard_normal(COUNT) * sigma


def _sine(frequency_hz: float, phase: float = 0.0) -> np.ndarray:
    return np.array([math.sin(2 * math.pi * frequency_hz * k / RATE_HZ + phase) for k in range(COUNT)])


def noise(source: np.random.RandomState) -> np.ndarray:
    return _noise(source, 0.3)


def coloured_noise(source: np.random.RandomState) -> np.ndarray:
    out, state = [], 0.0
    for value in source.standard_normal(COUNT).tolist():
        state = 0.97 * state + value
        out.append(state)
    return np.array(out) + 5.0


def bare_tone(source: np.random.RandomState) -> np.ndarray:
    return _sine(source.uniform(4e3, 90e3)) + _noise(source, 0.2)


def tone_bursts(source: np.random.RandomState) -> np.ndarray:
    tone, keep, at = _sine(source.uniform(9e3, 60e3)), np.zeros(COUNT), 1500
    while at < COUNT - 4000:
        length = int(source.uniform(600, 3500))
        keep[at : at + length] = 1.0
        at += length + int(source.uniform(900, 4000))
    return tone * keep + _noise(source, 0.1)


def ripple(source: np.random.RandomState) -> np.ndarray:
    frequency, duty = source.uniform(9e3, 23e3), source.uniform(0.2, 0.8)
    out, state = [], 0.0
    for k in range(COUNT):
        on = (k * frequency / RATE_HZ) % 1.0 < duty
        state += 0.25 * ((1.0 if on else 0.0) - state)
        out.append(24.0 + 0.6 * state)
    return np.array(out) + _noise(source, 0.02)


def flat(source: np.random.RandomState) -> np.ndarray:
    return np.full(COUNT, 24.0)


def flat_with_last_digit(source: np.random.RandomState) -> np.ndarray:
    return 24.0 + 0.1 * np.round(_noise(source, 0.3))


def step(source: np.random.RandomState) -> np.ndarray:
    out = np.zeros(COUNT)
    out[int(source.uniform(0.3, 0.7) * COUNT) :] = 12.0
    return out + _noise(source, 0.05)


def wandering_level(source: np.random.RandomState) -> np.ndarray:
    return np.cumsum(_noise(source, 0.02)) + _noise(source, 0.02)


def chirp(source: np.random.RandomState) -> np.ndarray:
    low, high = source.uniform(3e3, 10e3), source.uniform(50e3, 90e3)
    turns, out = 0.0, []
    for k in range(COUNT):
        out.append(math.sin(2 * math.pi * turns))
        turns += (low + (high - low) * k / COUNT) / RATE_HZ
    return np.array(out) + _noise(source, 0.1)


def many_carriers(source: np.random.RandomState) -> np.ndarray:
    total = _noise(source, 0.1)
    for _ in range(9):
        total = total + _sine(source.uniform(5e3, 100e3), source.uniform(0, 6.28))
    return total


def speech_like(source: np.random.RandomState) -> np.ndarray:
    """Glottal pulses of gliding rate through two resonators whose tuning moves, loud and soft by turns."""
    speed = RATE_HZ / 12_000.0  # as if recorded at 12 kHz and played on this time axis
    out, a1, a2, b1, b2, turns = [], 0.0, 0.0, 0.0, 0.0, 0.0
    pitch, first, second, loud = 130.0, 500.0, 1500.0, 1.0
    hiss = source.standard_normal(COUNT).tolist()
    for k in range(COUNT):
        if k % 2500 == 0:
            pitch, loud = source.uniform(90, 190), float(source.choice([0.0, 0.2, 1.0, 1.0]))
            first, second = source.uniform(300, 800), source.uniform(900, 2300)
        turns += pitch * speed / RATE_HZ
        pulse = 0.0
        if turns >= 1.0:
            turns, pulse = turns - 1.0, 20.0
        drive = loud * (pulse + 0.3 * hiss[k])
        wa, wb = 2 * math.pi * first / 12_000.0, 2 * math.pi * second / 12_000.0
        a1, a2 = drive + 2 * 0.97 * math.cos(wa) * a1 - 0.97**2 * a2, a1
        b1, b2 = drive + 2 * 0.96 * math.cos(wb) * b1 - 0.96**2 * b2, b1
        out.append(a1 + 0.6 * b1)
    return np.array(out) / (np.std(out) + 1e-9) + _noise(source, 0.02)


CASES: dict[str, Callable[[np.random.RandomState], np.ndarray]] = {
    "noise": noise,
    "coloured noise": coloured_noise,
    "bare tone": bare_tone,
    "tone bursts": tone_bursts,
    "ripple": ripple,
    "flat": flat,
    "flat with last digit": flat_with_last_digit,
    "step": step,
    "wandering level": wandering_level,
    "chirp": chirp,
    "many carriers": many_carriers,
    "speech-like": speech_like,
}
