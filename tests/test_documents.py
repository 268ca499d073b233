"""README, the set-up and the package, held against each other."""

import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from generators.decodes import capture, keyed

from app.cli.parser import COMMANDS
from app.jobs import contract, contract_verify, decoding
from app.jobs.decoding import DecodeRequest
from app.jobs.inspecting import inspect_capture
from app.jobs.measuring import run_measure
from app.jobs.verifying import Difference, HandCorrection, RunVerdict, verify_run
from app.model.items import DecodeRun, SessionData
from dsp.results import KINDS, LINE_CODES

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, re.S)


def test_the_two_commands_are_what_the_checks_run() -> None:
    commands = blocks("sh")[:2]
    assert commands == ["sh .ci/setup && .venv/bin/halfturn demo\n", "sh .ci/setup && .venv/bin/pytest\n"]
    assert f"sh -c '{commands[1].strip()}'" in (ROOT / ".ci" / "run").read_text()


def test_every_command_is_in_the_table() -> None:
    assert set(re.findall(r"^\| `halfturn (\w+)", README, re.M)) == set(COMMANDS)


def test_every_package_is_installed() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    found = {
        ".".join(init.parent.relative_to(ROOT).parts)
        for top in ("app", "dsp")
        for init in (ROOT / top).rglob("__init__.py")
    }
    assert set(project["tool"]["setuptools"]["packages"]) == found | {"app.assets"}


def keys(value: Any) -> Any:
    """The names of the fields, and those within; of a list, those of its first element."""
    if isinstance(value, dict):
        return {name: keys(inner) for name, inner in value.items()}
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return [keys(value[0])]
    return None


def documented(title: str) -> Any:
    (found,) = [document for block in blocks("json") if title in (document := json.loads(block))]
    return found


def made(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """A document of each kind as the program writes it, of a decode with every field filled."""
    monkeypatch.setattr(decoding, "decode", lambda *_, **__: keyed())
    asked = DecodeRequest(capture(np.arange(3000, dtype=np.int16)))
    errors = [contract.error_entry("lost.csv", "no such file")]
    decoded = contract.decode_entry("vent.csv", None, decoding.run_decode(asked))
    inspected = contract.info_entry("vent.csv", inspect_capture(asked.capture))
    measured = contract.measure_entry("vent.csv", run_measure(asked))
    return {
        "results": contract.decode_document("1", [decoded], errors),
        "captures": contract.info_document("1", [inspected], []),
        "measurements": contract.measure_document("1", [measured], []),
        "decodes": contract_verify.verify_document(
            "1", [contract_verify.verify_entry("s.h5", verdict())], []
        ),
    }


def verdict() -> RunVerdict:
    """A decode that came out otherwise, with every field filled."""
    run = DecodeRun(1, 0, "A", (0.0, 0.003), "1", "00", keyed())
    data = SessionData(captures=(capture(np.arange(3000, dtype=np.int16)),), decodes=(run,))
    found = verify_run(data, run)
    other = Difference("bits", "1", "0")
    bursts = (replace(found.bursts[0], differences=(other,), hand=HandCorrection(1, 0, "1")),)
    return replace(found, differences=(other,), bursts=bursts)


@pytest.mark.parametrize("title", ["results", "captures", "measurements", "decodes"])
def test_the_json_in_the_readme_has_the_fields_that_are_written(
    title: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = keys(made(monkeypatch)[title])
    assert len(written[title][0]) > 5
    assert keys(documented(title)) == written


def test_every_field_of_a_burst_is_explained() -> None:
    explained = set(re.findall(r"`(\w+)`", README))
    assert {name for name in contract.BURST_FIELDS if name not in explained} == set()


def test_every_kind_and_line_code_is_named() -> None:
    assert {word for word in (*KINDS, *LINE_CODES) if f"`{word}`" not in README} == set()


def test_the_notebook_example_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (example,) = [block for block in blocks("python") if "dsp.decode" in block]
    np.save(tmp_path / "line.npy", np.zeros(5000))
    monkeypatch.chdir(tmp_path)
    found: dict[str, Any] = {}
    exec(compile(example, "README.md", "exec"), found)
    assert found["result"].bursts == ()
    assert found["result"].refusal is not None
