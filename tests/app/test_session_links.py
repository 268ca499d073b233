"""Captures that stand beside the session instead of in it."""

import os
import shutil
import wave
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from app.errors import CancelledError, SessionError
from app.files import session_links
from app.files.capture_options import Watch
from app.files.captures import ReadOptions, open_capture
from app.files.session import read_session, with_file_digests, write_session
from app.model.items import SessionData

CODES = (np.arange(5000) * 37 % 1009 - 500).astype("<i2")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "captures").mkdir()
    return tmp_path


def as_wav(folder: Path) -> Path:
    path = folder / "captures" / "vent.wav"
    with wave.open(str(path), "wb") as out:
        out.setnchannels(2)
        out.setsampwidth(2)
        out.setframerate(48_000)
        out.writeframes(np.stack([CODES, -CODES], axis=1).tobytes())
    return path


def as_text(folder: Path) -> Path:
    path = folder / "captures" / "vent.csv"
    rows = [f"{n * 1e-6:.7e},{code * 0.01:.3f}" for n, code in enumerate(CODES[:500].tolist())]
    path.write_text("time,line\ns,V\n" + "\n".join(rows) + "\n")
    return path


def as_npy(folder: Path) -> Path:
    path = folder / "captures" / "vent.npy"
    np.save(path, CODES)
    return path


def as_raw(folder: Path) -> Path:
    path = folder / "captures" / "vent.bin"
    np.stack([CODES, -CODES], axis=1).tofile(path)
    return path


FILES = {
    "wav": (as_wav, ReadOptions()),
    "text": (as_text, ReadOptions()),
    "npy": (as_npy, ReadOptions(rate_hz=1.25e6, scale=0.01)),
    "raw": (as_raw, ReadOptions(rate_hz=1e6, dtype="int16", channels=2)),
}


def session_of(folder: Path, kind: str) -> tuple[Path, SessionData]:
    make, options = FILES[kind]
    capture = replace(open_capture(make(folder), options), label="vent 2 opens", start_s=0.25)
    return folder / "line.h5", SessionData(captures=(capture,))


@pytest.mark.parametrize("kind", FILES)
def test_a_linked_capture_comes_back_as_it_was(folder: Path, kind: str) -> None:
    path, data = session_of(folder, kind)
    write_session(path, data, link_captures=True)
    with h5py.File(path) as file:
        assert "samples" not in file["captures/0/channels/0"]
        assert file["captures/0"].attrs["link"].decode() == f"captures/{data.captures[0].name}"
    (again,) = read_session(path).captures
    (before,) = data.captures
    assert (again.label, again.start_s, again.rate_hz) == ("vent 2 opens", 0.25, before.rate_hz)
    assert again.path == folder / "captures" / before.name
    for a, b in zip(again.channels, before.channels, strict=True):
        assert (a.name, a.unit, a.scale, a.offset) == (b.name, b.unit, b.scale, b.offset)
        np.testing.assert_array_equal(a.stored, b.stored)


def test_session_and_capture_may_move_together(folder: Path) -> None:
    path, data = session_of(folder, "wav")
    write_session(path, data, link_captures=True)
    moved = folder.with_name(folder.name + "-moved")
    shutil.move(folder, moved)
    assert read_session(moved / "line.h5").captures[0].samples == len(CODES)


def test_a_linked_capture_can_be_embedded_later(folder: Path) -> None:
    path, data = session_of(folder, "wav")
    write_session(path, data, link_captures=True)
    write_session(path, read_session(path))
    data.captures[0].path.unlink()  # type: ignore[union-attr]
    np.testing.assert_array_equal(read_session(path).captures[0].channels[0].stored, CODES)


def test_an_embedded_capture_stays_embedded_when_others_are_linked(folder: Path) -> None:
    path, data = session_of(folder, "wav")
    write_session(path, data)
    write_session(path, read_session(path), link_captures=True)
    data.captures[0].path.unlink()  # type: ignore[union-attr]
    np.testing.assert_array_equal(read_session(path).captures[0].channels[0].stored, CODES)


def test_only_what_a_session_cannot_hold_is_linked(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from app.files import schema

    large, small = open_capture(as_wav(folder)), open_capture(as_text(folder))
    monkeypatch.setattr(schema, "MOST_EMBEDDED_BYTES", 19_000)
    path = folder / "line.h5"
    write_session(path, SessionData(captures=(small, large)))
    with h5py.File(path) as file:
        assert [file[f"captures/{n}"].attrs["storage"] for n in range(2)] == [b"embedded", b"linked"]
    assert [capture.samples for capture in read_session(path).captures] == [500, len(CODES)]


def test_captures_in_no_file_that_a_session_cannot_hold_are_refused(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from app.files import schema

    capture = replace(open_capture(as_wav(folder)), path=None)
    monkeypatch.setattr(schema, "MOST_SAMPLE_BYTES", 19_000)
    with pytest.raises(SessionError, match="stand in no file of their own"):
        write_session(folder / "line.h5", SessionData(captures=(capture,)))


def test_a_missing_and_a_changed_capture_are_told(folder: Path) -> None:
    path, data = session_of(folder, "wav")
    write_session(path, data, link_captures=True)
    file = folder / "captures" / "vent.wav"
    file.write_bytes(file.read_bytes()[:-1] + b"\x55")
    with pytest.raises(SessionError, match=r"captures/vent\.wav has changed since the session was saved"):
        read_session(path)
    file.unlink()
    with pytest.raises(SessionError, match=r"captures/vent\.wav is not there, .*put it back"):
        read_session(path)


def test_a_capture_that_opens_in_another_way_is_not_linked(folder: Path) -> None:
    capture = open_capture(as_npy(folder), ReadOptions(rate_hz=1e6))
    (channel,) = capture.channels
    capture = replace(capture, channels=(replace(channel, stored=channel.stored[:-1]),))
    with pytest.raises(SessionError, match="save with samples embedded"):
        write_session(folder / "line.h5", SessionData(captures=(capture,)), link_captures=True)
    assert not (folder / "line.h5").exists()


@pytest.mark.parametrize("link", ["/etc/hostname", "C:\\vent.wav", "\\\\host\\vent.wav", "", "captures"])
def test_links_that_are_no_relative_path_to_a_file_are_refused(folder: Path, link: str) -> None:
    path, data = session_of(folder, "wav")
    write_session(path, data, link_captures=True)
    with h5py.File(path, "r+") as file:
        file["captures/0"].attrs["link"] = np.bytes_(link or b"\0")
    with pytest.raises(SessionError, match=r"is not a path relative to the session|is not there"):
        read_session(path)


@pytest.mark.parametrize("place", [".", "moved"])
def test_a_capture_that_was_moved_is_found_by_its_digest(tmp_path: Path, place: str) -> None:
    (tmp_path / "scope").mkdir()
    file = tmp_path / "scope" / "line.npy"
    np.save(file, np.arange(100, dtype="i2"))
    data = SessionData(captures=(open_capture(file, ReadOptions(rate_hz=1e6)),))
    write_session(tmp_path / "s.h5", data, link_captures=True)
    (tmp_path / "moved").mkdir()
    # one of the same name that is another
    np.save(tmp_path / "other.npy", np.arange(100, dtype="i2") + 1)
    decoy = tmp_path / ("moved" if place == "." else ".") / "line.npy"
    os.replace(tmp_path / "other.npy", decoy)
    file.rename(tmp_path / place / "line.npy")
    found = read_session(tmp_path / "s.h5").captures[0]
    np.testing.assert_array_equal(found.channels[0].stored, np.arange(100))
    assert found.path == tmp_path / place / "line.npy"


class Stopper:
    """Asks to stop once it has been told of progress so often."""

    def __init__(self, after: int) -> None:
        self.left = after
        self.told: list[float] = []

    def cancelled(self) -> bool:
        self.left -= 1
        return self.left < 0


def test_going_through_the_bytes_of_a_linked_file_can_be_cancelled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session_links, "_BLOCK_BYTES", 1 << 10)
    file = tmp_path / "long.npy"
    np.save(file, np.zeros(50_000, "f4"))
    data = SessionData(captures=(open_capture(file, ReadOptions(rate_hz=1e6)),), next_key=1)
    path = tmp_path / "line.h5"
    # some 200 blocks; the hash is worked out when saving, when opening, and for a report
    with pytest.raises(CancelledError):
        write_session(path, data, link_captures=True, cancelled=Stopper(20).cancelled)
    assert not path.exists()
    write_session(path, data, link_captures=True)
    told: list[float] = []
    with pytest.raises(CancelledError):
        read_session(path, watch=Watch(told.append, Stopper(20).cancelled))
    assert len(told) == 20
    assert told == sorted(told)
    assert max(told) < 0.2
    with pytest.raises(CancelledError):
        with_file_digests(data, Watch(cancelled=Stopper(20).cancelled))
    assert len(read_session(path, watch=Watch(told.append)).captures) == 1
