"""Many files into one session: bad ones skipped, broken off and gone on with, nothing left over."""

import errno
import hashlib
import json
import os
from pathlib import Path

import h5py
import numpy as np
import pytest

from app.__main__ import main
from app.cli import batch, decode
from app.cli.parts import folder_for
from app.demo import demo_path
from app.errors import SessionError
from app.files import inputs, schema
from app.files.captures import open_capture
from app.files.session import read_session
from app.files.session_join import join_sessions
from app.files.session_store import TreeFile
from app.files.session_tree import Value


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    """Four pieces of the demo capture, and one file that is no capture."""
    capture = open_capture(demo_path())
    values = capture.channels[0].values(0, 24_000)
    made = []
    for n in range(4):
        made.append(tmp_path / f"piece{n}.npy")
        np.save(made[-1], values[n * 6000 : (n + 1) * 6000])
    made.insert(2, tmp_path / "broken.npy")
    made[2].write_bytes(b"\x93NUMPY")
    return made


def run(files: list[Path], session: Path, *more: str) -> int:
    return main(["decode", *map(str, files), "--rate", "1.25M", "--session", str(session), *more])


def test_one_session_of_all_that_could_be_read(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = tmp_path / "all.h5"
    assert run(files, session, "--json", str(tmp_path / "j")) == 3
    said = json.loads((tmp_path / "j").read_text())
    assert [Path(one["file"]).name for one in said["results"]] == [f"piece{n}.npy" for n in range(4)]
    assert [Path(one["file"]).name for one in said["errors"]] == ["broken.npy"]
    data = read_session(session)
    assert [one.name for one in data.captures] == [f"piece{n}.npy" for n in range(4)]
    assert [(run.key, run.capture) for run in data.decodes] == [(1, 0), (2, 1), (3, 2), (4, 3)]
    for capture, result, decoded in zip(data.captures, said["results"], data.decodes, strict=True):
        assert capture.sha256 == result["sha256"]
        assert [b.bits for b in decoded.result.bursts] == [b["bits"] for b in result["bursts"]]
    np.testing.assert_array_equal(data.captures[3].channels[0].stored, np.load(files[4]))
    assert sum(len(one["bursts"]) for one in said["results"]) > 4
    assert sorted(os.listdir(tmp_path)) == sorted(["all.h5", "j", *(file.name for file in files)])
    capsys.readouterr()
    assert main(["verify", str(session)]) == 0


def test_several_processes_make_the_same_session(files: list[Path], tmp_path: Path) -> None:
    assert run(files, tmp_path / "one.h5", "--jobs", "1") == 3
    assert run(files, tmp_path / "two.h5", "--jobs", "2") == 3
    one, two = read_session(tmp_path / "one.h5"), read_session(tmp_path / "two.h5")
    assert one.decodes == two.decodes
    for a, b in zip(one.captures, two.captures, strict=True):
        np.testing.assert_array_equal(a.channels[0].stored, b.channels[0].stored)


def test_what_was_broken_off_goes_on(
    files: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    session = tmp_path / "all.h5"
    plain = batch.run_decode
    calls: list[str] = []

    def broken_off(request, *given):
        calls.append(request.capture.name)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return plain(request, *given)

    monkeypatch.setattr(batch, "run_decode", broken_off)
    assert run(files, session) == 130
    assert not session.exists()
    assert "2 of 5 files are done and kept in" in capsys.readouterr().err
    assert len(os.listdir(folder_for(session))) == 2
    assert run(files, session) == 3
    assert calls == ["piece0.npy", "piece1.npy", "piece2.npy", "piece2.npy", "piece3.npy"]
    assert "2 of 5 files were decoded before" in capsys.readouterr().err
    assert len(read_session(session).captures) == 4
    assert not folder_for(session).exists()


def test_parts_of_other_settings_or_damaged_ones_are_no_use(
    files: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = tmp_path / "all.h5"

    def refuse(*_: object, **__: object) -> None:
        raise SessionError("no room")

    with monkeypatch.context() as patch:
        patch.setattr("app.files.session_join.Joining.finish", refuse)
        assert run(files, session) == 2
    parts = sorted(folder_for(session).iterdir())
    assert len(parts) == 4
    parts[0].write_bytes(parts[0].read_bytes()[:2000])
    assert run(files, session, "--polarity", "inverted") == 3
    assert {one.result.settings.polarity for one in read_session(session).decodes} == {"inverted"}


def test_a_part_that_is_damaged_meanwhile_leaves_the_old_session(files: list[Path], tmp_path: Path) -> None:
    session = tmp_path / "all.h5"
    session.write_bytes(b"old")
    (tmp_path / "part.h5").write_bytes(b"\x89HDF\r\n\x1a\n")
    with pytest.raises(SessionError, match="the session was not saved"):
        join_sessions(session, [tmp_path / "part.h5"])
    assert session.read_bytes() == b"old"


def test_a_place_that_cannot_be_written_is_refused_before_any_work(files: list[Path]) -> None:
    assert run(files, Path("/proc/all.h5")) == 2
    assert decode.folder_for(Path("a/b.h5")) == Path("a/.b.h5.parts")


def test_a_joined_session_stores_compressed_samples_as_they_were(files: list[Path], tmp_path: Path) -> None:
    long = tmp_path / "long.npy"
    quiet = np.random.default_rng(1).normal(24.0, 0.01, 300_000)
    np.save(long, quiet)
    assert run([files[0], long], tmp_path / "all.h5") == 1
    with h5py.File(tmp_path / "all.h5") as file:
        samples = file["captures/1/channels/0/samples"]
        assert (samples.compression, samples.shuffle, samples.fletcher32) == ("gzip", True, True)
        np.testing.assert_array_equal(samples[:], np.load(long))


@pytest.mark.parametrize("what", ["attributes", "samples"])
def test_a_joined_session_that_was_written_wrongly_is_noticed(
    files: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    parts = [tmp_path / "one.h5", tmp_path / "two.h5"]
    for part, file in zip(parts, (files[0], files[1]), strict=True):
        assert main(["decode", str(file), "--rate", "1.25M", "--session", str(part)]) == 0
    copy = TreeFile.copy

    def wrongly(self: TreeFile, path: str, source: h5py.Group, attributes: dict[str, Value]) -> None:
        if path == "captures/1" and what == "attributes":
            attributes = attributes | {"label": "of somebody else"}
        copy(self, path, source, attributes)
        if path == "captures/1" and what == "samples":
            samples = self._h5["captures/1/channels/0/samples"]
            samples[...] = samples[:][::-1]

    monkeypatch.setattr(TreeFile, "copy", wrongly)
    with pytest.raises(SessionError, match="reading it back gave something else in captures/1"):
        join_sessions(tmp_path / "all.h5", parts)
    assert not (tmp_path / "all.h5").exists()


def test_what_cannot_be_kept_names_the_file_it_was_found_in_and_leaves_nothing_behind(
    files: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    session = tmp_path / "all.h5"

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("app.files.session.store_tree", full)
    assert run(files[:2], session, "--jobs", "1", "--json", str(tmp_path / "found.json")) == 2
    told = capsys.readouterr().err.splitlines()
    assert told[0].startswith(
        f"halfturn: {files[0]}: what was found in it could not be kept beside the session: no space"
    )
    assert ".parts" not in "".join(told)
    errors = json.loads((tmp_path / "found.json").read_text())["errors"]
    assert [one["file"] for one in errors] == [str(file) for file in files[:2]]
    assert not folder_for(session).exists()


@pytest.mark.parametrize("count", [1, 3])
def test_a_session_may_name_the_files_instead_of_holding_their_samples(
    files: list[Path], tmp_path: Path, count: int
) -> None:
    given = [file for file in files if file.name != "broken.npy"][:count]
    session = tmp_path / "deeper" / "all.h5"
    session.parent.mkdir()
    assert run(given, session, "--link", "--jobs", "1") == 0
    with h5py.File(session) as file:
        for n, one in enumerate(given):
            node = file[f"captures/{n}"]
            assert (node.attrs["storage"], node.attrs["link"]) == (b"linked", f"../{one.name}".encode())
            assert node.attrs["sha256"] == hashlib.sha256(one.read_bytes()).hexdigest().encode()
            assert "samples" not in node["channels/0"]
    # elsewhere, with the files beside it
    there = tmp_path / "there"
    there.mkdir()
    for one in (*given, session):
        one.rename(there / one.name)
    assert main(["verify", str(there / "all.h5")]) == 0
    (there / given[0].name).rename(there / "renamed.npy")
    inputs._read.cache_clear()  # as in a process of its own
    assert main(["verify", str(there / "all.h5")]) == 0
    (there / "renamed.npy").unlink()
    (there / given[0].name).write_bytes(b"another")
    inputs._read.cache_clear()
    assert main(["verify", str(there / "all.h5")]) == 3


def test_links_without_a_session_are_wrong_usage(files: list[Path]) -> None:
    assert main(["decode", str(files[0]), "--rate", "1.25M", "--link"]) == 2


def test_links_of_a_joined_session_hold_where_its_folder_is_named_by_a_symbolic_link(
    files: list[Path], tmp_path: Path
) -> None:
    (tmp_path / "far" / "off" / "place").mkdir(parents=True)
    (tmp_path / "here").symlink_to(tmp_path / "far" / "off" / "place")
    session = tmp_path / "here" / "all.h5"
    assert run(files[:2], session, "--link", "--jobs", "1") == 0
    inputs._read.cache_clear()
    for path in (session, session.resolve()):
        with h5py.File(path) as file:
            link = Path(file["captures/1"].attrs["link"].decode())
        assert (session.resolve().parent / link).resolve() == files[1].resolve()
        assert len(read_session(path).captures) == 2


def test_captures_of_more_than_can_be_held_at_once_are_joined_and_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # as with thousands of captures, of which a session is opened without reading them all
    monkeypatch.setattr(schema, "MOST_BYTES", 3 << 20)
    monkeypatch.setattr(schema, "READ_AT_ONCE_BYTES", 1 << 20)
    given = []
    for n in range(3):
        given.append(tmp_path / f"{n}.npy")
        np.save(given[-1], np.random.default_rng(n).normal(24.0, 0.01, 200_000))
    session = tmp_path / "all.h5"
    assert run(given, session, "--jobs", "1") == 1
    data = read_session(session)
    assert sum(c.channels[0].stored.nbytes for c in data.captures) > schema.MOST_BYTES
    np.testing.assert_array_equal(data.captures[2].channels[0].stored[:], np.load(given[2]))


def test_a_session_that_could_not_be_opened_again_is_not_made(
    files: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(schema, "MOST_OBJECTS", 60)
    session = tmp_path / "all.h5"
    session.write_bytes(b"old")
    assert run([files[n] for n in (0, 1, 3, 4)], session, "--jobs", "1") == 2
    assert "it would hold more than 60 parts, and could not be opened again; make several sessions" in (
        capsys.readouterr().err
    )
    assert session.read_bytes() == b"old"


def test_nothing_in_any_file_leaves_the_old_session(tmp_path: Path) -> None:
    session = tmp_path / "all.h5"
    session.write_bytes(b"old")
    given = [tmp_path / "a.npy", tmp_path / "b.npy"]
    for file in given:
        file.write_bytes(b"\x93NUMPY")
    for jobs in ("1", "2"):
        assert run(given, session, "--jobs", jobs) == 3
        assert session.read_bytes() == b"old"
        assert sorted(os.listdir(tmp_path)) == ["a.npy", "all.h5", "b.npy"]
