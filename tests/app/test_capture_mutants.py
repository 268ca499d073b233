"""Mutated files: read or refused in one line, never a traceback or a capture at odds with itself."""

from __future__ import annotations

import io
import random
from itertools import pairwise
from pathlib import Path

import h5py
import numpy as np
import pytest
from scipy.io import savemat, wavfile

from app.errors import HalfturnError
from app.files.captures import ReadOptions, open_capture
from app.model.capture import Capture
from tests.app.fixtures_text import DIALECTS

PIECES = (
    *(
        b",",
        b";",
        b"\n",
        b"\r",
        b'"',
        b"-",
        b"\0",
        b"\xff",
        b"e",
        b".",
        b" ",
        b"\t",
        b"=",
        b"#",
        b"(",
        b"\xc2\xb5",
    ),
    *(b"nan", b"***", b"1e400", b"1e308", b"1e-300", b"9" * 30, b",,,,", b"Sample interval,", b"Time (s)"),
)


def originals() -> list[bytes]:
    wav, table, plain = io.BytesIO(), io.BytesIO(), io.BytesIO()
    wavfile.write(wav, 1000, np.arange(-99, 101, dtype=np.int16).reshape(-1, 2))
    np.save(table, np.arange(60.0).reshape(-1, 2))
    np.save(plain, np.arange(60, dtype=np.int16))
    archive, matrix = io.BytesIO(), io.BytesIO()
    np.savez_compressed(archive, line=np.arange(60), dt=1e-6)
    savemat(matrix, {"line": np.arange(60.0), "Fs": 1e6})
    with h5py.File("in memory", "w", driver="core", backing_store=False) as file:
        file.create_dataset("line", data=np.arange(200), chunks=(50,), compression="gzip")
        file.attrs["fs"] = 1e6
        file.flush()
        tree = file.id.get_file_image()
    binary = [each.getvalue() for each in (wav, table, plain, archive, matrix)] + [
        tree,
        b"#3120" + bytes(range(120)),
    ]
    return [dialect.data for dialect in DIALECTS] + binary * 5


def mutated(original: bytes, chance: random.Random) -> bytes:
    data = bytearray(original)
    for _ in range(chance.randint(1, 8)):
        at = chance.randrange(len(data) + 1)
        end = at + chance.randrange(1, 100)
        match chance.randrange(5):
            case 0:
                data[at : at + 1] = chance.randbytes(1)
            case 1:
                data[at:at] = chance.choice(PIECES)
            case 2:
                del data[at:end]
            case 3:
                data[at:at] = data[at:end]
            case 4:
                del data[at:]
    return bytes(data)


def opened(path: Path, told: ReadOptions) -> Capture | str:
    try:
        return open_capture(path, told)
    except HalfturnError as error:
        return str(error)


def check_consistent(capture: Capture) -> None:
    assert np.isfinite([capture.rate_hz, capture.start_s]).all()
    assert capture.rate_hz > 0
    assert {len(channel) for channel in capture.channels} == {capture.samples}
    assert (capture.segments[0].first, capture.segments[-1].last) == (0, capture.samples)
    for before, after in pairwise(capture.segments):
        assert before.last == after.first
        assert before.start_s < after.start_s
    assert len({channel.name for channel in capture.channels}) == len(capture.channels)


@pytest.mark.parametrize("seed", range(4))
def test_mutants(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    files = originals()
    read = 0
    for _ in range(150):
        (tmp_path / "mutant").write_bytes(mutated(chance.choice(files), chance))
        told = ReadOptions(rate_hz=chance.choice((None, 1e6)))
        outcome = opened(tmp_path / "mutant", told)
        if isinstance(outcome, Capture):
            check_consistent(outcome)
            read += 1
        else:
            assert "\n" not in outcome
    assert 15 < read < 140
