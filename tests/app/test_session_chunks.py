"""The program's own reading of compressed chunks against what the HDF5 library wrote."""

from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.files.session_chunks import Chunks, fletcher32


def plainly(raw: bytes) -> int:
    """Fletcher's sums word by word (J. G. Fletcher, IEEE Trans. Communications COM-30, 1982)."""
    low = high = 0
    for at in range(0, len(raw), 2):
        low += int.from_bytes(raw[at : at + 2].ljust(2, b"\0"), "big")
        while low > 0xFFFF:
            low = (low & 0xFFFF) + (low >> 16)
        high += low
        while high > 0xFFFF:
            high = (high & 0xFFFF) + (high >> 16)
    return high << 16 | low


@given(st.binary(max_size=2000) | st.integers(0, 4000).map(lambda n: b"\xff" * n))
def test_the_checksum_is_the_plain_one(raw: bytes) -> None:
    assert fletcher32(raw) == plainly(raw)


def test_the_checksum_of_more_words_than_are_summed_at_once() -> None:
    raw = np.random.default_rng(1).bytes((1 << 21) + 4321)
    assert fletcher32(raw) == plainly(raw)


@pytest.mark.parametrize("dtype", ["i1", "<i2", ">i4", "<f8", "S3", [("a", "<f8"), ("b", "S5")]])
@pytest.mark.parametrize("count", [1000, 999, 1])
@pytest.mark.parametrize("compression", [None, 1, 9])
def test_chunks_that_the_library_wrote(
    tmp_path: Path, dtype: object, count: int, compression: int | None
) -> None:
    plain = np.dtype(dtype)
    values = np.frombuffer(np.random.default_rng(2).bytes(count * plain.itemsize), plain)
    with h5py.File(tmp_path / "x.h5", "w") as file:
        named = {} if compression is None else {"compression": "gzip", "compression_opts": compression}
        shape = (min(100, count),)
        file.create_dataset("x", data=values, chunks=shape, shuffle=True, fletcher32=True, **named)
    found: dict[int, bytes] = {}
    with h5py.File(tmp_path / "x.h5") as file:
        dataset = file["x"].id
        chunks = Chunks(dataset, dataset.get_create_plist(), plain, count)
        chunks.each(lambda first, part: found.__setitem__(first, part.tobytes()))
    assert b"".join(found[first] for first in sorted(found)) == values.tobytes()
    assert sorted(found) == list(range(0, count, 100))
