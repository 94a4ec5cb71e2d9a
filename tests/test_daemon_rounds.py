"""A round in the daemon: begun, said, kept, stopped, taken up again."""

from __future__ import annotations

import asyncio

import pytest

from acquire import config, daemon
from acquire.clock import SystemClock
from acquire.daemon import Daemon
from acquire.readings import Capture, Reading
from acquire.rounds import Guidance
from acquire.store.records import Records
from tests.pretend_meter import PretendMeter, PretendSettings

PLAN = '[[stop]]\nreference = "tub"\n[[stop]]\nsubject = "well"\n'


class Dips(PretendMeter):
    """A meter that is put into one water after the other, a minute and a half each."""

    def conductivity(self, n):
        waters = {0: 480.0, 1: 60.0}
        return 0.0 if n % 120 < 20 else waters[n // 120 % 2] + n % 2


@pytest.fixture
def dips(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plans").mkdir()
    (tmp_path / "plans" / "mine.toml").write_text(PLAN, encoding="utf-8")
    monkeypatch.setattr(daemon, "driver_class", lambda _name: Dips)
    meters = [config.MeterConfig("kitchen", "dips", PretendSettings(driver="dips"))]
    loaded = config.load(None)
    return lambda **more: Daemon(
        loaded, meters, SystemClock(100.0), store=tmp_path / "water.db", **more
    )


class Heard:
    def __init__(self, works):
        self.said = []
        self.task = asyncio.create_task(self._listen(works.listen("test")))

    async def _listen(self, heard):
        async for item in heard:
            self.said.append(item)

    def of(self, kind):
        return [item for item in self.said if isinstance(item, kind)]


async def until(condition):
    async with asyncio.timeout(20):
        while not condition():  # noqa: ASYNC110  (what it waits for sets no event)
            await asyncio.sleep(0.01)


async def test_a_round_is_guided_and_each_visit_is_kept_when_it_is_said(dips, tmp_path):
    works = dips(round_=("mine", False))
    heard = Heard(works)
    running = asyncio.create_task(works.run())
    await until(lambda: any(said.is_over for said in heard.of(Guidance)))
    works.stop()
    await running
    await heard.task
    said = [guidance.say for guidance in heard.of(Guidance)]
    assert said[0].startswith("Put the probe into tub")
    assert "Leave the probe still in tub." in said
    assert "Captured. Lift the probe out of well." in said
    assert [capture.water for capture in heard.of(Capture)][:2] == ["tub", "tub"]
    with Records.open(tmp_path / "water.db") as records:
        (one,) = records.rounds()
        assert one.state == "done"
        assert [visit.state for visit in one.visits] == ["taken", "taken"]
        kept = [records.capture(visit.capture_id).water for visit in one.visits]
        told = [event.text for event in records.events(kind="guidance")]
    assert kept == ["tub", "well"]
    assert told == said


async def test_a_round_is_stopped_by_order_and_a_daemon_that_ends_leaves_it_open(dips, tmp_path):
    works = dips(round_=("mine", False))
    heard = Heard(works)
    running = asyncio.create_task(works.run())
    await until(lambda: heard.of(Guidance))
    with pytest.raises(ValueError, match="a round is under way"):
        await works.order("round", "kitchen", "mine")
    assert "is stopped" in await works.order("stop", "kitchen", "")
    with pytest.raises(ValueError, match="no such plan"):
        await works.order("round", "kitchen", "none")
    await works.order("round", "kitchen", "mine")
    works.stop()
    await running
    again = dips()
    later = Heard(again)
    running = asyncio.create_task(again.run())
    await until(lambda: later.of(Reading))
    assert "goes on" in await again.order("resume", "kitchen", "")
    again.stop()
    await running
    with Records.open(tmp_path / "water.db") as records:
        assert [one.state for one in records.rounds()] == ["stopped", "open"]
