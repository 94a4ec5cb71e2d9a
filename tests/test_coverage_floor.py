"""The floor under the pure modules holds what it says it holds."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests import coverage_floor

ROOT = Path(__file__).parents[1]


def found(lines, branches):
    """As `coverage json` has a file: of a hundred lines and branches so many are reached."""
    summary = {"covered_lines": lines, "num_statements": 100}
    summary |= {"covered_branches": branches, "num_branches": 100}
    return {"summary": summary, "missing_lines": [7], "missing_branches": [[7, 9], [8, -1]]}


@pytest.mark.parametrize(
    ("files", "code", "says"),
    [
        ({"acquire/settle.py": found(95, 95)}, 0, "1 pure modules: lines 95.0 %"),
        ({"acquire/settle.py": found(100, 94)}, 1, "acquire/settle.py: lines 100 %, branches 94 %"),
        ({"acquire/settle.py": found(94, 100)}, 1, "7, 7->9, 8->exit"),
        ({"acquire/daemon.py": found(0, 0), "drivers/codecs/a.py": found(99, 99)}, 0, "1 pure"),
        ({"acquire/daemon.py": found(100, 100)}, 1, "0 pure modules"),  # nothing was looked at
    ],
)
def test_less_than_the_floor_fails_and_is_named(tmp_path, capsys, files, code, says):
    report = tmp_path / "report.json"
    report.write_text(json.dumps({"files": files}))
    assert coverage_floor.main(report) == code
    assert says in capsys.readouterr().out


@pytest.mark.parametrize("pattern", coverage_floor.PURE)
def test_every_pattern_still_names_a_module(pattern):
    assert list(ROOT.glob(pattern)), "it was moved: name where it is now"


def test_the_tests_that_are_traced_are_there():
    words = (ROOT / "scripts/coverage").read_text("utf-8").split()
    asked = [word for word in words if word.startswith("tests/")]
    assert len(asked) > 20
    assert not [word for word in asked if not (ROOT / word).exists()]
