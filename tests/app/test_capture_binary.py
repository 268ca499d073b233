"""``.npy`` as numpy writes it and raw samples: mapped, never unpickled, hostile sizes refused."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from app.errors import CancelledError, CaptureError, UsageError
from app.files.captures import ReadOptions, open_capture

RATE = ReadOptions(rate_hz=2e6)


def saved(folder: Path, array: np.ndarray) -> Path:
    np.save(folder / "a.npy", array)
    return folder / "a.npy"


@pytest.mark.parametrize("dtype", ["i1", "u1", "<i2", ">i2", "u2", "i4", "f2", "f4", ">f4", "f8"])
def test_one_dimension_is_one_mapped_channel(tmp_path: Path, dtype: str) -> None:
    array = np.arange(100).astype(dtype)
    capture = open_capture(saved(tmp_path, array), RATE)
    stored = capture.channels[0].stored
    assert (capture.format, capture.rate_hz, stored.dtype) == ("npy", 2e6, np.dtype(dtype))
    assert isinstance(stored, np.memmap)
    np.testing.assert_array_equal(stored, array)


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("wide", [False, True])
def test_the_shorter_side_counts_the_channels(tmp_path: Path, order: str, wide: bool) -> None:
    array = np.asarray(np.arange(300, dtype=np.int16).reshape(100, 3), order=order)
    capture = open_capture(saved(tmp_path, array.T if wide else array), RATE)
    assert [channel.name for channel in capture.channels] == ["A", "B", "C"]
    np.testing.assert_array_equal(capture.channels[1].stored, array[:, 1])
    assert isinstance(capture.channels[1].stored, np.memmap)


def test_a_first_column_that_counts_evenly_up_is_the_time(tmp_path: Path) -> None:
    time = -1e-3 + np.arange(1000) * 5e-7
    capture = open_capture(saved(tmp_path, np.column_stack([time, np.sin(time * 1e5)])))
    assert len(capture.channels) == 1
    assert capture.rate_hz == pytest.approx(2e6, rel=1e-9)
    assert capture.start_s == pytest.approx(-1e-3)


def test_fields_are_channels_and_one_called_time_is_the_time(tmp_path: Path) -> None:
    table = np.zeros(50, [("near", "i2"), ("time", "f8"), ("far", "f4")])
    table["time"] = np.arange(50) * 1e-6
    table["far"] = np.arange(50)
    capture = open_capture(saved(tmp_path, table))
    assert [channel.name for channel in capture.channels] == ["near", "far"]
    assert capture.rate_hz == pytest.approx(1e6)


def test_complex_samples_are_two_channels(tmp_path: Path) -> None:
    array = np.exp(1j * np.arange(100)).astype(np.complex64)
    capture = open_capture(saved(tmp_path, array), RATE)
    assert [channel.name for channel in capture.channels] == ["I", "Q"]
    np.testing.assert_array_equal(capture.channels[1].stored, array.imag)


def test_integers_without_a_scale_are_in_steps_and_with_one_in_volts(tmp_path: Path) -> None:
    path = saved(tmp_path, np.arange(100, dtype=np.int8))
    assert open_capture(path, RATE).channels[0].unit == "LSB"
    scaled = open_capture(path, ReadOptions(rate_hz=1.0, scale=0.5, offset=-1.0)).channels[0]
    assert (scaled.unit, scaled.values(10, 11).tolist()) == ("V", [4.0])
    assert open_capture(path, ReadOptions(rate_hz=1.0, scale=2.0, unit="A")).channels[0].unit == "A"


class Trap:
    """Leaves a trace when unpickled."""

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return print, ("unpickled",)


def test_objects_are_never_unpickled(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = saved(tmp_path, np.array([Trap()], dtype=object))
    with pytest.raises(CaptureError, match="objects"):
        open_capture(path, RATE)
    assert capsys.readouterr().out == ""


def header(text: str) -> bytes:
    body = text.encode().ljust(118) + b"\n"
    return b"\x93NUMPY\x01\x00" + len(body).to_bytes(2, "little") + body


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (
            header("{'descr': '<i2', 'fortran_order': True, 'shape': (1000000000000000, 2)}") + b"\0" * 64,
            "claims",
        ),
        (
            header("{'descr': '<i2', 'fortran_order': False, 'shape': (3, 4000000000000000)}") + b"\0" * 64,
            "claims",
        ),
        (header("{'descr': '<i2', 'fortran_order': False, 'shape': (-5,)}") + b"\0" * 64, "empty|damaged"),
        (header("{'descr': '<i2', 'fortran_order': False, 'shape': ()}") + b"\0" * 64, "empty"),
        (
            header("{'descr': '<U9', 'fortran_order': False, 'shape': (1,)}") + b"\0" * 64,
            "no set of channels",
        ),
        (
            header("{'descr': '<i2', 'fortran_order': False, 'shape': (2, 2, 2)}") + b"\0" * 64,
            "no set of channels",
        ),
        (header("__import__('os').system('true')") + b"\0" * 64, "damaged"),
        (b"\x93NUMPY\x09\x00" + b"\0" * 64, "damaged"),
        (b"\x93NUMPY", "damaged"),
    ],
)
def test_damaged_or_hostile_arrays_are_refused(tmp_path: Path, content: bytes, says: str) -> None:
    (tmp_path / "bad.npy").write_bytes(content)
    tracemalloc.start()
    try:
        with pytest.raises(CaptureError, match=says) as error:
            open_capture(tmp_path / "bad.npy", RATE)
        assert tracemalloc.get_traced_memory()[1] < 5e6
    finally:
        tracemalloc.stop()
    assert "\n" not in str(error.value)


def test_an_array_cut_short_is_read_with_a_warning(tmp_path: Path) -> None:
    content = header("{'descr': '<i2', 'fortran_order': False, 'shape': (1000000000000000,)}")
    (tmp_path / "a.npy").write_bytes(content + np.arange(100, dtype="<i2").tobytes())
    capture = open_capture(tmp_path / "a.npy", RATE)
    assert capture.samples == 100
    assert [(notice.code, notice.first_sample) for notice in capture.warnings] == [("truncated", 99)]


def test_an_array_without_rate_asks_for_it(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="--rate"):
        open_capture(saved(tmp_path, np.arange(100, dtype=np.int16)))


@pytest.mark.parametrize(
    ("name", "dtype"),
    [
        ("int8", "i1"),
        ("uint16", "<u2"),
        ("int16be", ">i2"),
        ("<i2", "<i2"),
        (">f4", ">f4"),
        ("FLOAT64", "<f8"),
    ],
)
def test_raw_samples_are_mapped_behind_the_skipped_bytes(tmp_path: Path, name: str, dtype: str) -> None:
    array = np.arange(60).astype(dtype)
    (tmp_path / "a.raw").write_bytes(b"junk!" + array.tobytes())
    capture = open_capture(tmp_path / "a.raw", ReadOptions(rate_hz=5e6, dtype=name, skip=5))
    stored = capture.channels[0].stored
    assert (capture.format, capture.rate_hz, stored.dtype) == ("raw", 5e6, np.dtype(dtype))
    assert isinstance(stored, np.memmap)
    np.testing.assert_array_equal(stored, array)


@pytest.mark.parametrize("interleaved", [True, False])
def test_channels_interleaved_or_one_after_the_other(tmp_path: Path, interleaved: bool) -> None:
    array = np.arange(60, dtype=np.int16).reshape(20, 3)
    (array if interleaved else array.T).tofile(tmp_path / "a.bin")
    told = ReadOptions(rate_hz=1e6, dtype="int16", channels=3, scale=0.1, interleaved=interleaved)
    capture = open_capture(tmp_path / "a.bin", told)
    np.testing.assert_allclose(capture.channels[2].values(0, 20), array[:, 2] * 0.1, rtol=1e-6)


def test_left_over_bytes_are_said(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"\1" * 21)
    capture = open_capture(tmp_path / "a.bin", ReadOptions(rate_hz=1e6, dtype="int16", channels=2))
    assert (capture.samples, [notice.code for notice in capture.warnings]) == (5, ["truncated"])


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({"dtype": "int16"}, "--rate"),
        ({"dtype": "int16", "rate_hz": 1.0, "skip": 100}, "--skip"),
        ({"dtype": "float64", "rate_hz": 1.0, "channels": 900}, "--channels"),
        ({"rate_hz": 1.0}, "--dtype"),
    ],
)
def test_raw_with_something_missing(tmp_path: Path, told: dict, says: str) -> None:
    (tmp_path / "a.bin").write_bytes(bytes(range(40)) * 2)
    with pytest.raises(CaptureError, match=says):
        open_capture(tmp_path / "a.bin", ReadOptions(**told))


@pytest.mark.parametrize("name", ["int12", "complex64", "object", "i2,i2", "(2,)i2", "", "be", "f16"])
def test_unknown_sample_types_are_wrong_usage(tmp_path: Path, name: str) -> None:
    (tmp_path / "a.bin").write_bytes(b"\0" * 80)
    with pytest.raises(UsageError, match="no sample type"):
        open_capture(tmp_path / "a.bin", ReadOptions(rate_hz=1.0, dtype=name))


@pytest.mark.parametrize(
    "told",
    [
        {"rate_hz": 0.0},
        {"rate_hz": -1.0},
        {"rate_hz": float("nan")},
        {"rate_hz": float("inf")},
        {"rate_hz": 1e30},
        {"channels": 0},
        {"skip": -1},
        {"scale": 0.0},
        {"scale": float("nan")},
        {"offset": float("inf")},
    ],
)
def test_absurd_options_are_refused_before_any_work(told: dict) -> None:
    with pytest.raises(UsageError, match="give"):
        ReadOptions(**told)


def test_a_file_far_larger_than_memory_opens_at_once(tmp_path: Path) -> None:
    path = tmp_path / "huge.bin"
    with path.open("wb") as file:
        file.truncate(1 << 40)
    tracemalloc.start()
    try:
        capture = open_capture(path, ReadOptions(rate_hz=1e9, dtype="int8"))
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()
    assert capture.samples == 1 << 40
    assert capture.channels[0].values(1 << 39, (1 << 39) + 5).tolist() == [0.0] * 5


def test_opening_can_be_cancelled(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"\1\2" * 2_000_000)
    with pytest.raises(CancelledError):
        open_capture(tmp_path / "a.bin", ReadOptions(rate_hz=1e6, dtype="int8"), cancelled=lambda: True)


@pytest.mark.parametrize("version", [(1, 0), (2, 0), (3, 0)])
@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("dtype", ["<i2", ">i2", ">f4", "<f8", "u1", ">u4"])
def test_every_version_of_the_array_format(
    tmp_path: Path, version: tuple[int, int], order: str, dtype: str
) -> None:
    samples = np.asarray((np.arange(90) * 7 % 97).reshape(30, 3), dtype, order)
    with (tmp_path / "a.npy").open("wb") as file:
        np.lib.format.write_array(file, samples, version)
    capture = open_capture(tmp_path / "a.npy", ReadOptions(rate_hz=1e3))
    assert (len(capture.channels), capture.samples) == (3, 30)
    for channel, column in zip(capture.channels, samples.T, strict=True):
        assert isinstance(channel.stored, np.memmap)
        np.testing.assert_array_equal(channel.values(0, 30), column)


def test_fields_of_both_byte_orders_with_gaps_between_them(tmp_path: Path) -> None:
    kind = np.dtype(
        {
            "names": ["t", "Vent µV", "ok"],
            "formats": [">f8", "<i2", "?"],
            "offsets": [4, 16, 23],
            "itemsize": 32,
        }
    )
    table = np.zeros(50, kind)
    table["t"], table["Vent µV"] = np.arange(50) * 1e-3, np.arange(50) - 25
    with (tmp_path / "a.npy").open("wb") as file:
        np.lib.format.write_array(file, table, (3, 0))
    capture = open_capture(tmp_path / "a.npy")
    assert capture.rate_hz == pytest.approx(1e3)
    channel = capture.channels[0]
    assert (channel.name, channel.unit) == ("Vent", "V")
    np.testing.assert_allclose(channel.values(0, 50), table["Vent µV"] * 1e-6, rtol=1e-6)
