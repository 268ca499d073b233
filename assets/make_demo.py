"""Makes ``greenhouse-line.csv``, the built-in demo capture: run ``python assets/make_demo.py``.

All of it is invented. A two-wire line in a greenhouse carries 24 V and half-turn keying of a carrier.
A controller asks two humidity nodes in turn; each has its own crystal and its own distance, so its own
carrier and amplitude. A third of the way in, a vent motor starts: the supply sags and its chopper's ripple
appears. The scope has 12 bits over 40.96 V, so one step is 10 mV.

A request is ``sync(8) address(4) command(4) counter(8) check(8)``, an answer
``sync(8) address(4) status(4) humidity(12) temperature(8) check(8)``; the check is a CRC, polynomial 0x07.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from dsp.synth import BurstSpec, Synthetic, transmissions
from dsp.synth_line import noise, pwm_ripple, quantise, step

RATE_HZ = 1.25e6
COUNT = 150_000
START_S = -0.004
CYCLES_PER_SYMBOL = 6.5
CARRIER_HZ = (203_710.0, 203_548.0, 203_984.0)
AMPLITUDE_V = (0.80, 0.46, 0.27)
NOISE_V = 0.135
SYNC = "11101000"


def check(bits: str) -> str:
    """CRC-8 with polynomial 0x07, zero start, most significant bit first."""
    remainder = 0
    for bit in bits:
        remainder ^= int(bit) << 7
        remainder = (remainder << 1) ^ (0x107 if remainder & 0x80 else 0)
    return f"{remainder:08b}"


def request(address: int, command: int, counter: int) -> str:
    body = f"{address:04b}{command:04b}{counter:08b}"
    return SYNC + body + check(body)


def answer(address: int, status: int, humidity: int, temperature: int) -> str:
    body = f"{address:04b}{status:04b}{humidity:012b}{temperature:08b}"
    return SYNC + body + check(body)


def exchanges(rng: np.random.Generator) -> list[BurstSpec]:
    """Requests and answers in time order, as many as fit."""
    specs: list[BurstSpec] = []
    now = 0.0021
    for counter in range(0x2C, 0x100):
        node = 1 + counter % 2
        humidity = int(2310 + 60 * node + rng.integers(-9, 10))
        temperature = int(187 + 3 * node + rng.integers(-2, 3))
        asked = _burst(0, request(4 + node, 0b0011, counter), now, rng)
        reply = answer(4 + node, 0b1000, humidity, temperature)
        told = _burst(node, reply, asked.end_s + 0.00031 + rng.uniform(0, 0.00004), rng)
        now = told.end_s + rng.uniform(0.0008, 0.0017)
        if now > COUNT / RATE_HZ:
            return specs
        specs += [asked, told]
    return specs


def _burst(talker: int, symbols: str, start_s: float, rng: np.random.Generator) -> BurstSpec:
    carrier = CARRIER_HZ[talker] * (1 + rng.normal(0, 2e-6))
    return BurstSpec(
        start_s, symbols, carrier / CYCLES_PER_SYMBOL, carrier, AMPLITUDE_V[talker], talker=talker
    )


def greenhouse_line() -> Synthetic:
    """The line voltage before the converter, times from 0, with the truth about its bursts."""
    rng = np.random.default_rng(20_240)
    motor_on = COUNT // 3
    running = step(COUNT, motor_on, 1.0)
    settling = 1.0 - np.exp(-np.clip(np.arange(COUNT) - motor_on, 0, None) / (0.004 * RATE_HZ))
    line = 24.08 - 0.55 * settling
    line += running * pwm_ripple(COUNT, RATE_HZ, 19_320.0, 0.5, duty=0.37, corner_hz=40_000.0)
    line += noise(COUNT, NOISE_V, rng)
    return transmissions(exchanges(rng), RATE_HZ, COUNT) + line


def write(path: Path) -> None:
    """The capture as delimited text: a preamble, a name row, a unit row, one value a line."""
    codes = quantise(greenhouse_line().samples, 12, 0.0, 40.96)
    head = [
        "Note,two-wire line at the node by the north door",
        f"Samples,{COUNT}",
        f"Sample interval,{1 / RATE_HZ:.3e},s",
        f"Start time,{START_S:.3e},s",
        "",
        "Line",
        "V",
    ]
    rows = [f"{code / 100:.2f}" for code in codes.tolist()]
    path.write_text("\n".join(head + rows) + "\n", encoding="ascii", newline="\n")


if __name__ == "__main__":
    write(Path(__file__).with_name("greenhouse-line.csv"))
