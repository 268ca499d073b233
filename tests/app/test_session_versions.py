"""Sessions of every version there was stay readable."""

from pathlib import Path

import numpy as np
import pytest
from generators.sessions import assert_same, version_1, version_2, version_3

from app.files import schema
from app.files.session import read_session, write_session
from app.files.session_load import load_tree
from app.files.session_tree import Node
from app.files.upgrades import UPGRADES, upgraded
from app.model.commands_captures import with_own_spans

KEPT = Path(__file__).parents[1] / "sessions"
EXPECTED = {
    1: version_1,
    2: lambda: with_own_spans(version_2()),
    3: lambda: with_own_spans(version_3()),
}


@pytest.mark.parametrize("version", range(1, schema.FORMAT_VERSION + 1))
def test_a_session_of_each_version_is_kept_and_opens(version: int) -> None:
    assert_same(read_session(KEPT / f"v{version}.h5"), EXPECTED[version]())


def test_the_kept_file_is_of_the_version_it_is_named_after() -> None:
    for version in EXPECTED:
        assert load_tree(KEPT / f"v{version}.h5").attributes["format_version"] == version


def test_there_is_an_upgrade_from_each_version_but_the_last() -> None:
    assert sorted(UPGRADES) == list(range(1, schema.FORMAT_VERSION))


def test_upgrades_are_done_one_after_the_other() -> None:
    def add(name: str) -> Node:
        return Node({"format_version": 1, "done": name})

    steps = {
        1: lambda root: Node({**root.attributes, "done": "one"}),
        2: lambda root: Node({**root.attributes, "done": f"{root.attributes['done']} two"}),
    }
    assert upgraded(add(""), upgrades=steps, version=3).attributes == {"format_version": 3, "done": "one two"}
    assert upgraded(add("as it was"), upgrades=steps, version=1).attributes["done"] == "as it was"


def test_opening_an_old_session_does_not_change_it(tmp_path: Path) -> None:
    copy = tmp_path / "old.h5"
    copy.write_bytes((KEPT / "v1.h5").read_bytes())
    write_session(tmp_path / "new.h5", read_session(copy))
    assert copy.read_bytes() == (KEPT / "v1.h5").read_bytes()
    assert_same(read_session(tmp_path / "new.h5"), version_1())


@pytest.mark.parametrize("looks", [np.zeros(3), np.zeros(2, dtype=[("key", "<i8")])])
def test_a_table_of_looks_that_is_none_is_left_to_the_check(looks: np.ndarray) -> None:
    """The upgrade comes before the check: whatever stands there must not break it."""
    old = Node({"format_version": 2}, arrays={"looks": looks})
    assert upgraded(old, version=3).attributes["format_version"] == 3
