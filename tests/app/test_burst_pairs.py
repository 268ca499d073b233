"""Pairs of bursts against the plain rule, and that the work stays small where nothing pairs."""

from dataclasses import replace

from generators.decodes import BURST
from hypothesis import given
from hypothesis import strategies as st

from app.model.burst_pairs import paired
from dsp.results import Burst

SPANS = st.lists(st.tuples(st.floats(0, 10), st.floats(0.01, 3)), max_size=12)


def made(spans: list[tuple[float, float]]) -> list[Burst]:
    return [replace(BURST, start_s=start, end_s=start + length) for start, length in spans]


def by_the_rule(own: list[Burst], other: list[Burst]) -> tuple[list[tuple[Burst, Burst | None]], list[Burst]]:
    """One after the other in time, each with the first that is left and overlaps it by more than half of the shorter."""
    left = sorted(other, key=lambda one: one.start_s)
    pairs: list[tuple[Burst, Burst | None]] = []
    for one in sorted(own, key=lambda one: one.start_s):
        found = None
        for rival in left:
            common = min(one.end_s, rival.end_s) - max(one.start_s, rival.start_s)
            if common > 0.5 * min(one.end_s - one.start_s, rival.end_s - rival.start_s):
                found = rival
                break
        if found is not None:
            left = [rival for rival in left if rival is not found]
        pairs.append((one, found))
    return pairs, left


@given(SPANS, SPANS)
def test_pairs_are_those_of_the_rule(
    first: list[tuple[float, float]], second: list[tuple[float, float]]
) -> None:
    own, other = made(first), made(second)
    pairs, left = paired(own, other, lambda one: one)
    wanted_pairs, wanted_left = by_the_rule(own, other)
    assert [(id(a), id(b)) for a, b in pairs] == [(id(a), id(b)) for a, b in wanted_pairs]
    assert [one.start_s for one in left] == [one.start_s for one in wanted_left]


def test_bursts_are_looked_at_a_few_times_each_where_none_has_a_partner() -> None:
    own = made([(2.0 * n, 0.9) for n in range(2000)])
    other = made([(2.0 * n + 1.0, 0.9) for n in range(2000)])
    looks = 0

    def counted(one: Burst) -> Burst:
        nonlocal looks
        looks += 1
        return one

    pairs, left = paired(own, other, counted)
    assert all(partner is None for _, partner in pairs)
    assert len(left) == 2000
    assert looks < 20 * len(own)
