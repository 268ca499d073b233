"""Bring the tree of an older session to the present layout, one version at a time.

A change of the layout adds one function from the version before it, and a session file of that version
under ``tests/sessions``, where it stays.
"""

from __future__ import annotations

from collections.abc import Callable

from app.files.schema import FORMAT_VERSION
from app.files.session_tree import Node

Upgrade = Callable[[Node], Node]

# from the version that is the key to the one after it
UPGRADES: dict[int, Upgrade] = {}


def upgraded(root: Node, *, upgrades: dict[int, Upgrade] = UPGRADES, version: int = FORMAT_VERSION) -> Node:
    """``root`` in the layout of ``version``; it is of that version already or of an older one."""
    for known in range(int(root.attributes["format_version"]), version):
        root = upgrades[known](root)
        root.attributes["format_version"] = known + 1
    return root
