"""A load that comes on scales the symbols after it; what is keyed, and noise, do not look like one."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.loads import SHORTEST, have_levels, levels


def _lengths(rng: np.random.Generator, sizes: list[tuple[int, float]]) -> np.ndarray:
    return np.concatenate([np.abs(rng.normal(gain, 1.0, count)) for count, gain in sizes])


@pytest.mark.parametrize("draw", range(10))
def test_levels_follow_two_loads(draw: int) -> None:
    rng = np.random.default_rng(draw)
    lengths = _lengths(rng, [(20, 16.0), (15, 6.0), (25, 14.0)])
    out = levels(lengths, float(lengths.mean())) * lengths.mean()
    assert out[5] == pytest.approx(16.0, abs=1.5)
    assert out[27] == pytest.approx(6.0, abs=1.5)
    assert out[50] == pytest.approx(14.0, abs=1.5)
    # where they change is known to a symbol or two
    assert np.flatnonzero(np.diff(out)) == pytest.approx([19, 34], abs=2)


def test_noise_alone_has_one_level() -> None:
    """Fewer than one in a thousand rows, as odds of e^-12 over some fifty places say."""
    rng = np.random.default_rng(100)
    for gain in (2.0, 4.0, 9.0):
        rows = np.abs(rng.normal(gain, 1.0, (4000, 64)))
        some = have_levels(rows, np.full(4000, 64), np.full(4000, gain))
        assert np.count_nonzero(some) <= 4
        # and a row that it says so of is the only one to be cut
        one = int(np.flatnonzero(~some)[0])
        assert (levels(rows[one], gain) == 1.0).all()


def test_what_is_keyed_is_no_load() -> None:
    """On for fewer symbols than a load lasts: its level stays one."""
    lengths = np.tile([9.0] * 3 + [2.0] * 3, 10) + np.random.default_rng(3).normal(0.0, 1.0, 60)
    assert (levels(lengths, float(lengths.mean())) == 1.0).all()


def test_rows_shorter_than_two_levels_have_one() -> None:
    rows = np.concatenate((np.full((1, SHORTEST), 9.0), np.full((1, SHORTEST - 1), 3.0)), axis=1)
    assert not have_levels(rows, np.array([rows.size]), np.array([6.0])).any()
