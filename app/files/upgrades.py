"""Bring the tree of an older session to the present layout, one version at a time.

A change of the layout adds one function from the version before it, and a session file of that version
under ``tests/sessions``, where it stays.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from app.files.schema import FORMAT_VERSION
from app.files.session_tree import Node

Upgrade = Callable[[Node], Node]


def _with_more_tables(root: Node) -> Node:
    """Version 2 has tables ``looks`` and, of a capture, ``spans``; without them all is as it was in version 1."""
    return root


def _with_level_lines(root: Node) -> Node:
    """Version 3 tells in ``looks.level`` where a channel's level line stands; version 2 had none."""
    looks = root.arrays.get("looks")
    # what is no table at all is refused by the check that follows
    if looks is not None and looks.dtype.names is not None and "level" not in looks.dtype.names:
        columns = [(name, looks.dtype[name]) for name in looks.dtype.names]
        wider = np.empty(len(looks), dtype=[*columns, ("level", "<f8")])
        for name in looks.dtype.names:
            wider[name] = looks[name]
        wider["level"] = np.nan
        root.arrays["looks"] = wider
    return root


# from the version that is the key to the one after it
UPGRADES: dict[int, Upgrade] = {1: _with_more_tables, 2: _with_level_lines}


def upgraded(root: Node, *, upgrades: dict[int, Upgrade] = UPGRADES, version: int = FORMAT_VERSION) -> Node:
    """``root`` in the layout of ``version``; it is of that version already or of an older one."""
    for known in range(int(root.attributes["format_version"]), version):
        root = upgrades[known](root)
        root.attributes["format_version"] = known + 1
    return root
