"""What is written comes back: values, types, samples, and only that."""

import dataclasses
import os
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from generators.sessions import assert_same, version_1, with_samples
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import CancelledError, SessionError
from app.files.session import read_session, write_session
from app.files.session_store import CHUNK_ROWS
from app.model.capture import Capture, Channel, Segment
from app.model.items import DecodeRun, Note, SessionData
from dsp import results

TEXT = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=40)
TIME = st.floats(-1e6, 1e6)
MEASURE = st.floats(-1e12, 1e12)
NONE_OR_MEASURE = st.none() | MEASURE
NONE_OR_POSITIVE = st.none() | st.floats(1e-6, 1e12)
PROBABILITY = st.floats(0, 1)
COUNT = st.integers(0, 2**62)
ASCII = st.text("01234567abcdef?", max_size=30)
NOTICE = st.builds(results.Notice, TEXT, TEXT, COUNT, st.none() | COUNT)
CHARACTER = st.builds(results.Character, TIME, COUNT, st.none() | st.booleans(), st.booleans())


def several(items: st.SearchStrategy[Any], most: int = 4) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.lists(items, max_size=most).map(tuple)


@st.composite
def bursts(draw: st.DrawFn) -> results.Burst:
    symbols = draw(ASCII)
    flips = draw(several(TIME))
    return results.Burst(
        *sorted(draw(TIME) for _ in range(2)),
        *(draw(PROBABILITY) for _ in range(2)),
        *(draw(st.booleans()) for _ in range(2)),
        draw(st.none() | COUNT),
        draw(MEASURE),
        *(draw(NONE_OR_POSITIVE) for _ in range(5)),
        draw(several(st.floats(0, 1e12))),
        draw(NONE_OR_POSITIVE),
        draw(NONE_OR_MEASURE),
        draw(NONE_OR_POSITIVE),
        draw(TIME),
        flips,
        tuple((t - 1.0, t + 1.0) for t in flips),
        draw(st.integers(0, 8)),
        symbols,
        draw(st.sampled_from([(), tuple(0.5 + 0.01 * n for n in range(len(symbols)))])),
        draw(st.sampled_from(results.LINE_CODES)),
        draw(ASCII),
        draw(st.none() | several(CHARACTER)),
        draw(several(TEXT)),
    )


KIND = st.sampled_from(results.KINDS)
DECODE = st.builds(
    results.Decode,
    st.builds(
        results.DecodeSettings,
        NONE_OR_POSITIVE,
        NONE_OR_POSITIVE,
        st.none() | KIND,
        st.none() | st.sampled_from(results.LINE_CODES),
        st.sampled_from(results.POLARITIES),
    ),
    st.builds(
        results.Signalling,
        KIND,
        PROBABILITY,
        several(st.builds(results.Alternative, KIND, PROBABILITY)),
        several(TEXT),
    ),
    several(bursts(), 3),
    st.none() | st.builds(results.Refusal, TEXT, TEXT),
    several(NOTICE),
)


@settings(max_examples=60)
@given(st.lists(DECODE, min_size=1, max_size=2), TEXT)
def test_the_very_same_decode_comes_back(decodes: list[results.Decode], name: str) -> None:
    base = with_samples(np.arange(5, dtype="i2"))
    runs = tuple(DecodeRun(n, 0, name, (0.0, 1.0), "1", "", d) for n, d in enumerate(decodes))
    data = dataclasses.replace(base, decodes=runs, created="now", next_key=len(runs))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "session.h5")
        write_session(path, data)
        assert_same(read_session(path), data)


def test_everything_a_session_holds_comes_back(tmp_path: Path) -> None:
    write_session(tmp_path / "s.h5", version_1())
    assert_same(read_session(tmp_path / "s.h5"), version_1())


def test_an_empty_session_comes_back(tmp_path: Path) -> None:
    write_session(tmp_path / "s.h5", SessionData(created="then"))
    assert_same(read_session(tmp_path / "s.h5"), SessionData(created="then"))


@pytest.mark.parametrize("dtype", ["i1", "u1", "<i2", ">i2", "<u2", "<i4", ">u4", "<i8", "<f4", ">f4", "<f8"])
@pytest.mark.parametrize("count", [1, 50_001])
def test_samples_keep_their_stored_type(tmp_path: Path, dtype: str, count: int) -> None:
    stored = (np.arange(count) * 7919 % 251 - (0 if "u" in dtype else 100)).astype(dtype)
    write_session(tmp_path / "s.h5", with_samples(stored))
    (channel,) = read_session(tmp_path / "s.h5").captures[0].channels
    assert channel.stored.dtype == np.dtype(dtype)
    np.testing.assert_array_equal(channel.stored, stored)
    np.testing.assert_array_equal(channel.values(0, 1), [stored[0] * 0.5 + 1.0])


def test_values_that_are_no_numbers_are_kept_as_they_are(tmp_path: Path) -> None:
    stored = np.array([np.nan, np.inf, -np.inf, -0.0], "<f4")
    write_session(tmp_path / "s.h5", with_samples(stored))
    again = read_session(tmp_path / "s.h5").captures[0].channels[0].stored
    assert again.tobytes() == stored.tobytes()


def test_interleaved_mapped_channels_are_embedded_without_their_neighbours(tmp_path: Path) -> None:
    frames = np.arange(60_000, dtype="<i2").reshape(-1, 2)
    frames.tofile(tmp_path / "two.bin")
    mapped = np.memmap(tmp_path / "two.bin", "<i2", "r", shape=frames.shape)
    data = with_samples(np.asarray(mapped[:, 1]))
    write_session(tmp_path / "s.h5", data)
    np.testing.assert_array_equal(
        read_session(tmp_path / "s.h5").captures[0].channels[0].stored, frames[:, 1]
    )


def test_incompressible_samples_come_back(tmp_path: Path) -> None:
    stored = np.random.default_rng(3).integers(0, 256, 300_000, dtype="u1")
    write_session(tmp_path / "s.h5", with_samples(stored))
    np.testing.assert_array_equal(read_session(tmp_path / "s.h5").captures[0].channels[0].stored, stored)


def test_large_samples_are_chunked_compressed_and_checksummed(tmp_path: Path) -> None:
    write_session(tmp_path / "s.h5", with_samples(np.zeros(CHUNK_ROWS + 5, "i2")))
    with h5py.File(tmp_path / "s.h5") as file:
        samples = file["captures/0/channels/0/samples"]
        assert (samples.chunks, samples.compression, samples.compression_opts) == ((CHUNK_ROWS,), "gzip", 1)
        assert samples.shuffle
        assert samples.fletcher32


def test_text_that_no_file_can_hold_is_written_as_near_as_possible(tmp_path: Path) -> None:
    notes = (Note(1, None, None, "a\0b"), Note(2, None, None, "caf\udce9"), Note(3, None, None, ""))
    write_session(tmp_path / "s.h5", SessionData(notes=notes, next_key=4))
    texts = [note.text for note in read_session(tmp_path / "s.h5").notes]
    assert texts == ["a\N{REPLACEMENT CHARACTER}b", "caf\\udce9", ""]


def test_a_text_beyond_the_limit_is_refused_and_the_old_session_stays(tmp_path: Path) -> None:
    write_session(tmp_path / "s.h5", version_1())
    long = SessionData(notes=(Note(1, None, None, "vent " * 20_000),), next_key=2)
    with pytest.raises(SessionError, match=r"s\.h5.*begins “vent vent .*shorten it"):
        write_session(tmp_path / "s.h5", long)
    assert_same(read_session(tmp_path / "s.h5"), version_1())


def test_what_a_decoder_could_not_measure_is_kept(tmp_path: Path) -> None:
    data = version_1()
    run = data.decodes[0]
    burst = dataclasses.replace(run.result.bursts[0], esn0_db=float("inf"), carrier_std_hz=float("nan"))
    changed = dataclasses.replace(run, result=dataclasses.replace(run.result, bursts=(burst,)))
    write_session(tmp_path / "s.h5", dataclasses.replace(data, decodes=(changed,)))
    again = read_session(tmp_path / "s.h5").decodes[0].result.bursts[0]
    assert again.esn0_db == float("inf")
    assert again.carrier_std_hz is None


def test_the_digest_of_a_capture_file_is_kept(tmp_path: Path) -> None:
    # SHA-256 of "abc": FIPS 180-4, worked example
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    (tmp_path / "abc").write_bytes(b"abc")
    data = with_samples(np.arange(3, dtype="i1"), path=tmp_path / "abc")
    write_session(tmp_path / "s.h5", data)
    again = read_session(tmp_path / "s.h5").captures[0]
    assert (again.sha256, again.path) == (known, None)


def test_saving_tells_how_far_it_is(tmp_path: Path) -> None:
    told: list[float] = []
    write_session(tmp_path / "s.h5", with_samples(np.zeros(3 * CHUNK_ROWS, "i2")), progress=told.append)
    assert told == sorted(told)
    assert len(told) >= 3
    assert told[-1] == 1.0


def test_a_cancelled_save_leaves_the_old_session(tmp_path: Path) -> None:
    write_session(tmp_path / "s.h5", version_1())
    asked = iter([False, False, True])
    with pytest.raises(CancelledError):
        write_session(
            tmp_path / "s.h5",
            with_samples(np.zeros(5 * CHUNK_ROWS, "i2")),
            cancelled=lambda: next(asked, True),
        )
    assert_same(read_session(tmp_path / "s.h5"), version_1())
    assert os.listdir(tmp_path) == ["s.h5"]


def test_reading_leaves_no_file_open(tmp_path: Path) -> None:
    path = tmp_path / "s.h5"
    write_session(path, with_samples(np.zeros(CHUNK_ROWS, "i2")))
    held = read_session(path)
    with h5py.File(path, "r+") as file:  # the library refuses this while another handle is open
        file.attrs["next_key"] = 5
    assert held.next_key == 1


def test_hundreds_of_captures_fit_in_one_session(tmp_path: Path) -> None:
    channel = Channel("A", np.arange(100, dtype="i2"))
    captures = tuple(
        Capture(f"c{n}", "npy", 1e6, 0.0, (channel,), (Segment(0, 100, 0.0),), label=f"try {n}")
        for n in range(300)
    )
    write_session(tmp_path / "s.h5", SessionData(captures=captures))
    again = read_session(tmp_path / "s.h5").captures
    assert [c.label for c in again] == [f"try {n}" for n in range(300)]


def test_a_probability_that_rounding_took_beyond_one_is_saved(tmp_path: Path) -> None:
    """Found among 2,000 decoded captures: four had an end probability of 1.0000000000000002."""
    data = version_1()
    run = data.decodes[0]
    above = 1.0000000000000002
    burst = replace(run.result.bursts[0], end_probability=above, confidence=(above, 1.0, 1.0, 1.0))
    signalling = replace(run.result.signalling, probability=above)
    result = replace(run.result, bursts=(burst,), signalling=signalling)
    write_session(tmp_path / "s.h5", replace(data, decodes=(replace(run, result=result),)))
    found = read_session(tmp_path / "s.h5").decodes[0].result
    assert (
        found.bursts[0].end_probability
        == found.signalling.probability
        == found.bursts[0].confidence[0]
        == 1.0
    )
    wrong = replace(run, result=replace(result, bursts=(replace(burst, end_probability=1.1),)))
    with pytest.raises(SessionError, match="out of its range"):
        write_session(tmp_path / "s.h5", replace(data, decodes=(wrong,)))
