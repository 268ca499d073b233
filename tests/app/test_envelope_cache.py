"""Envelopes kept between runs: found again, gone on from, and never wrong."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from app.files import envelope_cache
from app.files.envelope_cache import EnvelopeCache, build_kept, cache_folder, identify
from app.model.capture import Capture, Channel, Segment
from app.model.expressions import ChannelSource, channel_source
from dsp.envelope import FIRST_BIN, LOT, EnvelopePyramid

LOTS = 6
COUNT = (LOTS - 1) * LOT + 1234  # above what is worth keeping


def write(path: Path, values: np.ndarray, age_s: float = 100.0) -> np.ndarray:
    """A file of some age, as a capture from yesterday is, and its mapped samples."""
    values.tofile(path)
    then = time.time_ns() - int(age_s * 1e9)
    os.utime(path, ns=(then, then))
    return np.memmap(path, values.dtype, "r")


@pytest.fixture
def values() -> np.ndarray:
    made = np.random.default_rng(3).integers(-20, 20, COUNT).astype(np.int8)
    made[3 * LOT + 77] = 111
    return made


@pytest.fixture
def mapped(tmp_path: Path, values: np.ndarray) -> np.ndarray:
    return write(tmp_path / "line.raw", values)


@pytest.fixture
def cache(tmp_path: Path) -> EnvelopeCache:
    return EnvelopeCache(tmp_path / "cache")


class Counting(EnvelopePyramid):
    """Counts the lots that are worked out from the samples."""

    def __init__(self, source: np.ndarray) -> None:
        super().__init__(source)
        self.lots = 0

    def _reduced(self, start: int, length: int):
        self.lots += 1
        return super()._reduced(start, length)


def built(mapped: np.ndarray, cache: EnvelopeCache | None) -> Counting:
    pyramid = Counting(mapped)
    for _ in build_kept(pyramid, mapped, cache):
        pass
    return pyramid


def assert_right(pyramid: EnvelopePyramid, values: np.ndarray) -> None:
    low, high = pyramid.first_level()
    starts = np.arange(0, values.size, FIRST_BIN)
    np.testing.assert_array_equal(low, np.minimum.reduceat(values, starts))
    np.testing.assert_array_equal(high, np.maximum.reduceat(values, starts))
    assert pyramid.extremes(0, values.size) == (values.min(), values.max())


def kept_files(cache: EnvelopeCache) -> list[Path]:
    return sorted(cache.folder.glob("*.envelope"))


def test_second_opening_reads_next_to_no_samples(mapped, values, cache):
    first = built(mapped, cache)
    assert first.lots == LOTS
    assert len(kept_files(cache)) == 1
    second = built(mapped, cache)
    assert second.lots == 0
    assert_right(second, values)


def test_a_part_is_gone_on_from(mapped, values, cache):
    pyramid = Counting(mapped)
    steps = build_kept(pyramid, mapped, cache)
    for _ in range(3):
        next(steps)
    steps.close()
    second = built(mapped, cache)
    assert second.lots == LOTS - 3
    assert_right(second, values)


@pytest.mark.parametrize("what", ["content", "time", "size", "inode"])
def test_another_file_in_its_place_is_not_mistaken_for_it(tmp_path, mapped, values, cache, what):
    built(mapped, cache)
    path = tmp_path / "line.raw"
    other = values.copy()
    before = path.stat()
    if what == "size":
        other = np.concatenate([other, other[:5]])
    other[2 * LOT] = -99
    if what == "inode":
        path.rename(tmp_path / "old.raw")  # so that its inode is not given out again
    again = write(path, other)
    if what in ("content", "inode"):
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    if what == "content":
        # same path, size, time and inode: nothing but the samples can tell, which the spots do where they fall
        other[:-1] = 42
        with path.open("r+b") as file:
            file.write(other.tobytes())
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert_right(built(again, cache), other)


def test_a_file_changed_while_it_was_read_is_not_kept(tmp_path, mapped, values, cache):
    steps = build_kept(EnvelopePyramid(mapped), mapped, cache)
    next(steps)
    write(tmp_path / "line.raw", values, age_s=50.0)
    for _ in steps:
        pass
    assert kept_files(cache) == []


def test_a_file_just_written_is_not_kept_yet(tmp_path, values, cache):
    """It might be written to again within the same tick of the file system's clock."""
    built(write(tmp_path / "new.raw", values, age_s=0.0), cache)
    assert kept_files(cache) == []


@pytest.mark.parametrize("damage", ["cut", "byte", "empty", "longer", "garbage", "folder"])
def test_a_damaged_file_is_passed_over_and_replaced(mapped, values, cache, damage):
    built(mapped, cache)
    (path,) = kept_files(cache)
    content = bytearray(path.read_bytes())
    if damage == "byte":
        content[len(content) // 2] ^= 1
    path.unlink()
    if damage == "folder":
        path.mkdir()
    else:
        path.write_bytes(
            {
                "cut": content[:-1000],
                "byte": content,
                "empty": b"",
                "longer": content + b"\0",
                "garbage": os.urandom(5000),
            }[damage]
        )
    second = built(mapped, cache)
    assert second.lots == LOTS
    assert_right(second, values)
    if damage != "folder":
        assert built(mapped, cache).lots == 0


def test_right_digest_over_another_capture_is_passed_over(tmp_path, mapped, values, cache):
    """As if two names fell together."""
    built(mapped, cache)
    other = write(tmp_path / "other.raw", np.roll(values, LOT + 13))
    identity = identify(other)
    kept_files(cache)[0].rename(cache.folder / identity.name)
    assert built(other, cache).lots == LOTS


def test_each_channel_of_a_file_has_its_own(tmp_path, values, cache):
    stored = write(tmp_path / "two.raw", np.stack([values, -values], axis=1).reshape(-1)).reshape(-1, 2)
    assert_right(built(stored[:, 0], cache), values)
    assert_right(built(stored[:, 1], cache), -values)
    assert len(kept_files(cache)) == 2
    assert built(stored[:, 1], cache).lots == 0
    assert_right(built(stored[:, 0], cache), values)


def test_arrays_in_memory_have_no_identity(values, tmp_path):
    assert identify(values) is None
    assert identify([1, 2, 3]) is None
    mapped = write(tmp_path / "a.raw", values)
    assert identify(mapped * 2) is None
    assert identify(mapped) is not None
    assert identify(mapped[8:]).start == 8
    (tmp_path / "a.raw").unlink()
    assert identify(mapped) is None


def test_small_captures_leave_nothing_behind(tmp_path, cache):
    built(write(tmp_path / "small.raw", np.zeros(100_000, np.int8)), cache)
    assert not cache.folder.exists()


def test_a_folder_that_cannot_be_written_is_done_without(tmp_path, mapped, values):
    (tmp_path / "file").write_text("in the way")
    assert_right(built(mapped, EnvelopeCache(tmp_path / "file" / "cache")), values)


def test_a_user_without_a_home_does_without(mapped, values, monkeypatch):
    def nobody() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(envelope_cache.Path, "home", nobody)
    for name in ("HOME", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    cache = EnvelopeCache()
    assert_right(built(mapped, cache), values)
    assert not cache.folder.exists()


def test_deleted_at_any_time(mapped, values, cache):
    built(mapped, cache)
    kept_files(cache)[0].unlink()
    cache.folder.rmdir()
    assert_right(built(mapped, cache), values)
    assert len(kept_files(cache)) == 1


def test_bounded_and_the_longest_unused_goes_first(tmp_path, values):
    one = 2 * -(-COUNT // FIRST_BIN)
    cache = EnvelopeCache(tmp_path / "cache", most_bytes=int(3.5 * one))
    captures = [write(tmp_path / f"{k}.raw", values, age_s=100.0 + k) for k in range(5)]
    for at, mapped in enumerate(captures):
        built(mapped, cache)
        for file in kept_files(cache):  # a minute passes
            facts = file.stat()
            os.utime(file, (facts.st_atime - 60, facts.st_mtime - 60))
        if at == 3:
            assert built(captures[1], cache).lots == 0
    names = {path.name for path in kept_files(cache)}
    assert names == {identify(captures[k]).name for k in (1, 3, 4)}
    assert sum(path.stat().st_size for path in kept_files(cache)) <= int(3.5 * one)


def test_what_a_killed_program_left_is_swept(mapped, cache):
    cache.folder.mkdir()
    old, new = cache.folder / "a.partial", cache.folder / "b.partial"
    for path in (old, new):
        path.write_bytes(b"x")
    os.utime(old, (0, 0))
    built(mapped, cache)
    assert not old.exists()
    assert new.exists()  # perhaps of a program that is still writing


KILLED = """
import sys, time
import numpy as np
from dataclasses import replace
from pathlib import Path
from app.files.envelope_cache import EnvelopeCache, build_kept
from dsp.envelope import EnvelopePyramid
mapped = np.memmap(sys.argv[1], np.int8, "r")
print("begun", flush=True)
for done in build_kept(EnvelopePyramid(mapped), mapped, EnvelopeCache(Path(sys.argv[2])), every_s=0.0):
    time.sleep(0.03)
"""


@pytest.mark.parametrize("after_s", [0.0, 0.05, 0.11])
def test_killed_half_way_and_resumed(tmp_path, mapped, values, cache, after_s):
    command = [sys.executable, "-c", KILLED, str(tmp_path / "line.raw"), str(cache.folder)]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    child = subprocess.Popen(command, stdout=subprocess.PIPE, env=environment)
    assert child.stdout is not None
    child.stdout.readline()
    time.sleep(after_s)
    if after_s:
        deadline = time.monotonic() + 20
        while not kept_files(cache) and time.monotonic() < deadline:
            time.sleep(0.002)
    child.send_signal(signal.SIGKILL)
    child.wait()
    child.stdout.close()
    second = built(mapped, cache)
    assert_right(second, values)
    if after_s:
        assert second.lots < LOTS
    assert built(mapped, cache).lots == 0


@pytest.mark.parametrize(
    ("platform", "environment", "expected"),
    [
        ("linux", {"HOME": "/home/ann", "XDG_CACHE_HOME": "/var/scrap"}, "/var/scrap/halfturn/envelopes"),
        ("linux", {"HOME": "/home/ann"}, "/home/ann/.cache/halfturn/envelopes"),
        # "If an implementation encounters a relative path ... it should consider the path invalid and ignore it"
        ("linux", {"HOME": "/home/ann", "XDG_CACHE_HOME": "scrap"}, "/home/ann/.cache/halfturn/envelopes"),
        ("linux", {"HOME": "/home/ann", "XDG_CACHE_HOME": ""}, "/home/ann/.cache/halfturn/envelopes"),
        ("darwin", {"HOME": "/Users/ann"}, "/Users/ann/Library/Caches/halfturn/envelopes"),
        ("win32", {"HOME": "/u", "LOCALAPPDATA": "/u/Local"}, "/u/Local/halfturn/envelopes"),
    ],
)
def test_folder_is_where_the_system_wants_it(platform, environment, expected):
    assert cache_folder(environment, platform) == Path(expected)


def test_folder_is_for_the_user_alone(mapped, cache):
    built(mapped, cache)
    if os.name == "posix":
        assert cache.folder.stat().st_mode & 0o077 == 0
        assert kept_files(cache)[0].stat().st_mode & 0o077 == 0


def test_too_large_for_the_bound_is_not_kept(mapped, tmp_path):
    cache = EnvelopeCache(tmp_path / "cache", most_bytes=1000)
    built(mapped, cache)
    assert not cache.folder.exists()
    assert envelope_cache.MOST_BYTES >= 2 * 2 * 10**9 // FIRST_BIN  # of 10^9 samples of int16 fits many times


# --- channels that are computed


def two_channels(mapped: np.ndarray, scale: float = 0.5) -> Capture:
    channels = (Channel("A", mapped[0::2][:200_000], scale), Channel("B", mapped[1::2][:200_000]))
    return Capture("line", "raw", 1e6, 0.0, channels, (Segment(0, 200_000, 0.0),))


def computed(source: ChannelSource, cache: EnvelopeCache) -> Counting:
    pyramid = Counting(source)  # type: ignore[arg-type]
    for _ in build_kept(pyramid, source, cache):
        pass
    return pyramid


TEXT = "lowpass(A, 200k) - B"


def test_what_is_computed_is_kept_as_well(mapped, cache, monkeypatch):
    monkeypatch.setattr(envelope_cache, "WORTH_FROM_COMPUTED", 1)
    first = computed(channel_source(two_channels(mapped), TEXT), cache)
    again = computed(channel_source(two_channels(mapped), TEXT), cache)
    assert first.lots > 0
    assert again.lots == 0
    for one, other in zip(first.first_level(), again.first_level(), strict=True):
        np.testing.assert_array_equal(one, other)


def test_what_is_computed_otherwise_is_not_taken_for_it(mapped, cache, monkeypatch):
    monkeypatch.setattr(envelope_cache, "WORTH_FROM_COMPUTED", 1)
    computed(channel_source(two_channels(mapped), TEXT), cache)
    others = [
        channel_source(two_channels(mapped), "lowpass(A, 201k) - B"),
        channel_source(two_channels(mapped, 0.6), TEXT),
        channel_source(replace(two_channels(mapped), rate_hz=2e6), TEXT),
        channel_source(
            replace(two_channels(mapped), segments=(Segment(0, 9, 0.0), Segment(9, 200_000, 1.0))), TEXT
        ),
        channel_source(replace(two_channels(mapped), channels=two_channels(mapped[2:]).channels), TEXT),
    ]
    for other in others:
        assert computed(other, cache).lots > 0
    monkeypatch.setattr(envelope_cache, "program_version", lambda: "another")
    assert computed(channel_source(two_channels(mapped), TEXT), cache).lots > 0


def test_what_is_computed_from_two_files_or_from_memory_is_not_kept(mapped, values, tmp_path):
    other = write(tmp_path / "other.raw", values)
    channels = (Channel("A", mapped), Channel("B", other), Channel("C", values))
    capture = Capture("line", "raw", 1e6, 0.0, channels, (Segment(0, COUNT, 0.0),))
    assert identify(channel_source(capture, "A * 2")) is not None
    assert identify(channel_source(capture, "A - B")) is None
    assert identify(channel_source(capture, "A - C")) is None
