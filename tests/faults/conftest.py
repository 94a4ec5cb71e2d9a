"""What the faults share: programs, brokers and radios of the tests that know them alone."""

from __future__ import annotations

from tests.bluetooth.conftest import bus, world
from tests.broker.conftest import broker
from tests.cli.conftest import ouzel

__all__ = ["broker", "bus", "ouzel", "world"]
