"""Decoding again from the window: progress, cancel, and the result burst by burst."""

import threading
from dataclasses import replace

import pytest

from app.demo import demo_path
from app.files.captures import open_capture
from app.jobs import verifying
from app.jobs.decoding import DecodeRequest, run_decode
from app.model.commands_bursts import ExcludeBursts
from app.model.items import DecodeRun, SessionData
from app.version import program_version


@pytest.fixture(scope="module")
def decoded():
    """The demo as a session with its decode."""
    capture = open_capture(demo_path())
    outcome = run_decode(DecodeRequest(capture, None, None, hash_wanted=True))
    run = DecodeRun(
        1, 0, outcome.channel, outcome.span_s, program_version(), outcome.samples_sha256, outcome.result
    )
    return SessionData(captures=(capture,), decodes=(run,), next_key=2)


def texts(window):
    model = window.handover.checking.panel.model
    return [[model.index(row, column).data() for column in range(6)] for row in range(model.rowCount())]


def wait_done(window, qtbot):
    qtbot.waitUntil(
        lambda: not window.handover.checking.panel.words.text().startswith("Decoding again…"), timeout=60_000
    )


def test_everything_is_the_same_and_each_burst_says_so(window, decoded, qtbot):
    window.document.replace_all(decoded, None)
    window.menus.actions["check_decodes"].trigger()
    assert window.handover.checking.panel.words.text() == "Decoding again…"
    wait_done(window, qtbot)
    bursts = len(decoded.decodes[0].result.bursts)
    assert bursts > 5
    said = window.handover.checking.panel.words.text()
    assert said.startswith(f"Decoded again, everything is the same: 1 decode, {bursts} bursts.")
    rows = texts(window)
    assert len(rows) == bursts + 1
    assert rows[0][2] == "all"
    assert rows[0][5].startswith("samples: the same; by version")
    assert {row[4] for row in rows} == {"same"}


def test_a_bit_that_differs_and_a_burst_left_out_are_shown(window, decoded, qtbot):
    (run,) = decoded.decodes
    first, *others = run.result.bursts
    turned = "".join("10"[int(bit)] for bit in first.bits[:3]) + first.bits[3:]
    run = replace(run, result=replace(run.result, bursts=(replace(first, bits=turned), *others)))
    window.document.replace_all(replace(decoded, decodes=(run,)), None)
    span = (others[0].start_s, others[0].end_s)
    window.document.run(ExcludeBursts(0, run.channel, (span,), True))
    window.handover.checking.panel.button.click()
    wait_done(window, qtbot)
    assert "1 of 1 decode" in window.handover.checking.panel.words.text()
    rows = texts(window)
    assert rows[1][4] == "DIFFERENT"
    assert rows[1][5].startswith(f"bits: {turned[:20]}")
    assert rows[2][4:] == ["same", "left out"]


def test_a_row_leads_to_its_burst(window, decoded, qtbot):
    window.show()
    window.document.replace_all(decoded, None)
    window.handover.checking.panel.button.click()
    wait_done(window, qtbot)
    qtbot.waitUntil(lambda: window.handover.checking.panel.model.rowCount() > 2)
    burst = decoded.decodes[0].result.bursts[1]
    window.handover.checking.panel.table.activated.emit(window.handover.checking.panel.model.index(2, 0))
    start_s, end_s = window.area.visible_range()
    assert start_s < burst.start_s < burst.end_s < end_s
    assert end_s - start_s < 2 * (burst.end_s - burst.start_s)


def test_cancelling_keeps_what_was_compared_and_says_so(window, decoded, qtbot, monkeypatch):
    begun = threading.Event()
    plain = verifying.verify_run

    def slow(data, run, progress, cancelled):
        if run.key == 1:
            return plain(data, run, progress, cancelled)
        begun.set()
        while not cancelled():
            threading.Event().wait(0.001)
        return plain(data, run, progress, cancelled)

    monkeypatch.setattr("app.jobs.verifying.verify_run", slow)
    (run,) = decoded.decodes
    window.document.replace_all(replace(decoded, decodes=(run, replace(run, key=7))), None)
    window.handover.checking.panel.button.click()
    qtbot.waitUntil(
        lambda: begun.is_set() and window.handover.checking.panel.model.rowCount() > 0, timeout=60_000
    )
    title, _ = window.runner.current()
    assert title.title == "Decoding again"
    window.cancel_work()
    qtbot.waitUntil(lambda: "Cancelled" in window.handover.checking.panel.words.text())
    assert len(texts(window)) == len(run.result.bursts) + 1


def test_a_session_without_decodes_says_so(window, decoded, qtbot):
    window.document.replace_all(replace(decoded, decodes=()), None)
    window.handover.checking.panel.button.click()
    wait_done(window, qtbot)
    assert "nothing to check" in window.handover.checking.panel.words.text()


def test_another_session_empties_the_panel(window, decoded, qtbot):
    window.document.replace_all(decoded, None)
    window.handover.checking.panel.button.click()
    wait_done(window, qtbot)
    window.document.replace_all(replace(decoded), None)
    assert window.handover.checking.panel.model.rowCount() == 0
    assert "burst by burst" in window.handover.checking.panel.words.text()
