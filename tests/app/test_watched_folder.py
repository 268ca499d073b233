"""A watched folder tells of a capture once, when it is complete, and of the newest of several."""

from __future__ import annotations

import os
from pathlib import Path

import h5py
import numpy as np
import pytest

from app.files.watched_folder import WatchedFolder


def save(path: Path, text: str = "1,2\n", age_s: float = 0.0) -> Path:
    path.write_text(text)
    os.utime(path, (1e9 - age_s, 1e9 - age_s))
    return path


def test_a_file_is_told_once_when_it_has_stood_still(tmp_path: Path) -> None:
    save(tmp_path / "old.csv")
    watched = WatchedFolder(tmp_path, settled_after_s=1.0)
    assert watched.look(0.0) is None
    new = save(tmp_path / "new.csv")
    assert [watched.look(now) for now in (1.0, 1.5, 2.1, 3.0)] == [None, None, new, None]


def test_a_file_that_grows_waits(tmp_path: Path) -> None:
    watched = WatchedFolder(tmp_path, settled_after_s=1.0)
    for now in range(5):
        save(tmp_path / "new.csv", "1,2\n" * (now + 1))
        assert watched.look(float(now)) is None
    assert watched.look(5.0) == tmp_path / "new.csv"


def test_an_empty_file_and_one_of_another_time_of_change_wait(tmp_path: Path) -> None:
    watched = WatchedFolder(tmp_path, settled_after_s=1.0)
    new = save(tmp_path / "new.csv", "")
    assert [watched.look(now) for now in (0.0, 9.0)] == [None, None]
    save(new, "1,2\n")
    assert watched.look(10.0) is None
    save(new, "3,4\n", age_s=-5)  # written again, as long as before
    assert [watched.look(now) for now in (11.1, 12.2)] == [None, new]


def test_of_several_the_newest_is_told_and_the_others_never(tmp_path: Path) -> None:
    watched = WatchedFolder(tmp_path, settled_after_s=1.0)
    save(tmp_path / "b.csv", age_s=20)
    newest = save(tmp_path / "a.csv", age_s=10)
    assert watched.look(0.0) is None
    unfinished = save(tmp_path / "c.csv", age_s=0)
    assert [watched.look(now) for now in (1.5, 2.0, 3.0)] == [newest, None, unfinished]


def test_a_file_written_anew_under_its_name_is_told_again(tmp_path: Path) -> None:
    path = save(tmp_path / "last.csv")
    watched = WatchedFolder(tmp_path, settled_after_s=0.0)
    assert watched.look(0.0) is None
    save(path, "5,6,7\n", age_s=-1)
    assert [watched.look(now) for now in (1.0, 2.0)] == [path, None]
    path.unlink()
    assert watched.look(3.0) is None
    save(path, "5,6,7\n", age_s=-1)
    assert watched.look(4.0) == path


def test_a_pair_is_complete_when_both_files_are(tmp_path: Path) -> None:
    watched = WatchedFolder(tmp_path, settled_after_s=1.0)
    meta = save(tmp_path / "line.sigmf-meta", "{}")
    assert [watched.look(now) for now in (0.0, 2.0)] == [None, None]
    data = save(tmp_path / "line.sigmf-data", "12")
    assert watched.look(3.0) is None
    save(data, "1234")
    assert [watched.look(now) for now in (3.5, 4.2, 4.6, 6.0)] == [None, None, meta, None]


@pytest.mark.parametrize(
    "name", [".hidden.csv", "~lock.csv", "a.csv.part", "a.TMP", "screen.png", "setup.json"]
)
def test_what_is_no_capture_is_passed_over(tmp_path: Path, name: str) -> None:
    watched = WatchedFolder(tmp_path, settled_after_s=0.0)
    save(tmp_path / name)
    (tmp_path / "folder.csv").mkdir()
    (tmp_path / "nowhere.csv").symlink_to(tmp_path / "none")
    assert [watched.look(now) for now in (0.0, 1.0)] == [None, None]


def test_sessions_do_not_open_by_themselves(tmp_path: Path) -> None:
    watched = WatchedFolder(tmp_path, settled_after_s=0.0)
    with h5py.File(tmp_path / "mine.h5", "w") as file:
        file.attrs["format"] = np.bytes_("halfturn-session")
    assert watched.look(0.0) is None
    with h5py.File(tmp_path / "theirs.h5", "w") as file:
        file["line"] = [1, 2, 3]
    assert watched.look(1.0) == tmp_path / "theirs.h5"


def test_a_folder_that_goes_away_is_an_error(tmp_path: Path) -> None:
    folder = tmp_path / "share"
    folder.mkdir()
    watched = WatchedFolder(folder)
    folder.rmdir()
    with pytest.raises(OSError, match="share"):
        watched.look(0.0)
