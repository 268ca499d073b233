"""Hidden channels, ends of value axes and spans told by a file, as parts of a session."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from app.files.capture_options import ReadOptions
from app.files.inputs import open_input
from app.files.session import read_session, write_session
from app.model.capture import Capture, Channel, NamedSpan, Segment
from app.model.changes import Change, changes_between
from app.model.commands import CommandError
from app.model.commands_captures import CloseCapture, OpenCapture
from app.model.commands_looks import ScaleChannels, SetLevel, ShowChannel, looks_of
from app.model.document import Document
from app.model.items import SessionData
from app.model.sharing import Kept, shared


def capture(*spans: NamedSpan) -> Capture:
    channels = tuple(Channel(name, np.arange(100, dtype="<i2")) for name in ("line", "supply"))
    return Capture("vents", "test", 1e6, 0.0, channels, (Segment(0, 100, 0.0),), spans=spans)


@pytest.fixture
def document() -> Document:
    opened = Document()
    opened.run(OpenCapture(capture()))
    return opened


def test_a_hidden_channel_is_a_step_that_can_be_undone(document: Document) -> None:
    document.run(ShowChannel(0, "supply", shown=False))
    assert looks_of(document.data, 0)["supply"].hidden
    document.run(ShowChannel(0, "supply", shown=False))
    assert document.undo_label == "hide supply"
    document.undo()
    assert document.data.looks == ()
    document.redo()
    document.run(ShowChannel(0, "supply", shown=True))
    assert document.data.looks == ()


def test_one_gesture_on_an_axis_is_one_step(document: Document) -> None:
    before = document.data
    for high in (1.0, 2.0, 3.0):
        document.run(ScaleChannels(0, (("line", (-1.0, high)), ("supply", (0.0, high)))), gesture="wheel")
    assert looks_of(document.data, 0)["line"].values == (-1.0, 3.0)
    document.undo()
    assert document.data.looks == before.looks
    document.redo()
    document.run(ScaleChannels(0, (("line", None),)))
    assert list(looks_of(document.data, 0)) == ["supply"]


def test_what_hides_and_scales_leaves_each_other_alone(document: Document) -> None:
    document.run(ScaleChannels(0, (("supply", (0.0, 5.0)),)))
    document.run(ShowChannel(0, "supply", shown=False))
    document.run(ShowChannel(0, "supply", shown=True))
    assert looks_of(document.data, 0)["supply"].values == (0.0, 5.0)


@pytest.mark.parametrize("ends", [(1.0, 1.0), (2.0, 1.0), (0.0, float("nan")), (float("-inf"), 0.0)])
def test_an_axis_without_extent_is_refused(document: Document, ends: tuple[float, float]) -> None:
    with pytest.raises(CommandError):
        document.run(ScaleChannels(0, (("line", ends),)))


def test_a_level_line_is_one_step_a_gesture_and_goes_without_a_trace(document: Document) -> None:
    before = document.data
    for level in (1.0, 2.0, 2.5):
        document.run(SetLevel(0, "line", level), gesture="drag")
    assert looks_of(document.data, 0)["line"].level == 2.5
    assert document.undo_label == "place level line"
    document.run(SetLevel(0, "line", 3.0))
    assert document.undo_label == "move level line"
    document.run(SetLevel(0, "line", None))
    assert document.undo_label == "remove level line"
    assert document.data.looks == ()
    for _ in range(3):
        document.undo()
    assert document.data.looks == before.looks
    assert document.undo_label != "place level line"
    with pytest.raises(CommandError):
        document.run(SetLevel(0, "line", float("nan")))


def test_a_drag_that_ends_where_it_began_is_no_step(document: Document) -> None:
    document.run(SetLevel(0, "line", 1.0))
    for level in (2.0, 1.0):
        document.run(SetLevel(0, "line", level), gesture="drag")
    assert document.undo_label == "place level line"


def test_looking_about_asks_nobody_to_save(document: Document) -> None:
    document.run(ShowChannel(0, "supply", shown=False))
    document.run(ScaleChannels(0, (("line", (0.0, 1.0)),)))
    assert document.is_saved


def test_looks_are_told_as_such_and_go_with_their_capture(document: Document) -> None:
    before = document.data
    document.run(OpenCapture(capture()))
    document.run(ShowChannel(1, "line", shown=False))
    assert Change.LOOKS in changes_between(before, document.data)
    document.run(CloseCapture(0))
    assert [look.capture for look in document.data.looks] == [0]
    document.run(CloseCapture(0))
    assert document.data.looks == ()


def test_looks_are_kept_in_the_session_and_in_what_is_shared(document: Document, tmp_path: Path) -> None:
    document.run(ShowChannel(0, "supply", shown=False))
    document.run(ScaleChannels(0, (("line", (-0.5, 0.5)), ("line - supply", (1.0, 2.0)))))
    document.run(SetLevel(0, "line - supply", 1.25))
    write_session(tmp_path / "s.h5", document.data)
    assert read_session(tmp_path / "s.h5").looks == document.data.looks
    part = shared(document.data, (Kept(0, channels=("line",)),))
    assert [look.channel for look in part.looks] == ["line"]


def test_spans_of_a_file_become_spans_of_the_session(tmp_path: Path) -> None:
    document = Document()
    document.run(OpenCapture(capture(NamedSpan("request", 1e-6, 5e-6), NamedSpan("answer", 2e-5, 3e-5))))
    assert [(span.name, span.capture) for span in document.data.spans] == [("request", 0), ("answer", 0)]
    assert document.data.captures[0].spans == ()
    document.undo()
    assert document.data.spans == ()


def test_spans_of_a_session_made_without_a_window_are_taken_when_one_opens_it(tmp_path: Path) -> None:
    write_session(tmp_path / "s.h5", SessionData(captures=(capture(NamedSpan("request", 1e-6, 5e-6)),)))
    assert open_input(tmp_path / "s.h5", ReadOptions()).spans == (NamedSpan("request", 1e-6, 5e-6),)
    document = Document()
    document.replace_all(read_session(tmp_path / "s.h5"), tmp_path / "s.h5")
    assert [span.name for span in document.data.spans] == ["request"]
    write_session(tmp_path / "s.h5", document.data)
    # not twice when it is saved by the window and looked at again
    assert open_input(tmp_path / "s.h5", ReadOptions()).spans == (NamedSpan("request", 1e-6, 5e-6),)


def test_a_span_that_ends_before_it_starts_is_refused(tmp_path: Path) -> None:
    bad = replace(capture(), spans=(NamedSpan("request", 5e-6, 1e-6),))
    with pytest.raises(Exception, match="ends before it starts"):
        write_session(tmp_path / "s.h5", SessionData(captures=(bad,)))
