"""Report, exports, a copy to share and a second opinion, from the menu."""

from __future__ import annotations

import csv
from dataclasses import replace

import h5py
import numpy as np
from PySide6.QtCore import Qt

from app.files.capture_options import ReadOptions
from app.files.session import read_session, write_session
from app.gui import ask_handover
from app.gui.handover_flow import differences_html
from app.gui.panels.dialog_share import ShareDialog
from app.gui.panels.text_window import TextWindow
from app.model.commands_marks import AddNote, KeepSpan
from app.model.items import SpanMark
from app.model.opinion import Disagreement
from app.report.exports import ENDINGS


def told(window, words: str):
    return lambda: any(words in line.message.text for line in window.messages.lines())


def test_the_report_is_written(decoded, tmp_path, answer, qtbot):
    answer("where_to_report", tmp_path / "r.html")
    decoded.menus.actions["write_report"].trigger()
    qtbot.waitUntil(told(decoded, "Written: "), timeout=20_000)
    text = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "1110010000" in text
    assert "<svg" in text


def test_exports_are_written(decoded, tmp_path, answer, qtbot):
    decoded.view.select_span((0.51, 0.512))
    for what, name in (("bits", "b.csv"), ("marks", "m.csv"), ("samples", "s.npy")):
        answer("what_to_export", (what, tmp_path / name))
        decoded.menus.actions["export_data"].trigger()
        qtbot.waitUntil(told(decoded, name), timeout=10_000)
    with (tmp_path / "b.csv").open(newline="") as file:
        assert [row["bits"] for row in csv.DictReader(file)] == ["1110010000", "10101010"]
    capture = decoded.document.capture
    assert np.load(tmp_path / "s.npy").shape == (round(0.002 * capture.rate_hz), len(capture.channels))


def test_every_export_of_the_command_line_is_in_the_dialog():
    assert {(what, ending) for what, ending, _ in ask_handover.EXPORTS} == {
        (what, ending) for what, endings in ENDINGS.items() for ending in endings
    }


def test_the_dialog_tells_the_size_and_cuts(decoded, qtbot):
    decoded.bridge.run(KeepSpan(0, "answer", 0.55, 0.56))
    dialog = ShareDialog(decoded.document.data, 0, (0.509, 0.521))
    qtbot.addWidget(dialog)
    assert [dialog.spans.item(n).text().split(":")[0] for n in range(2)] == ["the selected span", "answer"]
    small = dialog.told_size.text()
    dialog.spans.item(0).setCheckState(Qt.CheckState.Unchecked)
    assert dialog.told_size.text() != small
    assert dialog.told_size.text().startswith("about ")
    dialog.spans.item(0).setCheckState(Qt.CheckState.Checked)
    for n in range(dialog.channels.count()):
        dialog.channels.item(n).setCheckState(Qt.CheckState.Unchecked)
    dialog.accept()
    assert "no channel" in dialog.wrong.text()
    dialog.channels.item(0).setCheckState(Qt.CheckState.Checked)
    dialog.accept()
    assert len(dialog.copy.captures[0].channels) == 1
    assert dialog.copy.captures[0].duration_s < 0.02


def test_a_copy_is_written_and_the_session_is_not_replaced_by_it(decoded, tmp_path, answer, qtbot):
    data = decoded.document.data
    answer("what_to_share", data)
    answer("where_to_share", tmp_path / "copy.h5")
    decoded.menus.actions["share_copy"].trigger()
    qtbot.waitUntil(told(decoded, "Written: "), timeout=10_000)
    assert len(read_session(tmp_path / "copy.h5").decodes) == 1
    decoded.document.mark_saved(decoded.document.state, tmp_path / "copy.h5")
    decoded.menus.actions["share_copy"].trigger()
    assert told(decoded, "cannot take the place")()


def test_a_second_opinion_stands_beside_mine(decoded, tmp_path, answer, qtbot):
    data = decoded.document.data
    run = data.decodes[0]
    burst = replace(run.result.bursts[0], bits="1110010001", symbols="1110010001")
    result = replace(run.result, bursts=(burst, *run.result.bursts[1:]))
    theirs = replace(
        data,
        spans=(SpanMark(data.next_key, 0, "<b>odd</b>", 0.51, 0.52),),
        decodes=(replace(run, result=result),),
        next_key=data.next_key + 1,
    )
    write_session(tmp_path / "theirs.h5", theirs)
    answer("opinion_to_open", tmp_path / "theirs.h5")
    decoded.menus.actions["second_opinion"].trigger()
    qtbot.waitUntil(lambda: decoded.findChild(TextWindow) is not None, timeout=10_000)
    shown = decoded.findChild(TextWindow).findChild(object, "text").toPlainText()
    assert "1110010000" in shown
    assert "1110010001" in shown
    assert "<b>odd</b>" in shown
    assert [span.name for span in decoded.document.data.spans] == ["<b>odd</b> (theirs)"]
    decoded.menus.actions["undo"].trigger()
    assert decoded.document.data.spans == data.spans


def test_differences_are_text():
    row = Disagreement(0, 1.0, "label", "<script>", "&")
    html = differences_html("<x>", (row,), ["<c>"])
    assert "<script>" not in html
    assert "&lt;x&gt;" in html
    assert "says the same" in differences_html("x", (), [])


def test_a_session_that_names_files_goes_on_naming_them(make_window, tmp_path, answer, qtbot):
    capture = tmp_path / "line.npy"
    np.save(capture, np.sin(np.arange(20_000) * 0.7).astype("f4"))
    window = make_window()
    window.files.open_paths([capture], ReadOptions(rate_hz=1e6))
    qtbot.waitUntil(lambda: bool(window.document.data.captures), timeout=10_000)
    session = tmp_path / "s.h5"
    answer("where_to_save", session)
    window.menus.actions["save_linked"].trigger()
    qtbot.waitUntil(lambda: window.document.path == session, timeout=10_000)

    def storage() -> list[bytes]:
        with h5py.File(session) as file:
            return [file["captures/0"].attrs["storage"], file["captures/0"].attrs.get("link", b"")]

    assert storage() == [b"linked", b"line.npy"]
    again = make_window()
    again.open_paths([session])
    qtbot.waitUntil(lambda: bool(again.document.data.captures), timeout=10_000)
    again.bridge.run(AddNote(0, None, "looked at"))
    again.files.save()
    qtbot.waitUntil(lambda: not again.isWindowModified(), timeout=10_000)
    assert storage() == [b"linked", b"line.npy"]
    answer("where_to_save", tmp_path / "whole.h5")
    again.files.save_as()
    qtbot.waitUntil(lambda: again.document.path == tmp_path / "whole.h5", timeout=10_000)
    session = tmp_path / "whole.h5"
    assert storage() == [b"embedded", b""]
