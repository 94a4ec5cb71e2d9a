"""A name that is gone is found without running what takes it."""

from __future__ import annotations

import pytest

from tests import names_held

NAMES = names_held.Names()


def test_nothing_takes_a_name_that_is_gone(capsys):
    assert names_held.main() == 0, capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("from acquire.readings import Reading", []),
        ("from acquire.readings import Lecture", ["acquire.readings.Lecture"]),
        ("def f():\n    from acquire.readings import Lecture", ["acquire.readings.Lecture"]),
        ("from acquire.lectures import Reading", ["acquire.lectures"]),
        ("import acquire.lectures", ["acquire.lectures"]),
        ("from acquire import config", []),
        ("from acquire import config\nconfig.load(None)", []),
        ("from acquire import config\nconfig.lade(None)", ["acquire.config.lade"]),
        ("import acquire.config as c\nc.lade(None)", ["acquire.config.lade"]),
        ("from tests.conftest import FakeClock, Uhr", ["tests.conftest.Uhr"]),
        ("monkeypatch.setattr('acquire.config.lade', None)", ["acquire.config.lade"]),
        ("monkeypatch.setattr('acquire.config.load', None)", []),
        ("from serial import nothing_of_ours", []),
        # A name of its own that hides the module is its own business.
        ("from acquire import config\ndef f(config):\n    config.lade()", []),
    ],
)
def test_what_is_gone_is_named(text, missing):
    assert [name for _, name in names_held.gone(text, NAMES)] == missing


def test_a_benchmark_takes_its_neighbours_by_their_bare_names():
    text = "from rules import Nothing"
    missing = [name for _, name in names_held.gone(text, NAMES, "tests.benchmarks.settling")]
    assert missing == ["tests.benchmarks.settling.rules.Nothing"]
    assert not list(names_held.gone(text, NAMES, "tests.water"))
