"""What the tests of the store share."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from acquire.readings import (
    Capture,
    CaptureState,
    Channel,
    Reading,
    Role,
    SettledValue,
    Stamp,
)

START_MS = 1_790_000_000_000
CHANNELS = (
    Channel("ph", 0.01, accuracy=0.05),
    Channel("conductivity", 1.0, accuracy_relative=0.02, reference_c=25.0, coefficient=0.02),
    Channel("tds", 1.0, follows="conductivity"),
)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "record" / "water.db"


@pytest.fixture
def channels() -> tuple[Channel, ...]:
    return CHANNELS


@pytest.fixture
def at() -> Callable[[float], Stamp]:
    """Give the stamp of a moment, in seconds after the first."""
    return lambda s: Stamp(START_MS + round(s * 1000), round(1e12 + s * 1e9))


@pytest.fixture
def said(at: Callable[[float], Stamp]) -> Callable[..., Reading]:
    """Make what the meter `kitchen` said at a moment."""

    def make(s: float, meter: str = "kitchen", **values: float) -> Reading:
        return Reading(meter, at(s), values or {"ph": 7.0, "conductivity": 512.0})

    return make


@pytest.fixture
def capture(at: Callable[[float], Stamp]) -> Callable[..., Capture]:
    """Make a capture of two values."""

    def make(
        name: str = "c1",
        state: CaptureState = CaptureState.PROVISIONAL,
        *,
        taken_s: float = 60.0,
        ph: float = 7.01,
        water: str = "kitchen tap",
        role: Role | None = Role.SUBJECT,
        meter: str = "kitchen",
    ) -> Capture:
        values = {
            "ph": SettledValue("ph", ph, 0.03, "settled", 0.001, 42.0, budget={"noise": 0.01}),
            "tds": SettledValue(
                "tds", 256.0, 4.0, "settled", 0.0, 40.0, source="derived", method="0.5 × EC25"
            ),
        }
        return Capture(name, meter, state, at(0), at(taken_s), values, water, role)

    return make


@pytest.fixture
def until() -> Callable[[Callable[[], bool]], object]:
    """Wait for something that happens in another thread."""

    async def wait(is_so: Callable[[], bool]) -> None:
        async with asyncio.timeout(10):
            while not is_so():  # noqa: ASYNC110 - it happens in a thread
                await asyncio.sleep(0.002)

    return wait


@pytest.fixture(autouse=True)
def _no_thread_left() -> Iterator[None]:
    """Every test gives its writers' threads back."""
    import threading

    yield
    left = [thread for thread in threading.enumerate() if thread.name == "ouzel store"]
    for thread in left:
        thread.join(5)
    assert not [thread for thread in left if thread.is_alive()]
