"""Some hours of the soak; `make soak` makes a month of it. See tests/faults/soak."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults.soak import browsers
from tests.faults.soak.__main__ import held_level, problems_of

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
    assert found["told_to_browsers"] >= 20
    assert done.returncode == 0, done.stderr[-3000:]


@pytest.mark.parametrize(
    ("heard", "complaint"),
    [
        ([3, 4, 5, 6, 7], None),  # it came at 3 and stayed beyond what was waited for
        ([3, 5, 6], "1 missed [4], 0 twice"),
        ([3, 4, 4, 5, 6], "0 missed [], 1 twice [4]"),
        ([3, 5, 4, 6], "0 missed [], 0 twice"),
        ([], "heard nothing"),
    ],
)
def test_what_a_browser_missed_or_heard_twice_is_named(tmp_path, heard, complaint):
    for name in browsers.NAMES:
        numbers = heard if name == "slow" else [1, 2, 3, 4, 5, 6]
        (tmp_path / name).write_text("".join(f"{number}\n" for number in numbers))
    problems = browsers.heard_wrong(tmp_path, [1, 2, 3, 4, 5, 6])
    assert len(problems) == (complaint is not None)
    assert complaint is None or complaint in problems[0]


def test_what_grows_is_told_from_what_comes_and_goes():
    looks = [
        {"day": n / 96, "rss_mib": 60.0 + n % 5, "descriptors": 25.0, "tasks": 46.0 - (n % 7 == 0)}
        for n in range(30 * 96)
    ]
    quiet = {"problems": [], "events_a_day": 100.0, "log_bytes_a_day": 300}
    assert problems_of({**quiet, **held_level(looks, 30.0)}) == []
    for name, grown in (("tasks", 1.0), ("descriptors", 1.0), ("rss_mib", 2.1)):
        leaking = [{**one, name: one[name] + grown * (one["day"] > 20)} for one in looks]
        (problem,) = problems_of({**quiet, **held_level(leaking, 30.0)})
        assert name in problem or "more memory" in problem
