"""Files that are no sessions, broken sessions, and sessions made to do harm: one sentence, no more."""

import os
import random
import struct
import subprocess
import sys
import time
import tracemalloc
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from generators.sessions import assert_same, version_1, with_samples

from app.errors import SessionError
from app.files import schema
from app.files.replace import backup_of
from app.files.session import is_session, read_session, write_session
from app.files.session_store import CHUNK_ROWS

ROOT = Path(__file__).parents[2]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    write_session(tmp_path / "line.h5", version_1())
    return tmp_path / "line.h5"


def refusal(path: Path) -> str:
    with pytest.raises(SessionError) as caught:
        read_session(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: the session cannot be opened: ")
    assert "\n" not in text
    assert len(text) < 400 + len(str(path))
    return text


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "not a session"),
        (b"time,volt\n0,1\n", "not a session"),
        (b"\x89HDF\r\n\x1a\n", "damaged or cut short"),
        (b"\x89HDF\r\n\x1a\n" + bytes(4000), "damaged or cut short"),
        (b"\x89HDF\r\n\x1a\n" + b"\xff" * 4000, "damaged or cut short"),
    ],
)
def test_other_files_are_told_from_sessions(tmp_path: Path, content: bytes, why: str) -> None:
    (tmp_path / "x.h5").write_bytes(content)
    assert why in refusal(tmp_path / "x.h5")


def test_no_file_a_folder_and_a_device_are_told(tmp_path: Path) -> None:
    assert "no such file or directory" in refusal(tmp_path / "missing.h5")
    assert "not a file" in refusal(tmp_path)
    assert "not a file" in refusal(Path("/dev/zero"))


def test_hdf5_of_somebody_else_is_told_from_a_session(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "x.h5", "w") as file:
        file["values"] = np.arange(3)
    assert "HDF5 file but not a session" in refusal(tmp_path / "x.h5")


def test_sessions_are_told_from_other_files_before_they_are_opened(path: Path, tmp_path: Path) -> None:
    assert is_session(path)
    path.write_bytes(path.read_bytes()[:1000])
    assert is_session(path), "opening it then says what is wrong"
    write_session(path, version_1())
    with h5py.File(path, "r+") as file:
        file.attrs["created"] = "of variable length, as h5py writes a text"
    assert is_session(path), "it is no capture of somebody else's"
    assert "not of fixed length" in refusal(path)
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file.attrs["format"] = "halfturn-session"  # of variable length, which no session has
    (tmp_path / "plain.h5").write_bytes(b"0,1\n")
    for other in ("other.h5", "plain.h5", "missing.h5", "."):
        assert not is_session(tmp_path / other)


def test_a_cut_session_is_refused_and_the_backup_named(path: Path) -> None:
    write_session(path, version_1())
    whole = path.read_bytes()
    for size in (9, 100, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:size])
        assert "the session before it is kept in line.h5.bak" in refusal(path)


def test_what_of_a_damaged_session_can_be_recovered_is_said(path: Path) -> None:
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert "nothing of it can be recovered here, as no line.h5.bak stands beside it" in refusal(path)
    written = chunk_file(path, checked(b"no zlib at all" * 100))
    backup_of(written).unlink()
    assert "no line.h5.bak stands beside it" in refusal(written)
    with h5py.File(path, "r+") as file:
        file.attrs.modify("format_version", np.int64(schema.FORMAT_VERSION + 1))
    assert "recovered" not in refusal(path), "it is not damaged"


def test_a_newer_version_is_refused_with_its_number(path: Path) -> None:
    with h5py.File(path, "r+") as file:
        file.attrs.modify("format_version", np.int64(schema.FORMAT_VERSION + 1))
    assert f"a session of version {schema.FORMAT_VERSION + 1}, and this program knows" in refusal(path)


Change = Callable[[h5py.File], Any]


def replaced(where: str, value: Any) -> Change:
    """A change that puts an attribute (``group@name``) or a dataset in the place of the one there."""

    def change(file: h5py.File) -> None:
        owner, at, name = where.rpartition("@")
        if at:
            file[owner].attrs[name] = value
        else:
            del file[where]
            file[where] = value

    return change


def table_with(where: str, column: str, row: int, value: Any) -> Change:
    def change(file: h5py.File) -> None:
        rows = file[where][:]
        rows[column][row] = value
        del file[where]
        file[where] = rows

    return change


def linked(link: Any) -> Change:
    def change(file: h5py.File) -> None:
        file["captures/0/elsewhere"] = link

    return change


def external_storage(file: h5py.File) -> None:
    del file["captures/0/channels/0/samples"]
    file.create_dataset(
        "captures/0/channels/0/samples", (40,), "i2", external=[("/etc/hostname", 0, h5py.h5f.UNLIMITED)]
    )


def virtual(file: h5py.File) -> None:
    layout = h5py.VirtualLayout((40,), "i2")
    layout[:] = h5py.VirtualSource("/etc/hostname", "x", (40,))
    del file["captures/0/channels/0/samples"]
    file.create_virtual_dataset("captures/0/channels/0/samples", layout)


def unallocated(file: h5py.File) -> None:
    del file["captures/0/channels/0/samples"]
    file.create_dataset("captures/0/channels/0/samples", (2**40,), "i2", chunks=(CHUNK_ROWS,))


def unallocated_but_small(file: h5py.File) -> None:
    del file["captures/0/channels/0/samples"]
    file.create_dataset("captures/0/channels/0/samples", (10**8,), "i2", chunks=(CHUNK_ROWS,))


def contiguous_but_empty(file: h5py.File) -> None:
    del file["captures/0/channels/0/samples"]
    file.create_dataset("captures/0/channels/0/samples", (10**8,), "i2")


def large_chunks(file: h5py.File) -> None:
    file.create_dataset("captures/0/other", (10,), "i2", maxshape=(None,), chunks=(1 << 28,))


def crumbs(file: h5py.File) -> None:
    file.create_dataset("captures/0/other", data=np.zeros(70_000, "i1"), chunks=(1,))


def another_filter(file: h5py.File) -> None:
    file.create_dataset("captures/0/other", data=np.zeros(9000), compression="lzf")


def deep(file: h5py.File) -> None:
    file.create_group("/".join("abcdefgh"))


def circle(file: h5py.File) -> None:
    file["captures/0/again"] = file["captures"]


def twice(file: h5py.File) -> None:
    file["captures/0/again"] = file["captures/0/channels/0/samples"]


def thousands_of_columns(file: h5py.File) -> None:
    file["other"] = np.zeros(3, [(f"c{n}", "i1") for n in range(1000)])


def many_attributes(file: h5py.File) -> None:
    for n in range(100):
        file.attrs[f"a{n}"] = n


def pointers(file: h5py.File) -> None:
    file["other"] = np.array(["a", "bc"], dtype=h5py.string_dtype())


def references(file: h5py.File) -> None:
    file.create_dataset("other", (1,), h5py.ref_dtype)[0] = file["captures"].ref


def named_type(file: h5py.File) -> None:
    file["other"] = np.dtype("i4")


HOSTILE: dict[str, tuple[Change, str]] = {
    "soft link": (linked(h5py.SoftLink("/decodes")), "a link to somewhere else"),
    "external link": (linked(h5py.ExternalLink("/etc/hostname", "/")), "a link to somewhere else"),
    "external storage": (external_storage, "not in this file"),
    "virtual dataset": (virtual, "not in this file"),
    "a terabyte that is not there": (unallocated, "cut into too many chunks"),
    "chunks that are not there": (unallocated_but_small, "chunks should be there, 0 are"),
    "more data than the file has": (contiguous_but_empty, "more data than the file has"),
    "large chunks": (large_chunks, "chunks are too large"),
    "crumbs of chunks": (crumbs, "too many chunks"),
    "unknown filter": (another_filter, "a filter that a session does not use"),
    "deep nesting": (deep, "nested too deeply"),
    "group within itself": (circle, "stands in two places"),
    "a dataset twice": (twice, "stands in two places"),
    "thousands of columns": (thousands_of_columns, "too many columns"),
    "many attributes": (many_attributes, "too many attributes"),
    "variable-length texts": (pointers, "not of fixed length"),
    "object references": (references, "a type that a session does not use"),
    "array as attribute": (replaced("/@created", np.arange(3)), "not a single value"),
    "variable-length attribute": (replaced("/@created", "now"), "not of fixed length"),
    "named type": (named_type, "neither a group nor a dataset"),
    "two dimensions": (replaced("captures/0/channels/0/samples", np.zeros((5, 8), "i2")), "not a list"),
    "complex samples": (replaced("captures/0/channels/0/samples", np.zeros(40, "c8")), "type"),
    "strange name": (replaced("captures/0@Größe", np.int64(1)), "a name that a session does not use"),
    "missing attribute": (lambda f: f["captures/0"].attrs.__delitem__("rate_hz"), "@rate_hz is missing"),
    "rate of zero": (replaced("captures/0@rate_hz", 0.0), "/captures/0@rate_hz is 0.0, out of its range"),
    "rate below zero": (replaced("captures/0@rate_hz", -1e6), "out of its range"),
    "rate that is no number": (replaced("captures/0@rate_hz", np.nan), "out of its range"),
    "rate as text": (replaced("captures/0@rate_hz", np.bytes_(b"fast")), "is str, not float"),
    "absurd start": (replaced("captures/0@start_s", 1e300), "out of its range"),
    "count below zero": (replaced("captures/0@samples", -40), "out of its range"),
    "count that is not true": (replaced("captures/0@samples", 41), "does not have the 41 samples"),
    "another stored type": (
        replaced("captures/0/channels/0@dtype", np.bytes_(b"<f8")),
        "states samples of type",
    ),
    "no channels": (lambda f: f["captures/0"].__delitem__("channels"), "has no channels"),
    "no samples": (lambda f: f["captures/0/channels/0"].__delitem__("samples"), "not have the 40 samples"),
    "no segments": (lambda f: f["captures/0"].__delitem__("segments"), "has no segments"),
    "a segment beyond the end": (table_with("captures/0/segments", "last", 1, 41), "go beyond its samples"),
    "segments that overlap": (table_with("captures/0/segments", "first", 1, 10), "overlap"),
    "a capture out of order": (lambda f: f.move("captures/1", "captures/5"), "not numbered from 0"),
    "a mark on no capture": (table_with("cursors", "capture", 0, 7), "stands on capture 7"),
    "a key used twice": (table_with("flips", "key", 0, 1), "the key 1 is used twice"),
    "a mark at no time": (table_with("cursors", "time_s", 1, np.nan), "/cursors.time_s is nan in row 1"),
    "a span backwards": (table_with("spans", "end_s", 0, -1.0), "ends before it starts"),
    "a flag that is neither": (table_with("flips", "removes", 0, 2), "/flips.removes is 2 in row 0"),
    "columns of another table": (lambda f: f.move("spans", "notes2") or f.copy("flips", "spans"), "columns"),
    "text that is no UTF-8": (table_with("notes", "text", 0, b"\xff\xfe"), "not UTF-8"),
    "more symbols than there are": (table_with("decodes/0/bursts", "symbols_end", 1, 99), "symbols_end"),
    "symbols counted backwards": (table_with("decodes/0/bursts", "symbols_end", 0, 50), "bursts.symbols_end"),
    "a probability of two": (table_with("decodes/0/bursts", "end_probability", 0, 2.0), "out of its range"),
    "a confidence of two": (replaced("decodes/0/confidence", np.full(14, 2.0)), "out of their range"),
    "a symbol rate below zero": (
        table_with("decodes/0/bursts", "symbol_rate_bd", 0, -5.0),
        "out of its range",
    ),
    "a symbol rate of nothing": (
        table_with("decodes/0/bursts", "symbol_rate_bd", 0, 1e-300),
        "out of its range",
    ),
    "an absurd carrier": (table_with("decodes/0/bursts", "carrier_hz", 0, 1e300), "out of its range"),
    "an infinite amplitude": (table_with("decodes/0/bursts", "amplitude", 0, np.inf), "out of its range"),
    "an uncertainty below zero": (
        table_with("decodes/0/bursts", "carrier_std_hz", 0, -1.0),
        "out of its range",
    ),
    "a burst backwards": (table_with("decodes/0/bursts", "end_s", 0, -1.0), "ends before it starts"),
    "an absurd setting": (replaced("decodes/0@set_carrier_hz", -4e5), "out of its range"),
    "unknown kind": (replaced("decodes/0@kind", np.bytes_(b"magic")), "is “magic”, not one of"),
    "symbols that are no text": (replaced("decodes/0/symbols", np.arange(14)), "has the wrong type"),
    "control characters": (replaced("decodes/0/symbols", np.array([b"\x1b"] * 14)), "not printable"),
    "a link without end": (
        lambda f: [replaced(f"captures/0@{k}", np.bytes_(v))(f) for k, v in LONG_LINK.items()],
        "File name too long",
    ),
    "an absolute link": (
        lambda f: [replaced(f"captures/0@{k}", np.bytes_(v))(f) for k, v in LINK_OUT.items()],
        "not a path relative",
    ),
}
LONG_LINK = {"storage": b"linked", "link": b"x" * 5000}
LINK_OUT = {"storage": b"linked", "link": b"/etc/hostname"}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_session_is_refused_in_one_sentence(path: Path, what: str) -> None:
    change, why = HOSTILE[what]
    with h5py.File(path, "r+") as file:
        change(file)
    before = path.read_bytes()
    tracemalloc.start()
    try:
        text = refusal(path)
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()
    assert why in text
    assert path.read_bytes() == before


def test_what_a_later_program_may_add_is_left_alone(path: Path) -> None:
    with h5py.File(path, "r+") as file:
        file["captures/0"].attrs["probe"] = np.float64(10.0)
        file["captures/0/pictures"] = np.zeros(10, "u1")
    assert_same(read_session(path), version_1())


def chunk_file(path: Path, raw: bytes, mask: int = 0) -> Path:
    """A session whose only samples are in one chunk, stored as these bytes."""
    write_session(path, with_samples(np.zeros(CHUNK_ROWS, "i2")))
    with h5py.File(path, "r+") as file:
        file["captures/0/channels/0/samples"].id.write_direct_chunk((0,), raw, mask)
    return path


def test_thousands_of_small_chunks_are_read_without_a_walk_for_each(tmp_path: Path) -> None:
    """Found by changing files at random: 32,000 chunks took minutes."""
    path = tmp_path / "x.h5"
    write_session(path, with_samples(np.arange(120_000, dtype="i4")))
    name = "captures/0/channels/0/samples"
    with h5py.File(path, "r+") as file:
        values = file[name][:]
        del file[name]
        file.create_dataset(name, data=values, chunks=(4,))
    begun = time.monotonic()
    assert (read_session(path).captures[0].channels[0].stored == values).all()
    assert time.monotonic() - begun < 30  # a walk for each takes minutes


def checked(raw: bytes) -> bytes:
    from app.files.session_chunks import fletcher32

    return raw + struct.pack("<I", fletcher32(raw))


def test_a_chunk_that_would_inflate_without_end_is_refused(tmp_path: Path) -> None:
    bomb = checked(zlib.compress(bytes(300 << 20), 9))
    path = chunk_file(tmp_path / "x.h5", bomb)
    tracemalloc.start()
    try:
        assert "inflates to more than its stated size" in refusal(path)
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()


def compressed_rows(file: h5py.File, name: str, row: Any, count: int) -> None:
    """A dataset of ``count`` rows that are all the same, which takes next to nothing in the file."""
    length = 1 << 18
    raw = zlib.compress(np.full(length, row).tobytes(), 9)
    made = file.create_dataset(name, (count,), row.dtype, chunks=(length,), compression="gzip")
    for first in range(0, count, length):
        made.id.write_direct_chunk((first,), raw)


_CURSOR = np.zeros((), [("key", "<i8"), ("capture", "<i8"), ("name", "S1"), ("time_s", "<f8")])
_FLIP = np.zeros((), [("key", "<i8"), ("capture", "<i8"), ("time_s", "<f8"), ("removes", "u1")])
_REASON = np.zeros((), [("text", "S1")])


@pytest.mark.parametrize(
    ("name", "row", "count", "why"),
    [
        ("cursors", _CURSOR, 60_000_000, "60000000 rows, more than"),
        ("flips", _FLIP, 300_000, "300000 rows, more than"),
        ("decodes/0/reasons", _REASON, 60_000_000, "would be needed to work with it"),
        ("decodes/0/confidence", np.float64(0.9), 150_000_000, "would be needed to work with it"),
    ],
)
def test_rows_that_would_fill_the_memory_are_refused_before_they_are_read(
    path: Path, name: str, row: Any, count: int, why: str
) -> None:
    with h5py.File(path, "r+") as file:
        if name in file:
            del file[name]
        compressed_rows(file, name, row, count)
    assert path.stat().st_size < 10e6
    tracemalloc.start()
    try:
        assert why in refusal(path)
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (checked(zlib.compress(bytes(2 * CHUNK_ROWS - 2))), "does not have the size"),
        (checked(b"no zlib at all" * 100), "cannot be inflated"),
        (checked(zlib.compress(bytes(2 * CHUNK_ROWS)) + b"more behind it"), "more than its stated size"),
        (checked(zlib.compress(bytes(2 * CHUNK_ROWS))[:-20]), "cut short"),
        (zlib.compress(bytes(2 * CHUNK_ROWS)) + b"\1\2\3\4", "checksum is wrong"),
        (b"\0", "too small for what it states"),
        (bytes(4 * CHUNK_ROWS), "larger than it may be"),
    ],
)
def test_broken_chunks_are_refused(tmp_path: Path, raw: bytes, why: str) -> None:
    assert why in refusal(chunk_file(tmp_path / "x.h5", raw))


# A broken file can crash the library itself, so the fuzzing is done in a process of its own.
FUZZ = """
import random, re, resource, sys
from dataclasses import replace
from pathlib import Path
import numpy as np
from generators.sessions import assert_same, version_1, with_samples
from app.errors import SessionError
from app.files import schema
from app.files.session import is_session, read_session, write_session

path, cases = Path(sys.argv[1]), int(sys.argv[2])
chance = random.Random(int(sys.argv[3]))
resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
known = []
chunked = replace(with_samples((np.arange(700_000) * 37 % 1009).astype("i2")), created="2026-11-27T05:00:00+00:00")
for expected in (version_1(), chunked):
    write_session(path, expected)
    known.append((path.read_bytes(), expected))
# where the chunks are listed, which no checksum covers
trees = [one.start() for one in re.finditer(b"TREE", known[1][0])]
assert trees
refused = 0
for n in range(cases):
    which = n % 4 == 3
    whole, expected = known[which]
    raw = bytearray(whole)
    schema.READ_AT_ONCE_BYTES = chance.choice((0, 64 << 20))
    if which and chance.random() < 0.7:
        at = chance.choice(trees) + chance.randrange(200)
        raw[min(at, len(raw) - 1)] ^= 1 << chance.randrange(8)
    for _ in range(chance.choice((1, 1, 2, 8))):
        at = chance.randrange(len(raw))
        raw[at] = chance.choice((0, 255, raw[at] ^ 1 << chance.randrange(8), chance.randrange(256)))
    if chance.random() < 0.1:
        del raw[chance.randrange(len(raw)) :]
    path.write_bytes(raw)
    try:
        found = read_session(path)
        for capture in found.captures:
            for channel in capture.channels:
                channel.stored[:]
    except SessionError as error:
        refused += 1
        assert "\\n" not in str(error)
    else:
        # every byte that means something stands under a checksum, or can have one value only
        assert_same(found, expected)
print(refused)
"""


def test_changed_bytes_are_refused_or_mean_nothing(tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(10**6)
    cases = int(os.environ.get("HALFTURN_TEST_FUZZ", "300"))
    done = subprocess.run(
        [sys.executable, "-c", FUZZ, str(tmp_path / "x.h5"), str(cases), str(seed)],
        env={"PYTHONPATH": f"{ROOT}:{ROOT / 'tests'}", "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
        timeout=120 + cases // 5,
    )
    assert done.returncode == 0, f"seed {seed}: {done.stderr[-2000:]}"
    assert int(done.stdout) > cases // 3


@pytest.mark.parametrize("dtype", [">i2", "<f4", "<i8"])
def test_samples_of_another_type_than_is_stated_are_told_as_such(tmp_path: Path, dtype: str) -> None:
    path = tmp_path / "line.h5"
    write_session(path, version_1())
    with h5py.File(path, "r+") as file:
        channel = file["captures/0/channels/0"]
        values = channel["samples"][:]
        del channel["samples"]
        channel["samples"] = values.astype(dtype)
    with pytest.raises(SessionError, match=f"states samples of type “<i2”, and they are “{dtype}”"):
        read_session(path)
