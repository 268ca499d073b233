"""WAV files as other programs write them: the standard library, scipy, and headers built by hand."""

from __future__ import annotations

import struct
import wave
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from app.errors import CaptureError
from app.files.captures import ReadOptions, open_capture
from app.model.capture import Capture

RATE = 44100
SIGNAL = 0.6 * np.sin(np.arange(500) * 0.21)


def values(capture: Capture, channel: int = 0) -> np.ndarray:
    return capture.channels[channel].values(0, capture.samples)


def chunk(name: bytes, body: bytes, size: int | None = None) -> bytes:
    return name + struct.pack("<I", len(body) if size is None else size) + body + b"\0" * (len(body) % 2)


def pcm_format(channels: int = 1, bits: int = 16, rate: int = RATE, tag: int = 1) -> bytes:
    frame = channels * bits // 8
    return struct.pack("<HHIIHH", tag, channels, rate, rate * frame, frame, bits)


def riff(*chunks: bytes, container: bytes = b"RIFF", size: int | None = None) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return container + struct.pack("<I", len(body) if size is None else size) + body


@pytest.mark.parametrize(
    ("dtype", "steps", "tolerance"),
    [
        ("uint8", 128, 1 / 128),
        ("int16", 2**15, 1e-4),
        ("int32", 2**31, 1e-6),
        ("float32", 1, 1e-6),
        ("float64", 1, 0),
    ],
)
def test_files_of_scipy_are_mapped_in_their_own_type(
    tmp_path: Path, dtype: str, steps: int, tolerance: float
) -> None:
    stored = SIGNAL * steps + (128 if dtype == "uint8" else 0)
    stereo = np.column_stack([stored, stored[::-1]]).astype(dtype)
    wavfile.write(tmp_path / "a.wav", RATE, stereo)
    capture = open_capture(tmp_path / "a.wav")
    assert (capture.format, capture.rate_hz, capture.samples, len(capture.channels)) == ("WAV", RATE, 500, 2)
    assert [channel.unit for channel in capture.channels] == ["FS", "FS"]
    assert capture.channels[0].stored.dtype == dtype
    assert isinstance(capture.channels[1].stored, np.memmap)
    np.testing.assert_array_equal(capture.channels[1].stored, stereo[:, 1])
    np.testing.assert_allclose(values(capture, 1), SIGNAL[::-1], atol=tolerance)
    assert capture.warnings == ()


@pytest.mark.parametrize("width", [1, 2, 3, 4])
def test_files_of_the_standard_library(tmp_path: Path, width: int) -> None:
    codes = np.round(SIGNAL * (2 ** (8 * width - 1) - 1)).astype(np.int64)
    offset = 128 if width == 1 else 0
    data = b"".join(int(code + offset).to_bytes(width, "little", signed=width > 1) for code in codes)
    with wave.open(str(tmp_path / "a.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(width)
        file.setframerate(RATE)
        file.writeframes(data)
    capture = open_capture(tmp_path / "a.wav")
    np.testing.assert_allclose(values(capture), codes / 2 ** (8 * width - 1), rtol=1e-6, atol=1e-9)
    if width == 3:
        assert capture.channels[0].stored.dtype == np.int32
        np.testing.assert_array_equal(capture.channels[0].stored, codes)


def test_scale_and_offset_count_from_the_stored_steps(tmp_path: Path) -> None:
    wavfile.write(tmp_path / "a.wav", RATE, np.arange(-100, 100, dtype=np.int16))
    channel = open_capture(tmp_path / "a.wav", ReadOptions(scale=0.01, offset=24.0)).channels[0]
    assert channel.unit == "V"
    np.testing.assert_allclose(channel.values(0, 200), np.arange(-100, 100) * 0.01 + 24, rtol=1e-6)


def test_extensible_format_and_chunks_before_the_samples(tmp_path: Path) -> None:
    # WAVEFORMATEXTENSIBLE: the coding stands in the first two octets of the sub-format identifier
    tail = (
        struct.pack("<HHI", 22, 16, 3) + struct.pack("<H", 1) + bytes.fromhex("000000001000800000aa00389b71")
    )
    data = np.arange(40, dtype="<i2")
    listed = chunk(b"LIST", b"odd")
    content = riff(
        listed, chunk(b"fmt ", pcm_format(2, tag=0xFFFE) + tail), listed, chunk(b"data", data.tobytes())
    )
    (tmp_path / "a.wav").write_bytes(content)
    capture = open_capture(tmp_path / "a.wav")
    np.testing.assert_array_equal(capture.channels[1].stored, data[1::2])


def test_big_endian_container(tmp_path: Path) -> None:
    data = np.arange(-20, 20, dtype=">i2")
    form = struct.pack(">HHIIHH", 1, 1, RATE, RATE * 2, 2, 16)
    body = (
        b"WAVEfmt " + struct.pack(">I", 16) + form + b"data" + struct.pack(">I", data.nbytes) + data.tobytes()
    )
    (tmp_path / "a.wav").write_bytes(b"RIFX" + struct.pack(">I", len(body)) + body)
    np.testing.assert_array_equal(open_capture(tmp_path / "a.wav").channels[0].stored, np.arange(-20, 20))


def test_size_beyond_32_bit_stands_in_its_own_chunk(tmp_path: Path) -> None:
    data = np.arange(50, dtype="<i2").tobytes()
    sizes = chunk(b"ds64", struct.pack("<QQQI", 200, len(data) - 20, 40, 0))
    content = riff(sizes, chunk(b"fmt ", pcm_format()), chunk(b"data", data, 0xFFFFFFFF), container=b"RF64")
    (tmp_path / "a.wav").write_bytes(content)
    capture = open_capture(tmp_path / "a.wav")
    assert (capture.samples, capture.warnings) == (40, ())


@pytest.mark.parametrize("claimed", [10**9, 0xFFFFFFFE])
def test_data_cut_short_is_read_with_a_warning(tmp_path: Path, claimed: int) -> None:
    data = np.arange(50, dtype="<i2").tobytes() + b"\x01"
    (tmp_path / "a.wav").write_bytes(riff(chunk(b"fmt ", pcm_format()), chunk(b"data", data, claimed))[:-1])
    capture = open_capture(tmp_path / "a.wav")
    assert capture.samples == 50
    assert [(notice.code, notice.first_sample) for notice in capture.warnings] == [("truncated", 49)]


@pytest.mark.parametrize("claimed", [0, 0xFFFFFFFF])
def test_size_never_filled_in_takes_what_is_there(tmp_path: Path, claimed: int) -> None:
    data = np.arange(50, dtype="<i2").tobytes()
    (tmp_path / "a.wav").write_bytes(riff(chunk(b"fmt ", pcm_format()), chunk(b"data", data, claimed)))
    capture = open_capture(tmp_path / "a.wav")
    assert (capture.samples, [notice.code for notice in capture.warnings]) == (50, ["data-size"])


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (riff(chunk(b"fmt ", pcm_format())), "no data chunk"),
        (riff(chunk(b"data", b"\0" * 20)), "no format chunk"),
        (riff(chunk(b"fmt ", pcm_format()), chunk(b"data", b"")), "no samples"),
        (riff(chunk(b"fmt ", pcm_format(rate=0)), chunk(b"data", b"\0" * 20)), "rate of zero"),
        (riff(chunk(b"fmt ", pcm_format(tag=7, bits=8)), chunk(b"data", b"\0" * 20)), "coding 7"),
        (riff(chunk(b"fmt ", pcm_format(channels=0)), chunk(b"data", b"\0" * 20)), "is not read"),
        (riff(chunk(b"fmt ", pcm_format(bits=12)), chunk(b"data", b"\0" * 20)), "is not read"),
        (riff(chunk(b"fmt ", b"\1\0\1\0"), chunk(b"data", b"\0" * 20)), "no format chunk"),
        (riff(), "no data chunk"),
        (b"RIFF\0\0\0\0WAVE", "no data chunk"),
    ],
)
def test_what_cannot_be_read_is_one_line(tmp_path: Path, content: bytes, says: str) -> None:
    (tmp_path / "bad.wav").write_bytes(content)
    with pytest.raises(CaptureError, match=says) as error:
        open_capture(tmp_path / "bad.wav")
    assert "bad.wav" in str(error.value)
    assert "\n" not in str(error.value)


def test_content_counts_not_the_extension(tmp_path: Path) -> None:
    wavfile.write(tmp_path / "a.csv", RATE, np.arange(-100, 100, dtype=np.int16))
    assert open_capture(tmp_path / "a.csv").format == "WAV"


# the sub-formats of WAVEFORMATEXTENSIBLE end alike: coding, then these octets
SUBFORMAT = bytes.fromhex("000000001000800000aa00389b71")


@pytest.mark.parametrize("container", [b"RIFF", b"RF64", b"BW64"])
@pytest.mark.parametrize(
    ("bits", "valid", "coding"),
    [(16, 12, 1), (24, 24, 1), (24, 20, 1), (32, 24, 1), (32, 32, 1), (32, 32, 3), (64, 64, 3)],
)
def test_every_width_of_the_extensible_format(
    tmp_path: Path, container: bytes, bits: int, valid: int, coding: int
) -> None:
    codes = np.arange(-60, 60) * (1 if bits < 32 else 1 << 8)
    if coding == 3:
        data = (codes / 7.0).astype(f"<f{bits // 8}").tobytes()
    else:
        data = b"".join(int(code).to_bytes(bits // 8, "little", signed=True) for code in codes)
    form = pcm_format(2, bits, tag=0xFFFE) + struct.pack("<HHIH", 22, valid, 3, coding) + SUBFORMAT
    sizes = () if container == b"RIFF" else (chunk(b"ds64", struct.pack("<QQQI", 0, len(data), 60, 0)),)
    size = None if container == b"RIFF" else 0xFFFFFFFF
    odd = chunk(b"JUNK", b"of odd length")
    parts = (*sizes, odd, chunk(b"fmt ", form), odd, chunk(b"data", data, size), chunk(b"LIST", b"INFO"))
    (tmp_path / "a.wav").write_bytes(riff(*parts, container=container, size=size))
    capture = open_capture(tmp_path / "a.wav")
    assert capture.samples == 60
    for i, channel in enumerate(capture.channels):
        expected = codes[i::2] / 7.0 if coding == 3 else codes[i::2]
        np.testing.assert_allclose(channel.stored, expected, rtol=1e-6)
    assert capture.warnings == ()


@pytest.mark.parametrize("filled", [True, False])
def test_a_chunk_of_odd_length_with_and_without_the_byte_that_fills_it_up(
    tmp_path: Path, filled: bool
) -> None:
    data = np.arange(1, 31, dtype="<i2")
    listed = chunk(b"LIST", b"odd") if filled else chunk(b"LIST", b"odd")[:-1]
    content = riff(listed, chunk(b"fmt ", pcm_format()), listed, chunk(b"data", data.tobytes()))
    (tmp_path / "a.wav").write_bytes(content)
    np.testing.assert_array_equal(open_capture(tmp_path / "a.wav").channels[0].stored, data)
