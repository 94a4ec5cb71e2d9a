"""An audit that could ask nothing never looks like one that found nothing."""

from __future__ import annotations

import json

import pytest

from tests import audit_verdict

LOCK = """
one==1.0 \\
    --hash=sha256:00
two==2.0 ; sys_platform == 'linux' \\
    --hash=sha256:00
other==3.0 ; sys_platform == 'win32' \\
    --hash=sha256:00
"""
FAULT = {"id": "PYSEC-2026-1", "fix_versions": ["1.1"], "aliases": [], "description": "…"}


def clean(name):
    return {"name": name, "version": "1.0", "vulns": []}


def unknown(name):
    return {"name": name, "skip_reason": "Dependency not found on PyPI and could not be audited"}


def faulty(name):
    return {"name": name, "version": "1.0", "vulns": [FAULT]}


@pytest.mark.parametrize(
    ("pypi", "osv", "code", "says"),
    [
        (
            [clean("one"), clean("two")],
            None,
            0,
            "2 of 3 packages asked about, 0 known faults; 1 are",
        ),
        ([faulty("one"), clean("two")], None, 1, "one: PYSEC-2026-1, mended in 1.1"),
        # A network that is not there, an index that knows none of them, one that is asked in vain.
        (None, None, 2, "could not reach the advisory database for 3: one, other, two"),
        ([unknown("one"), unknown("two")], None, 2, "pypi: answers, but does not know 2 of 2"),
        (
            [clean("one"), unknown("two")],
            None,
            2,
            "could not reach the advisory database for 1: two",
        ),
        # What one does not know the other may; a fault that either knows is one.
        ([clean("one"), unknown("two")], [clean("one"), clean("two")], 0, "0 known faults"),
        ([clean("one"), clean("two")], [faulty("one"), clean("two")], 1, "PYSEC-2026-1"),
        ([unknown("one"), unknown("two")], [faulty("one"), unknown("two")], 1, "PYSEC-2026-1"),
    ],
)
def test_the_verdict_on_what_the_databases_said(tmp_path, capsys, pypi, osv, code, says):
    lock = tmp_path / "a.lock"
    lock.write_text(LOCK)
    for name, said in (("pypi", pypi), ("osv", osv)):
        if said is not None:
            report = tmp_path / f"a.lock.{name}.json"
            report.write_text(json.dumps({"dependencies": said, "fixes": []}))
        else:
            (tmp_path / f"a.lock.{name}.why").write_text("Trace …\nConnectionError: no such host\n")
    assert audit_verdict.main(tmp_path, lock) == code
    out = capsys.readouterr().out
    assert says in out
    if pypi is None:
        assert "no answer: ConnectionError: no such host" in out


def test_one_lock_with_a_fault_outweighs_one_that_could_not_be_asked(tmp_path):
    for name, said in (("a", [faulty("one"), clean("two")]), ("b", [unknown("one")])):
        (tmp_path / f"{name}.lock").write_text(LOCK)
        report = tmp_path / f"{name}.lock.pypi.json"
        report.write_text(json.dumps({"dependencies": said, "fixes": []}))
    locks = [tmp_path / "a.lock", tmp_path / "b.lock"]
    assert audit_verdict.main(tmp_path, *locks) == audit_verdict.FAULTS
    assert audit_verdict.main(tmp_path, locks[1]) == audit_verdict.UNKNOWN
