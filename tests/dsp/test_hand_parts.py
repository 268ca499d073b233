"""Marks of several transmissions are parted, those of one are not; drawn here, judged by where the border was put."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.hand_parts import parted


def edges(rng: np.random.Generator, symbols: int) -> np.ndarray:
    """Edges at which random symbols turn over, from a stated generator's bits."""
    return np.flatnonzero(np.diff(rng.integers(0, 2, symbols))) + 1.0


@pytest.mark.parametrize(
    ("ratio", "silence"),
    [
        # two talkers of other symbol periods, taking turns
        (1.31, 6.0),
        (0.6, 12.0),
        # two transmissions of one talker, out of step by a part of a symbol
        (1.0, 8.0),
    ],
)
def test_each_transmission_gets_its_own_part(ratio, silence):
    rng = np.random.default_rng(61)
    right = 0
    for _ in range(6):
        first, second = edges(rng, 40), edges(rng, 40)
        late = 40 + silence + rng.uniform(0.3, 0.7) + ratio * second
        marks = np.concatenate((first, late))
        marks += 0.03 * rng.normal(size=marks.size)
        right += parted(7.0 + 1e-3 * marks) == [slice(0, first.size), slice(first.size, marks.size)]
    assert right >= 5


@pytest.mark.parametrize("scatter", [0.003, 0.05])
@pytest.mark.parametrize("symbols", [14, 40, 120])
def test_marks_of_one_transmission_stay_together(symbols, scatter):
    rng = np.random.default_rng(62)
    for _ in range(4):
        marks = edges(rng, symbols)
        marks += scatter * rng.normal(size=marks.size)
        assert parted(1e-3 * np.sort(marks)) == [slice(0, marks.size)]


def test_marks_at_random_and_too_few_are_left_alone():
    rng = np.random.default_rng(63)
    whole = sum(parted(np.sort(rng.uniform(0, 60e-3, 30))) == [slice(0, 30)] for _ in range(10))
    # by chance one in twenty
    assert whole >= 8
    assert parted([]) == [slice(0, 0)]
    assert parted([1.0, 2.0, 5.0]) == [slice(0, 3)]
