"""Framed telemetry over half-turn keying: the bit layers of the recording, both ways, and a plain receiver.

The layers, from the note beside the recording: octets least significant bit first, CRC-16/X-25 (ISO/IEC
13239), a zero stuffed after five ones, ``01111110`` flags, the self-synchronising scrambler
1 + x^12 + x^17, no change of phase for a 1. `frames_in` undoes them on symbols; `symbols_of` does them.
`plain_receiver` is about eighty lines of textbook numpy that is told the symbol rate and nothing else: where
it finds the frame and the decoder does not, the recording is not to blame.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

FLAG = "01111110"


def crc_x25(octets: bytes) -> int:
    """CRC-16/X-25: polynomial 0x1021 reflected, start and final inversion; of "123456789" 0x906E."""
    value = 0xFFFF
    for octet in octets:
        value ^= octet
        for _ in range(8):
            value = (value >> 1) ^ (0x8408 if value & 1 else 0)
    return value ^ 0xFFFF


def undo_differential(symbols: str) -> list[int]:
    """No change is a 1."""
    return [int(a == b) for a, b in pairwise(symbols)]


def descramble(bits: list[int], taps: tuple[int, ...]) -> list[int]:
    longest = max(taps)
    return [bits[k] ^ (sum(bits[k - t] for t in taps) & 1) for k in range(longest, len(bits))]


def scramble(bits: list[int], taps: tuple[int, ...]) -> list[int]:
    out = [0] * max(taps)
    for bit in bits:
        out.append(bit ^ (sum(out[-t] for t in taps) & 1))
    return out[max(taps) :]


def frames_in(symbols: str, taps: tuple[int, ...] = (12, 17)) -> list[bytes]:
    """Every frame with a valid check in the symbols, without its two check octets."""
    bits = descramble(undo_differential(symbols), taps)
    found = []
    for stretch in "".join(map(str, bits)).split(FLAG):
        plain = _unstuff(stretch)
        if plain is None or len(plain) < 64 or len(plain) % 8:
            continue
        octets = bytes(int(plain[k : k + 8][::-1], 2) for k in range(0, len(plain), 8))
        if crc_x25(octets[:-2]) == int.from_bytes(octets[-2:], "little"):
            found.append(octets[:-2])
    return found


def _unstuff(text: str) -> str | None:
    out, ones = [], 0
    for bit in text:
        if ones == 5:
            if bit == "1":
                return None
            ones = 0
            continue
        ones = ones + 1 if bit == "1" else 0
        out.append(bit)
    return "".join(out)


def symbols_of(frames: list[bytes], lead_flags: int, taps: tuple[int, ...] = (12, 17)) -> str:
    """The symbols that carry the frames, flags before, between and after them."""
    text = FLAG * lead_flags
    for frame in frames:
        octets = frame + crc_x25(frame).to_bytes(2, "little")
        ones = 0
        for octet in octets:
            for place in range(8):
                bit = octet >> place & 1
                text += str(bit)
                ones = ones + 1 if bit else 0
                if ones == 5:
                    text, ones = text + "0", 0
        text += FLAG * 3
    level, out = 1, "1"
    for bit in scramble([int(c) for c in text], taps):
        level = level if bit else 1 - level
        out += str(level)
    return out


def plain_receiver(samples: np.ndarray, rate_hz: float, symbol_rate_bd: float) -> str:
    """Symbols of the one long transmission in ``samples``."""
    samples = samples - samples.mean()
    samples = samples[_loud_stretch(samples, int(20 * rate_hz / symbol_rate_bd))]
    baseband = _mixed_down(samples, rate_hz, symbol_rate_bd)
    step = rate_hz / symbol_rate_bd
    width = max(1, round(0.45 * step))
    pulse = 1 + np.cos(2 * np.pi * (np.arange(2 * width + 1) - width) / (2 * width + 2))
    smooth = np.convolve(baseband, pulse / pulse.sum(), "same")
    # the envelope beats at the symbol rate (Oerder and Meyr 1988): the strongest beat within 1 % of the rate
    # told is the rate sent, and the phase of the beat gives the sampling instants
    trial = symbol_rate_bd * (1 + np.linspace(-0.01, 0.01, 401))
    power = np.abs(smooth[:: max(1, width // 4)]) ** 2
    times = np.arange(len(power)) * max(1, width // 4) / rate_hz
    step = rate_hz / trial[np.argmax([abs(np.sum(power * np.exp(-2j * np.pi * f * times))) for f in trial])]
    turns = np.arange(len(smooth)) / step
    block = int(200 * step)
    picked: list[complex] = []
    last = -1.0
    for first in range(0, len(smooth), block):
        part = slice(max(0, first - block // 2), first + block + block // 2)
        beat = np.sum(np.abs(smooth[part]) ** 2 * np.exp(-2j * np.pi * turns[part]))
        offset = -np.angle(beat) / (2 * np.pi)
        instants = (np.arange(np.ceil(first / step) - 1, (first + block) / step + 1) + offset) * step
        for at in instants:
            if first <= at < min(first + block, len(smooth) - 1) and at > last + 0.5 * step:
                low = int(at)
                picked.append(smooth[low] + (at - low) * (smooth[low + 1] - smooth[low]))
                last = float(at)
    return _sliced_against_tracked_phase(np.array(picked))


def _loud_stretch(samples: np.ndarray, window: int) -> slice:
    power = np.convolve(samples**2, np.ones(window) / window, "same")
    floor, top = np.percentile(power, [2, 98])
    loud = np.flatnonzero(power > np.sqrt(floor * top)) if top > 3 * floor else np.arange(len(samples))
    return slice(int(loud[0]), int(loud[-1]) + 1)


def _mixed_down(samples: np.ndarray, rate_hz: float, symbol_rate_bd: float) -> np.ndarray:
    """Carrier from the line of the squared signal at its double, block by block, then mixed out."""
    spectrum = np.fft.fft(samples)
    spectrum[len(samples) // 2 :] = 0
    analytic = 2 * np.fft.ifft(spectrum)
    block = int(rate_hz * 150 / symbol_rate_bd)
    centres, values = [], []
    for first in range(0, max(1, len(samples) - block // 2), block // 2):
        part = analytic[first : first + block] ** 2
        size = 8 * len(part)
        lines = np.abs(np.fft.fft(part * np.hanning(len(part)), size))
        centres.append(first + len(part) / 2)
        values.append(np.argmax(lines[: size // 2]) * rate_hz / size / 2)
    good = np.abs(np.array(values) - np.median(values)) < symbol_rate_bd / 4
    degree = 2 if good.sum() > 4 else 0
    curve = np.polynomial.Polynomial.fit(np.array(centres)[good], np.array(values)[good], degree)
    phase = 2 * np.pi * np.cumsum(curve(np.arange(len(samples)))) / rate_hz
    return analytic * np.exp(-1j * phase)


def _sliced_against_tracked_phase(picked: np.ndarray) -> str:
    phase = 0.5 * np.angle(np.sum(picked[:30] ** 2))
    out = ""
    for value in picked:
        turned = value * np.exp(-1j * phase)
        out += "1" if turned.real > 0 else "0"
        phase += 0.15 * np.arctan2(turned.imag * np.sign(turned.real), abs(turned.real))
    return out
