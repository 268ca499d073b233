"""Delimited text beyond its dialects: odd cells and rows, refusals, large files, progress and cancel."""

from __future__ import annotations

import contextlib
import os
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from app.errors import CancelledError, CaptureError
from app.files import capture_text, text_blocks, text_lists
from app.files.captures import ReadOptions, open_capture
from app.model.capture import Capture

COUNT = 3000
TIMES = np.arange(COUNT) * 1e-6
VALUES = np.round(1.5 * np.sin(np.arange(COUNT) * 0.1), 4)
HEADER = "Time (s),CH1 (V)\n"


def table(times: np.ndarray = TIMES, values: np.ndarray = VALUES) -> list[str]:
    return [f"{time:.9e},{value:.4f}\n" for time, value in zip(times, values, strict=True)]


def opened(folder: Path, text: str | bytes, **told: float) -> Capture:
    path = folder / "vent.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return open_capture(path, ReadOptions(**told))


def refused(folder: Path, text: str | bytes, says: str) -> None:
    with pytest.raises(CaptureError, match=says) as error:
        opened(folder, text)
    message = str(error.value)
    assert message.startswith(str(folder / "vent.csv"))
    assert "\n" not in message


def codes(capture: Capture) -> list[tuple[str, int, int | None]]:
    return [(notice.code, notice.count, notice.first_sample) for notice in capture.warnings]


def test_lists_too_large_to_take_into_memory_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text_lists, "LARGEST_BYTES", 1 << 10)
    numbers = ",\n".join(", ".join(map(str, range(i, i + 8))) for i in range(0, 800, 8))
    refused(tmp_path, f"int16_t line[] = {{\n{numbers}\n}};\n", "stand in lists.*one row a sample")
    refused(tmp_path, f'{{"fs": 1e6, "line": [\n{numbers}]}}\n', "stand in lists.*one row a sample")
    lines = "".join(f'{{"t": {i}e-6, "line": {i % 7}}}\n' for i in range(100))
    assert opened(tmp_path, lines).samples == 100


# -- values ------------------------------------------------------------------------------------------


def test_agrees_with_numpy_on_a_file_of_several_blocks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 10_000)
    path = tmp_path / "a.csv"
    np.savetxt(path, np.column_stack([TIMES, VALUES, -VALUES]), delimiter=",", fmt="%.9e")
    expected = np.loadtxt(path, delimiter=",")
    capture = open_capture(path)
    assert capture.samples == COUNT
    for i, channel in enumerate(capture.channels):
        np.testing.assert_array_equal(channel.stored, expected[:, i + 1])


@pytest.mark.parametrize(
    ("digits", "dtype"), [(3, np.float32), (7, np.float32), (8, np.float64), (15, np.float64)]
)
def test_numbers_of_up_to_seven_digits_are_stored_in_half_the_memory(
    tmp_path: Path, digits: int, dtype: type
) -> None:
    rng = np.random.default_rng(1)
    written = [f"{value:.{digits - 1}e}" for value in rng.normal(size=500)]
    stored = opened(tmp_path, "CH1\n" + "\n".join(written) + "\n", rate_hz=1e6).channels[0].stored
    assert stored.dtype == dtype
    assert [f"{value:.{digits - 1}e}" for value in stored.tolist()] == written


def test_nothing_of_a_row_is_lost_where_fast_and_slow_blocks_meet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 2_000)
    lines = table()
    for at in range(50, COUNT, 300):
        lines[at] = f"{TIMES[at]:.9e},OL\n"
    capture = opened(tmp_path, HEADER + "".join(lines))
    expected = VALUES.astype(np.float32)
    expected[50::300] = np.nan
    np.testing.assert_array_equal(capture.channels[0].stored, expected)
    assert codes(capture) == [("overflow", 10, 50)]
    assert "row 52 ('OL')" in capture.warnings[0].text


# -- odd cells and rows --------------------------------------------------------------------------------


ODD_CELLS = {
    "nan": ("nan", "NaN", "--", "n/a", "9.91E37"),
    "missing": ("",),
    "overflow": ("***", "OL", "-OL", "OVERFLOW", ">>>>", "####", "9.9E37", "-9.9E+37"),
    "infinity": ("inf", "-Infinity", "1e999", "1.#INF"),
    "unreadable": ("abc", "1_0", "0x10", "1.2.3", "1+2", "1 2", "1e"),
}


@pytest.mark.parametrize(
    ("cell", "code"), [(cell, code) for code, cells in ODD_CELLS.items() for cell in cells]
)
def test_a_cell_that_is_no_plain_number_is_counted_and_placed(tmp_path: Path, cell: str, code: str) -> None:
    lines = table()
    for at in (200, 201, 900):
        lines[at] = f"{TIMES[at]:.9e},{cell}\n"
    capture = opened(tmp_path, HEADER + "".join(lines))
    assert codes(capture) == [(code, 3, 200)]
    assert "row 202" in capture.warnings[0].text
    stored = capture.channels[0].stored
    assert not np.isfinite(stored[[200, 201, 900]]).any()
    assert np.isfinite(np.delete(stored, [200, 201, 900])).all()


def test_a_garbled_number_alone_in_its_row_keeps_its_place(tmp_path: Path) -> None:
    written = [f"{value:.4f}\n" for value in VALUES]
    written[40] = "1.2.3\n"
    capture = opened(tmp_path, "".join(written), rate_hz=1e6)
    assert capture.samples == COUNT
    assert codes(capture) == [("unreadable", 1, 40)]


def test_odd_cells_of_the_time_column_do_not_count_against_a_channel(tmp_path: Path) -> None:
    lines = table()
    lines[100] = f",{VALUES[100]}\n"
    lines[700] = f"nan,{VALUES[700]}\n"
    assert codes(opened(tmp_path, HEADER + "".join(lines))) == [("time-missing", 2, 100)]


def test_a_gap_names_its_row_and_blank_lines_are_counted_as_rows(tmp_path: Path) -> None:
    lines = table(np.where(np.arange(COUNT) < 1000, TIMES, TIMES + 5e-4))
    lines[500] = "\n\n" + lines[500]
    capture = opened(tmp_path, HEADER + "".join(lines))
    assert codes(capture) == [("time-gap", 1, 1000)]
    assert "row 1004" in capture.warnings[0].text
    assert [segment.first for segment in capture.segments] == [0, 1000]
    assert capture.segments[1].start_s == pytest.approx(1.5e-3)


def test_clipping_is_seen_in_text_too(tmp_path: Path) -> None:
    capture = opened(tmp_path, HEADER + "".join(table(values=np.clip(VALUES, -1.2, 1.2))))
    assert [notice.code for notice in capture.warnings] == ["clipped"]


def test_text_among_the_samples_is_said(tmp_path: Path) -> None:
    lines = table()
    lines[10] = "# the vent opens here\n" + lines[10]
    capture = opened(tmp_path, HEADER + "".join(lines))
    assert [(notice.code, notice.count) for notice in capture.warnings] == [("text-rows", 1)]
    assert "row 12" in capture.warnings[0].text
    assert capture.samples == COUNT


def test_rate_told_and_rate_stated_that_differ_from_the_times_are_said(tmp_path: Path) -> None:
    text = "Sample rate,2 MS/s\n" + HEADER + "".join(table())
    assert [notice.code for notice in opened(tmp_path, text).warnings] == ["rate-stated"]
    told = opened(tmp_path, HEADER + "".join(table()), rate_hz=3e6)
    assert (told.rate_hz, told.rate_std_hz) == (3e6, None)
    assert [notice.code for notice in told.warnings] == ["rate-told"]


def test_a_time_column_late_by_part_of_a_sample_is_said(tmp_path: Path) -> None:
    rows = [
        f"{time:.9e},{value},{time + 2.5e-7:.9e},{value}\n" for time, value in zip(TIMES, VALUES, strict=True)
    ]
    capture = opened(tmp_path, "Time (s),CH1 (V),Time (s),CH2 (V)\n" + "".join(rows))
    assert [channel.name for channel in capture.channels] == ["CH1", "CH2"]
    assert [notice.code for notice in capture.warnings] == ["time-skew"]
    assert "0.25 samples later" in capture.warnings[0].text


def test_scale_offset_and_unit_told(tmp_path: Path) -> None:
    capture = opened(tmp_path, HEADER + "".join(table()), scale=10.0, offset=1.0)
    np.testing.assert_allclose(capture.channels[0].values(0, 10), VALUES[:10] * 10 + 1, rtol=1e-6)


# -- refusals ------------------------------------------------------------------------------------------


def test_ragged_rows_name_the_first_bad_row(tmp_path: Path) -> None:
    lines = table()
    lines[100] = "1e-4,2,3\n"
    lines[50] = "5e-5\n"
    refused(tmp_path, HEADER + "".join(lines), ", row 52: it has 1 cell where the rows before have 2; ")


def test_rows_that_even_out_over_a_block_are_still_ragged(tmp_path: Path) -> None:
    lines = table()
    lines[60] = "6e-5,1,2\n"
    lines[61] = "6.1e-5\n"
    refused(tmp_path, HEADER + "".join(lines), ", row 62: ")


def test_blank_separated_rows_that_even_out_are_still_ragged(tmp_path: Path) -> None:
    lines = [line.replace(",", " ") for line in table()]
    lines[60] = "6e-5 1 2\n"
    lines[61] = "6.1e-5\n"
    refused(tmp_path, "".join(lines), ", row 61: ")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("only words here\nand here\n", "row 1: no row of numbers is found"),
        ("Time (s),CH1 (V)\n", "no row of numbers"),
        ("\n \n\n", "no row of numbers"),
        ("1.5\n1.6\n1.7\n", "row 1: one column of numbers begins here, with no time column"),
        ("CH1 (V)\n\n1.5\n1.6\n", "row 3: one column"),
        ("A;B\n1,5;2,5\n1,4;2,1\n1,6;2,2\n", "row 2: 2 columns begin here"),
        ("Time (s)\n0\n1\n2\n", "none of samples"),
        ("Time (s),CH1 (V)\n0,1\n", "one row of numbers|fewer than two"),
        ("Time (s),CH1 (V)\n0,1\n0,2\n0,3\n", "row 3: in the time column the values do not go up"),
        ("Time (s),CH1 (V)\n3,1\n2,2\n1,3\n0,4\n", "do not go up"),
        ("Sample interval,0\nCH1\n1\n2\n", "a rate of 0 Hz; give the rate with --rate"),
        ("Sample rate,-5\nCH1\n1\n2\n", "a rate of -5 Hz"),
        ("Sample interval,1e-30\nCH1\n1\n2\n", "a rate of 1e\\+30 Hz"),
        ("Time (s),CH1 (V)\n0,1\n1e-20,2\n2e-20,3\n", "rate of 1e\\+20 Hz"),
        ("a,b\n1,2\n\0\0\0", "row 2: 2 columns begin here"),
        ("a,b\n1,2\n3\0,4\n", "binary data of no known format"),
        (b"x" * (3 << 20), "a line is longer"),
        (bytes(range(256)) * 20, "binary data of no known format; accepted are"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "binary data of no known format"),
        ("", "the file is empty"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_line(tmp_path: Path, text: str | bytes, says: str) -> None:
    refused(tmp_path, text, says)


def test_missing_file_folder_pipe_and_forbidden_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path, says in (
        (tmp_path / "none.csv", "no such file"),
        (tmp_path, "a folder"),
        (tmp_path / "pipe", "not a file"),
        (Path("bad\0name"), "no file can have such a name"),
    ):
        with pytest.raises(CaptureError, match=says):
            open_capture(path)


# -- large files ---------------------------------------------------------------------------------------


def test_progress_rises_to_one_and_cancel_is_asked_every_block(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 5_000)
    path = tmp_path / "a.csv"
    path.write_text(HEADER + "".join(table()))
    seen: list[float] = []
    open_capture(path, progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert len(seen) > path.stat().st_size / 5_000
    asked = iter([False] * 6 + [True] * 100)
    with pytest.raises(CancelledError):
        open_capture(path, cancelled=lambda: next(asked))


def test_memory_stays_below_three_times_the_samples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 50_000)
    monkeypatch.setattr(capture_text, "_LOOK_BYTES", 20_000)
    path = tmp_path / "a.csv"
    rows = 150_000
    path.write_text(HEADER + "".join(f"{i * 1e-6:.7f},{i % 977 / 1000:.3f}\n" for i in range(rows)))
    open_capture(path)
    tracemalloc.start()
    try:
        capture = open_capture(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    size = capture.channels[0].stored.nbytes
    assert capture.samples == rows
    # blocks and the look at the opening lines need a few megabytes whatever the size of the file
    assert peak < 3 * size + 4e6


def test_a_long_preamble_and_a_late_delimiter_are_found(tmp_path: Path) -> None:
    preamble = "".join(f"Setting {i},{i * 7 % 13}\n" for i in range(800))
    capture = opened(tmp_path, preamble + HEADER + "".join(table()))
    assert capture.samples == COUNT
    assert [channel.name for channel in capture.channels] == ["CH1"]


LONG = {
    "digits": "9" * 500_000,
    "digits and letters": "1e" + "9" * 300_000 + "x",
    "words": "word " * 60_000,
    "underscores": "_" * 200_000 + "(",
    "colons": "a:" * 100_000,
    "many lines": "\n".join(["key " * 2000] * 100),
}


@pytest.mark.parametrize("text", LONG.values(), ids=LONG)
def test_long_cells_and_lines_take_no_longer_than_they_are_long(tmp_path: Path, text: str) -> None:
    path = tmp_path / "vent.csv"
    path.write_text(f"{text}\n{HEADER}{text},1\n" + "".join(table()))
    asked = 0

    def cancelled() -> bool:
        nonlocal asked
        asked += 1
        return False

    begin = time.process_time()
    with contextlib.suppress(CaptureError):
        open_capture(path, cancelled=cancelled)
    # seconds of a processor where a search that backtracks takes minutes and more
    assert time.process_time() - begin < 20
    assert asked > 0


def test_a_start_beyond_reason_is_left_out_and_said(tmp_path: Path) -> None:
    path = tmp_path / "far.csv"
    path.write_text("Start: -1e90\nInterval: 1e-6\nCH1 (V)\n" + "".join(f"{i}.5\n" for i in range(30)))
    capture = open_capture(path)
    assert (capture.start_s, capture.rate_hz) == (0.0, pytest.approx(1e6))
    assert [notice.code for notice in capture.warnings] == ["start-left-out"]


# -- rows of several channels ------------------------------------------------------------------------


@pytest.mark.parametrize("names", [("line", "motor"), ("1", "2")])
@pytest.mark.parametrize("interleaved", [True, False])
def test_rows_of_several_channels_are_refused(
    tmp_path: Path, names: tuple[str, str], interleaved: bool
) -> None:
    rows = [[f"{name},{i}e-6,{VALUES[i]}\n" for i in range(100)] for name in names]
    lines = (
        [line for pair in zip(*rows, strict=True) for line in pair] if interleaved else [*rows[0], *rows[1]]
    )
    refused(
        tmp_path,
        "Channel,Time (s),Value (V)\n" + "".join(lines),
        "several channels, which column 1.*one column a channel",
    )


def test_levels_titled_channel_are_a_channel(tmp_path: Path) -> None:
    rows = "".join(f"{i}e-6,{i // 7 % 2}\n" for i in range(100))
    capture = opened(tmp_path, "Time (s),Channel\n" + rows)
    assert ([channel.name for channel in capture.channels], capture.rate_hz) == (
        ["Channel"],
        pytest.approx(1e6),
    )


def test_states_titled_sensor_are_no_channels(tmp_path: Path) -> None:
    rows = "".join(f"{i}e-6,{'ok' if i % 9 else 'alarm'},{VALUES[i]}\n" for i in range(100))
    capture = opened(tmp_path, "Time (s),Sensor,Line (V)\n" + rows)
    assert ([channel.name for channel in capture.channels], capture.rate_hz) == (["Line"], pytest.approx(1e6))
