"""All of a long record, a lot at a time: every burst once, wherever the lots are cut."""

from __future__ import annotations

import numpy as np
import pytest
from generators.truths import RATE_HZ, Capture, capture, flat_floor, model_of, record_of, same_or_opposite

import dsp.everywhere as module
from dsp.condition import Conditioner
from dsp.errors import CancelledError
from dsp.everywhere import everywhere
from dsp.period import Period
from dsp.source import Record, Watch
from dsp.talkers import Talker

NONE = np.zeros((0, 2))


def lots_of(monkeypatch: pytest.MonkeyPatch, samples: int) -> None:
    """Let so many samples be worked on at a time, so that short captures show what long ones do."""
    monkeypatch.setattr(module, "_LOT_LEAST", samples)
    monkeypatch.setattr(module, "_LOT_MOST", samples)


def all_of(
    made: Capture,
    *,
    spans: list[tuple[int, int]] | None = None,
    record: Record | None = None,
    watch: Watch | None = None,
) -> tuple[list[Talker], Period]:
    model = model_of(made)
    record = record or made.record
    conditioner = Conditioner(record, flat_floor(made.sigma), model.carrier_hz, RATE_HZ / model.period)
    spans = spans or [(s.first, s.last) for s in record.stretches]
    period = Period(model.period * (1.0 + 1e-4), 1e-4 * model.period, True)
    found = everywhere(conditioner, spans, made.sigma**2, model, NONE, watch or Watch())
    return found.talkers, found.period(period)


def assert_each_once(talkers: list[Talker], made: Capture) -> None:
    """Every burst that was sent, once, with its symbols."""
    found = []
    for talker in talkers:
        runs = talker.runs
        shift = talker.strip.shift(0.5 * (runs.first + runs.last))
        for i in range(len(runs)):
            symbols = runs.symbols.real[runs.offset[i] : runs.offset[i + 1]]
            found.append((float(runs.first[i] + shift[i]), symbols))
    found.sort(key=lambda one: one[0])
    assert [symbols.size for _, symbols in found] == [len(b.symbols) for b in made.bursts]
    for (start, symbols), burst in zip(found, made.bursts, strict=True):
        near = 0.1 * RATE_HZ / burst.symbol_rate_bd + 0.5
        assert start == pytest.approx(burst.start_s * RATE_HZ, abs=near)
        assert same_or_opposite(symbols, burst.symbols)


@pytest.mark.parametrize("lot", [16_000, 20_011, 1 << 20])
@pytest.mark.parametrize("lengths", [(12, 60), (100, 150)])
def test_bursts_are_found_once_wherever_lots_are_cut(monkeypatch, lot, lengths):
    """Forty bursts in one span of 45 000 samples and more, fitted as a whole or followed."""
    lots_of(monkeypatch, lot)
    rng = np.random.default_rng(1)
    made = capture(tuple(rng.integers(*lengths, 40).tolist()), 1, esn0_db=16.0, cycles=4.0)
    talkers, period = all_of(made)
    assert_each_once(talkers, made)
    true = model_of(made).period
    assert abs(period.value - true) < 5.0 * period.std
    assert period.std <= 1e-4 * true


@pytest.mark.parametrize("lot", [16_000, 20_011])
def test_long_bursts_that_are_cut_are_looked_at_in_one_piece(monkeypatch, lot):
    """Longer than a lot, and such that follow each other through several lots."""
    lots_of(monkeypatch, lot)
    made = capture((30, 1_500, 24, 150, 400, 30), 2, esn0_db=16.0, cycles=4.0)
    talkers, _ = all_of(made)
    assert_each_once(talkers, made)


def test_spans_are_all_that_is_looked_at(monkeypatch):
    lots_of(monkeypatch, 16_000)
    made = capture((30,) * 60, 3, esn0_db=16.0, cycles=4.0)
    kept = (0, 3, 4, *range(9, 60, 2))
    room = 10.0 * model_of(made).period
    bursts = [made.bursts[k] for k in kept]
    spans = [(int(b.start_s * RATE_HZ - room), int(b.end_s * RATE_HZ + room)) for b in bursts]
    talkers, _ = all_of(made, spans=spans)
    assert_each_once(talkers, Capture(made.samples, tuple(bursts), made.sigma))


def test_segments_are_cut_where_they_end(monkeypatch):
    """Lots of several segments, and segments of several lots; a burst cut by a border is two."""
    lots_of(monkeypatch, 16_000)
    made = capture((30, 40, 30, 60, 30, 24, 50, *(20,) * 40), 4, esn0_db=16.0, cycles=4.0)
    third = made.bursts[3]
    middle = round((third.start_s + 30.0 / third.symbol_rate_bd) * RATE_HZ)
    quiet = int((made.bursts[0].end_s + made.bursts[1].start_s) / 2.0 * RATE_HZ)
    count = len(made.samples)
    parts = ((0, quiet, 0.0), (quiet, middle, 10.0), (middle, count, 20.0))
    talkers, _ = all_of(made, record=record_of(made.samples, RATE_HZ, parts))
    lengths = sorted(int(n) for t in talkers for n in t.runs.count)
    assert lengths == sorted([30, 40, 30, 30, 30, 30, 24, 50, *[20] * 40])
    for talker in talkers:
        runs = talker.runs
        shift = talker.strip.shift(0.5 * (runs.first + runs.last))
        first, last = runs.first + shift, runs.last + shift
        for edge in (quiet, middle):
            assert not np.any((first < edge - 10) & (last > edge + 10))


def test_progress_and_cancel(monkeypatch):
    lots_of(monkeypatch, 16_000)
    made = capture((30,) * 50, 5, esn0_db=16.0, cycles=4.0)
    heard: list[float] = []
    all_of(made, watch=Watch(heard.append))
    assert heard == sorted(heard)
    assert len(heard) > 1
    with pytest.raises(CancelledError):
        all_of(made, watch=Watch(None, lambda: True))
