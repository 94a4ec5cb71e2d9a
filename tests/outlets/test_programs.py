"""A person's own programs: given JSON, held to their time, told of when they fail."""

from __future__ import annotations

import asyncio
import json
import sys

from acquire.clock import SystemClock
from acquire.outlets.programs import ProgramsOutlet, run_program
from acquire.outward import ProgramsConfig
from acquire.readings import Capture, CaptureState, Event, SettledValue, Stamp

AT = Stamp(1_790_000_000_000, 0)
VALUE = SettledValue("ph", 7.01, 0.02, "settled", 0.0, 40.0)
CAPTURE = Capture("c1", "kitchen", CaptureState.FINAL, AT, AT, {"ph": VALUE}, "tap; rm -rf $HOME")


async def carried(settings, *items):
    told = []

    async def tell(event):
        told.append(event)

    class Heard:
        async def __aiter__(self):
            for item in items:
                yield item

    outlet = ProgramsOutlet(ProgramsConfig(**settings), SystemClock())
    outlet.join(None, tell)
    await outlet.run(Heard())
    return told


async def test_a_capture_arrives_as_json_on_standard_input(tmp_path):
    file = tmp_path / "out"
    code = f"import sys; open({str(file)!r}, 'a').write(sys.stdin.read())"
    command = (sys.executable, "-c", code)
    lost = Event("meter_lost", AT, "kitchen", "unplugged")
    other = Event("clock", AT)
    assert await carried({"on_capture": command, "on_alert": command}, CAPTURE, lost, other) == []
    said = [json.loads(line) for line in file.read_text().splitlines()]
    assert [one["is"] for one in said] == ["capture", "event"]
    assert said[0]["values"]["ph"]["value"] == 7.01
    assert said[0]["water"] == CAPTURE.water  # no shell ever saw it


async def test_a_failure_is_told_with_what_the_program_said():
    code = "import sys; sys.stderr.write('no\\nroom'); sys.exit(3)"
    (event,) = await carried({"on_capture": (sys.executable, "-c", code)}, CAPTURE)
    assert event.kind == "outlet_program"
    assert event.text.endswith("ended with 3: no room")


async def test_a_program_that_is_not_there_is_told():
    (event,) = await carried({"on_capture": ("/nowhere/at-all",)}, CAPTURE)
    assert "cannot be started: No such file" in event.text


async def test_one_that_takes_too_long_is_stopped_with_all_it_started(tmp_path):
    file = tmp_path / "pid"
    code = (
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])\n"
        f"open({str(file)!r}, 'w').write(str(child.pid))\n"
        "time.sleep(60)\n"
    )
    problem = await run_program((sys.executable, "-c", code), "{}", 1.0)
    assert problem == "stopped after 1 s"
    pid = int(file.read_text())

    def is_gone():
        try:
            with open(f"/proc/{pid}/stat") as stat:  # noqa: PTH123
                return stat.read().split()[2] == "Z"
        except FileNotFoundError:
            return True

    async with asyncio.timeout(5):
        while not is_gone():  # noqa: ASYNC110
            await asyncio.sleep(0.01)


async def test_one_that_reads_nothing_and_closes_its_input_is_no_failure():
    assert await run_program((sys.executable, "-c", "import os; os.close(0)"), "x" * 10, 10) == ""
