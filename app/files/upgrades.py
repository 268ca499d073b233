"""Bring the tree of an older session to the present layout, one version at a time.

A change of the layout adds one function from the version before it, and a session file of that version
under ``tests/sessions``, where it stays.
"""

from __future__ import annotations

from collections.abc import Callable

from app.files.schema import FORMAT_VERSION
from app.files.session_tree import Node

Upgrade = Callable[[Node], Node]


def _with_more_tables(root: Node) -> Node:
    """Version 2 has tables ``looks`` and, of a capture, ``spans``; without them all is as it was in version 1."""
    return root


# from the version that is the key to the one after it
UPGRADES: dict[int, Upgrade] = {1: _with_more_tables}


def upgraded(root: Node, *, upgrades: dict[int, Upgrade] = UPGRADES, version: int = FORMAT_VERSION) -> Node:
    """``root`` in the layout of ``version``; it is of that version already or of an older one."""
    for known in range(int(root.attributes["format_version"]), version):
        root = upgrades[known](root)
        root.attributes["format_version"] = known + 1
    return root
