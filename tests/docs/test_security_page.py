"""Every answer on the security page is held by a test that is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs/security.md").read_text("utf-8")
NAMED = sorted(set(re.findall(r"`((?:[\w/]+/)?test_\w+\.py)(?:::(\w+))?`", TEXT)))


@pytest.mark.parametrize(("file", "test"), NAMED)
def test_a_test_that_the_page_names_is_there(file, test):
    code = (ROOT / "tests" / file).read_text("utf-8")
    assert re.search(rf"^(async )?def {test or 'test_'}", code, re.MULTILINE)


def test_every_row_of_what_is_not_trusted_names_a_test():
    part = TEXT.split("## Not trusted")[1].split("\n## ")[0]
    rows = [line for line in part.splitlines() if line.startswith("|")][2:]
    assert len(rows) >= 12
    assert not [row[:60] for row in rows if ".py" not in row]
