"""The symbol grid of a capture as the session keeps it."""

from __future__ import annotations

import numpy as np
import pytest

from app.files.session import read_session, write_session
from app.model.capture import Capture, Channel, Segment
from app.model.commands import CommandError
from app.model.commands_captures import OpenCapture
from app.model.commands_marks import KeepSpan
from app.model.document import Document
from app.model.symbol_grid import LayGrid, RemoveGrid, ShapeGrid, grid_in, grid_of


@pytest.fixture
def document():
    made = Document()
    channel = Channel("wire A", np.zeros(10_000, np.int16), 1e-3)
    made.run(OpenCapture(Capture("vents", "made up", 1e5, 0.5, (channel,), (Segment(0, 10_000, 0.5),))))
    return made


def test_a_grid_is_laid_shaped_and_removed_in_named_steps(document):
    document.run(LayGrid(0, 0.51, 0.53, 20))
    grid = grid_of(document.data, 0)
    assert grid.period_s == pytest.approx(1e-3)
    assert grid.rate_bd == pytest.approx(1e3)
    assert document.undo_label == "lay symbol grid"
    document.run(ShapeGrid(grid.key, 0.512, 0.532, 20))
    assert document.undo_label == "move symbol grid"
    document.run(ShapeGrid(grid.key, 0.512, 0.534, 20))
    assert document.undo_label == "stretch symbol grid"
    assert grid_of(document.data, 0).period_s == pytest.approx(1.1e-3)
    document.run(ShapeGrid(grid.key, 0.512, 0.5351, 21))
    assert document.undo_label == "change the length of the symbol grid"
    assert grid_of(document.data, 0).count == 21
    document.run(RemoveGrid(grid.key))
    assert grid_of(document.data, 0) is None
    for _ in range(4):
        document.undo()
    assert grid_of(document.data, 0) == grid


def test_one_drag_is_one_step(document):
    document.run(LayGrid(0, 0.51, 0.53, 20))
    grid = grid_of(document.data, 0)
    for by_s in (1e-3, 2e-3, 3e-3):
        document.run(ShapeGrid(grid.key, 0.51 + by_s, 0.53 + by_s, 20), "drag")
    document.undo()
    assert grid_of(document.data, 0) == grid


def test_a_new_grid_takes_the_place_of_the_old_one_and_spans_stay(document):
    document.run(KeepSpan(0, "answer", 0.52, 0.53))
    document.run(LayGrid(0, 0.51, 0.53, 20))
    document.run(LayGrid(0, 0.55, 0.56, 1))
    assert [span.name for span in document.data.spans] == ["answer", "symbol grid, 1 symbol"]
    assert grid_in(document.data.spans[0]) is None
    assert grid_of(document.data, 0).count == 1
    assert grid_of(document.data, 1) is None


@pytest.mark.parametrize(
    ("start_s", "end_s", "count"), [(0.51, 0.51, 1), (0.52, 0.51, 1), (0.51, 0.52, 501), (0.51, 0.52, 0)]
)
def test_impossible_grids_are_refused_and_leave_nothing(document, start_s, end_s, count):
    before = document.data
    with pytest.raises(CommandError, match="grid"):
        document.run(LayGrid(0, start_s, end_s, count))
    assert document.data is before


def test_a_saved_grid_comes_back(document, tmp_path):
    document.run(LayGrid(0, 0.51, 0.53, 20))
    write_session(tmp_path / "grid.h5", document.data)
    assert grid_of(read_session(tmp_path / "grid.h5"), 0) == grid_of(document.data, 0)
