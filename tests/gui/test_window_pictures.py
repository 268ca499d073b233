"""Pictures: linked to the view and the selected burst, clicked in, exported."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtWidgets import QPushButton

from app.demo import demo_path
from app.files.captures import open_capture
from app.gui.pictures.kinds import KINDS
from app.jobs.decoding import DecodeRequest, run_decode
from app.model.capture import Capture, Channel, Segment
from app.model.commands_captures import OpenCapture
from app.model.commands_decodes import AddDecode
from app.model.items import DecodeRun


@pytest.fixture(scope="session")
def greenhouse():
    """The demo capture's first bursts, decoded by the program itself."""
    capture = open_capture(demo_path())
    outcome = run_decode(DecodeRequest(capture, None, (-0.004, 0.02), hash_wanted=False))
    return capture, outcome


@pytest.fixture
def shown(window, greenhouse, qtbot):
    capture, outcome = greenhouse
    window.resize(1400, 950)
    window.bridge.run(OpenCapture(capture))
    window.bridge.run(AddDecode(DecodeRun(0, 0, outcome.channel, outcome.span_s, "", "", outcome.result)))
    window.arrangement.dock_of(window.pictures).raise_()
    window.area.show_range(*outcome.span_s)
    qtbot.waitUntil(window.pictures.isVisible)
    return window


def drawn(window, qtbot, title: str):
    """The picture of this title, once it has been made from what is asked for now."""
    qtbot.waitUntil(lambda: not window.pictures_link._soon.isActive() and window.drawer.current() is None)
    picture = window.pictures.view.picture
    assert picture is not None, window.pictures.view.accessibleDescription()
    assert picture.title.startswith(title)
    return picture


def take(window, qtbot, row: int, *, burst: bool):
    """Choose a kind of picture by keyboard, and what it is of."""
    window.pictures.of.setCurrentIndex(1 if burst else 0)
    window.pictures.kinds.setFocus()
    window.pictures.kinds.setCurrentRow(0)
    for _ in range(row):
        qtbot.keyClick(window.pictures.kinds, Qt.Key.Key_Down)
    window.pictures.wanted.emit()
    assert window.pictures.kind is KINDS[row]


def column(picture, name: str) -> np.ndarray:
    return dict(picture.columns)[name]


def click(window, qtbot, x: float, y: float) -> None:
    view = window.pictures.view
    scene = view.getViewBox().mapViewToScene(QPointF(x, y))
    qtbot.mouseClick(view.viewport(), Qt.MouseButton.LeftButton, pos=view.mapFromScene(scene))


@pytest.mark.parametrize("row", range(len(KINDS)))
@pytest.mark.parametrize("burst", [True, False])
def test_every_kind_is_drawn_of_the_view_and_of_a_burst(shown, qtbot, row, burst):
    shown.bursts.select(1)
    if not burst and KINDS[row].name != "periods":  # three transmitters have no one period
        shown.area.show_range(-0.004, 0.02)
    take(shown, qtbot, row, burst=burst)
    picture = drawn(shown, qtbot, "")
    assert picture.note
    assert all(np.isfinite(values).any() for _, values in picture.columns)
    assert shown.pictures.note.text() == picture.note
    assert shown.messages.lines() == [] or all(
        "could not" not in line.message.text for line in shown.messages.lines()
    )


def test_without_a_capture_a_burst_or_a_carrier_words_say_what_is_missing(window, qtbot, quiet_capture):
    window.bridge.run(OpenCapture(quiet_capture))
    window.arrangement.dock_of(window.pictures).raise_()
    qtbot.waitUntil(window.pictures.isVisible)
    take(window, qtbot, 2, burst=False)
    qtbot.waitUntil(lambda: "decode first" in window.pictures.view.accessibleDescription())
    assert not window.pictures.export.isEnabled()
    take(window, qtbot, 4, burst=True)
    qtbot.waitUntil(lambda: "Select a burst" in window.pictures.view.accessibleDescription())


def test_the_spectrum_follows_the_view(shown, qtbot):
    take(shown, qtbot, 0, burst=False)
    wide = drawn(shown, qtbot, "Spectrum")
    shown.area.show_range(0.0, 0.001)
    narrow = drawn(shown, qtbot, "Spectrum")
    assert narrow is not wide
    assert "1 250 samples" in narrow.note


def test_the_square_has_its_peak_at_the_carrier_of_the_selected_burst(shown, qtbot):
    shown.bursts.select(0)
    take(shown, qtbot, 1, burst=True)
    picture = drawn(shown, qtbot, "Spectrum of the square")
    freq, power = column(picture, "half_frequency_hz"), column(picture, "density_db")
    carrier = shown.view.burst.burst.carrier_hz
    near = np.abs(freq - carrier) < 0.2 * carrier
    assert freq[near][np.argmax(power[near])] == pytest.approx(carrier, rel=0.005)


def test_intervals_stand_on_whole_symbols(shown, qtbot):
    take(shown, qtbot, 3, burst=False)
    picture = drawn(shown, qtbot, "Flip intervals")
    counts = column(picture, "count")
    middles = (column(picture, "from_cycles") + column(picture, "to_cycles")) / 2
    at = middles[np.argmax(counts)]
    assert at == pytest.approx(6.5, abs=0.5)


def test_a_click_on_a_point_selects_its_burst(shown, qtbot):
    take(shown, qtbot, 6, burst=False)
    picture = drawn(shown, qtbot, "Amplitude")
    k = int(np.argmin(column(picture, "amplitude")))
    click(shown, qtbot, column(picture, "carrier_hz")[k], column(picture, "amplitude")[k])
    assert shown.view.burst.burst.talker == column(picture, "talker")[k]
    start_s, end_s = shown.area.visible_range()
    assert start_s < shown.view.burst.burst.start_s < end_s


def test_a_click_in_the_phase_moves_a_cursor_there_and_is_one_step(shown, qtbot):
    shown.bursts.select(0)
    take(shown, qtbot, 2, burst=True)
    picture = drawn(shown, qtbot, "Phase")
    time_s = float(np.mean(column(picture, "time_s")))
    click(shown, qtbot, time_s, 90.0)
    moved = shown.document.data.cursors[0].time_s
    assert moved == pytest.approx(time_s, abs=2e-5)
    assert shown.document.undo_label == "move cursor A"


def test_a_click_in_the_stack_selects_the_burst_of_the_row(shown, qtbot):
    take(shown, qtbot, 8, burst=False)
    picture = drawn(shown, qtbot, "Burst stack")
    click(shown, qtbot, 4e-4, 2.5)
    chosen = shown.view.burst
    assert chosen is not None
    zeros = sum(one.burst.talker == 0 for one in shown.view.bursts)
    assert zeros > 2
    assert chosen.burst.talker == 0
    assert picture.find is not None


def test_the_fold_can_be_chosen_by_mouse_and_keys(shown, qtbot):
    shown.bursts.select(0)
    take(shown, qtbot, 7, burst=True)
    symbols = drawn(shown, qtbot, "Folded trace")
    assert len(symbols.columns) - 1 == len(shown.view.burst.symbols)
    shown.pictures.choice.setFocus()
    qtbot.keyClick(shown.pictures.choice, Qt.Key.Key_Down)
    qtbot.keyClick(shown.pictures.choice, Qt.Key.Key_Down)
    cycles = drawn(shown, qtbot, "Folded trace")
    assert "2 cycles" in cycles.note


def test_pictures_follow_the_palette(shown, qtbot):
    take(shown, qtbot, 0, burst=False)
    drawn(shown, qtbot, "Spectrum")
    shown.menus.actions["look_dark"].trigger()
    qtbot.waitUntil(lambda: shown.pictures.view.backgroundBrush().color().lightness() < 80)
    shown.menus.actions["look_light"].trigger()
    qtbot.waitUntil(lambda: shown.pictures.view.backgroundBrush().color().lightness() > 200)


def test_a_hundred_million_samples_are_represented_by_some(window, qtbot):
    class Tone:
        """A tone of so many samples that are worked out when read; counts what is read."""

        dtype = np.dtype(np.int16)
        shape = (100_000_000,)
        nbytes = 200_000_000
        read = 0

        def __len__(self) -> int:
            return self.shape[0]

        def __getitem__(self, key: slice) -> np.ndarray:
            start, stop, _ = key.indices(self.shape[0])
            type(self).read += stop - start
            return np.round(1000 * np.sin(0.7 * np.arange(start, stop))).astype(np.int16)

    from app.gui.pictures.api import PictureRequest

    capture = Capture(
        "long", "made up", 1e8, 0.0, (Channel("line", Tone(), 1e-3),), (Segment(0, 100_000_000, 0.0),)
    )
    picture = KINDS[0].make(PictureRequest(capture, "line", (0.0, 1.0), ()))
    assert "of 100 000 000 samples" in picture.note
    assert Tone.read <= 1 << 21


def test_a_burst_that_is_left_out_goes_from_the_pictures_of_the_view(shown, qtbot):
    take(shown, qtbot, 6, burst=False)
    before = column(drawn(shown, qtbot, "Amplitude"), "burst")
    shown.bursts.select(2)
    shown.area.show_range(-0.004, 0.02)
    qtbot.keyClick(
        shown, Qt.Key.Key_X, Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier
    )
    after = column(drawn(shown, qtbot, "Amplitude"), "burst")
    assert set(before) - set(after) == {2.0}


def keys_in(window, qtbot, *keys, held=Qt.KeyboardModifier.NoModifier) -> None:
    view = window.pictures.view
    view.setFocus()
    for key in keys:
        qtbot.keyClick(view, key, held)


def test_arrows_step_from_point_to_point_and_return_selects_the_burst(shown, qtbot):
    take(shown, qtbot, 6, burst=False)
    picture = drawn(shown, qtbot, "Amplitude")
    view = shown.pictures.view
    keys_in(shown, qtbot, Qt.Key.Key_Up)
    keys_in(shown, qtbot, Qt.Key.Key_Down, held=Qt.KeyboardModifier.ShiftModifier)
    keys_in(shown, qtbot, Qt.Key.Key_Down, held=Qt.KeyboardModifier.ShiftModifier)
    amplitudes = column(picture, "amplitude")
    assert view.probe.y == amplitudes.min()
    keys_in(shown, qtbot, Qt.Key.Key_Up)
    assert view.probe.y == np.sort(amplitudes)[1]
    assert "Return: select burst" in shown.hint.text()
    assert "Return: select burst" in view.accessibleDescription()
    keys_in(shown, qtbot, Qt.Key.Key_Return)
    assert shown.view.burst.burst.amplitude == np.sort(amplitudes)[1]


def test_arrows_and_return_bring_a_cursor_to_an_instant(shown, qtbot):
    shown.bursts.select(0)
    take(shown, qtbot, 2, burst=True)
    drawn(shown, qtbot, "Phase")
    view = shown.pictures.view
    keys_in(shown, qtbot, Qt.Key.Key_Right)
    (x0, x1), _ = view.shown_range()
    assert view.probe.x == pytest.approx((x0 + x1) / 2)
    keys_in(shown, qtbot, Qt.Key.Key_Right, Qt.Key.Key_Right)
    keys_in(shown, qtbot, Qt.Key.Key_Left, held=Qt.KeyboardModifier.ShiftModifier)
    expected = (x0 + x1) / 2 - 0.08 * (x1 - x0)
    keys_in(shown, qtbot, Qt.Key.Key_Return)
    assert shown.document.data.cursors[0].time_s == pytest.approx(expected)
    assert shown.document.undo_label == "move cursor A"
    keys_in(shown, qtbot, Qt.Key.Key_Escape)
    assert view.probe is None


def test_arrows_go_from_row_to_row_of_a_stack(shown, qtbot):
    take(shown, qtbot, 8, burst=False)
    drawn(shown, qtbot, "Burst stack")
    keys_in(shown, qtbot, Qt.Key.Key_Down)
    first = shown.pictures.view.probe
    keys_in(shown, qtbot, Qt.Key.Key_Down)
    assert shown.pictures.view.probe.y == int(first.y) + 1.5
    keys_in(shown, qtbot, *[Qt.Key.Key_Up] * 40)
    assert shown.pictures.view.probe.y == 0.5
    keys_in(shown, qtbot, Qt.Key.Key_Return)
    by_key = shown.view.chosen
    click(shown, qtbot, first.x, 0.5)
    assert shown.view.chosen == by_key


def test_alt_and_arrows_move_the_picture(shown, qtbot):
    take(shown, qtbot, 0, burst=False)
    drawn(shown, qtbot, "Spectrum")
    before = shown.pictures.view.shown_range()
    keys_in(shown, qtbot, Qt.Key.Key_Right, held=Qt.KeyboardModifier.AltModifier)
    after = shown.pictures.view.shown_range()
    assert after[0][0] - before[0][0] == pytest.approx(0.1 * (before[0][1] - before[0][0]))
    assert after[1] == before[1]


def test_the_status_bar_says_what_a_click_in_a_picture_does(shown, qtbot):
    take(shown, qtbot, 6, burst=False)
    picture = drawn(shown, qtbot, "Amplitude")
    view = shown.pictures.view
    k = int(np.argmin(column(picture, "amplitude")))
    place = QPointF(column(picture, "carrier_hz")[k], column(picture, "amplitude")[k])
    hints = []
    view.pointer_hint.connect(hints.append)

    def pointed() -> bool:
        at = view.mapFromScene(view.getViewBox().mapViewToScene(place))
        for near in (at - QPoint(30, 20), at):
            qtbot.mouseMove(view.viewport(), near)
            qtbot.wait(50)  # moves that follow one another at once are passed over
        return any("click: select burst" in hint for hint in hints)

    qtbot.waitUntil(pointed)
    found = next(hint for hint in hints if "click: select burst" in hint)
    assert "kHz" in found
    assert "wheel: zoom" in found
    view.pointer_hint.emit(found)
    assert shown.hint.text() == found


@pytest.mark.parametrize("by_key", [True, False])
def test_a_slow_picture_is_cancelled_and_can_be_made_again(shown, qtbot, monkeypatch, by_key):
    let_go = threading.Event()

    def endless(record, start, stop, **_more):
        while not let_go.wait(0.01):
            record.read(start, start + 10)
        raise AssertionError("nobody cancelled")

    take(shown, qtbot, 1, burst=False)
    drawn(shown, qtbot, "Spectrum of the square")
    with monkeypatch.context() as slow:
        slow.setattr("dsp.picture_spectrum.spectrum", endless)
        qtbot.keyClick(shown.pictures.kinds, Qt.Key.Key_Up)
        button = shown.pictures.findChild(QPushButton, "pictureCancel")
        qtbot.waitUntil(button.isVisible)
        if by_key:
            qtbot.keyClick(shown.pictures.kinds, Qt.Key.Key_Escape)
        else:
            qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
        qtbot.waitUntil(lambda: not button.isVisible())
        # the thread has heard it as well: other work gets its turn
        answers = []
        shown.drawer.start("another", lambda *_: 7, answers.append, answers.append)
        qtbot.waitUntil(lambda: answers == [7])
    let_go.set()
    assert shown.pictures.view.picture is None
    assert "Stopped" in shown.pictures.view.accessibleDescription()
    qtbot.keyClick(shown.pictures.kinds, Qt.Key.Key_Return)
    drawn(shown, qtbot, "Spectrum")
