"""Damage to files: bytes, pieces, sizes, cuts and splices, from a seed."""

from __future__ import annotations

import random
import struct

PIECES = (
    *(b",", b";", b"\n", b"\r", b'"', b"-", b"\0", b"\xff", b"e", b".", b" ", b"\t", b"=", b"#", b"(", b":"),
    *(
        b"\xc2\xb5",
        b"\xe2\x88\x92",
        b"\xc2\xa0",
        b"0x",
        b"nan",
        b"***",
        b"OL",
        b"inf",
        b"1,234.5",
        b"12:30:01.5",
    ),
    *(
        b"1e400",
        b"1e308",
        b"-1e308",
        b"1e-300",
        b"9" * 30,
        b"9" * 400,
        b"1e" + b"9" * 5000,
        b",,,,",
        b"\n\n\n",
        b"\0" * 60,
    ),
    *(b"Sample interval,", b"Time (s)", b"Record", b"Sample rate: 1e-30\n", b"Trigger position: 50 %\n"),
    *(b"y increment: 0\n", b"# ", b"#9999999999", b"# dt = 2 us\n", b"--------", b"[{", b"null", b"true"),
)
_SIZES = (
    0,
    1,
    2,
    0x7F,
    0xFF,
    0x7FFF,
    0xFFFF,
    0x7FFFFFFF,
    0x80000000,
    0xFFFFFFFF,
    0x7FFFFFFFFFFFFFFF,
    1 << 40,
)


def mutated(original: bytes, chance: random.Random, others: bytes = b"") -> bytes:
    """A copy of ``original`` with one to eight changes; ``others`` is what may be spliced in."""
    data = bytearray(original)
    for _ in range(chance.randint(1, 8)):
        _change(data, chance, others)
    return bytes(data)


def _change(data: bytearray, chance: random.Random, others: bytes) -> None:
    # headers are at the front, and that is where sizes stand
    reach = len(data) if chance.random() < 0.5 else min(len(data), 200)
    at = chance.randrange(reach + 1)
    end = at + chance.randrange(1, 100)
    match chance.randrange(9):
        case 0:
            data[at : at + 1] = chance.randbytes(1)
        case 1:
            data[at:at] = chance.choice(PIECES)
        case 2:
            del data[at:end]
        case 3:
            data[at:at] = data[at:end] * chance.choice((1, 1, 2, 50))
        case 4:
            del data[at:]
        case 5 if len(data) > at:
            data[at] ^= 1 << chance.randrange(8)
        case 6:
            layout = chance.choice(("<B", "<H", ">H", "<I", ">I", "<Q", ">Q"))
            size = struct.calcsize(layout)
            value = (chance.choice(_SIZES) + chance.randint(-1, 1)) % (1 << 8 * size)
            data[at : at + size] = struct.pack(layout, value)
        case 7:
            begin = chance.randrange(len(others) + 1)
            data[at:end] = others[begin : begin + chance.randrange(200)]
        case _:
            digits = bytes(chance.choice(b"0123456789-.,eE") for _ in range(chance.randrange(1, 12)))
            data[at : at + len(digits)] = digits
