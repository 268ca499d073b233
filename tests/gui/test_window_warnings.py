"""The warnings of the capture in a list, with a way to each place."""

from __future__ import annotations

import numpy as np
import pytest

from app.files import capture_checks, look_over
from app.files.capture_options import ReadOptions

HEADER = "time,wire A\ns,V\n"


@pytest.fixture
def warned(window, tmp_path, qtbot):
    values = [f"{v:.4f}" for v in np.sin(np.arange(1000) * 0.3)]
    values[700] = values[701] = "OL"
    lines = [f"{i * 1e-5 + (1e-3 if i >= 300 else 0):.6f},{v}\n" for i, v in enumerate(values)]
    (tmp_path / "vents.csv").write_text(HEADER + "".join(lines))
    window.files.open_paths([tmp_path / "vents.csv"])
    qtbot.waitUntil(lambda: window.document.capture is not None)
    return window


def test_each_is_counted_and_placed(warned):
    model = warned.warnings.model
    rows = [[model.index(row, column).data() for column in range(4)] for row in range(model.rowCount())]
    assert [row[:3] for row in rows] == [
        ["time gap", "1", "4 ms"],
        ["overflow", "2", "8 ms"],
    ]
    assert "row 703 ('OL')" in rows[1][3]


def test_choosing_one_goes_there(warned, qtbot):
    warned.area.show_range(0.0, 1e-3)
    warned.warnings.table.activated.emit(warned.warnings.model.index(1, 0))
    start_s, end_s = warned.area.visible_range()
    assert (start_s + end_s) / 2 == pytest.approx(8e-3, abs=1e-5)
    assert end_s - start_s == pytest.approx(1e-3, rel=0.01)
    # from the whole of a longer capture there must be something to see of the way there
    warned.area.zoom_all()
    warned.warnings.table.activated.emit(warned.warnings.model.index(1, 0))
    # both of its two samples are in view together, so that it is the first again
    qtbot.waitUntil(lambda: warned.area.visible_range() != (start_s, end_s) and not warned.runner.waiting)
    start_s, end_s = warned.area.visible_range()
    assert (start_s + end_s) / 2 == pytest.approx(8e-3, abs=1e-5)
    assert end_s - start_s == pytest.approx(4e-3, rel=0.01)


def test_another_capture_has_its_own(warned, qtbot, tmp_path):
    (tmp_path / "good.csv").write_text(HEADER + "".join(f"{i * 1e-5:.6f},{i % 7}\n" for i in range(200)))
    warned.files.open_paths([tmp_path / "good.csv"])
    qtbot.waitUntil(lambda: len(warned.document.data.captures) == 2)
    assert warned.warnings.model.rowCount() == 0
    warned.document.look_at(0)
    assert warned.warnings.model.rowCount() == 2


def test_a_long_capture_is_looked_over_after_it_is_drawn(window, tmp_path, qtbot, monkeypatch):
    for module in (capture_checks, look_over):
        monkeypatch.setattr(module, "MOST_SAMPLES", 1 << 16)
    monkeypatch.setattr(capture_checks, "BLOCK", 1 << 12)
    samples = np.sin(np.arange(1 << 18) * 0.3).astype(np.float32)
    hidden = (1 << 14) * 5 + (1 << 13)
    samples[hidden] = np.nan
    np.save(tmp_path / "vents.npy", samples)
    window.files.open_paths([tmp_path / "vents.npy"], ReadOptions(rate_hz=1e6))
    qtbot.waitUntil(lambda: window.document.capture is not None)
    assert window.warnings.model.rowCount() == 0
    was_saved, label = window.document.is_saved, window.document.undo_label
    qtbot.waitUntil(lambda: window.warnings.model.rowCount() == 1, timeout=20_000)
    assert window.warnings.model.index(0, 0).data() == "nan"
    assert window.warnings.model.time_s(0) == pytest.approx(hidden * 1e-6)
    assert any("without a value" in line.message.text for line in window.messages.lines())
    assert (window.document.is_saved, window.document.undo_label) == (was_saved, label)


def test_choosing_one_again_goes_from_place_to_place_and_begins_anew(window, tmp_path, qtbot):
    samples = np.sin(np.arange(100_000) * 0.3).astype(np.float32)
    places = (5_000, 40_000, 40_001, 90_000)
    samples[list(places)] = np.nan
    np.save(tmp_path / "vents.npy", samples)
    window.files.open_paths([tmp_path / "vents.npy"], ReadOptions(rate_hz=1e6))
    qtbot.waitUntil(lambda: window.warnings.model.rowCount() == 1)
    shown = []
    window.warnings.place_chosen.connect(lambda time_s, _: shown.append(round(time_s * 1e6)))
    for count in range(1, 5):
        window.warnings.table.activated.emit(window.warnings.model.index(0, 0))
        qtbot.waitUntil(lambda count=count: len(shown) == count)
    # those that are in view together are one place
    assert shown == [5_000, 40_000, 90_000, 5_000]
    start_s, end_s = window.area.visible_range()
    assert start_s < 5e-3 < end_s
    assert any("first again" in line.message.text for line in window.messages.lines())
