"""Valid sessions changed at random, in their bytes and in their structure: refused in one sentence or read.

``HALFTURN_TEST_FUZZ`` is the number of cases of each kind; a run of the suite does some hundreds.
"""

import os
import random
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest
from generators.sessions import version_1, with_samples

from app.errors import SessionError
from app.files import probe
from app.files.probe import check_in_child
from app.files.session import write_session

ROOT = Path(__file__).parents[2]

# A broken file can crash the library itself, so the fuzzing is done in a process of its own, whose memory and
# time a case may take are limited.
STRUCTURE = """
import random, resource, signal, sys, time, warnings
from pathlib import Path
import h5py
import numpy as np
from generators.sessions import version_1, with_samples
from app.errors import SessionError
from app.files import schema
from app.files.session import read_session, write_session

warnings.simplefilter("ignore")
path, cases, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
chance = random.Random(seed)
resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
write_session(path, version_1())
small = path.read_bytes()
write_session(path, with_samples((np.arange(30_000) * 37 % 1009).astype("i2")))
chunked = path.read_bytes()

def value():
    return chance.choice([
        lambda: np.int64(chance.choice([-1, 0, 1, 2**31, 2**62, -2**63, chance.randrange(100)])),
        lambda: np.float64(chance.choice([0.0, -1.0, 1e300, np.nan, np.inf, 1e-300])),
        lambda: np.bytes_(chance.choice([b"x", b"linked", b"../../../etc/passwd", b"\\xff\\xfe", b"A" * 3000])),
        lambda: "variable", lambda: np.arange(chance.randrange(5)), lambda: np.uint8(255), lambda: np.float32(1),
        lambda: np.bool_(True), lambda: np.complex64(1), lambda: h5py.Empty("f8"),
    ])()

def data():
    return chance.choice([
        lambda: value(), lambda: np.zeros(chance.randrange(200), chance.choice(["i1", "i8", "f2", "f8", "S3", "u2", "c8"])),
        lambda: np.zeros((2, 3)), lambda: np.array(["a"], h5py.string_dtype()),
        lambda: np.zeros(3, [("a", "i8"), ("b", "S4")]),
    ])()

def everything(file):
    found = [file]
    file.visititems(lambda _name, item: found.append(item))
    return found

def mutate(file):
    items = everything(file)
    one = chance.choice(items)
    groups = [item for item in items if isinstance(item, h5py.Group)]
    sets = [item for item in items if isinstance(item, h5py.Dataset)]
    group, dataset = chance.choice(groups), chance.choice(sets) if sets else None
    kind = chance.randrange(14)
    if kind == 0 and len(one.attrs):
        del one.attrs[chance.choice(list(one.attrs))]
    elif kind == 1:
        name = chance.choice(list(one.attrs) or ["extra"])
        one.attrs[name] = value()
    elif kind == 2:
        one.attrs[chance.choice(["extra", "Strange Name", "a" * 100, "rate_hz"])] = value()
    elif kind == 3 and one is not file:
        del file[one.name]
    elif kind == 4 and dataset is not None:
        name = dataset.name
        del file[name]
        file[name] = data()
    elif kind == 5:
        group[f"new{chance.randrange(9)}"] = chance.choice([
            h5py.SoftLink("/"), h5py.ExternalLink("/etc/passwd", "/"), np.dtype("i4"),
            h5py.SoftLink("/captures/0/channels/0/samples")])
    elif kind == 6:
        group[f"hard{chance.randrange(9)}"] = one
    elif kind == 7:
        file.create_dataset(f"{group.name}/big{chance.randrange(9)}", (2**chance.randrange(20, 50),), "i2", chunks=(1024,))
    elif kind == 8 and dataset is not None and dataset.dtype.names and len(dataset):
        rows = dataset[:]
        column = chance.choice(dataset.dtype.names)
        new = value()
        try:
            rows[column][chance.randrange(len(rows))] = new
        except (ValueError, TypeError, OverflowError):
            return
        dataset[:] = rows
    elif kind == 9 and dataset is not None and len(dataset):
        values = dataset[:]
        raw = bytearray(values.tobytes())
        for _ in range(8):
            raw[chance.randrange(len(raw))] = chance.randrange(256)
        dataset[:] = np.frombuffer(bytes(raw), values.dtype).reshape(values.shape)
    elif kind == 10 and dataset is not None:
        other = chance.choice(sets)
        if other.name != dataset.name:
            name = dataset.name
            del file[name]
            file.copy(other, name)
    elif kind == 11 and one is not file:
        file.move(one.name, f"{group.name}/{chance.choice(['0', '1', '2', 'captures', 'samples'])}")
    elif kind == 12:
        chain = "/".join(chance.choice("abc") for _ in range(chance.randrange(1, 12)))
        file.require_group(f"{group.name}/{chain}")
    elif kind == 13:
        file.create_dataset(f"{group.name}/refs{chance.randrange(9)}", (1,), h5py.ref_dtype)[0] = one.ref

refused = done = 0
slowest = 0.0
while done < cases:
    path.write_bytes(chance.choice((small, small, chunked)))
    try:
        with h5py.File(path, "r+") as file:
            for _ in range(chance.choice((1, 1, 1, 2, 4))):
                mutate(file)
    except (ValueError, RuntimeError, KeyError, OSError, TypeError, MemoryError):
        continue  # the library would not make such a file
    done += 1
    begun = time.monotonic()
    signal.alarm(20)
    schema.READ_AT_ONCE_BYTES = chance.choice((0, 64 << 20))  # samples read at once, or left in the file
    try:
        for capture in read_session(path).captures:
            for channel in capture.channels:
                np.asarray(channel.stored[:])
    except SessionError as error:
        refused += 1
        assert "\\n" not in str(error) and len(str(error)) < 600 + len(str(path)), str(error)
    signal.alarm(0)
    slowest = max(slowest, time.monotonic() - begun)
print(refused, f"{slowest:.2f}")
"""


def test_changed_structures_are_refused_or_read(tmp_path: Path) -> None:
    cases = int(os.environ.get("HALFTURN_TEST_FUZZ", "250"))
    seed = int(os.environ.get("HALFTURN_TEST_SEED", random.SystemRandom().randrange(10**6)))
    done = subprocess.run(
        [sys.executable, "-c", STRUCTURE, str(tmp_path / "x.h5"), str(cases), str(seed)],
        env={"PYTHONPATH": f"{ROOT}:{ROOT / 'tests'}", "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
        timeout=120 + cases // 5,
    )
    assert done.returncode == 0, f"seed {seed}: {done.stderr[-2000:]}"
    refused = int(done.stdout.split()[0])
    assert cases // 2 < refused < cases


def test_a_trial_lets_pass_what_can_be_read_or_refused(tmp_path: Path) -> None:
    good = tmp_path / "good.h5"
    write_session(good, version_1())
    (tmp_path / "bad.h5").write_bytes(good.read_bytes()[:2000])
    (tmp_path / "text.csv").write_text("1,2\n")
    with h5py.File(tmp_path / "plain.h5", "w") as file:
        file["line"] = np.zeros(10)
    for name in ("good.h5", "bad.h5", "text.csv", "plain.h5", "missing.h5"):
        check_in_child(tmp_path / name)


@pytest.mark.parametrize("end", ["os.abort()", "os.kill(os.getpid(), 11)", "os._exit(9)"])
def test_a_file_that_ends_the_process_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, end: str
) -> None:
    write_session(tmp_path / "x.h5", with_samples(np.arange(10, dtype="i2")))
    monkeypatch.setattr(probe, "_CALL", f"import os; {end}")
    with pytest.raises(SessionError, match="broke down over it in a trial"):
        check_in_child(tmp_path / "x.h5")


def test_a_file_that_is_never_done_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_session(tmp_path / "x.h5", with_samples(np.arange(10, dtype="i2")))
    monkeypatch.setattr(probe, "_CALL", "import time; time.sleep(60)")
    monkeypatch.setattr(probe, "_LONGEST_S", 0.5)
    with pytest.raises(SessionError, match="takes more than"):
        check_in_child(tmp_path / "x.h5")
