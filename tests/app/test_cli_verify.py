"""``halfturn verify``, and sessions as input of the other commands."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import pytest
from generators.sessions import version_1

from app.__main__ import main
from app.cli import verify_many
from app.demo import demo_path
from app.files.replace import state_of
from app.files.session import read_session, write_session
from app.model.items import BurstMark, FlipMark


@pytest.fixture(scope="module")
def decoded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("decoded") / "demo.h5"
    assert main(["decode", str(demo_path()), "--span", ":12ms", "--session", str(path)]) == 0
    return path


def verify(path: Path, folder: Path) -> tuple[int, dict[str, Any]]:
    code = main(["verify", str(path), "--json", str(folder / "v.json")])
    return code, json.loads((folder / "v.json").read_text())


def test_a_session_that_was_not_touched_is_the_same(
    decoded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = verify(decoded, tmp_path)
    assert (code, said["same"]) == (0, True)
    bursts = said["decodes"][0]["bursts"]
    assert len(bursts) == len(read_session(decoded).decodes[0].result.bursts) > 4
    assert {burst["verdict"] for burst in bursts} == {"same"}
    assert all(burst["bits"] == burst["bits_again"] for burst in bursts)
    out = capsys.readouterr().out
    assert out.count(": same: ") == len(bursts)
    assert "samples: the same" in out


@pytest.mark.parametrize("where", ["bits", "symbols", "samples"])
def test_a_change_in_the_file_is_found(decoded: Path, tmp_path: Path, where: str) -> None:
    path = tmp_path / "changed.h5"
    path.write_bytes(decoded.read_bytes())
    with h5py.File(path, "r+") as file:
        name = "captures/0/channels/0/samples" if where == "samples" else f"decodes/0/{where}"
        values = file[name][:]
        values[2] = values[2] + 1 if where == "samples" else {b"0": b"1", b"1": b"0"}[values[2]]
        file[name][:] = values
    code, said = verify(path, tmp_path)
    assert (code, said["same"]) == (1, False)
    assert said["decodes"][0]["samples_same"] == (where != "samples")
    if where != "samples":
        (changed,) = [burst for burst in said["decodes"][0]["bursts"] if burst["verdict"] != "same"]
        assert changed["verdict"] == "different"
        assert [one["field"] for one in changed["differences"]] == [where]


def test_bursts_taken_out_and_put_in_are_named(decoded: Path, tmp_path: Path) -> None:
    data = read_session(decoded)
    (run,) = data.decodes
    first, *rest = run.result.bursts
    strange = replace(first, start_s=first.start_s - 1.5e-3, end_s=first.start_s - 0.5e-3)
    result = replace(run.result, bursts=(strange, *rest))
    write_session(tmp_path / "s.h5", replace(data, decodes=(replace(run, result=result),)))
    code, said = verify(tmp_path / "s.h5", tmp_path)
    verdicts = [burst["verdict"] for burst in said["decodes"][0]["bursts"]]
    assert (code, verdicts[:3]) == (1, ["missing", "new", "same"])


def test_corrections_by_hand_stand_apart(
    decoded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = read_session(decoded)
    burst = data.decodes[0].result.bursts[0]
    flip = FlipMark(data.next_key, 0, burst.flips_s[1], removes=True)
    write_session(tmp_path / "s.h5", replace(data, flips=(flip,), next_key=data.next_key + 1))
    code, said = verify(tmp_path / "s.h5", tmp_path)
    found = said["decodes"][0]["bursts"][0]
    assert (code, found["verdict"], found["bits"]) == (0, "same", burst.bits)
    assert found["hand"]["flips_removed"] == 1
    assert found["hand"]["bits"] != burst.bits
    assert "by hand, not compared: 0 flips set, 1 removed; with them " in capsys.readouterr().out


def test_what_cannot_be_verified_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = replace(version_1(), decodes=())
    write_session(tmp_path / "none.h5", data)
    assert verify(tmp_path / "none.h5", tmp_path)[0] == 1
    assert "holds no decode" in capsys.readouterr().err
    (tmp_path / "text.h5").write_text("time,volt\n")
    code, said = verify(tmp_path / "text.h5", tmp_path)
    assert (code, said["same"], len(said["errors"])) == (3, None, 1)
    assert capsys.readouterr().err.count("\n") == 1
    assert main(["verify", str(tmp_path / "lost.h5")]) == 3
    assert main(["verify"]) == 2


def test_the_captures_of_a_session_are_decoded_one_by_one(
    decoded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = read_session(decoded)
    two = replace(data, captures=data.captures * 2, decodes=())
    write_session(tmp_path / "two.h5", two)
    told = ["--span", ":2ms", "--json", str(tmp_path / "j")]
    assert main(["decode", str(tmp_path / "two.h5"), *told]) == 0
    results = json.loads((tmp_path / "j").read_text())["results"]
    assert [one["file"] for one in results] == [f"{tmp_path}/two.h5#{n}" for n in range(2)]
    assert results[0]["bursts"] == results[1]["bursts"] != []
    assert main(["decode", f"{tmp_path}/two.h5#1", *told]) == 0
    again = json.loads((tmp_path / "j").read_text())["results"]
    assert again == results[1:]
    assert main(["info", str(tmp_path / "two.h5"), "--json", str(tmp_path / "j")]) == 0
    assert len(json.loads((tmp_path / "j").read_text())["captures"]) == 2
    assert main(["measure", str(tmp_path / "two.h5")]) == 2
    assert "name one of them" in capsys.readouterr().err
    assert main(["measure", f"{tmp_path}/two.h5#0", "--span", ":2ms"]) == 0
    assert main(["decode", f"{tmp_path}/two.h5#0", "--rate", "1M"]) == 2
    assert main(["decode", f"{tmp_path}/two.h5", "--json", f"{tmp_path}/two.h5"]) == 2


def test_a_session_of_one_capture_goes_by_its_path(decoded: Path, tmp_path: Path) -> None:
    told = ["--span", ":2ms", "--hash", "--json", str(tmp_path / "j")]
    assert main(["decode", str(decoded), *told]) == 0
    (from_session,) = json.loads((tmp_path / "j").read_text())["results"]
    assert main(["decode", str(demo_path()), *told]) == 0
    (from_file,) = json.loads((tmp_path / "j").read_text())["results"]
    assert from_session["bursts"] == from_file["bursts"]
    assert from_session["file"] == str(decoded)


def test_a_broken_session_among_others_is_one_error(decoded: Path, tmp_path: Path) -> None:
    (tmp_path / "cut.h5").write_bytes(decoded.read_bytes()[:3000])
    told = ["--span", ":2ms", "--json", str(tmp_path / "j")]
    assert main(["decode", str(tmp_path / "cut.h5"), str(decoded), *told]) == 3
    said = json.loads((tmp_path / "j").read_text())
    assert (len(said["results"]), len(said["errors"])) == (1, 1)


def test_many_decodes_are_verified_by_several_processes_with_the_same_answer(
    decoded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    data = read_session(decoded)
    (run,) = data.decodes
    spans = [(0.0, 0.004), (0.004, 0.008), (0.008, 0.012)]
    again = [replace(run, key=10 + n, span_s=span) for n, span in enumerate(spans)]
    # one decode of a channel that is not there fails in a worker, and is told all the same
    odd = replace(run, key=20, channel="A + nothing")
    path = tmp_path / "many.h5"
    write_session(path, replace(data, decodes=(*again, odd, run), next_key=30))
    answers = []
    for worth in (0, 1 << 60):
        monkeypatch.setattr(verify_many, "_WORTH_A_POOL_SAMPLES", worth)
        monkeypatch.setattr(verify_many, "usable_processors", lambda: 2)
        code, said = verify(path, tmp_path)
        answers.append((code, said, capsys.readouterr()))
    assert answers[0] == answers[1]
    code, said, told = answers[0]
    assert code == 1
    assert [one["same"] for one in said["decodes"]] == [False, False, False, False, True]
    assert "cannot be decoded again" in told.out


def test_a_session_that_is_replaced_while_it_is_verified_is_verified_as_it_was(
    decoded: Path, tmp_path: Path
) -> None:
    path = tmp_path / "line.h5"
    path.write_bytes(decoded.read_bytes())
    task = verify_many.VerifyTask(path, state_of(path), 0)
    assert verify_many.verify_one(task, lambda: False) is not None
    write_session(path, version_1())
    assert verify_many.verify_one(task, lambda: False) is None
    path.unlink()
    assert verify_many.verify_one(task, lambda: False) is None


EVIL = "A\x1b]0;owned\x07\x1b[31m\u202etxt\nnew line\r\x9b2J"


@pytest.mark.parametrize("command", ["verify", "decode", "info", "measure", "share"])
def test_labels_of_others_give_no_orders_to_the_terminal(
    decoded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    """CWE-150, Improper Neutralization of Escape, Meta, or Control Sequences."""
    data = read_session(decoded)
    (capture,), (run,) = data.captures, data.decodes
    channel = replace(capture.channels[0], name=EVIL, unit="V\x1b[31m")
    hostile = replace(capture, name=EVIL, label=EVIL, format=EVIL, channels=(channel,))
    mark = BurstMark(900, 0, EVIL, run.result.bursts[1].start_s + 1e-4, EVIL, excluded=False)
    runs = (replace(run, channel=EVIL, program_version=EVIL),)
    path = tmp_path / "evil.h5"
    write_session(
        path,
        replace(data, captures=(hostile,), decodes=runs, burst_marks=(mark,), next_key=1000),
    )
    more = {"measure": ["--span", "1ms:5ms"], "verify": ["--json", str(tmp_path / "v.json")]}
    assert main([command, str(path), *more.get(command, [])]) == 0
    told = capsys.readouterr()
    for text in (told.out, told.err):
        assert all(char == "\n" or char.isprintable() for char in text)
        assert not any(line.startswith("new line") for line in text.splitlines())
    if command == "verify":  # what scripts read has it as it is
        assert json.loads((tmp_path / "v.json").read_text())["decodes"][0]["label"] == EVIL
