"""Embedded samples that stay in the session's file until they are asked for."""

import errno
import gc
import os
import pickle
import resource
import shutil
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from generators.sessions import assert_same, version_1, with_samples

from app.errors import SessionError
from app.files import schema
from app.files.session import read_session, write_session
from app.files.session_samples import StoredSamples
from app.jobs.digest import samples_sha256
from app.model.capture import Segment
from app.model.items import Note

ROOT = Path(__file__).parents[2]
CODES = (np.arange(700_000) * 37 % 1009 - 500).astype("<i2")

pytestmark = pytest.mark.skipif(not hasattr(os, "pread"), reason="this system reads sessions whole")


@pytest.fixture(autouse=True)
def leave_all_in_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schema, "READ_AT_ONCE_BYTES", 0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    write_session(tmp_path / "line.h5", with_samples(CODES))
    return tmp_path / "line.h5"


def lazy(path: Path) -> StoredSamples:
    stored = read_session(path).captures[0].channels[0].stored
    assert isinstance(stored, StoredSamples)
    return stored


@pytest.mark.parametrize(
    "key",
    [
        slice(None),
        slice(0, 0),
        slice(5, 3),
        slice(10, 20),
        slice(262_143, 262_145),
        slice(-7, None),
        slice(100, 600_000, 999),
        slice(None, None, -70_001),
        slice(600_000, 100, -1),
        slice(699_999, 10**12),
        0,
        -1,
        np.int64(262_144),
    ],
)
def test_slices_are_those_of_the_array(path: Path, key: Any) -> None:
    stored = lazy(path)
    np.testing.assert_array_equal(stored[key], CODES[key])
    assert (len(stored), stored.shape, stored.dtype, stored.nbytes) == (
        len(CODES),
        CODES.shape,
        CODES.dtype,
        CODES.nbytes,
    )


@pytest.mark.parametrize("dtype", ["i1", "<i2", ">i4", "<u4", "<f4", ">f8"])
@pytest.mark.parametrize("count", [20_000, 262_144, 262_145, 600_001])
def test_every_type_and_length(tmp_path: Path, dtype: str, count: int) -> None:
    values = np.random.default_rng(count).integers(-100, 100, count).astype(dtype)
    write_session(tmp_path / "s.h5", with_samples(values))
    with h5py.File(tmp_path / "s.h5") as file:  # as the library itself reads what was deflated here
        np.testing.assert_array_equal(file["captures/0/channels/0/samples"][:], values)
    stored = read_session(tmp_path / "s.h5").captures[0].channels[0].stored
    np.testing.assert_array_equal(np.asarray(stored), values)
    assert stored.dtype == values.dtype


def test_noise_that_deflates_to_nothing_less_is_read_by_the_library(tmp_path: Path) -> None:
    values = np.frombuffer(np.random.default_rng(3).bytes(8 * 300_000), "<i8")
    write_session(tmp_path / "s.h5", with_samples(values))
    with h5py.File(tmp_path / "s.h5") as file:
        np.testing.assert_array_equal(file["captures/0/channels/0/samples"][:], values)
    np.testing.assert_array_equal(lazy(tmp_path / "s.h5")[:], values)


def test_samples_of_another_maker(tmp_path: Path, path: Path) -> None:
    """In one piece, and in chunks of other filters and lengths."""
    for n, named in enumerate(({}, {"chunks": (1000,)}, {"chunks": (70_000,), "compression": 9})):
        other = tmp_path / f"other{n}.h5"
        shutil.copy(path, other)
        with h5py.File(other, "r+") as file:
            del file["captures/0/channels/0/samples"]
            file["captures/0/channels/0"].create_dataset("samples", data=CODES, **named)
        np.testing.assert_array_equal(lazy(other)[:], CODES)
        write_session(tmp_path / "again.h5", read_session(other))
        np.testing.assert_array_equal(lazy(tmp_path / "again.h5")[:], CODES)


def test_samples_stay_those_that_were_opened_whatever_takes_the_place_of_the_file(path: Path) -> None:
    opened = read_session(path)
    stored = opened.captures[0].channels[0].stored
    assert stored[0] == CODES[0]
    write_session(path, with_samples(CODES + 1))  # another window
    np.testing.assert_array_equal(stored[:], CODES)
    write_session(path, opened)  # this window
    np.testing.assert_array_equal(lazy(path)[:], CODES)
    path.unlink()
    path.with_name("line.h5.bak").unlink()
    np.testing.assert_array_equal(stored[300_000:], CODES[300_000:])
    write_session(path, opened)
    np.testing.assert_array_equal(lazy(path)[:], CODES)


def test_a_file_is_open_for_reading_only_and_only_while_it_is_used(path: Path) -> None:
    session = read_session(path)

    def modes() -> list[int]:
        found = []
        for name in os.listdir("/proc/self/fd"):
            try:
                if os.path.samefile(f"/proc/self/fd/{name}", path):
                    flags = Path(f"/proc/self/fdinfo/{name}").read_text().split("flags:\t")[1].split()[0]
                    found.append(int(flags, 8) & os.O_ACCMODE)
            except OSError:
                continue
        return found

    assert modes() == [os.O_RDONLY]
    with h5py.File(path, "r+") as file:  # no lock is held either
        file.attrs["extra"] = 1
    del session
    gc.collect()
    assert modes() == []


def test_saving_again_copies_the_chunks_as_they_are(path: Path, tmp_path: Path) -> None:
    def chunks(file: Path) -> list[bytes]:
        with h5py.File(file) as h5:
            one = h5["captures/0/channels/0/samples"].id
            return [one.read_direct_chunk((n * 262_144,))[1] for n in range(3)]

    write_session(tmp_path / "again.h5", read_session(path))
    assert chunks(tmp_path / "again.h5") == chunks(path)


def damage(path: Path, first: int) -> None:
    """Turn over a bit in the middle of the chunk of that sample."""
    with h5py.File(path) as file:
        dataset = file["captures/0/channels/0/samples"]
        info = dataset.id.get_chunk_info_by_coord((first // 262_144 * 262_144,))
    raw = bytearray(path.read_bytes())
    raw[info.byte_offset + info.size // 2] ^= 4
    path.write_bytes(raw)


def test_a_damaged_chunk_is_told_where_it_is_read_and_the_rest_can_be_saved(path: Path) -> None:
    damage(path, 300_000)
    opened = read_session(path)
    stored = opened.captures[0].channels[0].stored
    np.testing.assert_array_equal(stored[:262_144], CODES[:262_144])
    with pytest.raises(SessionError, match=r"line\.h5: samples 262144 to 524287 cannot be read: .* checksum"):
        stored[250_000:280_000]
    other = path.with_name("other.h5")
    write_session(other, opened)
    np.testing.assert_array_equal(lazy(other)[524_288:], CODES[524_288:])
    with pytest.raises(SessionError, match="checksum"):
        lazy(other)[300_000]


def test_a_file_cut_short_is_refused_when_it_is_opened_and_told_when_it_is_read(path: Path) -> None:
    stored = lazy(path)
    whole = path.read_bytes()
    with h5py.File(path) as file:
        last = file["captures/0/channels/0/samples"].id.get_chunk_info(2)
    with path.open("rb+") as file:
        file.truncate(last.byte_offset + 10)
    with pytest.raises(SessionError, match="the file has been cut short"):
        stored[600_000]
    with pytest.raises(SessionError, match="cannot be opened"):
        read_session(path)
    path.write_bytes(whole)
    assert lazy(path)[600_000] == CODES[600_000]


def test_chunks_beyond_the_file_or_too_small_are_refused(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from app.files.session_chunks import Chunks, Place

    plain = Chunks._note
    for changed, words in (
        (lambda p: Place(p.offset + 10**9, p.size, p.mask), "ends before its data"),
        (lambda p: Place(p.offset, 3, p.mask), "too small for what it states"),
        (lambda p: Place(p.offset, 10**6, p.mask), "larger than it may be"),
    ):

        def note(self: Chunks, info: Any, changed: Any = changed) -> None:
            plain(self, info)
            self.places = {first: changed(place) for first, place in self.places.items()}

        monkeypatch.setattr(Chunks, "_note", note)
        with pytest.raises(SessionError, match=words):
            read_session(path)


def test_what_is_no_sample_counts_against_the_limit_of_memory(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "MOST_BYTES", CODES.nbytes)
    assert len(lazy(path)) == len(CODES)
    with h5py.File(path, "r+") as file:
        file["captures/0/channels/0"].move("samples", "values")
        file["captures/0/channels/0"].create_dataset("samples", data=CODES)
        file["captures/0"].create_dataset("notes", data=np.zeros(10))
    with pytest.raises(SessionError, match="would be needed to hold it"):
        read_session(path)


def test_two_threads_read_the_same(path: Path) -> None:
    stored = lazy(path)
    wrong: list[int] = []

    def read(seed: int) -> None:
        draw = np.random.default_rng(seed)
        for at in draw.integers(0, len(CODES) - 5000, 60).tolist():
            if not np.array_equal(stored[at : at + 5000], CODES[at : at + 5000]):
                wrong.append(at)

    threads = [threading.Thread(target=read, args=(seed,)) for seed in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert wrong == []


def test_another_process_opens_the_same_file_or_says_that_it_is_another(path: Path) -> None:
    stored = lazy(path)
    sent = pickle.dumps(stored)
    assert len(sent) < 5000
    np.testing.assert_array_equal(pickle.loads(sent)[:], CODES)
    write_session(path, with_samples(CODES + 1))
    with pytest.raises(SessionError, match="another session has taken its place"):
        pickle.loads(sent)


def test_digests_are_those_of_the_array(path: Path) -> None:
    whole = (Segment(0, len(CODES), 0.0),)
    assert samples_sha256(lazy(path), whole) == samples_sha256(CODES, whole)


def test_small_datasets_and_everything_else_come_back_as_they_were(tmp_path: Path) -> None:
    write_session(tmp_path / "s.h5", version_1())
    assert_same(read_session(tmp_path / "s.h5"), version_1())


LARGE = """
import resource, sys
from pathlib import Path
import numpy as np
from generators.sessions import with_samples
from app.files.session import read_session, write_session
from app.jobs.inspecting import inspect_capture
from app.report.exports import ExportRequest, export
from app.model.sharing import Kept, shared

class Repeated:
    # samples without memory: one piece over and over
    def __init__(self, count):
        self.piece = (np.arange(1 << 20) * 37 % 1009 - 500).astype("<i2")
        self.shape, self.dtype, self.nbytes, self.ndim = (count,), self.piece.dtype, 2 * count, 1
    def __len__(self): return self.shape[0]
    def __getitem__(self, key):
        start, stop, _ = key.indices(len(self))
        return np.take(self.piece, np.arange(start, stop) % len(self.piece))

path = Path(sys.argv[1])
write_session(path, with_samples(Repeated(80_000_000)))
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
session = read_session(path)
write_session(path, session)
capture = session.captures[0]
inspect_capture(capture)
start = capture.start_s
copy = shared(session, [Kept(0, ((start + 1, start + 71),), None)])
write_session(path.with_name("copy.h5"), copy)
export(copy, ExportRequest("samples", path.with_name("part.npy"), 0), "1")
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) >> 10, copy.captures[0].samples)
"""


def test_memory_stays_bounded_whatever_the_length(tmp_path: Path) -> None:
    """160 MB of samples saved, opened, saved again, looked over, shared and exported with less than half of that."""
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss > 0
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(ROOT), str(ROOT / "tests")]))
    done = subprocess.run(
        [sys.executable, "-c", LARGE, str(tmp_path / "s.h5")],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr[-1500:]
    grown_mb, samples = map(int, done.stdout.split())
    assert samples == 70_000_000
    assert grown_mb < 80


def test_the_envelope_of_each_channel_is_kept_for_the_next_opening(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from app.files import envelope_cache
    from app.files.envelope_cache import EnvelopeCache, build_kept
    from dsp.envelope import FIRST_BIN, EnvelopePyramid

    monkeypatch.setattr(envelope_cache, "WORTH_FROM", 1000)
    session = with_samples(CODES)
    (capture,) = session.captures
    both = (capture.channels[0], replace(capture.channels[0], name="B", stored=-CODES))
    path = tmp_path / "s.h5"
    write_session(path, replace(session, captures=(replace(capture, channels=both),)))
    os.utime(path, (1.0, 1.0))  # long settled
    cache = EnvelopeCache(tmp_path / "cache")
    for wanted in ((CODES, -CODES), (CODES, -CODES)):
        for channel, values in zip(read_session(path).captures[0].channels, wanted, strict=True):
            pyramid = EnvelopePyramid(channel.stored)
            steps = list(build_kept(pyramid, channel.stored, cache))
            np.testing.assert_array_equal(
                pyramid.first_level()[0], np.minimum.reduceat(values, range(0, len(values), FIRST_BIN))
            )
    assert steps == [len(CODES)]  # all at once
    assert len(list((tmp_path / "cache").iterdir())) == 2


@pytest.mark.parametrize("chunks", [None, 262_144])
def test_a_system_that_reads_at_no_place_of_a_file_maps_a_temporary_one(
    path: Path, monkeypatch: pytest.MonkeyPatch, chunks: int | None
) -> None:
    from app.files import session_load, session_spool

    if chunks is None:
        with h5py.File(path, "r+") as file:
            del file["captures/0/channels/0/samples"]
            file["captures/0/channels/0/samples"] = CODES
    monkeypatch.setattr(session_load, "can_be_lazy", lambda: False)
    # they are more than may come into memory
    monkeypatch.setattr(schema, "MOST_BYTES", CODES.nbytes - 1)
    data = read_session(path)
    stored = data.captures[0].channels[0].stored
    assert isinstance(stored, np.memmap)
    assert not stored.flags.writeable
    np.testing.assert_array_equal(stored, CODES)
    # nothing of the session's file is held open, so another can take its place
    assert not any(str(path) in os.readlink(one) for one in open_files())
    write_session(path, replace(data, created="again"))
    np.testing.assert_array_equal(read_session(path).captures[0].channels[0].stored, CODES)
    np.testing.assert_array_equal(stored, CODES)
    monkeypatch.setattr(session_spool, "_MOST_OF_FREE", 0.0)
    with pytest.raises(SessionError, match="MB of room for temporary files would be needed"):
        read_session(path)


def open_files() -> list[Path]:
    folder = Path("/proc/self/fd")
    if not folder.is_dir():
        pytest.skip("open files are looked for in /proc")
    return [one for one in folder.iterdir() if os.path.lexists(one)]


def test_a_full_disk_while_samples_are_laid_down_is_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from app.files import session_load, session_spool

    class Full:
        def __enter__(self) -> "Full":
            return self

        def __exit__(self, *_: object) -> None: ...

        def seek(self, _at: int) -> None: ...

        def write(self, _part: object) -> None:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(session_load, "can_be_lazy", lambda: False)
    monkeypatch.setattr(session_spool.tempfile, "TemporaryFile", Full)
    with pytest.raises(SessionError, match=r"laid down in a temporary file \(No space left on device\)"):
        read_session(path)


def test_a_session_replaced_while_it_is_opened_is_opened_whole(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Samples and all else come from one file, whichever of the two."""
    from app.files import session_load

    plain = session_load.SessionFile
    replaced: list[Path] = []

    def opened(where: Path) -> Any:
        held = plain(where)
        if not replaced:
            replaced.append(where)
            monkeypatch.setattr(session_load, "SessionFile", plain)
            write_session(path, with_samples(CODES + 1, label="new"))
            monkeypatch.setattr(session_load, "SessionFile", opened)
        return held

    monkeypatch.setattr(session_load, "SessionFile", opened)
    capture = read_session(path).captures[0]
    assert capture.label == "new"
    np.testing.assert_array_equal(capture.channels[0].stored[:], CODES + 1)


def test_work_is_kept_aside_though_the_folder_of_the_session_has_vanished(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from app.files.autosave import SampleDigests, read_autosave, write_autosave

    kept = tmp_path / "kept.h5"
    whole = path.read_bytes()
    opened = read_session(path)
    with_note = replace(opened, notes=(Note(1, 0, None, "unsaved"),), next_key=2)

    def stale(*_: object) -> bytes:
        raise OSError(errno.ESTALE, os.strerror(errno.ESTALE))

    path.unlink()
    with monkeypatch.context() as vanished:
        vanished.setattr(os, "pread", stale)
        write_autosave(kept, with_note, path, SampleDigests())
    assert kept.stat().st_size < 30_000
    with pytest.raises(SessionError, match="are no longer in"):
        read_autosave(kept)
    path.write_bytes(whole)  # the folder is back
    found = read_autosave(kept).data
    assert found.notes == with_note.notes
    np.testing.assert_array_equal(found.captures[0].channels[0].stored[:], CODES)


def test_samples_of_a_session_that_was_deleted_are_kept_aside_with_the_work(
    path: Path, tmp_path: Path
) -> None:
    from app.files.autosave import SampleDigests, read_autosave, write_autosave

    opened = read_session(path)
    path.unlink()
    write_autosave(tmp_path / "kept.h5", opened, path, SampleDigests())
    del opened
    found = read_autosave(tmp_path / "kept.h5").data
    np.testing.assert_array_equal(found.captures[0].channels[0].stored[:], CODES)
