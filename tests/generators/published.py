"""Sequences that standards define, made from their definitions; the tests anchor them to printed values."""

from __future__ import annotations

# Varicode as printed beside Rec. ITU-R M.2034 descriptions; letters e t o a i n and digits from memory
VARICODE = {
    " ": "1", "!": "111111111", '"': "101011111", "#": "111110101", "$": "111011011", "E": "1110111",
    "B": "11101011", "C": "10101101", "D": "10110101", "F": "11011011", "G": "11111101", "e": "11",
    "t": "101", "o": "111", "a": "1011", "i": "1101", "n": "1111", "0": "10110111", "1": "10111101",
}  # fmt: skip

# IS-GPS-200 table 3-Ia: satellite number, the two stages of G2, octal of the first ten chips
GPS_TAPS = {
    1: (2, 6, "1440"), 2: (3, 7, "1620"), 3: (4, 8, "1710"), 4: (5, 9, "1744"), 5: (1, 9, "1133"),
    6: (2, 10, "1455"), 7: (1, 8, "1131"), 8: (2, 9, "1454"), 9: (3, 10, "1626"), 10: (2, 3, "1504"),
    11: (3, 4, "1642"), 12: (5, 6, "1750"), 13: (6, 7, "1764"), 14: (7, 8, "1772"), 15: (8, 9, "1775"),
    16: (9, 10, "1776"), 17: (1, 4, "1156"), 18: (2, 5, "1467"), 19: (3, 6, "1633"), 20: (4, 7, "1715"),
    21: (5, 8, "1746"), 22: (6, 9, "1763"), 23: (1, 3, "1063"), 24: (4, 6, "1706"), 25: (5, 7, "1743"),
    26: (6, 8, "1761"), 27: (7, 9, "1770"), 28: (8, 10, "1774"), 29: (1, 6, "1127"), 30: (2, 7, "1453"),
    31: (3, 8, "1625"), 32: (4, 9, "1712"), 33: (5, 10, "1745"), 34: (4, 10, "1713"), 35: (1, 7, "1134"),
    36: (2, 8, "1456"), 37: (4, 10, "1713"),
}  # fmt: skip

# IEC 62106 annex B: offset words of the blocks A, B, C and D
RDS_OFFSETS = (0x0FC, 0x198, 0x168, 0x1B4)
RDS_GENERATOR = 0x5B9


def shift_register(taps: tuple[int, ...], count: int, *, inverted: bool = False) -> str:
    """Output of the last stage; all stages start at one; the sum of ``taps`` goes into the first."""
    stages = [1] * max(taps)
    out = []
    for _ in range(count):
        out.append(stages[-1] ^ inverted)
        stages = [sum(stages[t - 1] for t in taps) % 2, *stages[:-1]]
    return "".join(str(int(bit)) for bit in out)


def gps_code(satellite: int) -> str:
    """The 1023 chips of a C/A code: G1 = 1+x^3+x^10, G2 = 1+x^2+x^3+x^6+x^8+x^9+x^10 (IS-GPS-200)."""
    one, two, first = [1] * 10, [1] * 10, GPS_TAPS[satellite]
    out = []
    for _ in range(1023):
        out.append(str(one[9] ^ two[first[0] - 1] ^ two[first[1] - 1]))
        one = [one[2] ^ one[9], *one[:9]]
        two = [two[1] ^ two[2] ^ two[5] ^ two[7] ^ two[8] ^ two[9], *two[:9]]
    return "".join(out)


def ccsds_randomiser(octets: int) -> bytes:
    """CCSDS 131.0-B: h(x) = x^8+x^7+x^5+x^3+1, all ones at the start."""
    state, bits = [1] * 8, ""
    for _ in range(8 * octets):
        bits += str(state[0])
        state = [*state[1:], state[0] ^ state[3] ^ state[5] ^ state[7]]
    return int(bits, 2).to_bytes(octets, "big")


def rds_block(information: int, offset: int) -> str:
    """16 bits of information and 10 of check with the offset added."""
    remainder = information << 10
    for place in range(25, 9, -1):
        if remainder >> place & 1:
            remainder ^= RDS_GENERATOR << (place - 10)
    return f"{information << 10 | remainder ^ offset:026b}"


def rds_syndrome(block: str) -> int:
    """Remainder of the 26 bits: the offset word, where there is no error."""
    value = int(block, 2)
    for place in range(25, 9, -1):
        if value >> place & 1:
            value ^= RDS_GENERATOR << (place - 10)
    return value


def varicode(text: str) -> str:
    return "00".join(VARICODE[letter] for letter in text)


def varicode_text(bits: str) -> str:
    """Letters between pairs of zeros; what is no code is left out."""
    letters = {code: letter for letter, code in VARICODE.items()}
    return "".join(letters.get(code.strip("0"), "") for code in bits.split("00") if code.strip("0"))


def card_frame(octets: bytes) -> str:
    """ISO/IEC 14443-3 type B, card to reader: carrier, start of frame, characters, end of frame."""
    text = "1" * 12 + "0" * 10 + "11"
    for octet in octets:
        text += "0" + f"{octet:08b}"[::-1] + "1"
    return text + "0" * 10 + "1"


def card_octets(symbols: str) -> bytes:
    """The octets of `card_frame`."""
    at = symbols.index("0" * 10 + "11") + 12
    out = []
    while symbols[at : at + 10] != "0" * 10 and at + 10 <= len(symbols):
        out.append(int(symbols[at + 1 : at + 9][::-1], 2))
        at += 10
    return bytes(out)
