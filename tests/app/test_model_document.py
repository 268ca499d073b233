"""Document, history and commands: what each change does, and that undo takes all of it back."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from app.model.capture import Capture, Channel, Segment
from app.model.changes import Change
from app.model.commands import CommandError
from app.model.commands_captures import CloseCapture, DescribeCapture, OpenCapture, warned
from app.model.commands_decodes import AddDecode, ClearDecodes
from app.model.commands_flips import (
    ClearHandFlips,
    DeleteAutoFlip,
    DeleteHandFlip,
    MoveAutoFlip,
    MoveHandFlip,
    PlaceFlip,
)
from app.model.commands_marks import (
    AddCursor,
    AddNote,
    EditNote,
    KeepSpan,
    MoveCursor,
    RemoveCursor,
    RemoveNote,
    RemoveSpan,
)
from app.model.document import Document
from app.model.history import History
from app.model.items import DecodeRun, SessionData
from dsp.results import Decode, DecodeSettings, Notice, Signalling


def capture(name: str = "vents", channels: tuple[str, ...] = ("A", "B")) -> Capture:
    """One second of 1 kHz samples that begin at half a second."""
    stored = tuple(Channel(channel, np.zeros(1000, np.int16)) for channel in channels)
    return Capture(name, "made up", 1000.0, 0.5, stored, (Segment(0, 1000, 0.5),))


def run_of(channel: str = "A", span_s: tuple[float, float] = (0.5, 1.5), index: int = 0) -> DecodeRun:
    result = Decode(DecodeSettings(), Signalling("none", 1.0), ())
    return DecodeRun(0, index, channel, span_s, "0", "", result)


@pytest.fixture
def document() -> Document:
    made = Document()
    made.run(OpenCapture(capture()))
    return made


def snapshot(data: SessionData) -> tuple[object, ...]:
    """Everything but the key counter, which never goes back."""
    return (data.captures, data.cursors, data.spans, data.flips, data.notes, data.decodes)


def test_opening_brings_two_cursors_and_shows_the_capture(document):
    assert [(c.name, c.time_s) for c in document.data.cursors] == [("A", 0.9), ("B", 1.1)]
    assert (document.capture_index, document.channel) == (0, "A")
    assert document.undo_label == "open vents"


COMMANDS = [
    OpenCapture(capture("second")),
    DescribeCapture(0, "vent opens", 50.0, 3.0),
    CloseCapture(0),
    AddCursor(0, 0.7),
    MoveCursor(1, 0.6),
    RemoveCursor(1),
    KeepSpan(0, "request", 0.6, 0.7),
    PlaceFlip(0, 0.8),
    DeleteAutoFlip(0, 0.8),
    MoveAutoFlip(0, 0.8, 0.9),
    AddNote(0, 0.8, "humidity answer"),
    AddDecode(run_of()),
]


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: type(command).__name__)
def test_every_command_can_be_undone_and_redone(document, command):
    before = snapshot(document.data)
    document.run(command)
    after = snapshot(document.data)
    assert after != before
    document.undo()
    assert snapshot(document.data) == before
    document.redo()
    assert snapshot(document.data) == after


def test_commands_on_items_made_before(document):
    document.run(PlaceFlip(0, 0.8))
    document.run(KeepSpan(0, "s", 0.6, 0.7))
    document.run(AddNote(None, None, " first "))
    flip, span, note = document.data.flips[0], document.data.spans[0], document.data.notes[0]
    assert note.text == "first"
    before = snapshot(document.data)
    steps = [
        MoveHandFlip(flip.key, 0.9),
        DeleteHandFlip(flip.key),
        RemoveSpan(span.key),
        EditNote(note.key, "second"),
        RemoveNote(note.key),
    ]
    labels = []
    for step in steps:
        document.run(step)
        labels.append(document.undo_label)
    assert labels == ["move flip", "delete flip", "remove span s", "edit note", "remove note"]
    assert (document.data.flips, document.data.spans, document.data.notes) == ((), (), ())
    for _ in steps:
        document.undo()
    assert snapshot(document.data) == before


@pytest.mark.parametrize(
    ("command", "sentence"),
    [
        (MoveCursor(99, 0.6), "This cursor no longer exists."),
        (PlaceFlip(3, 0.6), "This capture is no longer open."),
        (AddCursor(0, float("nan")), "A mark needs a time."),
        (KeepSpan(0, "s", 0.7, 0.7), "A span needs an end after its start."),
        (AddNote(0, None, "  "), "A note needs some text."),
        (ClearDecodes(0, "A"), "There is no decode of this channel to clear."),
        (DescribeCapture(0, "", -1.0), "A tolerance is a number of zero or more; leave it empty if unknown."),
        (CloseCapture(5), "This capture is no longer open."),
    ],
)
def test_a_failed_command_leaves_nothing(document, command, sentence):
    data, label = document.data, document.undo_label
    heard: list[Change] = []
    document.listen(heard.append)
    with pytest.raises(CommandError, match=sentence):
        document.run(command)
    assert document.data is data
    assert document.undo_label == label
    assert heard == []


def test_marks_are_held_within_the_capture(document):
    document.run(PlaceFlip(0, 99.0))
    document.run(PlaceFlip(0, -99.0))
    assert [flip.time_s for flip in document.data.flips] == [1.5, 0.5]


def test_one_drag_is_one_step(document):
    for time_s in (0.61, 0.62, 0.63):
        document.run(MoveCursor(1, time_s), gesture=7)
    document.run(MoveCursor(1, 0.7), gesture=8)
    document.undo()
    assert document.data.cursors[0].time_s == 0.63
    document.undo()
    assert document.data.cursors[0].time_s == 0.9


def test_dragging_an_automatic_flip_sets_one_mark_and_denies_one(document):
    for time_s in (0.81, 0.82, 0.83):
        document.run(MoveAutoFlip(0, 0.8, time_s), gesture=1)
    assert [(flip.time_s, flip.removes) for flip in document.data.flips] == [(0.8, True), (0.83, False)]
    document.undo()
    assert document.data.flips == ()


@pytest.mark.parametrize("command", [MoveCursor(1, 0.61), MoveAutoFlip(0, 0.8, 0.81)])
def test_a_drag_that_comes_back_leaves_no_step(document, command):
    before = snapshot(document.data)
    document.run(command, gesture=1)
    back = MoveCursor(1, 0.9) if isinstance(command, MoveCursor) else MoveAutoFlip(0, 0.8, 0.8)
    document.run(back, gesture=1)
    assert snapshot(document.data) == before
    assert document.undo_label == "open vents"
    assert document.redo_label is None


def test_another_item_in_the_same_gesture_is_another_step(document):
    document.run(MoveCursor(1, 0.61), gesture=7)
    document.run(MoveCursor(2, 0.62), gesture=7)
    document.undo()
    assert [c.time_s for c in document.data.cursors] == [0.61, 1.1]


def test_nothing_changed_is_no_step(document):
    document.run(MoveCursor(1, 0.9))
    document.run(ClearHandFlips(0, 0.5, 1.5))
    assert document.undo_label == "open vents"


def test_a_new_change_forgets_what_could_be_redone(document):
    document.run(PlaceFlip(0, 0.8))
    document.undo()
    assert document.redo_label == "place flip"
    document.run(PlaceFlip(0, 0.9))
    assert document.redo_label is None
    document.redo()
    assert [flip.time_s for flip in document.data.flips] == [0.9]


def test_keys_are_never_used_again(document):
    document.run(PlaceFlip(0, 0.8))
    first = document.data.flips[0].key
    document.undo()
    document.run(PlaceFlip(0, 0.8))
    assert document.data.flips[0].key > first


def test_closing_a_capture_takes_its_marks_and_renumbers_the_rest(document):
    document.run(OpenCapture(capture("second")))
    document.run(PlaceFlip(0, 0.8))
    document.run(PlaceFlip(1, 0.9))
    document.run(AddNote(1, 0.9, "here"))
    document.run(AddNote(None, None, "everywhere"))
    document.run(AddDecode(run_of(index=1)))
    document.run(CloseCapture(0))
    data = document.data
    assert [c.name for c in data.captures] == ["second"]
    assert {item.capture for item in (*data.cursors, *data.flips, *data.decodes)} == {0}
    assert [note.capture for note in data.notes] == [0, None]
    assert document.capture is not None
    assert (document.capture_index, document.capture.name) == (0, "second")
    document.undo()
    assert (document.capture_index, document.capture.name) == (1, "second")


def test_closing_the_last_capture_leaves_nothing_to_look_at(document):
    document.run(CloseCapture(0))
    assert (document.capture, document.capture_index, document.channel) == (None, None, None)
    document.undo()
    assert (document.capture_index, document.channel) == (0, "A")


def test_a_label_does_not_lose_the_place(document):
    document.look_at(0, "B")
    document.run(DescribeCapture(0, " vent 2 opens "))
    assert document.capture is not None
    assert document.capture.label == "vent 2 opens"
    assert document.channel == "B"


def test_a_newer_decode_replaces_those_it_covers(document):
    document.run(AddDecode(run_of(span_s=(0.5, 1.5))))
    document.run(AddDecode(run_of(span_s=(0.6, 0.7))))
    document.run(AddDecode(run_of(channel="B", span_s=(0.6, 0.7))))
    document.run(AddDecode(run_of(span_s=(0.55, 0.8))))
    spans = [(run.channel, run.span_s) for run in document.data.decodes]
    assert spans == [("A", (0.5, 1.5)), ("B", (0.6, 0.7)), ("A", (0.55, 0.8))]
    assert len({run.key for run in document.data.decodes}) == 3
    document.run(ClearDecodes(0, "A"))
    assert [run.channel for run in document.data.decodes] == ["B"]


def test_listeners_hear_what_changed(document):
    heard: list[Change] = []
    stop = document.listen(heard.append)
    document.run(PlaceFlip(0, 0.8))
    document.look_at(0, "B")
    document.run(OpenCapture(capture("second")))
    stop()
    document.undo()
    assert heard == [
        Change.FLIPS | Change.HISTORY,
        Change.CURRENT,
        Change.CAPTURES | Change.CURSORS | Change.HISTORY,
        Change.CURRENT,
    ]


def test_saved_point(document):
    assert document.is_saved  # a capture that was only opened can be opened again
    document.run(PlaceFlip(0, 0.8))
    assert not document.is_saved
    state = document.state
    document.run(PlaceFlip(0, 0.9))
    document.mark_saved(state, Path("greenhouse.h5"))
    assert not document.is_saved  # the second flip came while the file was being written
    document.undo()
    assert document.is_saved
    document.undo()
    assert not document.is_saved
    document.redo()
    document.run(OpenCapture(capture("second")))
    assert not document.is_saved  # now there is a file that lacks it


def test_a_drag_that_goes_on_after_saving_is_unsaved(document):
    document.run(MoveCursor(1, 0.6), gesture=1)
    document.mark_saved(document.state, Path("greenhouse.h5"))
    document.run(MoveCursor(1, 0.7), gesture=1)
    assert not document.is_saved


def test_what_is_found_out_later_is_no_step_and_outlives_undo(document):
    opened = document.capture
    document.run(DescribeCapture(0, "vent 2 answers", None, None))
    steps, state = document.undo_label, document.state
    heard = []
    document.listen(heard.append)
    notice = Notice("clipped", "A: clipped", 7, 3)
    document.amend(lambda data: warned(data, opened, (notice,)))
    assert document.capture.warnings == (notice,)
    assert Change.CAPTURES in heard[0]
    assert (document.undo_label, document.state) == (steps, state)
    document.undo()
    assert document.capture.label != "vent 2 answers"
    assert document.capture.warnings == (notice,)
    document.redo()
    assert document.capture.label == "vent 2 answers"
    assert document.capture.warnings == (notice,)


def test_replacing_the_session_forgets_the_history(document):
    document.run(PlaceFlip(0, 0.8))
    heard: list[Change] = []
    document.listen(heard.append)
    document.replace_all(document.data, Path("greenhouse.h5"))
    assert document.undo_label is None
    assert document.is_saved
    assert document.path == Path("greenhouse.h5")
    assert Change.FLIPS in heard[0]
    assert Change.PATH in heard[0]


def test_history_forgets_the_oldest_and_then_knows_no_saved_point():
    history = History(limit=3)
    states = [SessionData(next_key=k) for k in range(6)]
    for before, after in pairwise(states):
        history.push("step", before, after)
    undone = []
    while history.undo_label:
        undone.append(history.undo().next_key)
    assert undone == [4, 3, 2]
    assert not history.is_saved
    assert not history.only_openings
    with pytest.raises(IndexError, match="nothing to undo"):
        history.undo()
