"""Which cases of a test are run each time, and which with the long ones only (``pytest -m long``)."""

from __future__ import annotations

from collections.abc import Iterable

import pytest


def long_but(*kept: int, of: Iterable[object]) -> list[object]:
    """The cases, as arguments of a test; all but those with these numbers marked as long."""
    cases = list(of)
    assert set(kept) < set(range(len(cases)))
    return [one if number in kept else _long(one) for number, one in enumerate(cases)]


def _long(case: object) -> object:
    return pytest.param(*case if isinstance(case, tuple) else (case,), marks=pytest.mark.long)
