"""Every call that writes fails in turn, in every way a disk fails: nothing old is lost, nothing half is left.

A full disk fails at every call, or a dozen of many; the other ways, which differ in what is said alone, at a few.
"""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from io import FileIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.sessions import assert_same, version_1, with_samples

from app.__main__ import main
from app.cli.parts import folder_for
from app.demo import demo_path
from app.errors import SessionError
from app.files import replace as replacing
from app.files.autosave import SampleDigests, read_autosave, write_autosave
from app.files.captures import open_capture
from app.files.session import read_session, write_session
from app.files.session_join import join_sessions
from app.model.items import Note, SessionData

ERRORS = [errno.ENOSPC, errno.EIO, errno.EROFS, errno.EACCES]
CALLS = ["open", "write", "fsync", "replace", "link"]
# calls at which a disk that is not full fails
_OTHERWISE = 3


class Disk:
    """Counts the calls of one kind, and lets them fail from the ``at``-th on, or that one alone."""

    def __init__(self, patch: pytest.MonkeyPatch, call: str) -> None:
        self.calls = 0
        self.at: int | None = None
        self.error = 0
        self.only = False
        if call == "write":
            patch.setattr(replacing, "FileIO", self._file())
        else:
            plain = getattr(os, call)
            patch.setattr(os, call, lambda *a, **k: (self.step(a), plain(*a, **k))[1])

    def step(self, given: tuple[Any, ...] = ()) -> None:
        to_read = len(given) == 2 and isinstance(given[1], int) and given[1] & os.O_ACCMODE == os.O_RDONLY
        if to_read and not os.path.isdir(given[0]):
            return  # of those that open to read, only the folder's is part of writing
        self.calls += 1
        if self.at is not None and (self.calls == self.at if self.only else self.calls >= self.at):
            raise OSError(self.error, os.strerror(self.error))

    def _file(self) -> type[FileIO]:
        disk = self

        class Failing(FileIO):
            def write(self, data: Any) -> int:
                disk.step()
                return super().write(data)

        return Failing


def each_failure(save: Callable[[], object], call: str, error: int, most: int = 12) -> Iterator[str | None]:
    """For each call in turn: why ``save`` was refused, or None where it could do without that call."""
    with pytest.MonkeyPatch.context() as patch:
        disk = Disk(patch, call)
        save()
        total = disk.calls
        assert total, "nothing was written"
        most = most if error == errno.ENOSPC else min(most, _OTHERWISE)
        turns = range(1, total + 1) if total <= most else range(1, total + 1, total // most)
        for at in turns:
            for only in (False, True):
                disk.calls, disk.at, disk.error, disk.only = 0, at, error, only
                said = None
                try:
                    save()
                except SessionError as refused:
                    said = str(refused)
                disk.at = None  # who looks at it finds a disk that works
                yield said


def assert_one_sentence(text: str, error: int) -> None:
    assert "\n" not in text
    assert os.strerror(error).lower() in text.lower()
    assert len(text) < 400


def beside(path: Path) -> list[str]:
    return sorted(name for name in os.listdir(path.parent) if name.endswith(".part"))


@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize("error", long_but(0, of=ERRORS))
def test_a_session(tmp_path: Path, call: str, error: int) -> None:
    path = tmp_path / "line.h5"
    old, new = version_1(), with_samples(np.arange(70_000, dtype="i4"), label="new")
    write_session(path, old)
    for refused in each_failure(lambda: write_session(path, new), call, error, most=9):
        found = read_session(path)
        assert found.captures[0].label in ("new", old.captures[0].label)
        if refused is None:
            assert found.captures[0].label == "new"
        else:
            assert_one_sentence(refused, error)
        assert beside(path) == []
        assert_same(new, with_samples(np.arange(70_000, dtype="i4"), label="new"))  # in memory as it was
        write_session(path, old)


@pytest.mark.parametrize("call", [one for one in CALLS if one != "link"])
@pytest.mark.parametrize("error", long_but(0, of=ERRORS))
def test_unsaved_work_kept_aside(tmp_path: Path, call: str, error: int) -> None:
    path = tmp_path / "unsaved" / "1.h5"
    path.parent.mkdir()
    capture = open_capture(demo_path())
    old = SessionData(captures=(capture,), notes=(Note(1, 0, None, "old"),), next_key=2)
    new = replace(old, notes=(Note(1, 0, None, "new"),))
    digests = SampleDigests()
    write_autosave(path, old, None, digests)
    for refused in each_failure(lambda: write_autosave(path, new, None, digests), call, error):
        found = read_autosave(path).data
        assert found.notes[0].text == "new" if refused is None else found.notes[0].text in ("old", "new")
        if refused is not None:
            assert_one_sentence(refused, error)
        assert beside(path) == []
        write_autosave(path, old, None, digests)


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    values = open_capture(demo_path()).channels[0].values(0, 18_000)
    made = []
    for n in range(3):
        made.append(tmp_path / f"piece{n}.npy")
        np.save(made[-1], values[n * 6000 : (n + 1) * 6000])
    return made


@pytest.fixture(scope="module")
def decoded() -> dict[str, bytes]:
    """Sessions with one of the `files` each, made by the first test that asks for them."""
    return {}


@pytest.fixture
def parts(files: list[Path], decoded: dict[str, bytes], tmp_path: Path) -> list[Path]:
    out = [tmp_path / f"part{n}.h5" for n in range(len(files))]
    for path, file in zip(out, files, strict=True):
        if path.name not in decoded:
            assert main(["decode", str(file), "--rate", "1.25M", "--session", str(path)]) == 0
            decoded[path.name] = path.read_bytes()
        path.write_bytes(decoded[path.name])
    return out


@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize("error", long_but(0, of=ERRORS))
def test_sessions_joined_to_one(parts: list[Path], tmp_path: Path, call: str, error: int) -> None:
    path = tmp_path / "all.h5"
    write_session(path, version_1())
    for refused in each_failure(lambda: join_sessions(path, parts), call, error, most=6):
        found = read_session(path)
        assert len(found.captures) in (2, 3)
        if refused is not None:
            assert_one_sentence(refused, error)
        else:
            assert len(found.captures) == 3
        assert beside(path) == []
        assert [len(read_session(part).captures) for part in parts] == [1, 1, 1]
        write_session(path, version_1())


@pytest.mark.parametrize("error", long_but(0, of=[errno.ENOSPC, errno.EACCES]))
def test_a_batch_tells_what_it_found_keeps_what_it_could_and_goes_on(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], error: int
) -> None:
    session, json_path = tmp_path / "all.h5", tmp_path / "found.json"
    write_session(session, version_1())
    command = [
        "decode",
        *map(str, files),
        "--rate",
        "1.25M",
        "--session",
        str(session),
        "--json",
        str(json_path),
    ]
    with pytest.MonkeyPatch.context() as patch:
        disk = Disk(patch, "write")
        assert main([*command, "--jobs", "1"]) == 0
        calls = disk.calls
    write_session(session, version_1())
    for at in range(calls, 0, -max(1, calls // (7 if error == errno.ENOSPC else 2))):
        capsys.readouterr()
        shutil.rmtree(folder_for(session), ignore_errors=True)
        with pytest.MonkeyPatch.context() as patch:
            disk = Disk(patch, "write")
            disk.at, disk.error = at, error
            assert main([*command, "--jobs", "1"]) == 2
        said = capsys.readouterr().err.strip().splitlines()
        assert all(line.startswith("halfturn: ") for line in said)
        assert re.search(os.strerror(error).lower(), "\n".join(said).lower())
        assert_same(read_session(session), version_1())
        assert len(json.loads(json_path.read_text())["results"]) == 3
    # with room again it goes on from what was kept
    assert main([*command, "--jobs", "1"]) == 0
    assert [one.name for one in read_session(session).captures] == [file.name for file in files]
    assert not (tmp_path / ".all.h5.parts").exists()
