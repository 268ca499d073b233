"""A folder that really vanishes while a session is saved in it: unmounted, or made read-only, at every step of a save."""

import errno
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from generators.sessions import assert_same, version_1

from app.errors import DamagedSessionError, SessionError
from app.files import session_load
from app.files.autosave import SampleDigests, read_autosave, write_autosave
from app.files.session import read_session, write_session
from app.files.session_samples import SessionFile
from app.model.items import SessionData

# in a mount namespace of its own, where anybody may mount: a folder seen in two places, of which one goes
ALONE = ["unshare", "--user", "--map-root-user", "--mount"]
SCRIPT = """
import ctypes, errno, os, sys
from dataclasses import replace
from dataclasses import replace
from pathlib import Path
from generators.sessions import assert_same, version_1
from app.errors import SessionError
from app.files import replace as replacing, session_store
from app.files.session import read_session, write_session
libc = ctypes.CDLL(None, use_errno=True)
server, network = (Path(name) for name in sys.argv[1:3])
DETACH, READ_ONLY, REMOUNT, BIND = 2, 1, 32, 4096

def mount(flags, *borne):
    done = libc.mount(str(server).encode(), str(network).encode(), None, flags, None)
    assert done == 0 or ctypes.get_errno() in borne, ctypes.get_errno()

def vanish(how):
    if how == "unmounted":
        assert libc.umount2(str(network).encode(), DETACH) == 0
    else:
        # the kernel refuses it while a file is open for writing
        mount(REMOUNT | BIND | READ_ONLY, errno.EBUSY)

calls = 0
def counted(call):
    def counting(*args, **named):
        global calls
        calls += 1
        if calls == at:
            vanish(how)
        return call(*args, **named)
    return counting

session_store._Sink.write = counted(session_store._Sink.write)
for name in ("open", "fsync", "link", "replace", "fchmod"):
    setattr(os, name, counted(getattr(os, name)))
path = network / "line.h5"
old = version_1()
new = replace(old, captures=(replace(old.captures[0], label="new"), old.captures[1]))
for how in ("unmounted", "read-only"):
    fired, told = True, 0
    step = 0
    while fired:
        step += 1
        at = -1
        mount(BIND)
        write_session(path, old)
        at, calls = step, 0
        said = None
        try:
            write_session(path, new)
        except SessionError as error:
            said = str(error)
            told += 1
            assert "\\n" not in said and said.startswith(str(path) + ": the session was not saved: "), said
        fired = calls >= at
        at = -1
        libc.umount2(str(network).encode(), DETACH)
        found = read_session(server / "line.h5")
        assert found.captures[0].label in ("new", old.captures[0].label)
        if said is None:
            assert found.captures[0].label == "new"
        assert_same(new, replace(old, captures=(replace(old.captures[0], label="new"), old.captures[1])))
    print(how, step, told)
"""


def can_mount() -> bool:
    if shutil.which("unshare") is None:
        return False
    return subprocess.run([*ALONE, "true"], capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(not can_mount(), reason="no mount namespaces for this user")
@pytest.mark.long
def test_the_old_session_stays_whole_in_a_folder_that_vanishes(tmp_path: Path) -> None:
    for name in ("server", "network"):
        (tmp_path / name).mkdir()
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [*ALONE, sys.executable, "-c", SCRIPT, str(tmp_path / "server"), str(tmp_path / "network")],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(root), str(root / "tests")])},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    steps = {line.split()[0]: [int(n) for n in line.split()[1:]] for line in done.stdout.splitlines()}
    for how in ("unmounted", "read-only"):
        assert steps[how][0] > 10  # instants
        assert steps[how][1] >= 1  # at which it was told


def test_a_folder_that_vanishes_while_a_file_is_read_is_no_damage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "line.h5"
    write_session(path, SessionData(next_key=1))
    words = "Can't decrement id ref count (unable to close file, errno = 107, error message = 'Transport endpoint'"

    def refuse(told: str):
        def file(*_: object, **__: object) -> None:
            raise RuntimeError(told)

        monkeypatch.setattr(session_load.h5py, "File", file)

    refuse(words)
    with pytest.raises(OSError, match=os.strerror(errno.ENOTCONN)):
        session_load.load_tree(path)
    refuse("bad object header, errno = 0")
    with pytest.raises(DamagedSessionError):
        session_load.load_tree(path)


def test_a_file_that_cannot_be_closed_is_let_go_of_without_a_word(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "line.h5"
    path.write_bytes(b"some")
    held = SessionFile(path)
    os.close(held._handle)
    del held
    assert capsys.readouterr().err == ""


def test_unsaved_work_is_kept_while_the_folder_of_its_session_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file system whose server has died answers every question with an error of its own."""
    (tmp_path / "network").mkdir()
    session, kept = tmp_path / "network" / "line.h5", tmp_path / "kept.h5"
    write_session(session, version_1())
    data = read_session(session)
    plain = os.stat

    def gone(path: object, *more: object, **named: object) -> os.stat_result:
        if not isinstance(path, int) and "network" in os.fspath(path):
            raise OSError(errno.ENOTCONN, os.strerror(errno.ENOTCONN))
        return plain(path, *more, **named)

    monkeypatch.setattr(os, "stat", gone)
    with pytest.raises(OSError, match="not connected"):
        session.is_file()
    write_autosave(kept, data, session, SampleDigests())
    # its samples are in memory, so they are kept with it
    assert_same(read_autosave(kept).data, data)
    linked = replace(data, captures=tuple(replace(one, path=session) for one in data.captures))
    write_autosave(kept, linked, session, SampleDigests())
    assert read_autosave(kept).data.captures[0].label == data.captures[0].label
    with pytest.raises(SessionError, match="the session was not saved: "):
        write_session(session, data)
    with pytest.raises(SessionError, match="cannot be opened: "):
        read_session(session)
