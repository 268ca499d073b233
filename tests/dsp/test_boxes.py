"""Boxes of energy against what is counted one by one."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.boxes import _over, hits_in, look_of, ratio_of

THRESHOLD = 14.0


def boxes_by_definition(white: np.ndarray, frame: int) -> list[tuple[int, int, int, int, int, float]]:
    """Start, stop, first bin, bins, octave and nats of every box over the threshold, of two frames and more."""
    window = np.hanning(frame + 1)[:-1]
    starts = range(0, white.size - frame + 1, frame // 2)
    frames = np.array([white[a : a + frame] for a in starts]) * window / np.sqrt(np.sum(window**2))
    power = np.abs(np.fft.rfft(frames, axis=1)) ** 2
    equivalent = {2: 1.385, 4: 2.36, 8: 4.40}
    out = []
    for tall in (2, 4, 8, 16, 32, 64, 128):
        for wide in (2, 4, 8) if frame <= 64 else (2, 4):
            weight = (1.0 + (tall - 1) / (1.0 + 2.0 / 36.0)) * equivalent[wide]
            for first in range(0, power.shape[0] - tall + 1, tall // 2):
                for low in range(2, frame // 2 - wide + 1, wide // 2):
                    ratio = float(power[first : first + tall, low : low + wide].mean())
                    nats = weight * (ratio - 1.0 - np.log(ratio))
                    if ratio > 1.0 and nats > THRESHOLD:
                        octave = int(np.floor(-np.log2(min(1.0, (low - 0.5 + wide / 2.0) * 2.0 / frame))))
                        start = first * (frame // 2)
                        out.append((start, start + (tall + 1) * (frame // 2), low, wide, octave, nats))
    return out


@pytest.mark.parametrize("frame", [16, 64, 128])
def test_hits_cover_what_boxes_cover_and_hold_the_most_telling(frame):
    rng = np.random.default_rng(frame)
    white = rng.standard_normal(6_000).astype(np.float32)
    place = np.arange(700)
    for start, turn in ((300, 0.9), (2_900, 0.9), (3_700, 2.2), (5_200, 0.45)):
        white[start : start + 700] += (1.2 * np.cos(turn * place)).astype(np.float32)
    due = boxes_by_definition(white, frame)
    found = list(hits_in(white, 1_000, [look_of(frame, THRESHOLD, None)], some_silent=False))
    assert due
    for octave in {box[4] for box in due}:
        held = np.zeros(white.size, dtype=bool)
        for box in due:
            if box[4] == octave:
                held[box[0] : box[1]] = True
        covered = np.zeros(white.size, dtype=bool)
        for hits in found:
            mine = hits.octave == octave
            for a, b in zip(hits.start[mine] - 1_000, hits.stop[mine] - 1_000, strict=True):
                covered[a:b] = True
        assert np.array_equal(held, covered)
        best = max((box for box in due if box[4] == octave), key=lambda box: box[5])
        rows = [
            (h.box_start[i] - 1_000, h.box_stop[i] - 1_000, h.low_bin[i], h.bins[i], h.nats[i])
            for h in found
            for i in np.flatnonzero(h.octave == octave)
        ]
        top = max(rows, key=lambda row: row[4])
        assert top[:4] == (best[0], best[1], best[2], best[3])
        assert top[4] == pytest.approx(best[5], rel=1e-4)
    assert {int(o) for hits in found for o in hits.octave} == {box[4] for box in due}


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("rows", [40, 3_000])
def test_rows_that_touch_are_one_and_tell_their_highest(order, rows):
    rng = np.random.default_rng(rows)
    sums = np.asarray(rng.exponential(size=(rows, 14)), np.float32, order=order)
    begins = np.array([0, 2, 6])
    limit, reach = np.float32(3.5), 2
    over = _over(sums, limit, reach, begins)
    due = []
    for which, (a, b) in enumerate(((0, 2), (2, 6), (6, 14))):
        run: list[int] = []
        for row in [*np.flatnonzero(sums[:, a:b].max(axis=1) > limit).tolist(), None]:
            if run and (row is None or row - run[-1] > reach):
                part = sums[run, a:b]
                at, column = np.unravel_index(int(np.argmax(part)), part.shape)
                due.append((run[0], run[-1], run[int(at)], a + int(column), which))
                run = []
            if row is not None:
                run.append(row)
    found = [*zip(over.first, over.last, over.row, over.column, over.which, strict=True)]
    assert found == due
    assert np.array_equal(over.value, sums[over.row, over.column])


@pytest.mark.parametrize("nats", [0.01, 0.7, 14.0, 900.0])
def test_the_ratio_that_tells_so_much(nats):
    ratio = ratio_of(nats)
    assert ratio > 1.0
    assert ratio - 1.0 - np.log(ratio) == pytest.approx(nats, rel=1e-9)
