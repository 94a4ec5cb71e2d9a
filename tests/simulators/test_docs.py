from __future__ import annotations

import re
from pathlib import Path

import pytest

from simulators.hand import SCRIPTS, load_script
from simulators.speech import LineFaults
from simulators.waters import load_waters

PAGE = (Path(__file__).parents[2] / "docs" / "simulators.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", [*load_waters(), *SCRIPTS])
def test_every_water_and_every_script_is_on_the_page(name):
    assert f"`{name}`" in PAGE


def test_the_script_on_the_page_loads(tmp_path):
    path = tmp_path / "script.toml"
    path.write_text(re.search(r"```toml\n(.*?)```", PAGE, re.DOTALL)[1], encoding="utf-8")
    assert len(load_script(path).stops) == 2


def test_the_code_on_the_page_runs():
    exec(re.search(r"```python\n(.*?)```", PAGE, re.DOTALL)[1], {})


def test_the_page_names_as_many_faults_as_there_are():
    said = re.search(r"gives a bad wire: (.*?)\.", PAGE, re.DOTALL)[1]
    assert len(said.split(",")) == len(LineFaults.__slots__)
