"""docs/water.md says what is there, and its example runs."""

from __future__ import annotations

import re
from pathlib import Path

import acquire.stats
import acquire.water
from acquire.water.limits import built_in_limits
from acquire.water.solutions import FORMULAS, built_in_solutions

PAGE = (Path(__file__).parents[2] / "docs" / "water.md").read_text(encoding="utf-8")
INNER = {"__init__", "activity", "catalogue", "cautions", "constants", "inputs", "tables"}


def test_the_example_runs():
    blocks = re.findall(r"```python\n(.*?)```", PAGE, flags=re.DOTALL)
    assert blocks
    for block in blocks:
        exec(compile(block, "docs/water.md", "exec"), {})


def test_every_subject_solution_formula_and_limit_is_named():
    modules = {
        path.stem
        for package in (acquire.water, acquire.stats)
        for path in Path(package.__path__[0]).glob("*.py")
    }
    missing = [name for name in modules - INNER if f"{name}.py" not in PAGE]
    known = built_in_limits()
    names = [*built_in_solutions(), *FORMULAS, *known.limits, *known.classes]
    missing += [name for name in names if name not in PAGE]
    assert missing == []


def test_the_page_says_that_nothing_here_shows_a_water_to_be_safe():
    assert "None of this shows that a water is safe to drink" in PAGE
