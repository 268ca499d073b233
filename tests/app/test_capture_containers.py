"""Containers of several arrays and instrument blocks, written by numpy, scipy, h5py and by hand."""

from __future__ import annotations

import json
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from scipy.io import savemat
from sigmf import SigMFFile

from app.errors import CaptureError
from app.files import capture_named
from app.files.captures import ReadOptions, open_capture
from app.model.capture import Capture

COUNT = 400
TIME = -2e-4 + np.arange(COUNT) * 5e-7
LINE = np.round(2000 * np.sin(np.arange(COUNT) * 0.2)).astype(np.int16)
SUPPLY = (24 + 0.1 * np.cos(np.arange(COUNT) * 0.01)).astype(np.float32)
RATE = ReadOptions(rate_hz=2e6)


def check_line_and_supply(capture: Capture) -> None:
    channels = {channel.name: channel.stored for channel in capture.channels}
    assert sorted(channels) == ["line", "supply"]
    assert channels["line"].dtype == np.int16
    np.testing.assert_array_equal(channels["line"], LINE)
    np.testing.assert_array_equal(channels["supply"], SUPPLY)
    assert capture.rate_hz == pytest.approx(2e6, rel=1e-6)
    assert capture.start_s == pytest.approx(-2e-4)


VARIABLES: dict[str, dict[str, Any]] = {
    "time column": {"time": TIME, "line": LINE, "supply": SUPPLY},
    "interval and start": {"dt": 5e-7, "t0": -2e-4, "line": LINE, "supply": SUPPLY},
    "rate and start": {"sample_rate": 2_000_000, "start": -2e-4, "line": LINE, "supply": SUPPLY},
}


@pytest.mark.parametrize("variables", VARIABLES.values(), ids=VARIABLES)
@pytest.mark.parametrize("kind", ["npz", "npz compressed", "mat", "mat compressed", "h5", "h5 compressed"])
def test_variables_are_found_by_name_and_shape(tmp_path: Path, kind: str, variables: dict[str, Any]) -> None:
    path = tmp_path / "capture.bin"
    compressed = kind.endswith("compressed")
    with path.open("wb") as file:
        if kind.startswith("npz"):
            (np.savez_compressed if compressed else np.savez)(file, **variables)
        elif kind.startswith("mat"):
            savemat(file, variables, do_compression=compressed)
    if kind.startswith("h5"):
        with h5py.File(path, "w") as target:
            for name, value in variables.items():
                filters = (
                    {"compression": "gzip", "shuffle": True} if compressed and np.size(value) > 1 else {}
                )
                target.create_dataset(f"bench/{name}", data=value, **filters)
    capture = open_capture(path)
    check_line_and_supply(capture)
    mapped = all(isinstance(channel.stored, np.memmap) for channel in capture.channels)
    assert mapped == (not compressed)


@pytest.mark.parametrize("front_bytes", [0, 512, 1024, 2048])
def test_hdf5_behind_a_block_of_the_users_own(tmp_path: Path, front_bytes: int) -> None:
    with h5py.File(tmp_path / "a.h5", "w", userblock_size=front_bytes) as file:
        file["line"] = LINE
    capture = open_capture(tmp_path / "a.h5", ReadOptions(rate_hz=1e6))
    np.testing.assert_array_equal(capture.channels[0].stored, LINE)


def test_numbers_in_the_attributes_of_hdf5(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset("line", data=LINE)
        file.create_dataset("supply", data=SUPPLY)
        file.attrs["Sample Rate"] = 2e6
        file["line"].attrs["start_time"] = -2e-4
    check_line_and_supply(open_capture(tmp_path / "a.h5"))


def test_matlab_of_version_73_is_hdf5_behind_a_text(tmp_path: Path) -> None:
    """The layout as MATLAB documents it: 512 octets in front, arrays turned, references in ``#refs#``."""
    path = tmp_path / "a.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        file.create_dataset("line", data=LINE[np.newaxis])
        file.create_dataset("supply", data=SUPPLY[:, np.newaxis])
        file.create_dataset("Fs", data=[[2e6]])
        file.create_dataset("t0", data=[[-2e-4]])
        file.create_dataset("#refs#/a", data=np.arange(5000))
    with path.open("r+b") as file:
        file.write(b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(124) + b"\0\2IM")
    check_line_and_supply(open_capture(path))


def test_arrays_of_another_length_are_left_out_and_said(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", line=LINE, settings=np.arange(7))
    capture = open_capture(tmp_path / "a.npz", RATE)
    assert [channel.name for channel in capture.channels] == ["line"]
    assert [notice.code for notice in capture.warnings] == ["left-out"]
    assert "settings" in capture.warnings[0].text


def test_columns_of_a_named_matrix_are_numbered(tmp_path: Path) -> None:
    savemat(tmp_path / "a.mat", {"lines": np.column_stack([LINE, LINE[::-1]])})
    capture = open_capture(tmp_path / "a.mat", RATE)
    assert [channel.name for channel in capture.channels] == ["lines 1", "lines 2"]


# -- hostile and damaged -------------------------------------------------------------------------------


def refused(path: Path, says: str) -> None:
    tracemalloc.start()
    try:
        with pytest.raises(CaptureError, match=says) as error:
            open_capture(path, RATE)
        assert tracemalloc.get_traced_memory()[1] < 30e6
    finally:
        tracemalloc.stop()
    assert "\n" not in str(error.value)


def test_archive_without_arrays(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.npz", "w") as archive:
        archive.writestr("notes.txt", "the vent opens")
    refused(tmp_path / "a.npz", "no arrays of numbers")


def test_objects_in_an_archive_are_not_unpickled(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", trap=np.array([{"a": 1}], dtype=object))
    refused(tmp_path / "a.npz", "no arrays of numbers")


def test_archive_member_that_claims_more_than_there_is(tmp_path: Path) -> None:
    header = b"{'descr': '<i2', 'fortran_order': False, 'shape': (1000000000000000,)}".ljust(118) + b"\n"
    with zipfile.ZipFile(tmp_path / "a.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "line.npy", b"\x93NUMPY\x01\x00" + len(header).to_bytes(2, "little") + header + bytes(99)
        )
    refused(tmp_path / "a.npz", "damaged")


@pytest.mark.parametrize("keep", [0.3, 0.9])
@pytest.mark.parametrize("kind", ["npz", "mat", "h5"])
def test_files_cut_short(tmp_path: Path, kind: str, keep: float) -> None:
    path = tmp_path / f"a.{kind}"
    if kind == "npz":
        np.savez_compressed(path, line=LINE)
    elif kind == "mat":
        savemat(path, {"line": LINE}, do_compression=True)
    else:
        with h5py.File(path, "w") as file:
            file.create_dataset("line", data=np.random.default_rng(1).normal(size=5000), compression="gzip")
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * keep)])
    refused(path, "damaged")


def test_hdf5_that_claims_samples_it_never_wrote(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset("line", shape=(1 << 29,), dtype="i2", chunks=(1 << 16,))
    refused(tmp_path / "a.h5", "claims far more")
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset("line", shape=(1 << 50,), dtype="i2", chunks=(1 << 16,))
    refused(tmp_path / "a.h5", "cannot be mapped")


def test_hdf5_links_to_other_files_are_not_followed(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file.create_dataset("line", data=LINE)
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["line"] = h5py.ExternalLink("other.h5", "/line")
    refused(tmp_path / "a.h5", "no arrays of numbers")
    (tmp_path / "samples").write_bytes(LINE.tobytes())
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset("line", (COUNT,), "<i2", external=[(str(tmp_path / "samples"), 0, LINE.nbytes)])
    refused(tmp_path / "a.h5", "in another file")


def test_more_than_memory_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture_named, "MOST_BYTES", 500)
    savemat(tmp_path / "a.mat", {"line": LINE}, do_compression=True)
    refused(tmp_path / "a.mat", "cannot be mapped")


# -- instrument blocks ---------------------------------------------------------------------------------


def test_definite_length_block(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"#3800" + LINE.astype(">i2").tobytes() + b"\n")
    capture = open_capture(tmp_path / "a.bin", ReadOptions(rate_hz=2e6, dtype="int16be", scale=0.5))
    assert (capture.format, capture.warnings) == ("IEEE 488.2 block", ())
    assert isinstance(capture.channels[0].stored, np.memmap)
    np.testing.assert_array_equal(capture.channels[0].values(0, COUNT), LINE * 0.5)


def test_indefinite_length_block_ends_with_its_line_feed(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"#0" + LINE.astype("<i2").tobytes() + b"\n")
    capture = open_capture(tmp_path / "a.bin", ReadOptions(rate_hz=2e6, dtype="int16"))
    assert capture.warnings == ()
    np.testing.assert_array_equal(capture.channels[0].stored, LINE)


def test_block_cut_short(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"#6100000" + LINE.astype("<i2").tobytes())
    capture = open_capture(tmp_path / "a.bin", ReadOptions(rate_hz=2e6, dtype="int16"))
    assert (capture.samples, [notice.code for notice in capture.warnings]) == (COUNT, ["truncated"])


def test_block_needs_its_type(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"#3800" + LINE.tobytes())
    refused(tmp_path / "a.bin", "a data block says nothing of its number type; give --dtype and --rate")


@pytest.mark.parametrize("comment", ["#1 second try", "#2024-01-05", "#10 samples", "#0 is the first", "#12"])
def test_a_comment_that_begins_like_a_block_is_text(tmp_path: Path, comment: str) -> None:
    (tmp_path / "a.csv").write_text(f"{comment}\nTime (s),CH1 (V)\n0,1\n1e-6,2\n2e-6,3\n")
    assert open_capture(tmp_path / "a.csv").format == "delimited text"


# -- SigMF -----------------------------------------------------------------------------------------------


def pair(folder: Path, about: dict[str, Any], data: bytes, **more: Any) -> Path:
    meta = {"global": {"core:version": "1.0.0", **about}, "captures": [{"core:sample_start": 0}], **more}
    (folder / "a.sigmf-meta").write_text(json.dumps(meta))
    (folder / "a.sigmf-data").write_bytes(data)
    return folder / "a.sigmf-meta"


@pytest.mark.parametrize("order", ["<", ">"])
def test_the_oldest_mat_files_are_mapped(tmp_path: Path, order: str) -> None:
    path = tmp_path / "old.mat"
    variables = {"t": TIME, "line": LINE, "supply": SUPPLY.astype(np.float64), "note": "vent 2"}
    savemat(path, variables, format="4")
    if order == ">":
        path.write_bytes(swapped(path.read_bytes()))
    capture = open_capture(path)
    assert (capture.format, capture.samples) == ("mat", COUNT)
    assert {channel.name: channel.unit for channel in capture.channels} == {"line": "", "supply": ""}
    assert capture.rate_hz == pytest.approx(2e6)
    line = next(channel for channel in capture.channels if channel.name == "line")
    np.testing.assert_array_equal(line.values(0, COUNT), LINE)


def swapped(little: bytes) -> bytes:
    """A MATLAB 4 file of the other byte order, by hand."""
    out, at = b"", 0
    while at < len(little):
        code, rows, columns, imaginary, length = np.frombuffer(little, "<i4", 5, at).tolist()
        out += np.array([code + 1000, rows, columns, imaginary, length], ">i4").tobytes()
        out += little[at + 20 : at + 20 + length]
        kind = ["f8", "f4", "i4", "i2", "u2", "u1"][code // 10 % 10]
        count = rows * columns * (1 + imaginary)
        values = np.frombuffer(little, f"<{kind}", count, at + 20 + length)
        out += values.astype(f">{kind}").tobytes()
        at += 20 + length + values.nbytes
    return out


def test_an_old_mat_file_cut_off_is_refused_in_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "old.mat"
    savemat(path, {"t": TIME, "line": LINE}, format="4")
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(CaptureError, match=r"damaged or cut off at byte .*save it again"):
        open_capture(path)


def tree(path: Path) -> h5py.File:
    return h5py.File(path, "w")


def test_attributes_of_datasets_say_what_the_numbers_mean(tmp_path: Path) -> None:
    path = tmp_path / "line.h5"
    with tree(path) as file:
        line = file.create_dataset("bench/line", data=LINE)
        line.attrs.update(scale_factor=0.5, add_offset=3.0, units="mV", long_name="near end")
        supply = file.create_dataset("bench/supply", data=SUPPLY)
        supply.attrs.update(unit=np.bytes_("Volt"))
        file.attrs.update(sample_rate="2 MS/s", start=-2e-4)
    capture = open_capture(path)
    named = {channel.name: channel for channel in capture.channels}
    assert (capture.rate_hz, capture.start_s) == (2e6, -2e-4)
    assert {name: channel.unit for name, channel in named.items()} == {"near end": "V", "supply": "V"}
    np.testing.assert_allclose(named["near end"].values(0, COUNT), (LINE * 0.5 + 3) * 1e-3, rtol=1e-5)
    told = open_capture(path, ReadOptions(scale=2.0, unit="A"))
    near = next(channel for channel in told.channels if channel.name == "near end")
    assert (near.scale, near.offset, near.unit) == (2.0, 0.0, "A")


def test_a_group_for_each_channel_with_its_attributes(tmp_path: Path) -> None:
    path = tmp_path / "line.h5"
    with tree(path) as file:
        for name, step in (("CH1", 0.25), ("CH2", 0.5)):
            group = file.create_group(name)
            group.attrs.update(volts_per_count=step, offset=-1.0, dt=5e-7)
            group.create_dataset("data", data=LINE)
    capture = open_capture(path)
    assert capture.rate_hz == pytest.approx(2e6)
    assert [(c.name, c.scale, c.offset) for c in capture.channels] == [
        ("CH1", 0.25, -1.0),
        ("CH2", 0.5, -1.0),
    ]


def test_attributes_of_one_value_a_column(tmp_path: Path) -> None:
    path = tmp_path / "line.h5"
    with tree(path) as file:
        both = file.create_dataset("both", data=np.column_stack([LINE, LINE]))
        both.attrs.update(gain=[0.25, 0.5], units=np.array([b"V", b"mA"]), fs=2e6)
    capture = open_capture(path)
    assert [(c.name, c.unit) for c in capture.channels] == [("both 1", "V"), ("both 2", "A")]
    assert [c.scale for c in capture.channels] == pytest.approx([0.25, 0.5e-3])


def test_times_are_in_the_unit_that_their_name_or_attribute_says(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", time_us=TIME * 1e6, line=LINE)
    with tree(tmp_path / "a.h5") as file:
        file.create_dataset("time", data=TIME * 1e3).attrs["units"] = "ms"
        file["line"] = LINE
    for name in ("a.npz", "a.h5"):
        capture = open_capture(tmp_path / name)
        assert [channel.name for channel in capture.channels] == ["line"]
        assert capture.rate_hz == pytest.approx(2e6, rel=1e-6)
        assert capture.start_s == pytest.approx(-2e-4)


@pytest.mark.parametrize("opened", [".sigmf-meta", ".sigmf-data"])
def test_pair_is_opened_by_either_file(tmp_path: Path, opened: str) -> None:
    about = {"core:datatype": "ri16_be", "core:sample_rate": 2e6, "core:num_channels": 2}
    path = pair(tmp_path, about, np.column_stack([LINE, -LINE]).astype(">i2").tobytes())
    capture = open_capture(path.with_suffix(opened))
    assert (capture.format, capture.rate_hz, capture.samples, capture.warnings) == ("SigMF", 2e6, COUNT, ())
    assert isinstance(capture.channels[1].stored, np.memmap)
    np.testing.assert_array_equal(capture.channels[1].stored, -LINE)


def test_complex_samples_and_captures_far_apart(tmp_path: Path) -> None:
    captures = [
        {"core:sample_start": 0, "core:global_index": 1000},
        {"core:sample_start": 300, "core:global_index": 9000},
    ]
    samples = (LINE + 1j * SUPPLY).astype(np.complex64)
    about = {"core:datatype": "cf32_le", "core:sample_rate": 1e6}
    notes = [
        {"core:sample_start": 5, "core:label": "vent"},
        {"core:sample_start": 290, "core:sample_count": 20, "core:comment": "across\nthe gap"},
        {"core:sample_start": 390, "core:sample_count": 1000},
        *({"core:sample_start": 400}, {"core:label": "nowhere"}, "vent"),
    ]
    capture = open_capture(pair(tmp_path, about, samples.tobytes(), captures=captures, annotations=notes))
    assert [channel.name for channel in capture.channels] == ["I", "Q"]
    np.testing.assert_array_equal(capture.channels[1].stored, SUPPLY)
    assert [(s.first, s.last, s.start_s) for s in capture.segments] == [(0, 300, 0.0), (300, 400, 8e-3)]
    assert [(notice.code, notice.count) for notice in capture.warnings] == [("annotations", 3)]
    names = ["vent", "across the gap", "annotation 3"]
    assert [span.name for span in capture.spans] == names
    times = [(5e-6, 6e-6), (290e-6, 8e-3 + 10e-6), (8e-3 + 90e-6, 8e-3 + 100e-6)]
    assert [(span.start_s, span.end_s) for span in capture.spans] == [pytest.approx(one) for one in times]


def test_numbers_of_samples_count_from_the_offset_of_a_recording_in_parts(tmp_path: Path) -> None:
    about = {"core:datatype": "ri16_le", "core:sample_rate": 1e6, "core:offset": 5000}
    captures = [{"core:sample_start": 5000}, {"core:sample_start": 5100}]
    notes = [{"core:sample_start": 5010, "core:sample_count": 40, "core:label": "vent"}]
    path = pair(tmp_path, about, LINE.astype("<i2").tobytes(), captures=captures, annotations=notes)
    capture = open_capture(path)
    assert [(s.first, s.last) for s in capture.segments] == [(0, 100), (100, COUNT)]
    (span,) = capture.spans
    assert (span.name, span.start_s, span.end_s) == ("vent", pytest.approx(1e-5), pytest.approx(5e-5))
    assert capture.warnings == ()


@pytest.mark.parametrize(
    ("about", "says"),
    [
        ({"core:datatype": "ri12_le", "core:sample_rate": 1e6}, "'ri12_le' is not known"),
        ({"core:datatype": "rf8", "core:sample_rate": 1e6}, "'rf8' is not known"),
        ({"core:datatype": 5, "core:sample_rate": 1e6}, "5 is not known"),
        ({"core:datatype": "ri16_le", "core:num_channels": -1}, "num_channels"),
        ({"core:datatype": "ri64_le", "core:num_channels": 1000}, "no samples"),
    ],
)
def test_metadata_that_make_no_sense(tmp_path: Path, about: dict[str, Any], says: str) -> None:
    refused(pair(tmp_path, about, LINE.tobytes()), says)


@pytest.mark.parametrize("rate", [None, 0, -1, "fast", 1e40, True])
def test_metadata_without_a_usable_rate(tmp_path: Path, rate: object) -> None:
    path = pair(tmp_path, {"core:datatype": "ri16_le", "core:sample_rate": rate}, LINE.tobytes())
    with pytest.raises(CaptureError, match="core:sample_rate"):
        open_capture(path)
    assert open_capture(path, RATE).rate_hz == 2e6


def test_pair_with_a_file_missing_or_damaged(tmp_path: Path) -> None:
    path = pair(tmp_path, {"core:datatype": "ri16_le", "core:sample_rate": 1e6}, LINE.tobytes())
    (tmp_path / "a.sigmf-data").unlink()
    refused(path, "a.sigmf-data, are missing")
    path.write_text('{"global": [')
    refused(path, "no JSON object")
    path.write_text('{"global": []}')
    refused(path, "damaged there")


def test_fields_of_a_structure_in_a_mat_file(tmp_path: Path) -> None:
    savemat(tmp_path / "s.mat", {"rec": {"time": TIME, "line": LINE, "supply": SUPPLY, "who": "vent 3"}})
    check_line_and_supply(open_capture(tmp_path / "s.mat"))


def test_a_table_of_named_columns_in_an_hdf5_file(tmp_path: Path) -> None:
    table = np.zeros(COUNT, [("time", "<f8"), ("line", ">i2")])
    table["time"], table["line"] = TIME, LINE
    with h5py.File(tmp_path / "t.h5", "w") as file:
        file["log"] = table
    capture = open_capture(tmp_path / "t.h5")
    assert [channel.name for channel in capture.channels] == ["line"]
    np.testing.assert_array_equal(capture.channels[0].stored, LINE)
    assert capture.rate_hz == pytest.approx(2e6, rel=1e-6)


TOLD = ReadOptions(dtype="int16", rate_hz=2e6)


def test_a_block_behind_the_name_of_what_was_asked_for(tmp_path: Path) -> None:
    (tmp_path / "answer.bin").write_bytes(b":WAVEFORM:DATA #3800" + LINE.tobytes() + b"\n")
    capture = open_capture(tmp_path / "answer.bin", TOLD)
    assert (capture.format, capture.warnings) == ("IEEE 488.2 block", ())
    np.testing.assert_array_equal(capture.channels[0].stored, LINE)


def test_what_stands_behind_a_block_is_said(tmp_path: Path) -> None:
    (tmp_path / "two.bin").write_bytes((b"#3800" + LINE.tobytes() + b"\n") * 2)
    capture = open_capture(tmp_path / "two.bin", TOLD)
    assert capture.samples == COUNT
    assert [(notice.code, notice.count) for notice in capture.warnings] == [("left-out", 807)]


def test_a_block_of_numbers_written_as_text(tmp_path: Path) -> None:
    text = ",".join(f"{value:.6E}" for value in LINE.tolist())
    (tmp_path / "written.txt").write_text(f"#{len(str(len(text)))}{len(text)}{text}\n")
    capture = open_capture(tmp_path / "written.txt", RATE)
    assert (capture.format, capture.rate_hz, capture.warnings) == ("delimited text", 2e6, ())
    np.testing.assert_array_equal(capture.channels[0].stored, LINE)


PAIRS: dict[str, tuple[str, int, np.ndarray, list[np.ndarray]]] = {
    "16 bits": ("ri16_le", 1, LINE, [LINE]),
    "other byte order, two channels": ("ri16_be", 2, LINE.astype(">i2"), [LINE[::2], LINE[1::2]]),
    "complex": ("cf32_le", 1, (LINE + 2j * LINE).astype("<c8"), [LINE, 2 * LINE]),
    "complex of 8 bits": ("ci8", 1, (LINE % 100).astype("i1"), [LINE[::2] % 100, LINE[1::2] % 100]),
    "unsigned": ("ru8", 1, (LINE % 200).astype("u1"), [LINE % 200]),
}


@pytest.mark.parametrize(("kind", "count", "samples", "expected"), PAIRS.values(), ids=PAIRS)
def test_pairs_described_by_the_library_of_the_standard(
    tmp_path: Path, kind: str, count: int, samples: np.ndarray, expected: list[np.ndarray]
) -> None:
    samples.tofile(tmp_path / "line.sigmf-data")
    about = {"core:datatype": kind, "core:sample_rate": 2e6, "core:num_channels": count}
    meta = SigMFFile(data_file=str(tmp_path / "line.sigmf-data"), global_info=about)
    meta.add_capture(0)
    meta.tofile(str(tmp_path / "line.sigmf-meta"))
    capture = open_capture(tmp_path / "line.sigmf-meta")
    assert (capture.rate_hz, capture.start_s, capture.warnings) == (2e6, 0.0, ())
    for channel, values in zip(capture.channels, expected, strict=True):
        np.testing.assert_array_equal(channel.stored, values)


def test_units_in_the_names_of_stated_numbers(tmp_path: Path) -> None:
    """By numpy, scipy and h5py: 0.5 under ``dt_us`` is no half second."""
    np.savez(tmp_path / "a.npz", line=LINE, dt_us=0.5, t0_ms=-1.0)
    savemat(tmp_path / "a.mat", {"line": LINE, "Fs_kHz": 2000.0, "t0_ms": -1.0})
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["line"] = LINE
        file.attrs.update({"sampling_interval_us": "0.5 us", "start_ms": -1.0})
    for name in ("a.npz", "a.mat", "a.h5"):
        capture = open_capture(tmp_path / name)
        assert capture.rate_hz == pytest.approx(2e6)
        assert capture.start_s == pytest.approx(-1e-3)
    np.savez(tmp_path / "b.npz", line=LINE, samples_per_second=500.0)
    assert open_capture(tmp_path / "b.npz").rate_hz == 500.0
