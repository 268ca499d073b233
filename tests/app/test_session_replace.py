"""A save that is killed, or any of whose calls fails, leaves the old session or the new one, whole."""

import errno
import gc
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from io import FileIO
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from generators.sessions import assert_same, version_1, with_samples

from app.errors import ChangedSessionError, SessionError
from app.files import replace as replacing
from app.files.replace import backup_of, replace_file, state_of
from app.files.session import read_session, write_session
from app.files.session_tree import Node

ROOT = Path(__file__).parents[2]
NEW = with_samples(np.arange(200_000, dtype="i2"), label="new")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A session that was saved before."""
    write_session(tmp_path / "line.h5", version_1())
    return tmp_path / "line.h5"


def left_beside(path: Path) -> list[str]:
    return sorted(name for name in os.listdir(path.parent) if name != path.name)


def test_the_session_before_is_kept_as_backup(path: Path) -> None:
    write_session(path, NEW)
    assert_same(read_session(backup_of(path)), version_1())
    write_session(path, version_1())
    assert read_session(backup_of(path)).captures[0].label == "new"
    assert left_beside(path) == ["line.h5.bak"]


def test_a_copy_is_the_backup_where_there_are_no_hard_links(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.EPERM, "no hard links here")

    monkeypatch.setattr(os, "link", refuse)
    write_session(path, NEW)
    assert_same(read_session(backup_of(path)), version_1())


def test_a_symbolic_link_stays_and_permissions_stay(path: Path, tmp_path: Path) -> None:
    path.chmod(0o640)
    link = tmp_path / "elsewhere" / "link.h5"
    link.parent.mkdir()
    link.symlink_to(path)
    write_session(link, NEW)
    assert link.is_symlink()
    assert read_session(path).captures[0].label == "new"
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_new_session_has_the_permissions_of_any_new_file(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    write_session(tmp_path / "s.h5", NEW)
    assert (tmp_path / "s.h5").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_abandoned_parts_are_removed_and_young_ones_are_not(path: Path) -> None:
    old, young = (path.with_name(f".line.h5.{name}.part") for name in ("old", "young"))
    for part in (old, young):
        part.touch()
    os.utime(old, (1.0, 1.0))
    write_session(path, NEW)
    assert left_beside(path) == [young.name, "line.h5.bak"]


@pytest.mark.parametrize("target", ["missing/line.h5", ".", "/dev/null"])
def test_places_where_no_session_can_stand_are_refused(tmp_path: Path, target: str) -> None:
    with pytest.raises(SessionError, match=r"the session was not saved: [a-z ]+; .* another folder$"):
        write_session(tmp_path / target, NEW)
    assert os.listdir(tmp_path) == []
    assert Path("/dev/null").is_char_device()


def refusal_of(save: Callable[[], None]) -> str | None:
    try:
        save()
    except SessionError as error:
        return str(error)
    return None


def write_calls(data: Any, folder: Path) -> int:
    """How many times a save of ``data`` writes."""
    count = 0
    plain = FileIO.write

    class Counting(FileIO):
        def write(self, data: Any) -> int:
            nonlocal count
            count += 1
            return plain(self, data)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(replacing, "FileIO", Counting)
        write_session(folder / "counted.h5", data)
    return count


def failing_at(call: int, error: int) -> type[FileIO]:
    """A file that fails from the ``call``-th write on, as a full disk does."""

    class Failing(FileIO):
        calls = 0

        def write(self, data: Any) -> int:
            Failing.calls += 1
            if Failing.calls >= call:
                raise OSError(error, os.strerror(error))
            return super().write(data)

    return Failing


def test_each_write_that_fails_leaves_the_old_session(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = write_calls(NEW, path.parent)
    (path.parent / "counted.h5").unlink()
    gc.collect()  # what earlier tests left
    open_before = h5py.h5f.get_obj_count()
    assert calls > 5
    for call in range(1, calls + 1):
        monkeypatch.setattr(replacing, "FileIO", failing_at(call, errno.ENOSPC))
        with pytest.raises(
            SessionError, match=r"line\.h5: the session was not saved: no space left .* free space"
        ):
            write_session(path, NEW)
        assert left_beside(path) == []
    assert_same(read_session(path), version_1())
    assert h5py.h5f.get_obj_count() == open_before
    monkeypatch.undo()
    write_session(path, NEW)
    assert read_session(path).captures[0].label == "new"


@pytest.mark.parametrize("call", ["fsync", "replace", "open"])
@pytest.mark.parametrize("error", [errno.EIO, errno.ENOSPC, errno.EROFS])
def test_each_other_call_that_fails_leaves_a_whole_session(
    path: Path, monkeypatch: pytest.MonkeyPatch, call: str, error: int
) -> None:
    plain: Callable[..., Any] = getattr(os, call)
    calls: list[int] = []

    def fail_at(number: int) -> Callable[..., Any]:
        def maybe(*given: Any, **named: Any) -> Any:
            calls.append(number)
            if len(calls) == number:
                raise OSError(error, os.strerror(error))
            return plain(*given, **named)

        return maybe

    for number in range(1, 4):
        calls.clear()
        monkeypatch.setattr(os, call, fail_at(number))
        refused = refusal_of(lambda: write_session(path, NEW))
        monkeypatch.undo()
        assert (refused is not None) == (len(calls) >= number)
        assert refused is None or os.strerror(error).lower() in refused
        found = read_session(path)
        assert found.captures[0].label in ("new", version_1().captures[0].label)
        assert left_beside(path) in ([], ["line.h5.bak"])
        write_session(path, version_1())
    assert calls


def test_a_write_that_silently_changes_a_byte_is_noticed(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Lying(FileIO):
        def write(self, data: Any) -> int:
            changed = bytearray(data)
            changed[len(changed) // 2] ^= 1
            return super().write(changed)

    monkeypatch.setattr(replacing, "FileIO", Lying)
    with pytest.raises(SessionError, match="the session was not saved"):
        write_session(path, NEW)
    monkeypatch.undo()
    assert_same(read_session(path), version_1())


def test_what_was_written_is_compared_and_not_only_readable(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from app.files import session

    plain = session.store_tree

    def store_another(file: FileIO, tree: Node, **named: Any) -> None:
        samples = tree.groups["captures"].groups["0"].groups["channels"].groups["0"]
        kept = samples.arrays["samples"]
        samples.arrays["samples"] = kept + 1
        plain(file, tree, **named)
        samples.arrays["samples"] = kept

    monkeypatch.setattr(session, "store_tree", store_another)
    with pytest.raises(SessionError, match="differs from what was to be written"):
        write_session(path, NEW)
    monkeypatch.undo()
    assert_same(read_session(path), version_1())


# Saves over and over, in one child after the other; each is killed a moment later and the file is looked at.
KILLS = """
import os, random, signal, sys, time
from pathlib import Path
import numpy as np
from generators.sessions import with_samples
from app.files.session import read_session, write_session

path, kills = Path(sys.argv[1]), int(sys.argv[2])
chance = random.Random(int(sys.argv[3]))
states = [with_samples(np.arange(n, n + 60_000, dtype="i4"), label=str(n)) for n in range(2)]
write_session(path, states[0])
begun = time.monotonic()
for n in range(4):
    write_session(path, states[n % 2])
longest = (time.monotonic() - begun) / 4 * 1.5

def child(work):
    made = os.fork()
    if made == 0:
        try:
            work()
        except BaseException:
            os._exit(1)
        os._exit(0)
    return made

def look():
    found = read_session(path).captures[0]
    first = int(found.label)
    assert (found.channels[0].stored == np.arange(first, first + 60_000)).all()

killed = 0
for n in range(kills):
    saver = child(lambda: write_session(path, states[n % 2]))
    time.sleep(chance.random() * longest)
    os.kill(saver, signal.SIGKILL)
    killed += os.WIFSIGNALED(os.waitpid(saver, 0)[1])
    if os.waitpid(child(look), 0)[1] != 0:
        sys.exit(f"kill {n}: neither the old nor the new session is whole")
print(killed)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the way to kill a save here needs fork")
@pytest.mark.long
def test_a_save_killed_at_any_instant_leaves_a_whole_session(tmp_path: Path) -> None:
    kills = int(os.environ.get("HALFTURN_TEST_KILLS", "300"))
    seed = random.SystemRandom().randrange(10**6)
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(ROOT), str(ROOT / "tests")]))
    done = subprocess.run(
        [sys.executable, "-c", KILLS, str(tmp_path / "line.h5"), str(kills), str(seed)],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=60 + kills,
    )
    assert done.returncode == 0, f"seed {seed}: {done.stderr}"
    assert int(done.stdout) > kills // 4, "too few saves were still running when they were killed"


STEPS = ["write", "fsync", "verify", "link", "replace"]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the way to kill a save here needs fork")
@pytest.mark.parametrize("step", STEPS)
def test_a_kill_before_each_step_leaves_the_old_file(tmp_path: Path, step: str) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"old")
    program = f"""
import os, signal, sys
from pathlib import Path
from app.files.replace import replace_file

def die(*_): os.kill(os.getpid(), signal.SIGKILL)

step = {step!r}
if step in ("fsync", "link", "replace"):
    setattr(os, step, die)
write = (lambda f: (f.write(b"ne"), die())) if step == "write" else (lambda f: f.write(b"new"))
replace_file(Path(sys.argv[1]), write, die if step == "verify" else (lambda part: None))
"""
    done = subprocess.run([sys.executable, "-c", program, str(path)], cwd=ROOT, check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL
    assert path.read_bytes() == b"old"


def test_the_new_file_is_on_the_disk_before_it_takes_the_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fsync of the file comes before the rename, that of the folder after it."""
    steps: list[str] = []
    for name in ("fsync", "replace"):
        plain = getattr(os, name)
        monkeypatch.setattr(os, name, lambda *a, n=name, p=plain: (steps.append(n), p(*a))[1])
    replace_file(tmp_path / "file", lambda f: f.write(b"new") and None, lambda part: steps.append("verify"))
    assert steps == ["fsync", "verify", "replace", "fsync"]


@pytest.mark.skipif(sys.platform != "linux", reason="the limit on file sizes is set as on Linux")
def test_a_file_system_that_stops_taking_bytes(tmp_path: Path) -> None:
    """The limit of the kernel on the size of a file, at several places, instead of a disk that is full."""
    program = """
import resource, signal, sys
from pathlib import Path
import numpy as np
from generators.sessions import version_1, with_samples
from app.errors import SessionError
from app.files.session import read_session, write_session

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
path = Path(sys.argv[1])
write_session(path, version_1())
big = with_samples(np.arange(300_000, dtype="i2") * 7919 % 1009)
write_session(path.with_name("whole.h5"), big)
size = path.with_name("whole.h5").stat().st_size
for limit in (0, 1, 100, 5000, size // 2, size - 1):
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    try:
        write_session(path, big)
        sys.exit(f"{limit}: saved")
    except SessionError as error:
        said = str(error)
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    if "too large" not in said or len(read_session(path).notes) != 2:
        sys.exit(f"{limit}: {said}")
"""
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(ROOT), str(ROOT / "tests")]))
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "line.h5")],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert sorted(os.listdir(tmp_path)) == ["line.h5", "whole.h5"]


def test_sessions_saved_from_two_threads_are_each_whole(tmp_path: Path) -> None:
    import threading

    path = tmp_path / "line.h5"
    states = [with_samples(np.full(50_000, n, "i2"), label=str(n)) for n in range(2)]
    threads = [
        threading.Thread(target=lambda s=state: [write_session(path, s) for _ in range(5)])
        for state in states
    ]
    for thread in threads:
        thread.start()
    deadline = time.monotonic() + 30
    for thread in threads:
        thread.join(deadline - time.monotonic())
    for found in (read_session(path), read_session(backup_of(path))):
        capture = found.captures[0]
        assert (capture.channels[0].stored == int(capture.label)).all()


ADDER = """
import sys
from dataclasses import replace
from pathlib import Path
from app.errors import ChangedSessionError
from app.files.replace import state_of
from app.files.session import read_session, write_session
from app.model.items import Note

path, name = Path(sys.argv[1]), sys.argv[2]
done = refused = 0
while done < 25:
    seen = state_of(path)
    data = read_session(path)
    note = Note(data.next_key, 0, None, f"{name} {done}")
    try:
        write_session(
            path, replace(data, notes=(*data.notes, note), next_key=data.next_key + 1), replaces=(seen,)
        )
    except ChangedSessionError:
        refused += 1
    else:
        done += 1
print(refused)
"""


def test_of_two_programs_that_save_at_once_neither_takes_away_what_the_other_saved(tmp_path: Path) -> None:
    path = tmp_path / "s.h5"
    write_session(path, with_samples(np.arange(50, dtype="i2")))
    command = [sys.executable, "-c", ADDER, str(path)]
    children = [
        subprocess.Popen([*command, name], cwd=ROOT, stdout=subprocess.PIPE, text=True)
        for name in ("one", "other")
    ]
    refused = [int(child.communicate(timeout=120)[0]) for child in children]
    assert [child.returncode for child in children] == [0, 0]
    assert sum(refused) > 0  # they did meet
    found = {note.text for note in read_session(path).notes}
    assert found == {f"{name} {n}" for name in ("one", "other") for n in range(25)}


def test_a_session_is_replaced_only_in_a_state_that_was_told(path: Path) -> None:
    seen = state_of(path)
    written = write_session(path, NEW, replaces=(seen,))
    assert written == state_of(path) != seen
    with pytest.raises(ChangedSessionError, match="has just saved it"):
        write_session(path, version_1(), replaces=(seen,))
    with pytest.raises(ChangedSessionError):
        write_session(path, version_1(), replaces=(None,))
    assert read_session(path).captures[0].label == "new"
    assert left_beside(path) == ["line.h5.bak"]
    assert_same(read_session(backup_of(path)), version_1())
    write_session(path, version_1(), replaces=(None, written))
    with pytest.raises(ChangedSessionError):
        write_session(path.with_name("gone.h5"), version_1(), replaces=(written,))


@pytest.mark.skipif(sys.platform == "win32", reason="folders are not locked there")
def test_a_program_that_holds_the_lock_for_ever_keeps_nobody_from_saving(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fcntl

    handle = os.open(path.parent, os.O_RDONLY)
    monkeypatch.setattr(replacing, "_LONGEST_WAIT_S", 0.1)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        seen = state_of(path)
        write_session(path, NEW, replaces=(seen,))
        with pytest.raises(ChangedSessionError):
            write_session(path, version_1(), replaces=(seen,))
    finally:
        os.close(handle)
    assert read_session(path).captures[0].label == "new"


@pytest.mark.parametrize(
    ("code", "remedy"),
    [
        (errno.ENOSPC, "unchanged; free space or save to another folder"),
        (errno.EROFS, "unchanged; save to another folder"),
    ],
)
def test_the_remedy_fits_the_reason(
    path: Path, monkeypatch: pytest.MonkeyPatch, code: int, remedy: str
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(SessionError, match=remedy):
        write_session(path, NEW)
