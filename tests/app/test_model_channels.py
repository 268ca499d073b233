"""Commands on channels, and a pair matched through them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from app.errors import UsageError
from app.files.session import read_session, write_session
from app.jobs.pairing import fit_channels
from app.model.capture import Capture, Channel, Segment
from app.model.commands import CommandError
from app.model.commands_captures import OpenCapture
from app.model.commands_channels import MOST_DERIVED, AddDerived, DescribeChannel, RemoveDerived
from app.model.document import Document
from app.model.expressions import channel_source

COUNT = 60_000


def wires(gain: float = 1.1) -> Capture:
    """Two wires that carry ten times as much in common as against one another."""
    rng = np.random.default_rng(5)
    common = 10.0 * np.convolve(rng.standard_normal(COUNT), np.ones(20) / 20, "same")
    signal = 0.3 * np.sin(0.31 * np.arange(COUNT))
    channels = (Channel("wire A", 24.0 + common + signal), Channel("B", 12.0 + (common - signal) / gain))
    return Capture("two wires", "test", 1e6, 0.0, channels, (Segment(0, COUNT, 0.0),))


@pytest.fixture
def document() -> Document:
    opened = Document()
    opened.run(OpenCapture(wires()))
    return opened


def derived(document: Document) -> tuple[str, ...]:
    return document.data.captures[0].derived


def test_derived_channels_come_and_go_and_come_back(document):
    document.run(AddDerived(0, ("`wire A` - B", "lowpass(B, 20k)", "B")))
    # one that is a channel of the capture is shown anyway
    assert derived(document) == ("`wire A` - B", "lowpass(B, 20k)")
    document.run(RemoveDerived(0, "`wire A` - B"))
    assert derived(document) == ("lowpass(B, 20k)",)
    document.undo()
    document.undo()
    assert derived(document) == ()
    document.redo()
    assert len(derived(document)) == 2


@pytest.mark.parametrize(
    "command",
    [
        AddDerived(0, ("B - C",)),
        AddDerived(0, tuple(f"B + {n}" for n in range(MOST_DERIVED + 1))),
        RemoveDerived(0, "B"),
        DescribeChannel(0, "C", 1.0, 0.0, "V"),
        DescribeChannel(0, "B", 0.0, 0.0, "V"),
        DescribeChannel(0, "B", float("inf"), 0.0, "V"),
        DescribeChannel(0, "B", 1.0, 0.0, "volts or something else"),
    ],
)
def test_what_makes_no_sense_changes_nothing(document, command):
    before = document.data
    with pytest.raises(CommandError):
        document.run(command)
    assert document.data is before


def test_a_probe_factor_a_shift_and_a_unit(document):
    before = document.data.captures[0].channels[1]
    document.run(DescribeChannel(0, "B", -10.0, 2.0, " A "))
    after = document.data.captures[0].channels[1]
    assert after.unit == "A"
    assert after.stored is before.stored
    np.testing.assert_allclose(after.values(0, 50), -10.0 * before.values(0, 50) + 2.0)
    document.undo()
    assert document.data.captures[0].channels[1] is before


def test_a_session_keeps_them(document, tmp_path: Path):
    document.run(AddDerived(0, ("`wire A` - B", "lowpass(B, 20k)")))
    write_session(tmp_path / "s.h5", document.data)
    assert read_session(tmp_path / "s.h5").captures[0].derived == derived(document)


def test_a_pair_is_matched_and_what_it_shares_cancels():
    capture = wires()
    found = fit_channels(capture, "wire A", "B")
    assert found.fit.gain == pytest.approx(1.1, rel=0.01)
    difference = channel_source(capture, found.difference)[0:COUNT]
    plain = channel_source(capture, "`wire A` - B")[0:COUNT]
    signal = 2 * 0.3 * np.sin(0.31 * np.arange(COUNT))
    assert (difference - signal).std() < 0.1 * (plain - signal).std()
    common = channel_source(capture, found.common)[0:COUNT]
    assert abs(np.corrcoef(common, signal)[0, 1]) < 0.02
    assert "wire A is 1.1" in found.sentence


def test_a_pair_of_which_nothing_can_be_told():
    with pytest.raises(UsageError):
        fit_channels(wires(), "B", "B")
    with pytest.raises(UsageError):
        fit_channels(wires(), "B", "C")
    with pytest.raises(UsageError):
        fit_channels(wires(), "wire A", "B", (0.0, 10e-6))
