from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MOST_LINES = 400


@pytest.mark.parametrize("folder", ["app", "dsp"])
def test_modules_stay_short_enough_to_have_one_reason_to_change(folder: str) -> None:
    files = sorted((ROOT / folder).rglob("*.py"))
    assert len(files) > 5
    lengths = {str(f.relative_to(ROOT)): len(f.read_text(encoding="utf-8").splitlines()) for f in files}
    assert {name: lines for name, lines in lengths.items() if lines > MOST_LINES} == {}
