"""Some hours of the soak; `make soak` makes a month of it. See tests/faults/soak."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

MAIN = Path(__file__).parents[2]


@pytest.mark.timeout(120)
def test_some_hours_with_faults_lose_nothing_double_nothing_and_hold_level():
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.soak", "--days", "0.1", "--seed", "1", "--json"],
        cwd=MAIN,
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )
    assert done.stdout, done.stderr[-3000:]
    found = json.loads(done.stdout)
    assert found["problems"] == []
    assert sum(found["faults"].values()) >= 3
    assert found["captures"] >= 10
    assert found["stays_untouched"] >= 3
    assert done.returncode == 0, done.stderr[-3000:]
