"""A small file of every kind that is read, none by a writer of this project."""

from __future__ import annotations

import io
import json
import wave
from dataclasses import dataclass, field
from typing import Any

import h5py
import numpy as np
from scipy.io import savemat, wavfile

from app.files.capture_options import ReadOptions
from tests.app.fixtures_text import DIALECTS
from tests.app.fixtures_text_bench import BENCH
from tests.app.fixtures_text_found import FOUND
from tests.app.fixtures_text_mixed import MIXED
from tests.app.fixtures_text_odd import ODD
from tests.app.fixtures_text_wild import WILD
from tests.generators.text_captures import made

RATE = ReadOptions(rate_hz=1e6)
LINE = np.round(900 * np.sin(np.arange(200) * 0.3)).astype(np.int16)
TIME = np.arange(200) * 1e-6


@dataclass(frozen=True)
class Original:
    """``beside`` are other files that belong to it, by ending."""

    kind: str
    data: bytes
    options: ReadOptions = RATE
    suffix: str = ""
    beside: dict[str, bytes] = field(default_factory=dict)


def originals() -> list[Original]:
    texts = [
        Original("text", dialect.data, ReadOptions(**dialect.options), dialect.suffix)
        for dialect in (*DIALECTS, *BENCH, *ODD, *MIXED, *WILD, *FOUND)
        if len(dialect.data) < 50_000
    ]
    texts += [Original("text", made(seed).data) for seed in range(40)]
    return [*texts, *_sounds(), *_arrays(), *_containers(), *_raw(), *_pairs()]


def _saved(write: Any, *args: Any, **kwargs: Any) -> bytes:
    file = io.BytesIO()
    write(file, *args, **kwargs)
    return file.getvalue()


def _sounds() -> list[Original]:
    types = (np.uint8, np.int16, np.int32, np.float32, np.float64)
    plain = [_saved(lambda f, a: wavfile.write(f, 1000, a), (LINE // 8).astype(t)) for t in types]
    wide = io.BytesIO()
    with wave.open(wide, "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(3)
        file.setframerate(96000)
        file.writeframes(bytes(range(240)))
    return [Original("WAV", data) for data in (*plain, wide.getvalue())]


def _arrays() -> list[Original]:
    table = np.zeros(50, [("time", "<f8"), ("line", ">i2")])
    table["time"], table["line"] = TIME[:50], LINE[:50]
    both = np.column_stack([TIME, LINE])
    arrays = (LINE, LINE.astype(">i4"), np.asfortranarray(both), both.T.copy(), table, LINE * (1 + 1j))
    return [Original("npy", _saved(np.save, array)) for array in arrays]


def _tree(compressed: bool) -> bytes:
    with h5py.File("in memory", "w", driver="core", backing_store=False) as file:
        filters = {"chunks": (50,), "compression": "gzip", "shuffle": True} if compressed else {}
        file.create_dataset("line", data=LINE, **filters)
        file.create_group("more").create_dataset("time", data=TIME)
        file.attrs["fs"] = "1 MS/s" if compressed else 1e6
        file["line"].attrs.update(scale_factor=0.01, units="mV", long_name="near end", more=[1, 2])
        file.flush()
        image: bytes = file.id.get_file_image()
    return image


def _containers() -> list[Original]:
    named = {"line": LINE, "time": TIME}
    return [
        Original("npz", _saved(np.savez, **named)),
        Original("npz", _saved(np.savez_compressed, line=LINE, dt=1e-6)),
        Original("mat", _saved(savemat, {**named, "rec": named})),
        Original("mat", _saved(savemat, named, do_compression=True)),
        Original("mat-4", _saved(savemat, {**named, "iq": LINE * (1 + 1j)}, format="4")),
        Original("HDF5", _tree(False)),
        Original("HDF5", _tree(True)),
    ]


def _raw() -> list[Original]:
    told = ReadOptions(rate_hz=1e6, dtype="int16", channels=2, scale=0.01)
    planar = ReadOptions(rate_hz=1e6, dtype="float32be", channels=2, interleaved=False, skip=3)
    return [
        Original("raw", LINE.tobytes(), told),
        Original("raw", LINE.tobytes(), planar),
        Original("block", b"#3400" + LINE.tobytes() + b"\n", told),
        Original("block", b"CURVE #0" + LINE.tobytes() + b"\n", told),
        Original("block", b"#3400" + LINE.tobytes() + b"\n"),
    ]


def _pairs() -> list[Original]:
    meta: dict[str, Any] = {
        "global": {"core:datatype": "ri16_le", "core:sample_rate": 1e6, "core:version": "1.0.0"},
        "captures": [{"core:sample_start": 0}, {"core:sample_start": 100, "core:global_index": 500}],
        "annotations": [{"core:sample_start": 10, "core:sample_count": 5, "core:label": "vent"}],
    }
    text = json.dumps(meta).encode()
    data = {".sigmf-data": LINE.tobytes()}
    return [
        Original("SigMF", text, suffix=".sigmf-meta", beside=data),
        Original("SigMF", LINE.tobytes(), suffix=".sigmf-data", beside={".sigmf-meta": text}),
        _between_headers(meta),
    ]


def _between_headers(meta: dict[str, Any]) -> Original:
    """A dataset with bytes that are no samples before each capture and behind the last."""
    about = {**meta["global"], "core:trailing_bytes": 3}
    captures = [{"core:sample_start": at, "core:header_bytes": 9} for at in (0, 100)]
    data = bytes(9) + LINE[:100].tobytes() + bytes(9) + LINE[100:].tobytes() + bytes(3)
    text = json.dumps({**meta, "global": about, "captures": captures}).encode()
    return Original("SigMF", text, suffix=".sigmf-meta", beside={".sigmf-data": data})
