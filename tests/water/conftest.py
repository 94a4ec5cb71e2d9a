"""What the tests of the water share."""

from __future__ import annotations

import pytest


@pytest.fixture(scope="session")
def phreeqc():
    """PHREEQC with the USGS data base; skipped where its library is not built (not x86-64)."""
    return pytest.importorskip("phreeqpython").PhreeqPython("phreeqc.dat")
