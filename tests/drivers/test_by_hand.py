from __future__ import annotations

import pytest

from acquire import config
from acquire.clock import SystemClock
from acquire.errors import ConfigError, MeterLost
from acquire.quantities import BUILT_IN
from acquire.registry import driver_class


def make(**keys):
    meter = config.meter("pen", {"driver": "by_hand", **keys})
    return driver_class("by_hand")(meter.settings, meter="pen", clock=SystemClock())


def test_a_display_may_be_described_in_the_configuration_itself():
    driver = make(
        quantities={
            "ph": {"unit": "pH", "resolution": 0.1, "accuracy": 0.2},
            "conductivity": {"unit": "mS/cm", "resolution": 0.01, "compensated_to_c": 25.0},
        }
    )
    ph, conductivity = driver.channels
    assert (ph.quantity, ph.resolution, ph.accuracy) == ("ph", 0.1, 0.2)
    assert conductivity.resolution == pytest.approx(10)
    assert conductivity.reference_c == 25
    assert driver.fields[1].read("1,41").value == pytest.approx(1410)
    assert driver.fields[1].read("1,41").step == pytest.approx(10)


def test_without_a_description_it_is_the_usual_display():
    assert [c.quantity for c in make().channels] == list(BUILT_IN)
    assert [c.quantity for c in make(profile="usual").channels] == list(BUILT_IN)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"port": "/dev/ttyACM0"}, "unknown key"),
        ({"profile": "labelled"}, r"meters\.pen\.profile: no such profile.*allowed: usual"),
        ({"quantities": {"ph": {"unit": "pH"}}}, r"meters\.pen\.quantities\.ph\.resolution"),
        ({"quantities": {"ph": {"unit": "V", "resolution": 1}}}, "unknown unit for ph"),
        ({"quantities": {"taste": {"unit": "1", "resolution": 1}}}, "unknown quantity"),
        (
            {"profile": "usual", "quantities": {"ph": {"unit": "pH", "resolution": 1}}},
            "either a profile or quantities",
        ),
    ],
)
def test_what_cannot_be_used_is_said_when_the_configuration_is_read(keys, said):
    with pytest.raises(ConfigError, match=said):
        make(**keys)


async def test_it_has_nothing_to_open_and_says_what_to_do():
    with pytest.raises(MeterLost, match="ouzel capture --by-hand") as lost:
        async with make().open():
            pass
    assert lost.value.is_over
